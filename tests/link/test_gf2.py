from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.link.gf2 import solve

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


def test_nothing_asked_is_met_by_zero() -> None:
    assert solve([]) == 0


def test_contradiction_has_no_solution() -> None:
    assert solve([(0b11, 1), (0b01, 0), (0b10, 0)]) is None
