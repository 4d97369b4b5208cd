"""From one form to another and back: the same frames at the same edges."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.conversion.carried_header import (
    carried_header,
    find_header,
    header_comment,
    with_clock,
)
from busplay.conversion.frame_texts import frame_texts
from busplay.conversion.from_trace import (
    edge_ns,
    trace_to_frames_csv,
    trace_to_pcapng,
    trace_to_stores,
)
from busplay.conversion.kinds import find_source_kind
from busplay.conversion.store_finder import StoreFinder
from busplay.conversion.to_trace import frames_to_trace, ns_edge, rewrite_trace, stores_to_trace
from busplay.conversion.wires import write_wires
from busplay.description.board import Board, Sender
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board, load_link
from busplay.sender.encoder import Encoder
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from tests.boards import board_with
from tests.capture.captures import frames_on_grid
from tests.strategies import boards_for, links, store_batches
from tests.trace.cases import pairs_in, write_trace

DUNLIN = load_board("dunlin")


def made(tmp_path: Path, *, count: int = 300, board: Board | None = DUNLIN) -> Path:
    layout = FrameLayout(DUNLIN.link)
    frames = frames_on_grid(layout, count, np.random.default_rng(1))
    path = tmp_path / "made.trace"
    write_trace(path, frames, TraceHeader(link=DUNLIN.link, board=board))
    return path


@given(st.data())
@settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_packets_and_rows_of_any_link_lead_back(tmp_path: Path, data: st.DataObject) -> None:
    link = data.draw(links())
    header = with_clock(TraceHeader(link=link), data.draw(st.integers(1_000, 10**9)))
    layout = FrameLayout(link)
    seed = data.draw(st.integers(0, 999))
    frames = frames_on_grid(layout, 20, np.random.default_rng(seed))
    start, packets, rows = (tmp_path / name for name in ("a.trace", "a.pcapng", "a.csv"))
    back = tmp_path / "back.trace"
    for path in (start, back):
        path.unlink(missing_ok=True)
    write_trace(start, frames, TraceHeader(link=header.link))
    with TraceReader(start) as reader:
        trace_to_pcapng(reader, packets)
        trace_to_frames_csv(reader, rows)
    assert (find_source_kind(packets, has_rate=False), find_source_kind(rows, has_rate=False)) == (
        "pcapng",
        "frames",
    )
    told = carried_header(packets)
    assert told is not None
    assert FrameLayout(told.link).idle_word == layout.idle_word
    frames_to_trace(packets, back, kind="pcapng", header=told)
    assert pairs_in(back) == pairs_in(start)
    frames_to_trace(rows, back, kind="frames", header=header)
    assert pairs_in(back) == pairs_in(start)


@given(
    st.lists(st.integers(0, 1 << 50), max_size=30),
    st.integers(1, 10**9),
    st.sampled_from((1, 2, 5, 8, 34)),
)
def test_times_in_ns_give_their_edges(slots: list[int], rate: int, grid: int) -> None:
    # A trace of up to 280 years; then nanoseconds outgrow 63 bits.
    edges = np.array([grid * slot for slot in slots if grid * slot < 9 * 10**9 * rate], np.uint64)
    assert ns_edge(edge_ns(edges, rate), rate, grid=grid).tolist() == edges.tolist()


def test_a_clock_of_two_edges_a_nanosecond_is_found_by_its_grid() -> None:
    edges = np.arange(0, 80, 8, dtype=np.uint64)
    assert ns_edge(edge_ns(edges, 2 * 10**9), 2 * 10**9, grid=8).tolist() == edges.tolist()


@given(st.data())
@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_stores_that_are_found_give_the_same_frames_again(data: st.DataObject) -> None:
    link = data.draw(links(with_space=True))
    board = data.draw(boards_for(link))
    stores = data.draw(store_batches(board, latest=2**31))
    stop = int(stores.cycle[-1]) + 1 if len(stores) else 0
    frames = Encoder(board).feed(stores, stop_cycle=stop)
    finder = StoreFinder(TraceHeader(link=link, board=board))
    found = finder.stores(frames)
    assert finder.left_out + finder.found == len(frames)
    # Windows may lie over each other; then the first of the board is meant, and so the same frame.
    encoder = Encoder(board)
    after = int(found.cycle[-1]) + 1 if len(found) else 0
    again = encoder.feed(found, stop_cycle=after)
    assert again.word.tolist() == frames.word.tolist()
    slot = FrameLayout(link).slot_symbols
    if slot >= encoder.edges_per_cycle.numerator // encoder.edges_per_cycle.denominator:
        late = again.edge.astype(np.int64) - frames.edge.astype(np.int64)
        assert np.abs(late).max(initial=0) <= encoder.step_edges


def test_trace_to_stores_and_back_is_the_same_trace(tmp_path: Path) -> None:
    shipped = Path(__file__).parents[2] / "traces" / "tides.trace"
    for name, binary in (("a.stores", True), ("a.csv", False)):
        target, back = tmp_path / name, tmp_path / f"{name}.trace"
        with TraceReader(shipped) as reader:
            board = reader.header.board
            assert board is not None
            count = trace_to_stores(reader, target, binary=binary)
        assert count.left_out == 0
        assert find_source_kind(target, has_rate=False) == "stores"
        stores_to_trace(target, back, board=board)
        assert pairs_in(back) == pairs_in(shipped)


def test_frames_to_no_window_are_left_out_and_counted(tmp_path: Path) -> None:
    layout = FrameLayout(DUNLIN.link)
    words = layout.pack(
        space=np.array([1, 1, 3, 2], np.uint64),
        unit=np.array([0, 3, 0, 0], np.uint64),
        sequence=np.arange(4, dtype=np.uint64),
        address=np.array([5, 0, 0, 2], np.uint64),
        data=np.array([1, 2, 3, 4], np.uint64),
    )
    words[3] ^= np.uint64(1)
    path = tmp_path / "a.trace"
    frames = FrameBatch(np.arange(1, 5, dtype=np.uint64) * np.uint64(400), words)
    write_trace(path, frames, TraceHeader(link=DUNLIN.link, board=DUNLIN))
    with TraceReader(path) as reader:
        count = trace_to_stores(reader, tmp_path / "a.csv", binary=False)
    assert (count.carried, count.left_out) == (1, 3)
    assert (tmp_path / "a.csv").read_text().splitlines()[1].endswith(",0x4005,0x01")


def test_stores_need_a_board(tmp_path: Path) -> None:
    path = made(tmp_path, board=None)
    with TraceReader(path) as reader, pytest.raises(InputError) as failure:
        trace_to_stores(reader, tmp_path / "a.csv", binary=False)
    assert str(failure.value) == (
        f"{path}: found a trace without a board; a board's windows give the addresses of"
        " stores, so give --board"
    )
    assert not list(tmp_path.glob("*.csv*"))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("8,0x55\n12,0x55\n", "found a frame at edge 12; frames of link guarded start at"),
        ("8,0x55\n8,0x55\n", "found a frame at edge 8; the frame before it lasts up to edge 16"),
    ],
)
def test_frames_that_cannot_stand_where_they_do_are_refused(
    tmp_path: Path, rows: str, message: str
) -> None:
    source = tmp_path / "a.csv"
    source.write_text("edge,word\n" + rows)
    with pytest.raises(InputError) as failure:
        frames_to_trace(
            source, tmp_path / "a.trace", kind="frames", header=TraceHeader(link=DUNLIN.link)
        )
    assert message in str(failure.value)


def test_a_link_without_any_clock_has_no_times(tmp_path: Path) -> None:
    path = made(tmp_path, board=None)
    with TraceReader(path) as reader, pytest.raises(InputError) as failure:
        trace_to_pcapng(reader, tmp_path / "a.pcapng")
    assert failure.value.wanted == "give --board, or the clock with --clock-rate"
    with TraceReader(path) as reader:
        trace_to_frames_csv(reader, tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_text().startswith("edge,word,space,")


def test_headers_travel_in_comments_and_damage_to_them_is_no_header() -> None:
    header = TraceHeader(link=DUNLIN.link, board=DUNLIN, program_name="tides.bin")
    comment = header_comment(header).encode()
    told = find_header(b"$comment " + comment + b" $end", file="x")
    assert told is not None
    assert told.board is not None
    assert (told.board.name, told.program_name) == ("Dunlin", "tides.bin")
    assert find_header(comment[:-9], file="x") is None
    assert find_header(b"nothing of ours", file="x") is None


def test_rewriting_makes_a_cut_trace_whole(tmp_path: Path) -> None:
    path = made(tmp_path)
    whole = path.read_bytes()
    cut = tmp_path / "cut.trace"
    cut.write_bytes(whole[:-40])
    with TraceReader(cut) as reader:
        assert not reader.complete
    rewrite_trace(cut, tmp_path / "back.trace", header=None)
    with TraceReader(tmp_path / "back.trace") as reader:
        assert reader.complete
    assert pairs_in(tmp_path / "back.trace") == pairs_in(path)


def test_a_board_of_another_link_is_refused(tmp_path: Path) -> None:
    path = made(tmp_path, board=None)
    lean = TraceHeader(link=load_link("lean"))
    with pytest.raises(InputError) as refused:
        rewrite_trace(path, tmp_path / "b.trace", header=lean)
    assert str(refused.value) == (
        f"{path}: found frames of link guarded, wire digest b040f2957dab965f;"
        " the given link, lean, has another wire format, 314c0355fcdc403e"
    )


def test_a_link_with_another_comment_is_the_same(tmp_path: Path) -> None:
    """It was refused, though the wire is the same."""
    path = made(tmp_path, board=None)
    own = load_link("guarded")
    framing = replace(own.framing, release_frames=9)
    changed = replace(own, name="ours", description="at the bench", framing=framing)
    rewrite_trace(path, tmp_path / "b.trace", header=TraceHeader(link=changed))
    with TraceReader(tmp_path / "b.trace") as reader:
        assert reader.header.link.name == "ours"
    assert pairs_in(tmp_path / "b.trace") == pairs_in(path)


def test_frames_are_described_in_words() -> None:
    layout = FrameLayout(DUNLIN.link)
    words = layout.pack(
        space=np.array([1, 2, 3], np.uint64),
        unit=np.array([0, 1, 2], np.uint64),
        sequence=np.array([1, 2, 3], np.uint64),
        address=np.array([0x1234, 3, 0], np.uint64),
        data=np.array([0x56, 7, 0], np.uint64),
    )
    frames = FrameBatch(np.zeros(4, np.uint64), np.concatenate([words, words[:1] ^ np.uint64(1)]))
    assert frame_texts(frames, layout, DUNLIN) == [
        "panel+$1234=$56 #1",
        "register sign+$0003=$07 #2",
        "space 3 unit 2+$0000=$00 #3",
        "DAMAGED panel+$1234=$56 #1",
    ]


def test_a_dump_shows_frames_and_the_receivers_state_in_time(tmp_path: Path) -> None:
    board = board_with(load_link("guarded"), sender=Sender(lead_frames=16))
    layout = FrameLayout(board.link)
    words = layout.pack(space=1, sequence=np.array([0, 1], np.uint64), address=5, data=6)
    path = tmp_path / "a.trace"
    frames = FrameBatch(np.array([160, 168], np.uint64), words)
    write_trace(path, frames, TraceHeader(link=board.link, board=board))
    with TraceReader(path) as reader:
        write_wires(reader, tmp_path / "a.vcd")
    lines = (tmp_path / "a.vcd").read_text().splitlines()
    texts = {}
    time = 0
    for line in lines[lines.index("$enddefinitions $end") :]:
        if line.startswith("#"):
            time = int(line[1:]) * 10  # the dump counts in 10 ps
        elif line.startswith("s"):
            texts[time, line.split(" ")[1]] = line.split(" ")[0]
    frame, state = "'", "("
    assert texts[0, frame] == "s-"
    assert texts[160 * 62_500, frame] == "spanel+$0005=$06\\x20#0"
    assert texts[168 * 62_500, frame] == "spanel+$0005=$06\\x20#1"
    assert texts[176 * 62_500, frame] == "s-"
    # One right frame to find the place and six more to be sure, from the first edge on.
    assert texts[(7 * 8 - 1) * 62_500 + 31_250, state] == "sSYNC"
    assert len(texts) == 6
