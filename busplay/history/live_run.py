"""A run that can go back: what it sent is kept in a trace, of a long run the latest part.

How to think about it. The session runs at its head. Its frames go into a trace that is read while
it grows; going back shows a replay of that trace while the session waits. Going forward plays the
replay up to the head, where the session continues. So the past is shown by the same receiver and
displays as any recording, and the session itself never goes back.

With faults, what arrived depends on all that came before. So snapshots of the pipeline are taken
as the run goes, and the past plays from the one before: over the same wire, error by error.
"""

from __future__ import annotations

import time
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from pathlib import Path

from busplay.description.board import Board
from busplay.display.display import Display
from busplay.errors import InputError, OutputError
from busplay.history.history import History
from busplay.history.index import GrowingIndex
from busplay.history.program_history import MEMORY_MB, ProgramHistory
from busplay.history.program_inspector import KnownProgram, ProfileOf
from busplay.history.trace_inspector import TraceInspector
from busplay.pipeline.pipeline import Pipeline, PipelineSnapshot
from busplay.player.playable import Status
from busplay.program.labels import Labels
from busplay.program.pages import FullAddresses
from busplay.run.recording import KeptTrace
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.run.store_stream import StoreStream
from busplay.trace.reader import TraceReader
from busplay.units import NS_PER_S

# While it plays, the history is followed this often, and takes at most this part of the time.
RENEW_NS = NS_PER_S // 4
RENEW_PART = 60
# Of a run with faults; every second one is dropped when there are more.
SNAPSHOTS_MAX = 256


