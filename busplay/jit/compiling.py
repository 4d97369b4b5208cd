"""A kernel to object code, by Numba. The only module that imports Numba.

The entry point is `int32 kernel(slots, results)` around Numba's own function: it loads each
argument from its 8-byte slot, stores each result in one, and returns 0 on success. An array's slot
has the address of NumPy's array object, whose first fields are part of NumPy's binary interface:
data, number of dimensions, dimensions, strides.
"""

from __future__ import annotations

import gc
from functools import cache
from types import FunctionType
from typing import Any

import numba.core.errors
import numba.core.types
from llvmlite import binding as llvm
from llvmlite import ir
from numba.core import compiler, registry
from numba.core.compiler_lock import global_compiler_lock
from numba.core.compiler_machinery import PassManager
from numba.core.registry import CPUDispatcher
from numba.extending import typeof_impl
from numba.np.arrayobj import make_array, populate_array

from busplay.jit.kernel_function import KernelFunction
from busplay.jit.machine_code import compile_text

_OPTIONS = {
    "nopython": True,
    "nogil": True,
    "error_model": "numpy",
    # Numba's reference counting needs Numba at run time.
    "_nrt": False,
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
SLOT_BYTES = 8
# Not every version has types for these.
types: Any = numba.core.types
_INT8, _INT32, _INT64 = ir.IntType(8), ir.IntType(32), ir.IntType(64)
_POINTER = _INT8.as_pointer()
# Offsets of an array object's fields, after those of every Python object.
DATA = object.__basicsize__
DIMENSIONS, STRIDES = DATA + 16, DATA + 24
# For closures, functions to inline, literals as types, expressions of whole arrays.
_NOT_NEEDED = {
    "WithLifting",
    "InlineClosureLikes",
    "MakeFunctionToJitFunction",
    "InlineInlinables",
    "FindLiterallyCalls",
    "LiteralUnroll",
    "LiteralPropagationSubPipelinePass",
    "InlineOverloads",
    "NopythonRewrites",
    "NoPythonSupportedFeatureValidation",
    "DumpParforDiagnostics",
}
# Functions of every C library that LLVM and Numba may call.
C_FUNCTIONS = frozenset(
    ["memcpy", "memmove", "memset", "memcmp", "exp", "log", "log2", "pow", "fmod"]
)


def compile_kernel(function: FunctionType, arguments: tuple[object, ...]) -> tuple[bytes, str]:
    """Compile a function for the types of some arguments.

    Returns:
        Object code with the function `kernel`, and the `struct` format of its result slots, in
        parentheses if it returns a tuple.

    Raises:
        TypeError: it does something that a kernel must not; the message is Numba's.
    """
    # Numba makes millions of objects that stay; garbage collection adds 5 % to the time.
    collects = gc.isenabled()
    gc.disable()
    try:
        library, returned = _compile(function, arguments)
    except numba.core.errors.NumbaError as error:
        raise TypeError(f"kernel {function.__name__}: {error}") from error
    finally:
        if collects:
            gc.enable()
    text = library.get_llvm_str()
    _require_alone(function.__name__, text)
    return compile_text(text, is_optimised=True), _result_format(returned)


def _compile(function: FunctionType, arguments: tuple[object, ...]) -> tuple[Any, Any]:
    with global_compiler_lock:
        flags = compiler.Flags()
        registry.cpu_target.options.parse_as_flags(flags, _OPTIONS)
        compiled = compiler.compile_extra(
            registry.cpu_target.typing_context,
            registry.cpu_target.target_context,
            function,
            tuple(numba.typeof(argument) for argument in arguments),
            None,
            _left_as_text(flags),
            {},
            pipeline_class=_Pipeline,
        )
        library = compiled.library
        library.add_ir_module(_wrapper(compiled))
        _leave_unloaded(library)
        library.finalize()
    return library, compiled.signature.return_type


class _Pipeline(compiler.CompilerBase):  # type: ignore[misc]
    """Numba's passes without those that no kernel needs, which take a fifth of the time."""

    def define_pipelines(self) -> list[PassManager]:
        """Return the single list of passes."""
        usual = compiler.DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes = PassManager("kernel")
        for each, text in usual.passes:
            if each.__name__ not in _NOT_NEEDED:
                passes.add_pass(each, text)
        passes.finalize()
        return [passes]


def _left_as_text(flags: Any) -> Any:
    # The wrapper, or the caller, is linked into the same library before that is compiled.
    flags.no_compile = True
    return flags


def _leave_unloaded(library: Any) -> None:
    # Otherwise Numba compiles and loads it as well; a version without this method does so, and
    # only takes longer.
    library._finalize_final_module = lambda: setattr(library, "_finalized", True)


class _Callee(CPUDispatcher):  # type: ignore[misc]
    """A kernel as Numba sees it when another calls it: typed, and inlined by LLVM.

    Numba would optimise and load each by itself too, which took half as long again, and would keep
    the call, for which each member of a named tuple is an argument.
    """

    def __init__(self, function: FunctionType) -> None:
        super().__init__(
            py_func=function,
            targetoptions={**_OPTIONS, "forceinline": True},
            pipeline_class=_Pipeline,
        )
        self._compiler._customize_flags = _left_as_text

    def add_overload(self, compiled: Any) -> None:
        """Add a compiled form, which is never called from Python."""
        compiled.library._optimize_final_module = lambda: None
        _leave_unloaded(compiled.library)
        # Callers look it up by what would be the function's address.
        compiled = compiled._replace(entry_point=object())
        self.targetctx.insert_user_function(
            compiled.entry_point, compiled.fndesc, [compiled.library]
        )
        self.overloads[tuple(compiled.signature.args)] = compiled


def _require_alone(name: str, text: str) -> None:
    called = {
        each.name
        for each in llvm.parse_assembly(text).functions
        if each.is_declaration and not each.name.startswith("llvm.")
    }
    if called - C_FUNCTIONS or "numba.dynamic.globals" in text:
        raise TypeError(
            f"kernel {name} needs Numba at run time:"
            f" {', '.join(sorted(called - C_FUNCTIONS)) or 'a large constant array'}"
        )


def _typeof_kernel(called: KernelFunction, _: object) -> Any:
    return types.Dispatcher(_dispatcher(called))


typeof_impl.register(KernelFunction, _typeof_kernel)


@cache
def _dispatcher(called: KernelFunction) -> Any:
    return _Callee(called.py_func)


def _wrapper(compiled: Any) -> ir.Module:
    context, signature = compiled.target_context, compiled.signature
    module = compiled.library.create_ir_module("kernel")
    function = ir.Function(module, ir.FunctionType(_INT32, [_POINTER, _POINTER]), "kernel")
    builder = ir.IRBuilder(function.append_basic_block())
    slots, results = function.args
    taker = _Taker(context, builder, slots)
    values = [taker.take(kind) for kind in signature.args]
    status, result = context.call_conv.call_function(
        builder,
        context.declare_function(module, compiled.fndesc),
        signature.return_type,
        signature.args,
        values,
    )
    returned = signature.return_type
    kinds = returned.types if isinstance(returned, types.BaseTuple) else (returned,)
    for place, kind in enumerate(kinds):
        if kind == types.none:
            continue
        value = result
        if isinstance(returned, types.BaseTuple):
            value = builder.extract_value(result, place)
        slot = builder.gep(results, [_INT64(SLOT_BYTES * place)])
        widened = _widened(builder, kind, value)
        builder.store(widened, builder.bitcast(slot, widened.type.as_pointer()))
    builder.ret(builder.zext(builder.not_(status.is_ok), _INT32))
    return module


class _Taker:
    """Loads arguments from their slots, one after the other."""

    def __init__(self, context: Any, builder: ir.IRBuilder, slots: ir.Value) -> None:
        self._context, self._builder, self._slots = context, builder, slots
        self._taken = 0

    def take(self, kind: Any) -> ir.Value:
        """Return the next argument of a type."""
        if isinstance(kind, types.BaseTuple):
            members = [self.take(member) for member in kind.types]
            return self._context.make_tuple(self._builder, kind, members)
        builder = self._builder
        is_float = isinstance(kind, types.Float)
        slot = self._load(
            self._slots, SLOT_BYTES * self._taken, ir.DoubleType() if is_float else _INT64
        )
        self._taken += 1
        if isinstance(kind, types.Array):
            return self._array(kind, builder.inttoptr(slot, _POINTER))
        value_type = self._context.get_value_type(kind)
        if is_float:
            return slot if value_type == slot.type else builder.fptrunc(slot, value_type)
        if isinstance(kind, types.Boolean):
            return builder.trunc(slot, value_type)
        return slot if value_type == slot.type else builder.trunc(slot, value_type)

    def _array(self, kind: Any, array_object: ir.Value) -> ir.Value:
        context, builder = self._context, self._builder
        data_type = context.get_data_type(kind.dtype).as_pointer()
        item_bytes = context.get_abi_sizeof(context.get_data_type(kind.dtype))
        dimensions = self._load(array_object, DIMENSIONS, _POINTER)
        strides = self._load(array_object, STRIDES, _POINTER)
        array = make_array(kind)(context, builder)
        populate_array(
            array,
            data=self._load(array_object, DATA, data_type),
            shape=[self._load(dimensions, 8 * axis, _INT64) for axis in range(kind.ndim)],
            strides=[self._load(strides, 8 * axis, _INT64) for axis in range(kind.ndim)],
            itemsize=item_bytes,
            meminfo=None,
        )
        count = _INT64(1)
        for axis in range(kind.ndim):
            count = builder.mul(count, builder.extract_value(array.shape, axis))
        array.nitems = count
        return array._getvalue()

    def _load(self, base: ir.Value, offset: int, kind: ir.Type) -> ir.Value:
        place = self._builder.gep(base, [_INT64(offset)])
        return self._builder.load(self._builder.bitcast(place, kind.as_pointer()))


def _widened(builder: ir.IRBuilder, kind: Any, value: ir.Value) -> ir.Value:
    if isinstance(kind, types.Float):
        return value if kind == types.float64 else builder.fpext(value, ir.DoubleType())
    if value.type == _INT64:
        return value
    if isinstance(kind, types.Integer) and kind.signed:
        return builder.sext(value, _INT64)
    return builder.zext(value, _INT64)


def _result_format(returned: Any) -> str:
    if returned == types.none:
        return ""
    if isinstance(returned, types.BaseTuple):
        return f"({''.join(_result_format(member) for member in returned.types)})"
    if isinstance(returned, types.Boolean):
        return "?7x"
    if isinstance(returned, types.Float):
        return "d"
    if isinstance(returned, types.Integer):
        return "q" if returned.signed else "Q"
    raise TypeError(f"a kernel returns numbers and tuples of numbers, not {returned}")
