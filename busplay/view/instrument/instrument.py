"""The instrument: what its panels show, and what their controls do.

How to think about it. The state says what is chosen; `panels` makes a drawing of each part that has
changed since the last picture, told by a key of everything that it shows. A drawing knows its hot
places; what is under the mouse is looked up there, and its action is done by `act`. Keys come as
commands to `do`. Nothing here draws, and time comes from outside.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from busplay.display.display import Display
from busplay.errors import InputError, OutputError
from busplay.player.inspector import Inspector, PixelFacts, RoutineFacts
from busplay.player.marks import Marks
from busplay.player.player import Player
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
    LineSums,
    column_text,
    draw_line_panel,
)
from busplay.view.instrument.lists import draw_errors, draw_frames, draw_routines
from busplay.view.instrument.state import InstrumentState, Overlay, Pixel, Step, Tab
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.instrument.tools import Tools, draw_tools, overlay_choices, step_choices
from busplay.view.keys import Command, HelpRow, help_rows, keys_of
from busplay.view.theme import Colour
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Hot, Look, hot_at
from busplay.view.widgets.menu import Choice, draw_menu
from busplay.view.widgets.search_line import Typing
from busplay.view.widgets.splitter import draw_splitter
from busplay.view.widgets.table import first_to_show, row_at_bar, rows_seen
from busplay.view.widgets.tabs import draw_tabs
from busplay.view.widgets.text_view import Line, draw_text_view
from busplay.view.widgets.time_line import TimeView, draw_here, track_box
from busplay.view.widgets.tooltip import draw_tooltip

# While it plays, lists and figures change so often: faster, and nobody can read them.
LISTS_HZ = 10
ZOOM = 3, 2
SPLIT_PERMILLE = 25
SEARCH_HINT = "find $4000, =7F, label"
WHEEL_ROWS = 3


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the window: where it stands, what it shows, and a key of all that."""

    box: Box
    key: tuple[object, ...]
    draw: Callable[[], Drawing]


