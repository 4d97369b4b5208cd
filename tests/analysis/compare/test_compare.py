from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busplay.analysis.compare.comparison import Comparison
from busplay.analysis.compare.frame_comparison import (
    Differences,
    FrameComparison,
    Kind,
)
from busplay.analysis.compare.frames import compare_frames
from busplay.analysis.compare.streams import LOOK_FRAMES
from busplay.batch import FrameBatch
from busplay.description.read_font import shipped_font
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader
from tests.analysis.compare.recordings import (
    HEADERS,
    Damage,
    damages,
    dropped,
    late,
    recording,
    renumbered,
)
from tests.boards import GUARDED, LEAN, board_with
from tests.naive.compare import by_time, fewest_edits
from tests.strategies import cuts
from tests.trace.cases import any_frames, piece

FRAMES = 300
SLOT = 8  # edges of a slot, of both links
LINKS = {"guarded": GUARDED, "lean": LEAN}


def compare(expected: FrameBatch, actual: FrameBatch, link: str = "guarded") -> FrameComparison:
    found = compare_frames([expected], [actual], expected_header=HEADERS[link])
    require_balance(found.figures)
    return found


def compare_without_times(expected: FrameBatch, actual: FrameBatch) -> FrameComparison:
    """Guarded against lean frames without a board: no common clock."""
    found = compare_frames(
        [expected],
        [actual],
        expected_header=HEADERS["guarded"],
        actual_header=TraceHeader(link=LEAN),
    )
    require_balance(found.figures)
    assert found.figures.delay is None
    return found


def require_balance(figures: Comparison) -> None:
    both = figures.frames_same + figures.frames_changed
    assert figures.frames_expected == both + figures.frames_missing
    assert figures.frames_actual == both + figures.frames_added


def edits_of(found: FrameComparison) -> int:
    """Count edits that lead from the expected frames to the actual ones; a move is two."""
    return found.figures.frames_different + found.figures.frames_out_of_order


def as_lean(frames: FrameBatch) -> FrameBatch:
    guarded, lean = FrameLayout(GUARDED), FrameLayout(LEAN)
    fields = {
        name: guarded.unpack_field(frames.word, name)
        for name in ("space", "unit", "address", "data")
    }
    return FrameBatch(frames.edge, lean.pack(**fields))


def indexes(found: FrameComparison, kind: Kind) -> list[int]:
    rows = found.differences.of_kind(kind)
    return (rows.actual_index if kind == Kind.ADDED else rows.expected_index).tolist()


# -- what was injected is what is found


@pytest.mark.thorough
@pytest.mark.parametrize("link", ["guarded", "lean"])
def test_one_wrong_bit_is_found_in_the_last_frame_too(link: str) -> None:
    """Check and sequence number of the last frame were not looked at: none behind it told."""
    frames = recording(LINKS[link], 40)
    for index in (20, 39):
        for bit in range(LINKS[link].frame_bits):
            word = frames.word.copy()
            word[index] ^= np.uint64(1 << bit)
            if not FrameLayout(LINKS[link]).is_idle(word).any():
                found = compare(frames, FrameBatch(frames.edge, word), link)
                assert indexes(found, Kind.CHANGED) == [index]


def test_equal_recordings_have_no_differences() -> None:
    frames = recording(GUARDED, FRAMES)
    found = compare(frames, frames)
    assert found.figures.frames_same == FRAMES
    assert found.figures.frames_equal
    assert found.figures.times_equal


@pytest.mark.parametrize("link", ["guarded", pytest.param("lean", marks=pytest.mark.thorough)])
@given(data=st.data())
@settings(max_examples=60)
def test_damage_is_found_as_it_was_put_in_whatever_the_constant_delay(
    link: str, data: st.DataObject
) -> None:
    frames = recording(LINKS[link], FRAMES)
    # The first frames tell the delay, and the last ones have none behind them to tell.
    damage = data.draw(damages(FRAMES - 12, LINKS[link].frame_bits, first=12))
    delay = data.draw(st.sampled_from([0, 0, 1, -5, 800, 100_000]))
    actual = late(damage.apply(frames, LINKS[link]), delay)
    # A frame that has become an idle one is no changed frame.
    assume(not FrameLayout(LINKS[link]).is_idle(actual.word).any())
    found = compare(frames, actual, link)
    assert indexes(found, Kind.MISSING) == sorted(damage.missing)
    assert indexes(found, Kind.CHANGED) == sorted(damage.changed)
    assert found.differences.of_kind(Kind.CHANGED).flipped.tolist() == [
        damage.changed[i] for i in sorted(damage.changed)
    ]
    assert found.figures.frames_added == len(damage.added)
    assert found.figures.delay is not None
    assert (found.figures.delay.usual, found.figures.delay.changes) == (delay, 0)


