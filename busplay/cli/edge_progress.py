"""A progress bar along the time of a link, on a terminal only, once a second has passed."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

# What is done sooner needs no bar.
QUICK_S = 1.0


@contextmanager
def edge_progress(stop_edge: int, *, label: str) -> Iterator[Callable[[int], None]]:
    """Show how far along a link's time something is, and how long it takes yet.

    Args:
        stop_edge: where it ends.
        label: what is being done.

    Returns:
        what to call with the edge reached.
    """
    if not sys.stderr.isatty() or not stop_edge:
        yield lambda edge: None
        return
    with ExitStack() as stack:
        bar: ProgressBar[int] | None = None
        begun = time.monotonic()
        shown = 0

        def move(edge: int) -> None:
            nonlocal bar, shown
            if bar is None:
                if time.monotonic() - begun < QUICK_S:
                    return
                bar = stack.enter_context(
                    click.progressbar(length=stop_edge, label=label, file=sys.stderr, show_eta=True)
                )
            bar.update(min(edge, stop_edge) - shown)
            shown = min(edge, stop_edge)

        yield move
