"""The whole plan of a link: budget, bursts, loops, other buses, and stated needs, as values.

One place works it out; the text and the JSON of `busplay plan` show the same values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from busplay.analysis.budget import LinkBudget, link_budget
from busplay.analysis.budget_buses import BusRow, bus_rows
from busplay.analysis.budget_loops import (
    FAST_STORES,
    FILL_LOOPS,
    LoopRun,
    fast_store_pattern,
    run_loop,
)
from busplay.analysis.budget_queue import (
    SlotService,
    StorePattern,
    depth_for_burst,
    growth_per_cycle,
    longest_burst,
)
from busplay.analysis.budget_sender import SenderLoad, require_store_fields, sender_load
from busplay.analysis.budget_trace import TraceLoad
from busplay.description.board import Board, Processor, Sender
from busplay.description.link import Link

DEFAULT_PROCESSOR_HZ = 8_000_000
DEFAULT_FILLED_BYTES = 8_192
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
class PlanRequest:
    """What to plan.

    Attributes:
        link: sound.
        board: None for a link alone.
        processor_hz: the board's clock, or the one that is taken for a link.
        processor_hz_assumed: nobody stated it.
        processors: whose instructions the bursts show.
        fifo_depth: of the sender.
        memories: what the loops fill.
        receivers: displays behind the link.
        burst_stores: lengths of the bursts.
        uart_bit_hz: bit rate of the serial port that is compared.
    """

    link: Link
    board: Board | None
    processor_hz: int
    processor_hz_assumed: bool
    processors: tuple[Processor, ...]
    fifo_depth: int
    memories: tuple[FilledMemory, ...]
    receivers: int
    burst_stores: tuple[int, ...] = BURST_STORES
    uart_bit_hz: int = 115_200


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
        depths: FIFO depth for each length of burst.
        longest: stores that the planned FIFO takes without loss; None: any number.
    """

    name: str
    processors: tuple[Processor, ...]
    reaches: str
    in_window: bool | None
    pattern: StorePattern
    stores_hz: Fraction
    growth_per_cycle: Fraction
    depths: tuple[tuple[int, int], ...]
    longest: int | None


@dataclass(frozen=True, slots=True, eq=False)
class LoopRow:
    """A loop that fills a memory, and what it asks of the sender."""

    memory: FilledMemory
    run: LoopRun
    load: SenderLoad


@dataclass(frozen=True, slots=True)
class Need:
    """Something the user must have: met or not, and why in a sentence."""

    name: str
    met: bool
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything that was worked out."""

    request: PlanRequest
    budget: LinkBudget
    bursts: tuple[BurstRow, ...]
    loops: tuple[LoopRow, ...]
    buses: tuple[BusRow, ...]


def request_for(
    described: Link | Board,
    *,
    processor_hz: int | None = None,
    processor: Processor | None = None,
    fifo_depth: int | None = None,
    receivers: int | None = None,
    filled_bytes: int | None = None,
    burst_stores: Sequence[int] = (),
    uart_bit_hz: int | None = None,
) -> PlanRequest:
    """Take from a board what it says and from the rest what the caller says or what is usual.

    Raises:
        InputError: the link has no address or no data field.
    """
    board = described if isinstance(described, Board) else None
    link = described.link if isinstance(described, Board) else described
    require_store_fields(link)
    processors: tuple[Processor, ...]
    if board is not None:
        processors = (processor or board.processor,)
        memories = tuple(_reached(board))
        usual_fifo, usual_receivers = board.sender.fifo_depth, len(board.units)
    else:
        processors = (processor,) if processor else BOTH_PROCESSORS
        memories = ()
        usual_fifo, usual_receivers = Sender().fifo_depth, 1
    if filled_bytes is not None or not memories:
        count = filled_bytes or DEFAULT_FILLED_BYTES
        memories = (FilledMemory(f"{count:,} bytes", count, count),)
    stated_hz = processor_hz or (board.clock_hz if board else None)
    return PlanRequest(
        link=link,
        board=board,
        processor_hz=stated_hz or DEFAULT_PROCESSOR_HZ,
        processor_hz_assumed=stated_hz is None,
        processors=processors,
        fifo_depth=usual_fifo if fifo_depth is None else fifo_depth,
        memories=memories,
        receivers=receivers or max(1, usual_receivers),
        burst_stores=tuple(burst_stores) or BURST_STORES,
        uart_bit_hz=uart_bit_hz or 115_200,
    )


def _reached(board: Board) -> list[FilledMemory]:
    """Tell how much of each unit's memory windows reach; units that none reaches are left out."""
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
    return reached


