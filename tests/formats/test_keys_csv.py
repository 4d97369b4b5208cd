from __future__ import annotations

from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.formats.keys_csv import read_key_presses


def test_key_presses_are_read_in_order(tmp_path: Path) -> None:
    path = tmp_path / "keys.csv"
    path.write_bytes(b"\xef\xbb\xbfCode,Cycle\r\n$41,100\r\n\r\n0x0D,0x100\r\n")
    assert read_key_presses(path) == [(100, 0x41), (256, 13)]


def test_missing_file_is_named() -> None:
    with pytest.raises(InputError) as caught:
        read_key_presses("no-such.csv")
    assert str(caught.value) == (
        "no-such.csv: found No such file or directory; name a CSV file with cycle,code"
    )
