"""Progress bars.

On a terminal only, and only once a second has passed: what is done sooner needs no bar.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

    from busplay.formats.capture import Capture

QUICK_S = 1.0
# The bar is redrawn at most this often.
REDRAW_S = 0.1
# So that bar and figures fit into 80 columns.
BAR_CHARACTERS = 12
ENDLESS = 1 << 62
# Parts of a whole whose size is known only once work is under way.
SHARES = 1_000


@contextmanager
def capture_progress(
    capture: Capture, *, label: str, text: Callable[[], str] | None = None
) -> Iterator[Callable[[], None]]:
    """Show how far a capture has been read and the time left; call it after each batch.

    Args:
        capture: whose bytes are counted.
        label: what is being done.
        text: more to show behind the bar, such as frames and errors so far.
    """

    def told() -> str:
        size = f"{_megabytes(capture.bytes_read)} of {_megabytes(capture.bytes_total)} MB"
        return f"{size}, {text()}" if text is not None else size

    with late_bar(capture.bytes_total, label=label, text=told) as move_to:
        yield lambda: move_to(capture.bytes_read)


@contextmanager
def shares_bar(*, label: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar once a second has passed; yields what to call with (done, total).

    Args:
        label: what is being done.
    """
    with late_bar(SHARES, label=label) as move_to:
        yield lambda done, total: move_to(done * SHARES // max(1, total))


@contextmanager
def steps_bar() -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar for each step of a work; yields what to call with (step, done, total)."""
    with ExitStack() as stack:
        shown = ""
        move: Callable[[int, int], None] = lambda done, total: None  # noqa: E731

        def move_on(step: str, done: int, total: int) -> None:
            nonlocal shown, move
            if step != shown:
                stack.close()
                shown, move = step, stack.enter_context(shares_bar(label=step))
            move(done, total)

        yield move_on


@contextmanager
def late_bar(
    length: int | None, *, label: str, text: Callable[[], str] | None = None
) -> Iterator[Callable[[int], None]]:
    """Show a bar once a second has passed; yields what to call with the place reached.

    Args:
        length: where it ends; None: not known, so only the text is shown.
        label: what is being done.
        text: more to show behind the bar.
    """
    if not sys.stderr.isatty():
        yield lambda place: None
        return
    with ExitStack() as stack:
        bar: ProgressBar[int] | None = None
        drawn = begun = time.monotonic()
        shown = 0

        def move_to(place: int) -> None:
            nonlocal bar, drawn, shown
            now = time.monotonic()
            if now - begun < QUICK_S or now - drawn < REDRAW_S:
                return
            drawn = now
            if bar is None:
                new_bar: ProgressBar[int] = click.progressbar(
                    length=ENDLESS if length is None else max(1, length),
                    label=label,
                    file=sys.stderr,
                    bar_template="%(label)s  [%(bar)s]  %(info)s"
                    if length is not None
                    else "%(label)s  %(info)s",
                    show_eta=length is not None,
                    show_percent=length is not None,
                    item_show_func=None if text is None else lambda _: text(),
                    width=BAR_CHARACTERS,
                )
                bar = stack.enter_context(new_bar)
                # The estimate is of the whole time, not of that since the bar came.
                bar.start = bar.last_eta = time.time() - (now - begun)
            step = max(0, (place if length is None else min(place, length)) - shown)
            shown += step
            bar.update(step)

        yield move_to


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.1f}" if size < 10**7 else f"{size / 1e6:,.0f}"
