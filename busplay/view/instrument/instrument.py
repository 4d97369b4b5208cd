"""The instrument: what its panels show, and what their controls do.

How to think about it. The state says what is chosen; `panels` makes a drawing of each part that has
changed since the last picture, told by a key of everything that it shows. A drawing knows its hot
places; what is under the mouse is looked up there, and its action is done by `act`. Keys come as
commands to `do`. Nothing here draws, and time comes from outside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from busplay.player.marks import NOTE_CHARACTERS_MAX
from busplay.view.instrument import actions
from busplay.view.instrument.layout import Places
from busplay.view.instrument.line import (
    NAMES,
)
from busplay.view.instrument.panels import SEARCH_HINT, Panels
from busplay.view.instrument.state import Overlay, Pixel, Step, Tab
from busplay.view.keys import Command
from busplay.view.widgets.drawing import Hot, Look, hot_at
from busplay.view.widgets.search_line import Typing
from busplay.view.widgets.table import first_to_show, row_at_bar, rows_seen
from busplay.view.widgets.text_view import lines_seen
from busplay.view.widgets.time_line import track_box

WHEEL_ROWS = 3
BREAKPOINT_HINT = "$C000, label, file.s:12, store $4000-$4FFF, a=7F, $12=7F"
# Panels that are lines of text, of which some do something.
TEXT_TABS = (Tab.PIXEL, Tab.PROGRAM)


class Instrument(Panels):
    """The panels round the screens, and their controls; arguments as for `Present`."""

    # -- the mouse

    @property
    def cursor(self) -> str:
        """The shape of the mouse's pointer."""
        if self._hovered is not None:
            return self._hovered.cursor
        return "cross" if self.state.pixel is not None and self.is_open else "arrow"

    def _hot_at(self, x: int, y: int) -> Hot | None:
        if "menu" in self._hots:
            return hot_at(self._hots["menu"], x, y)
        if found := hot_at(self._hots.get("typing", ()), x, y):
            return found
        for hots in self._hots.values():
            found = hot_at(hots, x, y)
            if found is not None:
                return found
        return None

    def hover(self, x: int, y: int, pixel: Pixel | None) -> None:
        """Take up where the mouse is, and which pixel of a unit is there."""
        self.state.mouse = x, y
        if self._drag is not None:
            self._drag_to(x, y)
            return
        self._hovered = self._hot_at(x, y)
        self.state.pixel = pixel if self._hovered is None else None

    def leave(self) -> None:
        """The mouse has left the window."""
        self.state.mouse = self.state.pixel = self._hovered = None
        self._drag = None

    def press(self, x: int, y: int, pixel: Pixel | None, *, adds: bool = False) -> None:
        """Do what a press of the mouse does.

        Args:
            x, y: where.
            pixel: of a unit there, or None.
            adds: the key is held with which a drag marks a passage.
        """
        hot = self._hot_at(x, y)
        if self.state.menu is not None and (hot is None or hot.action is None):
            self.state.menu = None
            return
        if self.state.typing is not None and not (
            hot is not None and isinstance(hot.action, actions.StartTyping)
        ):
            self._stop_typing()
        if hot is None:
            if pixel is not None and self.is_open:
                self._pin(pixel)
            return
        if isinstance(hot.action, actions.DragTime | actions.DragSplitter | actions.Scroll):
            self._drag, self._drag_from = hot.action, (x, y)
            self._drag_view, self._drag_moved = self.state.view, False
            self._drag_marks = adds
            if isinstance(hot.action, actions.Scroll):
                self._drag_to(x, y)
            return
        self.act(hot.action)

    def _drag_to(self, x: int, y: int) -> None:
        places, look = self._places, self._look
        if places is None or look is None:
            return
        if isinstance(self._drag, actions.DragSplitter):
            self._drag_splitter(x, y, places)
        elif isinstance(self._drag, actions.Scroll):
            self._scroll_to(y, places, look)
        elif isinstance(self._drag, actions.DragTime) and self._drag_view is not None:
            track = track_box(places.below, look, NAMES)
            if abs(x - self._drag_from[0]) > 3:
                self._drag_moved = True
            if self._drag_moved and self._drag_marks:
                edges = sorted(
                    self._drag_view.edge_at(one, track) for one in (self._drag_from[0], x)
                )
                self._mark_passage(edges[0], edges[1])
            elif self._drag_moved and self._drag_view.shows_whole:
                self._go_to_edge(self._drag_view.edge_at(x, track))
            elif self._drag_moved and track.width:
                across = (self._drag_from[0] - x) * self._drag_view.span_edges // track.width
                self.state.view = self._drag_view.moved(across)

    def _drag_splitter(self, x: int, y: int, places: Places) -> None:
        kept = self.state.kept
        if self._drag == actions.DragSplitter("side"):
            right = places.side.right
            kept.side_permille = min(900, max(0, (right - x) * 1000 // max(1, right)))
        else:
            top, bottom = places.screens.top, places.below.bottom
            kept.below_permille = min(900, max(0, (bottom - y) * 1000 // max(1, bottom - top)))

    def release(self, x: int, y: int) -> None:
        """The mouse is let go: a press on the time line that was no drag goes there."""
        drag, self._drag = self._drag, None
        if isinstance(drag, actions.DragTime) and not self._drag_moved and self._places is not None:
            assert self._look is not None
            track = track_box(self._places.below, self._look, NAMES)
            self._go_to_edge(self._view().edge_at(x, track))
        del y

    def wheel(self, x: int, y: int, turns: int) -> None:
        """Zoom the time line, scroll a list, or show the screens larger or smaller."""
        places, look = self._places, self._look
        if places is None or look is None:
            return
        if places.below.contains(x, y) and self.has_line:
            track = track_box(places.below, look, NAMES)
            edge = self._view().edge_at(x, track)
            for _ in range(abs(turns)):
                self._zoom(edge, nearer=turns > 0)
        elif places.side.contains(x, y):
            self._scroll_by(-turns * WHEEL_ROWS)
        elif places.screens.contains(x, y) and self.is_open:
            self.on_command(Command.LARGER if turns > 0 else Command.SMALLER)

    # -- lists

    def _rows(self) -> int:
        if self.inspector is None:
            return 0
        tab = self.state.kept.tab
        if tab is Tab.FRAMES:
            return self.inspector.frames - self.inspector.first_frame
        if tab is Tab.ROUTINES:
            return len(self._routines)
        if tab in TEXT_TABS:
            return len(self._lines)
        return len(self.inspector.errors()) if tab is Tab.ERRORS else 0

    def _first_row(self) -> int:
        """Return the number of a list's first row; frames keep theirs when some are dropped."""
        if self.inspector is None or self.state.kept.tab is not Tab.FRAMES:
            return 0
        return self.inspector.first_frame

    def _rows_seen(self) -> int:
        if self._places is None or self._look is None:
            return 1
        body = self._places.side.cut_top(self._look.row_px)[1]
        seen = lines_seen if self.state.kept.tab in TEXT_TABS else rows_seen
        return max(1, seen(body, self._look))

    def _scroll_by(self, rows: int) -> None:
        tab, count = self.state.kept.tab, self._rows()
        if not count:
            return
        begin = self._first_row()
        first = self._firsts.get(tab, begin) + rows
        self.state.first_rows[tab] = max(begin, min(first, begin + count - self._rows_seen()))

    def _scroll_to(self, y: int, places: Places, look: Look) -> None:
        tab = self.state.kept.tab
        # The titles of a table stand above its bar.
        above = 1 if tab in TEXT_TABS else 2
        bar = places.side.cut_top(above * look.row_px)[1]
        row = row_at_bar(y, bar, self._rows(), self._rows_seen())
        self.state.first_rows[tab] = self._first_row() + row

    def _choose_row(self, step: int) -> None:
        tab, count = self.state.kept.tab, self._rows()
        if not count:
            return
        chosen = self.state.chosen_rows.get(tab)
        if chosen is None:
            here = self.inspector.shown_frames - 1 if self.inspector is not None else 0
            chosen = here if tab is Tab.FRAMES else self._firsts.get(tab, 0) - step
        begin = self._first_row()
        chosen = max(begin, min(chosen + step, begin + count - 1))
        if tab in TEXT_TABS:
            links = [i for i, line in enumerate(self._lines) if line.action is not None]
            ahead = [i for i in links if (i >= chosen if step > 0 else i <= chosen)]
            chosen = (ahead or links[-1:])[0 if step > 0 else -1]
        self.state.chosen_rows[tab] = chosen
        first = self._firsts.get(tab, begin) - begin
        shown = first_to_show(chosen - begin, first, count, self._rows_seen())
        self.state.first_rows[tab] = begin + shown

    def _go_to_row(self) -> None:
        tab = self.state.kept.tab
        chosen = self.state.chosen_rows.get(tab)
        if self.inspector is None or chosen is None:
            return
        if tab is Tab.FRAMES:
            self.act(actions.GoToFrame(chosen))
        elif tab is Tab.ERRORS:
            self.act(actions.GoToEdge(self.inspector.errors()[chosen].edge))
        elif tab is Tab.ROUTINES and chosen < len(self._routines):
            self.act(actions.ChooseRoutine(self._routines[chosen]))
        elif tab in TEXT_TABS and chosen < len(self._lines):
            self.act(self._lines[chosen].action)

    # -- actions

    def act(self, action: object) -> None:
        """Do what a control does."""
        state = self.state
        if isinstance(action, actions.Do):
            state.menu = None
            self.on_command(action.command)
        elif isinstance(action, actions.GoToFrame):
            self._go_to_frame(action.frame)
        elif isinstance(action, actions.GoToEdge):
            self._go_to_edge(action.edge)
        elif isinstance(action, actions.GoToInstruction):
            self._go_to_instruction_at(action.cycle)
        elif isinstance(action, actions.ShowSymbols):
            self._show_symbols(action.frame, action.edge)
        elif isinstance(action, actions.ChooseRoutine):
            self._choose_routine(action.routine)
        elif isinstance(action, actions.RunTo):
            self._set_breakpoint(action.text)
        elif isinstance(action, actions.ChooseTab):
            state.kept.tab = Tab(action.name)
        elif isinstance(action, actions.ChooseStep):
            state.step, state.menu = Step[action.name], None
        elif isinstance(action, actions.ChooseOverlay):
            self._choose_overlay(Overlay[action.name])
            state.menu = None
        elif isinstance(action, actions.OpenMenu):
            state.menu = None if state.menu == action.name else action.name
            state.menu_row = 0
        elif isinstance(action, actions.StartTyping):
            self._start_typing(action)
        elif isinstance(action, actions.Unpin):
            state.pinned = None

    on_command: Callable[[Command], None] = staticmethod(lambda command: None)
    """Set by the window: does a command that a button stands for."""

    def _start_typing(self, action: actions.StartTyping) -> None:
        if self.state.typing is not None and self.state.typing_for == action.what:
            return
        self.state.typing_for = action.what
        if action.what == "search":
            text = self.state.searched.text
            self.state.typing = Typing(text, len(text), SEARCH_HINT)
        elif action.what == "breakpoint":
            text = self.state.breakpoint
            self.state.typing = Typing(text, len(text), BREAKPOINT_HINT)
        else:
            self.state.typing = Typing(letters_max=NOTE_CHARACTERS_MAX)

    def _stop_typing(self) -> None:
        self.state.typing = None

    def do(self, command: Command) -> bool:
        """Do a command of the instrument; return whether it is one."""
        one = _COMMANDS.get(command)
        if one is None:
            return False
        one(self)
        return True

    # -- typing and marks

    def type_key(self, key: str, text: str) -> bool:
        """Take a key while a line is typed into or a menu is open; return whether it was used.

        Args:
            key: `return`, `escape`, `backspace`, `delete`, `left`, `right`, `up`, `down` or empty.
            text: what it types.
        """
        if self.state.menu is not None:
            return self._menu_key(key)
        typing = self.state.typing
        if typing is None:
            return False
        if key == "escape":
            self._stop_typing()
        elif key == "return":
            self._typed(typing)
        elif key in ("backspace", "delete"):
            self.state.typing = typing.erased(ahead=key == "delete")
        elif key in ("left", "right"):
            self.state.typing = typing.moved(1 if key == "right" else -1)
        elif text:
            self.state.typing = typing.typed(text)
        return True

    def _menu_key(self, key: str) -> bool:
        choices = self._choices()
        if key in ("up", "down"):
            way = 1 if key == "down" else -1
            self.state.menu_row = (self.state.menu_row + way) % len(choices)
        elif key == "return":
            chosen = choices[min(self.state.menu_row, len(choices) - 1)]
            if chosen.enabled:
                self.act(chosen.action)
        elif key == "escape":
            self.state.menu = None
        else:
            return False
        return True

    def _typed(self, typing: Typing) -> None:
        self._stop_typing()
        if self.state.typing_for == "note":
            self._keep_mark(typing.text)
        elif self.state.typing_for == "breakpoint":
            self._set_breakpoint(typing.text)
        elif typing.text:
            self.state.searched = replace(typing, answer="")
            self.find(1)

    def _set_breakpoint(self, text: str) -> None:
        self.state.breakpoint = text.strip()
        if self.state.breakpoint:
            self.run_to_breakpoint(1)


_COMMANDS: dict[Command, Callable[[Instrument], None]] = {
    Command.INSTRUMENT: Instrument.toggle,
    Command.STEP_ON: lambda one: one.step(1),
    Command.STEP_BEFORE: lambda one: one.step(-1),
    Command.STEP_KIND: Instrument.next_step_kind,
    Command.NEXT_STORE: lambda one: one.player.step_stores(1),
    Command.LAST_STORE: lambda one: one.player.step_stores(-1),
    Command.NEXT_ERROR: lambda one: one.go_to_error(1),
    Command.LAST_ERROR: lambda one: one.go_to_error(-1),
    Command.NEXT_WRITE: lambda one: one.go_to_write(1),
    Command.LAST_WRITE: lambda one: one.go_to_write(-1),
    Command.ZOOM_IN: lambda one: one.zoom(1),
    Command.ZOOM_OUT: lambda one: one.zoom(-1),
    Command.ZOOM_ALL: lambda one: one.zoom(0),
    Command.VIEW_BACK: lambda one: one.move_view(-1),
    Command.VIEW_ON: lambda one: one.move_view(1),
    Command.OVERLAY: lambda one: one.next_overlay(1),
    Command.LAST_OVERLAY: lambda one: one.next_overlay(-1),
    Command.NEXT_TAB: lambda one: one.next_tab(1),
    Command.LAST_TAB: lambda one: one.next_tab(-1),
    Command.SEARCH: lambda one: one.act(actions.StartTyping("search")),
    Command.FIND_NEXT: lambda one: one.find(1),
    Command.FIND_LAST: lambda one: one.find(-1),
    Command.MENU: lambda one: one.act(actions.OpenMenu("all")),
    Command.BREAKPOINT: lambda one: one.act(actions.StartTyping("breakpoint")),
    Command.RUN_TO: lambda one: one.run_to_breakpoint(1),
    Command.RUN_BACK_TO: lambda one: one.run_to_breakpoint(-1),
    Command.RUN_TO_RETURN: Instrument.run_to_return,
    Command.MARK: lambda one: one.act(actions.StartTyping("note")),
    Command.REMOVE_MARK: Instrument.remove_mark,
    Command.NEXT_MARK: lambda one: one.go_to_mark(1),
    Command.LAST_MARK: lambda one: one.go_to_mark(-1),
    Command.ROW_UP: lambda one: one._choose_row(-1),
    Command.ROW_DOWN: lambda one: one._choose_row(1),
    Command.ROW_GO: Instrument._go_to_row,
    Command.PIXEL_LEFT: lambda one: one.move_pixel(-1, 0),
    Command.PIXEL_RIGHT: lambda one: one.move_pixel(1, 0),
    Command.PIXEL_UP: lambda one: one.move_pixel(0, -1),
    Command.PIXEL_DOWN: lambda one: one.move_pixel(0, 1),
    Command.UNPIN: Instrument.escape,
    Command.SIDE_NARROWER: lambda one: one.resize(side=-1),
    Command.SIDE_WIDER: lambda one: one.resize(side=1),
    Command.BELOW_LOWER: lambda one: one.resize(below=-1),
    Command.BELOW_HIGHER: lambda one: one.resize(below=1),
}
