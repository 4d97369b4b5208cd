"""A trace played once for its report: its accounts, its flashes, and when its screens change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.flash_watch import FlashWatch, refreshes_of
from busplay.analysis.flashes import FlashReport
from busplay.display.arrangement import IndexedPicture, compose
from busplay.losses.losses import Losses
from busplay.pipeline.pipeline import PipelineCounters
from busplay.run.replay import Replay

# A picture of which no more changes in a refresh is drawn.
SETTLED_RATIO = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class PlayedTrace:
    """What a trace does when it is played.

    Attributes:
        counters: of all of it.
        losses: every store that was not received as sent, in order.
        flashes: in its pictures.
        changed_px: int64[refreshes]; pixels that changed since the refresh before.
        pixels: of a picture.
        loss_cycles: int64[losses]; processor cycle by which each was sent.
    """

    counters: PipelineCounters
    losses: Losses
    flashes: FlashReport
    changed_px: NDArray[np.int64]
    pixels: int
    loss_cycles: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class ScreenMoment:
    """A moment that matters.

    Attributes:
        titles: why it does, as sentences.
        cycle: processor cycle.
        image: uint8[rows, columns, 3]; all units.
    """

    titles: tuple[str, ...]
    cycle: int
    image: NDArray[np.uint8]


def play_through(
    replay: Replay, *, screen_px: tuple[int, int], progress: Callable[[int, int], None]
) -> PlayedTrace:
    """Play a trace from its beginning to its end.

    Args:
        replay: at its beginning.
        screen_px: size of the screen on which flashes are looked at.
        progress: called with refreshes done, and of how many.

    Raises:
        InputError: the trace is damaged.
    """
    rate_hz, clock_hz = replay.board.refresh_hz, replay.clock_hz
    refreshes = refreshes_of(replay.board, first_cycle=0, stop_cycle=replay.end_cycle)
    parts: list[Losses] = []
    replay.pipeline.watch_losses(parts.append)
    watch = FlashWatch(replay.displays.values(), rate_hz=rate_hz, screen_px=screen_px)
    changed = np.zeros(len(refreshes), np.int64)
    before: IndexedPicture | None = None
    for refresh in refreshes:
        replay.run(min(refresh * clock_hz // rate_hz, replay.end_cycle) - replay.cycle)
        picture = watch.look()
        if picture is not None:
            changed[refresh] = 0 if before is None else _pixels_changed(before, picture)
            before = picture
        progress(refresh + 1, len(refreshes))
    losses = Losses.joined(parts)
    order = np.argsort(losses.edge, kind="stable")
    header = replay.reader.header
    return PlayedTrace(
        counters=replay.pipeline.counters(),
        losses=Losses(*(getattr(losses, name)[order] for name in Losses.__slots__)),
        flashes=watch.report(),
        changed_px=changed,
        pixels=0 if before is None else before.indices.size,
        loss_cycles=np.array([header.cycles_at(e) for e in losses.edge[order].tolist()], np.int64),
    )


def _pixels_changed(before: IndexedPicture, now: IndexedPicture) -> int:
    if np.array_equal(before.palette, now.palette):
        return int(np.count_nonzero(before.indices != now.indices))
    return int(np.count_nonzero((before.image() != now.image()).any(axis=2)))


def find_moments(replay: Replay, played: PlayedTrace) -> list[ScreenMoment]:
    """Return the screens at the moments that matter, in order.

    They are the first picture, which is the first that hardly changes any more (while it is drawn
    there is half a picture to see), the one that changed most, those at the first and at the most
    errors, and the end.

    Args:
        replay: of the trace; it is moved.
        played: what was found in it.
    """
    rate_hz, clock_hz, end = replay.board.refresh_hz, replay.clock_hz, replay.end_cycle
    wanted: dict[int, list[str]] = {}

    def add(refresh: int, title: str) -> None:
        wanted.setdefault(min(refresh * clock_hz // rate_hz, end), []).append(title)

    drawn = np.flatnonzero(played.changed_px)
    if len(drawn):
        settled = np.flatnonzero(played.changed_px[drawn[0] :] <= SETTLED_RATIO * played.pixels)
        add(int(drawn[0] + (settled[0] if len(settled) else 0)), "first picture")
        most = int(played.changed_px.argmax())
        count = int(played.changed_px[most])
        add(most, f"most changed: {count:,} pixels since the refresh before")
    if len(played.loss_cycles):
        refreshes = -(-played.loss_cycles * rate_hz // clock_hz)
        add(int(refreshes[0]), "first store lost or damaged")
        counts = np.bincount(refreshes)
        worst = int(counts.argmax())
        if counts[worst] > 1:
            add(worst, f"most errors: {int(counts[worst]):,} since the refresh before")
    wanted.setdefault(end, []).append("end")
    moments = []
    for cycle in sorted(wanted):
        replay.seek(cycle)
        image = compose(replay.displays.values())
        moments.append(ScreenMoment(tuple(wanted[cycle]), cycle, image))
    return moments
