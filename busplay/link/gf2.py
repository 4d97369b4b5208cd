"""Linear equations over GF(2), a row an integer: bit i of a row is the factor of unknown i."""

from __future__ import annotations

from collections.abc import Iterable


def solve(equations: Iterable[tuple[int, int]]) -> int | None:
    """Find unknowns that meet every equation, or None if there are none.

    Args:
        equations: (factors, value): the XOR of the unknowns whose bit is set in `factors` is
            `value`, 0 or 1.

    Returns:
        One solution, bit i being unknown i; unknowns that nothing fixes are 0.
    """
    # One row for each leading unknown; no other row has that unknown.
    rows: dict[int, tuple[int, int]] = {}
    for equation_factors, equation_value in equations:
        factors, value = equation_factors, equation_value
        for lead, (row_factors, row_value) in rows.items():
            if factors >> lead & 1:
                factors ^= row_factors
                value ^= row_value
        if not factors:
            if value:
                return None
            continue
        lead = factors.bit_length() - 1
        for other, (row_factors, row_value) in rows.items():
            if row_factors >> lead & 1:
                rows[other] = (row_factors ^ factors, row_value ^ value)
        rows[lead] = (factors, value)
    return sum(value << lead for lead, (_, value) in rows.items())
