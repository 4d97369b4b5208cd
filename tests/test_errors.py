from __future__ import annotations

import os
import sys

import pytest

from busplay.errors import InputError, printable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("tides.bin", "tides.bin"),
        ("Größe 5 µs", "Größe 5 µs"),
        ("a\nb\tc\x1b[2J\x7f", r"a\nb\tc\x1b[2J\x7f"),
        (os.fsdecode(b"\xff\xfe.bin"), r"\xff\xfe.bin"),
        ("right\u202eleft\u2028", r"right\u202eleft\u2028"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="names are Unicode there")
def test_names_are_shown_with_control_characters_escaped(text: str, shown: str) -> None:
    assert printable(text) == shown
    assert str(InputError(file=text, found="no file")) == f"{shown}: found no file"
