"""The row of buttons above the screens."""

from __future__ import annotations

from dataclasses import dataclass, replace

from busplay.view import theme
from busplay.view.instrument.actions import ChooseOverlay, ChooseStep, Do, OpenMenu, StartTyping
from busplay.view.instrument.state import Overlay, Step
from busplay.view.keys import TIME_COMMANDS, Command, keys_of
from busplay.view.widgets.box import Box
from busplay.view.widgets.button import Button, Icon, button_width, draw_buttons
from busplay.view.widgets.drawing import Drawing, Fill, Look
from busplay.view.widgets.menu import Choice
from busplay.view.widgets.search_line import Typing, draw_search_line

NARROW_EM = 26
"""A row narrower than so many letters' heights has buttons to play and step, and no others."""


SEARCH_LEAST_EM, SEARCH_EM = 6, 22
"""The least width of the search line, and the width that it has where there is room."""


@dataclass(frozen=True, slots=True)
class Tools:
    """What the buttons show.

    Attributes:
        playing, is_back: it plays; backwards.
        can_seek: there is something to go back to.
        speed: as text.
        step: what the step keys step by.
        overlay: what is shown over the screens.
        typing: the line that is typed into.
        is_typing: it is being typed into.
        hears_keys: a program reads keys.
    """

    playing: bool
    is_back: bool
    can_seek: bool
    speed: str
    step: Step
    overlay: Overlay
    typing: Typing
    is_typing: bool
    hears_keys: bool


