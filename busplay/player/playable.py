"""What a player plays: a running program or a recorded trace, seen from outside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from busplay.display.display import Display


@dataclass(frozen=True, slots=True)
class Status:
    """What a status line shows of a playable.

    Attributes:
        cycle: processor cycles so far.
        clock_hz: processor cycles in a second of the board.
        frames: frames that reached the displays so far.
        frames_in_last_span: frames in the latest stretch run, of a second or less.
        slots_in_last_span: slots of the link in that stretch.
        errors: count of errors, all causes together.
        error_text: the errors as text; empty if none.
        state_text: why it stopped, such as `exit 0`; empty while it runs.
        leds: the board's LEDs: name, and whether it is lit.
    """

    cycle: int
    clock_hz: int
    frames: int
    frames_in_last_span: int
    slots_in_last_span: int
    errors: int = 0
    error_text: str = ""
    state_text: str = ""
    leds: tuple[tuple[str, bool], ...] = ()

    @property
    def link_use_permille(self) -> int:
        """Link use in that stretch, in thousandths, rounded to nearest."""
        if self.slots_in_last_span <= 0:
            return 0
        slots = self.slots_in_last_span
        return (2000 * self.frames_in_last_span + slots) // (2 * slots)


class Playable(Protocol):
    """A running program, or a trace in replay. Time is in processor cycles."""

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second of the board."""

    @property
    def cycle(self) -> int:
        """Cycles so far; the displays show what had arrived by then."""

    @property
    def ended(self) -> bool:
        """Whether it cannot go on: the program has ended or stopped, or the trace has ended."""

    @property
    def end_cycle(self) -> int | None:
        """Where it ends, if that is known."""

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units, by name, in the board's order."""

    @property
    def can_seek(self) -> bool:
        """Whether `seek` goes anywhere from the recording's beginning to `end_cycle`."""

    @property
    def hears_keys(self) -> bool:
        """Whether a program may read keys, so that the window leaves them to it."""

    def run(self, cycles: int) -> int:
        """Run CYCLES cycles and return the count run.

        It completes an instruction, so the count may be higher; at the end it is lower.
        """

    def seek(self, cycle: int) -> None:
        """Go to a cycle, backwards too."""

    def reset(self) -> None:
        """Go back to the beginning: the processor's reset, or the trace's first frame."""

    def press(self, code: int) -> None:
        """Press a key on the host port; ignored if no program runs."""

    def status(self) -> Status:
        """Return the present status."""
