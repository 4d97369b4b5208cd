"""Progress bars over the bytes of a capture or the time of a link, on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from busplay.formats.capture import Capture

# What is shorter than this is read in less than a second; text and packed bytes take longer.
LEAST_BYTES = 1 << 27
LEAST_SLOW_BYTES = 1 << 25
# So many are drawn in less than a second.
LEAST_EDGES = 1 << 21


@contextmanager
def capture_progress(
    capture: Capture, *, label: str, text: Callable[[], str] | None = None
) -> Iterator[Callable[[], None]]:
    """Show how far a capture has been read; gives what to call after each batch.

    Args:
        capture: whose bytes are counted.
        label: what is being done.
        text: more to show behind the bar, such as frames and errors so far.
    """
    info = capture.info
    is_slow = info.format != "raw" or bool(info.compression)
    least = LEAST_SLOW_BYTES if is_slow else LEAST_BYTES
    if not sys.stderr.isatty() or capture.bytes_total < least:
        yield lambda: None
        return
    shown = 0

    def show(_: int | None) -> str | None:
        return text() if text is not None else None

    with click.progressbar(
        length=capture.bytes_total,
        label=label,
        file=sys.stderr,
        show_eta=True,
        item_show_func=show,
    ) as bar:

        def move() -> None:
            nonlocal shown
            step = capture.bytes_read - shown
            shown += step
            bar.update(step, current_item=None)

        yield move


@contextmanager
def edge_progress(stop_edge: int, *, label: str) -> Iterator[Callable[[int], None]]:
    """Show how far along a link's time something is; gives what to call with the edge reached.

    Args:
        stop_edge: where it ends.
        label: what is being done.
    """
    if not sys.stderr.isatty() or stop_edge < LEAST_EDGES:
        yield lambda edge: None
        return
    shown = 0
    with click.progressbar(length=stop_edge, label=label, file=sys.stderr, show_eta=True) as bar:

        def move(edge: int) -> None:
            nonlocal shown
            bar.update(min(edge, stop_edge) - shown)
            shown = min(edge, stop_edge)

        yield move
