"""The receiver's rules, one a test, on the shipped links."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, UInt64Column, WireBatch
from busplay.description.link import (
    CheckFraming,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import State
from tests.receiver.wires import can_correct, every_symbol, frames_of, random_words
from tests.strategies import links

GUARDED = FrameLayout(load_link("guarded"))
LEAN = FrameLayout(load_link("lean"))
MARKED = FrameLayout(load_link("marked"))
STROBED = FrameLayout(load_link("strobed"))
SERIAL = FrameLayout(load_link("serial"))


def idle(layout: FrameLayout, count: int) -> UInt64Column:
    return np.full(count, layout.idle_word, np.uint64)


def in_sync(layout: FrameLayout, *, correct_one_bit: bool = False) -> Receiver:
    """Return a receiver in SYNC between two frames."""
    receiver = Receiver(layout, correct_one_bit=correct_one_bit)
    receiver.feed_symbols(layout.to_symbols(idle(layout, 16)), 0)
    if not layout.strobe_mask:
        assert receiver.state is State.SYNC
    return receiver


def at_rest(layout: FrameLayout) -> Receiver:
    """Return a receiver after one symbol with the strobe inactive, at edge 0."""
    receiver = Receiver(layout)
    receiver.feed_symbols(layout.idle_symbols[:1], 0)
    assert receiver.counters.symbols_skipped == 1
    return receiver


def feed_words(receiver: Receiver, words: list[int] | UInt64Column, edge: int = 0) -> list[int]:
    symbols = receiver.layout.to_symbols(np.array(words, np.uint64))
    return receiver.feed_symbols(symbols, edge).word.tolist()


# -- finding frames by the check


def test_receiver_starts_in_hunt_with_nothing_counted() -> None:
    receiver = Receiver(GUARDED)
    assert receiver.state is State.HUNT
    assert receiver.counters.symbols_fed == 0


def test_first_valid_frame_leads_to_presync_and_six_more_to_sync() -> None:
    receiver = Receiver(GUARDED)
    states = []
    for number in range(8):
        feed_words(receiver, idle(GUARDED, 1), 8 * number)
        states.append(receiver.state)
    assert states == [State.PRESYNC] * 6 + [State.SYNC] * 2
    assert receiver.counters.syncs_gained == 1


def test_frame_that_completes_sync_is_not_delivered_and_the_next_is() -> None:
    receiver = Receiver(GUARDED)
    words = GUARDED.pack(space=1, sequence=np.arange(9, dtype=np.uint64))
    frames = receiver.feed_symbols(GUARDED.to_symbols(words), 100)
    assert frames_of(frames) == [(100 + 7 * 8, int(words[7])), (100 + 8 * 8, int(words[8]))]
    assert receiver.counters.symbols_skipped == 7 * 8
    assert receiver.counters.frames_missed == 0


def test_invalid_frame_in_presync_leads_back_to_hunt() -> None:
    receiver = Receiver(GUARDED)
    feed_words(receiver, idle(GUARDED, 3))
    feed_words(receiver, [GUARDED.idle_word ^ 1])
    assert receiver.state is State.HUNT


def test_search_continues_with_the_symbol_after_an_invalid_frame_in_presync() -> None:
    # A candidate 3 symbols early costs the true alignment within the next frame; the
    # one after it is found.
    layout = GUARDED
    word = int(layout.pack(space=1, sequence=5, address=0x1234, data=0x56)[0])
    early = next(
        (head, filler)
        for filler in range(1 << 10)
        for head in [filler << 30 | word >> 10]
        if layout.is_valid(np.array([head], np.uint64))[0]
    )[1]
    start = [early >> 5, early & 31]  # two symbols that complete a valid word
    symbols = np.concatenate([start, layout.to_symbols(np.full(9, word, np.uint64))])
    receiver = Receiver(layout)
    states = []
    for edge, symbol in enumerate(symbols.tolist()):
        receiver.feed_symbols(np.array([symbol], np.uint8), edge)
        states.append(receiver.state)
    assert states[7] is State.PRESYNC  # the false one
    assert states[15] is State.HUNT
    assert states[16] is State.HUNT
    assert states[17] is State.PRESYNC  # the end of the second frame: the first after 15
    assert states[17 + 6 * 8 - 1] is State.PRESYNC
    assert states[17 + 6 * 8] is State.SYNC


def test_receiver_returns_to_hunt_after_seven_invalid_frames_in_a_row() -> None:
    receiver = in_sync(GUARDED)
    bad = GUARDED.idle_word ^ 0b11
    feed_words(receiver, [bad] * 6)
    assert receiver.state is State.SYNC
    feed_words(receiver, [bad])
    assert receiver.state is State.HUNT
    assert receiver.counters.checks_failed == 7
    assert receiver.counters.syncs_lost == 1


def test_one_valid_frame_ends_a_run_of_invalid_ones() -> None:
    receiver = in_sync(GUARDED)
    bad = GUARDED.idle_word ^ 0b11
    feed_words(receiver, [bad] * 6)
    feed_words(receiver, [GUARDED.idle_word])
    feed_words(receiver, [bad] * 6)
    assert receiver.state is State.SYNC
    assert receiver.counters.checks_failed == 12


def test_invalid_frame_in_sync_is_counted_and_not_delivered() -> None:
    receiver = in_sync(LEAN)
    word = int(LEAN.pack(space=1, address=0x1234, data=0x56)[0])
    assert feed_words(receiver, [word, word ^ 0x100, word]) == [word, word]
    assert receiver.counters.checks_failed == 1
    assert receiver.counters.frames_received == 2


def test_lost_edge_is_detected_and_the_receiver_resynchronises() -> None:
    receiver = in_sync(GUARDED)
    symbols = np.delete(GUARDED.to_symbols(idle(GUARDED, 40)), 83)
    receiver.feed_symbols(symbols, 0)
    counters = receiver.counters
    assert (counters.syncs_lost, counters.syncs_gained) == (1, 2)
    # Seven invalid frames, the last of which reaches 7 symbols into the next frame.
    assert counters.checks_failed == 7
    assert receiver.state is State.SYNC


# -- idle and sequence


def test_idle_frames_are_counted_and_not_delivered() -> None:
    receiver = in_sync(GUARDED)
    before = receiver.counters.frames_idle
    assert feed_words(receiver, idle(GUARDED, 5)) == []
    assert receiver.counters.frames_idle == before + 5


def test_missed_frames_are_counted_by_the_sequence_field() -> None:
    receiver = in_sync(GUARDED)
    words = GUARDED.pack(space=1, sequence=np.arange(40, dtype=np.uint64) % np.uint64(16))
    kept = np.delete(words, [5, 6, 7, 20])
    feed_words(receiver, kept)
    assert receiver.counters.frames_received == 36
    assert receiver.counters.frames_missed == 4


def test_nothing_is_missed_before_the_first_frame() -> None:
    receiver = in_sync(GUARDED)
    feed_words(receiver, GUARDED.pack(space=1, sequence=11))
    assert receiver.counters.frames_missed == 0


def test_frame_damaged_on_the_wire_is_missed() -> None:
    receiver = in_sync(GUARDED)
    words = GUARDED.pack(space=1, sequence=np.arange(3, dtype=np.uint64))
    words[1] ^= np.uint64(0b11)
    feed_words(receiver, words)
    assert (receiver.counters.checks_failed, receiver.counters.frames_missed) == (1, 1)


# -- correction


def test_each_single_bit_error_is_corrected() -> None:
    word = int(GUARDED.pack(space=2, unit=1, sequence=3, address=0xBEEF, data=0x5A)[0])
    for bit in range(40):
        receiver = in_sync(GUARDED, correct_one_bit=True)
        assert feed_words(receiver, [word ^ 1 << bit]) == [word]
        assert receiver.counters.frames_corrected == 1
        assert receiver.counters.checks_failed == 0


def test_second_invalid_frame_in_a_row_is_not_corrected() -> None:
    receiver = in_sync(GUARDED, correct_one_bit=True)
    word = int(GUARDED.pack(space=1, data=1)[0])
    assert feed_words(receiver, [word ^ 1, word ^ 2, word ^ 4]) == [word]
    assert receiver.counters.checks_failed == 2


def test_valid_frame_enables_correction_again() -> None:
    receiver = in_sync(GUARDED, correct_one_bit=True)
    word = int(GUARDED.pack(space=1, data=1)[0])
    assert feed_words(receiver, [word ^ 1, word, word ^ 4]) == [word] * 3
    assert receiver.counters.frames_corrected == 2


def test_two_bit_errors_are_not_corrected_and_end_correction() -> None:
    receiver = in_sync(GUARDED, correct_one_bit=True)
    word = int(GUARDED.pack(space=1, data=1)[0])
    assert feed_words(receiver, [word ^ 3, word ^ 1]) == []
    assert receiver.counters.checks_failed == 2


def test_corrected_frames_in_a_row_cannot_hold_a_false_sync() -> None:
    # A corrected frame failed its check, so it counts towards loss of sync.
    link = replace(GUARDED.link, framing=CheckFraming(release_frames=1))
    layout = FrameLayout(link)
    receiver = in_sync(layout, correct_one_bit=True)
    word = int(layout.pack(space=1, data=1)[0])
    assert feed_words(receiver, [word ^ 1]) == [word]
    assert receiver.state is State.HUNT


def test_correction_is_off_by_default() -> None:
    receiver = in_sync(GUARDED)
    assert feed_words(receiver, [int(GUARDED.pack(space=1)[0]) ^ 1]) == []


def test_correction_is_refused_if_two_bits_have_the_same_syndrome() -> None:
    with pytest.raises(DescriptionError) as caught:
        Receiver(FrameLayout(replace(LEAN.link, file="lean.toml")), correct_one_bit=True)
    assert str(caught.value) == (
        "lean.toml: check: found a check to which bits 0 and 15 of the frame of link lean have "
        "the same syndrome; to correct a bit error each bit needs a syndrome of its own, so take "
        "a longer check field or leave correct_one_bit off"
    )


def test_correction_is_refused_if_the_check_does_not_cover_a_bit() -> None:
    with pytest.raises(DescriptionError) as caught:
        Receiver(FrameLayout(replace(MARKED.link, file="marked.toml")), correct_one_bit=True)
    assert str(caught.value) == (
        "marked.toml: check: found a check that does not cover bit 1 of the frame of link marked; "
        "to correct a bit error each bit needs a syndrome of its own, so take a longer check "
        "field or leave correct_one_bit off"
    )


# -- marker


def test_unique_marker_gains_sync_at_once_at_any_symbol() -> None:
    words = MARKED.pack(space=1, address=np.arange(3, dtype=np.uint64))
    for cut in range(1, 5):
        receiver = Receiver(MARKED)
        symbols = MARKED.to_symbols(np.insert(words, 1, MARKED.idle_word))
        frames = receiver.feed_symbols(symbols[cut:], cut)
        assert frames.word.tolist() == words[1:].tolist()
        assert receiver.counters.symbols_skipped == 8 - cut


def test_unique_marker_at_another_place_realigns_at_once() -> None:
    receiver = in_sync(MARKED)
    words = MARKED.pack(space=1, address=np.arange(4, dtype=np.uint64))
    feed_words(receiver, words[:2])
    receiver.feed_symbols(MARKED.to_symbols(idle(MARKED, 1))[:2], 0)
    assert receiver.feed_symbols(MARKED.to_symbols(idle(MARKED, 1)), 0).word.tolist() == []
    assert feed_words(receiver, words[2:]) == words[2:].tolist()
    counters = receiver.counters
    assert (counters.syncs_lost, counters.syncs_gained, counters.frames_aborted) == (1, 2, 1)


def test_confirm_marker_gains_sync_after_its_valid_frames() -> None:
    link = replace(
        GUARDED.link,
        name="confirmed",
        idle={"space": 0},
        framing=MarkerFraming(symbols=(3,), rule="confirm", confirm_frames=2, release_frames=3),
    )
    layout = FrameLayout(link)
    receiver = Receiver(layout)
    word = int(layout.pack(space=1)[0])
    feed_words(receiver, [word] * 5)
    assert receiver.state is State.HUNT  # valid frames, and none begins with the marker
    feed_words(receiver, [layout.idle_word, word])
    assert receiver.state is State.PRESYNC
    feed_words(receiver, [word])
    assert receiver.state is State.SYNC
    assert feed_words(receiver, [word]) == [word]
    feed_words(receiver, [word ^ 1] * 3)
    assert receiver.state is State.HUNT


# -- strobe


def test_strobe_link_delivers_the_first_frame() -> None:
    for layout in (STROBED, SERIAL):
        receiver = at_rest(layout)
        word = int(layout.pack(space=1, address=0x1234, data=0x56)[0])
        assert feed_words(receiver, [word]) == [word]
        assert receiver.state is State.SYNC
        assert receiver.counters.symbols_skipped == 1


def test_early_strobe_aborts_the_frame_and_begins_another() -> None:
    receiver = at_rest(STROBED)
    word = int(STROBED.pack(space=1, address=0x1234, data=0x56)[0])
    symbols = STROBED.to_symbols(np.array([word, word], np.uint64))
    frames = receiver.feed_symbols(np.delete(symbols, 3), 10)
    assert frames_of(frames) == [(14, word)]
    assert receiver.counters.frames_aborted == 1
    assert receiver.counters.symbols_skipped == 1 + 4


def test_held_strobe_dropped_early_aborts_the_frame() -> None:
    receiver = at_rest(SERIAL)
    word = int(SERIAL.pack(space=1, address=0x1234, data=0x56)[0])
    symbols = SERIAL.to_symbols(np.array([word, word], np.uint64))
    symbols[20] ^= SERIAL.strobe_mask
    frames = receiver.feed_symbols(symbols, 0)
    assert frames_of(frames) == [(34, word)]
    # 20 symbols before the drop and 11 after it, where the strobe rose within the frame.
    assert receiver.counters.frames_aborted == 2
    assert receiver.counters.symbols_skipped == 1 + 31


def test_symbols_past_a_frame_with_the_strobe_held_are_skipped() -> None:
    receiver = at_rest(SERIAL)
    word = int(SERIAL.pack(space=1, address=0x1234, data=0x56)[0])
    symbols = SERIAL.to_symbols(np.array([word, word], np.uint64))
    longer = np.insert(symbols, 32, [symbols[31]] * 3)
    frames = receiver.feed_symbols(longer, 0)
    assert frames_of(frames) == [(0, word), (37, word)]
    assert receiver.counters.symbols_skipped == 1 + 3


def test_held_strobe_at_the_start_begins_no_frame() -> None:
    # The receiver was switched on in the middle of a frame.
    receiver = Receiver(SERIAL)
    word = int(SERIAL.pack(space=1, address=0x1234, data=0x56)[0])
    symbols = SERIAL.to_symbols(np.array([word, word], np.uint64))
    assert frames_of(receiver.feed_symbols(symbols[5:], 5)) == [(34, word)]
    assert receiver.counters.frames_aborted == 0


def test_inactive_strobe_between_frames_is_idle_and_not_skipped() -> None:
    receiver = Receiver(SERIAL)
    word = int(SERIAL.pack(space=1)[0])
    slots = np.array([34, 340], np.uint64)
    words = FrameBatch(slots, np.array([word, word], np.uint64))
    receiver.feed(WireBatch.of_words(words, first_edge=0, stop_edge=400))
    counters = receiver.counters
    assert counters.frames_received == 2
    assert counters.symbols_skipped == 34  # unknown before the first frame
    assert counters.symbols_idle == 400 - 34 - 64


# -- any link


@given(st.data())
@settings(max_examples=80, deadline=None)
def test_frames_that_were_encoded_are_decoded(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(links()))
    framing = layout.link.framing
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    words = random_words(layout, data.draw(st.integers(0, 30)), random)
    told = ~layout.is_idle(words)
    words = words[told]
    confirm = 0 if isinstance(framing, StrobeFraming) else framing.confirm_frames
    start = data.draw(st.integers(0, layout.slot_symbols))
    lead = np.tile(layout.idle_symbols, confirm + 4)[start:]
    receiver = Receiver(layout, correct_one_bit=can_correct(layout) and data.draw(st.booleans()))
    receiver.feed_symbols(lead, start)
    gaps = random.integers(0, 3, len(words)) if data.draw(st.booleans()) else 0
    slot = np.arange(len(words)) + np.cumsum(np.broadcast_to(gaps, len(words)))
    first_edge = (confirm + 4) * layout.slot_symbols
    edge = (first_edge + slot * layout.slot_symbols).astype(np.uint64)
    stop_edge = int(edge[-1]) + layout.slot_symbols if len(words) else first_edge
    batch = WireBatch.of_words(FrameBatch(edge, words), first_edge=first_edge, stop_edge=stop_edge)
    if data.draw(st.booleans()):
        batch = WireBatch.of_symbols(every_symbol(batch, layout), first_edge)
    frames = receiver.feed(batch)
    assert frames.word.tolist() == words.tolist()
    assert frames.edge.tolist() == edge.tolist()
    assert receiver.counters.checks_failed == 0
    if told.all():
        assert receiver.counters.frames_missed == 0


@given(st.data())
@settings(max_examples=80, deadline=None)
def test_idle_link_gains_sync_from_every_start(data: st.DataObject) -> None:
    layout = FrameLayout(data.draw(links(framings=("check", "marker"))))
    framing = layout.link.framing
    assert not isinstance(framing, StrobeFraming)
    unique = isinstance(framing, MarkerFraming) and framing.rule == "unique"
    frames_needed = 1 if unique else 1 + framing.confirm_frames
    size = layout.frame_symbols
    wire = np.tile(layout.idle_symbols, frames_needed + 2)
    for start in range(size):
        receiver = Receiver(layout)
        until_step = -start % size
        needed = until_step + frames_needed * size
        receiver.feed_symbols(wire[start : start + needed - 1], 0)
        assert receiver.state is not State.SYNC
        receiver.feed_symbols(wire[start + needed - 1 : start + needed], 0)
        assert receiver.state is State.SYNC


# -- reset and snapshots


def test_reset_clears_sync_and_counters() -> None:
    receiver = in_sync(GUARDED)
    receiver.reset()
    assert receiver.state is State.HUNT
    assert receiver.snapshot() == Receiver(GUARDED).snapshot()


def test_restored_receiver_continues_as_the_first() -> None:
    receiver = in_sync(LEAN)
    words = LEAN.pack(space=1, address=np.arange(10, dtype=np.uint64))
    symbols = LEAN.to_symbols(words)
    receiver.feed_symbols(symbols[:13], 0)
    other = Receiver(LEAN)
    other.restore(receiver.snapshot())
    assert other.counters == receiver.counters
    expected = frames_of(receiver.feed_symbols(symbols[13:], 13))
    assert frames_of(other.feed_symbols(symbols[13:], 13)) == expected
    assert expected[0][0] == 8


def test_foreign_snapshot_is_refused() -> None:
    with pytest.raises(ValueError, match=r"a receiver's snapshot has 184 bytes, not 3"):
        Receiver(LEAN).restore(b"abc")


def test_frames_delivered_unchanged_are_the_batch_s_own() -> None:
    receiver = in_sync(GUARDED)
    edges = np.arange(100, dtype=np.uint64) * np.uint64(8)
    words = FrameBatch(edges, GUARDED.pack(space=1, sequence=0, address=edges))
    assert receiver.feed(WireBatch.of_words(words, first_edge=0, stop_edge=800)) is words


@pytest.mark.parametrize(
    ("run_first", "message"),
    [
        ([0], "run_first has length 1, not 2"),
        ([0, 9], "runs of symbols 0 to 9, of which there are 8"),
    ],
)
def test_batch_of_wrong_length_is_refused(run_first: list[int], message: str) -> None:
    run_edge, symbols = np.zeros(1, np.int64), np.zeros(8, np.uint8)
    with pytest.raises(ValueError, match=message):
        WireBatch(FrameBatch.empty(), run_edge, np.array(run_first), symbols, 0, 16)


def test_frames_of_64_bits_and_16_lanes_pass() -> None:
    fields = (Field("space", 2), Field("address", 16), Field("wide", 46))
    link = Link("wide", 16, "both", fields, StrobeFraming())
    layout = FrameLayout(link)
    words = np.array([0x4000_0000_0000_0001, 0xFFFF_FFFF_FFFF_FFFF], np.uint64)
    frames = Receiver(layout).feed_symbols(layout.to_symbols(words), 0)
    assert frames.word.tolist() == words.tolist()
