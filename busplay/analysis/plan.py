"""The whole plan of a link: budget, bursts, loops, other buses, and stated needs, as values.

One place works it out; the text and the JSON of `busplay plan` show the same values.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from os import PathLike
from pathlib import Path

import numpy as np

from busplay.analysis.budget import LinkBudget, link_budget
from busplay.analysis.budget_buses import BusRow, bus_rows
from busplay.analysis.budget_loops import (
    FAST_STORES,
    FILL_LOOPS,
    fast_store_pattern,
    run_loop,
)
from busplay.analysis.budget_queue import (
    DepthMeter,
    SlotService,
    StorePattern,
    depth_for_burst,
    growth_per_cycle,
    longest_burst,
)
from busplay.analysis.budget_sender import require_store_fields, sender_load
from busplay.analysis.budget_trace import TraceLoad, read_trace_load
from busplay.description.board import Board, Processor, Sender
from busplay.description.link import Link
from busplay.link.load import as_link_and_board

DEFAULT_PROCESSOR_HZ = 8_000_000
DEFAULT_FILLED_BYTES = 8_192
DEFAULT_UART_HZ = 115_200
BURST_STORES = (16, 64, 256)
PAGES = {"zero page": (0x0000, 0x00FF), "stack": (0x0100, 0x01FF)}
BOTH_PROCESSORS: tuple[Processor, ...] = ("6502", "65c02")


@dataclass(frozen=True, slots=True)
class FilledMemory:
    """Memory that loops fill.

    Attributes:
        name: the unit's, or what else it is.
        filled_bytes: that stores can reach.
        memory_bytes: that there are.
    """

    name: str
    filled_bytes: int
    memory_bytes: int


@dataclass(frozen=True, slots=True)
class BurstDepth:
    """The FIFO that a burst needs.

    Attributes:
        stores: of the burst.
        fifo_depth: sender FIFO depth with which none is lost, at any phase of the slot grid.
        fifo_depth_with_register: the same with an output register for the frame that starts next.
    """

    stores: int
    fifo_depth: int
    fifo_depth_with_register: int


@dataclass(frozen=True, slots=True)
class BurstRow:
    """The fastest that an instruction stores.

    Attributes:
        name: the instruction.
        processors: whose it is; both where they do alike.
        reaches: addresses that it can store to: any, the zero page, the stack page.
        in_window: a window of the board lies there; None without a board.
        pattern: when its stores fall.
        stores_hz: stores a second while the burst lasts.
        growth_per_cycle: frames that come on top of the waiting ones each processor cycle.
        depths: for each length of burst.
        longest: stores that the planned FIFO takes without loss; None: any number.
    """

    name: str
    processors: tuple[Processor, ...]
    reaches: str
    in_window: bool | None
    pattern: StorePattern
    stores_hz: Fraction
    growth_per_cycle: Fraction
    depths: tuple[BurstDepth, ...]
    longest: int | None


@dataclass(frozen=True, slots=True)
class LoopRow:
    """A loop that fills a memory, and what it asks of the sender.

    Attributes:
        memory: name of the memory.
        memory_bytes, filled_bytes: that there are, and that stores can reach.
        name, instructions: of the loop.
        cycles, time_s: that it takes.
        code_bytes: of its code.
        fifo_depth: sender FIFO depth with which none is lost, at any phase of the slot grid.
        fifo_depth_with_register: the same with an output register for the frame that starts next.
        fifo_depth_exact: one less would lose at some phase; else it may be one too deep.
        stores_lost: what the planned sender FIFO loses, at the worst phase.
    """

    memory: str
    memory_bytes: int
    filled_bytes: int
    name: str
    instructions: str
    cycles: int
    time_s: Fraction
    code_bytes: int
    fifo_depth: int
    fifo_depth_with_register: int
    fifo_depth_exact: bool
    stores_lost: int


@dataclass(frozen=True, slots=True)
class Need:
    """Something the user must have.

    Attributes:
        name: what.
        met: whether the plan has it.
        reason: why, in a sentence.
    """

    name: str
    met: bool
    reason: str


@dataclass(frozen=True, slots=True)
class PlanReport:
    """What a link can carry, what programs need of it, and what other buses would cost.

    Attributes:
        link, board: names; `board` None for a link alone.
        processor_hz: of the processor's clock.
        processor_hz_assumed: nobody stated it.
        processors: whose instructions the bursts show.
        sender_fifo_depth: of the planned sender, besides an output register for the frame that
            starts next, as `sender.fifo_depth` of a board counts it.
        receivers: displays behind the link.
        memories: what the loops fill.
        budget: rates and overhead.
        bursts: the fastest stores.
        loops: loops that fill the memories.
        buses: the same stores over other buses.
        trace: what a trace asks of the link; None: none was given, or it was stopped.
        needs: what was needed, and whether it is met.
        interrupted: reading the trace was stopped.
    """

    link: str
    board: str | None
    processor_hz: int
    processor_hz_assumed: bool
    processors: tuple[Processor, ...]
    sender_fifo_depth: int
    receivers: int
    memories: tuple[FilledMemory, ...]
    budget: LinkBudget
    bursts: tuple[BurstRow, ...]
    loops: tuple[LoopRow, ...]
    buses: tuple[BusRow, ...]
    trace: TraceLoad | None
    needs: tuple[Need, ...]
    interrupted: bool

    @property
    def meets_needs(self) -> bool:
        """Everything that was needed is met."""
        return all(one.met for one in self.needs)


def plan(
    described: Link | Board | str | Path,
    *,
    trace: str | PathLike[str] | None = None,
    needs: Sequence[str] = (),
    processor_hz: int | None = None,
    processor: Processor | None = None,
    fifo_depth: int | None = None,
    receivers: int | None = None,
    filled_bytes: int | None = None,
    burst_stores: Sequence[int] = (),
    uart_hz: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> PlanReport:
    """Compute what a link can carry; loops and instructions run on the core.

    Ctrl-C while a trace is read leaves it out, and needs of it.

    Args:
        described: a link or board, its file, or the name of a shipped one.
        trace: a trace whose stores are put on the link.
        needs: what must be met: stores a second ("2000000"), a loop's name, or "trace".
        processor_hz: the processor's clock; else the board's, or 8 MHz.
        processor: whose instructions; else the board's, or both.
        fifo_depth: of the sender; else the board's.
        receivers: displays behind the link; else the board's units.
        filled_bytes: that the loops fill; else what the board's windows reach.
        burst_stores: lengths of the bursts that are shown.
        uart_hz: bit rate of the serial port that is compared; 115,200.
        progress: called with (frames of the trace done, frames).

    Raises:
        InputError: a file is damaged, or the link has no address or no data field.
        ValueError: a need is none.

    >>> import busplay
    >>> busplay.plan("lean", needs=["straight"]).meets_needs
    True
    """
    link, board = as_link_and_board(described)
    require_store_fields(link)
    processors = (processor,) if processor else (board.processor,) if board else BOTH_PROCESSORS
    memories = _reached(board) if board else ()
    if filled_bytes is not None or not memories:
        count = filled_bytes or DEFAULT_FILLED_BYTES
        memories = (FilledMemory(f"{count:,} bytes", count, count),)
    stated_hz = processor_hz or (board.clock_hz if board else None)
    if fifo_depth is None:
        fifo_depth = (board.sender if board else Sender()).fifo_depth
    receivers = receivers or max(1, len(board.units) if board else 1)
    budget = link_budget(link, processor_hz=stated_hz or DEFAULT_PROCESSOR_HZ)
    loops = _loops(memories, processors[-1], budget, fifo_depth)
    load = None
    interrupted = False
    if trace is not None:
        try:
            load = read_trace_load(Path(trace), budget, fifo_depth=fifo_depth, progress=progress)
        except KeyboardInterrupt:
            interrupted = True
            needs = [one for one in needs if one != "trace"]
    return PlanReport(
        link=link.name,
        board=board.name if board else None,
        processor_hz=budget.processor_hz,
        processor_hz_assumed=stated_hz is None,
        processors=processors,
        sender_fifo_depth=fifo_depth,
        receivers=receivers,
        memories=memories,
        budget=budget,
        bursts=_bursts(board, processors, tuple(burst_stores) or BURST_STORES, budget, fifo_depth),
        loops=loops,
        buses=bus_rows(budget, receivers=receivers, uart_bit_hz=uart_hz or DEFAULT_UART_HZ),
        trace=load,
        needs=tuple(_need(one, fifo_depth, budget, loops, load) for one in needs),
        interrupted=interrupted,
    )


def stores_hz_of(text: str) -> int | None:
    """Return the stores a second that a need names; None: it names something else."""
    number = text.replace("_", "").replace(",", "")
    return int(number) if number.isascii() and number.isdigit() and len(number) < 16 else None


def _reached(board: Board) -> tuple[FilledMemory, ...]:
    """Return how much of each unit's memory windows reach; units that none reaches are left out."""
    reached = []
    for unit in board.units:
        offsets: set[int] = set()
        for window in board.windows:
            if window.unit == unit.name and window.space == "memory":
                length = window.last_address - window.first_address + 1
                offsets.update(range(window.first_offset, window.first_offset + length))
        count = sum(offset < unit.memory_bytes for offset in offsets)
        if count:
            reached.append(FilledMemory(unit.name, count, unit.memory_bytes))
    return tuple(reached)


