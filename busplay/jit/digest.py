"""A digest of everything that a kernel's machine code depends on.

For a function, that is its bytecode (not comments or line numbers), its defaults, and every global
that it uses: constants by value, other kernels by their digest. Globals that cannot be followed,
such as an object with methods, are refused: an incomplete digest would let changed code use old
machine code.

For a call, that is also the types of its arguments, the versions of Python, NumPy, Numba and LLVM,
and the processor.
"""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import Enum
from functools import cache
from pathlib import Path
from types import BuiltinFunctionType, CodeType, FunctionType, ModuleType

import llvmlite
import numpy as np

from busplay.jit import machine_code

DIGEST_BYTES = 20
MOST_CONSTANT_BYTES = 1_000_000
"""Numba refers to a larger constant array by its address instead of including it in the code."""

_OUR_PACKAGE = __name__.split(".")[0]
# Packages whose versions are in every digest.
_LIBRARIES = ("builtins", "math", "numpy")
_COMPILERS = ("compiling.py", "machine_code.py", "kernel_function.py")


def digest_of_call(function_digest: bytes, types: Sequence[str]) -> str:
    """Return a name for a kernel's code, from function, argument types and tools."""
    return _digest([function_digest, *(each.encode() for each in types), *_tools()]).hex()


def digest_of_function(function: FunctionType) -> bytes:
    """Return a digest of a function and everything that it uses.

    Raises:
        TypeError: it uses something that cannot be followed.
    """
    return _digest(_function(function))


def describe(argument: object) -> str:
    """Describe an argument's type, as far as machine code depends on it.

    Raises:
        TypeError: kernels do not take this type.
    """
    if isinstance(argument, np.ndarray):
        flags = argument.flags
        order = "C" if flags.c_contiguous else "F" if flags.f_contiguous else "any order"
        aligned = "aligned" if flags.aligned else "not aligned"
        written = "writeable" if flags.writeable else "read-only"
        return f"array {argument.dtype!r} {argument.ndim} {order} {aligned} {written}"
    if isinstance(argument, tuple):
        members = ", ".join(describe(member) for member in argument)
        return f"{_type_name(type(argument))}({members})"
    if type(argument) is int and not -(1 << 63) <= argument < 1 << 64:
        raise OverflowError(f"a kernel takes integers of 64 bits; found {argument}")
    if isinstance(argument, bool | int | float | np.number | np.bool_):
        is_large = type(argument) is int and argument >= 1 << 63
        return "uint64" if is_large else type(argument).__name__
    raise TypeError(f"a kernel takes arrays, numbers and tuples of them; found {argument!r}")


@cache
def _tools() -> tuple[bytes, ...]:
    numba = importlib.util.find_spec("numba")
    if numba is None or numba.origin is None:
        raise ImportError("Numba, which compiles kernels, is not installed")
    here = Path(__file__).parent
    return (
        # Numba's version, without the half second of its import.
        (Path(numba.origin).parent / "_version.py").read_bytes(),
        f"{sys.version} {np.__version__} {llvmlite.__version__}".encode(),
        machine_code.target_text().encode(),
        *((here / name).read_bytes() for name in _COMPILERS),
    )


def _digest(parts: Iterable[bytes]) -> bytes:
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return digest.digest()


def _function(function: FunctionType) -> Iterator[bytes]:
    code = function.__code__
    yield from _code(code)
    yield from _value(function.__defaults__)
    for cell in function.__closure__ or ():
        yield from _value(cell.cell_contents)
    names = set(_names(code))
    for name in sorted(names & function.__globals__.keys()):
        value = function.__globals__[name]
        yield name.encode()
        yield from _value(value)
        if isinstance(value, ModuleType) and value.__name__.startswith(f"{_OUR_PACKAGE}."):
            for inner in sorted(names & vars(value).keys()):
                yield inner.encode()
                yield from _value(vars(value)[inner])


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _names(constant)


def _code(code: CodeType) -> Iterator[bytes]:
    yield code.co_code
    yield repr(
        (code.co_name, code.co_argcount, code.co_flags, code.co_names, code.co_varnames)
    ).encode()
    yield repr((code.co_freevars, code.co_cellvars)).encode()
    yield from _value(code.co_consts)


def _value(value: object) -> Iterator[bytes]:
    if isinstance(value, Enum):
        yield f"{_type_name(type(value))}.{value.name}={value.value!r}".encode()
    elif value is None or isinstance(value, bool | int | float | str | bytes):
        yield f"{type(value).__name__} {value!r}".encode()
    elif isinstance(value, np.generic | np.ndarray):
        if value.nbytes > MOST_CONSTANT_BYTES:
            raise TypeError(f"a constant array of {value.nbytes:,} bytes: pass it as an argument")
        yield f"{value.dtype!r} {value.shape}".encode()
        yield value.tobytes()
    elif isinstance(value, tuple):
        yield f"{_type_name(type(value))} {len(value)}".encode()
        for member in value:
            yield from _value(member)
    elif isinstance(value, CodeType):
        yield from _code(value)
    elif isinstance(value, type):
        yield _type_name(value).encode()
        if issubclass(value, Enum):
            yield from _value(tuple(value))
    elif isinstance(value, ModuleType):
        yield value.__name__.encode()
    else:
        yield from _callable(value)


def _callable(value: object) -> Iterator[bytes]:
    digest = getattr(value, "digest", None)
    if isinstance(digest, bytes):
        yield digest
    elif isinstance(value, BuiltinFunctionType | np.ufunc | FunctionType) and (
        _home(value) in _LIBRARIES
    ):
        yield f"{getattr(value, '__module__', '')}.{value.__name__}".encode()
    else:
        raise TypeError(f"a kernel cannot use {value!r}: nothing says when it has changed")


def _home(value: Callable[..., object]) -> str:
    return (getattr(value, "__module__", None) or "").split(".")[0]


def _type_name(kind: type) -> str:
    fields = getattr(kind, "_fields", "")
    return f"{kind.__module__}.{kind.__qualname__}{fields or ''}"
