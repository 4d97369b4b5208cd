"""What the machine must know of a link, as flat arrays: worked out once from a layout."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplay.batch import SymbolColumn, UInt64Column
from busplay.description.link import CheckFraming, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.receiver import machine

# A wider sequence field is compared by its lowest bits: a gap of 2 ** 32 frames is beyond use.
SEQUENCE_BITS_MAX = 32


class MachineGeometry(NamedTuple):
    """A link's description in the form that `machine.receive` takes, in its order.

    Attributes:
        geometry: int64[machine.GEOMETRY_COUNT].
        masks: uint64[machine.MASKS_COUNT].
        tables: uint64[8 * 256]; syndrome of each byte of a word.
        columns: uint64[frame_bits]; syndrome of each wrong bit, the first on the wire first.
        reversed_bytes: uint64[2 * 256]; a symbol's low and high byte with all lanes reversed.
        sequence_runs: uint64[3 * runs]; the sequence field as (shift in value, in word, mask).
        idle: symbols[2 * slot_symbols]; the idle slot, twice.
    """

    geometry: NDArray[np.int64]
    masks: UInt64Column
    tables: UInt64Column
    columns: UInt64Column
    reversed_bytes: UInt64Column
    sequence_runs: UInt64Column
    idle: SymbolColumn


def field_runs(places: tuple[int, ...]) -> UInt64Column:
    """Return uint64[3 * runs]: a field as stretches of bits that keep their order in the word.

    Args:
        places: where each bit of the field, lowest first, stands in the word.

    Returns:
        For each run its shift in the value, its shift in the word, and its mask.
    """
    runs: list[list[int]] = []
    for value_bit, place in enumerate(places):
        if runs and place == runs[-1][1] + (value_bit - runs[-1][0]):
            runs[-1][2] = runs[-1][2] << 1 | 1
        else:
            runs.append([value_bit, place, 1])
    return np.array([part for run in runs for part in run], np.uint64)


def machine_geometry(layout: FrameLayout, *, correct_one_bit: bool) -> MachineGeometry:
    """Flatten a layout for the machine.

    Raises:
        DescriptionError: one wrong bit is to be mended, and the link's check cannot tell
            which bit it was.
    """
    framing = layout.link.framing
    if correct_one_bit:
        _require_bits_told_apart(layout)
    geometry = np.zeros(machine.GEOMETRY_COUNT, np.int64)
    masks = np.zeros(machine.MASKS_COUNT, np.uint64)
    geometry[machine.LANES] = layout.lanes
    geometry[machine.FRAME_SYMBOLS] = layout.frame_symbols
    geometry[machine.SLOT_SYMBOLS] = layout.slot_symbols
    geometry[machine.IS_REVERSED] = layout.link.first_bit_lane == "lowest" and layout.lanes > 1
    geometry[machine.IS_CORRECTED] = correct_one_bit
    geometry[machine.WORD_BYTES] = -(-layout.frame_bits // 8) if layout.syndrome_bits else 0
    masks[machine.FRAME_MASK] = (1 << layout.frame_bits) - 1
    masks[machine.LANE_MASK] = (1 << layout.lanes) - 1
    masks[machine.IDLE_WORD] = layout.idle_word
    if isinstance(framing, StrobeFraming):
        geometry[machine.IS_STROBE] = 1
        geometry[machine.IS_HELD] = framing.span == "frame"
        masks[machine.STROBE_MASK] = layout.strobe_mask
        masks[machine.STROBE_REST] = 0 if framing.active == "high" else layout.strobe_mask
    else:
        geometry[machine.RELEASE_FRAMES] = framing.release_frames
        masks[machine.IDLE_COMPARED] = ~np.uint64(0)
    if isinstance(framing, CheckFraming):
        geometry[machine.CONFIRM_FRAMES] = framing.confirm_frames
    if isinstance(framing, MarkerFraming):
        marker_bits = len(framing.symbols) * layout.lanes
        marker_mask = ((1 << marker_bits) - 1) << (layout.frame_bits - marker_bits)
        masks[machine.MARKER_MASK] = marker_mask
        masks[machine.MARKER_WORD] = layout.idle_word & marker_mask
        if framing.rule == "unique":
            geometry[machine.IS_WATCHED] = 1
        else:
            geometry[machine.CONFIRM_FRAMES] = framing.confirm_frames
    geometry[machine.IS_STEADY] = not (
        geometry[machine.IS_WATCHED] and _idle_misleads(layout, masks)
    )
    masks[machine.SPACE_COMPARED] = 1
    if layout.link.field_named("space") is not None:
        masks[machine.SPACE_COMPARED] = 0
        for place in layout.bit_places("space"):
            masks[machine.SPACE_MASK] |= np.uint64(1 << place)
    sequence_runs = np.zeros(0, np.uint64)
    if layout.link.field_named("sequence") is not None:
        places = layout.bit_places("sequence")[:SEQUENCE_BITS_MAX]
        sequence_runs = field_runs(places)
        geometry[machine.SEQUENCE_BITS] = len(places)
        geometry[machine.SEQUENCE_RUNS] = len(sequence_runs) // 3
    return MachineGeometry(
        geometry,
        masks,
        np.ascontiguousarray(layout.syndrome_tables.reshape(-1)),
        np.array(layout.syndrome_columns, np.uint64),
        _reversed_bytes(layout.lanes),
        sequence_runs,
        np.tile(layout.idle_symbols, 2),
    )


def _idle_misleads(layout: FrameLayout, masks: UInt64Column) -> bool:
    """Tell whether an idle link looks as if a frame began where none does."""
    idle = layout.idle_word << layout.frame_bits | layout.idle_word
    frame_mask = (1 << layout.frame_bits) - 1
    shifts = range(layout.lanes, layout.frame_bits, layout.lanes)
    windows = np.array([idle >> shift & frame_mask for shift in shifts], np.uint64)
    shows_marker = windows & masks[machine.MARKER_MASK] == masks[machine.MARKER_WORD]
    return bool((layout.is_right(windows) & shows_marker).any())


def _reversed_bytes(lanes: int) -> UInt64Column:
    """Return what each value of a symbol's low byte, then of its high byte, becomes reversed."""
    tables = np.zeros(512, np.uint64)
    for byte in range(2):
        for bit in range(8):
            lane = 8 * byte + bit
            if lane < lanes:
                has_bit = (np.arange(256) >> bit & 1).astype(bool)
                tables[256 * byte : 256 * byte + 256][has_bit] |= np.uint64(1 << lanes - 1 - lane)
    return tables


def _require_bits_told_apart(layout: FrameLayout) -> None:
    """Refuse to mend where two wrong bits, or a wrong and no wrong bit, look alike."""
    link = layout.link
    seen: dict[int, int] = {}
    for bit, column in enumerate(layout.syndrome_columns):
        if column == 0:
            found = f"a check that does not see bit {bit} of the frame of link {link.name}"
        elif column in seen:
            found = (
                f"a check to which bits {seen[column]} and {bit} of the frame of link {link.name} "
                "look alike"
            )
        else:
            seen[column] = bit
            continue
        raise DescriptionError(
            file=link.file or None,
            place="check",
            found=found,
            wanted="to mend one wrong bit each must change the check in its own way, so take a "
            "longer check field or leave correct_one_bit off",
        )
