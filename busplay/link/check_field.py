"""Check fields as affine maps over GF(2).

A CRC with any start value and final XOR is `constant XOR (XOR of the columns of all set bits)`.
So encoder, receiver and analysis need only the columns: the change of the check by each frame bit.
They are computed once a layout, by plain long division.
"""

from __future__ import annotations

from collections.abc import Sequence


def remainder(bits: Sequence[int], *, polynomial: int, check_bits: int, initial: int = 0) -> int:
    """Divide covered bits, first bit first, by the polynomial; return the remainder.

    Args:
        bits: 0 or 1 each, in wire order.
        polynomial: without its highest term.
        check_bits: degree of the polynomial.
        initial: start value of the shift register.
    """
    mask = (1 << check_bits) - 1
    register = initial
    for bit in bits:
        feedback = (register >> (check_bits - 1) & 1) ^ bit
        register = (register << 1 & mask) ^ (polynomial if feedback else 0)
    return register


def check_columns(
    covered_count: int, *, polynomial: int, check_bits: int, initial: int, xor: int
) -> tuple[int, list[int]]:
    """Return the check of all-zero covered bits, and its change by each covered bit."""
    zeros = [0] * covered_count
    start = remainder(zeros, polynomial=polynomial, check_bits=check_bits, initial=initial)
    constant = start ^ xor
    columns = []
    for index in range(covered_count):
        single = zeros.copy()
        single[index] = 1
        columns.append(remainder(single, polynomial=polynomial, check_bits=check_bits))
    return constant, columns
