"""A running machine: core, pipeline, and a recorder if asked for.

    session = Session("dunlin", program="tides.bin")
    session.run(cycles=400_000)
    session.display("panel").save("screen.png")

The window, the command line and tests drive a session, which is a `Playable`. Same board, same
program, same key presses: same frames.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property, partial
from pathlib import Path
from typing import Self

from busplay.batch import UInt8Column
from busplay.core.devices.interface import DeviceError
from busplay.core.interface import (
    Core,
    CoreStop,
    Registers,
    RunsToAddress,
    full_address_of,
    leds_of,
    press_key,
    take_sent,
    takes_keys,
)
from busplay.description.board import Board, ImageFormat
from busplay.description.faults import Faults
from busplay.description.full_address import (
    PAGE_MAX,
    PAGE_UNIT,
    address_of,
    address_text,
    require_page,
)
from busplay.description.read_faults import as_faults
from busplay.display.display import Display
from busplay.errors import InputError, NotReachedError
from busplay.link.load import as_board
from busplay.pipeline.pipeline import Pipeline, PipelineCounters
from busplay.player.playable import Status
from busplay.program.labels import Labels, labels_for, read_labels
from busplay.program.symbols import address_of_label
from busplay.run.inputs import RunInputs
from busplay.run.kept_states import StateKeeper
from busplay.run.program_start import ProgramStart
from busplay.run.recent_load import RecentLoad
from busplay.run.recording import Recorder, header_for
from busplay.run.serial_lines import SerialLines
from busplay.run.store_pages import StorePages
from busplay.run.store_pc import StorePcFinder
from busplay.whole_file import require_other_file

KeyPresses = Iterable[tuple[int, int]]


class Session:
    """Core, link, receiver and displays of one board.

    Args:
        board: the description, or the name or path of its file.
        program: file loaded into memory after the board's own images; a bare name without such a
            file, such as `tides.bin`, means a shipped program.
        load_address: where a raw program is loaded; by default the board's
            `program_load_address`.
        program_format: format of the program's file; detected by default.
        core: name of the core, see `busplay.core.make`.
        labels: the program's, by address, or the path of their file; by default NAME.lbl or
            NAME.labels beside the program.
        key_presses: (cycle, code) of keys to press, in order, as to repeat a recorded run.
        resets: cycles at which to press the reset button, likewise.
        record: file for a trace of the run.
        record_received: file for a trace of what arrives.
        keep: new file for a trace to go back to while the program runs; see `KeptTrace`.
        faults: faults to inject between the two ends, or the path of their file.

    Raises:
        InputError: a description, program, image or list of labels cannot be read, or a
            program falls where there is no memory.
        OutputError: the trace cannot be written.

    >>> import busplay
    >>> session = busplay.Session("dunlin", program="tides.bin")
    >>> done = session.run(cycles=400_000)
    >>> done = session.run_until(label="main_loop")
    >>> f"${session.registers.pc:04X}", bytes(session.memory[0xC0CA:0xC0CC]).hex()
    ('$C0CA', 'a516')
    >>> session.counters().frames_sent, session.counters().errors
    (30090, 0)
    """

    def __init__(
        self,
        board: Board | str | Path,
        *,
        program: str | Path | None = None,
        load_address: int | None = None,
        program_format: ImageFormat = "auto",
        core: str = "compiled",
        labels: Labels | str | Path | None = None,
        key_presses: KeyPresses = (),
        resets: Iterable[int] = (),
        record: str | Path | None = None,
        record_received: str | Path | None = None,
        keep: str | Path | None = None,
        faults: Faults | str | Path | None = None,
    ) -> None:
        self.board = board = as_board(board)
        self.start = ProgramStart(
            board,
            program,
            load_address=load_address,
            program_format=program_format,
            core=core,
        )
        described = [one for one in (labels, faults) if isinstance(one, str | Path)]
        images = board.image_paths
        for output in (record, record_received):
            require_other_file(output, self.start.path, board.file, *images, *described)
        self.core: Core = self.start.make_core()
        self.serial_lines = SerialLines(
            board, self.start.path, *images, *described, record, record_received
        )
        self.program = self.start.program
        self.pipeline = Pipeline(board, faults=as_faults(faults, board.link))
        self._console = bytearray()
        self._recent = RecentLoad(board.clock_hz)
        if labels is not None:
            if isinstance(labels, str | Path):
                labels = read_labels(labels, board.banks)
            self.labels = labels
        self._presses: list[tuple[int, int]] = []
        self._resets: list[int] = []
        self._resets_ahead = deque(resets)
        self.recorder = Recorder(
            self.pipeline,
            header_for(self.start.recorded_board, self.program),
            sent=record,
            received=record_received,
            kept=keep,
        )
        self.store_pages = StorePages(self.core, board)
        self._states = StateKeeper(self.core, board, self.recorder)
        self._keys_ahead = deque(key_presses)
        _require_key_presses(self._keys_ahead)

    # -- Playable

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
        """Why the processor stopped, or None."""
        return self.core.stop

    @property
    def ended(self) -> bool:
        """Whether the program has ended, or the processor cannot go on."""
        return self.core.stop is not None

    @property
    def end_cycle(self) -> int | None:
        """None: not known while a program runs."""
        return self.core.cycle if self.ended else None

    @property
    def can_seek(self) -> bool:
        """False: a running program goes forward only."""
        return False

    @property
    def hears_keys(self) -> bool:
        """Keys reach the program."""
        return True

    @property
    def takes_keys(self) -> bool:
        """Whether the board has what keys go to: a host port, or a device that takes them."""
        return takes_keys(self.core)

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

    @cached_property
    def labels(self) -> Labels:
        """The program's labels by full address; empty if no file was given or found.

        Raises:
            InputError: the file beside the program is not a list of labels.
        """
        return labels_for(None, self.start.path, self.board.banks)

    def address_of(self, label: str) -> int:
        """Return the full address of a label of the program: in banked memory, with its page.

        Raises:
            InputError: the program has no such label, or has it at several addresses.
        """
        return address_of_label(self.labels, label)

    @property
    def registers(self) -> Registers:
        """The processor's registers, between two instructions."""
        return Registers.of(self.core)

    @property
    def memory(self) -> UInt8Column:
        """uint8[65536], the processor's memory; a read-only view.

        Reading it has no side effects on host port registers. The view follows the run;
        `bytes(session.memory[0x200:0x300])` is a copy.
        """
        view = self.core.memory.view()
        view.flags.writeable = False
        return view

    def run(self, cycles: int) -> int:
        """Run complete instructions for at least `cycles`; return the count of cycles run.

        Ends early when the program writes its exit register or the processor cannot go on;
        `stop` has the reason. All stores up to then are on the displays.

        Raises:
            OutputError: the trace could not be written; it can be read up to there.
        """
        if cycles < 0:
            raise ValueError(f"cycles is {cycles}; time only goes forward")
        first_cycle = self.cycle
        while (ahead := self._piece_cycles(first_cycle + cycles)) > 0:
            self._run_piece(partial(self.core.run, ahead))
        return self.cycle - first_cycle

    def _piece_cycles(self, stop_cycle: int) -> int:
        """Do the resets that are due; return the cycles of the next piece, 0 at the end.

        In pieces, so that a long run does not hold all of its stores in memory. The keys of a piece
        are pressed before it.
        """
        ahead = self._resets_ahead
        while self.cycle < stop_cycle:
            self._states.keep_if_due()
            if not ahead or ahead[0] > self.cycle:
                break
            ahead.popleft()
            self.reset()
        if self.ended or self.cycle >= stop_cycle:
            return 0
        stops = [stop_cycle, self.cycle + PIECE_CYCLES, *list(ahead)[:1]]
        stops.append(max(self._states.due_cycle, self.cycle + 1))
        # The piece's last instruction may end beyond it, and see a key until then.
        keys, until = self._keys_ahead, min(stops) + INSTRUCTION_CYCLES_MOST
        while keys and keys[0][0] < until:
            self._press_at(*keys.popleft())
        return min(stops) - self.cycle

    def run_until(
        self,
        *,
        label: str | None = None,
        address: int | None = None,
        cycle: int | None = None,
        exit: bool = False,  # noqa: A002 - what the program does
        within_cycles: int | None = None,
    ) -> int:
        """Run until a condition holds, exactly one of the first four; return the cycles run.

        Args:
            label: the instruction at this label is next; at least one instruction runs.
            address: the same for an address, 0 to 65535, or a full one, such as
                `full_address(0x8010, 3)`.
            cycle: at least this many cycles have passed since power-on.
            exit: the program has written its exit register.
            within_cycles: fail after this many cycles; None: never.

        Raises:
            InputError: the program has no such label, the core cannot run to an address, or the
                board has no exit register or no such page.
            NotReachedError: the processor stopped before, or `within_cycles` passed.
            OutputError: as for `run`.
            ValueError: not exactly one condition, an address out of range, or a past cycle.
        """
        if [label is None, address is None, cycle is None, not exit].count(False) != 1:
            raise ValueError("give one of label, address, cycle and exit")
        first_cycle = self.cycle
        stop_cycle = min(first_cycle + self._limit(within_cycles), CYCLE_MAX)
        if label is not None:
            address = self.address_of(label)
            self._run_to(address, stop_cycle, target=f"label {label}, {address_text(address)},")
        elif address is not None:
            if not 0 <= address < (PAGE_MAX + 2) * PAGE_UNIT:
                raise ValueError(f"address is {address}; it must be 0 to 65535")
            require_page(address, self.board.banks)
            self._run_to(address, stop_cycle, target=f"address {address_text(address)}")
        elif cycle is not None:
            if cycle < first_cycle:
                raise ValueError(f"cycle {cycle:,} has passed; it is cycle {first_cycle:,}")
            self.run(min(cycle, stop_cycle) - first_cycle)
            if self.cycle < cycle:
                raise self._not_reached(f"cycle {cycle:,}", first_cycle)
        else:
            if self.core.host_port is None:
                raise InputError(
                    file=self.board.file or None,
                    found="no host port, so no program can exit",
                    wanted="run until a label, an address or a cycle",
                )
            self.run(stop_cycle - first_cycle)
            if self.stop is None or self.stop.kind != "exit":
                raise self._not_reached("the program's exit", first_cycle)
        return self.cycle - first_cycle

    def _limit(self, within_cycles: int | None) -> int:
        """Return the most cycles of a run until a condition."""
        return CYCLE_MAX if within_cycles is None else within_cycles

    def _run_to(self, address: int, stop_cycle: int, *, target: str) -> None:
        core, first_cycle = self.core, self.cycle
        if not isinstance(core, RunsToAddress):
            raise InputError(
                found=f"a run to an address on the {core.kind} core",
                wanted="use the compiled or the reference core",
            )
        if self._piece_cycles(stop_cycle) > 0:
            self._run_piece(core.step)
        while (wanted := self._piece_cycles(stop_cycle)) > 0:
            done = self._run_piece(partial(core.run_to, address_of(address), wanted))
            if done < wanted and not self.ended:
                if address in (core.pc, full_address_of(core, core.pc)):
                    return
                # There, in another page.
                self._run_piece(core.step)
        raise self._not_reached(target, first_cycle)

    def _not_reached(self, target: str, first_cycle: int) -> NotReachedError:
        if self.stop is not None:
            return NotReachedError(f"{target} was not reached: {self.stop.reason}")
        return NotReachedError(
            f"{target} was not reached in {self.cycle - first_cycle:,} cycles;"
            f" the instruction at {address_text(full_address_of(self.core, self.core.pc))} is next"
        )

    def _run_piece(self, advance: Callable[[], int]) -> int:
        before_slots, before_frames = self._slots(), self.pipeline.frames_carried
        for code in self.serial_lines.received().replace(b"\0", b""):
            self.press(code)
        try:
            done = advance()
        except DeviceError:
            # What the program had sent until then is kept.
            self._take_piece()
            raise
        self._take_piece()
        self._recent.add(
            cycles=done,
            frames=self.pipeline.frames_carried - before_frames,
            slots=self._slots() - before_slots,
        )
        return done

    def _take_piece(self) -> None:
        """Send the core's stores over the pipeline, and take what it printed."""
        stop_cycle = self.core.cycle
        stores = self.core.take_stores()
        frames = self.pipeline.feed(stores, stop_cycle=stop_cycle)
        pages = self.store_pages.take(stores, frames, self.pipeline.encoder.sent_store)
        if self.core.host_port is not None:
            self._console += self.core.host_port.take_console()
        self._console += self.serial_lines.send(take_sent(self.core))
        self.recorder.write(frames, cycles=stop_cycle, pages=pages)

    def _slots(self) -> int:
        return self.pipeline.edge // self.pipeline.layout.slot_symbols

    def seek(self, cycle: int) -> None:
        """Refuse: a running program cannot jump."""
        raise ValueError(f"a running program cannot jump to cycle {cycle}; record it and replay")

    def reset(self) -> None:
        """Press the board's reset button: it resets the processor, not the receiver.

        Memory, displays and the cycle counter stay as they are, as on a board.
        """
        self._resets.append(self.core.cycle)
        self.recorder.reset(self.core.cycle)
        self.start.reset(self.core)

    def press(self, code: int) -> None:
        """Press a key; the program sees it from the present cycle on, after all before it."""
        last_cycle = self._presses[-1][0] if self._presses else 0
        self._press_at(max(self.core.cycle, last_cycle), code)

    def _press_at(self, cycle: int, code: int) -> None:
        if not self.takes_keys:
            return
        press_key(self.core, code, cycle=cycle)
        self._presses.append((cycle, code))
        self.recorder.press(cycle, code)

    def take_console(self) -> bytes:
        """Return the bytes sent to the console since the last call, by register or serial line."""
        taken = bytes(self._console)
        self._console.clear()
        return taken

    def counters(self) -> PipelineCounters:
        """Counts of what was sent, received and lost."""
        return self.pipeline.counters()

    @property
    def key_presses(self) -> tuple[tuple[int, int], ...]:
        """(cycle, code) of the keys that were pressed so far."""
        return tuple(self._presses)

    @property
    def resets(self) -> tuple[int, ...]:
        """The cycles at which the reset button was pressed so far."""
        return tuple(self._resets)

    @property
    def inputs(self) -> RunInputs:
        """Keys and resets so far."""
        return RunInputs(self.key_presses, self.resets)

    def program_counters(self, cycles: Sequence[int]) -> dict[int, int]:
        """Return the address of the instruction that made the store of each cycle.

        The program is rerun on a core of its own, as far as the last cycle.

        Args:
            cycles: of stores into windows, in any order.

        Returns:
            Cycle to full address; for a store of an interrupt sequence, its return address.

        Raises:
            ValueError: a cycle has no store into a window, or the run has not reached it.
        """
        if cycles and max(cycles) >= self.cycle:
            raise ValueError(
                f"cycle {max(cycles):,}: the run has only reached cycle {self.cycle:,}"
            )
        return self.store_pc_finder().find(cycles)

    def store_pc_finder(self) -> StorePcFinder:
        """Return a finder of the PCs of this run's stores, in order of their cycles."""
        return StorePcFinder(self.start, self.inputs)

    def status(self) -> Status:
        """Return the present status."""
        stop = self.core.stop
        state = ""
        if stop is not None:
            state = f"exit {stop.exit_status}" if stop.kind == "exit" else stop.reason
        found = self._recent.status(self.pipeline, cycle=self.core.cycle, state_text=state)
        return replace(found, leds=leds_of(self.core))

    # -- the recorder

    def close(self, *, keeps_old: bool = False) -> None:
        """End the recordings, if any.

        Args:
            keeps_old: keep existing traces, and leave the new ones beside them.
        """
        self.serial_lines.close()
        self.recorder.close(cycles=self.core.cycle, keeps_old=keeps_old)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self.recorder.fail(cycles=self.core.cycle)
        self.close()


PIECE_CYCLES = 1_000_000
CYCLE_MAX = 1 << 62
# An interrupt, and the longest instruction behind it.
INSTRUCTION_CYCLES_MOST = 7 + 8


def _require_key_presses(presses: Iterable[tuple[int, int]]) -> None:
    """Refuse codes and orders that no keyboard has."""
    before = 0
    for cycle, code in presses:
        if not 1 <= code <= 255:
            raise ValueError(f"code is {code}; a key code is 1 to 255")
        if cycle < before:
            raise ValueError(f"cycle is {cycle}, before the last key's {before}")
        before = cycle
