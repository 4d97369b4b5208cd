"""Vectors and linear equations over GF(2); a row is an integer, bit i the factor of unknown i."""

from __future__ import annotations

from collections.abc import Iterable, Sequence


class LinearSpan:
    """The span of the vectors added so far, kept by the highest bit of each row."""

    def __init__(self, vectors: Iterable[int] = ()) -> None:
        self._rows: dict[int, int] = {}
        for vector in vectors:
            self.add(vector)

    @property
    def rank(self) -> int:
        """Count of independent vectors."""
        return len(self._rows)

    def reduce_above(self, vector: int, shift: int) -> int:
        """Reduce a vector by the span in its bits from `shift` on."""
        rows = self._rows
        kept = 0
        while vector >> shift:
            lead = vector.bit_length()
            row = rows.get(lead)
            if row is None:
                kept |= 1 << (lead - 1)
                vector ^= 1 << (lead - 1)
            else:
                vector ^= row
        return kept | vector

    def add(self, vector: int) -> bool:
        """Add a vector; return whether it was independent of the span."""
        rows = self._rows
        while vector:
            row = rows.get(vector.bit_length())
            if row is None:
                rows[vector.bit_length()] = vector
                return True
            vector ^= row
        return False

    def __contains__(self, vector: int) -> bool:
        rows = self._rows
        while vector:
            row = rows.get(vector.bit_length())
            if row is None:
                return False
            vector ^= row
        return True


def rank(vectors: Iterable[int]) -> int:
    """Return the dimension of the span."""
    return LinearSpan(vectors).rank


def coordinates(vectors: Sequence[int]) -> tuple[list[int], int]:
    """Rewrite vectors in coordinates of their own span.

    Returns:
        Each vector in as many bits as the span has dimensions, and that dimension. A sum of the
        new vectors is 0 exactly if that of the old ones is.
    """
    rows: dict[int, tuple[int, int]] = {}
    found = []
    for vector in vectors:
        rest, coordinate = vector, 0
        while rest:
            lead = rest.bit_length()
            row = rows.get(lead)
            if row is None:
                fresh = 1 << len(rows)
                rows[lead] = (rest, coordinate ^ fresh)
                coordinate = fresh
                break
            rest ^= row[0]
            coordinate ^= row[1]
        found.append(coordinate)
    return found, len(rows)


def _reduced(equations: Iterable[tuple[int, int]]) -> dict[int, tuple[int, int]] | None:
    """Return a row (factors, value) for each leading unknown; None if equations contradict."""
    # No other row has a row's leading unknown.
    rows: dict[int, tuple[int, int]] = {}
    for equation_factors, equation_value in equations:
        factors, value = equation_factors, equation_value
        for lead, (row, row_value) in rows.items():
            if factors >> lead & 1:
                factors ^= row
                value ^= row_value
        if not factors:
            if value:
                return None
            continue
        lead = factors.bit_length() - 1
        for other, (row, row_value) in rows.items():
            if row >> lead & 1:
                rows[other] = (row ^ factors, row_value ^ value)
        rows[lead] = (factors, value)
    return rows


def solve(equations: Iterable[tuple[int, int]]) -> int | None:
    """Solve equations; None if there is no solution.

    Args:
        equations: (factors, value): the XOR of the unknowns whose bit is set in `factors` is
            `value`, 0 or 1.

    Returns:
        One solution, bit i being unknown i; free unknowns are 0.
    """
    rows = _reduced(equations)
    return None if rows is None else sum(value << lead for lead, (_, value) in rows.items())


def solution_space(
    equations: Iterable[tuple[int, int]], unknowns: int
) -> tuple[int, tuple[int, ...]] | None:
    """Find all solutions of equations.

    Args:
        equations: (factors, value), as for `solve`.
        unknowns: count of unknowns; bit i of a row is the factor of unknown i.

    Returns:
        One solution and a basis of the differences between solutions; None if there is none.
    """
    rows = _reduced(equations)
    if rows is None:
        return None
    one = sum(value << lead for lead, (_, value) in rows.items())
    basis = []
    for free in range(unknowns):
        if free not in rows:
            vector = 1 << free
            for lead, (row, _) in rows.items():
                if row >> free & 1:
                    vector |= 1 << lead
            basis.append(vector)
    return one, tuple(basis)
