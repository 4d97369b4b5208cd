"""A frame in its capture: the times of its edges, each wire's margin, and what is in doubt."""

from __future__ import annotations

from typing import Unpack

import numpy as np

from busplay.batch import ChangeBatch
from busplay.capture.clock import Int64Column
from busplay.capture.lane_map import LaneMap
from busplay.capture.report import CaptureSampling, DecodeReport
from busplay.capture.sampling import SymbolSampler
from busplay.chain.report import CapturedFrame, CapturedWire
from busplay.conversion.capture_map import map_capture
from busplay.formats.capture import ReadOptions, open_capture
from busplay.link.layout import FrameLayout
from busplay.wording import counted

# Slots before and after a frame that are read with it, so that clock recovery settles.
AROUND_SLOTS = 40


def captured_frame(
    capture: str,
    layout: FrameLayout,
    sampling: CaptureSampling,
    word: int,
    time_ps: int,
    **reading: Unpack[ReadOptions],
) -> CapturedFrame | None:
    """Find a frame in its capture again; None: it is not found.

    Args:
        capture: the file.
        layout: of the link.
        sampling: how the capture was decoded.
        word: the frame, as the receiver delivered it.
        time_ps: approximate time of its first edge, in the capture's own time.
        reading: how to read the capture.

    Raises:
        InputError: the file cannot be read.
    """
    plan = sampling.plan
    around = AROUND_SLOTS * layout.slot_symbols * plan.period_ps
    part = reading.copy()
    part["from_ps"] = max(time_ps - around, reading.get("from_ps") or time_ps - around)
    part["to_ps"] = time_ps + around
    with open_capture(capture, **part) as opened:
        lane_map = map_capture(opened, layout.link, str(sampling.lane_map))
        batches = list(opened.batches())
    changes = ChangeBatch(
        np.concatenate([one.time_ps for one in batches]),
        np.concatenate([one.level for one in batches]),
        np.concatenate([one.unknown for one in batches]),
    )
    sampler = SymbolSampler(layout, lane_map, plan, sampling.offsets_ps)
    runs = [sampler.feed(changes), sampler.flush()]
    symbols = np.concatenate([run.symbols for run in runs])
    edges = np.concatenate([run.edge_ps for run in runs])
    first = _find_frame(layout, symbols, edges, word, time_ps)
    if first is None:
        return None
    here = edges[first : first + layout.frame_symbols]
    wires = [
        _wire(changes, symbols, here, first, number, lane_map, sampling)
        for number in range(len(lane_map.data))
    ]
    lanes = wires[: layout.lanes][::-1]
    return CapturedFrame(
        file=capture,
        clock=str(lane_map.clock),
        edges_ps=tuple(here.tolist()),
        period_ps=plan.period_ps,
        sample_ps=plan.resolution_ps or None,
        wires=(*lanes, *wires[layout.lanes :]),
    )


def _find_frame(
    layout: FrameLayout,
    symbols: np.ndarray[tuple[int], np.dtype[np.unsignedinteger]],
    edges: Int64Column,
    word: int,
    time_ps: int,
) -> int | None:
    """Return where a frame begins: the place nearest in time with its word."""
    count = layout.frame_symbols
    if len(symbols) < count:
        return None
    wanted = layout.to_symbols(np.array([word], np.uint64))[:count]
    windows = np.lib.stride_tricks.sliding_window_view(symbols, count)
    wrong = (windows != wanted).sum(axis=1)
    # A corrected frame differs from its word in one symbol.
    fitting = np.flatnonzero(wrong == 0)
    if not len(fitting):
        fitting = np.flatnonzero(wrong == 1)
    if not len(fitting):
        return None
    return int(fitting[np.argmin(np.abs(edges[fitting] - time_ps))])


def _wire(
    changes: ChangeBatch,
    symbols: np.ndarray[tuple[int], np.dtype[np.unsignedinteger]],
    edges: Int64Column,
    first: int,
    number: int,
    lane_map: LaneMap,
    sampling: CaptureSampling,
) -> CapturedWire:
    """Return one wire's levels and margins during a frame."""
    probe = lane_map.data[number]
    level = (changes.level >> np.uint64(probe.index)) & np.uint64(1)
    changed = changes.time_ps[1:][level[1:] != level[:-1]].astype(np.int64)
    moments = edges + sampling.offsets_ps[number]
    margins: list[int | None] = []
    for moment in moments.tolist():
        at = int(np.searchsorted(changed, moment))
        near = [abs(int(one) - moment) for one in changed[max(0, at - 1) : at + 1]]
        least = min(near, default=sampling.plan.period_ps + 1)
        margins.append(least if least <= sampling.plan.period_ps else None)
    here = symbols[first : first + len(edges)].tolist()
    return CapturedWire(
        wire="strobe" if number == len(lane_map.lanes) else f"lane{number}",
        signal=str(probe),
        sample_at_ps=sampling.offsets_ps[number],
        levels=tuple(symbol >> number & 1 for symbol in here),
        margins_ps=tuple(margins),
        margin_ps=min((one for one in margins if one is not None), default=None),
    )


def doubts_about(found: DecodeReport) -> list[str]:
    """Return why a capture may not show all that was stored, in sentences."""
    doubts = []
    if found.has_hardly_a_frame:
        doubts.append(
            "hardly a frame of the capture is valid: are the link and the map right?"
            " `busplay decode` says more"
        )
    elif found.frames_damaged:
        doubts.append(
            f"{counted(found.frames_damaged, 'frame')} of the capture"
            f" {'is' if found.frames_damaged == 1 else 'are'} damaged: a later store to the byte"
            " may be among them"
        )
    if found.cut_reason is not None:
        doubts.append(f"the capture is not complete: {found.cut_reason}")
    return doubts
