from __future__ import annotations

from pathlib import Path

import pytest

from busplay.errors import InputError
from busplay.formats.keys_csv import read_key_presses


def test_key_presses_are_read_in_order(tmp_path: Path) -> None:
    path = tmp_path / "keys.csv"
    path.write_bytes(b"\xef\xbb\xbfCode,Cycle\r\n$41,100\r\n\r\n0x0D,0x100\r\n")
    assert read_key_presses(path) == [(100, 0x41), (256, 13)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cycle,code\n5,0\n", "keys.csv: found code 0 at cycle 5; a key code is 1 to 255"),
        (
            "cycle,code\n5,256\n",
            "keys.csv: line 2: found code '256'; code is 0 to 255, decimal or hex after 0x or $",
        ),
        (
            "cycle,code\n5,1\n4,1\n",
            "keys.csv: line 3: found cycle 4 after cycle 5; cycles never fall",
        ),
        ("", "keys.csv: line 1: found no header; the first line is cycle,code"),
        (
            "cycle,key\n5,1\n",
            "keys.csv: line 1: found the header 'cycle,key', with 0 columns named code; "
            "the header is cycle,code, in any order, commas between",
        ),
    ],
)
def test_faults_are_told_by_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("keys.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_key_presses("keys.csv")
    assert str(caught.value) == said


def test_missing_file_is_named() -> None:
    with pytest.raises(InputError) as caught:
        read_key_presses("no-such.csv")
    assert str(caught.value) == (
        "no-such.csv: found No such file or directory; name a CSV file with cycle,code"
    )
