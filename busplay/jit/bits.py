"""Bits of a 64-bit word, for kernels.

Both are written so that LLVM recognises them and emits a single instruction.
"""

from __future__ import annotations

import numpy as np

from busplay.jit.kernel_function import kernel

_U1, _U2, _U4, _U56 = (np.uint64(number) for number in (1, 2, 4, 56))
_PAIRS = np.uint64(0x5555555555555555)
_FOURS = np.uint64(0x3333333333333333)
_BYTES = np.uint64(0x0F0F0F0F0F0F0F0F)
_SUM = np.uint64(0x0101010101010101)


@kernel
def count_ones(word: np.uint64) -> int:
    """Count the set bits."""
    word -= (word >> _U1) & _PAIRS
    word = (word & _FOURS) + ((word >> _U2) & _FOURS)
    # Signed, since a signed and an unsigned number add up to a float in Numba.
    return int(np.int64((((word + (word >> _U4)) & _BYTES) * _SUM) >> _U56))


@kernel
def trailing_zeros(word: np.uint64) -> int:
    """Count the zeros below the lowest set bit; 64 if there is none."""
    return count_ones(~word & (word - _U1))
