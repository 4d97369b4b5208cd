"""What the instrument shows at present, apart from what plays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Literal

from busplay.display.display import Display
from busplay.player.inspector import RoutineFacts
from busplay.view.widgets.search_line import Typing
from busplay.view.widgets.time_line import TimeView


class Tab(Enum):
    """The panels beside the screens, by their names."""

    FRAMES = "frames"
    PIXEL = "pixel"
    ERRORS = "errors"
    PROGRAM = "program"
    ROUTINES = "routines"
    RECEIVER = "receiver"


class Step(Enum):
    """What the step keys step by, by name."""

    REFRESH = "refresh"
    SLOT = "slot"
    STORE = "store"
    INSTRUCTION = "instruction"
    BREAKPOINT = "breakpoint"
    ERROR = "error"
    PIXEL_WRITE = "pixel write"


class Overlay(Enum):
    """What is shown over the screens, by name."""

    NONE = "none"
    AGE = "age of the last write"
    COUNT = "how often written"
    UNCHANGED = "writes that changed nothing"
    LOST = "lost or damaged writes"
    ROUTINE = "writes of the routine"
    DIFFERENCE = "difference"


@dataclass(frozen=True, slots=True)
class Pixel:
    """A pixel of a unit."""

    unit: str
    x: int
    y: int


@dataclass(slots=True)
class Kept:
    """What is kept from one start to the next.

    Attributes:
        is_open: the instrument is shown, not the screens alone.
        tab: the panel that is open.
        side_permille, below_permille: shares of the panels.
        width_px, height_px: of the window; 0: as the units need.
    """

    is_open: bool = True
    tab: Tab = Tab.FRAMES
    side_permille: int = 320
    below_permille: int = 235
    width_px: int = 0
    height_px: int = 0


@dataclass(slots=True)
class InstrumentState:
    """What is chosen, hovered and typed.

    Attributes:
        kept: what outlives the window.
        view: the stretch of the recording on the time line; None before the first picture.
        step: what the step keys step by.
        overlay: what is shown over the screens.
        mouse: where it is, or None.
        pixel: under the mouse, or None.
        pinned: the pixel that was clicked, or None.
        first_rows: uppermost row of each list; None: it follows the present.
        chosen_rows: the row of each list that the keyboard has chosen.
        typing: the line that is typed into, or None.
        typing_for: what for.
        searched: what was searched for last.
        breakpoint: as it was typed; empty: there is none.
        routine: the one whose writes are shown, or None.
        menu: which is open, or None.
        menu_row: the choice that the keyboard has chosen.
    """

    kept: Kept = field(default_factory=Kept)
    view: TimeView | None = None
    step: Step = Step.REFRESH
    overlay: Overlay = Overlay.NONE
    mouse: tuple[int, int] | None = None
    pixel: Pixel | None = None
    pinned: Pixel | None = None
    first_rows: dict[Tab, int | None] = field(default_factory=dict)
    chosen_rows: dict[Tab, int | None] = field(default_factory=dict)
    typing: Typing | None = None
    typing_for: Literal["search", "note", "breakpoint"] = "search"
    searched: Typing = field(default_factory=Typing)
    breakpoint: str = ""
    routine: RoutineFacts | None = None
    menu: Literal["step", "overlay", "all"] | None = None
    menu_row: int = 0

    def for_another(self, displays: Mapping[str, Display]) -> InstrumentState:
        """Return the state for another recording: what is chosen, not where one was in it."""
        pinned = self.pinned
        if pinned is not None:
            unit = displays[pinned.unit].unit if pinned.unit in displays else None
            if unit is None or pinned.x >= unit.width_px or pinned.y >= unit.height_px:
                pinned = None
        overlay = Overlay.NONE if self.overlay is Overlay.ROUTINE else self.overlay
        return InstrumentState(
            self.kept,
            step=self.step,
            overlay=overlay,
            mouse=self.mouse,
            pinned=pinned,
            searched=replace(self.searched, answer=""),
            breakpoint=self.breakpoint,
        )
