"""The routines of a passage for the window, from the profile of the program's run."""

from __future__ import annotations

from collections.abc import Callable

from busplay.player.inspector import RoutineFacts
from busplay.program.symbols import ProgramSymbols
from busplay.run.inputs import RunInputs
from busplay.run.program_start import ProgramStart

ADDRESS_STOP = 0x10000


def profile_of_run(
    start: ProgramStart,
    symbols: Callable[[], ProgramSymbols],
    inputs: Callable[[], RunInputs],
) -> Callable[[int, int], list[RoutineFacts]]:
    """Return what gives the routines between two cycles, the most cycles first.

    Args:
        start: how the run began.
        symbols: returns the program's names.
        inputs: returns the inputs of the run so far.
    """

    def routines(first_cycle: int, stop_cycle: int) -> list[RoutineFacts]:
        from busplay.analysis.profile.profile import profile_run

        report = profile_run(
            start,
            first_cycle=first_cycle,
            stop_cycle=stop_cycle,
            symbols=symbols(),
            inputs=inputs(),
        )
        starts = report.routine_names.starts.tolist()
        stops = dict(zip(starts, [*starts[1:], ADDRESS_STOP], strict=True))
        return [
            RoutineFacts(
                name=row.name,
                address=row.address,
                stop_address=stops.get(row.address, ADDRESS_STOP),
                cycles_ratio=row.cycles_ratio,
                calls=row.calls,
                stores=row.stores,
                stores_unchanged=row.stores_unchanged,
                link_use_ratio=row.link_use_ratio,
            )
            for row in report.routines
        ]

    return routines
