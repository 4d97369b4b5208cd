"""The contents of a kernel's digest."""

from __future__ import annotations

import enum
from types import FunctionType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from busplay.jit import digest
from busplay.jit.digest import describe, digest_of_call, digest_of_function

SOURCE = '''
def run(number, other=2):
    """Text."""
    return LIMIT + number * (other + 1) + TABLE[0] + State.ON + inner(number)
'''
INNER = "def inner(number):\n    return number + STEP"


class State(enum.IntEnum):
    OFF = 0
    ON = 1


class OtherState(enum.IntEnum):
    OFF = 0
    ON = 2


def made(source: str = SOURCE, inner: str = INNER, **names: object) -> FunctionType:
    inside: dict[str, Any] = {"STEP": names.pop("STEP", 1)}
    exec(inner, inside)
    from busplay.jit import kernel

    outside: dict[str, Any] = {
        "LIMIT": 5,
        "TABLE": np.arange(3),
        "State": State,
        "inner": kernel(inside["inner"]),
        **names,
    }
    exec(source, outside)
    function: FunctionType = outside["run"]
    return function


def test_digest_is_the_same_for_the_same() -> None:
    assert digest_of_function(made()) == digest_of_function(made())


@pytest.mark.parametrize("source", ["\n\n# Comment.\n" + SOURCE, SOURCE.replace("+ 1)", "+  1)")])
def test_lines_and_spaces_do_not_matter(source: str) -> None:
    assert digest_of_function(made(source)) == digest_of_function(made())


CHANGES: dict[str, dict[str, Any]] = {
    "the code": {"source": SOURCE.replace("number *", "number -")},
    "a number in the code": {"source": SOURCE.replace("+ 1)", "+ 3)")},
    "a default": {"source": SOURCE.replace("other=2", "other=3")},
    "a constant": {"LIMIT": 6},
    "a constant's type": {"LIMIT": 5.0},
    "a constant's NumPy type": {"LIMIT": np.uint8(5)},
    "an array": {"TABLE": np.array([0, 1, 3])},
    "an array's type": {"TABLE": np.arange(3, dtype=np.uint8)},
    "an enum": {"State": OtherState},
    "a called kernel": {"inner": "def inner(number):\n    return number - STEP"},
    "a called kernel's constant": {"STEP": 2},
}


@pytest.mark.parametrize("change", CHANGES)
def test_change_changes_the_digest(change: str) -> None:
    assert digest_of_function(made(**CHANGES[change])) != digest_of_function(made())


@pytest.mark.parametrize("value", [SimpleNamespace(ON=1), [1, 2], {"a": 1}, lambda number: number])
def test_global_that_cannot_be_followed_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match="nothing says when it has changed"):
        digest_of_function(made(State=value))


def test_large_constant_is_refused() -> None:
    with pytest.raises(TypeError, match="a constant array of 1,000,008 bytes"):
        digest_of_function(made(TABLE=np.zeros(125_001)))


def test_types_of_arguments_have_their_own_digests() -> None:
    words = np.zeros(4, np.uint64)
    read_only = words.copy()
    read_only.flags.writeable = False
    arguments: list[object] = [
        *(1, 1 << 63, True, 1.0, np.uint64(1), np.int64(1), (1,), (1, 2), (1, 2.0)),
        *(words, words[::2], read_only, words.view(np.int64), words.reshape(2, 2)),
        *(np.asfortranarray(words.reshape(2, 2)), words.view([("a", np.uint64)])),
        *(words.view([("b", np.uint64)]), np.zeros(4, ">u8")),
    ]
    described = [describe(argument) for argument in arguments]
    # An integer too large to be signed is passed as unsigned.
    assert described[1] == describe(np.uint64(1))
    assert len(set(described)) == len(described) - 1


def test_other_tools_or_processor_make_another_digest(monkeypatch: pytest.MonkeyPatch) -> None:
    names = {digest_of_call(b"one", ["int"]), digest_of_call(b"two", ["int"])}
    names.add(digest_of_call(b"one", ["float"]))
    monkeypatch.setattr(digest, "_tools", lambda: (b"another",))
    names.add(digest_of_call(b"one", ["int"]))
    assert len(names) == 4
