"""What the fused engine must know of a link and a board, as flat arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.engine import kernels
from busplay.link.layout import FrameLayout
from busplay.receiver import machine as receiver_kernels
from busplay.receiver.receiver import Receiver
from busplay.sender import encoding as sender_kernels
from busplay.sender.encoder import Encoder

WORD_MASK = (1 << 64) - 1
PARITIES_AT_ONCE = 4


@dataclass(frozen=True, slots=True)
class PipelineTables:
    """A link and a board in the form that `kernels.carry` takes.

    Attributes:
        takes_stores: the clocks' ratio is whole and no slot need be left idle, so that stores
            can be taken at all.
        is_steady: idle frames in sync give the receiver no cause to look elsewhere, so that it
            can be run this way at all.
    """

    takes_stores: bool
    is_steady: bool
    outside_before: NDArray[np.uint32]
    address_table: UInt64Column
    data_table: UInt64Column
    sequence_tables: NDArray[np.uint64]
    numbers: UInt64Column
    chunks: NDArray[np.uint64]
    steps: NDArray[np.uint64]
    turns: NDArray[np.uint64]
    parities: NDArray[np.uint64]
    watches: NDArray[np.uint64]
    sequence_runs: UInt64Column


def pipeline_tables(encoder: Encoder, receiver: Receiver) -> PipelineTables:
    """Work out the tables of a sender and a receiver of one layout."""
    layout = receiver.layout
    tables = encoder.tables
    machine = receiver.machine
    numbers = np.zeros(kernels.NUMBERS_COUNT, np.uint64)
    _set_sender(numbers, tables.timing)
    _set_receiver(numbers, layout, machine.masks)
    sequence_bits = int(machine.geometry[receiver_kernels.SEQUENCE_BITS])
    numbers[kernels.EXPECTED_MASK] = (1 << sequence_bits) - 1
    parities = _set_rules(numbers, layout)
    chunks = _chunks(layout)
    address, data, sequence = tables.address, tables.data, tables.sequence
    if len(chunks) == 1:
        # A slot is one chunk: the tables can give it straight from address and data.
        blank = spelled(layout, np.zeros(1, np.uint64))[:, 0]
        address = spelled(layout, address)[:, 0]
        data = spelled(layout, data)[:, 0] ^ blank
        sequence = spelled(layout, sequence.reshape(-1))[:, 0].reshape(sequence.shape) ^ blank
    return PipelineTables(
        takes_stores=int(tables.timing[sender_kernels.DENOMINATOR]) == 1
        and int(tables.timing[sender_kernels.IDLE_EVERY]) == 0,
        is_steady=bool(machine.geometry[receiver_kernels.IS_STEADY]),
        outside_before=np.concatenate([[0], np.cumsum(~tables.in_window)]).astype(np.uint32),
        address_table=np.ascontiguousarray(address),
        data_table=np.ascontiguousarray(data),
        sequence_tables=np.ascontiguousarray(sequence),
        numbers=numbers,
        chunks=chunks,
        steps=_steps(layout),
        turns=_turns(layout),
        parities=parities,
        watches=_watches(layout),
        sequence_runs=machine.sequence_runs,
    )


def spelled(layout: FrameLayout, words: UInt64Column) -> NDArray[np.uint64]:
    """Return uint64[frames, chunks]: slots as chunks of 8 bytes, the first symbol lowest."""
    symbols = layout.to_symbols(words).astype(layout.symbol_dtype.newbyteorder("<"))
    slot_bytes = layout.slot_symbols * layout.symbol_dtype.itemsize
    rows = np.zeros((len(words), -(-slot_bytes // 8) * 8), np.uint8)
    rows[:, :slot_bytes] = symbols.view(np.uint8).reshape(len(words), slot_bytes)
    return rows.view("<u8").astype(np.uint64)


def _set_sender(numbers: UInt64Column, timing: UInt64Column) -> None:
    grid = int(timing[sender_kernels.GRID_EDGES])
    step = int(timing[sender_kernels.STEP_EDGES])
    numbers[kernels.NUMERATOR] = timing[sender_kernels.NUMERATOR]
    numbers[kernels.LEAD_EDGES] = timing[sender_kernels.LEAD_EDGES]
    numbers[kernels.GRID_EDGES] = grid
    numbers[kernels.STEP_EDGES] = step
    numbers[kernels.FIFO_EDGES] = int(timing[sender_kernels.FIFO_DEPTH]) * step
    numbers[kernels.SEQUENCE_MASK] = timing[sender_kernels.SEQUENCE_MASK]


def _set_receiver(numbers: UInt64Column, layout: FrameLayout, masks: UInt64Column) -> None:
    framing = layout.link.framing
    numbers[kernels.FRAME_SYMBOLS] = layout.frame_symbols
    if not isinstance(framing, StrobeFraming):
        numbers[kernels.RELEASE_FRAMES] = framing.release_frames
    numbers[kernels.SLOT_SYMBOLS] = layout.slot_symbols
    # A multiple of an odd number times its inverse modulo 2 ** 64 is the quotient, so small.
    twos = layout.slot_symbols & -layout.slot_symbols
    odd = layout.slot_symbols // twos
    numbers[kernels.SLOT_LOW_MASK] = twos - 1
    numbers[kernels.SLOT_INVERSE] = pow(odd, -1, 1 << 64)
    numbers[kernels.SLOT_LIMIT] = WORD_MASK // odd
    numbers[kernels.SPACE_MASK] = masks[receiver_kernels.SPACE_MASK]
    numbers[kernels.SPACE_COMPARED] = masks[receiver_kernels.SPACE_COMPARED]
    if isinstance(framing, StrobeFraming):
        numbers[kernels.IS_STROBE] = 1
        numbers[kernels.IS_HELD] = framing.span == "frame"
    elif layout.idle_word & int(numbers[kernels.SPACE_MASK]) or numbers[kernels.SPACE_COMPARED]:
        numbers[kernels.IDLE_MASK] = WORD_MASK
        numbers[kernels.IDLE_WORD] = layout.idle_word


def _set_rules(numbers: UInt64Column, layout: FrameLayout) -> NDArray[np.uint64]:
    """Split the syndrome's bits: those of one word bit are compared, the others are parities."""
    parities = []
    for bit in range(layout.syndrome_bits):
        mask = 0
        for index, column in enumerate(layout.syndrome_columns):
            mask |= (column >> bit & 1) << (layout.frame_bits - 1 - index)
        constant = layout.syndrome_constant >> bit & 1
        fixed = int(numbers[kernels.FIXED_MASK])
        if mask and mask & (mask - 1) == 0 and not mask & fixed:
            numbers[kernels.FIXED_MASK] = fixed | mask
            if constant:
                numbers[kernels.FIXED_WORD] |= np.uint64(mask)
        else:
            parities.append((mask, constant))
    while len(parities) % PARITIES_AT_ONCE:
        parities.append((0, 0))
    return np.array(parities, np.uint64).reshape(-1, 2)


