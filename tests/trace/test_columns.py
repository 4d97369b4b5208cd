"""Frames to columns and back: lossless, for any link and any words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.description.link import Check, CheckFraming, Field, Link, StrobeFraming
from busplay.description.shipped_files import shipped_links
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.trace.columns import CHUNK_FRAMES, ColumnCodec
from busplay.trace.container import Where
from tests.boards import GUARDED, LEAN
from tests.strategies import links
from tests.trace.cases import any_frames, assert_same, stream

HERE = Where("x.trace", "chunk 2 at byte 99")

# A link like the bus of a PC's support chips: a start nibble, no unit, address high digit first,
# data low digit first, constants, no check.
NIBBLES = Link(
    name="nibbles",
    lanes=4,
    edges="rising",
    fields=(
        Field("start", 4, value=0),
        Field("direction", 4, value=2),
        Field("address", 16),
        Field("data", 8, order="low_digit_first"),
        Field("turn", 8, value=0xFF),
        Field("ready", 4, value=0),
        Field("turn_back", 8, value=0xFF),
    ),
    framing=StrobeFraming(span="first", active="low", gap_symbols=1),
    start="cycle",
)
# No field that the codec knows by name.
BARE = Link(
    name="bare",
    lanes=3,
    edges="both",
    fields=(Field("left", 5), Field("right", 7)),
    framing=StrobeFraming(span="frame", active="high", gap_symbols=3),
)
# All of 64 bits, wide fields, the check between them and in the other order.
WIDE = Link(
    name="wide",
    lanes=16,
    edges="both",
    fields=(
        Field("data", 11, order="low_first"),
        Field("check", 8, order="low_first"),
        Field("sequence", 12),
        Field("address", 30, order="low_first"),
        Field("unit", 3),
    ),
    framing=CheckFraming(),
    check=Check("check", "custom", 0x2F, 0x3A, 0xC1, ("data", "sequence", "address", "unit")),
)
ODD_LINKS = {one.name: one for one in (GUARDED, LEAN, NIBBLES, BARE, WIDE)}


def round_trip(link: Link, frames: FrameBatch) -> None:
    codec = ColumnCodec(FrameLayout(link))
    body = codec.encode(frames)
    assert_same(codec.decode(memoryview(body), len(frames), where=HERE), frames)


@pytest.mark.parametrize("link", [GUARDED, NIBBLES, WIDE], ids=lambda link: link.name)
def test_edges_alone_and_the_frames_up_to_an_edge_are_those_of_the_whole(link: Link) -> None:
    frames = stream(link, 5_000)
    codec = ColumnCodec(FrameLayout(link))
    body = memoryview(codec.encode(frames))
    assert codec.decode_edges(body, 5_000, where=HERE).tolist() == frames.edge.tolist()
    random = np.random.default_rng(8)
    wanted = [0, *random.choice(frames.edge, 9).tolist(), int(frames.edge[-1]), 1 << 63]
    for last_edge in wanted:
        found = codec.decode(body, 5_000, where=HERE, last_edge=last_edge)
        assert_same(found, frames.between(0, len(found)))
        assert len(found) >= np.count_nonzero(frames.edge <= np.uint64(last_edge))
    assert len(codec.decode(body, 5_000, where=HERE, last_edge=0)) < 5_000


@pytest.mark.parametrize("name", ODD_LINKS)
@settings(deadline=None)
@given(frames=any_frames(most=70).filter(len))
def test_any_words_and_edges_of_a_link_round_trip(name: str, frames: FrameBatch) -> None:
    round_trip(ODD_LINKS[name], frames)


@settings(max_examples=150, deadline=None)
@given(link=links(), frames=any_frames().filter(len), seed=st.integers(0, 1000))
def test_frames_of_every_description_round_trip(link: Link, frames: FrameBatch, seed: int) -> None:
    round_trip(link, frames)
    round_trip(link, stream(link, 50, seed=seed))


@pytest.mark.parametrize("name", ODD_LINKS)
def test_full_chunk_round_trips(name: str) -> None:
    link = ODD_LINKS[name]
    frames = stream(link, CHUNK_FRAMES)
    round_trip(link, frames)
    rng = np.random.default_rng(2)
    gaps = rng.integers(0, 1 << 30, CHUNK_FRAMES, dtype=np.uint64)
    words = rng.integers(0, 1 << 64, CHUNK_FRAMES, dtype=np.uint64)
    round_trip(link, FrameBatch(np.cumsum(gaps, dtype=np.uint64), words))


def test_damaged_frames_among_valid_ones_round_trip() -> None:
    frames = stream(GUARDED, 5_000)
    rng = np.random.default_rng(3)
    word = frames.word.copy()
    hit = rng.integers(0, 5_000, 200)
    word[hit] ^= np.uint64(1) << rng.integers(0, 64, 200, dtype=np.uint64)
    round_trip(GUARDED, FrameBatch(frames.edge, word))


def test_same_frames_give_same_bytes_whatever_was_encoded_before() -> None:
    frames = stream(LEAN, 3_000)
    fresh = ColumnCodec(FrameLayout(LEAN)).encode(frames)
    used = ColumnCodec(FrameLayout(LEAN))
    used.encode(stream(LEAN, 60_000, seed=9, gap_slots=3))
    assert used.encode(frames) == fresh


def test_check_and_running_sequence_cost_nothing() -> None:
    """Steady stores of one value: each column is its first value, without planes."""
    layout = FrameLayout(GUARDED)
    index = np.arange(CHUNK_FRAMES, dtype=np.uint64)
    word = layout.pack(space=1, sequence=index & np.uint64(15), address=index, data=0x3C)
    body = ColumnCodec(layout).encode(FrameBatch(index * np.uint64(8), word))
    assert len(body) == 3 * 8 + 8 * 9


@pytest.mark.parametrize("name", shipped_links())
def test_random_data_at_rising_addresses_takes_two_bytes_or_fewer(name: str) -> None:
    link = load_link(name)
    body = ColumnCodec(FrameLayout(link)).encode(stream(link, CHUNK_FRAMES))
    assert len(body) / CHUNK_FRAMES < 2


def test_chunk_of_no_frames_or_too_many_is_refused() -> None:
    codec = ColumnCodec(FrameLayout(LEAN))
    with pytest.raises(ValueError, match="a chunk has 1 to 65536 frames, not 0"):
        codec.encode(FrameBatch.empty())
    with pytest.raises(ValueError, match="a chunk has 1 to 65536 frames, not 65537"):
        codec.encode(stream(LEAN, CHUNK_FRAMES + 1))


def small_body() -> bytearray:
    return bytearray(ColumnCodec(FrameLayout(GUARDED)).encode(stream(GUARDED, 300)))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            lambda body: body[:95],
            "found 95 bytes of columns; the fixed part takes 96",
        ),
        (
            lambda body: body + b"ab",
            "found 2 bytes after the last plane; nothing belongs there",
        ),
        (
            # Column 3 (the other fields: 4 bits on this link) in its second plane.
            lambda body: body[: 24 + 3 * 9 + 8] + b"\x02" + body[24 + 3 * 9 + 9 :],
            "found plane 1 of column others; on this link the column has 1 planes",
        ),
        (
            lambda body: body[:96] + b"\x07" + body[97:],
            "found coding 7; 0 (raw) or 1 (Zstandard) belongs here",
        ),
        (
            lambda body: body[:97] + b"\xff\xff\x00\x00" + body[101:],
            "found a block of 65,535 bytes; {left} bytes are left",
        ),
        (
            lambda body: body[:98],
            "found 2 bytes; a block's head has 5",
        ),
    ],
)
def test_damaged_columns_are_refused(change, message: str) -> None:  # type: ignore[no-untyped-def]
    body = bytes(change(small_body()))
    codec = ColumnCodec(FrameLayout(GUARDED))
    with pytest.raises(InputError) as refused:
        codec.decode(memoryview(body), 300, where=HERE)
    wanted = message.format(left=len(body) - 101)
    assert str(refused.value) == f"x.trace: chunk 2 at byte 99: {wanted}"


def test_columns_of_another_count_are_refused() -> None:
    codec = ColumnCodec(FrameLayout(GUARDED))
    with pytest.raises(InputError, match="found a block of 300 bytes; it holds 299"):
        codec.decode(memoryview(bytes(small_body())), 299, where=HERE)


def test_decreasing_edges_are_refused() -> None:
    codec = ColumnCodec(FrameLayout(LEAN))
    body = bytearray(
        codec.encode(FrameBatch(np.arange(9, dtype=np.uint64), np.zeros(9, np.uint64)))
    )
    # The gap's remainder, 1, becomes -1 modulo 2**64.
    body[24 + 9 : 24 + 17] = b"\xff" * 8
    with pytest.raises(InputError) as refused:
        codec.decode(memoryview(bytes(body)), 9, where=HERE)
    assert str(refused.value) == (
        "x.trace: chunk 2 at byte 99: found edges that decrease; "
        "a frame never begins before the previous one"
    )
