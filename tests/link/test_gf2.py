from __future__ import annotations

from functools import reduce
from itertools import product
from operator import xor

from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.link.gf2 import LinearSpan, coordinates, rank, solution_space, solve

VECTORS = st.lists(st.integers(0, 127), max_size=6)


def sums(vectors: list[int]) -> set[int]:
    """All sums of the vectors."""
    choices = product((0, 1), repeat=len(vectors))
    return {
        reduce(xor, (v for v, chosen in zip(vectors, choice, strict=True) if chosen), 0)
        for choice in choices
    }


@given(VECTORS)
def test_rank_is_the_logarithm_of_the_count_of_sums(vectors: list[int]) -> None:
    assert 1 << rank(vectors) == len(sums(vectors))


@given(VECTORS, st.integers(0, 127))
def test_span_holds_exactly_the_sums(vectors: list[int], vector: int) -> None:
    assert (vector in LinearSpan(vectors)) == (vector in sums(vectors))


@given(VECTORS, st.integers(0, 127), st.integers(0, 6))
def test_reducing_above_a_bit_leaves_nothing_above_it_exactly_when_that_can_be(
    vectors: list[int], vector: int, shift: int
) -> None:
    high = LinearSpan()
    for one in vectors:
        left = high.reduce_above(one, shift)
        if left >> shift:
            high.add(left)
    left = high.reduce_above(vector, shift)
    assert (left >> shift == 0) == (vector >> shift in {one >> shift for one in sums(vectors)})


@given(VECTORS)
def test_coordinates_have_the_same_sums_that_are_zero(vectors: list[int]) -> None:
    short, size = coordinates(vectors)
    assert size == rank(vectors)
    for choice in product((0, 1), repeat=len(vectors)):
        long_sum = reduce(xor, (v for v, on in zip(vectors, choice, strict=True) if on), 0)
        short_sum = reduce(xor, (v for v, on in zip(short, choice, strict=True) if on), 0)
        assert (long_sum == 0) == (short_sum == 0)


@given(st.lists(st.tuples(st.integers(0, 31), st.integers(0, 1)), max_size=6))
def test_solution_space_is_all_solutions(equations: list[tuple[int, int]]) -> None:
    tried = {
        unknowns
        for unknowns in range(32)
        if all((factors & unknowns).bit_count() % 2 == value for factors, value in equations)
    }
    found = solution_space(equations, 5)
    if found is None:
        assert not tried
    else:
        one, basis = found
        assert {one ^ other for other in sums(list(basis))} == tried
        assert len(basis) == rank(basis)


UNKNOWNS = 6
EQUATIONS = st.lists(st.tuples(st.integers(0, (1 << UNKNOWNS) - 1), st.integers(0, 1)), max_size=9)


def holds(equations: list[tuple[int, int]], unknowns: int) -> bool:
    return all((factors & unknowns).bit_count() % 2 == value for factors, value in equations)


@settings(deadline=None)
@given(EQUATIONS)
def test_solution_is_found_exactly_when_there_is_one(equations: list[tuple[int, int]]) -> None:
    found = solve(equations)
    if found is None:
        assert not any(holds(equations, one) for one in range(1 << UNKNOWNS))
    else:
        assert holds(equations, found)


def test_no_equations_are_solved_by_zero() -> None:
    assert solve([]) == 0


def test_contradiction_has_no_solution() -> None:
    assert solve([(0b11, 1), (0b01, 0), (0b10, 0)]) is None
