"""A recording held against what arrived of it, for the window: its differences are its errors."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from busplay.analysis.compare.compare import compare
from busplay.analysis.compare.comparison import Difference
from busplay.analysis.compare.streams import Kind
from busplay.history.trace_inspector import ADDED, TraceInspector
from busplay.losses.losses import CAUSE_WORDS, Cause
from busplay.player.bounded import BoundedPlayable
from busplay.player.inspector import ErrorRow
from busplay.player.playable import Playable, Status
from busplay.program.labels import Labels
from busplay.program.places import PlaceNames
from busplay.trace.reader import TraceReader

# Rows of the list, and marks on the time line; one a pixel is drawn.
DIFFERENCES_SHOWN = 100_000


def differences_between(
    expected: TraceReader,
    actual: TraceReader,
    labels: Labels,
    *,
    progress: Callable[[int], object] = lambda done: None,
) -> tuple[ErrorRow, ...]:
    """Return where two traces differ, in order of time; of very many the first.

    The cause is what the recording of arrivals knows of a missing frame, else the kind of the
    difference.

    Args:
        expected, actual: open traces.
        labels: of the program.
        progress: called with the count of expected frames done.

    Raises:
        InputError: the traces are of different units or windows, or have no frame.
    """

    def report(done: int, _: int) -> None:
        progress(done)

    found = compare(expected, actual, list_most=DIFFERENCES_SHOWN, progress=report)
    known = dict(zip(*(column.tolist() for column in actual.losses()), strict=True))
    names = PlaceNames(expected.header.board, labels)

    def row(one: Difference) -> ErrorRow:
        frame = one.expected or one.actual
        assert frame is not None
        cause = ADDED if one.expected is None else one.kind.name.lower().replace("_", " ")
        if one.kind is Kind.MISSING and frame.edge in known:
            cause = CAUSE_WORDS[Cause(known[frame.edge])]
        return ErrorRow(
            edge=frame.edge,
            cycle=expected.header.cycles_at(frame.edge),
            cause=cause,
            address=frame.address,
            address_label=names.label(frame.address),
            data=frame.data,
        )

    return tuple(sorted(map(row, found.differences), key=lambda one: one.edge))


class HeldAgainst(BoundedPlayable):
    """A recording whose status counts its differences so far, too.

    Args:
        inner: the recording in replay.
        inspector: of it, with the differences.
    """

    def __init__(self, inner: Playable, inspector: TraceInspector) -> None:
        super().__init__(inner, stop_cycle=None)
        self._inspector = inspector
        self._counted = 0
        self._counts: Counter[str] = Counter()

    def status(self) -> Status:
        """Return the present status."""
        own, count = super().status(), self._inspector.differing_so_far()
        if count < self._counted:
            self._counted = 0
            self._counts.clear()
        self._counts.update(one.cause for one in self._inspector.differing[self._counted : count])
        self._counted = count
        texts = [own.error_text] if own.error_text else []
        texts += [f"{times:,} {cause}" for cause, times in self._counts.items()]
        return replace(own, errors=own.errors + count, error_text="; ".join(texts))
