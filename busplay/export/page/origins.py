"""The instruction of each frame's store: known if the recorded program is there.

The program runs again, and its stores are encoded again; each frame then has its instruction's
number, of which there are few. A million of them pack to 7 kB (tides) or 22 kB (stars). Only those
that differ from what followed last in the same context took 1 kB less, or 7 kB more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplay.batch import FrameBatch, Int64Column, UInt16Column
from busplay.errors import InputError
from busplay.history.program_history import ProgramHistory
from busplay.program.symbols import ProgramSymbols
from busplay.run.recorded_program import find_recorded_program
from busplay.sender.encoder import Encoder
from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True, eq=False)
class Origins:
    """Where the stores of a recording come from.

    Attributes:
        addresses: address of each instruction that stored, in order of its first store.
        ids: int64[frames]; index in `addresses`.
        symbols: labels and source lines.
    """

    addresses: list[int]
    ids: Int64Column
    symbols: ProgramSymbols


def find_origins(reader: TraceReader, sent: FrameBatch) -> Origins | str:
    """Run the recorded program again, and return where its stores come from.

    Args:
        reader: a trace with a board.
        sent: all its frames.

    Returns:
        Where they come from, or why that is not known.

    Raises:
        InputError: the program's labels are damaged.
    """
    header = reader.header
    if header.program_sha256 is None:
        return "no program is recorded with the trace"
    path = find_recorded_program(reader.path, header)
    if path is None:
        return f"no {header.program_name} with the recorded digest is beside the trace"
    try:
        program = ProgramHistory.of_trace(reader, path)
        stores, by = program.stores_between(0, reader.cycles)
    except InputError as error:
        return f"the program cannot be run again: {error}"
    assert header.board is not None
    encoder = Encoder(header.board)
    made = encoder.feed(stores, stop_cycle=reader.cycles)
    count = len(sent)
    if (
        len(made) < count
        or (made.edge[:count] != sent.edge).any()
        or (made.word[:count] != sent.word).any()
    ):
        return "the program beside the trace sends other frames"
    if encoder.sent_store is not None:
        by = by[encoder.sent_store]
    addresses, ids = _numbered(by[:count])
    return Origins(addresses, ids, program.symbols)


def _numbered(by: UInt16Column) -> tuple[list[int], Int64Column]:
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
