"""A look at a capture before it is decoded: the most informative stretch, and the clock in it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Literal, Protocol

import numpy as np

from busplay.batch import CaptureInfo, ChangeBatch
from busplay.capture.clock import Int64Column
from busplay.capture.lane_map import LaneMap
from busplay.capture.survey import ClockSurvey, moves_by_signal, survey_clock
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.units import PS_PER_S

# How much is looked at before decoding begins: changes, and how many of them should be the
# clock's and how many of other wires; how far to read on for such a stretch.
LOOK_CHANGES = 150_000
LOOK_EDGES = 256
LOOK_MOVES = 4_000
LOOK_SEARCH = 3_000_000
LOOK_CHANGES_MAX = 40_000_000

ClockRecovery = Literal["auto", "steady", "seen"]


class ChangeSource(Protocol):
    """What is decoded; `busplay.formats.capture.Capture` is one."""

    signals: tuple[str, ...]

    @property
    def info(self) -> CaptureInfo:
        """What is known of the capture."""

    def batches(self) -> Iterator[ChangeBatch]:
        """Return the changes from the start."""


@dataclass(frozen=True, slots=True)
class DecodeSettings:
    """What the user sets instead of leaving it to the data.

    Attributes:
        sample_at_ps: when all lanes are read, from the clock's edge.
        glitch_filter_ps: levels that are shorter count as glitches, and not on the clock.
        clock_recovery: take edges where an even clock must have them (`steady`), where the
            samples show them (`seen`), or whichever suits the capture (`auto`).
        correct: let the receiver correct one bit error in a frame.
    """

    sample_at_ps: int | None = None
    glitch_filter_ps: int | None = None
    clock_recovery: ClockRecovery = "auto"
    correct: bool = False


def look_ahead(
    source: ChangeSource, lane_map: LaneMap | None = None
) -> tuple[ChangeBatch, Iterator[ChangeBatch]]:
    """Read on until a capture shows something; return that stretch, and the whole from its start.

    A link may be silent for a long time before the first frame, and a clock may start late, so
    the stretch is the first in which the clock and other wires move, or else the liveliest.

    Args:
        source: the capture.
        lane_map: the wires that count; None: not known, so all, and the clock is what moves most.

    Raises:
        InputError: the capture is damaged there.
    """
    batches = iter(source.batches())
    window: deque[tuple[ChangeBatch, Int64Column]] = deque()
    rows = read = 0
    moves = np.zeros(64, np.int64)
    is_whole = True
    found_at: int | None = None
    best: list[ChangeBatch] = []
    most = -1.0
    level: np.uint64 | None = None
    # Signals that have nothing to do with the link may move from the start.
    enough = LOOK_CHANGES if lane_map is not None else LOOK_SEARCH
    counted = np.ones(64, np.int64)
    if lane_map is not None:
        counted[:] = 0
        counted[[probe.index for probe in lane_map.wires.values()]] = 1
    for batch in batches:
        if not len(batch):
            continue
        moved = moves_by_signal(batch, level) * counted
        level = batch.level[-1]
        window.append((batch, moved))
        read += len(batch)
        rows += len(batch)
        moves += moved
        liveliness = float(np.log2(1 + moves).sum())
        if liveliness > most:
            best, most = [batch for batch, _ in window], liveliness
        edges = int(moves.max() if lane_map is None else moves[lane_map.clock.index])
        if found_at is None and edges >= LOOK_EDGES and moves.sum() - edges >= LOOK_MOVES:
            found_at = 0 if is_whole else read
        if found_at is not None and read >= max(enough, found_at + LOOK_CHANGES // 2):
            break
        if read >= LOOK_CHANGES_MAX:
            break
        while rows - len(window[0][0]) >= LOOK_CHANGES:
            old, old_moves = window.popleft()
            rows, moves = rows - len(old), moves - old_moves
            is_whole = False
    look = _lively(_concatenated(best), lane_map)
    if is_whole:
        return look, chain([batch for batch, _ in window], batches)
    return look, iter(source.batches())


def _lively(look: ChangeBatch, lane_map: LaneMap | None) -> ChangeBatch:
    """Take no more than LOOK_CHANGES rows, from shortly before clock and other wires move."""
    if len(look) <= 2 * LOOK_CHANGES:
        return look
    moved = look.level[1:] ^ look.level[:-1]
    if lane_map is None:
        clock, others = int(np.argmax(moves_by_signal(look))), ~0 & (1 << 64) - 1
    else:
        clock, others = lane_map.clock.index, sum(1 << probe.index for probe in lane_map.data)
    begun = 0
    for mask in (1 << clock, others & ~(1 << clock)):
        rows = np.flatnonzero(moved & np.uint64(mask))
        begun = max(begun, int(rows[0]) if len(rows) else 0)
    first = max(0, begun - 4 * LOOK_EDGES)
    return look[first : first + LOOK_CHANGES]


def survey_or_refuse(
    look: ChangeBatch,
    link: Link,
    lane_map: LaneMap,
    *,
    source: ChangeSource,
    settings: DecodeSettings,
) -> ClockSurvey:
    """Look at the clock, or say why it is none.

    Raises:
        InputError: it has too few edges.
    """
    survey = survey_clock(
        look,
        lane_map.clock,
        edges=link.edges,
        sample_ps=sample_ps_of(source.info),
        glitch_filter_ps=settings.glitch_filter_ps,
        clock_recovery=settings.clock_recovery,
    )
    if survey is not None:
        return survey
    bit = (look.level >> np.uint64(lane_map.clock.index)) & np.uint64(1)
    count = int(np.count_nonzero(bit[1:] != bit[:-1])) if len(bit) else 0
    raise InputError(
        file=source.info.file,
        place=f"signal {lane_map.clock.signal}",
        found=f"{count} changes in the first {max(0, len(look) - 1):,} of the capture",
        wanted="that is no clock; name another (--map clock=SIGNAL), or let --find-map try",
    )


def sample_ps_of(info: CaptureInfo) -> int | None:
    """Return the analyser's sample period, if the capture states it."""
    return None if info.sample_rate_hz is None else PS_PER_S // info.sample_rate_hz


def _concatenated(batches: list[ChangeBatch]) -> ChangeBatch:
    if len(batches) == 1:
        return batches[0]
    if not batches:
        return ChangeBatch.empty()
    return ChangeBatch(
        np.concatenate([one.time_ps for one in batches]),
        np.concatenate([one.level for one in batches]),
        np.concatenate([one.unknown for one in batches]),
    )
