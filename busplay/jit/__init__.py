"""Compiled kernels, and machine code that is kept from one start to the next.

    from busplay.jit import kernel

    @kernel
    def count_ones(words: UInt64Column, counts: UInt64Column) -> None: ...

How to think about it. A kernel is compiled by Numba when it is first called with arguments of
new types. What is kept is the object code, in a file named by a digest of everything that the
code depends on (`digest`): another start finds the file and loads it through llvmlite
(`machine_code`), so that Numba, the slowest import of all, is needed only to compile
(`compiling`). A changed helper in another module, another compiler or another processor gives
another digest, and can never meet old code. The compiled core keeps its code in the same place
(`code_cache`).

What a kernel may do:

- Take arrays (also of records), numbers, and tuples and named tuples of these; return nothing,
  a number, or a tuple of numbers.
- Call kernels, and use numbers, tuples, enums and constant arrays of its module.
- Not allocate: no array that it makes itself and none that it returns. Room comes from the
  caller. So its code needs nothing of Numba where it runs, and runs without the interpreter's
  lock.
- Not raise. What goes wrong is a result. (An exception that Numba itself foresees ends as
  `KernelError`.)
"""

from __future__ import annotations

from busplay.jit.kernel_function import KernelError, kernel, on_compiling

__all__ = ["KernelError", "kernel", "on_compiling"]
