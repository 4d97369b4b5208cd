from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from busplay.batch import FrameBatch
from busplay.cli.compare_command import command
from busplay.errors import BusplayError, InputError
from busplay.export.difference import DIFFERENT_RGB, compose_differences, difference_image
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from tests.boards import GUARDED, LEAN, board_with

HEADER = TraceHeader(link=GUARDED, board=board_with(GUARDED))
FRAMES = 400


def write(path: Path, frames: FrameBatch, header: TraceHeader = HEADER) -> Path:
    with TraceFileWriter(path, header=header) as writer:
        stop = int(frames.edge[-1]) + 100 if len(frames) else 0
        writer.write(frames, stop_edge=stop, cycles=max(0, (stop - 128) // 2))
    return path


def sent(header: TraceHeader = HEADER) -> FrameBatch:
    """400 frames of white pixels down the panel's left side, after 16 idle slots."""
    layout = FrameLayout(header.link)
    index = np.arange(FRAMES, dtype=np.uint64)
    fields = {"space": 1, "address": index * np.uint64(32), "data": np.uint64(0xFF) - index // 4}
    if header.link.field_named("sequence"):
        fields["sequence"] = index % np.uint64(16)
    return FrameBatch((index * np.uint64(2) + np.uint64(16)) * np.uint64(8), layout.pack(**fields))


def compare(*words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words], standalone_mode=False)


def figures(result: Result) -> dict[str, object]:
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


@pytest.fixture
def expected(tmp_path: Path) -> Path:
    return write(tmp_path / "sent.trace", sent())


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    """Frames 10 to 12 are lost, and data bit 7 of frame 100 is wrong, undetected by the check."""
    frames = sent()
    layout = FrameLayout(GUARDED)
    words = frames.word.copy()
    words[100] = layout.pack(space=1, address=3200, data=0xE6 ^ 0x80, sequence=4)[0]
    keep = np.ones(FRAMES, np.bool_)
    keep[10:13] = False
    return write(tmp_path / "received.trace", FrameBatch(frames.edge[keep], words[keep]))


def test_compare_of_a_trace_with_itself_is_status_0(expected: Path) -> None:
    result = compare(expected, expected)
    assert result.return_value == 0
    assert result.stdout == (
        "equal: 400 frames\n"
        "  sent.trace (actual) against sent.trace (expected)\n"
        "\n"
        "  frames   400 expected, 400 actual\n"
        "  same     400\n"
        "  changed  0\n"
        "  missing  0\n"
        "  added    0\n"
        "  delay    none\n"
    )


def test_compare_lists_what_is_wrong_and_is_status_1(
    expected: Path, damaged: Path, tmp_path: Path
) -> None:
    labels = tmp_path / "program.lbl"
    labels.write_text("al 004000 .screen\nal 004C80 .tower\n")
    result = compare(expected, damaged, "--labels", labels, "--full")
    assert result.return_value == 1
    assert result.stdout == (
        "DIFFERENT: 1 changed, 3 missing of 400 expected frames\n"
        "  received.trace (actual) against sent.trace (expected)\n"
        "\n"
        "  frames   400 expected, 397 actual\n"
        "  same     396\n"
        "  changed  1\n"
        "  missing  3\n"
        "  added    0\n"
        "  delay    none\n"
        "\n"
        "Patterns\n"
        "  no pattern significant at 0.1%\n"
        "\n"
        "Bit errors of 1 changed frame\n"
        "  fields  data 1, check 1\n"
        "  lanes   lane 0: 1, lane 2: 1, lane 3: 1\n"
        "  bit      lane  symbol  read 0 for 1  read 1 for 0\n"
        "  check 0     0       7             0  1\n"
        "  check 3     3       7             0  1\n"
        "  check 7     2       6             0  1\n"
        "  data 7      0       4             1  0\n"
        "\n"
        "All 4 differences\n"
        "  what     cycle       ns  goes to                  data  found\n"
        "  missing     80   10,000  $4140 panel memory 320   FD    screen+320\n"
        "  missing     88   11,000  $4160 panel memory 352   FD    screen+352\n"
        "  missing     96   12,000  $4180 panel memory 384   FC    screen+384\n"
        "  changed    800  100,000  $4C80 panel memory 3200  E6    66; bits data 7, check\n"
        "                                                          0 3 7 (lanes 0, 2, 3);\n"
        "                                                          tower\n"
    )


def test_compare_answers_in_a_screenful_unless_all_is_asked_for(
    expected: Path, damaged: Path
) -> None:
    lines = compare(expected, damaged).stdout.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert lines[-1] == "--full shows all differences and bit errors"
    assert "First 3 of 4 differences" in lines


def test_compare_gives_the_same_as_json(expected: Path, damaged: Path) -> None:
    found = figures(compare(expected, damaged, "--json", "--list", 2))
    assert found["equal"] is False
    assert found["frames_missing"] == 3
    assert found["frames_changed"] == 1
    differences = found["differences"]
    assert isinstance(differences, list)
    assert len(differences) == 2
    assert differences[0] == {
        "kind": "missing",
        "expected": {
            "index": 10,
            "edge": 288,
            "cycle": 80,
            "time_ns": 10_000,
            "unit": "panel",
            "unit_number": 0,
            "space": "memory",
            "offset": 320,
            "data": 0xFD,
            "address": 0x4140,
            "page": None,
            "label": None,
        },
        "actual": None,
        "wrong_bits": [],
        "lanes": [],
    }


def test_full_lists_more_than_the_first_twenty(expected: Path, tmp_path: Path) -> None:
    few = write(tmp_path / "few.trace", FrameBatch(sent().edge[:100], sent().word[:100]))
    assert len(figures(compare(expected, few, "--json"))["differences"]) == 20  # type: ignore[arg-type]
    everything = figures(compare(expected, few, "--json", "--full"))
    assert len(everything["differences"]) == 300  # type: ignore[arg-type]
    assert everything["frames_missing_at_end"] == 300


def test_frames_that_come_late_are_a_difference_unless_time_is_ignored(
    expected: Path, tmp_path: Path
) -> None:
    frames = sent()
    edge = frames.edge.copy()
    edge[200:] += np.uint64(8)
    late = write(tmp_path / "late.trace", FrameBatch(edge, frames.word))
    result = compare(expected, late)
    assert result.return_value == 1
    assert (
        "  delay    0 to 8 link edges; 1 change; usual 0, 200 frames later, 0 frames\n"
        "           earlier\n"
    ) in result.stdout
    assert compare(expected, late, "--ignore-time").return_value == 0


def test_constant_delay_is_no_difference(expected: Path, tmp_path: Path) -> None:
    frames = sent()
    late = write(tmp_path / "late.trace", FrameBatch(frames.edge + np.uint64(80), frames.word))
    result = compare(expected, late)
    assert result.return_value == 0
    assert "  delay    80 link edges (5,000 ns), constant\n" in result.stdout


def test_other_link_is_compared_by_fields(expected: Path, tmp_path: Path) -> None:
    header = TraceHeader(link=LEAN, board=board_with(LEAN))
    other = write(tmp_path / "lean.trace", sent(header), header)
    result = compare(expected, other)
    assert result.return_value == 0
    assert (
        "links differ (guarded, lean): frames are compared by space, unit, address and\n  data"
    ) in result.stdout


def test_links_of_one_wire_format_are_compared_by_words(expected: Path, tmp_path: Path) -> None:
    framing = replace(GUARDED.framing, release_frames=9)
    link = replace(GUARDED, name="ours", framing=framing)
    header = TraceHeader(link=link, board=board_with(link))
    other = write(tmp_path / "ours.trace", sent(header), header)
    result = compare(expected, other)
    assert result.return_value == 0
    assert "links differ" not in result.stdout


def test_two_empty_traces_are_no_pass(tmp_path: Path) -> None:
    empty = write(tmp_path / "empty.trace", FrameBatch.empty())
    with pytest.raises(BusplayError) as refused:
        raise_what(compare(empty, empty))
    assert str(refused.value) == (
        f"{empty}: found no frame, and none in the expected trace; record a run that stores"
        " something; nothing was compared"
    )


def raise_what(result: Result) -> None:
    if result.exception is not None:
        raise result.exception


def test_cut_trace_is_reported_as_cut(expected: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.trace"
    cut.write_bytes(expected.read_bytes()[:-30])
    with TraceReader(cut) as reader:
        assert not reader.complete
    assert "the actual trace is cut: " in compare(expected, cut).stdout


def test_picture_shows_both_screens_and_their_difference(
    expected: Path, damaged: Path, tmp_path: Path
) -> None:
    picture = tmp_path / "both.png"
    result = compare(expected, damaged, "--picture", picture, "--json")
    assert result.return_value == 1
    with Image.open(picture) as image:
        pixels = np.asarray(image.convert("RGB"))
    assert pixels.shape == (192 + 8 + 32, 3 * 256 + 2 * 8, 3)
    before, after, apart = (pixels[:192, left : left + 256] for left in (0, 264, 528))
    different = (before != after).any(axis=2)
    assert (apart[different] == DIFFERENT_RGB).all()
    assert not (apart[~different] == DIFFERENT_RGB).all(axis=1).any()
    # Three bytes lost and one changed, 128 bytes a row.
    assert np.flatnonzero(different.any(axis=1)).tolist() == [2, 3, 25]
    assert figures(result)["pixels_different"] == {"panel": int(different.sum()), "sign": 0}


def test_picture_must_be_png(expected: Path) -> None:
    with pytest.raises(InputError, match=r"--picture: found a.gif; end its name in .png"):
        raise_what(compare(expected, expected, "--picture", "a.gif"))


def test_difference_is_bright_where_pixels_differ_and_dark_elsewhere() -> None:
    before = np.full((2, 2, 3), 255, np.uint8)
    after = before.copy()
    after[0, 1] = 0, 0, 0
    assert difference_image(before, after).tolist() == [
        [[88, 88, 88], list(DIFFERENT_RGB)],
        [[88, 88, 88], [88, 88, 88]],
    ]


def test_units_of_different_width_stand_in_columns() -> None:
    wide, narrow = np.zeros((2, 6, 3), np.uint8), np.zeros((1, 2, 3), np.uint8)
    image = compose_differences([(wide, wide), (narrow, narrow)])
    assert image.shape == (2 + 8 + 1, 3 * 6 + 2 * 8, 3)
    assert image[10, 14].tolist() == [0, 0, 0]


@pytest.mark.parametrize(("old", "new"), [("--first", "--list"), ("--all", "--full")])
def test_old_names_are_refused_with_the_new_one(expected: Path, old: str, new: str) -> None:
    with pytest.raises(click.UsageError, match=f"{old} is now {new}"):
        raise_what(compare(expected, expected, old, "3"))