def _bursts(
    board: Board | None,
    processors: tuple[Processor, ...],
    burst_stores: tuple[int, ...],
    budget: LinkBudget,
    fifo_depth: int,
) -> tuple[BurstRow, ...]:
    service = SlotService.of_budget(budget)
    rows = []
    for store in FAST_STORES:
        by_pattern: dict[StorePattern, list[Processor]] = {}
        for processor in processors:
            by_pattern.setdefault(fast_store_pattern(store, processor), []).append(processor)
        for pattern, alike in by_pattern.items():
            rows.append(
                BurstRow(
                    name=store.name,
                    processors=tuple(alike),
                    reaches=store.reaches,
                    in_window=_in_window(board, store.reaches),
                    pattern=pattern,
                    stores_hz=budget.processor_hz / pattern.store_cycles,
                    growth_per_cycle=growth_per_cycle(pattern, service),
                    depths=tuple(
                        _burst_depth(pattern, budget, service, stores) for stores in burst_stores
                    ),
                    longest=longest_burst(pattern, service, fifo_depth=fifo_depth),
                )
            )
    return tuple(rows)


def _burst_depth(
    pattern: StorePattern, budget: LinkBudget, service: SlotService, stores: int
) -> BurstDepth:
    meter = DepthMeter(budget.frame_cycles)
    meter.feed(pattern.cycles(stores).astype(np.uint64))
    depth = depth_for_burst(pattern, service, stores=stores)
    without_register = meter.depth_without_register(budget) - (meter.depth - depth)
    return BurstDepth(stores, without_register, depth)