@given(data=st.data())
@settings(max_examples=40)
def test_comparison_by_time_equals_the_naive_one(data: st.DataObject) -> None:
    # Few different contents, so that only time tells which frame is which.
    layout = FrameLayout(LEAN)
    count = data.draw(st.integers(20, 80))
    random = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    times = np.cumsum(random.integers(1, 4, count)) * SLOT
    words = layout.pack(space=1, data=random.integers(0, 3, count).astype(np.uint64))
    keep = random.random(count) < 0.9
    keep[:10] = True
    changed = (random.random(count) < 0.05) & keep
    changed[:10] = False
    other = layout.pack(space=1, data=np.full(count, 200, np.uint64))
    sent = np.where(changed, other, words)
    expected = FrameBatch(times.astype(np.uint64), words)
    actual = FrameBatch(times[keep].astype(np.uint64), sent[keep])
    found = compare(expected, actual, "lean")
    naive = by_time(
        list(zip(times.tolist(), words.tolist(), strict=True)),
        list(zip(times[keep].tolist(), sent[keep].tolist(), strict=True)),
        0,
    )
    figures = found.figures
    assert figures.frames_same == len(naive["same"])
    assert figures.frames_changed == len(naive["changed"])
    assert figures.frames_missing == len(naive["missing"])
    assert figures.frames_added == len(naive["added"])


@given(data=st.data())
@settings(max_examples=60)
def test_without_times_the_fewest_edits_are_found(data: st.DataObject) -> None:
    frames = recording(GUARDED, 120)
    # At both ends a frame can be missing and another added, or one changed: nothing tells.
    damage = data.draw(damages(108, 8, first=12, most=5))
    damage.changed = dict.fromkeys(damage.changed, 0xFF00)  # data bits, and not the check's
    actual = as_lean(damage.apply(frames, GUARDED))
    found = compare_without_times(frames, actual)
    edits = edits_of(found)
    fewest = fewest_edits(as_lean(frames).word.tolist(), actual.word.tolist())
    assert edits == fewest


def test_of_equally_few_edits_those_with_more_equal_frames_are_told() -> None:
    # Two frames missing and one added in their place were told as a move and two changes.
    frames = recording(GUARDED, 120)
    damage = Damage(missing={70, 71}, added={12: 0, 72: 0})
    figures = compare_without_times(frames, as_lean(damage.apply(frames, GUARDED))).figures
    assert (figures.frames_missing, figures.frames_added, figures.frames_changed) == (2, 2, 0)
    assert figures.frames_out_of_order == 0


def test_frames_between_two_outages_are_no_more_missing_than_those_around_them() -> None:
    """With over 48 edits to the next long run of equal frames, those between were lost too."""
    frames = recording(GUARDED, 150)
    lost = np.r_[20:50, 58:83]
    found = compare_without_times(frames, as_lean(dropped(frames, lost)))
    assert indexes(found, Kind.MISSING) == lost.tolist()
    assert found.figures.frames_different == len(lost)


@given(expected=any_frames(), actual=any_frames())
@settings(max_examples=60)
def test_accounts_balance_whatever_is_compared(expected: FrameBatch, actual: FrameBatch) -> None:
    compare(expected, actual)
    compare_without_times(expected, actual)


@given(
    contents=st.lists(st.integers(0, 2), max_size=60),
    others=st.lists(st.integers(0, 2), max_size=60),
)
@settings(max_examples=100)
def test_no_more_is_wrong_than_in_two_recordings_with_nothing_in_common(
    contents: list[int], others: list[int]
) -> None:
    layout, lean = FrameLayout(GUARDED), FrameLayout(LEAN)

    def of(layout: FrameLayout, data: list[int]) -> FrameBatch:
        edge = np.arange(len(data), dtype=np.uint64) * np.uint64(8)
        words = layout.pack(space=1, data=np.array(data, np.uint64))
        return FrameBatch(edge, words if data else np.empty(0, np.uint64))

    edits = edits_of(compare_without_times(of(layout, contents), of(lean, others)))
    assert fewest_edits(contents, others) <= edits <= len(contents) + len(others)


