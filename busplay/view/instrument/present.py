"""What the instrument is about: the player, the recording, and what is chosen at present."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from busplay.description.full_address import address_text
from busplay.display.display import Display
from busplay.player.inspector import Inspector, PixelFacts, RoutineFacts
from busplay.player.marks import Marks
from busplay.player.player import Player
from busplay.view import theme
from busplay.view.instrument import actions
from busplay.view.instrument.layout import Places
from busplay.view.instrument.line import (
    LineSums,
)
from busplay.view.instrument.state import InstrumentState, Overlay, Pixel, Tab
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.keys import HelpRow, help_rows
from busplay.view.theme import Colour
from busplay.view.widgets.drawing import Hot, Look
from busplay.view.widgets.text_view import Line
from busplay.view.widgets.time_line import TimeView

# While it plays, lists and figures change so often: faster, and nobody can read them.
LISTS_HZ = 10
# So often in a second of the board's time the passage of an overlay moves on.
OVERLAY_STEPS_HZ = 4
# Pixels that are remembered as long as nothing moves.
FACTS_MAX = 256


class SearchEndedError(Exception):
    """Somebody does not want to wait for the end of a search."""


class Present:
    """A player, its recording, and what is chosen of both.

    Args:
        player: what plays.
        inspector: answers about the recording; None: nothing is recorded.
        marks: of the recording.
        state: what is chosen at first.
        note: called with what is worth a line for a moment.

    Attributes:
        is_held: time stands still, although it plays, as while somebody types.
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
        self.is_held = False
        self._is_search_ended = False
        self._errors_seen = 0
        self._trouble = ""
        self._lists_due_ns = 0
        self._firsts: dict[Tab, int] = {}
        self._facts_key: tuple[object, ...] = ()
        self._facts: dict[Pixel, PixelFacts] = {}
        self._routines: Sequence[RoutineFacts] = ()
        self._lines: Sequence[Line] = ()

    # -- the present

    @property
    def _is_running(self) -> bool:
        """It plays, and nothing holds it."""
        return self.player.playing and not self.is_held

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
        if self._is_running and now_ns < self._lists_due_ns and self._lists_key:
            return self._lists_key
        shown = 0 if self.inspector is None else self.inspector.shown_frames
        version = 0 if self.inspector is None else self.inspector.version
        self._errors_seen = 0 if self.inspector is None else len(self.inspector.errors())
        here = self._playable.cycle
        self._lists_key = (here, shown, version, self._errors_seen, self.player.playing)
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

    def pixel_facts(self, pixel: Pixel) -> PixelFacts | None:
        """Return what is known of a pixel, with the instruction that wrote it."""
        if self.inspector is None:
            return None
        key = (self._playable.cycle, self.inspector.shown_frames, self.inspector.version)
        if key != self._facts_key or len(self._facts) >= FACTS_MAX:
            self._facts_key, self._facts = key, {}
        if pixel not in self._facts:
            found = self.inspector.pixel(pixel.unit, pixel.x, pixel.y, deep=True)
            self._facts[pixel] = found
        return self._facts[pixel]

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
        """Where the passage of an overlay begins: the loop's begin mark, or a second back."""
        if self.inspector is None:
            return 0
        begin = self.player.begin_mark
        if begin is None or begin > self._playable.cycle:
            # In steps, since what memory held at the beginning is worked out once for each.
            clock_hz = self._playable.clock_hz
            step = max(1, clock_hz // OVERLAY_STEPS_HZ)
            begin = max(0, (self._playable.cycle - clock_hz) // step * step)
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

    # -- going there

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

    def _go_to_instruction_at(self, cycle: int) -> None:
        self.player.pause()
        self.player.seek_to(cycle)
        self.state.kept.tab = Tab.PROGRAM
        self._arrived()

    def _show_symbols(self, frame: int, edge: int) -> None:
        if self.inspector is None:
            return
        self._go_to_frame(frame)
        self.state.view = self._view().on(edge, edge + self.inspector.slot_edges)

    begin_search: Callable[[], Callable[[int], None] | None] = staticmethod(lambda: None)
    """Set by the window: returns what is called now and then while the program is searched."""

    def _searched(self, find: Callable[[], int | None]) -> int | None:
        """Return what a search of the program finds; None also if it was ended before."""
        assert self.inspector is not None
        self.inspector.on_search = self.begin_search()
        self._is_search_ended = False
        try:
            return find()
        except SearchEndedError:
            self._is_search_ended = True
            return None
        finally:
            self.inspector.on_search = None

    def _note_not_found(self, text: str) -> None:
        """Note that a search has found nothing, unless somebody has ended it."""
        self._note("the search was ended" if self._is_search_ended else text)

    def _choose_routine(self, routine: RoutineFacts) -> None:
        self.state.routine = routine
        self.state.overlay = Overlay.ROUTINE
        inspector, first = self.inspector, address_text(routine.address)
        cycle = None
        if inspector is not None:
            cycle = self._searched(lambda: inspector.run_to(first, back=False))
        if cycle is None or cycle > (self._playable.end_cycle or 0):
            self._note_not_found(f"{routine.name} is not called again")
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
