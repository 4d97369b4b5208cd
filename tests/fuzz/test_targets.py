"""Every parser takes a file, or refuses it with an `InputError`; nothing else."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busplay.errors import InputError
from tests.fuzz.limits import LimitExceededError, parse_within_limits
from tests.fuzz.mutate import mutated
from tests.fuzz.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_parsed_or_refused_and_some_are_parsed(name: str) -> None:
    target = TARGETS[name]
    for content in target.seeds():  # kernels compile here, outside the limits
        try:
            target.parse(content)
        except InputError:
            continue
    taken = [parse_within_limits(target.parse, content) for content in target.seeds()]
    assert any(taken)


@pytest.mark.parametrize("name", TARGETS)
@given(seed=st.integers(0, 2**32 - 1))
def test_damaged_seeds_are_parsed_or_refused(name: str, seed: int) -> None:
    target = TARGETS[name]
    parse_within_limits(target.parse, mutated(target.seeds(), random.Random(seed)))


@pytest.mark.parametrize("name", TARGETS)
@given(content=st.binary(max_size=300))
@example(b"")
def test_any_bytes_are_parsed_or_refused(name: str, content: bytes) -> None:
    parse_within_limits(TARGETS[name].parse, content)


def test_a_parser_that_takes_too_much_memory_is_found() -> None:
    def greedy(content: bytes) -> None:
        assert len(bytes(b"\1" * 400_000_000)) > len(content)

    with pytest.raises(LimitExceededError, match="MB"):
        parse_within_limits(greedy, b"x")
