"""Files are emitted whole, the same each time, and never over what people have changed."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busplay as library
from busplay.emission.names import FileLines, find_lines
from busplay.emission.rendering import is_as_emitted
from busplay.link.load import load_link
from tests.strategies import boards_for, links

STROBED = Path(library.__file__).parent / "description" / "shipped" / "strobed.toml"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*.*")}


def edited(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.thorough
def test_same_description_gives_the_same_bytes_wherever_it_lies(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    copy = tmp_path / "elsewhere" / "strobed.toml"
    copy.write_bytes(STROBED.read_bytes())
    library.emit("strobed", tmp_path / "a")
    library.emit(copy, tmp_path / "b")
    assert contents(tmp_path / "a") == contents(tmp_path / "b")
    assert len(contents(tmp_path / "a")) == 28


@pytest.mark.thorough
def test_every_file_has_the_digest_of_the_wire_and_its_own(tmp_path: Path) -> None:
    report = library.emit("strobed", tmp_path)
    for name, content in contents(tmp_path).items():
        assert report.wire_digest.encode() in content[:600], name
        assert is_as_emitted(content), name
        assert not is_as_emitted(content + b" "), name


@pytest.mark.thorough
def test_changed_comment_is_told_apart_from_a_changed_wire(tmp_path: Path) -> None:
    link = tmp_path / "strobed.toml"
    link.write_bytes(STROBED.read_bytes())
    before = library.emit(link, tmp_path / "a", only=["c"])
    edited(link, "# Six data lanes", "# 6 lanes of data")
    assert library.emit(link, tmp_path / "b", only=["c"]).wire_digest == before.wire_digest
    assert contents(tmp_path / "a") == contents(tmp_path / "b")
    edited(link, 'active = "high"', 'active = "low"')
    assert library.emit(link, tmp_path / "c", only=["c"]).wire_digest != before.wire_digest


def test_emitted_files_are_replaced_and_changed_ones_are_not(tmp_path: Path) -> None:
    link = tmp_path / "strobed.toml"
    link.write_bytes(STROBED.read_bytes())
    folder = tmp_path / "out"
    library.emit(link, folder, only=["c"])
    again = library.emit(link, folder, only=["c"])
    assert not any(one.changed for one in again.files)
    edited(link, 'active = "high"', 'active = "low"')
    assert all(one.changed for one in library.emit(link, folder, only=["c"]).files)
    port = folder / "c" / "strobed_port.c"
    edited(port, "48000000", "12000000")
    before = contents(folder)
    edited(link, 'active = "low"', 'active = "high"')
    with pytest.raises(library.OutputError) as refused:
        library.emit(link, folder, only=["c"])
    assert str(refused.value) == (
        f"{port}: found a file that was changed since it was emitted, or that was not emitted; "
        "give another folder, or --overwrite to lose what is in it"
    )
    assert contents(folder) == before
    library.emit(link, folder, only=["c"], overwrite=True)
    assert b"48000000" in port.read_bytes()


def test_file_of_somebody_else_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "c").mkdir()
    theirs = tmp_path / "c" / "strobed_link.c"
    theirs.write_text("int mine;\n")
    with pytest.raises(library.OutputError):
        library.emit("strobed", tmp_path, only=["c"])
    assert contents(tmp_path) == {"c/strobed_link.c": b"int mine;\n"}


def test_comments_name_each_field_with_its_line_of_the_link_file(tmp_path: Path) -> None:
    library.emit("strobed", tmp_path, only=["c"])
    header = (tmp_path / "c" / "strobed_link.h").read_text()
    lines = STROBED.read_text(encoding="utf-8").splitlines()
    for field in load_link("strobed").fields:
        found = re.search(rf"/\* {field.name}, .*\(strobed.toml, line (\d+)\)", header)
        assert found is not None
        assert f'name = "{field.name}"' in lines[int(found[1]) - 1]
    place = re.search(r"Framing: strobe \(strobed.toml, line (\d+)\)", header)
    assert place is not None
    assert lines[int(place[1]) - 1] == "[framing]"


def test_lines_are_found_however_the_fields_are_written(tmp_path: Path) -> None:
    text = (
        'lanes = 4\nedges = "rising"\nclock_hz = 1_000_000\n# name = "data"\n'
        "fields = [\n  {name = 'address', bits = 16},  # name = \"data\"\n"
        '  {bits = 8, name="data"}]\nname = "address"\nframing.method = "strobe"\n'
    )
    path = tmp_path / "plain.toml"
    path.write_text(text)
    link = load_link(path)
    assert find_lines(link) == FileLines("plain.toml", {"address": 6, "data": 7}, None, 9)
    # The lines of a file that has changed since are not those of the link.
    path.write_text("\n" + text.replace("bits = 16", "bits = 12"))
    assert find_lines(link) == FileLines("plain.toml")


@pytest.mark.thorough
def test_names_that_are_no_identifiers_make_none_that_are_wrong(tmp_path: Path) -> None:
    link = tmp_path / "odd.toml"
    text = STROBED.read_text(encoding="utf-8")
    text = text.replace('name = "strobed"', 'name = "2 */ Möwe"')
    text = text.replace('name = "parity"', 'name = "int"').replace('"parity"\n', '"int"\n')
    link.write_text(text, encoding="utf-8")
    report = library.emit(link, tmp_path / "out", only=["c"])
    assert report.files[0].path == "c/link_2_m_we_link.h"
    header = (tmp_path / "out" / report.files[0].path).read_text()
    assert "*/ M" not in header
    assert "link_2_m_we_get_int(" in header


@pytest.mark.thorough
@settings(max_examples=8)
@given(data=st.data(), with_board=st.booleans())
def test_any_sound_link_and_any_board_is_emitted(data: st.DataObject, with_board: bool) -> None:
    link = data.draw(links())
    described = data.draw(boards_for(link)) if with_board else link
    only = ["c", "vectors", "headers"] if with_board else ["c", "vectors"]
    with tempfile.TemporaryDirectory() as name:
        assert library.emit(described, name, only=only).left_out == ()
        assert all(map(is_as_emitted, contents(Path(name)).values()))
        again = library.emit(described, name, only=only)
        assert not any(one.changed for one in again.files)
