"""Profile a passage of a run, from a little before it on instead of from the run's beginning.

How to think about it. What a profile needs of the past is the last byte stored to each address, the
stores of the same refresh, and the frames that wait in the sender. Where windows land in RAM, the
processor's memory has the bytes; the rest is no older than a refresh. Calls that began before are
not known: their routines count as if the program had begun there.
"""

from __future__ import annotations

from busplay.analysis.profile.collector import ProfileCollector
from busplay.analysis.profile.profile import collect, entries
from busplay.analysis.profile.report import ProfileReport, make_report
from busplay.analysis.profile.routines import Routines
from busplay.history.program_history import ProgramHistory


def can_begin_anywhere(program: ProgramHistory) -> bool:
    """Return whether the bytes in display memory are known from the processor's memory."""
    board = program.start.board
    # Of a bank, only the page that is shown is in the processor's memory.
    return all(
        one.lands_in_ram
        and board.bank_at(one.first_address) is board.bank_at(one.last_address) is None
        for one in board.windows
        if one.space == "memory"
    )


def profile_passage(program: ProgramHistory, *, first_cycle: int, stop_cycle: int) -> ProfileReport:
    """Return the profile of a passage of a run; the program stays where it is.

    It equals that of the whole run between these cycles, but for calls and cycles with callees.

    Args:
        program: the run; `can_begin_anywhere` holds.
        first_cycle, stop_cycle: the passage, the stop not included.

    Raises:
        ValueError: the passage is empty.
    """
    if not first_cycle < stop_cycle:
        raise ValueError(f"cycles {first_cycle} to {stop_cycle} are no passage")
    board, symbols = program.start.board, program.symbols
    with program.staying() as walk:
        found: set[int] = set()
        if not Routines.are_named_by(symbols.labels):
            walk.go(first_cycle)
            found = entries(walk, stop_cycle)
        routines = Routines(symbols.labels, entries=found, regions=board.memory, banks=board.banks)
        collector = ProfileCollector(board, routines)
        refresh_cycles = -(-collector.clock_hz // collector.refresh_hz)
        walk.go(max(walk.first_cycle, first_cycle - 2 * refresh_cycles))
        collector.take_memory(walk.core.memory)
        collect(walk, collector, first_cycle, counts=False)
        collect(walk, collector, stop_cycle, counts=True)
        stop = walk.core.stop
    return make_report(
        collector,
        board,
        program=program.start.program.name or None,
        symbols=symbols,
        routines=routines,
        stopped=None if stop is None else stop.reason,
        interrupted=False,
    )