def draw_tools(tools: Tools, box: Box, look: Look, hovered: object) -> Drawing:
    """Return the buttons; those at the end are left out first where there is no room."""
    drawing = Drawing([Fill(box, theme.BAR)])
    row, end = _rows(tools, box, look)
    place = search_box(tools, box, look)
    if place is not None:
        row = Box(row.left, row.top, place.left - row.left, row.height)
        drawing.add(
            draw_search_line(
                tools.typing,
                place.inset(look.sizes.pad_px // 2, 0),
                look,
                active=tools.is_typing,
                action=StartTyping("search"),
                keys=keys_of(Command.SEARCH, hears_keys=tools.hears_keys),
            )
        )
    drawing.add(draw_buttons(_first_buttons(tools, row.width, look), row, look, hovered))
    drawing.add(draw_buttons(list(_last_buttons(tools, box, look)), end, look, hovered))
    return drawing


def search_box(tools: Tools, box: Box, look: Look) -> Box | None:
    """Return where the search line stands in a row of buttons; None: there is no room for it."""
    row, _ = _rows(tools, box, look)
    used = _width(_first_buttons(tools, row.width, look), look)
    width = row.width - used - look.sizes.pad_px
    if not box.height or width < SEARCH_LEAST_EM * look.sizes.text_px:
        return None
    return row.cut_right(min(width, SEARCH_EM * look.sizes.text_px))[1]


def _rows(tools: Tools, box: Box, look: Look) -> tuple[Box, Box]:
    """Return the room of the first buttons with the search line, and that of the last ones."""
    pad = look.sizes.pad_px
    row = Box(box.left + pad // 2, box.top + pad // 2, box.width - pad, look.row_px)
    last_px = sum(button_width(one, look) + pad for one in _last_buttons(tools, box, look))
    return row.cut_right(min(last_px, row.width // 2))


def _last_buttons(tools: Tools, box: Box, look: Look) -> list[Button]:
    if box.width < NARROW_EM * look.sizes.text_px:
        # The status line has F1 still, and F12 stands there.
        return []
    keys = keys_of(Command.MENU, hears_keys=tools.hears_keys)
    return [
        Button(OpenMenu("all"), label="menu", keys=keys, tip="all else"),
        _button(tools, Command.INSTRUMENT, label="screens", tip="the screens alone"),
        _button(tools, Command.HELP, label="help", tip="all keys"),
    ]


def _first_buttons(tools: Tools, width_px: int, look: Look) -> list[Button | None]:
    full = _playing(tools)
    # The keys of these are those that everybody tries.
    ends = (Do(Command.TO_BEGIN), Do(Command.TO_END))
    fewer = [_without_keys(one) if one is not None and one.action in ends else one for one in full]
    search_px = SEARCH_LEAST_EM * look.sizes.text_px + look.sizes.pad_px
    for buttons, wanted_px in ((full, search_px), (fewer, search_px), (full, 0), (fewer, 0)):
        if _width(buttons, look) + wanted_px <= width_px:
            return buttons
    # Rather all buttons without their keys than some of them with.
    return [None if one is None else _without_keys(one) for one in full]


def _width(buttons: list[Button | None], look: Look) -> int:
    pad = look.sizes.pad_px
    return sum(pad if one is None else button_width(one, look) + pad // 2 for one in buttons)


def _without_keys(button: Button) -> Button:
    tip = f"{button.tip}  ({button.keys})" if button.keys else button.tip
    label = button.label if button.icon is Icon.NONE else ""
    return replace(button, keys="", widest="", label=label, tip=tip)


def _button(
    tools: Tools,
    command: Command,
    *,
    icon: Icon = Icon.NONE,
    label: str = "",
    tip: str = "",
    active: bool = False,
    enabled: bool = True,
    widest: str = "",
) -> Button:
    keys = keys_of(command, hears_keys=tools.hears_keys)
    return Button(Do(command), icon, label, keys, tip, active, enabled, widest)


def _playing(tools: Tools) -> list[Button | None]:
    can = tools.can_seek
    playing, back = tools.playing and not tools.is_back, tools.playing and tools.is_back
    keys_step = keys_of(Command.STEP_KIND, hears_keys=tools.hears_keys)
    keys_overlay = keys_of(Command.OVERLAY, hears_keys=tools.hears_keys)
    return [
        _button(tools, Command.TO_BEGIN, icon=Icon.TO_BEGIN, tip="to the beginning", enabled=can),
        _button(
            tools,
            Command.PLAY_BACK,
            icon=Icon.PAUSE if back else Icon.PLAY_BACK,
            tip="play backwards",
            active=back,
            enabled=can,
        ),
        _button(tools, Command.STEP_BEFORE, icon=Icon.STEP_BACK, tip="a step back", enabled=can),
        _button(
            tools,
            Command.PAUSE,
            icon=Icon.PAUSE if playing else Icon.PLAY,
            label="pause" if playing else "play",
            widest="pause",
            tip="play, or pause",
            active=playing,
        ),
        _button(tools, Command.STEP_ON, icon=Icon.STEP, tip="a step on"),
        _button(tools, Command.TO_END, icon=Icon.TO_END, tip="to the end", enabled=can),
        Button(
            OpenMenu("step"),
            label=tools.step.value,
            keys=keys_step,
            tip="what a step is",
            widest=max((one.value for one in Step), key=len),
        ),
        None,
        _button(tools, Command.SLOWER, label="-", tip="slower"),
        Button(
            Do(Command.NORMAL_SPEED),
            label=tools.speed,
            tip="normal speed  (Shift F5)",
            widest="1,000 stores/s",
        ),
        _button(tools, Command.FASTER, label="+", tip="faster"),
        None,
        Button(
            OpenMenu("overlay"),
            label="overlay",
            keys=keys_overlay,
            tip="what is shown over the screens",
            active=tools.overlay is not Overlay.NONE,
        ),
        _button(tools, Command.MARK, label="mark", tip="mark this moment with a note", enabled=can),
    ]


WHY_NO_STEP = {
    Step.INSTRUCTION: "the program is not there: --program FILE",
    Step.BREAKPOINT: "no breakpoint is set",
    Step.PIXEL_WRITE: "point at a pixel, or pin one",
}


def step_choices(tools: Tools, possible: list[Step]) -> list[Choice]:
    """Return the menu of what a step is."""
    return [
        Choice(
            one.value,
            ChooseStep(one.name),
            ticked=one is tools.step,
            enabled=one in possible,
            why="" if one in possible else WHY_NO_STEP.get(one, "only a recording goes there"),
        )
        for one in Step
    ]


_MENU: tuple[tuple[str, Command], ...] = (
    ("reset", Command.RESET),
    ("as fast as possible", Command.FULL_SPEED),
    ("loop begins here", Command.MARK_BEGIN),
    ("loop ends here", Command.MARK_END),
    ("no loop", Command.CLEAR_MARKS),
    ("whole time line", Command.ZOOM_ALL),
    ("mark this moment", Command.MARK),
    ("next mark", Command.NEXT_MARK),
    ("previous mark", Command.LAST_MARK),
    ("remove the mark here", Command.REMOVE_MARK),
    ("next error", Command.NEXT_ERROR),
    ("previous error", Command.LAST_ERROR),
    ("find", Command.SEARCH),
    ("find next", Command.FIND_NEXT),
    ("find previous", Command.FIND_LAST),
    ("breakpoint", Command.BREAKPOINT),
    ("run to the return", Command.RUN_TO_RETURN),
    ("larger pixels", Command.LARGER),
    ("smaller pixels", Command.SMALLER),
    ("pixels as large as fits", Command.FIT),
    ("units side by side, or stacked", Command.ARRANGE),
    ("full screen", Command.FULL_SCREEN),
    ("save the picture", Command.PICTURE),
    ("save the whole window", Command.WINDOW_PICTURE),
    ("close the window", Command.QUIT),
)
"""What has keys but no button, or one that small windows have no room for."""


def menu_choices(tools: Tools) -> list[Choice]:
    """Return the menu of all else."""
    return [
        Choice(
            label,
            Do(command),
            keys=keys_of(command, hears_keys=tools.hears_keys),
            enabled=tools.can_seek or command not in TIME_COMMANDS,
            why="" if tools.can_seek else "nothing is kept to go back to",
        )
        for label, command in _MENU
    ]


def overlay_choices(tools: Tools, possible: list[Overlay]) -> list[Choice]:
    """Return the menu of overlays."""
    return [
        Choice(one.value, ChooseOverlay(one.name), ticked=one is tools.overlay) for one in possible
    ]
