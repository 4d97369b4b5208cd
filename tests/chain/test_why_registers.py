"""`why` of stores to the palette and to registers that were lost, or that were never sent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import busplay
from busplay.chain.report import PixelReport
from busplay.link.load import load_board
from tests.cli.command import run_busplay

DUNLIN = load_board("dunlin")
# One place in the receiver FIFO and 24 cycles for a frame: of stores 4 cycles apart, two arrive.
SLOW = replace(
    DUNLIN, receiver=replace(DUNLIN.receiver, fifo_depth=1, service_ns=3_000, deadline_ns=None)
)
INDEX, RED, GREEN, BLUE = 0xA304, 0xA305, 0xA306, 0xA307
BASE_LOW, BASE_HIGH, BORDER, BLANK = 0xA300, 0xA301, 0xA302, 0xA303
SENTRY = ((0, 0x4100, 1), (4, 0x4101, 1))


def record(folder: Path, stores: list[tuple[int, int, int]], board: busplay.Board = DUNLIN) -> Path:
    path = folder / "sent.trace"
    with busplay.Tap(board, record=path) as tap:
        for store in stores:
            tap.store(*store)
    return path


def lost_at(cycle: int, address: int, data: int) -> list[tuple[int, int, int]]:
    """A store behind two that occupy the receiver."""
    first, second = ((cycle - 8 + at, where, what) for at, where, what in SENTRY)
    return [first, second, (cycle, address, data)]


def behind(found: PixelReport) -> list[tuple[str | None, str, int]]:
    return [(one.register, one.state, one.sent.data) for one in found.other_losses]


# A palette entry, a byte that shows it, and which of the palette's stores is lost.
PALETTE = ((1_000, INDEX, 3), (2_000, RED, 0x20), (3_000, GREEN, 0x40), (4_000, BLUE, 0xFF))


@pytest.mark.parametrize(
    "lost", [0, *(pytest.param(at, marks=pytest.mark.thorough) for at in (1, 2, 3))]
)
def test_palette_store_lost_at_the_receiver_is_named(lost: int, tmp_path: Path) -> None:
    """Within one recording only BASE_HIGH and BLANK were looked at."""
    stores = [(5_000, 0x4000, 0x37)]
    for at, store in enumerate(PALETTE):
        stores += lost_at(*store) if at == lost else [store]
    trace = record(tmp_path, sorted(stores), SLOW)
    name = ("PALETTE_INDEX", "PALETTE_RED", "PALETTE_GREEN", "PALETTE_BLUE")[lost]
    found = busplay.why(trace, unit="panel", pixel=(0, 0))
    assert found.loss is None
    assert behind(found) == [(name, "lost", PALETTE[lost][2])]
    assert found.other_losses[0].place == "receiver"
    assert found.other_losses[0].causes == ("receiver FIFO full",)
    assert not found.is_as_sent
    assert found.colour.index == 3


def test_entry_that_was_not_meant_names_the_index_that_was_lost(tmp_path: Path) -> None:
    """Entry 0 got the colour of entry 3, as the store to PALETTE_INDEX was lost."""
    stores = [*lost_at(1_000, INDEX, 3), *PALETTE[1:], (5_000, 0x4000, 0x00)]
    trace = record(tmp_path, stores, SLOW)
    found = busplay.why(trace, unit="panel", pixel=(0, 0))
    assert (found.colour.red, found.colour.green, found.colour.blue) == (0x20, 0x40, 0xFF)
    assert behind(found) == [("PALETTE_INDEX", "lost", 3)]


def test_entry_before_is_moved_by_a_lost_store_to_blue(tmp_path: Path) -> None:
    """Each PALETTE_BLUE goes on to the next entry, so one that is lost moves those behind it."""
    stores = [(1_000, INDEX, 3), *lost_at(2_000, BLUE, 0x11), (3_000, BLUE, 0x22)]
    trace = record(tmp_path, [*stores, (5_000, 0x4000, 0x34)], SLOW)
    for pixel in ((0, 0), (1, 0)):
        found = busplay.why(trace, unit="panel", pixel=pixel)
        assert behind(found) == [("PALETTE_BLUE", "lost", 0x11)]


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("store", "name"),
    [
        ((1_000, BASE_LOW, 1), "BASE_LOW"),
        ((2_000, BASE_HIGH, 0), "BASE_HIGH"),
        ((3_000, BLANK, 1), "BLANK"),
        ((4_000, BORDER, 5), "BORDER"),
    ],
)
def test_picture_register_lost_at_the_receiver_is_named(
    store: tuple[int, int, int], name: str, tmp_path: Path
) -> None:
    plain = [(1_000, BASE_LOW, 1), (2_000, BASE_HIGH, 0), (3_000, BLANK, 1), (4_000, BORDER, 5)]
    stores = [one for each in plain for one in (lost_at(*each) if each == store else [each])]
    trace = record(tmp_path, [*stores, (5_000, 0x4000, 0x37)], SLOW)
    found = busplay.why(trace, unit="panel", pixel=(0, 0))
    assert behind(found) == [(name, "lost", store[2])]


def test_store_that_another_has_replaced_is_not_named(tmp_path: Path) -> None:
    stores = [*lost_at(1_000, BLANK, 1), (2_000, BLANK, 0), (3_000, 0x4000, 0x37)]
    found = busplay.why(record(tmp_path, stores, SLOW), unit="panel", pixel=(0, 0))
    assert found.is_as_sent


# -- against what arrived


def arrived(sent: Path, frames: list[tuple[int, int]]) -> Path:
    """Write what arrived: frames (edge, word)."""
    received = sent.with_name("received.trace")
    with (
        busplay.TraceReader(sent) as reader,
        busplay.TraceWriter(received, header=reader.header) as writer,
    ):
        edges, words = zip(*sorted(frames), strict=True)
        batch = busplay.FrameBatch(np.array(edges, np.uint64), np.array(words, np.uint64))
        writer.write(batch, stop_edge=reader.stop_edge)
    return received


def frames_of(sent: Path) -> list[tuple[int, int]]:
    with busplay.TraceReader(sent) as reader:
        (frames,) = reader.chunks()
        return list(zip(frames.edge.tolist(), frames.word.tolist(), strict=True))


def word_of(register: int, data: int) -> int:
    layout = busplay.FrameLayout(DUNLIN.link)
    values = {"space": 2, "unit": 0, "sequence": 9, "address": register - 0xA300, "data": data}
    columns = {name: np.array([value], np.uint64) for name, value in values.items()}
    return int(layout.pack(**columns)[0])


STORES = [(100, BASE_LOW, 1), (200, BASE_HIGH, 0), *PALETTE, (5_000, 0x4001, 0x37)]


@pytest.mark.parametrize(
    ("cycle", "register", "data", "name"),
    [
        (1_500, INDEX, 9, "PALETTE_INDEX"),
        *(
            pytest.param(*row, marks=pytest.mark.thorough)
            for row in (
                (4_500, BASE_HIGH, 0, "BASE_HIGH"),
                (4_500, BLUE, 0x55, None),
                (2_500, RED, 0x99, "PALETTE_RED"),
                (3_500, BLUE, 0x99, "PALETTE_BLUE"),
                (150, BASE_LOW, 2, "BASE_LOW"),
                (4_500, BASE_HIGH, 1, "BASE_HIGH"),
                (4_500, BLANK, 1, "BLANK"),
            )
        ),
    ],
)
def test_spurious_frame_behind_a_colour_is_named(
    cycle: int,
    register: int,
    data: int,
    name: str | None,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Only one to the byte itself was. Entry 4 is not the pixel's; a base set again is."""
    sent = record(tmp_path, STORES)
    frames = frames_of(sent)
    first_edge = frames[0][0] - 2 * STORES[0][0]
    spurious = ((first_edge + 2 * cycle) // 8 * 8, word_of(register, data))
    received = arrived(sent, [*frames, spurious])
    found = busplay.why(sent, unit="panel", pixel=(0, 0), against=received)
    assert found.against is not None
    foreign = [(one.register, one.origin, one.store.data) for one in found.against.other_stores]
    shows_it = name is not None
    assert foreign == ([(name, "spurious", data)] if shows_it else [])
    assert found.is_as_sent == (not shows_it)
    capsys.readouterr()
    words = ("why", sent, "--against", received, "--unit", "panel", "--pixel", "0,0")
    assert run_busplay(*words) == int(shows_it)
    if shows_it:
        lines = capsys.readouterr().out.splitlines()
        assert lines[1] == (f"in {received} a spurious frame, which was never sent, set {name}")
        assert any(line.lstrip().startswith("spurious") for line in lines)
        assert max(len(line) for line in lines if str(received) not in line) <= 80


def test_frame_that_was_damaged_into_a_register_is_named_once(tmp_path: Path) -> None:
    """A store to the byte beside it became one to PALETTE_RED."""
    sent = record(tmp_path, [*STORES[:4], (2_500, 0x4050, 0x12), *STORES[4:]])
    frames = frames_of(sent)
    edge, word = frames[4]
    received = arrived(sent, [*frames[:4], (edge, word_of(RED, 0x12)), *frames[5:]])
    found = busplay.why(sent, unit="panel", pixel=(0, 0), against=received)
    assert found.against is not None
    assert found.other_losses == ()
    (foreign,) = found.against.other_stores
    assert (foreign.register, foreign.origin) == ("PALETTE_RED", "damaged")
    assert foreign.sent_frame is not None
    assert int(foreign.sent_frame.word, 16) == word
    assert not found.is_as_sent


def test_palette_store_whose_data_were_damaged_is_a_loss_and_no_more(tmp_path: Path) -> None:
    sent = record(tmp_path, STORES)
    frames = frames_of(sent)
    edge, word = frames[5]
    flipped = word ^ 1 << busplay.FrameLayout(DUNLIN.link).bit_places("data")[3]
    received = arrived(sent, [*frames[:5], (edge, flipped), *frames[6:]])
    found = busplay.why(sent, unit="panel", pixel=(0, 0), against=received)
    assert behind(found) == [("PALETTE_BLUE", "damaged", 0xFF)]
    assert found.against is not None
    assert found.against.other_stores == ()
