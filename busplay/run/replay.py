"""Replay of a trace: its frames go through the same receiver and the same displays.

A replay is a `Playable` that can jump: to the key frame before the cycle, and from there it plays.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from os import PathLike
from pathlib import Path
from typing import Protocol, Self

import numpy as np

from busplay.batch import FrameBatch
from busplay.description.board import Board
from busplay.description.faults import Faults
from busplay.description.read_faults import as_faults
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.pipeline.frame_accounts import SentFrames
from busplay.pipeline.pipeline import Pipeline, PipelineSnapshot
from busplay.player.playable import Status
from busplay.run.inputs import RunInputs
from busplay.run.recent_load import RecentLoad
from busplay.run.recording import Recorder
from busplay.sender.encoder import LostStores
from busplay.trace.container import TOTAL_MAX
from busplay.trace.parts import GrownTrace
from busplay.trace.reader import TraceReader
from busplay.whole_file import require_other_file


class StoresBeside(Protocol):
    """The stores of a trace's frames, from its first frame on."""

    def find(self, frames: FrameBatch) -> SentFrames:
        """Return the next frames of the trace with their stores."""

    def take_lost(self) -> LostStores:
        """Return the stores that found the sender FIFO full since the last call."""


class Replay:
    """A trace that plays.

    Args:
        path: the trace's file; or a trace that grows, as it is at a moment.
        faults: faults to inject, or the path of their file; with them a jump plays from the
            beginning, since key frames are of an undamaged run.
        record_received: file for a trace of what arrives. With it, or with a rerun beside it, a
            replay cannot jump.
        find_snapshot: returns the pipeline with these faults as it was at an edge or before, so
            that a jump plays from there; None: it is not known.

    Raises:
        InputError: the file is not a trace, or is damaged, or its link cannot have the faults.
        OutputError: the trace of what arrives cannot be written.

    >>> import busplay
    >>> with busplay.Replay("tides.trace", faults=busplay.Faults(ber=1e-5)) as replay:
    ...     replay.seek(1_000_000)
    ...     replay.display("panel").save("noisy.png")
    ...     lost = replay.pipeline.counters().accounts.frames.lost
    >>> lost > 0
    True
    """

    def __init__(
        self,
        path: str | PathLike[str] | GrownTrace,
        *,
        faults: Faults | str | Path | None = None,
        record_received: str | Path | None = None,
        find_snapshot: Callable[[int], PipelineSnapshot | None] = lambda _: None,
    ) -> None:
        if not isinstance(path, GrownTrace):
            require_other_file(record_received, path)
        self._find_snapshot = find_snapshot
        self.reader = TraceReader(path)
        board = self.reader.header.board
        if board is None:
            self.reader.close()
            raise InputError(
                file=str(self.reader.path),
                found="a trace without a board",
                wanted="record it with a board",
            )
        self.board: Board = board
        self._again: StoresBeside | None = None
        inputs = RunInputs.of_trace(self.reader)
        # Cycle, and a key's code; None: a reset.
        self._inputs: deque[tuple[int, int | None]] = deque(
            sorted(
                [*inputs.key_presses, *((cycle, None) for cycle in inputs.resets)],
                key=lambda one: one[0],
            )
        )
        try:
            self._faults = as_faults(faults, board.link)
            self.pipeline = Pipeline(board, faults=self._faults)
            self._power_on = self.pipeline.states()
            self.recorder = Recorder(self.pipeline, self.reader.header, received=record_received)
            self._pages = self.reader.shown_pages.all() if self.recorder.is_needed else None
        except BaseException:
            self.reader.close()
            raise
        self._recent = RecentLoad(board.clock_hz)
        self._cycle = 0
        self._chunks: Iterator[FrameBatch] = self.reader.chunks()
        self._waiting = FrameBatch.empty()

    def run_beside(self, again: StoresBeside) -> None:
        """Run the recorded program beside its trace, so that losses name their stores.

        Raises:
            ValueError: the replay is not at its beginning.
        """
        if self._cycle:
            raise ValueError("a program runs beside its trace from the beginning")
        self._again = again

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second."""
        return self.board.clock_hz

    @property
    def cycle(self) -> int:
        """Processor cycle that is shown."""
        return self._cycle

    @property
    def end_cycle(self) -> int:
        """Processor cycles in the trace."""
        return self.reader.cycles

    @property
    def ended(self) -> bool:
        """Whether the trace has ended."""
        return self._cycle >= self.end_cycle

    @property
    def can_seek(self) -> bool:
        """Whether it can jump: not if it is recorded or its program runs beside it."""
        return not self.recorder.is_needed and self._again is None

    @property
    def hears_keys(self) -> bool:
        """What was recorded hears no keys."""
        return False

    @property
    def is_faulty(self) -> bool:
        """Whether damage is injected on its way."""
        return self._faults is not None

    @property
    def cut_reason(self) -> str:
        """Why the trace is not complete; empty if it is."""
        return self.reader.cut_reason or ""

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name."""
        return self.pipeline.displays

    def display(self, name: str) -> Display:
        """Return the display of that unit.

        Raises:
            KeyError: the board has no such unit.
        """
        return self.pipeline.displays[name]

    def run(self, cycles: int) -> int:
        """Play CYCLES cycles, fewer at the end; return the count played.

        Raises:
            InputError: the trace is damaged here.
        """
        if cycles < 0:
            raise ValueError(f"cycles is {cycles}; use seek to go back")
        stop_cycle = min(self._cycle + cycles, self.end_cycle)
        before_frames, before_edge = self.pipeline.frames_carried, self.pipeline.edge
        # At the end everything is shown, including what the sender FIFO still held.
        last = stop_cycle == self.end_cycle
        stop_edge = self.start_edge(stop_cycle)
        for frames in self._frames_until(None if last else stop_edge):
            stores = None if self._again is None else self._again.find(frames)
            self.pipeline.feed_frames(frames, stop_edge=0, stores=stores)
            if self._again is not None:
                self.pipeline.enter_lost(self._again.take_lost())
        self.pipeline.feed_frames(FrameBatch.empty(), stop_edge=stop_edge)
        done = stop_cycle - self._cycle
        self._cycle = stop_cycle
        self._record()
        self._recent.add(
            cycles=done,
            frames=self.pipeline.frames_carried - before_frames,
            slots=(self.pipeline.edge - before_edge) // self.pipeline.layout.slot_symbols,
        )
        return done

    def _record(self) -> None:
        """Record what has arrived, and the inputs so far."""
        while self._inputs and self._inputs[0][0] <= self._cycle:
            cycle, code = self._inputs.popleft()
            if code is None:
                self.recorder.reset(cycle)
            else:
                self.recorder.press(cycle, code)
        pages, self._pages = self._pages, None
        self.recorder.write(FrameBatch.empty(), cycles=self._cycle, pages=pages)

    def start_edge(self, cycle: int) -> int:
        """Return the earliest edge at which the frame of a store just before `cycle` starts.

        A run has shown the frames that start up to there, that edge included, when it reaches
        `cycle`, unless frames waited in the sender FIFO.
        """
        grid = self.pipeline.encoder.grid_edges
        return -(-self.pipeline.encoder.cycle_to_edge(cycle) // grid) * grid

    def _frames_until(self, last_start: int | None) -> Iterator[FrameBatch]:
        """Return the frames that start up to an edge (None: all); the rest waits."""
        while True:
            frames = self._waiting
            if last_start is not None:
                count = int(np.searchsorted(frames.edge, np.uint64(last_start), side="right"))
                if count < len(frames):
                    self._waiting = FrameBatch(frames.edge[count:], frames.word[count:])
                    yield FrameBatch(frames.edge[:count], frames.word[:count])
                    return
            self._waiting = FrameBatch.empty()
            yield frames
            following = next(self._chunks, None)
            if following is None:
                return
            self._waiting = self._require_slots(following)

    def _require_slots(self, frames: FrameBatch) -> FrameBatch:
        """Return the frames if each has a slot of the link.

        Raises:
            InputError: a frame starts off the grid, or before the previous one has ended.
        """
        grid, slot = self.pipeline.encoder.grid_edges, self.pipeline.layout.slot_symbols
        edge, gaps = frames.edge, np.diff(frames.edge)
        if grid & grid - 1 == 0:
            # All bits together: a remainder of each takes longer than all the rest.
            is_on_grid = not int(np.bitwise_or.reduce(edge)) & (grid - 1)
        else:
            is_on_grid = not (edge % np.uint64(grid)).any()
        if is_on_grid and (not len(gaps) or int(gaps.min()) >= slot):
            return frames
        wrong = edge % np.uint64(grid) != 0
        wrong[1:] |= gaps < np.uint64(slot)
        raise InputError(
            file=str(self.reader.path),
            place=f"edge {int(frames.edge[int(np.argmax(wrong))]):,}",
            found=f"a frame that starts there on link {self.reader.header.link.name}",
            wanted=f"its frames start at multiples of {grid} edges and take {slot}, so this"
            " trace cannot be replayed",
        )

    def seek(self, cycle: int) -> None:
        """Go to a cycle; one outside the trace means its nearest end.

        Raises:
            InputError: the trace is damaged there.
            ValueError: it cannot jump.
        """
        if not self.can_seek:
            raise ValueError("a replay that is recorded, or runs its program, goes forward only")
        cycle = max(0, min(cycle, self.end_cycle))
        snapshot = self._find_snapshot(self.start_edge(cycle))
        if snapshot is None:
            self._go_to_key_frame(0 if self._faults is not None else self.start_edge(cycle))
        else:
            self.pipeline.resume(snapshot)
            self._chunks = self.reader.frames_between(snapshot.edge, TOTAL_MAX)
        self._waiting = FrameBatch.empty()
        self._cycle = min(cycle, self.reader.header.cycles_at(self.pipeline.edge))
        self.run(cycle - self._cycle)
        self._note_recent_load()

    def _go_to_key_frame(self, edge: int) -> None:
        point = self.reader.seek(edge)
        try:
            # To make a pipeline takes longer than to play most of the way.
            self.pipeline.restore(
                point.states or self._power_on,
                edge=point.edge,
                frames_carried=point.frames_before,
            )
        except InputError as error:
            raise InputError(
                file=str(self.reader.path),
                place=f"key frame after frame {point.frames_before:,}: {error.place}",
                found=error.found,
                wanted=error.wanted,
            ) from error
        self._chunks = iter(point.chunks)

    def _note_recent_load(self) -> None:
        """Take up how busy the link was lately, without playing that."""
        before = max(0, self._cycle - self._recent.span_cycles)
        first_edge = self.start_edge(before)
        # Where a chunk begins near there, its frames need not be decoded to be counted.
        begins = self.reader.edges_before
        place = int(np.searchsorted(begins, np.uint64(first_edge)))
        for edge in begins[max(0, place - 1) : place + 1].tolist() if before else ():
            if abs(edge - first_edge) <= (self.pipeline.edge - first_edge) // 8:
                before, first_edge = self.reader.header.cycles_at(edge), edge
                break
        frames = self.pipeline.frames_carried - self.reader.frames_before_edge(first_edge)
        self._recent.clear()
        self._recent.add(
            cycles=self._cycle - before,
            frames=frames,
            slots=max(0, self.pipeline.edge - first_edge) // self.pipeline.layout.slot_symbols,
        )

    def reset(self) -> None:
        """Go back to the beginning."""
        self.seek(0)

    def press(self, code: int) -> None:
        """Do nothing: a recording takes no keys."""

    def status(self) -> Status:
        """Return the present status."""
        state = ""
        if self.ended:
            state = "end of trace" if self.reader.complete else "end of what was recorded"
        return self._recent.status(self.pipeline, cycle=self._cycle, state_text=state)

    def close(self, *, keeps_old: bool = False) -> None:
        """Close the file, and end the recording.

        Args:
            keeps_old: keep an existing trace, and leave the new one beside it.
        """
        try:
            self.recorder.close(cycles=self._cycle, keeps_old=keeps_old)
        finally:
            self.reader.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is not None:
                self.recorder.fail(cycles=self._cycle)
        finally:
            self.close()
