"""A link's rules as the receiver's kernels need them, derived once from a layout."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplay.batch import UInt64Column
from busplay.description.link import CheckFraming, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.slot_symbols import SlotShape, slot_shape

# A wider sequence field is compared by its lowest bits.
SEQUENCE_BITS_MAX = 32
WORD_BYTES = 8


class Rules(NamedTuple):
    """A link in the form that the receiver's kernels take.

    Attributes:
        shape: of a slot's symbols.
        is_strobe: a strobe marks where frames begin.
        is_held: the strobe stays active for the whole frame.
        is_watched: in sync, a marker elsewhere means that the receiver is in false sync.
        is_steady: in sync, idle frames never show a marker elsewhere.
        is_corrected: one invalid bit is corrected.
        confirm_frames: consecutive valid frames from PRESYNC to SYNC; 0: none are needed.
        release_frames: consecutive invalid frames from SYNC to HUNT; 0: it never hunts anew.
        frame_mask: all bits of a word.
        marker_mask, marker_word: a word whose masked bits are these begins with the marker.
        idle_counts: whether the idle word is idle by itself.
        space_mask, space_idle: a word whose masked bits are these is idle.
        reading_tables: uint64[8 * 256]; see `judgement.read`.
        syndrome_mask: the syndrome's bits in a reading.
        sequence_shift, sequence_mask: the sequence number in a reading; mask 0: there is none.
        bit_syndromes: uint64[frame_bits]; the syndrome of each invalid bit, first bit first.
    """

    shape: SlotShape
    is_strobe: bool
    is_held: bool
    is_watched: bool
    is_steady: bool
    is_corrected: bool
    confirm_frames: int
    release_frames: int
    frame_mask: np.uint64
    marker_mask: np.uint64
    marker_word: np.uint64
    idle_counts: bool
    space_mask: np.uint64
    space_idle: np.uint64
    reading_tables: UInt64Column
    syndrome_mask: np.uint64
    sequence_shift: np.uint64
    sequence_mask: np.uint64
    bit_syndromes: UInt64Column


def receiver_rules(layout: FrameLayout, *, correct_one_bit: bool) -> Rules:
    """Return the rules of a layout.

    Raises:
        DescriptionError: one invalid bit is to be corrected, and the link's check cannot locate
            it.
    """
    if correct_one_bit:
        _require_bits_told_apart(layout)
    framing = layout.link.framing
    marker_mask, confirm_frames, release_frames = 0, 0, 0
    is_watched = False
    if isinstance(framing, CheckFraming):
        confirm_frames = framing.confirm_frames
    elif isinstance(framing, MarkerFraming):
        marker_bits = len(framing.symbols) * layout.lanes
        marker_mask = ((1 << marker_bits) - 1) << (layout.frame_bits - marker_bits)
        is_watched = framing.rule == "unique"
        confirm_frames = 0 if is_watched else framing.confirm_frames
    if not isinstance(framing, StrobeFraming):
        release_frames = framing.release_frames
    tables, sequence_bits = _reading_tables(layout)
    has_space = layout.link.field_named("space") is not None
    space_mask = sum(1 << place for place in layout.bit_places("space")) if has_space else 0
    return Rules(
        shape=slot_shape(layout),
        is_strobe=isinstance(framing, StrobeFraming),
        is_held=isinstance(framing, StrobeFraming) and framing.span == "frame",
        is_watched=is_watched,
        is_steady=not (is_watched and _idle_misleads(layout, marker_mask)),
        is_corrected=correct_one_bit,
        confirm_frames=confirm_frames,
        release_frames=release_frames,
        frame_mask=np.uint64((1 << layout.frame_bits) - 1),
        marker_mask=np.uint64(marker_mask),
        marker_word=np.uint64(layout.idle_word & marker_mask),
        idle_counts=not isinstance(framing, StrobeFraming),
        space_mask=np.uint64(space_mask),
        # Masked with 0 no word equals 1: without the field no word is idle by it.
        space_idle=np.uint64(0 if has_space else 1),
        reading_tables=tables,
        syndrome_mask=np.uint64((1 << layout.syndrome_bits) - 1),
        sequence_shift=np.uint64(min(layout.syndrome_bits, 63)),
        sequence_mask=np.uint64((1 << sequence_bits) - 1),
        bit_syndromes=np.array(layout.syndrome_columns, np.uint64),
    )


def _reading_tables(layout: FrameLayout) -> tuple[UInt64Column, int]:
    """Return tables of the syndrome with the sequence number above it, and the number's bits."""
    tables = layout.syndrome_tables.copy()
    places: tuple[int, ...] = ()
    if layout.link.field_named("sequence") is not None:
        places = layout.bit_places("sequence")[: min(SEQUENCE_BITS_MAX, 64 - layout.syndrome_bits)]
    for number_bit, place in enumerate(places):
        byte, bit = divmod(place, 8)
        is_set = (np.arange(256) >> bit & 1).astype(bool)
        tables[byte, is_set] |= np.uint64(1 << layout.syndrome_bits + number_bit)
    return np.ascontiguousarray(tables.reshape(-1)), len(places)


def _idle_misleads(layout: FrameLayout, marker_mask: int) -> bool:
    """Return whether an idle link shows a marker where no frame begins."""
    idle = layout.idle_word << layout.frame_bits | layout.idle_word
    frame_mask = (1 << layout.frame_bits) - 1
    shifts = range(layout.lanes, layout.frame_bits, layout.lanes)
    windows = np.array([idle >> shift & frame_mask for shift in shifts], np.uint64)
    shows_marker = (windows ^ np.uint64(layout.idle_word)) & np.uint64(marker_mask) == 0
    return bool((layout.is_valid(windows) & shows_marker).any())


def _require_bits_told_apart(layout: FrameLayout) -> None:
    """Refuse to correct where two single-bit errors, or one and none, have the same syndrome."""
    link = layout.link
    seen: dict[int, int] = {}
    for bit, column in enumerate(layout.syndrome_columns):
        if column == 0:
            found = f"a check that does not cover bit {bit} of the frame of link {link.name}"
        elif column in seen:
            found = (
                f"a check to which bits {seen[column]} and {bit} of the frame of link {link.name} "
                "have the same syndrome"
            )
        else:
            seen[column] = bit
            continue
        raise DescriptionError(
            file=link.file or None,
            place="check",
            found=found,
            wanted="to correct a bit error each bit needs a syndrome of its own, so take a longer "
            "check field or leave correct_one_bit off",
        )
