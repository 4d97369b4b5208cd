"""The one decorator of compiled kernels.

A kernel is a plain function over NumPy arrays and numbers that Numba compiles. It may stand in
any module; it must not hold Python objects, since it runs without the interpreter's lock.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

from numba import njit

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")


def kernel(function: Callable[_Arguments, _Result]) -> Callable[_Arguments, _Result]:
    """Compile a function when it is first called, and keep what was compiled.

    Integer division by zero is not checked for: a kernel's callers bound what they pass.
    """
    compiled = njit(cache=True, nogil=True, error_model="numpy")(function)
    return cast("Callable[_Arguments, _Result]", compiled)
