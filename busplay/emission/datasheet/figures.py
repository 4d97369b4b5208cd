"""The data sheet's figures of `check` and `plan`, as tables."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import inf

from busplay.analysis.plan import PlanReport
from busplay.analysis.plan_text import seconds, summary_rows
from busplay.analysis.soundness.examine import lost_text
from busplay.analysis.soundness.figures import number, percent
from busplay.analysis.soundness.report import CheckReport
from busplay.analysis.soundness.text import verdict_text
from busplay.emission.datasheet.blocks import Block, Grid, Paragraph, Section
from busplay.emission.model import LinkModel
from busplay.emission.proof.firmware import TargetFigures
from busplay.emission.proof.synthesis import LogicFigures
from busplay.wording import hertz

SHOWN_WEIGHTS = 8


def soundness_section(found: CheckReport) -> Section:
    """Return sync and error figures."""
    blocks: list[Block] = [Paragraph(f"{verdict_text(found)}.")]
    if found.weaknesses:
        rows = tuple((one.text,) for one in found.weaknesses)
        blocks.append(Grid(("what to know of it",), rows))
    blocks.append(Paragraph("Errors of a few bits in a frame, all of them tried:"))
    errors = tuple(
        (f"{one.wrong_bits}", f"{one.errors:,}", f"{one.undetected:,}")
        for one in found.detection.errors[:SHOWN_WEIGHTS]
    )
    blocks.append(Grid(("wrong bits", "errors", "undetected"), errors, frozenset({0, 1, 2})))
    blocks.append(
        Paragraph(
            "Of damage at random"
            f" {percent(found.detection.random_undetected_ratio)} goes undetected."
        )
    )
    blocks.append(Paragraph("Bit errors, each bit by itself:"))
    rates = tuple(
        (
            f"{one.bit_error_rate:g}",
            percent(one.damaged_ratio),
            percent(one.undetected_ratio),
            "for ever" if one.frames_in_sync is None else f"{one.frames_in_sync:.3g}",
        )
        for one in found.rates
    )
    head = ("bit error rate", "frames damaged", "of all, undetected", "frames until sync is lost")
    blocks.append(Grid(head, rates, frozenset({0, 1, 2, 3})))
    blocks.append(Paragraph("Coming into sync, every slot busy, by what the stores are:"))
    sync = tuple(
        (
            one.traffic,
            "never" if one.power_on_symbols.value == inf else number(one.power_on_symbols.value),
            "never" if one.lost_edge_symbols.value == inf else number(one.lost_edge_symbols.value),
            lost_text(one),
            {"exact": "all cases", "computed": "computed"}.get(one.method, "simulated, 95 %"),
        )
        for one in found.sync
    )
    columns = ("stores", "symbols from power-on", "from a lost edge", "cost of a lost edge", "how")
    blocks.append(Grid(columns, sync, frozenset({1, 2})))
    return Section("Sync and errors", tuple(blocks))


def budget_section(plan: PlanReport) -> Section:
    """Return what the link carries, and what programs ask of it."""
    summary = dict(summary_rows(plan))
    if plan.processor_hz_assumed:
        summary["processor"] = f"{hertz(plan.processor_hz)}, as nobody says"
    blocks: list[Block] = [Grid(("", ""), tuple(summary.items()))]
    rows = tuple(
        (
            row.memory,
            row.name,
            row.instructions,
            f"{row.cycles:,}",
            seconds(row.time_s),
            f"{row.fifo_depth:,}",
            f"{row.stores_lost:,}",
        )
        for row in plan.loops
    )
    blocks.append(Paragraph("Loops that fill memory, run on the core:"))
    head = ("memory", "loop", "instructions", "cycles", "time", "FIFO depth", "stores lost")
    blocks.append(Grid(head, rows, frozenset({3, 4, 5, 6})))
    return Section("Budget", tuple(blocks))


def firmware_section(model: LinkModel, found: Sequence[TargetFigures]) -> Section:
    """Return sizes and cycles of the emitted firmware, by target."""
    title = "Firmware"
    if not found:
        text = (
            "The emitted C was not compiled for this sheet; busplay emit with --prove does so, and"
            " states its size and cycles here."
        )
        return Section(title, (Paragraph(text),))
    slot_ns = model.time.budget.slot_ns
    rows = []
    for one in found:
        cycles = (one.symbol_cycles, one.frame_cycles, one.packed_frame_cycles)
        shown = ["not known" if each is None else f"{each:,}" for each in cycles]
        fastest = one.packed_frame_cycles
        need = "" if fastest is None else f"{float(fastest / slot_ns) * 1000:,.0f} MHz"
        rows.append((one.target, f"{one.code_bytes:,}", f"{one.receiver_bytes:,}", *shown, need))
    head = (
        "processor",
        "code and tables, bytes",
        "a receiver, bytes",
        "cycles a symbol",
        "cycles a frame, symbol by symbol",
        "cycles a frame at once, in sync",
        "clock for a busy link",
    )
    compilers = "; ".join(f"{one.target}: {one.compiler}" for one in found)
    note = (
        "Sizes with -Os, the check by nibble table. Cycles are upper bounds: those of the"
        " longest path through the compiled instructions (-Os, nothing inlined), by the"
        " instruction times in the processor's manual, be it a path that no frame takes; without"
        " wait states, interrupts, and what your own code does with a frame. The clock is what"
        f" those bounds need for a frame each slot. Compilers: {compilers}."
    )
    grid = Grid(head, tuple(rows), frozenset(range(1, len(head))))
    return Section(title, (grid, Paragraph(note)))


def logic_section(model: LinkModel, found: Sequence[LogicFigures]) -> Section:
    """Return cells and clock of the emitted logic, by module."""
    title = "Logic"
    if not found:
        text = (
            "The emitted Verilog was not synthesized for this sheet; busplay emit with --prove does"
            " so, and states its cells and the clock that it reaches here."
        )
        return Section(title, (Paragraph(text),))
    rows = []
    for one in found:
        clock = link_clock = "not known"
        if one.clock_hz is not None:
            clock = f"{one.clock_hz / 1e6:.1f} MHz"
            cycles = Fraction(one.symbols_a_clock, model.link.edges_per_cycle)
            link_clock = f"{float(one.clock_hz * cycles) / 1e6:.1f} MHz"
        cells = (one.lookup_tables, one.flip_flops, one.carry_cells, one.memory_blocks)
        rows.append((one.module, *(f"{count:,}" for count in cells), clock, link_clock))
    head = (
        "module",
        "LUTs of 4 inputs",
        "flip-flops",
        "carry cells",
        "memories of 4,096 bits",
        "its clock, at most",
        "link clock, at most",
    )
    note = (
        f"For an {found[0].device}, by {found[0].tools}, placed with seed 1. Cells are those of the"
        " module with its FIFO of default depth. The clock is that of the slowest path between"
        " flip-flops, as routed; another placement, and what else the chip holds, change it. Setup"
        " and hold at the pins are not in it: keep to the timing requirements of this sheet."
    )
    return Section(
        title, (Grid(head, tuple(rows), frozenset(range(1, len(head)))), Paragraph(note))
    )
