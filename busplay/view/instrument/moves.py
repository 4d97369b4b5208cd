"""What keys and buttons do: steps, searches, marks, overlays, panels."""

from __future__ import annotations

from dataclasses import replace

from busplay.errors import InputError, OutputError
from busplay.view.instrument.present import Present
from busplay.view.instrument.state import Overlay, Pixel, Step, Tab
from busplay.view.keys import Command, keys_of
from busplay.view.widgets.time_line import TimeView

ZOOM = 3, 2
SPLIT_PERMILLE = 25


class Moves(Present):
    """Goes from the present to somewhere else, or shows it in another way."""

    # -- commands

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
        if kind is Step.BREAKPOINT:
            return self.inspector.has_program and bool(self.state.breakpoint)
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
        elif kind is Step.BREAKPOINT:
            self.run_to_breakpoint(way)
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

    def run_to_breakpoint(self, way: int) -> None:
        """Run on to where the program next comes to the breakpoint, or back to the previous one."""
        inspector, text = self.inspector, self.state.breakpoint
        if inspector is None or not inspector.has_program:
            self._note("a breakpoint needs the program: --program FILE")
            return
        if not text:
            self._note(f"{self._keys(Command.BREAKPOINT)} sets a breakpoint")
            return
        try:
            cycle = self._searched(lambda: inspector.run_to(text, back=way < 0))
        except InputError as error:
            self._note(str(error))
            return
        where = "after" if way > 0 else "before"
        self._go_to_found(cycle, f"{text}: not reached {where} this moment")

    def run_to_return(self) -> None:
        """Run on to where the present routine has returned to its caller."""
        inspector = self.inspector
        if inspector is None or not inspector.has_program:
            self._note("a routine's return needs the program: --program FILE")
            return
        cycle = self._searched(inspector.call_return)
        self._go_to_found(cycle, "this routine does not return")

    def _go_to_found(self, cycle: int | None, otherwise: str) -> None:
        """Go to a moment of the program that was found, or note that there is none."""
        if cycle is None or cycle > (self._playable.end_cycle or 0):
            self._note_not_found(otherwise)
            return
        self.player.pause()
        self.player.seek_to(cycle)
        self.state.kept.tab = Tab.PROGRAM
        self._arrived()

    def _keys(self, command: Command) -> str:
        return keys_of(command, hears_keys=self._playable.hears_keys)

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
        """Go to the next error or the previous one; a difference between recordings is one too."""
        if self.inspector is None:
            return
        inspector, here = self.inspector, self.here_edge
        found = self._searched(lambda: inspector.error_beside(here, back=way < 0))
        if found is None:
            where = "after" if way > 0 else "before"
            self._note_not_found(f"no error {where} this moment")
            return
        self.player.pause()
        self._go_to_edge(found)

    def go_to_write(self, way: int) -> None:
        """Go to the next write of the pixel under the mouse or pinned, or to the previous one."""
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
        """Show the next overlay, or the previous one."""
        kinds = self._overlays()
        self._choose_overlay(kinds[(kinds.index(self.state.overlay) + way) % len(kinds)])

    def next_tab(self, way: int) -> None:
        """Open the next panel, or the previous one."""
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

    def find(self, way: int) -> None:
        """Go to the next frame, or the previous one, that has what was searched for."""
        searched = self.state.searched
        if self.inspector is None or not searched.text:
            self._note(f"{self._keys(Command.SEARCH)} searches")
            return
        inspector = self.inspector
        cycle = self._searched(lambda: inspector.find_code(searched.text, back=way < 0))
        if self._is_search_ended:
            self._note_not_found("")
            return
        if cycle is not None:
            self.state.searched = replace(searched, answer=f"cycle {cycle:,}")
            self.player.pause()
            self.player.seek_to(cycle)
            self._arrived()
            return
        try:
            here = max(0, self.inspector.shown_frames - 1)
            found = self.inspector.find(searched.text, here, back=way < 0)
        except InputError as error:
            self._note(str(error))
            return
        if found is None:
            text = "no more after this" if way > 0 else "no more before this"
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
        """Go to the next mark, or the previous one."""
        mark = self.marks.beside_of(self._playable.cycle, back=way < 0)
        if mark is None:
            self._note("no mark after this moment" if way > 0 else "no mark before this moment")
            return
        self.player.seek_to(mark.cycle)
        self._arrived()
        if mark.note:
            self._note(mark.note)

    def _overlays(self) -> list[Overlay]:
        """Return the overlays that there can be here."""
        without = set()
        if self.inspector is None or self.inspector.beside() is None:
            without.add(Overlay.DIFFERENCE)
        if self.state.routine is None:
            without.add(Overlay.ROUTINE)
        return [one for one in Overlay if one not in without]

    def _zoom(self, edge: int, *, nearer: bool) -> None:
        wide, narrow = ZOOM
        view = self._view()
        if nearer:
            self.state.view = view.zoomed(edge, wider=narrow, narrower=wide)
        else:
            self.state.view = view.zoomed(edge, wider=wide, narrower=narrow)