@given(data=st.data())
@settings(max_examples=25)
def test_where_batches_are_cut_changes_nothing(data: st.DataObject) -> None:
    frames = recording(GUARDED, FRAMES)
    actual = data.draw(damages(FRAMES, 40)).apply(frames, GUARDED)
    whole = compare(frames, actual)
    parts = [
        [piece(one, a, b) for a, b in pairwise(places)]
        for one, places in (
            (frames, data.draw(cuts(len(frames)))),
            (actual, data.draw(cuts(len(actual)))),
        )
    ]
    cut = compare_frames(*parts, expected_header=HEADERS["guarded"])
    assert cut.figures == whole.figures
    assert_same_rows(cut.differences, whole.differences)


def assert_same_rows(found: Differences, wanted: Differences) -> None:
    for one, other in zip(found.columns(), wanted.columns(), strict=True):
        np.testing.assert_array_equal(one, other)


# -- delays


def test_delay_that_grows_steadily_is_followed() -> None:
    frames = recording(GUARDED, 5_000)
    actual = late(frames, np.arange(5_000) // 40)
    actual = dropped(actual, np.array([700, 701, 2_900]))
    found = compare(frames, actual)
    assert indexes(found, Kind.MISSING) == [700, 701, 2_900]
    assert found.figures.frames_different == 3
    delays = found.figures.delay
    assert delays is not None
    assert (delays.first, delays.last, delays.changes, delays.shorter) == (0, 124, 124, 0)
    assert found.figures.times_equal is False


def test_one_late_frame_is_counted_as_late() -> None:
    frames = recording(GUARDED, FRAMES)
    moved = np.zeros(FRAMES, np.int64)
    moved[100] = 8
    found = compare(frames, late(frames, moved))
    assert found.figures.frames_equal
    assert found.figures.delay is not None
    delay = found.figures.delay
    assert (delay.usual, delay.frames_late, delay.most) == (0, 1, 8)


def test_delay_that_jumps_where_frames_are_lost_is_found() -> None:
    frames = recording(GUARDED, 4_000)
    lost = np.arange(1_000, 2_500)
    jumped = np.where(np.arange(4_000) >= 2_500, -37, 0)
    found = compare(frames, dropped(late(frames, jumped), lost))
    assert indexes(found, Kind.MISSING) == lost.tolist()
    assert found.figures.frames_different == 1_500
    assert found.figures.delay is not None
    assert found.figures.delay.last == -37


def test_which_of_equal_frames_was_lost_is_told_by_time() -> None:
    layout = FrameLayout(LEAN)
    edge = np.arange(100, dtype=np.uint64) * np.uint64(24)
    frames = FrameBatch(edge, np.repeat(layout.pack(space=2, address=1, data=7), 100))
    found = compare(frames, dropped(frames, np.array([30, 31, 77])), "lean")
    assert indexes(found, Kind.MISSING) == [30, 31, 77]


def test_how_many_equal_frames_were_lost_in_a_jump_is_told_by_sequence() -> None:
    layout = FrameLayout(GUARDED)
    sequence = np.arange(100, dtype=np.uint64) % np.uint64(16)
    words = layout.pack(space=2, address=1, data=7, sequence=sequence)
    frames = FrameBatch(np.arange(100, dtype=np.uint64) * np.uint64(24), words)
    jumped = np.where(np.arange(100) >= 43, -50, 0)
    found = compare(frames, dropped(late(frames, jumped), np.array([40, 41, 42])))
    assert indexes(found, Kind.MISSING) == [40, 41, 42]


# -- long outages


def test_outage_longer_than_the_look_ahead_is_bridged_by_time() -> None:
    count = LOOK_FRAMES * 2 + 5_000
    frames = recording(LEAN, count)
    lost = np.arange(2_000, LOOK_FRAMES + 40_000)
    found = compare(frames, dropped(frames, lost), "lean")
    assert found.figures.frames_missing == len(lost)
    assert found.figures.frames_different == len(lost)


@pytest.mark.parametrize("outage", [1_000, 7_777, 24_000])
def test_thousands_of_lost_frames_are_bridged_without_times(outage: int) -> None:
    frames = recording(GUARDED, 40_000)
    lost = np.arange(3_000, 3_000 + outage)
    found = compare_without_times(frames, as_lean(dropped(frames, lost)))
    assert indexes(found, Kind.MISSING) == lost.tolist()
    assert found.figures.frames_different == outage


def test_recording_that_begins_later_and_ends_earlier_lacks_both_ends() -> None:
    frames = recording(GUARDED, 6_000)
    part = piece(late(frames, -40_000), 2_500, 5_000)
    found = compare(frames, part)
    assert found.figures.frames_missing_at_start == 2_500
    assert found.figures.frames_missing_at_end == 1_000
    assert found.figures.frames_missing == 3_500
    assert found.figures.frames_different == 3_500


def test_stuck_lane_leaves_every_frame_in_its_place() -> None:
    frames = recording(GUARDED, 30_000)
    stuck = sum(1 << (5 * symbol + 3) for symbol in range(8))
    words = frames.word.copy()
    words[5_000:25_000] &= ~np.uint64(stuck & ~(3 << 38))
    found = compare(frames, FrameBatch(frames.edge, words))
    assert found.figures.frames_changed == np.count_nonzero(words != frames.word)
    assert [one.kind for one in found.figures.patterns] == ["lane"]
    assert found.figures.frames_missing == found.figures.frames_added == 0


# -- order


def test_swapped_frames_are_out_of_order_and_not_lost() -> None:
    frames = recording(LEAN, FRAMES)
    words = frames.word.copy()
    words[[100, 103]] = words[[103, 100]]
    found = compare(frames, FrameBatch(frames.edge, words), "lean")
    assert indexes(found, Kind.OUT_OF_ORDER) == [100, 103]
    assert found.figures.frames_different == found.figures.frames_out_of_order == 2
    assert found.figures.frames_same == FRAMES


def test_frame_that_comes_later_is_out_of_order_without_times() -> None:
    frames = recording(GUARDED, FRAMES)
    order = [*range(50), *range(51, 60), 50, *range(60, FRAMES)]
    actual = as_lean(FrameBatch(frames.edge, frames.word[order]))
    found = compare_without_times(frames, actual)
    assert indexes(found, Kind.OUT_OF_ORDER) == [50]
    assert found.differences.actual_index.tolist() == [59]
    assert found.figures.frames_different == 1


# -- sequence and check


def test_frame_lost_at_the_sender_is_one_missing_frame() -> None:
    frames = recording(GUARDED, FRAMES)
    actual = renumbered(dropped(frames, np.array([60, 61, 200])), GUARDED)
    found = compare(frames, actual)
    assert indexes(found, Kind.MISSING) == [60, 61, 200]
    assert found.figures.frames_different == 3


@pytest.mark.parametrize("bit", [33, 2])
def test_wrong_bit_in_sequence_or_check_alone_is_a_change(bit: int) -> None:
    frames = recording(GUARDED, FRAMES)
    words = frames.word.copy()
    words[150] ^= np.uint64(1 << bit)
    found = compare(frames, FrameBatch(frames.edge, words))
    assert indexes(found, Kind.CHANGED) == [150]
    assert found.differences.flipped.tolist() == [1 << bit]
    field = "sequence" if bit == 33 else "check"
    assert found.figures.changed_by_field[field] == 1


def test_wrong_bits_stand_at_their_lane_and_symbol() -> None:
    frames = recording(GUARDED, FRAMES)
    words = frames.word.copy()
    words[[10, 20, 30]] ^= np.uint64(1 << 7)  # first check bit: symbol 6, third bit
    found = compare(frames, FrameBatch(frames.edge, words))
    symbols = FrameLayout(GUARDED).to_symbols(np.array([1 << 7], np.uint64))
    bit = found.sides.bits[7]
    assert bit is not None
    assert symbols[bit.symbol] == 1 << bit.lane
    assert found.figures.changed_by_lane[bit.lane] == 3
    assert sum(found.figures.changed_by_lane) == 3


def test_idle_frames_that_were_recorded_are_left_out_and_counted() -> None:
    frames = recording(LEAN, FRAMES)
    words = frames.word.copy()
    words[[4, 5]] = FrameLayout(LEAN).idle_word
    found = compare(FrameBatch(frames.edge, words), dropped(frames, np.array([4, 5])), "lean")
    assert found.figures.frames_equal
    assert (found.figures.idle_frames_expected, found.figures.idle_frames_actual) == (2, 0)


# -- other links, other boards


def test_other_link_is_compared_by_what_frames_say() -> None:
    frames = recording(GUARDED, FRAMES)
    actual = dropped(late(as_lean(frames), 3), np.array([9]))
    found = compare_frames(
        [frames], [actual], expected_header=HEADERS["guarded"], actual_header=HEADERS["lean"]
    )
    assert indexes(found, Kind.MISSING) == [9]
    assert found.figures.frames_different == 1
    assert found.figures.delay is not None
    assert found.figures.delay.unit == "cycles"
    assert not found.sides.by_words


def test_recordings_of_other_units_are_refused() -> None:
    from dataclasses import replace

    board = board_with(GUARDED)
    smaller = replace(board, units=(replace(board.units[0], width_px=128), board.units[1]))
    with pytest.raises(InputError) as refused:
        compare_frames(
            [],
            [],
            expected_header=HEADERS["guarded"],
            actual_header=TraceHeader(link=GUARDED, board=smaller),
            expected_name="a.trace",
            actual_name="b.trace",
        )
    assert str(refused.value) == (
        "b.trace: board dunlin: units: found unit panel, number 0, 128 x 192 pixels of 4 bits,"
        " 128 bytes a row, 24576 bytes; a.trace has unit panel, number 0, 256 x 192 pixels of"
        " 4 bits, 128 bytes a row, 24576 bytes; give recordings of the same units and windows"
    )


def test_recordings_of_characters_and_of_pixels_are_refused() -> None:
    from dataclasses import replace

    board = board_with(GUARDED)
    panel, sign = board.units
    cells = {"mode": "text", "columns": 32, "rows": 24, "font": shipped_font("plain_8x8")}
    paged = replace(board, units=(replace(panel, pages=2, page_bytes=64), sign))
    text = replace(board, units=(replace(panel, **cells), sign))
    for other, found in (
        (text, "32 x 24 characters of 1 byte"),
        (paged, "256 x 192 pixels of 4 bits, 2 pages"),
    ):
        with pytest.raises(InputError) as refused:
            compare_frames(
                [],
                [],
                expected_header=HEADERS["guarded"],
                actual_header=TraceHeader(link=GUARDED, board=other),
                expected_name="a.trace",
                actual_name="b.trace",
            )
        assert f"found unit panel, number 0, {found}," in str(refused.value)


def test_frames_out_of_time_are_refused() -> None:
    frames = recording(GUARDED, 10)
    with pytest.raises(InputError, match="starts before the one before it"):
        compare(frames, FrameBatch(frames.edge[::-1], frames.word))


def test_nothing_compared_is_not_equal() -> None:
    found = compare(FrameBatch.empty(), FrameBatch.empty())
    assert not found.figures.frames_equal


def test_empty_actual_lacks_everything() -> None:
    frames = recording(GUARDED, 10)
    assert compare(frames, FrameBatch.empty()).figures.frames_missing == 10
    assert compare(FrameBatch.empty(), frames).figures.frames_added == 10


def test_differences_beyond_what_is_kept_are_counted() -> None:
    frames = recording(GUARDED, FRAMES)
    found = compare_frames(
        [frames],
        [dropped(frames, np.arange(0, FRAMES, 3))],
        expected_header=HEADERS["guarded"],
        keep=7,
    )
    assert len(found.differences) == 7
    assert found.figures.frames_missing == 100


def test_comparison_that_is_stopped_has_the_figures_up_to_there() -> None:
    frames = recording(GUARDED, 3 * LOOK_FRAMES)
    lost = np.arange(0, len(frames), 1_000)
    found = compare_frames(
        [frames],
        [dropped(frames, lost)],
        expected_header=HEADERS["guarded"],
        should_stop=lambda: True,
    )
    assert found.figures.interrupted
    assert 0 < found.figures.frames_expected < len(frames)
    require_balance(found.figures)
    assert found.figures.frames_missing == np.count_nonzero(lost < found.figures.frames_expected)
