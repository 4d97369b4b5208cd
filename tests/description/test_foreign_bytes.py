"""Whatever stands in a file: a description, or the one promised error."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busplay.description.board import Board
from busplay.description.link import Link
from busplay.description.shipped_files import shipped_boards, shipped_links
from busplay.errors import DescriptionError
from busplay.link.load import load_link_or_board, parse_board, parse_link
from tests.description.writing import BARE_LINK, BOARD, LINK, MARKED_LINK

HERE = Path(__file__).parent
TEXTS = [
    LINK,
    BARE_LINK,
    MARKED_LINK,
    BOARD,
    *(path.read_text(encoding="utf-8") for path in (shipped_links() | shipped_boards()).values()),
]
# What people and programs put where something else belongs.
VALUES = [
    "0",
    "-1",
    "1",
    "255",
    "65536",
    "9223372036854775807",
    "0x" + "F" * 4000,
    "9" * 4400,
    "1.5",
    "inf",
    "nan",
    "true",
    '""',
    '"x"',
    '"\\u0000"',
    "'''\n'''",
    "[]",
    "[[]]",
    "[1, 'a', {}]",
    "{}",
    "{ a = 1 }",
    "1979-05-27T07:32:00Z",
    "07:32:00",
]


def read(text: str) -> Link | Board | DescriptionError:
    """Read a text both ways and give the last outcome; anything but the two fails the test."""
    outcome: Link | Board | DescriptionError
    try:
        outcome = parse_link(text, file="x.toml")
    except DescriptionError as error:
        outcome = error
    try:
        outcome = parse_board(text, file="x.toml", folder=HERE)
    except DescriptionError as error:
        if isinstance(outcome, DescriptionError):
            outcome = error
    if isinstance(outcome, DescriptionError):
        # A message is one line that a terminal can show, and not endless.
        assert str(outcome).isprintable()
        assert outcome.file
        assert outcome.found
        assert outcome.wanted
        assert len(str(outcome)) < 1_000
    return outcome


@settings(deadline=None)
@given(text=st.text(max_size=300))
@example("a = " + "[\n" * 30_000)
@example("a = " + "9" * 4_900)
# A key of very many parts took tomllib seconds, before lines had a limit.
@example("a." * 20_000 + "b = 1")
@example("a." * 2_400 + "b = 1")
@example("\x00")
def test_any_text_is_read_or_refused(text: str) -> None:
    read(text)


@pytest.mark.thorough
def test_every_key_of_every_shipped_file_is_read_or_refused_with_every_odd_value() -> None:
    for text in TEXTS:
        lines = text.splitlines()
        for index, line in enumerate(lines):
            if "=" not in line or line.startswith("#"):
                continue
            for value in VALUES:
                changed = [
                    *lines[:index],
                    f"{line.partition('=')[0]}= {value}",
                    *lines[index + 1 :],
                ]
                read("\n".join(changed) + "\n")


@given(source=st.text(max_size=40))
def test_any_name_of_a_file_is_read_or_refused(source: str) -> None:
    try:
        load_link_or_board(source)
    except DescriptionError as error:
        assert error.file  # noqa: PT017
    else:
        assert source in shipped_links() | shipped_boards()