def make_plan(request: PlanRequest) -> Plan:
    """Work everything out; loops and instructions run on the core."""
    budget = link_budget(request.link, processor_hz=request.processor_hz)
    return Plan(
        request=request,
        budget=budget,
        bursts=_bursts(request, budget),
        loops=_loops(request, budget),
        buses=bus_rows(budget, receivers=request.receivers, uart_bit_hz=request.uart_bit_hz),
    )


def _bursts(request: PlanRequest, budget: LinkBudget) -> tuple[BurstRow, ...]:
    service = SlotService.of_budget(budget)
    rows = []
    for store in FAST_STORES:
        by_pattern: dict[StorePattern, list[Processor]] = {}
        for processor in request.processors:
            by_pattern.setdefault(fast_store_pattern(store, processor), []).append(processor)
        for pattern, processors in by_pattern.items():
            rows.append(
                BurstRow(
                    name=store.name,
                    processors=tuple(processors),
                    reaches=store.reaches,
                    in_window=_in_window(request.board, store.reaches),
                    pattern=pattern,
                    stores_hz=request.processor_hz / pattern.store_cycles,
                    growth_per_cycle=growth_per_cycle(pattern, service),
                    depths=tuple(
                        (stores, depth_for_burst(pattern, service, stores=stores))
                        for stores in request.burst_stores
                    ),
                    longest=longest_burst(pattern, service, fifo_depth=request.fifo_depth),
                )
            )
    return tuple(rows)


def _in_window(board: Board | None, reaches: str) -> bool | None:
    if board is None:
        return None
    first, last = PAGES.get(reaches, (0, 0xFFFF))
    return any(
        window.first_address <= last and first <= window.last_address for window in board.windows
    )


def _loops(request: PlanRequest, budget: LinkBudget) -> tuple[LoopRow, ...]:
    rows = []
    for memory in request.memories:
        for loop in FILL_LOOPS:
            run = run_loop(loop, filled_bytes=memory.filled_bytes, processor=request.processors[-1])
            load = sender_load(run.store_cycle, budget, fifo_depth=request.fifo_depth)
            rows.append(LoopRow(memory, run, load))
    return tuple(rows)


# -- needs


def need_rate(plan: Plan, stores_hz: int) -> Need:
    """Hold a rate of stores against what the link carries in the long run."""
    carried = plan.budget.frame_hz
    met = carried >= stores_hz
    reason = f"the link carries {int(carried):,} stores a second, {stores_hz:,} are needed"
    return Need(f"{stores_hz} stores a second", met, reason)


def need_loop(plan: Plan, name: str) -> Need:
    """Hold a loop, in every memory that it fills, against the planned FIFO."""
    worst = max((row for row in plan.loops if row.run.loop.name == name), key=_lost)
    met = worst.load.stores_lost == 0
    fifo = plan.request.fifo_depth
    if met:
        reason = f"a FIFO of {fifo:,} loses nothing of it"
    else:
        where = f" to {worst.memory.name}" if len(plan.request.memories) > 1 else ""
        reason = (
            f"a FIFO of {fifo:,} loses {worst.load.stores_lost:,} of {worst.load.stores:,}"
            f" stores{where}; {worst.load.depth:,} would lose none"
        )
    return Need(f"loop {name}", met, reason)


def _lost(row: LoopRow) -> int:
    return row.load.stores_lost


def need_trace(plan: Plan, load: TraceLoad) -> Need:
    """Hold a trace against the planned FIFO."""
    fifo = plan.request.fifo_depth
    if load.fifo_lost == 0:
        return Need("trace", True, f"a FIFO of {fifo:,} loses nothing of it")
    reason = (
        f"a FIFO of {fifo:,} loses {load.fifo_lost:,} of {load.stores:,} stores;"
        f" {load.fifo_depth:,} would lose none"
    )
    return Need("trace", False, reason)