class LiveRun:
    """A session, or stores from elsewhere, that can go back; a `Playable`.

    Args:
        session: made with `keep`; nothing has run yet.
        program: the session's run by instructions; None: not available.

    Attributes:
        session: the running session.
        renewals: count of times that the history has grown.

    Raises:
        ValueError: the session keeps nothing.
    """

    def __init__(
        self, session: Session | StoreStream, *, program: ProgramHistory | None = None
    ) -> None:
        kept = session.recorder.kept
        if kept is None:
            raise ValueError("the session keeps nothing to go back to")
        self.session = session
        self.program = program
        self.renewals = 0
        self._kept: KeptTrace = kept
        self._past: Replay | None = None
        self._past_renewals = 0
        self._reader = TraceReader(kept.writer.grown())
        self._index = GrowingIndex(session.board)
        self._history: History | None = None
        self._snapshots: list[PipelineSnapshot] = []
        encoder = session.pipeline.encoder
        self._snapshot_edges = encoder.cycle_to_edge(session.clock_hz) - encoder.cycle_to_edge(0)
        self._presses_told = len(session.key_presses)
        self._parts_taken = 0

    # -- what is shown

    @property
    def board(self) -> Board:
        """The board."""
        return self.session.board

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second."""
        return self.session.clock_hz

    @property
    def cycle(self) -> int:
        """Processor cycle that is shown."""
        return self.session.cycle if self._past is None else self._past.cycle

    @property
    def is_at_head(self) -> bool:
        """Whether the session itself is shown."""
        return self._past is None

    @property
    def ended(self) -> bool:
        """Whether the program has ended, and its end is shown."""
        return self._past is None and self.session.ended

    @property
    def end_cycle(self) -> int | None:
        """How far the run has come."""
        return self.session.cycle

    @property
    def can_seek(self) -> bool:
        """The run so far is kept."""
        return True

    @property
    def hears_keys(self) -> bool:
        """Keys reach the program."""
        return True

    @property
    def is_faulty(self) -> bool:
        """Whether faults are injected."""
        return self.session.pipeline.faults is not None

    @property
    def displays(self) -> Mapping[str, Display]:
        """The units by name, at the cycle shown."""
        return self.pipeline.displays

    @property
    def pipeline(self) -> Pipeline:
        """Sender, receiver and displays at the cycle shown."""
        return self.session.pipeline if self._past is None else self._past.pipeline

    def start_edge(self, cycle: int) -> int:
        """Return the earliest edge at which the frame of a store just before `cycle` starts."""
        encoder = self.session.pipeline.encoder
        grid = encoder.grid_edges
        return -(-encoder.cycle_to_edge(cycle) // grid) * grid

    def status(self) -> Status:
        """Return the present status."""
        if self._past is None:
            return self.session.status()
        return self._past.status()

    # -- the recording

    @property
    def failure(self) -> OutputError | None:
        """Why no more of the run is kept, or None."""
        return self._kept.failure

    @property
    def reader(self) -> TraceReader:
        """The trace of the run, as last followed."""
        return self._reader

    @property
    def history(self) -> History:
        """The history of the run, as last followed."""
        if self._history is None:
            self.renew()
            self._index.follow(self._reader, self._kept.index_builder)
            self._history = History(self._reader, self._index.index)
        return self._history

    @property
    def begin_cycle(self) -> int:
        """The first cycle that can be gone back to: above 0 once the beginning was dropped."""
        begin_edge = self._reader.begin_edge
        if not begin_edge:
            return 0
        if self.is_faulty:
            # Nothing is known of the wire before the first snapshot that is left.
            begin_edge = max(begin_edge, self._snapshots[0].edge)
        return self._reader.header.cycles_at(begin_edge) + 1

    def renew(self, *, whole: bool = True) -> bool:
        """Follow the trace with the history; return whether it has grown.

        Args:
            whole: everything sent so far, not only what has gone into the trace's full chunks.
        """
        kept = self._kept
        if whole or kept.writer.frames_stored == self._reader.frames:
            kept.flush()
        if kept.writer.frames_stored == self._reader.frames and self._history is not None:
            return False
        # The one before is not closed: whoever has not followed yet still reads it.
        self._reader = TraceReader(kept.writer.grown())
        if self._history is not None:
            self._index.follow(self._reader, kept.index_builder)
            keys = [cycle for cycle, _ in self.session.key_presses]
            self._history.follow(self._reader, self._index.index, key_cycles=keys)
        self.renewals += 1
        begin = self._reader.begin_edge
        del self._snapshots[: bisect_left(self._snapshots, begin, key=lambda one: one.edge)]
        if self._parts_taken != kept.writer.parts_taken:
            self._parts_taken = kept.writer.parts_taken
            if self._past is not None:
                self.seek(self._past.cycle)
        return True

    def _take_snapshot(self) -> None:
        """Take a snapshot of a pipeline with faults, if it is time for one."""
        pipeline = self.session.pipeline
        before = self._snapshots[-1].edge if self._snapshots else 0
        if not self.is_faulty or pipeline.edge - before < self._snapshot_edges:
            return
        self._snapshots.append(pipeline.snapshot())
        if len(self._snapshots) > SNAPSHOTS_MAX:
            # The oldest stays, as nothing before it can be shown once the beginning is dropped.
            del self._snapshots[1::2]
            self._snapshot_edges *= 2

    def _snapshot_at(self, edge: int) -> PipelineSnapshot | None:
        """Return the last snapshot at an edge or before it; None: there is none."""
        after = bisect_right(self._snapshots, edge, key=lambda one: one.edge)
        return self._snapshots[after - 1] if after else None

    # -- moves

    def run(self, cycles: int) -> int:
        """Go forward: through the trace if it has gone back, then by running the program."""
        done = 0
        if self._past is not None:
            done = self._past.run(min(cycles, max(0, self.session.cycle - self._past.cycle)))
            if not self._past.ended and self._past.cycle < self.session.cycle:
                return done
            # After the last frame nothing changes up to the head.
            done = max(done, min(cycles, done + self.session.cycle - self._past.cycle))
            self._go_to_head()
        if done < cycles and not self.session.ended:
            done += self.session.run(cycles - done)
            self._take_snapshot()
            self._tell_inputs()
            if self.program is not None and isinstance(self.session, Session):
                self.program.extend_to(self.session.cycle)
                self.program.take_snapshot(self.session.core)
        if self._parts_taken != self._kept.writer.parts_taken:
            # What the history was made of is not there any more.
            self.renew(whole=False)
        return done

    def seek(self, cycle: int) -> None:
        """Go to a cycle of the run so far that is kept; one beyond it means the head."""
        if cycle >= self.session.cycle:
            self._go_to_head()
            return
        self.renew()
        if self._past is None or self._past_renewals != self.renewals:
            self._close_past()
            self._past = Replay(
                self._kept.writer.grown(),
                faults=self.session.pipeline.faults,
                find_snapshot=self._snapshot_at,
            )
            self._past_renewals = self.renewals
        self._past.seek(max(cycle, self.begin_cycle))

    def _go_to_head(self) -> None:
        self._close_past()

    def _close_past(self) -> None:
        past, self._past = self._past, None
        if past is not None:
            past.close()

    def reset(self) -> None:
        """Press the board's reset button, at the head."""
        self._go_to_head()
        if self.program is not None:
            self.program.reset(self.session.cycle)
        self.session.reset()

    def press(self, code: int) -> None:
        """Press a key; ignored in the past."""
        if self._past is None:
            self.session.press(code)
            self._tell_inputs()

    def _tell_inputs(self) -> None:
        """Hand the keys pressed since the last call to the program's own run."""
        presses = self.session.key_presses
        if self.program is not None:
            for cycle, code in presses[self._presses_told :]:
                self.program.press(cycle, code)
        self._presses_told = len(presses)

    def close(self) -> None:
        """Close the trace and the history."""
        self._close_past()
        self._reader.close()


