"""What controls do, as values; `Instrument.act` does them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busplay.player.inspector import RoutineFacts
from busplay.view.keys import Command


@dataclass(frozen=True, slots=True)
class Do:
    """A command that has keys too."""

    command: Command


@dataclass(frozen=True, slots=True)
class GoToFrame:
    """Show the moment at which a frame has just been shown."""

    frame: int


@dataclass(frozen=True, slots=True)
class GoToEdge:
    """Show the moment of a link edge."""

    edge: int


@dataclass(frozen=True, slots=True)
class GoToInstruction:
    """Show the moment at which an instruction begins, and the program there."""

    cycle: int


@dataclass(frozen=True, slots=True)
class ShowSymbols:
    """Go to a frame, and zoom the time line to its symbols."""

    frame: int
    edge: int


@dataclass(frozen=True, slots=True)
class ChooseRoutine:
    """Go to a routine's next call, and show what it writes over the screens."""

    routine: RoutineFacts


@dataclass(frozen=True, slots=True)
class ChooseTab:
    """Open a panel."""

    name: str


@dataclass(frozen=True, slots=True)
class ChooseStep:
    """Choose what the step keys step by."""

    name: str


@dataclass(frozen=True, slots=True)
class ChooseOverlay:
    """Choose what is shown over the screens."""

    name: str


@dataclass(frozen=True, slots=True)
class OpenMenu:
    """Open a menu, or close it."""

    name: Literal["step", "overlay", "all"]


@dataclass(frozen=True, slots=True)
class DragTime:
    """The mouse is pressed on the time line."""


@dataclass(frozen=True, slots=True)
class DragSplitter:
    """The mouse is pressed on the line between two panels."""

    name: Literal["side", "below"]


@dataclass(frozen=True, slots=True)
class Scroll:
    """The mouse is on a list."""

    tab: str


@dataclass(frozen=True, slots=True)
class StartTyping:
    """Type into a line."""

    what: Literal["search", "note", "breakpoint"]


@dataclass(frozen=True, slots=True)
class RunTo:
    """Set a breakpoint, and run to it."""

    text: str


@dataclass(frozen=True, slots=True)
class Unpin:
    """Forget the pixel that was pinned."""


Action = (
    Do
    | GoToFrame
    | GoToEdge
    | GoToInstruction
    | ShowSymbols
    | RunTo
    | ChooseRoutine
    | ChooseTab
    | ChooseStep
    | ChooseOverlay
    | OpenMenu
    | DragTime
    | DragSplitter
    | Scroll
    | StartTyping
    | Unpin
)
