"""Turn a kernel's text into machine code, and keep it for the next start.

The text is written anew at every start (some 15 ms) and is itself, with all else that the code
depends on, the key under which the code is kept: a changed template, table, compiler or
processor can never meet old code. Compiling takes about a second, loading kept code a few
milliseconds.
"""

from __future__ import annotations

import ctypes
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import llvmlite
import llvmlite.binding as llvm

from busplay.core.compiled.code_cache import CodeCache
from busplay.core.compiled.generate import kernel_text
from busplay.errors import BusplayError

OPTIMISATION = 2
OLDEST_LLVMLITE = "0.45"
"""LLVM 20: the first here with `preserve_none` and untyped pointers."""


ARCHITECTURES = ("x86_64", "aarch64", "arm64")
"""Those on which LLVM has the calling convention; all of them put a word's low byte first."""


class CompileError(BusplayError):
    """This machine's compiler does not take the kernel."""


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """Machine code, ready to run.

    Attributes:
        run: takes the address of a block's memory.
        table: addresses of the 256 instructions' code, for the block.
        profile: address of the code that stands in for all of them while a profile is taken.
        was_kept: it came from the cache.
    """

    run: Callable[[int], None]
    table: tuple[int, ...]
    profile: int
    was_kept: bool
    _engine: llvm.ExecutionEngine


@cache
def load_kernel(processor: str, *, undocumented: bool = False) -> Kernel:
    """Return a processor's kernel, from the cache or newly compiled.

    With undocumented instructions it is another kernel than without.

    Raises:
        CompileError: the compiler refuses the kernel.
    """
    return build_kernel(processor, CodeCache.usual(), undocumented=undocumented)


def build_kernel(processor: str, code_cache: CodeCache, *, undocumented: bool = False) -> Kernel:
    """Return a processor's kernel; `code_cache` is where it may be kept.

    Raises:
        CompileError: the compiler refuses the kernel.
    """
    architecture = llvm.get_process_triple().split("-")[0]
    if architecture not in ARCHITECTURES:
        # LLVM ends the whole program where it lacks a calling convention.
        raise CompileError(
            f"the compiled core is there for {', '.join(ARCHITECTURES)} and not for {architecture};"
            " use the reference core"
        )
    text = kernel_text(processor, undocumented=undocumented)
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    name = f"kernel-{processor}-{_key(text)}"
    code = code_cache.find(name)
    was_kept = code is not None
    try:
        machine = _target_machine()
        if code is None:
            code = _compile(text, machine)
            code_cache.keep(name, code)
        return _load(code, machine, was_kept=was_kept)
    except RuntimeError as error:
        said = str(error).strip().splitlines() or ["no reason given"]
        raise CompileError(
            f"the compiled core of the {processor} cannot be built by llvmlite"
            f" {llvmlite.__version__} here: {said[0]}; use llvmlite {OLDEST_LLVMLITE} or newer,"
            " or the reference core, which needs none"
        ) from error


def _key(text: str) -> str:
    features = llvm.get_host_cpu_features().flatten()
    parts = (
        text,
        llvmlite.__version__,
        str(llvm.llvm_version_info),
        llvm.get_process_triple(),
        llvm.get_host_cpu_name(),
        features,
        str(OPTIMISATION),
    )
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:24]


def _target_machine() -> llvm.TargetMachine:
    # All calls stay within the one object, so small code suits wherever it is loaded.
    return llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(
        cpu=llvm.get_host_cpu_name(),
        features=llvm.get_host_cpu_features().flatten(),
        opt=OPTIMISATION,
        reloc="pic",
        codemodel="small",
    )


def _compile(text: str, machine: llvm.TargetMachine) -> bytes:
    module = llvm.parse_assembly(text)
    module.triple = machine.triple
    module.data_layout = str(machine.target_data)
    module.verify()
    options = llvm.create_pipeline_tuning_options(speed_level=OPTIMISATION)
    builder = llvm.create_pass_builder(machine, options)
    builder.getModulePassManager().run(module, builder)
    code: bytes = machine.emit_object(module)
    return code


def _load(code: bytes, machine: llvm.TargetMachine, *, was_kept: bool) -> Kernel:
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    run = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(engine.get_function_address("run"))
    address = engine.get_global_value_address("table")
    *table, profile = (ctypes.c_uint64 * 257).from_address(address)
    return Kernel(run, tuple(table), profile, was_kept, engine)
