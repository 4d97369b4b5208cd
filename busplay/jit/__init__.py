"""Compiled kernels, and a cache of their machine code.

    from busplay.jit import kernel

    @kernel
    def count_ones(words: UInt64Column, counts: UInt64Column) -> None: ...

How to think about it. Numba compiles a kernel on its first call with arguments of new types. The
object code is cached in a file named by a digest of everything that it depends on (`digest`): the
next start loads the file through llvmlite (`machine_code`), so that Numba, the slowest import of
all, is needed only to compile (`compiling`). A changed helper in another module, another compiler
or another processor has another digest, so old code is never used. The compiled core uses the same
cache (`code_cache`).

What a kernel may do:

- Take arrays (also of records), numbers, and tuples and named tuples of these; return nothing,
  a number, or a tuple of numbers.
- Call kernels, and use numbers, tuples, enums and constant arrays of its module.
- Not allocate or return arrays: room comes from the caller. So its code needs no Numba at run
  time, and runs without the interpreter lock.
- Not raise: errors are results. (An exception of Numba's own becomes a `KernelError`.)
"""

from __future__ import annotations

from busplay.jit.kernel_function import KernelError, kernel, on_compiling, shared_kernel

__all__ = ["KernelError", "kernel", "on_compiling", "shared_kernel"]
