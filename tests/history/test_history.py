"""Histories against one that goes through all frames: drawn boards, with an index or not, cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.demo.programs import shipped_file
from busplay.description.full_address import full_address
from busplay.errors import InputError
from busplay.history import timeline
from busplay.history.history import History, open_history
from busplay.history.places import Place, Writes, places_of_addresses
from busplay.trace.reader import TraceReader
from busplay.write_index import builder, stretch
from tests.boards import GUARDED, board_with
from tests.history.cases import Case, cases, cut, naive_of, record
from tests.naive.history import NaiveHistory, NaiveWrite, frames_before, spans_of, sum_before
from tests.strategies import boards_for, links

KINDS = ("indexed", "plain", "cut")


def place_in(data: st.DataObject, naive: NaiveHistory) -> Place:
    """Draw a place: of a write most times, one byte or a few, or all of a unit."""
    if naive.writes and data.draw(st.booleans()):
        one = data.draw(st.sampled_from(naive.writes))
        first = max(0, one.offset - data.draw(st.integers(0, 3)))
        return Place(one.unit, one.space, first, one.offset + data.draw(st.integers(1, 40)))
    unit = data.draw(st.sampled_from(naive.board.units))
    space = data.draw(st.sampled_from(("memory", "registers")))
    first = data.draw(st.integers(0, unit.memory_bytes - 1))
    return Place(unit.name, space, first, data.draw(st.integers(first + 1, unit.memory_bytes)))


def rows(parts: list[Writes]) -> list[tuple[int, int, int]]:
    return [
        row
        for one in parts
        for row in zip(one.frame.tolist(), one.offset.tolist(), one.data.tolist(), strict=True)
    ]


def row(one: NaiveWrite) -> tuple[int, int, int]:
    return one.frame, one.offset, one.data


def hold_writes(history: History, naive: NaiveHistory, data: st.DataObject) -> None:
    moments = st.integers(0, history.frames)
    for _ in range(4):
        place, first, stop = place_in(data, naive), data.draw(moments), data.draw(moments)
        bounds = (place.unit, place.space, place.first_offset, place.stop_offset)
        expected = naive.between(*bounds, first, stop)
        found = list(history.writes(place, first, stop, newest_first=False))
        assert rows(found) == [row(one) for one in expected]
        assert rows(list(history.writes(place, first, stop))[::-1]) == rows(found)
        assert history.count_writes(place, first, stop) == len(expected)
        if place.space == "memory" and not history.index.builder.cells.shift:
            counts = history.write_counts(place.unit)[place.first_offset : place.stop_offset]
            whole = naive.between(*bounds, 0, history.frames)
            assert counts.tolist() == [
                sum(row(one)[1] == offset for one in whole)
                for offset in range(place.first_offset, place.first_offset + len(counts))
            ]
        before = naive.between(*bounds, 0, stop)
        last = history.last_write(place, stop)
        assert (last and (last.frame, last.offset, last.data)) == (
            (before and row(before[-1])) or None
        )
        after = naive.between(*bounds, first, history.frames)
        following = history.next_write(place, first)
        assert (following and following.frame) == (after[0].frame if after else None)
        listed = history.list_writes(place, stop, 5)
        assert [one.frame for one in listed] == [one.frame for one in before[::-1][:5]]
        if last is not None:
            assert (last.edge, last.word) == naive.frames[last.frame]
            assert history.edge_of_frame(last.frame) == last.edge
    edge = data.draw(st.integers(0, history.reader.stop_edge + 5))
    assert history.frame_at_edge(edge) == naive.frame_at_edge(edge)


def hold_pixel(history: History, naive: NaiveHistory, data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(history.board.units))
    moment = data.draw(st.integers(0, history.frames))
    x, y = (
        data.draw(st.integers(0, unit.width_px - 1)),
        data.draw(st.integers(0, unit.height_px - 1)),
    )
    display = naive.display_at(unit.name, moment)
    causes = history.causes(unit.name, x, y, moment)
    assert causes.index == display.pixel(x, y)
    assert list(causes.colour) == display.palette[causes.index]
    assert (causes.base_offset, causes.is_blank) == (display.base, display.blank)
    written = naive.palette_write(unit.name, causes.index, moment)
    assert (causes.palette and causes.palette.blue.frame) == written
    byte = naive.between(unit.name, "memory", causes.offset, causes.offset + 1, 0, moment)
    assert (causes.byte and causes.byte.frame) == (byte[-1].frame if byte else None)


def hold_timeline(history: History, naive: NaiveHistory, data: st.DataObject, case: Case) -> None:
    reader = history.reader
    first = data.draw(st.integers(0, max(0, reader.stop_edge - 1)))
    stop = data.draw(st.integers(first + 1, reader.stop_edge + 100))
    columns = data.draw(st.integers(1, 30))
    found = history.timeline(first, stop, columns)
    counts = [len(part) for part in reader.chunks()]
    spans = spans_of(counts, stretch.SPAN_FRAMES)
    slot = sum(one.bits for one in case.board.link.fields) // case.board.link.lanes
    slot += getattr(case.board.link.framing, "gap_symbols", 0)
    chunk_stop = int(reader.edges_before[-1])
    moments = []
    for number in range(columns + 1):
        edge = first + (stop - first) * number // columns
        assert int(found.edges[number]) == edge
        if found.is_exact:
            moments.append(naive.frame_at_edge(edge))
        else:
            moments.append(frames_before(naive.frames, spans, edge, slot, chunk_stop))
    pairs = list(pairwise(moments))
    assert found.frames.tolist() == [after - before for before, after in pairs]
    for name, values in (
        ("changed_bytes", [int(one) for one in naive.changed]),
        ("frames_missed", naive.missed),
        ("lost_at_receiver", [int(one == "OVERRUN") for one in naive.fates]),
        ("late", [int(one == "LATE") for one in naive.fates]),
        ("undelivered", [0] * len(naive.fates)),
    ):
        sums = [sum_before(values, spans, moment) for moment in moments]
        expected = [after - before for before, after in pairwise(sums)]
        assert getattr(found, name).tolist() == expected, name


def hold_high_water(history: History, naive: NaiveHistory, data: st.DataObject) -> None:
    """The whole recording in one column has the most that the FIFO ever held."""
    found = history.timeline(0, history.reader.stop_edge + 1, data.draw(st.integers(1, 3)))
    can_fill = history.index.builder.pipeline.receiver_fifo is not None
    assert max(found.fifo_high_water) == (max(naive.held, default=0) if can_fill else 0)


@given(data=st.data())
@settings(max_examples=40)
def test_places_of_addresses_are_where_each_store_goes(data: st.DataObject) -> None:
    board = data.draw(boards_for(data.draw(links())))
    window = data.draw(st.sampled_from(board.windows))
    first = max(0, window.first_address - data.draw(st.integers(0, 300)))
    last = min(0xFFFF, first + data.draw(st.integers(300, 2_000)))
    expected = []
    for address in range(first, last + 1):
        for one in board.windows:
            if one.first_address <= address <= one.last_address:
                offset = one.first_offset + address - one.first_address
                expected.append((one.unit, one.space, offset))
                break
    found = [
        (place.unit, place.space, offset)
        for place in places_of_addresses(board, first, last)
        for offset in range(place.first_offset, place.stop_offset)
    ]
    assert found == expected


def test_windows_of_different_pages_all_have_the_places_of_their_addresses() -> None:
    board = board_with(link=GUARDED)
    window = replace(board.windows[0], first_address=0x4000, last_address=0x40FF)
    windows = (
        replace(window, page=0, first_offset=0x100),
        replace(window, page=2, last_address=0x407F, first_offset=0x400),
        replace(window, first_address=0x4100, last_address=0x41FF, first_offset=0),
    )
    board = replace(board, windows=windows)
    unit, space = window.unit, window.space

    def places(first: int, last: int) -> list[tuple[int, int]]:
        found = places_of_addresses(board, first, last)
        assert {(one.unit, one.space) for one in found} == {(unit, space)}
        return sorted((one.first_offset, one.stop_offset) for one in found)

    assert places(0x4070, 0x4101) == [(0, 2), (0x170, 0x200), (0x470, 0x480)]
    page_2 = full_address(0, 2)
    assert places(page_2 | 0x4070, page_2 | 0x4101) == [(0, 2), (0x470, 0x480)]
    for first, last, text in (
        (full_address(0x4000, 1), full_address(0x4001, 1), "1:$4000 to 1:$4001"),
        (0x4000, full_address(0x4001, 1), "$4000 to 1:$4001"),
        (0x4001, 0x4000, "$4001 to $4000"),
    ):
        with pytest.raises(InputError) as raised:
            places_of_addresses(board, first, last)
        assert raised.value.found == f"addresses {text}"


def test_keys_stand_in_the_column_in_which_they_were_pressed() -> None:
    with TraceReader(shipped_file("traces", "keys.trace")) as reader:
        history, presses = open_history(reader), reader.key_presses()
        found = history.timeline(0, reader.stop_edge, 40)
        edges = [reader.header.edge_at(press.cycle) for press in presses]
        assert presses
        assert found.keys.tolist() == [
            sum(first <= edge < stop for edge in edges)
            for first, stop in pairwise(found.edges.tolist())
        ]


@pytest.mark.parametrize("kind", KINDS)
@given(case=cases(), data=st.data())
@settings(max_examples=100)
def test_history_is_what_going_through_all_frames_gives(
    kind: str, case: Case, data: st.DataObject
) -> None:
    chunks, exact = data.draw(st.sampled_from((1, 2, 64))), data.draw(st.sampled_from((0, 4)))
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(builder, "STRETCH_CHUNKS", chunks)
        patch.setattr(builder, "SHORT_BLOCKS", 0)
        patch.setattr(stretch, "COUNTED_CHUNKS", data.draw(st.sampled_from((1, 2, 48))))
        patch.setattr(timeline, "EXACT_CHUNKS", exact)
        path = Path(folder) / "a.trace"
        chunk_frames = data.draw(st.sampled_from((None, None, 1, 5)))
        record(path, case, with_index=kind != "plain", chunk_frames=chunk_frames)
        if kind == "cut":
            cut(path, data.draw(st.floats(0, 1)))
        with TraceReader(path) as reader:
            naive = naive_of(reader, case.board)
            history = open_history(reader)
            if kind == "indexed":
                assert history.index.chunks_in_trace == len(reader.frames_before) - 1
            hold_writes(history, naive, data)
            hold_pixel(history, naive, data)
            hold_timeline(history, naive, data, case)
            hold_high_water(history, naive, data)
