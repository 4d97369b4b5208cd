"""A profile as data: what `busplay profile --json` prints."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.profile.advice import ProfileAdvice, find_advice
from busplay.analysis.profile.call_tree import INTERRUPTS, PROGRAM, CallNode, totals
from busplay.analysis.profile.collector import ProfileCollector, RefreshProfile
from busplay.analysis.profile.routines import Routines
from busplay.analysis.profile.rows import (
    AddressProfile,
    BurstProfile,
    CallProfile,
    LineCost,
    RoutineProfile,
    SourceLineProfile,
)
from busplay.description.board import Board
from busplay.description.full_address import address_of, page_of
from busplay.program.pages import BankedSpace
from busplay.program.symbols import ProgramSymbols

ADDRESSES_LISTED = 20


@dataclass(frozen=True, slots=True)
class ProfileReport:
    """Where a program spent its cycles and its stores.

    Attributes:
        board: name of the board.
        link: name of its link.
        program: file name of the program; null if only the board's images run.
        clock_hz: the processor's clock.
        refresh_hz: refreshes in a second; 60 if the board has no host port.
        first_cycle: where the profile begins.
        cycles: cycles counted.
        waiting_cycles: cycles in WAI.
        interrupts: interrupt sequences.
        interrupt_cycles: in interrupt handlers, sequences and callees included.
        stopped: why the program ended before its limits; null if it did not.
        interrupted: whether Ctrl-C ended it.
        stores: stores in windows.
        stores_unchanged: stores that changed nothing.
        stores_replaced: stores replaced by a later one within the same refresh.
        link_use_ratio: share of the link's slots that the stores took.
        advice: ways to save cycles or frames, the largest saving first.
        routines: the most cycles first.
        source_lines: the most cycles first; empty without a debug file.
        calls: caller and callee, the most cycles first.
        written_most: the addresses stored to most.
        replaced_most: the addresses with the most stores replaced within the same refresh.
        bursts: the bursts with the most waiting frames.
        refreshes: each refresh of the display.
    """

    board: str
    link: str
    program: str | None
    clock_hz: int
    refresh_hz: int
    first_cycle: int
    cycles: int
    waiting_cycles: int
    interrupts: int
    interrupt_cycles: int
    stopped: str | None
    interrupted: bool
    stores: int
    stores_unchanged: int
    stores_replaced: int
    link_use_ratio: float
    advice: tuple[ProfileAdvice, ...]
    routines: tuple[RoutineProfile, ...]
    source_lines: tuple[SourceLineProfile, ...]
    calls: tuple[CallProfile, ...]
    written_most: tuple[AddressProfile, ...]
    replaced_most: tuple[AddressProfile, ...]
    bursts: tuple[BurstProfile, ...]
    refreshes: tuple[RefreshProfile, ...]
    nodes: tuple[CallNode, ...] = field(metadata={"json": False}, repr=False)
    line_costs: tuple[LineCost, ...] = field(metadata={"json": False}, repr=False)
    routine_names: Routines = field(metadata={"json": False}, repr=False)


def make_report(
    collector: ProfileCollector,
    board: Board,
    *,
    program: str | None,
    symbols: ProgramSymbols,
    routines: Routines,
    stopped: str | None = None,
    interrupted: bool = False,
) -> ProfileReport:
    """Return what a collector has counted as a report.

    Args:
        program: file name of the program.
        symbols: its names and lines.
        routines: of the run, as the collector has them.
    """
    nodes = collector.tree.nodes()
    cycles = int(collector.cycles.sum())
    rows = tuple(_routine_rows(collector, nodes, routines, cycles))
    stores = int(collector.stores.sum())
    return ProfileReport(
        board=board.name,
        link=board.link.name,
        program=program,
        clock_hz=board.clock_hz,
        refresh_hz=collector.refresh_hz,
        first_cycle=collector.first_cycle or 0,
        cycles=cycles,
        waiting_cycles=collector.waiting_cycles,
        interrupts=collector.interrupts,
        interrupt_cycles=totals(nodes)[INTERRUPTS][0],
        stopped=stopped,
        interrupted=interrupted,
        stores=stores,
        stores_unchanged=int(collector.unchanged.sum()),
        stores_replaced=int(collector.replaced.sum()),
        link_use_ratio=collector.link_use(stores, cycles),
        advice=find_advice(board, rows, cycles=cycles, waiting_cycles=collector.waiting_cycles),
        routines=rows,
        source_lines=_line_rows(collector, symbols, routines),
        calls=_call_rows(nodes, routines),
        written_most=_address_rows(collector, board, symbols, collector.writes),
        replaced_most=_address_rows(collector, board, symbols, collector.writes_replaced),
        bursts=tuple(
            BurstProfile(
                routines.name(routines.start_of(one.program_counter)),
                *_split(routines.space, one.program_counter),
                one.first_cycle,
                one.stores,
                one.frames_waiting_max,
            )
            for one in collector.bursts()
        ),
        refreshes=collector.refreshes(),
        nodes=nodes,
        line_costs=_line_costs(collector, symbols, routines),
        routine_names=routines,
    )


def _routine_rows(
    collector: ProfileCollector, nodes: tuple[CallNode, ...], routines: Routines, cycles: int
) -> list[RoutineProfile]:
    own, calls, entries, inclusive, interrupt_cycles = (
        defaultdict[int, int](int) for _ in range(5)
    )
    sums = totals(nodes)
    above: list[frozenset[int]] = [frozenset(), frozenset()]
    in_interrupts = [False, True]
    for index, node in enumerate(nodes[2:], 2):
        callers = above[node.parent]
        above.append(callers | {node.routine})
        in_interrupts.append(in_interrupts[node.parent])
        own[node.routine] += node.costs[0]
        calls[node.routine] += node.calls
        entries[node.routine] += node.entries
        # Within itself its cycles are counted already.
        if node.routine not in callers:
            inclusive[node.routine] += sums[index][0]
            interrupt_cycles[node.routine] += sums[index][0] if in_interrupts[index] else 0
    starts = routines.starts
    columns = (collector.stores, collector.unchanged, collector.replaced, collector.waits)
    by_routine = [dict(zip(starts.tolist(), _sums(one, starts), strict=True)) for one in columns]
    refreshes = max(1.0, cycles * collector.refresh_hz / max(1, collector.clock_hz))
    rows = [
        RoutineProfile(
            name=routines.name(start),
            address=address_of(routines.space.full(start)),
            page=page_of(routines.space.full(start)),
            is_interrupt=interrupt_cycles[start] == inclusive[start],
            calls=calls[start],
            entries=entries[start],
            cycles=own[start],
            waiting_cycles=by_routine[3][start],
            cycles_with_callees=inclusive[start],
            cycles_ratio=own[start] / max(1, cycles),
            cycles_per_refresh=own[start] / refreshes,
            stores=by_routine[0][start],
            stores_unchanged=by_routine[1][start],
            stores_replaced=by_routine[2][start],
            stores_per_refresh=by_routine[0][start] / refreshes,
            link_use_ratio=collector.link_use(by_routine[0][start], cycles),
        )
        for start in own
        if inclusive[start]
    ]
    return sorted(rows, key=lambda row: (-row.cycles, row.address, row.page or 0))


def _sums(column: NDArray[np.int64], starts: NDArray[np.int64]) -> list[int]:
    found: list[int] = np.add.reduceat(column, starts).tolist()
    return found


def _line_costs(
    collector: ProfileCollector, symbols: ProgramSymbols, routines: Routines
) -> tuple[LineCost, ...]:
    """Return the costs of each line of each routine; lines that did not run are left out."""
    sums: dict[tuple[int, str, int], list[int]] = {}
    columns = (collector.cycles, collector.stores, collector.unchanged)
    for number, index in _lines_that_ran(collector, symbols):
        line = None if symbols.debug is None or index < 0 else symbols.debug.lines[index]
        key = (
            routines.start_of(number),
            "" if line is None else line.file,
            0 if line is None else line.line,
        )
        costs = sums.setdefault(key, [0, 0, 0])
        for place, column in enumerate(columns):
            costs[place] += int(column[number])
    return tuple(
        LineCost(routine, file, line, (costs[0], costs[1], costs[2]))
        for (routine, file, line), costs in sorted(sums.items())
    )


def _lines_that_ran(
    collector: ProfileCollector, symbols: ProgramSymbols
) -> Iterator[tuple[int, int]]:
    """Return the number of each instruction that ran, and the index of its line, or -1."""
    numbers = np.flatnonzero(collector.cycles).tolist()
    lines = [-1] * len(numbers)
    if symbols.debug is not None:
        full = np.array([collector.space.full(number) for number in numbers], np.int64)
        lines = symbols.debug.best_lines(full).tolist()
    yield from zip(numbers, lines, strict=True)


def _split(space: BankedSpace, number: int) -> tuple[int, int | None]:
    """Return the address and the page of a number; -1 stays."""
    if number < 0:
        return number, None
    full = space.full(number)
    return address_of(full), page_of(full)


def _line_rows(
    collector: ProfileCollector, symbols: ProgramSymbols, routines: Routines
) -> tuple[SourceLineProfile, ...]:
    if symbols.debug is None:
        return ()
    columns = (collector.cycles, collector.stores, collector.unchanged, collector.replaced)
    sums: dict[int, list[int]] = {}
    most: dict[int, tuple[int, int]] = {}
    for number, line in _lines_that_ran(collector, symbols):
        if line < 0:
            continue
        costs = sums.setdefault(line, [0, 0, 0, 0])
        for place, column in enumerate(columns):
            costs[place] += int(column[number])
        spent = int(collector.cycles[number])
        most[line] = max(most.get(line, (0, 0)), (spent, number))
    lines = symbols.debug.lines
    rows = [
        SourceLineProfile(
            lines[line].file,
            lines[line].line,
            lines[line].kind,
            routines.name(routines.start_of(most[line][1])),
            *costs,
        )
        for line, costs in sums.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.cycles, row.file, row.line)))


def _call_rows(nodes: tuple[CallNode, ...], routines: Routines) -> tuple[CallProfile, ...]:
    sums = totals(nodes)
    edges: dict[tuple[int, int], list[int]] = {}
    for index, node in enumerate(nodes[2:], 2):
        if node.parent == PROGRAM:
            continue
        caller = -1 if node.parent == INTERRUPTS else nodes[node.parent].routine
        edge = edges.setdefault((caller, node.routine), [0, 0, 0])
        edge[0] += node.calls
        edge[1] += node.entries
        edge[2] += sums[index][0]
    rows = [
        CallProfile(
            "interrupt" if caller < 0 else routines.name(caller),
            routines.name(callee),
            *_split(routines.space, caller),
            *_split(routines.space, callee),
            calls,
            entries,
            cycles,
        )
        for (caller, callee), (calls, entries, cycles) in edges.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.cycles, row.caller_address)))


def _address_rows(
    collector: ProfileCollector, board: Board, symbols: ProgramSymbols, ranked: Iterable[int]
) -> tuple[AddressProfile, ...]:
    """Return the addresses that come first by a column."""
    column = np.asarray(ranked)
    order = np.argsort(-column, kind="stable")[:ADDRESSES_LISTED]
    rows = []
    for number in order[column[order] > 0].tolist():
        full = collector.space.full(number)
        address = address_of(full)
        window = next(
            one.name for one in board.windows if one.first_address <= address <= one.last_address
        )
        rows.append(
            AddressProfile(
                address,
                page_of(full),
                symbols.name_of_store(full, board.windows),
                window,
                int(collector.writes[number]),
                int(collector.writes_unchanged[number]),
                int(collector.writes_replaced[number]),
            )
        )
    return tuple(rows)
