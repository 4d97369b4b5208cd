"""What a player plays: a running program or a recorded trace, seen from outside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from busplay.display.display import Display


@dataclass(frozen=True, slots=True)
class Status:
    """What a status line shows of a playable, at one moment.

    Attributes:
        cycle: processor cycles so far.
        clock_hz: processor cycles in a second of the board.
        frames: frames that reached the displays so far.
        frames_in_last_span: frames in the latest stretch that was run, of about a second or
            less.
        slots_in_last_span: slots that the link had in that stretch; the two give its use.
        errors: everything that went wrong on the way, all causes together.
        error_text: which, for people; empty if none.
        state_text: why it stopped, such as `exit 0`; empty as long as it goes on.
    """

    cycle: int
    clock_hz: int
    frames: int
    frames_in_last_span: int
    slots_in_last_span: int
    errors: int = 0
    error_text: str = ""
    state_text: str = ""

    @property
    def link_use_permille(self) -> int:
        """Slots of the last stretch that carried a frame, in thousandths, rounded to nearest."""
        if self.slots_in_last_span <= 0:
            return 0
        slots = self.slots_in_last_span
        return (2000 * self.frames_in_last_span + slots) // (2 * slots)


class Playable(Protocol):
    """A program that runs, or a trace that is replayed. Time is in processor cycles."""

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second of the board."""

    @property
    def cycle(self) -> int:
        """Cycles so far; the displays show what had arrived by then."""

    @property
    def ended(self) -> bool:
        """It cannot go on from here: the program has ended or stopped, or the trace is over."""

    @property
    def end_cycle(self) -> int | None:
        """Where it ends, if that is known."""

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units, by name, in the board's order."""

    @property
    def can_seek(self) -> bool:
        """`seek` goes anywhere between 0 and `end_cycle`, and keys reach no program."""

    def run(self, cycles: int) -> int:
        """Go on for that many cycles and return how many it was.

        An instruction is finished, so it may be some more; it is less at the end.
        """

    def seek(self, cycle: int) -> None:
        """Go to a cycle, backwards too."""

    def reset(self) -> None:
        """Go back to the beginning: the processor's reset, or the trace's first frame."""

    def press(self, code: int) -> None:
        """Hand a key code to the host port; nothing happens where no program reads it."""

    def status(self) -> Status:
        """Return how things are."""
