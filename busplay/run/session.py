"""A whole machine at work: core, pipeline, and a recorder if asked for.

    session = Session(load_board("dunlin"), program="tides.bin")
    session.run(cycles=400_000)
    session.display("panel").image()

A session is what the window, the command line and tests drive; it is playable in the sense of
`busplay.player.playable`. Same board, same program, same key presses: same frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Self

from busplay.core.interface import Core, CoreStop
from busplay.core.make import core_for_board
from busplay.core.profile import CoreProfile, ProfilingCore
from busplay.description.board import Board, ImageFormat
from busplay.description.faults import FaultPlan
from busplay.display.display import Display
from busplay.errors import InputError
from busplay.pipeline.pipeline import Pipeline, PipelineCounters
from busplay.player.playable import Status
from busplay.program.loading import load_memory
from busplay.run.recent_load import RecentLoad
from busplay.run.recording import Recorder, header_for
from busplay.run.store_pc import StorePcFinder
from busplay.whole_file import require_other_file

KeyPresses = Iterable[tuple[int, int]]


class Session:
    """Core, link, receiver and displays of one board.

    Args:
        board: the description.
        program: file that is put into memory besides the board's own images.
        load_address: where a raw program goes; the board's `program_load_address` by default.
        program_format: form of the program's file; told by its content by default.
        core: name of the core, see `busplay.core.make`.
        key_presses: (cycle, code) of keys to press, in order; how a recorded run is repeated.
        record: file to which a trace is written while the program runs.
        record_received: file to which a trace of what arrives is written.
        profile: count cycles and stores by address, for `profile`.
        faults: damage to inject between the two ends.

    Raises:
        InputError: a program or image cannot be read or falls where there is no memory, or a
            profile is asked of a core that counts none.
        OutputError: the trace cannot be written.
    """

    def __init__(
        self,
        board: Board,
        *,
        program: str | Path | None = None,
        load_address: int | None = None,
        program_format: ImageFormat = "auto",
        core: str = "compiled",
        key_presses: KeyPresses = (),
        record: str | Path | None = None,
        record_received: str | Path | None = None,
        profile: bool = False,
        faults: FaultPlan | None = None,
    ) -> None:
        images = [one.image.path for one in board.memory if one.image is not None]
        for output in (record, record_received):
            require_other_file(output, program, board.file, *images)
        self.board = board
        self.core: Core = core_for_board(board, kind=core)
        self.pipeline = Pipeline(board, faults=faults)
        self._console = bytearray()
        self._recent = RecentLoad(board.clock_hz)
        self._load = partial(
            load_memory,
            board,
            program=None if program is None else Path(program),
            program_format=program_format,
            load_address=load_address,
        )
        self.program = self._load(self.core.memory)
        self._presses: list[tuple[int, int]] = []
        self._resets: list[int] = []
        self._reset_core(self.core)
        if profile:
            if not isinstance(self.core, ProfilingCore):
                raise InputError(
                    found=f"a profile asked of the {core} core", wanted="the compiled core has one"
                )
            self.core.start_profile()
        self.recorder = Recorder(
            self.pipeline, header_for(board, self.program), sent=record, received=record_received
        )
        for cycle, code in key_presses:
            self._press_at(cycle, code)

    # -- what a player plays

    @property
    def clock_hz(self) -> int:
        """Processor cycles in a second."""
        return self.board.clock_hz

    @property
    def cycle(self) -> int:
        """Processor cycles since power-on."""
        return self.core.cycle

    @property
    def stop(self) -> CoreStop | None:
        """Why the processor stands still, or None."""
        return self.core.stop

    @property
    def ended(self) -> bool:
        """The program has ended, or the processor cannot go on."""
        return self.core.stop is not None

    @property
    def end_cycle(self) -> int | None:
        """Not known while a program runs."""
        return self.core.cycle if self.ended else None

    @property
    def can_seek(self) -> bool:
        """A program that runs goes forward only."""
        return False

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
        """Run whole instructions until at least `cycles` have passed; return how many did.

        Ends early when the program writes its exit register or the processor cannot go on;
        `stop` tells why. What the program has stored by then is on the displays.

        Raises:
            OutputError: the trace could not be written any further; it reads up to there.
        """
        if cycles < 0:
            raise ValueError(f"cycles is {cycles}; time only goes forward")
        done = 0
        while done < cycles and not self.ended:
            # In pieces, so that a long run needs no memory for all of its stores.
            done += self._run_piece(min(cycles - done, PIECE_CYCLES))
        return done

    def _run_piece(self, cycles: int) -> int:
        before_slots, before_frames = self._slots(), self.pipeline.frames_carried
        done = self.core.run(cycles)
        stop_cycle = self.core.cycle
        frames = self.pipeline.feed(self.core.take_stores(), stop_cycle=stop_cycle)
        if self.core.host_port is not None:
            self._console += self.core.host_port.take_console()
        self.recorder.write(frames, cycles=stop_cycle)
        self._recent.add(
            cycles=done,
            frames=self.pipeline.frames_carried - before_frames,
            slots=self._slots() - before_slots,
        )
        return done

    def _slots(self) -> int:
        return self.pipeline.edge // self.pipeline.layout.slot_symbols

    def seek(self, cycle: int) -> None:
        """Refuse: a program that runs has no other time than now."""
        raise ValueError(f"a running program cannot jump to cycle {cycle}; record it and replay")

    def reset(self) -> None:
        """Press the board's reset button: the processor starts anew; the far end knows nothing.

        Memory, displays and the cycle counter stay as they are, as on a board.
        """
        self._resets.append(self.core.cycle)
        self._reset_core(self.core)

    def _reset_core(self, core: Core) -> None:
        core.reset()
        if self.program.start_address is not None:
            core.pc = self.program.start_address

    def press(self, code: int) -> None:
        """Press a key now; the program sees it from the present cycle on."""
        self._press_at(self.core.cycle, code)

    def _press_at(self, cycle: int, code: int) -> None:
        if self.core.host_port is None:
            return
        self.core.host_port.press(code, cycle=cycle)
        self._presses.append((cycle, code))
        self.recorder.press(cycle, code)

    def take_console(self) -> bytes:
        """Return what the program wrote to its console register since the last call."""
        taken = bytes(self._console)
        self._console.clear()
        return taken

    def counters(self) -> PipelineCounters:
        """What has been sent, received and lost."""
        return self.pipeline.counters()

    def profile(self) -> CoreProfile | None:
        """What the processor did, by address; None if it was not asked for."""
        return self.core.profile() if isinstance(self.core, ProfilingCore) else None

    def program_counters(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction that made the store of each cycle.

        The program runs once more for it, on a core of its own, as far as the last of them.

        Args:
            cycles: in which stores fell into windows, in any order.

        Returns:
            Cycle to address; a store of an interrupt sequence has the address that it will return
            to.

        Raises:
            ValueError: nothing was stored into a window in one of the cycles, or the run has not
                come to it.
        """
        if cycles and max(cycles) >= self.cycle:
            raise ValueError(
                f"cycle {max(cycles):,}: the run has come to cycle {self.cycle:,} and no further"
            )
        return self.store_pc_finder().find(cycles)

    def store_pc_finder(self) -> StorePcFinder:
        """Return a finder of program counters of this run's stores, in order of their cycles."""
        core = core_for_board(self.board, kind=self.core.kind)
        self._load(core.memory)
        self._reset_core(core)
        if core.host_port is not None:
            for cycle, code in self._presses:
                core.host_port.press(code, cycle=cycle)
        resets = [(cycle, self._reset_core) for cycle in self._resets]
        return StorePcFinder(core, resets)

    def status(self) -> Status:
        """Return how things are, for a status line."""
        stop = self.core.stop
        state = ""
        if stop is not None:
            state = f"exit {stop.exit_status}" if stop.kind == "exit" else stop.reason
        return self._recent.status(self.pipeline, cycle=self.core.cycle, state_text=state)

    # -- the recorder

    def close(self, *, keeps_old: bool = False) -> None:
        """End the recordings; without one nothing happens.

        Args:
            keeps_old: leave traces that were there in their places, and the new ones beside them.
        """
        self.recorder.close(cycles=self.core.cycle, keeps_old=keeps_old)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self.recorder.fail(cycles=self.core.cycle)
        self.close()


PIECE_CYCLES = 1_000_000