def _in_window(board: Board | None, reaches: str) -> bool | None:
    if board is None:
        return None
    first, last = PAGES.get(reaches, (0, 0xFFFF))
    return any(
        window.first_address <= last and first <= window.last_address for window in board.windows
    )


def _loops(
    memories: tuple[FilledMemory, ...], processor: Processor, budget: LinkBudget, fifo_depth: int
) -> tuple[LoopRow, ...]:
    rows = []
    for memory in memories:
        for loop in FILL_LOOPS:
            run = run_loop(loop, filled_bytes=memory.filled_bytes, processor=processor)
            load = sender_load(run.store_cycle, budget, fifo_depth=fifo_depth)
            rows.append(
                LoopRow(
                    memory=memory.name,
                    memory_bytes=memory.memory_bytes,
                    filled_bytes=memory.filled_bytes,
                    name=loop.name,
                    instructions=loop.meaning,
                    cycles=run.cycles,
                    time_s=Fraction(run.cycles, budget.processor_hz),
                    code_bytes=run.code_bytes,
                    fifo_depth=load.depth_without_register,
                    fifo_depth_with_register=load.depth,
                    fifo_depth_exact=load.depth_exact,
                    stores_lost=load.stores_lost,
                )
            )
    return tuple(rows)


# -- needs


def _need(
    text: str,
    fifo: int,
    budget: LinkBudget,
    loops: Sequence[LoopRow],
    load: TraceLoad | None,
) -> Need:
    stores_hz = stores_hz_of(text)
    if stores_hz is not None:
        carried = budget.frame_hz
        reason = f"the link carries {int(carried):,} stores a second, {stores_hz:,} are needed"
        return Need(f"{stores_hz} stores a second", carried >= stores_hz, reason)
    if text == "trace" and load is not None:
        return _fifo_need("trace", "", fifo, load.stores, load)
    rows = [row for row in loops if row.name == text]
    if not rows:
        raise ValueError(f"{text!r} is no number of stores a second, no loop, and no trace")
    worst = max(rows, key=lambda row: row.stores_lost)
    where = f" to {worst.memory}" if len(rows) > 1 else ""
    return _fifo_need(f"loop {text}", where, fifo, worst.filled_bytes, worst)


def _fifo_need(name: str, where: str, fifo: int, stores: int, row: LoopRow | TraceLoad) -> Need:
    """Hold what a FIFO loses against none."""
    if not row.stores_lost:
        return Need(name, True, f"a sender FIFO of {fifo:,} and an output register lose nothing")
    reason = (
        f"a sender FIFO of {fifo:,} and an output register lose {row.stores_lost:,} of"
        f" {stores:,} stores{where}; {depth_text(row)} loses none"
    )
    return Need(name, False, reason)


def depth_text(row: LoopRow | TraceLoad) -> str:
    """Write the FIFO depth that is enough, both ways to count it."""
    most = "" if row.fifo_depth_exact else "at most "
    text = f"FIFO depth {most}{row.fifo_depth:,}"
    if row.fifo_depth == row.fifo_depth_with_register:
        return text
    return f"{text} (with an output register: {row.fifo_depth_with_register:,})"
