from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.errors import DescriptionError, InputError, OutputError
from busplay.player.marks import (
    MARKS_MAX,
    NOTE_CHARACTERS_MAX,
    Mark,
    Marks,
    marks_toml,
    parse_marks,
)

NOTES = st.text(st.characters(exclude_categories=("C", "Z")), max_size=NOTE_CHARACTERS_MAX)
MARKS = st.lists(st.builds(Mark, st.integers(0, 1 << 62), NOTES), max_size=20)


@given(MARKS)
def test_marks_that_are_written_are_read_in_order(marks: list[Mark]) -> None:
    assert parse_marks(marks_toml(marks), file="made.marks.toml") == sorted(marks)


def test_marks_are_kept_beside_the_trace_as_soon_as_they_change(tmp_path: Path) -> None:
    trace = tmp_path / "tides.trace"
    marks = Marks.beside(trace)
    marks.add(1_200_000, "the harbour light goes out")
    marks.add(40, "begin\x07")
    assert (tmp_path / "tides.trace.marks.toml").read_text() == (
        '[[marks]]\ncycle = 40\nnote = "begin"\n\n'
        '[[marks]]\ncycle = 1200000\nnote = "the harbour light goes out"\n'
    )
    assert Marks.beside(trace).all == (
        Mark(40, "begin"),
        Mark(1_200_000, "the harbour light goes out"),
    )
    assert marks.remove(40)
    assert not marks.remove(40)
    assert Marks.beside(trace).all == (Mark(1_200_000, "the harbour light goes out"),)


def test_mark_takes_the_place_of_one_at_the_same_cycle() -> None:
    marks = Marks()
    marks.add(5, "one")
    marks.add(5, "two")
    assert marks.all == (Mark(5, "two"),)


def test_next_and_last_marks_are_beside_a_cycle_not_at_it() -> None:
    marks = Marks()
    for cycle in (10, 20, 30):
        marks.add(cycle, "")
    assert marks.beside_of(20, back=False) == Mark(30)
    assert marks.beside_of(20, back=True) == Mark(10)
    assert marks.beside_of(30, back=False) is None
    assert marks.beside_of(10, back=True) is None


def test_as_many_marks_as_can_be_still_make_a_file_that_is_read(tmp_path: Path) -> None:
    marks = Marks.beside(tmp_path / "a.trace")
    marks._marks = [
        Mark((1 << 62) - n, "\U0001f6a2" * NOTE_CHARACTERS_MAX) for n in range(MARKS_MAX, 1, -1)
    ]
    marks.add(0, '"' * 500)
    assert len(Marks.beside(tmp_path / "a.trace")) == MARKS_MAX
    with pytest.raises(InputError) as caught:
        marks.add(1, "one too many")
    assert str(caught.value) == (
        f"{tmp_path}/a.trace.marks.toml: found {MARKS_MAX} marks; remove one first"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("marks = 3", "m: marks: found 3; give an array of tables, each headed [[marks]]"),
        ("[[marks]]\nnote = 'a'", "m: marks[0].cycle: found nothing; give a whole number from"),
        ("[[marks]]\ncycle = -1", "m: marks[0].cycle: found -1; give a whole number from 0 to"),
        (
            "[[marks]]\ncycle = 1\nnote = 5",
            "m: marks[0].note: found another note; give one line of up to 60 characters, in quotes",
        ),
        ("[[marks]]\ncycle = 1\nnoet = ''", "m: marks[0].noet: found a key that is not known here"),
    ],
)
def test_file_that_is_no_list_of_marks_is_refused_with_its_place(text: str, message: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_marks(text, file="m")
    assert str(caught.value).startswith(message)


def test_mark_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    marks = Marks(tmp_path / "missing" / "a.marks.toml")
    with pytest.raises(OutputError):
        marks.add(1, "a")
