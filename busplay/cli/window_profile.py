"""The routines of a passage for the window, from the profile of the program's run."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from busplay.description.full_address import full_address
from busplay.history.program_history import ProgramHistory
from busplay.player.inspector import RoutineFacts
from busplay.run.inputs import RunInputs

# About a second's work.
PROFILED_CYCLES_MAX = 160_000_000


def profile_of_run(
    program: ProgramHistory, inputs: Callable[[], RunInputs]
) -> Callable[[int, int], list[RoutineFacts] | None]:
    """Return what returns the routines between two cycles, the most cycles first; None: too far.

    Args:
        program: the run.
        inputs: returns the inputs of the run so far.
    """

    def routines(first_cycle: int, stop_cycle: int) -> list[RoutineFacts] | None:
        from busplay.analysis.profile.passage import can_begin_anywhere, profile_passage
        from busplay.analysis.profile.profile import profile_run

        is_quick = can_begin_anywhere(program)
        if stop_cycle - (first_cycle if is_quick else 0) > PROFILED_CYCLES_MAX:
            return None
        if is_quick:
            report = profile_passage(program, first_cycle=first_cycle, stop_cycle=stop_cycle)
        else:
            report = profile_run(
                program.start,
                first_cycle=first_cycle,
                stop_cycle=stop_cycle,
                symbols=program.symbols,
                inputs=inputs(),
            )
        routines = report.routine_names
        starts = routines.starts.tolist()
        lengths = {
            routines.space.full(start): stop - start
            for start, stop in pairwise([*starts, routines.space.size])
        }
        return [
            RoutineFacts(
                name=row.name,
                address=(begin := full_address(row.address, row.page)),
                stop_address=begin + lengths[begin],
                cycles_ratio=row.cycles_ratio,
                calls=row.calls,
                stores=row.stores,
                stores_unchanged=row.stores_unchanged,
                link_use_ratio=row.link_use_ratio,
            )
            for row in report.routines
        ]

    return routines
