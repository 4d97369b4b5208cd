"""A starter folder: complete, never over somebody's files, and its programs show what it says."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busplay
from busplay.cli.main import main
from busplay.description.shipped_files import LINK_NAMES, shipped_links
from busplay.starter.new import FILES, SCREEN_BYTES_MOST
from busplay.testing.pictures import read_picture
from tests.documents import PROJECT

SLOW_LINK = """
name = "crawl"
lanes = 1
edges = "rising"
clock = "processor"
fields = [
    {name = "space", bits = 2}, {name = "spare", bits = 30}, {name = "address", bits = 16},
    {name = "data", bits = 8}, {name = "check", bits = 8},
]
check = {field = "check", kind = "hec_i432"}
framing = {method = "check", confirm_frames = 200, release_frames = 7}
"""

needs_cc65 = pytest.mark.skipif(
    not all(map(shutil.which, ("ca65", "cc65", "ld65", "make"))),
    reason="cc65 or make is not installed; CI installs both",
)


def snapshot(folder: Path) -> dict[Path, bytes | None]:
    """Return everything below a folder, with the content of files."""
    return {one: one.read_bytes() if one.is_file() else None for one in folder.rglob("*")}


def make(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    here = {**os.environ, "PYTHONPATH": str(PROJECT)}
    # An entry point that is installed too would load it twice.
    here |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTEST_PLUGINS": "busplay.pytest_plugin"}
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "MAKEFLAGS"):
        here.pop(name, None)
    words = (*words, f"PYTHON={sys.executable}")
    return subprocess.run(["make", *words], cwd=folder, env=here, capture_output=True, text=True)


def test_folder_has_what_a_user_edits(tmp_path: Path) -> None:
    made = busplay.new(tmp_path / "beach", processor="6502", link="lean")
    assert made.files == tuple(
        sorted(one.relative_to(made.folder) for one in made.folder.rglob("*") if one.is_file())
    )
    board = busplay.load_board(made.folder / "board.toml")
    assert (board.processor, board.link.name) == ("6502", "lean")
    shipped = shipped_links()["lean"].read_text(encoding="utf-8")
    assert (made.folder / "link.toml").read_text(encoding="utf-8") == shipped
    for one in made.files:
        content = (made.folder / one).read_bytes()
        assert b"%%" not in content, one
        assert content.endswith((b"\n", b"IEND\xaeB`\x82")), one
    assert "CPU = 6502\n" in (made.folder / "Makefile").read_text()
    for name in ("board.toml", "README.md", "src/board.inc", "src/board.h", "src/walk.c"):
        assert "made up" in (made.folder / name).read_text(), name
    assert "busplay" not in (made.folder / ".github/workflows/test.yml").read_text()


def test_folder_that_is_there_keeps_its_files(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    busplay.new(tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert (tmp_path / "Makefile").is_file()


@pytest.mark.parametrize("name", ["README.md", "tests/pictures/bird.png", ".gitignore"])
@pytest.mark.parametrize("kind", ["file", "folder", "link"])
def test_nothing_is_written_over(tmp_path: Path, name: str, kind: str) -> None:
    taken = tmp_path / name
    taken.parent.mkdir(parents=True, exist_ok=True)
    if kind == "file":
        taken.write_text("mine")
    elif kind == "folder":
        taken.mkdir()
    else:
        taken.symlink_to(tmp_path / "nowhere")
    before = snapshot(tmp_path)
    with pytest.raises(busplay.OutputError) as refused:
        busplay.new(tmp_path)
    assert str(refused.value) == (
        f"{taken}: found a file that is there already; nothing is written over; give another folder"
    )
    assert snapshot(tmp_path) == before


def test_what_was_written_is_taken_back_if_the_rest_cannot_be(tmp_path: Path) -> None:
    folder = tmp_path / "beach"
    folder.mkdir()
    (folder / "src").write_text("a file, where a folder should be")
    before = snapshot(tmp_path)
    with pytest.raises(busplay.OutputError, match="give a place that can be written to"):
        busplay.new(folder)
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"processor": "z80"}, "processor: found z80; give 6502 or 65c02"),
        ({"bits_per_pixel": 3}, "bits per pixel: found 3; give 1, 2, 4 or 8"),
        ({"width_px": 15}, "screen: found 15 x 192 pixels; give 16 to 4096 pixels a side"),
        ({"height_px": 4097}, "screen: found 256 x 4097 pixels; give 16 to 4096 pixels a side"),
        (
            {"width_px": 320, "bits_per_pixel": 8},
            "screen: found 320 x 192 pixels at 8 bits, 61,440 bytes; the memory map has room for"
            " 49,152; take fewer pixels or bits",
        ),
        (
            {"link": "garded"},
            "garded: found no such file; give the path of a link file or the name of a shipped"
            " link (did you mean guarded?)",
        ),
    ],
    ids=lambda one: "-".join(one) if isinstance(one, dict) else "",
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    tmp_path: Path, change: dict[str, object], message: str
) -> None:
    with pytest.raises(busplay.InputError) as refused:
        busplay.new(tmp_path / "beach", **change)  # type: ignore[arg-type]
    assert str(refused.value) == message
    assert not list(tmp_path.iterdir())


def test_link_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    narrow, slow = tmp_path / "narrow.toml", tmp_path / "slow.toml"
    narrow.write_text(SLOW_LINK.replace("30}", "34}").replace("16}", "12}"))
    slow.write_text(SLOW_LINK.replace('clock = "processor"', "clock_hz = 400_000"))
    with pytest.raises(busplay.InputError) as refused:
        busplay.new(tmp_path / "beach", link=narrow)
    assert str(refused.value).startswith(
        f"{narrow}: found a link that does not fit the board: windows[0]"
    )
    with pytest.raises(busplay.InputError) as refused:
        busplay.new(tmp_path / "beach", link=slow)
    assert str(refused.value) == (
        "link: found crawl, a frame in 320 cycles of a processor at 2 MHz; the programs wait up to"
        " 255 cycles; take a faster link"
    )
    assert not (tmp_path / "beach").exists()


def test_command_says_what_it_made_and_what_comes_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "beach"
    words = ["new", str(folder), "--size", "128x64", "--bits-per-pixel", "1", "--link", "lean"]
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 0
    printed = capsys.readouterr().out
    assert printed.startswith(
        f"{folder}: {len(snapshot(folder)) - 5} files\n"
        "  board   Sanderling, made up: 65c02 at 2 MHz\n"
        "  screen  128 x 64, 2 colours\n"
        "  link    lean, in link.toml\n"
        "  next    make, make test and make run there; README.md says more\n"
    )
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    with pytest.raises(SystemExit) as left:
        main(["new", str(folder), "--size", "128"])
    assert left.value.code == 2
    assert "'128' is no size; write 256x192" in capsys.readouterr().err


@needs_cc65
@pytest.mark.thorough
@settings(max_examples=24)
@given(
    processor=st.sampled_from(["6502", "65c02"]),
    link=st.sampled_from([*LINK_NAMES, "crawl"]),
    width_px=st.integers(16, 400),
    height_px=st.integers(16, 400),
    bits_per_pixel=st.sampled_from([1, 2, 4, 8]),
)
def test_programs_of_every_choice_show_their_pictures_and_lose_nothing(
    tmp_path_factory: pytest.TempPathFactory,
    processor: str,
    link: str,
    width_px: int,
    height_px: int,
    bits_per_pixel: int,
) -> None:
    folder = tmp_path_factory.mktemp("starter")
    height_px = max(16, min(height_px, SCREEN_BYTES_MOST // -(-width_px * bits_per_pixel // 8)))
    if link == "crawl":
        (folder / "crawl.toml").write_text(SLOW_LINK)
        link = str(folder / "crawl.toml")
    busplay.new(
        folder / "beach",
        processor="6502" if processor == "6502" else "65c02",
        link=link,
        width_px=width_px,
        height_px=height_px,
        bits_per_pixel=bits_per_pixel,
    )
    built = make(folder / "beach")
    assert (built.returncode, built.stderr) == (0, "")
    for program, pictures in (("tide", ("beach", "high_tide")), ("walk", ("bird",))):
        session = busplay.Session(
            folder / "beach/board.toml", program=folder / f"beach/build/{program}.bin"
        )
        for picture in pictures:
            if program == "tide":
                for _ in range(1 if picture == "beach" else 6):
                    session.run_until(label="main_loop", within_cycles=40_000_000)
            else:
                session.run(cycles=30_000_000)
            shown = session.display("screen")
            expected = read_picture(folder / f"beach/tests/pictures/{picture}.png")
            assert np.array_equal(shown.image(), expected)
        frames = session.counters().accounts.frames
        assert frames.lost == 0
        assert shown.counters.frames_outside == 0
        assert session.core.counters.unmapped_writes_ignored == 0


@needs_cc65
@pytest.mark.thorough
@pytest.mark.parametrize(
    "choice",
    [
        {},
        {"processor": "6502", "link": "crawl", "width_px": 17, "height_px": 33},
        {"link": "serial", "bits_per_pixel": 8},
        {"processor": "6502", "width_px": 16, "height_px": 16, "bits_per_pixel": 1},
    ],
    ids=["as it is", "slow link", "serial", "smallest"],
)
def test_make_test_and_run_pass_at_once(tmp_path: Path, choice: dict[str, object]) -> None:
    # In a folder whose name a shell or make would take apart.
    folder = tmp_path / "a beach's $x"
    if choice.get("link") == "crawl":
        (tmp_path / "crawl.toml").write_text(SLOW_LINK)
        choice = {**choice, "link": tmp_path / "crawl.toml"}
    busplay.new(folder, **choice)  # type: ignore[arg-type]
    built = make(folder)
    assert (built.returncode, built.stderr) == (0, "")
    tested = make(folder, "test")
    assert tested.returncode == 0, tested.stdout
    assert " 9 passed" in tested.stdout
    for program in ("tide", "walk"):
        ran = make(folder, "run", f"PROGRAM={program}")
        assert ran.returncode == 0, ran.stderr
        assert (folder / f"build/{program}.png").is_file()
    assert make(folder, "clean").returncode == 0
    assert not (folder / "build").exists()
    assert make(folder, "--question").returncode == 1


def test_templates_are_the_only_files_in_their_folder() -> None:
    others = [one for one in FILES.rglob("*") if one.is_file() and one.suffix != ".in"]
    assert not others
