"""What the instrument's panels show: each part of the window with a key of all that it shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from busplay.player.speed import speed_text
from busplay.view import theme
from busplay.view.instrument import actions
from busplay.view.instrument.facts import (
    NO_PIXEL,
    NO_PROGRAM,
    hover_lines,
    machine_lines,
    pixel_lines,
    receiver_lines,
)
from busplay.view.instrument.layout import Places
from busplay.view.instrument.line import (
    NAMES,
    LinePanel,
    column_text,
    draw_line_panel,
)
from busplay.view.instrument.lists import draw_errors, draw_frames, draw_routines
from busplay.view.instrument.moves import Moves
from busplay.view.instrument.state import Step, Tab
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.instrument.tools import (
    Tools,
    draw_tools,
    menu_choices,
    overlay_choices,
    search_box,
    step_choices,
)
from busplay.view.keys import Command, keys_of
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Hot, Look
from busplay.view.widgets.menu import Choice, draw_menu
from busplay.view.widgets.search_line import draw_typing_box
from busplay.view.widgets.splitter import draw_splitter
from busplay.view.widgets.table import first_row
from busplay.view.widgets.tabs import draw_tabs
from busplay.view.widgets.text_view import Line, draw_text_view, lines_seen
from busplay.view.widgets.time_line import draw_here, track_box
from busplay.view.widgets.tooltip import draw_tooltip, fits

SEARCH_HINT = "find $4000, =7F, label"
STATUS = "status"
TYPING_TITLES = {
    "search": "find an address, a value or a label",
    "note": "mark this moment with a note",
    "breakpoint": "run to",
}


@dataclass(frozen=True, slots=True)
class PanelPart:
    """One part of the window: where it stands, what it shows, and a key of all that."""

    box: Box
    key: tuple[object, ...]
    draw: Callable[[], Drawing]


class Panels(Moves):
    """Draws the parts of the window; a part whose key stays need not be drawn again."""

    # -- drawing

    def parts(self, places: Places, look: Look, now_ns: int) -> dict[str, PanelPart]:
        """Return the parts of the window by name, for one size of it."""
        self._places, self._look = places, look
        if self.inspector is not None and self.is_open:
            self.inspector.refresh(now_ns, playing=self._is_running)
            if self.inspector.trouble != self._trouble:
                self._trouble = self.inspector.trouble
                self._note(self._trouble)
        parts: dict[str, PanelPart] = {}
        hovered = None if self._hovered is None else self._hovered.action
        if places.tools.height:
            tools = self._tools()
            parts["tools"] = PanelPart(
                places.tools,
                (tools, hovered),
                lambda: draw_tools(tools, places.tools, look, hovered),
            )
        if places.side.width:
            parts["side"] = self._side_part(places.side, look, now_ns, hovered)
            parts["side splitter"] = self._splitter(places.side_splitter, look, "side", hovered)
        if places.below.height:
            if places.below_splitter.height:
                part = self._splitter(places.below_splitter, look, "below", hovered)
                parts["below splitter"] = part
            parts["below"] = self._line_part(places.below, look, now_ns)
        for name in set(self._hots) - set(parts) - {STATUS}:
            del self._hots[name]
        return parts

    def take_hots(self, name: str, drawing: Drawing) -> None:
        """Note what answers the mouse in a part that was drawn anew."""
        self._hots[name] = drawing.hots

    def take_status(self, hots: list[Hot]) -> None:
        """Note what answers the mouse in the status line."""
        self._hots[STATUS] = hots

    def _tools(self) -> Tools:
        state = self.state
        is_typing = state.typing is not None and state.typing_for == "search"
        typing = state.typing if is_typing and state.typing else state.searched
        if not typing.hint:
            typing = replace(typing, hint=SEARCH_HINT)
        return Tools(
            playing=self.player.playing,
            is_back=self.player.is_back,
            can_seek=self._playable.can_seek,
            speed=speed_text(self.player.speed),
            step=state.step,
            overlay=state.overlay,
            typing=typing,
            is_typing=is_typing,
            hears_keys=self._playable.hears_keys,
        )

    def _splitter(self, box: Box, look: Look, name: str, hovered: object) -> PanelPart:
        action = actions.DragSplitter("side" if name == "side" else "below")
        along = "across" if name == "side" else "down"
        lit = hovered == action or self._drag == action

        def draw() -> Drawing:
            return draw_splitter(
                box, look, action, along="across" if name == "side" else "down", hovered=lit
            )

        return PanelPart(box, (along, lit), draw)

    def _line_part(self, box: Box, look: Look, now_ns: int) -> PanelPart:
        inspector, sums, times = self.inspector, self._sums, self.times
        if inspector is None or sums is None or times is None:
            text = "Nothing is kept to go back to: --record FILE, then replay FILE."
            return PanelPart(box, (), lambda: draw_text_view([Line(text)], box, look))
        # On a noisy wire there are more with every picture: they are taken up as often as in lists.
        self._moment(now_ns)
        panel = LinePanel(
            view=self._view(),
            loop=self._loop(),
            marks=tuple((inspector.edge_at(mark.cycle), mark) for mark in self.marks.all),
            differences=tuple(inspector.differences()),
            errors=self._errors_seen,
            version=inspector.version,
            is_thin=not self.is_open,
        )
        return PanelPart(
            box, (panel,), lambda: draw_line_panel(panel, inspector, sums, times, box, look)
        )

    def _loop(self) -> tuple[int, int] | None:
        begin, end = self.player.begin_mark, self.player.end_mark
        if self.inspector is None or (begin is None and end is None):
            return None
        first = self.inspector.edge_at(begin or 0)
        return first, self.inspector.end_edge if end is None else self.inspector.edge_at(end)

    def _side_part(self, box: Box, look: Look, now_ns: int, hovered: object) -> PanelPart:
        tabs, body = box.cut_top(look.row_px)
        tab = self.state.kept.tab
        key: tuple[object, ...] = (
            tab,
            hovered,
            self.state.first_rows.get(tab),
            self.state.chosen_rows.get(tab),
        )
        pixel = self.state.pinned or self.state.pixel
        key += (pixel, self.state.pinned is not None) if tab is Tab.PIXEL else ()
        key += (self.state.breakpoint,) if tab is Tab.PROGRAM else ()
        key += (
            (self.player.playing, self.state.routine, self.passage) if tab is Tab.ROUTINES else ()
        )
        key += self._moment(now_ns)
        names = tuple(one.value for one in Tab)
        following = (names.index(tab.value) + 1) % len(names)
        hint = keys_of(Command.NEXT_TAB, hears_keys=self._playable.hears_keys)
        keys = tuple(hint if i == following else "" for i in range(len(names)))

        def draw() -> Drawing:
            drawing = draw_tabs(
                names, tab.value, tabs, look, actions.ChooseTab, keys=keys, hovered=hovered
            )
            return drawing.add(self._tab_drawing(tab, body, look, hovered))

        return PanelPart(box, key, draw)

    def _tab_drawing(self, tab: Tab, box: Box, look: Look, hovered: object) -> Drawing:
        inspector, times = self.inspector, self.times
        if inspector is None or times is None:
            return self._wrapped("Nothing is kept to go back to.", box, look)
        first, chosen = self.state.first_rows.get(tab), self.state.chosen_rows.get(tab)
        if tab is Tab.FRAMES:
            drawing, self._firsts[tab] = draw_frames(
                inspector,
                box,
                look,
                here=inspector.shown_frames,
                first=first,
                chosen=chosen,
                hovered=hovered,
            )
            return drawing
        if tab is Tab.ERRORS:
            drawing, self._firsts[tab] = draw_errors(
                inspector.errors(),
                times,
                box,
                look,
                counted=self._playable.status().errors,
                here_edge=self.here_edge,
                first=first,
                chosen=chosen,
                hovered=hovered,
            )
            return drawing
        if tab is Tab.ROUTINES:
            # It runs the program again, which takes its time: not while it plays.
            playing = self.player.playing
            routines = () if playing else inspector.routines(*self.passage)
            self._routines = routines or ()
            drawing, self._firsts[tab] = draw_routines(
                routines,
                self.state.routine,
                box,
                look,
                first=first,
                row=chosen,
                hovered=hovered,
            )
            return drawing
        if tab is Tab.PROGRAM:
            machine = inspector.machine()
            if machine is None:
                self._lines = ()
                return self._wrapped(NO_PROGRAM, box, look)
            self._lines = machine_lines(
                machine,
                lines_seen(box, look),
                stop_at=self.state.breakpoint,
                hears_keys=self._playable.hears_keys,
            )
            return draw_text_view(self._lines, box, look, chosen=chosen, hovered=hovered)
        if tab is Tab.RECEIVER:
            return draw_text_view(receiver_lines(inspector.receiver()), box, look, hovered=hovered)
        pixel = self._pixel()
        facts = None if pixel is None else self.pixel_facts(pixel)
        if facts is None:
            self._lines = ()
            return self._wrapped(NO_PIXEL, box, look)
        room = box.width - 3 * look.sizes.pad_px
        self._lines = pixel_lines(
            facts,
            times=times,
            lane_names=inspector.lane_names,
            wrapped=lambda text: look.measure.wrapped(text, look.sizes.text_px, room),
            is_pinned=self.state.pinned is not None,
            hears_keys=self._playable.hears_keys,
        )
        self._firsts[tab] = first_row(first or 0, len(self._lines), lines_seen(box, look))
        return draw_text_view(
            self._lines,
            box,
            look,
            first=self._firsts[tab],
            chosen=chosen,
            scroll_action=actions.Scroll(tab.value),
            hovered=hovered,
        )

    def _wrapped(self, text: str, box: Box, look: Look) -> Drawing:
        room = box.width - 2 * look.sizes.pad_px
        lines = look.measure.wrapped(text, look.sizes.text_px, room)
        return draw_text_view([Line(line, colour=theme.DIM) for line in lines], box, look)

    def above(self, window: Box) -> tuple[tuple[object, ...], Drawing]:
        """Return what lies above all parts: position, menu, what hovering tells; and its key."""
        drawing = Drawing()
        places, look = self._places, self._look
        if places is None or look is None:
            return (), drawing
        key: tuple[object, ...] = ()
        if self.has_line and places.below.height and self.state.view is not None:
            here = self.here_edge
            drawing.add(draw_here(self.state.view, here, places.below, look, names=NAMES))
            key += (self.state.view.x_of(here, places.below),)
        if self.state.menu is not None:
            choices = self._choices()
            button = self._menu_button()
            hovered = None if self._hovered is None else self._hovered.action
            menu = draw_menu(
                choices,
                (button.left, button.bottom),
                window,
                look,
                chosen=self.state.menu_row,
                hovered=hovered,
            )
            self._hots["menu"] = menu.hots
            return (*key, tuple(choices), self.state.menu_row, hovered), drawing.add(menu)
        self._hots.pop("menu", None)
        self._hots.pop("typing", None)
        if (typing := self.state.typing) is not None and not self._has_search_line(look):
            title = TYPING_TITLES[self.state.typing_for]
            top = places.tools.bottom + look.sizes.pad_px
            action = actions.StartTyping(self.state.typing_for)
            line = draw_typing_box(title, typing, top, window, look, action=action)
            self._hots["typing"] = line.hots
            return (*key, typing, self.state.typing_for), drawing.add(line)
        lines = self._tip()
        if lines and self.state.mouse is not None:
            x, y = self.state.mouse
            if places.side.contains(x, y):
                # Beside the list if there is room, not over the rows that one reads next.
                beside = Box(window.left, window.top, places.side.left, window.height)
                x, window = (places.side.left, beside) if fits(lines, beside, look) else (x, window)
            drawing.add(draw_tooltip(lines, (x, y), window, look))
            key += (tuple(lines), x, y)
        return key, drawing

    def _has_search_line(self, look: Look) -> bool:
        """Whether what is typed stands in the row of buttons."""
        if self._places is None or self.state.typing_for != "search":
            return False
        return search_box(self._tools(), self._places.tools, look) is not None

    def _tip(self) -> list[str]:
        if self._drag is not None or self.state.mouse is None:
            return []
        if self._hovered is not None and isinstance(self._hovered.action, actions.DragTime):
            return self._time_tip()
        if self._hovered is not None:
            return self._hovered.tip.splitlines()
        if self.state.pixel is None or not self.is_open:
            return []
        if self.inspector is None:
            return []
        pixel, times = self.state.pixel, self.times
        assert times is not None
        # While it plays there is no time to look for the instruction.
        facts = self.inspector.pixel(pixel.unit, pixel.x, pixel.y) if self._is_running else None
        facts = facts or self.pixel_facts(pixel)
        if facts is None:
            return []
        return hover_lines(facts, lambda cycle: self._time_of_cycle(times, cycle))

    def _time_of_cycle(self, times: EdgeTimes, cycle: int) -> str:
        assert self.inspector is not None
        microsecond = max(1, times.edges_per_second // 1_000_000)
        return times.text(self.inspector.edge_at(cycle), tick_edges=microsecond)

    def _time_tip(self) -> list[str]:
        places, look, inspector = self._places, self._look, self.inspector
        if places is None or look is None or inspector is None or self.state.mouse is None:
            return []
        assert self.times is not None
        assert self._sums is not None
        view = self._view()
        track = track_box(places.below, look, NAMES)
        x = self.state.mouse[0]
        edge = view.edge_at(x, track)
        lines = [
            self.times.text(edge, tick_edges=max(1, view.span_edges // max(1, track.width))),
            f"cycle {inspector.cycle_at(edge):,}",
        ]
        if self.is_open and track.width:
            errors, version = self._errors_seen, inspector.version
            panel = LinePanel(view, None, (), (), errors, version, is_thin=False)
            lines += column_text(self._sums.of(panel, track.width), x - track.left)
        return lines

    def _choices(self) -> list[Choice]:
        tools = self._tools()
        if self.state.menu == "step":
            return step_choices(tools, [one for one in Step if self._can_step(one)])
        if self.state.menu == "all":
            return menu_choices(tools)
        return overlay_choices(tools, self._overlays())

    def _menu_button(self) -> Box:
        for hot in self._hots.get("tools", ()):
            if isinstance(hot.action, actions.OpenMenu) and hot.action.name == self.state.menu:
                return hot.box
        return self._places.screens if self._places is not None else Box(0, 0, 0, 0)
