"""Turn a kernel's text into machine code, and cache it.

The text is generated at every start (some 15 ms) and is part of the cache key, with everything
else that the code depends on: a changed template, table, compiler or processor never uses old
code. Compiling takes about a second, loading from the cache a few milliseconds.
"""

from __future__ import annotations

import ctypes
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import llvmlite
import llvmlite.binding as llvm

from busplay.core.compiled.generate import kernel_text
from busplay.errors import BusplayError
from busplay.jit.code_cache import CodeCache
from busplay.jit.kernel_function import tell_of_compiling
from busplay.jit.machine_code import LoadedCode, compile_text, target_text

OLDEST_LLVMLITE = "0.45"
"""LLVM 20: the first llvmlite with `preserve_none` and untyped pointers."""


ARCHITECTURES = ("x86_64", "aarch64", "arm64")
"""Those on which LLVM has the calling convention; all are little-endian."""


class CompileError(BusplayError):
    """This machine's compiler does not accept the kernel."""


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """Machine code, ready to run.

    Attributes:
        run: takes the address of a block's memory.
        table: addresses of the 256 instructions' code, for the block.
        watch: address of the code that replaces all of them while running to an address.
        log: the same while instructions are logged.
        was_kept: whether it came from the cache.
    """

    run: Callable[[int], None]
    table: tuple[int, ...]
    watch: int
    log: int
    was_kept: bool
    _code: LoadedCode


@cache
def load_kernel(processor: str, *, undocumented: bool = False) -> Kernel:
    """Return a processor's kernel, from the cache or newly compiled.

    Undocumented instructions make a kernel of their own.

    Raises:
        CompileError: the compiler refuses the kernel.
    """
    return build_kernel(processor, CodeCache.usual(), undocumented=undocumented)


def build_kernel(processor: str, code_cache: CodeCache, *, undocumented: bool = False) -> Kernel:
    """Return a processor's kernel, using a cache.

    Raises:
        CompileError: the compiler refuses the kernel.
    """
    architecture = llvm.get_process_triple().split("-")[0]
    if architecture not in ARCHITECTURES:
        # LLVM aborts the process if it lacks a calling convention.
        raise CompileError(
            f"the compiled core supports {', '.join(ARCHITECTURES)} and not {architecture};"
            " use the reference core"
        )
    text = kernel_text(processor, undocumented=undocumented)
    digest = hashlib.sha256(f"{text}\0{target_text()}".encode()).hexdigest()[:40]
    name = f"core-{processor}-{digest}"
    code = code_cache.find(name)
    was_kept = code is not None
    try:
        if code is None:
            tell_of_compiling()
            code = compile_text(text)
            code_cache.keep(name, code)
        return _load(code, was_kept=was_kept)
    except RuntimeError as error:
        said = str(error).strip().splitlines() or ["no reason given"]
        raise CompileError(
            f"the compiled core of the {processor} cannot be built by llvmlite"
            f" {llvmlite.__version__} here: {said[0]}; use llvmlite {OLDEST_LLVMLITE} or newer,"
            " or the reference core, which needs none"
        ) from error


def _load(code: bytes, *, was_kept: bool) -> Kernel:
    loaded = LoadedCode(code, ["run", "table"])
    run = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(loaded.addresses["run"])
    *table, watch, log = (ctypes.c_uint64 * 258).from_address(loaded.addresses["table"])
    return Kernel(run, tuple(table), watch, log, was_kept, loaded)
