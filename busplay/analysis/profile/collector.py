"""Sums over a core's instructions and stores, piece by piece, for a profile.

A store into display memory *changes something* if the last byte stored to the address was another
(at power-on 0); a store to registers always does. It is *written over* if the next store to its
address is within the same refresh, so that it never showed.

A frame takes one slot of the link; stores made before the last frame has ended wait. A *burst*
lasts from a store that finds the link free up to the next one that does. The sender FIFO is assumed
to be deep enough, so that the depth needed is known.

Code and addresses stored to are counted by their number in a `BankedSpace`, so page by page; what a
display shows does not depend on the page.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.profile.call_tree import CallTree, charged_number
from busplay.analysis.profile.routines import Routines
from busplay.batch import PageChanges, StoreBatch, UInt8Column
from busplay.core.memory_map import ADDRESSES, MemoryMap
from busplay.core.rewind import InstructionBatch, StepKind
from busplay.description.board import Board
from busplay.program.pages import FullAddresses
from busplay.sender.encoder import Encoder

USUAL_REFRESH_HZ = 60
BURSTS_KEPT = 5

Int64Column = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StoreBurst:
    """Stores in faster succession than the link takes frames.

    Attributes:
        first_cycle: of its first store.
        stores: count of stores.
        frames_waiting_max: most frames in the sender, the one on the wire included.
        program_counter: number of the instruction that made the first.
    """

    first_cycle: int
    stores: int
    frames_waiting_max: int
    program_counter: int


@dataclass(frozen=True, slots=True)
class RefreshProfile:
    """One refresh of the display.

    Attributes:
        first_cycle: where it begins.
        cycles: cycles in it, waiting included.
        waiting_cycles: cycles in WAI.
        stores: stores in windows.
        stores_unchanged: stores that changed nothing.
        stores_replaced: stores replaced by a later one of the same refresh.
        link_use_ratio: share of its slots that the stores take.
    """

    first_cycle: int
    cycles: int
    waiting_cycles: int
    stores: int
    stores_unchanged: int
    stores_replaced: int
    link_use_ratio: float


def _add(column: Int64Column, number: Int64Column, costs: Int64Column | None = None) -> None:
    """Add costs, or ones, to a column by their numbers."""
    if not len(number):
        return
    # Of the numbers, a piece of a run has those of a few pages.
    first, stop = int(number.min()), int(number.max()) + 1
    column[first:stop] += np.bincount(number - first, costs, stop - first).astype(np.int64)


class ProfileCollector:
    """Counts cycles and stores.

    Args:
        board: the description.
        routines: where routines begin.

    Attributes:
        tree: the calls.
        space: the numbers of addresses.
        cycles, stores, unchanged, replaced: int64[numbers], by the instruction.
        writes, writes_unchanged, writes_replaced: int64[numbers], stores by the address stored to.
        waits: int64[numbers], cycles in WAI, by the instruction.
        waiting_cycles, interrupts, interrupt_cycles: in all; an interrupt's cycles are those of
            its sequence.
        first_cycle, stop_cycle: the range counted.
        clock_hz, refresh_hz: of the board.
    """

    def __init__(self, board: Board, routines: Routines) -> None:
        self.space = routines.space
        self._banks = board.banks
        self.tree = CallTree(routines.starts, self.space.size)
        columns = [np.zeros(self.space.size, np.int64) for _ in range(8)]
        self.cycles, self.stores, self.unchanged, self.replaced = columns[:4]
        self.writes, self.writes_unchanged, self.writes_replaced, self.waits = columns[4:]
        self.waiting_cycles = self.interrupts = self.interrupt_cycles = 0
        self.first_cycle: int | None = None
        self.stop_cycle = 0
        self.refresh_hz = (
            USUAL_REFRESH_HZ if board.host_port is None else board.host_port.refresh_hz
        )
        self.clock_hz = board.clock_hz
        encoder = Encoder(board)
        self._edges_per_cycle = encoder.edges_per_cycle
        self._grid_edges, self._slot_edges = encoder.grid_edges, encoder.step_edges
        self._map = MemoryMap.of_board(board)
        self._repeats = np.zeros(ADDRESSES, np.bool_)
        for index, window in enumerate(board.windows):
            # The same address of two pages is two bytes of display memory.
            repeats = window.space == "memory" and window.page is None
            self._repeats[self._map.window_index == index] = repeats
        # Byte, refresh and instruction of the last store to each address.
        self._byte = np.zeros(ADDRESSES, np.int64)
        self._refresh = np.full(ADDRESSES, -1, np.int64)
        self._writer = np.zeros(ADDRESSES, np.int64)
        self._free_edge = 0
        self._burst: StoreBurst | None = None
        self._bursts: list[StoreBurst] = []
        # Rows of refreshes: cycles, waiting cycles, stores, unchanged, written over.
        self._rows: dict[int, Int64Column] = {}

    def take_memory(self, memory: UInt8Column) -> None:
        """Begin with the bytes in display memory, before anything is fed.

        Args:
            memory: uint8[65536], the processor's, in which all windows of display memory land.
        """
        self._byte[self._repeats] = memory[self._repeats]

    def feed(
        self,
        instructions: InstructionBatch,
        stores: StoreBatch,
        *,
        stop_cycle: int,
        next_pc: int,
        pages: PageChanges | None = None,
        counts: bool = True,
    ) -> None:
        """Add the next piece of the run.

        Args:
            stores: into windows, made by these instructions.
            stop_cycle: the cycle after the last of them.
            next_pc: full address of the next instruction.
            pages: shown by banks, by cycle, from the first instruction on; None: there are none.
            counts: if not, only follow display memory and calls.
        """
        if not len(instructions):
            return
        cycle = instructions.cycle.astype(np.int64)
        took = np.diff(cycle, append=stop_cycle)
        here, number = self._numbers_of(instructions, next_pc, pages)
        made_by = np.searchsorted(cycle, stores.cycle.astype(np.int64), side="right") - 1
        full = FullAddresses(self._banks, pages).column(stores.address, stores.cycle)
        to = self.space.numbers(full)
        unchanged, over_before = self._stored(stores, to, number[made_by], counts)
        count = len(cycle)
        by_instruction = (
            took,
            np.bincount(made_by, minlength=count),
            np.bincount(made_by[unchanged], minlength=count),
        )
        self.tree.feed(instructions, number, here, by_instruction, counts=counts)
        if not counts:
            return
        if self.first_cycle is None:
            self.first_cycle = int(cycle[0])
        self.stop_cycle = stop_cycle
        for column, costs in zip(
            (self.cycles, self.stores, self.unchanged), by_instruction, strict=True
        ):
            _add(column, number, costs)
        waits = instructions.kind == StepKind.WAITING
        interrupts = instructions.kind == StepKind.INTERRUPT
        self.waiting_cycles += int(took[waits].sum())
        _add(self.waits, number[waits], took[waits])
        self.interrupts += int(np.count_nonzero(interrupts))
        self.interrupt_cycles += int(took[interrupts].sum())
        self._count_refreshes(cycle, stop_cycle, waits, took)
        self._add_refreshes(stores.cycle.astype(np.int64), 2)
        self._add_refreshes(stores.cycle[unchanged].astype(np.int64), 3)
        self._add_refreshes(over_before, 4)
        self._add_bursts(stores, number[made_by])

    def _numbers_of(
        self, instructions: InstructionBatch, next_pc: int, pages: PageChanges | None
    ) -> tuple[Int64Column, Int64Column]:
        """Return each instruction's number, and that of the one that its costs belong to."""
        full, space = FullAddresses(self._banks, pages), self.space
        pc, cycle = instructions.pc, instructions.cycle
        here = space.numbers(full.column(pc, cycle))
        waits = instructions.kind == StepKind.WAITING
        waits_at = full.column(pc[waits] - np.uint16(1), cycle[waits])
        number = charged_number(
            instructions,
            here,
            next_number=space.number(next_pc),
            waits_at=space.numbers(waits_at),
        )
        return here, number

    def _stored(
        self, stores: StoreBatch, number: Int64Column, writer: Int64Column, counts: bool
    ) -> tuple[NDArray[np.bool_], Int64Column]:
        """Return which stores changed nothing, and the cycles of stores that replaced another."""
        to = stores.address.astype(np.int64)
        order = np.argsort(to, kind="stable")
        to, byte, by = to[order], stores.data[order].astype(np.int64), writer[order]
        cycle = stores.cycle[order].astype(np.int64)
        # The first refresh ends at floor(clock / rate), as in the host port.
        refresh = ((cycle + 1) * self.refresh_hz - 1) // self.clock_hz
        firsts = np.append(True, to[1:] != to[:-1])[: len(to)]
        byte_before, refresh_before, by_before = (
            np.where(firsts, kept[to], np.roll(column, 1))
            for kept, column in ((self._byte, byte), (self._refresh, refresh), (self._writer, by))
        )
        same = (byte == byte_before) & self._repeats[to]
        over = (refresh == refresh_before) & self._repeats[to]
        lasts = np.append(firsts[1:], True)[: len(to)]
        for kept, column in ((self._byte, byte), (self._refresh, refresh), (self._writer, by)):
            kept[to[lasts]] = column[lasts]
        if counts:
            number = number[order]
            _add(self.writes, number)
            _add(self.writes_unchanged, number[same])
            _add(self.writes_replaced, number[over])
            _add(self.replaced, by_before[over])
        unchanged = np.zeros(len(to), np.bool_)
        unchanged[order] = same
        return unchanged, cycle[over]

    # -- refreshes

    def _refresh_start(self, refresh: int) -> int:
        return refresh * self.clock_hz // self.refresh_hz

    def _refresh_of(self, cycles: Int64Column) -> Int64Column:
        return ((cycles + 1) * self.refresh_hz - 1) // self.clock_hz

    def _row(self, refresh: int) -> Int64Column:
        if refresh not in self._rows:
            self._rows[refresh] = np.zeros(5, np.int64)
        return self._rows[refresh]

    def _count_refreshes(
        self, cycle: Int64Column, stop_cycle: int, waits: NDArray[np.bool_], took: Int64Column
    ) -> None:
        first, last = (int(one) for one in self._refresh_of(np.array([cycle[0], stop_cycle - 1])))
        wait_first, wait_stop = cycle[waits], cycle[waits] + took[waits]
        for refresh in range(first, last + 1):
            begin, end = self._refresh_start(refresh), self._refresh_start(refresh + 1)
            row = self._row(refresh)
            row[0] += min(end, stop_cycle) - max(begin, int(cycle[0]))
            inside = np.minimum(wait_stop, end) - np.maximum(wait_first, begin)
            row[1] += int(np.maximum(inside, 0).sum())

    def _add_refreshes(self, cycles: Int64Column, place: int) -> None:
        refreshes, counts = np.unique(self._refresh_of(cycles), return_counts=True)
        for refresh, count in zip(refreshes.tolist(), counts.tolist(), strict=True):
            self._row(refresh)[place] += count

    def refreshes(self) -> tuple[RefreshProfile, ...]:
        """Return the refreshes, partial ones at the beginning and end included."""
        found = []
        for refresh, row in sorted(self._rows.items()):
            cycles, waiting, stores, unchanged, over = row.tolist()
            begin = max(self._refresh_start(refresh), self.first_cycle or 0)
            use = self.link_use(stores, cycles)
            found.append(RefreshProfile(begin, cycles, waiting, stores, unchanged, over, use))
        return tuple(found)

    # -- the link

    def link_use(self, stores: int, cycles: int) -> float:
        """Return the share of the link's slots that STORES stores take in CYCLES cycles."""
        edges = cycles * self._edges_per_cycle.numerator / self._edges_per_cycle.denominator
        # A refresh of which only the first cycles ran is shorter than the frame that begins in it.
        return stores * self._slot_edges / max(edges, self._slot_edges)

    def _add_bursts(self, stores: StoreBatch, program_counter: Int64Column) -> None:
        if not len(stores):
            return
        slot = self._slot_edges
        # A frame starts on the grid, at the earliest at the end of its store's cycle.
        ready_edge = self._edges_per_cycle.ceil_column(stores.cycle + np.uint64(1))
        arrival = -(-ready_edge.astype(np.int64) // self._grid_edges) * self._grid_edges
        index = np.arange(len(arrival), dtype=np.int64)
        # The end of each frame: one slot after the frame before, or after its own arrival.
        ready = np.maximum(np.maximum.accumulate(arrival - slot * index), self._free_edge)
        gone = ready + slot * (index + 1)
        waiting = -(-(gone - arrival) // slot)
        free_before = np.append(self._free_edge, gone[:-1])
        self._free_edge = int(gone[-1])
        first = np.flatnonzero(arrival >= free_before)
        if not len(first) or first[0]:
            # The burst that continues from the piece before.
            first = np.append(0, first)
            carried = self._burst
        else:
            carried = None
            self._end_burst()
        most = np.maximum.reduceat(waiting, first)
        counts = np.diff(first, append=len(arrival))

        def burst(index: int) -> StoreBurst:
            at = first[index]
            cycle, made_by = int(stores.cycle[at]), int(program_counter[at])
            return StoreBurst(cycle, int(counts[index]), int(most[index]), made_by)

        begun = burst(0)
        if carried is not None:
            begun = StoreBurst(
                carried.first_cycle,
                carried.stores + begun.stores,
                max(carried.frames_waiting_max, begun.frames_waiting_max),
                carried.program_counter,
            )
        self._burst = begun
        if len(first) > 1:
            self._end_burst()
            # Of the bursts within the piece only the fullest matter.
            within = np.argsort(-most[1:-1], kind="stable")[:BURSTS_KEPT] + 1
            self._bursts += [burst(index) for index in within.tolist() if counts[index] > 1]
            self._bursts = list(self._longest())
            self._burst = burst(len(first) - 1)

    def _end_burst(self) -> None:
        if self._burst is not None and self._burst.stores > 1:
            self._bursts.append(self._burst)
        self._burst = None

    def _longest(self) -> tuple[StoreBurst, ...]:
        ranked = sorted(self._bursts, key=lambda one: (-one.frames_waiting_max, one.first_cycle))
        return tuple(ranked[:BURSTS_KEPT])

    def bursts(self) -> tuple[StoreBurst, ...]:
        """Return the bursts with the most waiting frames, the fullest first."""
        self._end_burst()
        return self._longest()