class Instrument:
    """The panels round the screens of one player.

    Args:
        player: what plays.
        inspector: answers about the recording; None: nothing is recorded.
        marks: of the recording.
        state: what is chosen at first.
        note: called with what is worth a line for a moment.
    """

    def __init__(
        self,
        player: Player,
        inspector: Inspector | None,
        marks: Marks,
        state: InstrumentState,
        note: Callable[[str], None],
    ) -> None:
        self.player = player
        self.inspector = inspector
        self.marks = marks
        self.state = state
        self._note = note
        self._playable = player.playable
        self._sums = None if inspector is None else LineSums(inspector)
        self.times = (
            None if inspector is None else EdgeTimes.of(inspector, player.playable.clock_hz)
        )
        self._hots: dict[str, list[Hot]] = {}
        self._places: Places | None = None
        self._look: Look | None = None
        self._hovered: Hot | None = None
        self._drag: actions.DragTime | actions.DragSplitter | actions.Scroll | None = None
        self._drag_from: tuple[int, int] = (0, 0)
        self._drag_view: TimeView | None = None
        self._drag_moved = False
        self._lists_key: tuple[object, ...] = ()
        self._lists_due_ns = 0
        self._firsts: dict[Tab, int] = {}
        self._facts_key: tuple[object, ...] = ()
        self._facts: PixelFacts | None = None
        self._routines: Sequence[RoutineFacts] = ()

    # -- the present

    @property
    def is_open(self) -> bool:
        """Panels are shown, not the screens alone."""
        return self.state.kept.is_open

    @property
    def has_line(self) -> bool:
        """There is a recording, so that time can be gone through."""
        return self.inspector is not None and self._playable.can_seek

    @property
    def here_edge(self) -> int:
        """The link edge of the present position."""
        return 0 if self.inspector is None else self.inspector.edge_at(self._playable.cycle)

    def _moment(self, now_ns: int) -> tuple[object, ...]:
        """Return a key of the present position for what need not change with every picture."""
        if self.player.playing and now_ns < self._lists_due_ns and self._lists_key:
            return self._lists_key
        shown = 0 if self.inspector is None else self.inspector.shown_frames
        version = 0 if self.inspector is None else self.inspector.version
        self._lists_key = (self._playable.cycle, shown, version)
        self._lists_due_ns = now_ns + 1_000_000_000 // LISTS_HZ
        return self._lists_key

    def _view(self) -> TimeView:
        assert self.inspector is not None
        begin, end = self.inspector.begin_edge, self.inspector.end_edge
        view = self.state.view
        if view is None:
            view = TimeView.whole(begin, end)
        elif (view.begin_edge, view.end_edge) != (begin, end):
            view = view.grown(begin, end)
        if self.player.playing and self._drag is None:
            view = view.following(self.here_edge)
        self.state.view = view
        return view

    def pixel_facts(self) -> PixelFacts | None:
        """Return what is known of the pixel that is pinned, or under the mouse."""
        pixel = self.state.pinned or self.state.pixel
        if self.inspector is None or pixel is None:
            return None
        key = (pixel, self._playable.cycle, self.inspector.shown_frames)
        if key != self._facts_key:
            self._facts_key = key
            self._facts = self.inspector.pixel(pixel.unit, pixel.x, pixel.y, deep=True)
        return self._facts

    # -- the screens

    def beside(self) -> Mapping[str, Display] | None:
        """Return the displays of the recording that is held against this one, or None.

        The screens alone are what this recording shows.
        """
        if self.inspector is None or not self.is_open:
            return None
        return self.inspector.beside()

    @property
    def overlay(self) -> Overlay:
        """What is shown over the screens: the difference, as long as nothing else is chosen."""
        if self.state.overlay is Overlay.NONE and self.beside() is not None:
            return Overlay.DIFFERENCE
        return self.state.overlay

    @property
    def screens_key(self) -> tuple[object, ...]:
        """A key of what the screens show."""
        return (self._playable.cycle, id(self._playable.displays), self.state.overlay)

    @property
    def passage(self) -> tuple[int, int]:
        """The cycles of the passage that is looked at: the loop's, or the last second."""
        begin, end = self.player.begin_mark, self.player.end_mark
        if begin is not None and end is not None:
            return begin, end
        here = self._playable.cycle
        return max(0, here - self._playable.clock_hz), here

    @property
    def overlay_first_edge(self) -> int:
        """Where the passage of an overlay begins: at the loop's begin mark, or a second back."""
        if self.inspector is None:
            return 0
        begin = self.player.begin_mark
        if begin is None or begin > self._playable.cycle:
            begin = max(0, self._playable.cycle - self._playable.clock_hz)
        return self.inspector.edge_at(begin)

    @property
    def marked_pixels(self) -> list[tuple[Pixel, Colour]]:
        """The pixels that have a frame round them."""
        state = self.state
        marked = []
        if self.is_open and state.pixel is not None:
            marked.append((state.pixel, theme.TEXT))
        if self.is_open and state.pinned is not None:
            marked.append((state.pinned, theme.PAUSED))
        return marked

    @property
    def help_rows(self) -> list[HelpRow]:
        """The keys that do something here."""
        playable = self._playable
        return help_rows(can_seek=playable.can_seek, hears_keys=playable.hears_keys)

    # -- drawing

    def parts(self, places: Places, look: Look, now_ns: int) -> dict[str, Part]:
        """Return the parts of the window by name, for one size of it."""
        self._places, self._look = places, look
        if self.inspector is not None and self.is_open:
            self.inspector.refresh(now_ns, playing=self.player.playing)
        parts: dict[str, Part] = {}
        hovered = None if self._hovered is None else self._hovered.action
        if places.tools.height:
            tools = self._tools()
            parts["tools"] = Part(
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
            parts["below"] = self._line_part(places.below, look)
        for name in set(self._hots) - set(parts):
            del self._hots[name]
        return parts

    def take_hots(self, name: str, drawing: Drawing) -> None:
        """Note what answers the mouse in a part that was drawn anew."""
        self._hots[name] = drawing.hots

    def _tools(self) -> Tools:
        state = self.state
        typing = state.searched
        is_typing = state.typing is not None
        if state.typing is not None:
            typing = state.typing
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

    def _splitter(self, box: Box, look: Look, name: str, hovered: object) -> Part:
        action = actions.DragSplitter("side" if name == "side" else "below")
        along = "across" if name == "side" else "down"
        lit = hovered == action or self._drag == action

        def draw() -> Drawing:
            return draw_splitter(
                box, look, action, along="across" if name == "side" else "down", hovered=lit
            )

        return Part(box, (along, lit), draw)

    def _line_part(self, box: Box, look: Look) -> Part:
        inspector, sums, times = self.inspector, self._sums, self.times
        if inspector is None or sums is None or times is None:
            text = "Nothing is recorded here, so there is no time line: --record FILE records."
            return Part(box, (), lambda: draw_text_view([Line(text)], box, look))
        panel = LinePanel(
            view=self._view(),
            loop=self._loop(),
            marks=tuple((inspector.edge_at(mark.cycle), mark) for mark in self.marks.all),
            differences=tuple(inspector.differences()),
            errors=len(inspector.errors()),
            version=inspector.version,
            is_thin=not self.is_open,
        )
        return Part(
            box, (panel,), lambda: draw_line_panel(panel, inspector, sums, times, box, look)
        )

    def _loop(self) -> tuple[int, int] | None:
        begin, end = self.player.begin_mark, self.player.end_mark
        if self.inspector is None or (begin is None and end is None):
            return None
        first = self.inspector.edge_at(begin or 0)
        return first, self.inspector.end_edge if end is None else self.inspector.edge_at(end)

    def _side_part(self, box: Box, look: Look, now_ns: int, hovered: object) -> Part:
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

        return Part(box, key, draw)

    def _tab_drawing(self, tab: Tab, box: Box, look: Look, hovered: object) -> Drawing:
        inspector, times = self.inspector, self.times
        if inspector is None or times is None:
            return self._wrapped("Nothing is recorded here.", box, look)
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
                return self._wrapped(NO_PROGRAM, box, look)
            seen = rows_seen(box, look)
            lines = machine_lines(machine, seen)
            return draw_text_view(lines, box, look, hovered=hovered)
        if tab is Tab.RECEIVER:
            return draw_text_view(receiver_lines(inspector.receiver()), box, look, hovered=hovered)
        facts = self.pixel_facts()
        if facts is None:
            return self._wrapped(NO_PIXEL, box, look)
        lines = pixel_lines(
            facts,
            is_pinned=self.state.pinned is not None,
            hears_keys=self._playable.hears_keys,
        )
        return draw_text_view(lines, box, look, hovered=hovered)

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
        lines = self._tip()
        if lines and self.state.mouse is not None:
            drawing.add(draw_tooltip(lines, self.state.mouse, window, look))
            key += (tuple(lines), self.state.mouse)
        return key, drawing

    def _tip(self) -> list[str]:
        if self._drag is not None or self.state.mouse is None:
            return []
        if self._hovered is not None and isinstance(self._hovered.action, actions.DragTime):
            return self._time_tip()
        if self._hovered is not None:
            return [self._hovered.tip] if self._hovered.tip else []
        if self.state.pixel is None or not self.is_open:
            return []
        if self.inspector is None:
            return []
        pixel = self.state.pixel
        return hover_lines(self.inspector.pixel(pixel.unit, pixel.x, pixel.y))

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
            errors = len(inspector.errors())
            panel = LinePanel(view, None, (), (), errors, inspector.version, is_thin=False)
            lines += column_text(self._sums.of(panel, track.width), x - track.left)
        return lines

    def _choices(self) -> list[Choice]:
        tools = self._tools()
        if self.state.menu == "step":
            return step_choices(tools, [one for one in Step if self._can_step(one)])
        return overlay_choices(tools, self._overlays())

    def _overlays(self) -> list[Overlay]:
        """Return the overlays that there can be here."""
        without = set()
        if self.inspector is None or self.inspector.beside() is None:
            without.add(Overlay.DIFFERENCE)
        if self.state.routine is None:
            without.add(Overlay.ROUTINE)
        return [one for one in Overlay if one not in without]

    def _menu_button(self) -> Box:
        for hot in self._hots.get("tools", ()):
            if isinstance(hot.action, actions.OpenMenu) and hot.action.name == self.state.menu:
                return hot.box
        return self._places.screens if self._places is not None else Box(0, 0, 0, 0)

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
        """Zoom the time line, or scroll a list."""
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

    def _zoom(self, edge: int, *, nearer: bool) -> None:
        wide, narrow = ZOOM
        view = self._view()
        if nearer:
            self.state.view = view.zoomed(edge, wider=narrow, narrower=wide)
        else:
            self.state.view = view.zoomed(edge, wider=wide, narrower=narrow)

    # -- lists

    def _rows(self) -> int:
        if self.inspector is None:
            return 0
        tab = self.state.kept.tab
        if tab is Tab.FRAMES:
            return self.inspector.frames
        if tab is Tab.ROUTINES:
            return len(self._routines)
        return len(self.inspector.errors()) if tab is Tab.ERRORS else 0

    def _rows_seen(self) -> int:
        if self._places is None or self._look is None:
            return 1
        return max(1, rows_seen(self._places.side.cut_top(self._look.row_px)[1], self._look))

    def _scroll_by(self, rows: int) -> None:
        tab, count = self.state.kept.tab, self._rows()
        if not count:
            return
        first = self._firsts.get(tab, 0) + rows
        self.state.first_rows[tab] = max(0, min(first, count - self._rows_seen()))

    def _scroll_to(self, y: int, places: Places, look: Look) -> None:
        bar = places.side.cut_top(2 * look.row_px)[1]
        tab = self.state.kept.tab
        self.state.first_rows[tab] = row_at_bar(y, bar, self._rows(), self._rows_seen())

    def _choose_row(self, step: int) -> None:
        tab, count = self.state.kept.tab, self._rows()
        if not count:
            return
        chosen = self.state.chosen_rows.get(tab)
        if chosen is None:
            here = self.inspector.shown_frames - 1 if self.inspector is not None else 0
            chosen = here if tab is Tab.FRAMES else self._firsts.get(tab, 0) - step
        chosen = max(0, min(chosen + step, count - 1))
        self.state.chosen_rows[tab] = chosen
        first = self._firsts.get(tab, 0)
        self.state.first_rows[tab] = first_to_show(chosen, first, count, self._rows_seen())

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

    # -- actions

    def act(self, action: object) -> None:
        """Do what a control does."""
        state = self.state
        if isinstance(action, actions.Do):
            self.on_command(action.command)
        elif isinstance(action, actions.GoToFrame):
            self._go_to_frame(action.frame)
        elif isinstance(action, actions.GoToEdge):
            self._go_to_edge(action.edge)
        elif isinstance(action, actions.ChooseRoutine):
            self._choose_routine(action.routine)
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
        self.state.typing_for = action.what
        if action.what == "search":
            text = self.state.searched.text
            self.state.typing = Typing(text, len(text), SEARCH_HINT)
        else:
            self.state.typing = Typing(hint="note for this moment; Return keeps it")

    def _stop_typing(self) -> None:
        self.state.typing = None

    def _pixel(self) -> Pixel | None:
        return self.state.pinned or self.state.pixel

    def _pin(self, pixel: Pixel) -> None:
        self.state.pinned = pixel
        self.state.kept.tab = Tab.PIXEL

    def _go_to_frame(self, frame: int) -> None:
        if self.inspector is not None:
            self.player.pause()
            self.player.seek_to(self.inspector.cycle_showing(frame))
            self._arrived()

    def _go_to_edge(self, edge: int) -> None:
        if self.inspector is not None:
            self.player.seek_to(self.inspector.cycle_at(edge))
            self._arrived()

    def _choose_routine(self, routine: RoutineFacts) -> None:
        self.state.routine = routine
        self.state.overlay = Overlay.ROUTINE
        cycle = None if self.inspector is None else self.inspector.reach(routine.address)
        if cycle is None or cycle > (self._playable.end_cycle or 0):
            self._note(f"{routine.name} is not called again")
            return
        self.player.pause()
        self.player.seek_to(cycle)
        self._note(f"{routine.name}, as it is called")

    def _arrived(self) -> None:
        """Show the present position in the time line and the lists."""
        self._lists_key = ()
        if self.inspector is not None and self._drag is None:
            self.state.view = self._view().following(self.here_edge)
        self.state.first_rows.clear()

    def _mark_passage(self, first_edge: int, stop_edge: int) -> None:
        if self.inspector is None:
            return
        first, stop = self.inspector.cycle_at(first_edge), self.inspector.cycle_at(stop_edge)
        if stop > first:
            self.player.begin_mark, self.player.end_mark = first, stop

    def _choose_overlay(self, overlay: Overlay) -> None:
        self.state.overlay = overlay
        self._note("no overlay" if overlay is Overlay.NONE else f"overlay: {overlay.value}")

    # -- commands

    def do(self, command: Command) -> bool:
        """Do a command of the instrument; return whether it is one."""
        one = _COMMANDS.get(command)
        if one is None:
            return False
        one(self)
        return True

    def toggle(self) -> None:
        """Show the panels, or the screens alone."""
        self.state.kept.is_open = not self.state.kept.is_open
        self.state.menu = None

    def next_step_kind(self) -> None:
        """Choose the next kind of step."""
        kinds = [one for one in Step if self._can_step(one)]
        here = kinds.index(self.state.step) if self.state.step in kinds else -1
        self.state.step = kinds[(here + 1) % len(kinds)]
        self._note(f"a step is a {self.state.step.value}")

    def _can_step(self, kind: Step) -> bool:
        if kind is Step.REFRESH:
            return True
        if self.inspector is None or not self._playable.can_seek:
            return False
        if kind is Step.INSTRUCTION:
            return self.inspector.has_program
        return kind is not Step.PIXEL_WRITE or self._pixel() is not None

    def step(self, way: int) -> None:
        """Go one step on (1) or back (-1), of the kind that is chosen."""
        kind = self.state.step
        if kind is Step.REFRESH or self.inspector is None:
            self.player.step(way)
        elif kind is Step.STORE:
            self.player.step_stores(way)
        elif kind is Step.INSTRUCTION:
            self._go_to_instruction(way)
        elif kind is Step.SLOT:
            self._go_to_slot(way)
        elif kind is Step.ERROR:
            self.go_to_error(way)
        elif kind is Step.PIXEL_WRITE:
            self.go_to_write(way)
        self._arrived()

    def _go_to_instruction(self, way: int) -> None:
        assert self.inspector is not None
        cycle = self.inspector.instruction_beside(back=way < 0)
        if cycle is None:
            self._note("no instruction there")
            return
        self.player.pause()
        self.player.seek_to(cycle)

    def _go_to_slot(self, way: int) -> None:
        assert self.inspector is not None
        slot = self.inspector.slot_edges
        number = self.here_edge // slot + way
        self.player.pause()
        cycle = self.inspector.cycle_at(max(0, number) * slot)
        if way > 0 and cycle <= self._playable.cycle:
            cycle = self._playable.cycle + 1
        self.player.seek_to(cycle)

    def go_to_error(self, way: int) -> None:
        """Go to the next error, or the last."""
        if self.inspector is None:
            return
        errors, here = self.inspector.errors(), self.here_edge
        if way > 0:
            found = next((one for one in errors if one.edge > here), None)
        else:
            found = next((one for one in reversed(errors) if one.edge < here), None)
        if found is None:
            self._note("no error behind this moment" if way > 0 else "no error before this moment")
            return
        self.player.pause()
        self._go_to_edge(found.edge)

    def go_to_write(self, way: int) -> None:
        """Go to the next write of the pixel under the mouse or pinned, or to the last."""
        pixel = self._pixel()
        if self.inspector is None or pixel is None:
            self._note("point at a pixel, or click one to pin it")
            return
        # Of what is shown the last frame is where one stands, so it is not the one to go back to.
        here = self.inspector.shown_frames - (way < 0)
        frame = self.inspector.write_beside(pixel.unit, pixel.x, pixel.y, here, back=way < 0)
        if frame is None:
            self._note(
                "no later write of this pixel" if way > 0 else "no earlier write of this pixel"
            )
            return
        self._go_to_frame(frame)

    def next_overlay(self, way: int) -> None:
        """Show the next overlay, or the last."""
        kinds = self._overlays()
        self._choose_overlay(kinds[(kinds.index(self.state.overlay) + way) % len(kinds)])

    def next_tab(self, way: int) -> None:
        """Open the next panel, or the last."""
        tabs = list(Tab)
        kept = self.state.kept
        kept.tab = tabs[(tabs.index(kept.tab) + way) % len(tabs)]

    def zoom(self, way: int) -> None:
        """Zoom the time line round the present position, nearer (1), wider (-1) or to all (0)."""
        if not self.has_line:
            return
        if way:
            self._zoom(self.here_edge, nearer=way > 0)
        else:
            assert self.inspector is not None
            self.state.view = TimeView.whole(self.inspector.begin_edge, self.inspector.end_edge)

    def move_view(self, way: int) -> None:
        """Move the time line a quarter of what is seen."""
        if self.has_line:
            view = self._view()
            self.state.view = view.moved(way * max(1, view.span_edges // 4))

    def resize(self, *, side: int = 0, below: int = 0) -> None:
        """Make a panel larger or smaller."""
        kept = self.state.kept
        kept.side_permille = min(900, max(0, kept.side_permille + side * SPLIT_PERMILLE))
        kept.below_permille = min(900, max(0, kept.below_permille + below * SPLIT_PERMILLE))

    def move_pixel(self, across: int, down: int) -> None:
        """Pin the pixel beside the one that is pinned, or the middle of the first unit."""
        units = {name: display.unit for name, display in self._playable.displays.items()}
        if not units:
            return
        pixel = self._pixel()
        if pixel is None:
            unit = next(iter(units.values()))
            self._pin(Pixel(unit.name, unit.width_px // 2, unit.height_px // 2))
            return
        unit = units[pixel.unit]
        x = min(max(0, pixel.x + across), unit.width_px - 1)
        y = min(max(0, pixel.y + down), unit.height_px - 1)
        self._pin(Pixel(pixel.unit, x, y))

    def escape(self) -> None:
        """Close what is open: a menu, or the pixel that is pinned."""
        if self.state.menu is not None:
            self.state.menu = None
        else:
            self.state.pinned = None

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
        elif typing.text:
            self.state.searched = replace(typing, answer="")
            self.find(1)

    def find(self, way: int) -> None:
        """Go to the next frame, or the last, that has what was searched for."""
        searched = self.state.searched
        if self.inspector is None or not searched.text:
            self._note(f"{keys_of(Command.SEARCH, hears_keys=self._playable.hears_keys)} searches")
            return
        try:
            here = max(0, self.inspector.shown_frames - 1)
            found = self.inspector.find(searched.text, here, back=way < 0)
        except InputError as error:
            self._note(str(error))
            return
        if found is None:
            text = "no more behind this" if way > 0 else "no more before this"
            self.state.searched = replace(searched, answer=text)
            return
        self.state.searched = replace(searched, answer=f"frame {found:,}")
        self._go_to_frame(found)

    def _keep_mark(self, note: str) -> None:
        try:
            self.marks.add(self._playable.cycle, note)
            self._note(f"marked: {note}" if note else "marked")
        except (InputError, OutputError) as error:
            self._note(str(error))

    def remove_mark(self) -> None:
        """Remove the mark at this moment."""
        try:
            removed = self.marks.remove(self._playable.cycle)
            self._note("mark removed" if removed else "no mark at this moment")
        except OutputError as error:
            self._note(str(error))

    def go_to_mark(self, way: int) -> None:
        """Go to the next mark, or the last."""
        mark = self.marks.beside_of(self._playable.cycle, back=way < 0)
        if mark is None:
            self._note("no mark behind this moment" if way > 0 else "no mark before this moment")
            return
        self.player.seek_to(mark.cycle)
        self._arrived()
        if mark.note:
            self._note(mark.note)


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
