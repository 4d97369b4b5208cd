from __future__ import annotations

from pathlib import Path

import pytest

from busplay.view.instrument.state import Kept, Tab
from busplay.view.kept import layout_file, layout_toml, parse_layout, read_layout, write_layout


@pytest.mark.parametrize(
    ("environ", "platform", "path"),
    [
        ({}, "linux", "/home/me/.config/busplay/window.toml"),
        ({"XDG_CONFIG_HOME": "/elsewhere"}, "linux", "/elsewhere/busplay/window.toml"),
        ({}, "darwin", "/home/me/Library/Application Support/busplay/window.toml"),
        ({"APPDATA": "/roaming"}, "win32", "/roaming/busplay/window.toml"),
    ],
)
def test_layout_is_kept_where_each_system_wants_it(environ, platform, path) -> None:
    assert layout_file(environ, platform, Path("/home/me")) == Path(path)


def test_layout_that_is_written_is_read(tmp_path: Path) -> None:
    kept = Kept(False, Tab.ERRORS, 250, 400, 1600, 900)
    path = tmp_path / "new" / "folder" / "window.toml"
    write_layout(path, kept)
    assert read_layout(path) == kept
    assert parse_layout(layout_toml(kept), file="w") == kept


@pytest.mark.parametrize("text", ["", "tab = 'none such'", "side_permille = 5000", "\x00", "[["])
def test_what_is_no_layout_is_the_usual_one(tmp_path: Path, text: str) -> None:
    path = tmp_path / "window.toml"
    path.write_text(text)
    assert read_layout(path) == Kept()
    assert read_layout(tmp_path / "missing") == Kept()
    assert read_layout(None) == Kept()


def test_place_that_cannot_be_written_is_no_reason_to_fail(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    write_layout(tmp_path / "file" / "window.toml", Kept())
    write_layout(None, Kept())