def _chunks(layout: FrameLayout) -> NDArray[np.uint64]:
    """Return what stands in each chunk of a slot, and which bits of the word it carries."""
    symbol_bits = 8 * layout.symbol_dtype.itemsize
    symbols = 64 // symbol_bits
    piece_bits = symbols * layout.lanes
    template = spelled(layout, np.zeros(1, np.uint64))[0]
    chunks = np.zeros((len(template), 5), np.uint64)
    chunks[:, kernels.TEMPLATE] = template
    for index in range(len(template)):
        count = min(symbols, layout.slot_symbols - index * symbols)
        strobe = sum(layout.strobe_mask << symbol_bits * symbol for symbol in range(count))
        chunks[index, kernels.STROBE_MASK] = strobe
        done = index * piece_bits
        if done >= layout.frame_bits:
            continue
        left = max(0, done + piece_bits - layout.frame_bits)
        chunks[index, kernels.PIECE_RIGHT] = max(0, layout.frame_bits - done - piece_bits)
        chunks[index, kernels.PIECE_LEFT] = left
        chunks[index, kernels.PIECE_MASK] = ((1 << piece_bits) - 1) >> left << left
    return chunks


def _steps(layout: FrameLayout) -> NDArray[np.uint64]:
    """Return the three steps that fold groups of 8, 16 and 32 bits; a step of 0 does nothing."""
    steps = np.zeros((3, 3), np.uint64)
    steps[:, kernels.GROUP_MASK] = WORD_MASK
    group_bits = 8 * layout.symbol_dtype.itemsize
    used_bits = layout.lanes
    for step in steps:
        if group_bits > 32:
            break
        step[kernels.GROUP_BITS] = group_bits
        step[kernels.GROUP_MASK] = _every((1 << used_bits) - 1, 2 * group_bits)
        step[kernels.USED_BITS] = used_bits
        group_bits *= 2
        used_bits *= 2
    return steps


def _turns(layout: FrameLayout) -> NDArray[np.uint64]:
    """Return the steps that turn all symbols of a chunk round; none where none are turned."""
    if layout.link.first_bit_lane == "highest" or layout.lanes == 1:
        return np.zeros((0, 2), np.uint64)
    symbol_bits = 8 * layout.symbol_dtype.itemsize
    turns = []
    bits = 1
    while bits < symbol_bits:
        turns.append((bits, _every((1 << bits) - 1, 2 * bits)))
        bits *= 2
    turns.append((symbol_bits - layout.lanes, _every((1 << layout.lanes) - 1, symbol_bits)))
    return np.array(turns, np.uint64)


def _every(pattern: int, bits: int) -> int:
    """Repeat a pattern through 64 bits, once every so many."""
    return sum(pattern << place for place in range(0, 64, bits))


def _watches(layout: FrameLayout) -> NDArray[np.uint64]:
    """List how a `unique` marker could stand where no frame begins: over any two neighbours.

    A neighbour may be idle: then half of the comparison is known, and it is kept only if that
    half fits.
    """
    framing = layout.link.framing
    watches: list[tuple[int, int, int, int, int]] = []
    if isinstance(framing, MarkerFraming) and framing.rule == "unique":
        marker_bits = len(framing.symbols) * layout.lanes
        marker_mask = ((1 << marker_bits) - 1) << (layout.frame_bits - marker_bits)
        marker = layout.idle_word & marker_mask
        for offset in range(1, layout.frame_symbols):
            shift = offset * layout.lanes
            back = layout.frame_bits - shift
            before = marker_mask >> shift << shift
            after = marker_mask & ((1 << shift) - 1)
            watches.append((shift, before, back, after, marker))
            if layout.idle_word << shift & before == marker & before:
                watches.append((0, 0, back, after, marker & after))
            if layout.idle_word >> back & after == marker & after:
                watches.append((shift, before, 0, 0, marker & before))
    return np.array(watches, np.uint64).reshape(-1, 5)
