"""The instruction of each frame's store: known if the recorded program is there.

The program runs again, and its stores are encoded again; each frame then has its instruction's
number, of which there are few. A million of them pack to 7 kB (tides) or 22 kB (stars). Only those
that differ from what followed last in the same context took 1 kB less, or 7 kB more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from busplay.batch import FrameBatch, Int64Column
from busplay.errors import InputError
from busplay.history.program_history import ProgramHistory
from busplay.history.rerun import Rerun
from busplay.program.symbols import ProgramSymbols
from busplay.run.recorded_program import find_recorded_program
from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True, eq=False)
class Origins:
    """Where the stores of a recording come from.

    Attributes:
        addresses: full address of each instruction that stored, in order of its first store.
        ids: int64[frames]; index in `addresses`.
        symbols: labels and source lines.
    """

    addresses: list[int]
    ids: Int64Column
    symbols: ProgramSymbols


def find_origins(
    reader: TraceReader, sent: FrameBatch, *, progress: Callable[[int, int], None]
) -> Origins | str:
    """Run the recorded program again, and return where its stores come from.

    Args:
        reader: a trace with a board.
        sent: all its frames.
        progress: called with how much is done, and of how much.

    Returns:
        Where they come from, or why that is not known: a page can do without.
    """
    header = reader.header
    if header.program_sha256 is None:
        return "no program is recorded with the trace"
    path = find_recorded_program(reader.path, header)
    if path is None:
        return f"no {header.program_name} with the recorded digest is beside the trace"
    # The program runs twice: for the cycle of each frame's store, and for the stores' instructions.
    end = reader.cycles
    runs = 0
    try:
        program = ProgramHistory.of_trace(
            reader, path, on_progress=lambda cycle: progress(runs * end + cycle, 2 * end)
        )
        symbols = program.symbols
    except InputError as error:
        return f"the program cannot be run again: {error}"
    try:
        cycles = Rerun(program).find(sent).cycle
    except InputError:
        # One of what arrived lacks those that were lost.
        return f"{path.name} sends other frames than the recording has"
    runs = 1
    found = program.stores_between(0, end)
    addresses, ids = _numbered(found.made_by[np.searchsorted(found.stores.cycle, cycles)])
    return Origins(addresses, ids, symbols)


def _numbered(by: Int64Column) -> tuple[list[int], Int64Column]:
    """Return the addresses in order of their first store, and the index of each store's."""
    addresses, first, ids = np.unique(by, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    return addresses[order].tolist(), rank[ids]


def packed_origins(origins: Origins) -> bytes:
    """Return the low bytes of all ids; then, with more than 256 instructions, the high ones."""
    planes = origins.ids.astype("<u2").view(np.uint8).reshape(-1, 2).T
    return planes[: 1 if len(origins.addresses) <= 256 else 2].tobytes()
