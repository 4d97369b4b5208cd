"""Flipped bits of symbols as flipped bits of words, slot by slot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import FrameBatch, UInt64Column
from busplay.link.layout import FrameLayout

_ONE = np.uint64(1)
_TRUE = np.ones(1, np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class HitSlots:
    """Frames with the idle slots among them that are hit.

    Attributes:
        frames: the frames sent, and an idle frame for each idle slot that is hit.
        place: int64[hits]; which of `frames` are hit, rising.
        error: uint64[hits]; which bits of the word are flipped; 0 where the receiver's machine is
            to look.
        sent: int64[hits]; which of the frames sent each is, or -1 for idle.
    """

    frames: FrameBatch
    place: NDArray[np.int64]
    error: UInt64Column
    sent: NDArray[np.int64]


def hit_slots(
    layout: FrameLayout,
    frames: FrameBatch,
    hit_edge: NDArray[np.int64],
    hit_mask: NDArray[np.uint64],
) -> HitSlots:
    """Find the slots that are hit.

    Args:
        layout: of the link.
        frames: sent, in order.
        hit_edge, hit_mask: edges that are hit, in order, and the wires flipped on each.
    """
    slot = layout.slot_symbols
    if not len(hit_edge):
        nothing = np.empty(0, np.int64)
        return HitSlots(frames, nothing, np.empty(0, np.uint64), nothing)
    edge = frames.edge.view(np.int64)
    index = np.searchsorted(edge, hit_edge, side="right") - 1
    near = edge[np.maximum(index, 0)] if len(edge) else np.full(len(hit_edge), -slot)
    in_frame = (index >= 0) & (hit_edge - near < slot)
    if layout.strobe_mask:
        # Between frames the lanes rest, and only the strobe is looked at.
        looked_at = in_frame | ((hit_mask & np.uint64(layout.strobe_mask)) != 0)
        hit_edge, hit_mask, index = hit_edge[looked_at], hit_mask[looked_at], index[looked_at]
        near, in_frame = near[looked_at], in_frame[looked_at]
    start = np.where(in_frame, near, hit_edge - hit_edge % slot)
    error = _errors(layout, hit_edge - start, hit_mask)
    begins = np.flatnonzero(np.concatenate([_TRUE[: len(start)], start[1:] != start[:-1]]))
    if not len(begins):
        nothing = np.empty(0, np.int64)
        return HitSlots(frames, nothing, np.empty(0, np.uint64), nothing)
    error = np.bitwise_xor.reduceat(error, begins)
    for_machine = np.bitwise_or.reduceat(hit_mask, begins) & np.uint64(layout.strobe_mask) != 0
    start, in_frame = start[begins], in_frame[begins]
    sent = np.where(in_frame, index[begins], -1)
    place = np.searchsorted(edge, start)
    idle = np.flatnonzero(~in_frame)
    if len(idle):
        frames = FrameBatch(
            np.insert(frames.edge, place[idle], start[idle].astype(np.uint64)),
            np.insert(frames.word, place[idle], np.uint64(layout.idle_word)),
        )
        place = place + np.cumsum(~in_frame) - ~in_frame
    # Damage that makes a frame look idle is nothing that a check fails on.
    for_machine |= (frames.word[place] ^ error) == np.uint64(layout.idle_word)
    error[for_machine] = 0
    return HitSlots(frames, place, error, sent)


def _errors(
    layout: FrameLayout, symbol: NDArray[np.int64], mask: NDArray[np.uint64]
) -> UInt64Column:
    """Return which bits of the word each hit flips; none where it is past the frame's symbols."""
    lanes = np.arange(layout.lanes, dtype=np.uint64)
    order = lanes if layout.link.first_bit_lane == "lowest" else lanes[::-1]
    within = symbol < layout.frame_symbols
    first_bit = layout.frame_bits - 1 - np.where(within, symbol, 0) * layout.lanes
    place = first_bit.astype(np.uint64)[:, None] - order
    error: UInt64Column = np.bitwise_or.reduce((mask[:, None] >> lanes & _ONE) << place, axis=1)
    error[~within] = 0
    return error
