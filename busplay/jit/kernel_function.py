"""A function that runs as machine code, compiled for each combination of argument types.

A call describes its arguments by a key (types; for arrays dtype, dimensions and flags), looks up
the machine code by it, and passes the arguments in a block of 8-byte slots. An array's slot holds
the address of the array object, whose fields the machine code reads itself: that takes a few
nanoseconds, reading them here hundreds.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import struct
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from types import FunctionType
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar, cast

import numpy as np

if TYPE_CHECKING:
    from busplay.jit.machine_code import LoadedCode

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")

# NumPy's flags of an array: C order, Fortran order, aligned, writeable.
_FLAGS = 0x1 | 0x2 | 0x100 | 0x400
_INT64_LIMIT = 1 << 63
_FUNCTION = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_char_p, ctypes.c_void_p)
# The `struct` format of each type's slot.
_SLOT_OF: dict[type, str] = {
    bool: "?7x",
    np.bool_: "?7x",
    **dict.fromkeys((float, np.float32, np.float64), "d"),
    **dict.fromkeys((int, np.int8, np.int16, np.int32, np.int64), "q"),
    **dict.fromkeys((np.uint8, np.uint16, np.uint32, np.uint64), "Q"),
}

_lock = threading.RLock()
_listeners: list[Callable[[], None]] = []


class KernelError(RuntimeError):
    """A kernel was stopped: an error in it or in its arguments."""


def on_compiling(listener: Callable[[], None]) -> None:
    """Call `listener` before each compilation, which may take seconds."""
    if listener not in _listeners:
        _listeners.append(listener)


def tell_of_compiling() -> None:
    """Call the listeners of `on_compiling`.

    Numba is likely to be needed next, so a thread loads it, mostly while LLVM compiles the core.
    """
    for listener in _listeners:
        listener()
    if "numba" not in sys.modules:
        threading.Thread(target=_make_numba_ready).start()


def _make_numba_ready() -> None:
    from busplay.jit.compiling import compile_kernel

    def nothing() -> None:
        return

    # The first function compiled takes a third of a second more than others.
    compile_kernel(cast(FunctionType, nothing), ())


def kernel(function: Callable[_Arguments, _Result]) -> Callable[_Arguments, _Result]:
    """Run a function as machine code, compiled on its first call and cached.

    Integer division by zero is not checked: callers bound their arguments.
    """
    return cast("Callable[_Arguments, _Result]", KernelFunction(cast(FunctionType, function)))


class KernelFunction:
    """A function decorated with `kernel`.

    Attributes:
        py_func: the function itself.
    """

    def __init__(self, py_func: FunctionType) -> None:
        functools.update_wrapper(self, py_func)
        self.py_func = py_func
        self._names = py_func.__code__.co_varnames[: py_func.__code__.co_argcount]
        self._pieces: dict[tuple[object, ...], _Piece] = {}

    def __call__(self, *arguments: object, **named: object) -> Any:
        """Run the kernel."""
        if named or len(arguments) != len(self._names):
            arguments = self._in_order(arguments, named)
        key: list[object] = []
        slots: list[object] = []
        _flatten(arguments, key, slots)
        piece = self._pieces.get(tuple(key))
        if piece is None:
            piece = self._find(tuple(key), arguments)
        return piece.run(slots)

    @functools.cached_property
    def digest(self) -> bytes:
        """Digest of everything that the code depends on except argument types."""
        from busplay.jit.digest import digest_of_function

        return digest_of_function(self.py_func)

    def _in_order(
        self, arguments: tuple[object, ...], named: dict[str, object]
    ) -> tuple[object, ...]:
        names, defaults = self._names, self.py_func.__defaults__ or ()
        values = dict(zip(names[len(names) - len(defaults) :], defaults, strict=True))
        values |= dict(zip(names, arguments, strict=False)) | named
        if len(arguments) > len(names) or values.keys() != set(names):
            raise TypeError(
                f"{self.py_func.__name__} takes {', '.join(names)};"
                f" found {len(arguments)} in order and {', '.join(named) or 'none'} by name"
            )
        return tuple(values[name] for name in names)

    def _find(self, key: tuple[object, ...], arguments: tuple[object, ...]) -> _Piece:
        with _lock:
            if key not in self._pieces:
                self._pieces[key] = self._load_or_compile(arguments)
            return self._pieces[key]

    def _load_or_compile(self, arguments: tuple[object, ...]) -> _Piece:
        # Loaded here, since a command never calls most kernels of its modules.
        from busplay.jit.code_cache import CodeCache
        from busplay.jit.digest import describe, digest_of_call

        types = [describe(argument) for argument in arguments]
        name = f"{self.py_func.__name__}-{digest_of_call(self.digest, types)}"
        cache = CodeCache.usual()
        kept = cache.find(name)
        if kept is not None:
            # Compile anew, also if the linker refuses the cached code.
            with contextlib.suppress(RuntimeError):
                return self._from_kept(kept, arguments)
        tell_of_compiling()
        from busplay.jit.compiling import compile_kernel

        code, results = compile_kernel(self.py_func, arguments)
        kept = bytes([len(results)]) + results.encode() + code
        cache.keep(name, kept)
        return self._from_kept(kept, arguments)

    def _from_kept(self, kept: bytes, arguments: tuple[object, ...]) -> _Piece:
        from busplay.jit.machine_code import LoadedCode

        code_at = 1 + kept[0]
        slots = "".join(_slot_formats(arguments))
        code = LoadedCode(kept[code_at:], ["kernel"])
        return _Piece(self.py_func.__name__, code, slots, kept[1:code_at].decode())


class SharedKernel(KernelFunction):
    """A function that runs as Python when it is called, and as machine code by its address.

    So one text serves Python code that calls it now and then, and machine code that calls it often.
    """

    def __call__(self, *arguments: object, **named: object) -> Any:
        """Run the function itself."""
        return self.py_func(*arguments, **named)

    def machine_code(self, *arguments: object) -> tuple[int, LoadedCode]:
        """Return its address as `int32 function(slots, results)`, and what keeps the code loaded.

        Args:
            arguments: of the types that it will be called with; see `busplay.jit.compiling` for
                their slots.
        """
        key: list[object] = []
        _flatten(arguments, key, [])
        code = self._find(tuple(key), arguments).code
        return code.addresses["kernel"], code


def shared_kernel(function: Callable[_Arguments, _Result]) -> Callable[_Arguments, _Result]:
    """Make a `SharedKernel` of a function; it may call others of its kind only."""
    return cast("Callable[_Arguments, _Result]", SharedKernel(cast(FunctionType, function)))


class _Piece:
    """A kernel's code for one combination of argument types.

    Args:
        slots, results: their `struct` formats; results in parentheses are a tuple.
    """

    def __init__(self, name: str, code: LoadedCode, slots: str, results: str) -> None:
        self._name = name
        self.code = code
        self._function = _FUNCTION(code.addresses["kernel"])
        self._pack = struct.Struct(f"={slots}").pack
        self._is_tuple = results.startswith("(")
        self._results = struct.Struct(f"={results.strip('()')}")
        self._room = ctypes.c_char * self._results.size

    def run(self, slots: Sequence[object]) -> Any:
        """Run it on arguments of these types."""
        room = self._room()
        if self._function(self._pack(*slots), room):
            raise KernelError(f"{self._name} was stopped by an exception")
        found = self._results.unpack(room)
        return found if self._is_tuple else found[0] if found else None


def _flatten(arguments: Iterable[Any], key: list[object], slots: list[object]) -> None:
    for argument in arguments:
        kind = type(argument)
        if kind is np.ndarray:
            key += (argument.dtype, argument.ndim, argument.flags.num & _FLAGS)
            slots.append(id(argument))
        elif kind is int and argument >= _INT64_LIMIT:
            key.append(np.uint64)
            slots.append(argument)
        elif kind in _SLOT_OF:
            key.append(kind)
            slots.append(argument)
        elif isinstance(argument, tuple):
            key += (kind, len(argument))
            _flatten(argument, key, slots)
        elif isinstance(argument, np.ndarray):
            # A subclass, whose objects begin with the same fields.
            key += (argument.dtype, argument.ndim, argument.flags.num & _FLAGS)
            slots.append(id(argument))
        else:
            raise TypeError(f"a kernel takes arrays, numbers and tuples; found {argument!r}")


def _slot_formats(arguments: Iterable[Any]) -> Iterable[str]:
    for argument in arguments:
        if isinstance(argument, tuple):
            yield from _slot_formats(argument)
        elif isinstance(argument, np.ndarray):
            yield "Q"
        else:
            is_large = type(argument) is int and argument >= _INT64_LIMIT
            yield "Q" if is_large else _SLOT_OF[type(argument)]