def follow(
    session: Session, *, labels: Path | None = None, memory_mb: int = MEMORY_MB
) -> ProgramHistory | None:
    """Return a session's run by instructions; None if its core cannot go back."""
    start = session.start
    try:
        return ProgramHistory(
            session.board,
            start.path,
            load_address=start.load_address,
            core=start.core_kind,
            key_presses=session.key_presses,
            resets=session.resets,
            end_cycle=session.cycle,
            labels=labels,
            memory_mb=memory_mb,
        )
    except InputError:
        return None


class LiveInspector(TraceInspector):
    """Queries on a live run.

    Args:
        live: the live run.
        labels: the program's.
        profile_of: returns the routines of a passage, from one cycle to another.
    """

    def __init__(
        self,
        live: LiveRun,
        *,
        labels: Labels | None = None,
        profile_of: ProfileOf | None = None,
    ) -> None:
        super().__init__(live, live.history, KnownProgram(labels, live.program, profile_of))
        self._live = live
        self._due_ns = 0
        self._taken = live.renewals

    @property
    def begin_edge(self) -> int:
        """Where what is kept begins."""
        cycle = self._live.begin_cycle
        return self.edge_at(cycle) if cycle else 0

    @property
    def _accounting(self) -> Pipeline:
        """The session's, whatever is shown: its errors are those of the whole run."""
        return self._live.session.pipeline

    def error_beside(self, edge: int, *, back: bool) -> int | None:
        """Return the edge of the nearest error after an edge, or before it, or None."""
        return self._known_error_beside(edge, back=back)

    @property
    def _store_pages(self) -> FullAddresses | None:
        """As the session knows them."""
        session = self._live.session
        return session.store_pages.full_addresses if isinstance(session, Session) else None

    @property
    def trouble(self) -> str:
        """Why no more of the run is kept; empty if it is."""
        failure = self._live.failure
        found = "" if failure is None else failure.found or str(failure)
        return found and f"the run can be gone back in up to here only: {found}"

    @property
    def end_edge(self) -> int:
        """A little before the head, so that a time line of the whole run rarely moves."""
        clock_hz = self._live.clock_hz
        head = max(self._live.session.cycle, clock_hz)
        step = 1 << max(0, (head // 16).bit_length() - 1)
        return self.edge_at(-(-(head + 1) // step) * step)

    def refresh(self, now_ns: int, *, playing: bool) -> None:
        """Include everything sent so far: at once when paused, now and then while it plays."""
        super().refresh(now_ns, playing=playing)
        if not playing or now_ns >= self._due_ns:
            begun_ns = time.monotonic_ns()
            self._live.renew(whole=not playing)
            took_ns = time.monotonic_ns() - begun_ns
            self._due_ns = now_ns + max(RENEW_NS, RENEW_PART * took_ns)
        if self._taken != self._live.renewals:
            self._taken = self._live.renewals
            self._take_history(self._live.history)
