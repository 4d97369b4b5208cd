"""Profile a program: run it with the core's logs on, and count."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from busplay.analysis.profile.collector import ProfileCollector
from busplay.analysis.profile.report import ProfileReport, make_report
from busplay.analysis.profile.routines import Routines
from busplay.core.interface import full_address_of
from busplay.core.rewind import StepKind
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.history.walk import ProgramWalk
from busplay.link.load import as_board
from busplay.program.pages import FullAddresses
from busplay.program.symbols import ProgramSymbols, find_symbols
from busplay.run.inputs import NO_INPUTS, RunInputs
from busplay.run.program_start import ProgramStart
from busplay.run.recorded_program import board_of_trace, program_of_trace
from busplay.trace.reader import TraceReader, is_trace

DEFAULT_SECONDS = 10
_SPACING_CYCLES = 500_000
_JSR = 0x20


def clock_of(source: Board | str | Path) -> tuple[int, bool]:
    """Return the processor's clock of a board or trace, in Hz, and whether it is a trace.

    Raises:
        InputError: the file cannot be read, or the trace has no board.
    """
    if isinstance(source, Board) or not _is_recording(source):
        return as_board(source).clock_hz, False
    with TraceReader(source) as reader:
        return board_of_trace(reader).clock_hz, True


def profile(
    source: Board | str | Path,
    program: str | Path | None = None,
    *,
    first_cycle: int = 0,
    stop_cycle: int | None = None,
    load_address: int | None = None,
    labels: str | Path | None = None,
    key_presses: Iterable[tuple[int, int]] = (),
    core: str = "compiled",
    on_progress: Callable[[int, int], None] | None = None,
) -> ProfileReport:
    """Return where a program spends its cycles and its stores.

    Args:
        source: a board, or the name or path of its file; or a trace, whose program runs again,
            with the keys and resets that were pressed.
        program: the program's file, or a shipped program. For a board None means its own images,
            for a trace the program that lies beside it.
        first_cycle: count from this cycle on.
        stop_cycle: run up to this cycle; by default to the end of a trace, or for 10 s of the
            board's time. The program may exit before.
        load_address: where a raw program goes; the board's `program_load_address` by default.
        labels: a list of labels, or a debug file; found beside the program by default.
        key_presses: (cycle, code) of keys to press, in order; a trace has its own.
        core: name of the core, see `busplay.core.make`.
        on_progress: called now and then with cycles done, and cycles in all.

    Raises:
        InputError: a file cannot be read, the program is not the one that was recorded, or the
            profile would be empty.

    >>> import busplay
    >>> report = busplay.profile("dunlin", "fill.bin", stop_cycle=400_000)
    >>> [(row.name, row.cycles, row.stores) for row in report.routines[:2]]
    [('clear_byte_by_byte', 271219, 24576), ('report_ground', 86044, 6471)]
    """
    if not isinstance(source, Board) and _is_recording(source):
        with TraceReader(source) as reader:
            board, program = program_of_trace(reader, program)
            inputs = RunInputs.of_trace(reader)
            stop_cycle = reader.cycles if stop_cycle is None else min(stop_cycle, reader.cycles)
    else:
        board, inputs = as_board(source), RunInputs(tuple(key_presses))
    if stop_cycle is None:
        stop_cycle = DEFAULT_SECONDS * board.clock_hz
    start = ProgramStart(board, program, load_address=load_address, core=core)
    given = None if labels is None else Path(labels)
    return profile_run(
        start,
        first_cycle=first_cycle,
        stop_cycle=stop_cycle,
        inputs=inputs,
        symbols=find_symbols(start.path, given, board.banks),
        on_progress=on_progress,
    )


def _is_recording(source: str | Path) -> bool:
    return Path(source).is_file() and is_trace(Path(source), wanted="give a board or a trace")


def profile_run(
    start: ProgramStart,
    *,
    stop_cycle: int,
    symbols: ProgramSymbols,
    first_cycle: int = 0,
    inputs: RunInputs = NO_INPUTS,
    on_progress: Callable[[int, int], None] | None = None,
) -> ProfileReport:
    """Return the profile of a run from its start and inputs; arguments as for `profile`.

    Ctrl-C ends it with what was counted so far.
    """

    def report_progress(cycle: int) -> None:
        if on_progress is not None:
            on_progress(cycle, stop_cycle)

    walk = ProgramWalk(
        start, limit_bytes=1, spacing_cycles=_SPACING_CYCLES, on_progress=report_progress
    )
    walk.take_inputs(inputs)
    if max(first_cycle, walk.first_cycle) >= stop_cycle:
        raise InputError(
            file=start.program.name or None,
            found=f"nothing between cycles {first_cycle:,} and {stop_cycle:,}",
            wanted=f"the program begins in cycle {walk.first_cycle}, and a profile needs cycles",
        )
    interrupted = False
    found: set[int] = set()
    if not Routines.are_named_by(symbols.labels):
        found = entries(walk, stop_cycle)
        walk.go(walk.first_cycle)
    board = start.board
    routines = Routines(symbols.labels, entries=found, regions=board.memory, banks=board.banks)
    collector = ProfileCollector(board, routines)
    try:
        # What is not counted is run too, for what stands in display memory by then.
        collect(walk, collector, first_cycle, counts=False)
        collect(walk, collector, stop_cycle, counts=True)
    except KeyboardInterrupt:
        interrupted = True
    stop = walk.core.stop
    return make_report(
        collector,
        board,
        program=start.program.name or None,
        symbols=symbols,
        routines=routines,
        stopped=None if stop is None else stop.reason,
        interrupted=interrupted,
    )


def collect(
    walk: ProgramWalk, collector: ProfileCollector, stop_cycle: int, *, counts: bool
) -> None:
    """Run to a cycle and collect; `counts` False: only follow display memory and calls."""
    for log in walk.logs(stop_cycle):
        collector.feed(
            log.instructions,
            log.stores,
            stop_cycle=walk.core.cycle,
            next_pc=full_address_of(walk.core, walk.core.pc),
            pages=log.pages,
            counts=counts,
        )


def entries(walk: ProgramWalk, stop_cycle: int) -> set[int]:
    """Return where a program begins, and where its calls and interrupts go up to a cycle.

    These are full addresses.
    """
    found = {full_address_of(walk.core, walk.start_pc)}
    banks = walk.board.banks
    for log in walk.logs(stop_cycle):
        pc, opcode, kind = (
            log.instructions.pc,
            log.instructions.opcode,
            log.instructions.kind,
        )
        full = FullAddresses(banks, log.pages).column(pc, log.instructions.cycle)
        behind = np.append(full[1:], full_address_of(walk.core, walk.core.pc))
        calls = (opcode == _JSR) & (kind == StepKind.INSTRUCTION)
        found |= set(np.unique(behind[calls | (kind == StepKind.INTERRUPT)]).tolist())
    return found
