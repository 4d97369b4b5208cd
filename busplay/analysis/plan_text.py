"""A plan as text of 80 columns: what the numbers of `busplay.analysis.plan` say to a person."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from busplay.analysis.budget import IDLE, PAYLOAD_FIELDS, REST, LinkBudget
from busplay.analysis.budget_trace import TraceLoad
from busplay.analysis.plan import FilledMemory, LoopRow, PlanReport, depth_text
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.wording import counted, exact, hertz

ADVICE = (
    "Length: keep the cable as short as it can be, and its wires of one length. A symbol stands"
    " for {symbol_ns} ns; in that time must fit the receiver's setup and hold time, the skew"
    " between clock and lanes, and the sender's own spread of delays. All of these are in the"
    " data sheets of parts and cable; every metre adds to the last two.",
    "Series resistors: where an edge is faster than its way down the cable and back, it rings. A"
    " resistor in series at the sender, near what the driver lacks to the cable's impedance,"
    " damps it; the driver's data sheet has its resistance. Lead a ground wire beside the clock.",
    "Levels: outputs of 5 V parts can destroy inputs of 3.3 V parts. Look up what the input may"
    " see, with power off too, and put a level shifter in where the data sheet does not allow it.",
    "Safety: wire with the power off, discharge yourself before you touch parts, and ask somebody"
    " qualified where you are not sure.",
)

# What to add about a FIFO's depth, by the places that a frame takes while it waits for the grid.
REGISTER_NOTE = ("", " (one less with an output register for the frame that starts next)")


def rate(value: Fraction, unit: str) -> str:
    """Write a rate with a prefix and up to three places: `16 Mbit/s`, `about 2.353 MHz`."""
    for scale, prefix in ((10**9, "G"), (10**6, "M"), (10**3, "k")):
        if value >= scale:
            return f"{exact(value / scale)} {prefix}{unit}"
    return f"{exact(value)} {unit}"


def cell_rate(value: Fraction, unit: str) -> str:
    """Write a rate for a table, where all is rounded to three places."""
    return rate(value, unit).removeprefix("about ").rstrip()


def percent(value: Fraction) -> str:
    """Write a ratio as a percentage of one place."""
    return f"{float(value):.1%}"


def seconds(value: Fraction) -> str:
    """Write a span in the unit that suits it, with up to three places."""
    for scale, unit in ((1, "s"), (10**3, "ms"), (10**6, "us")):
        if value * scale >= 1:
            return f"{_places(value * scale)} {unit}"
    return f"{_places(value * 10**9)} ns"


def _places(value: Fraction) -> str:
    return exact(value).removeprefix("about ")


def verdict_text(plan: PlanReport) -> str:
    """Return the verdict in a line: whether the needs are met, or what the sender FIFO loses."""
    owner = f"board {plan.board}, link {plan.link}" if plan.board else f"link {plan.link}"
    unmet = sum(not one.met for one in plan.needs)
    if plan.needs:
        met = (
            "all needs met"
            if not unmet
            else f"{unmet} of {counted(len(plan.needs), 'need')} NOT MET"
        )
        return f"{owner}: {met}"
    losing = [row.name for row in plan.loops if row.stores_lost]
    if not losing:
        return f"{owner}: loses none of the loops' stores"
    names = ", ".join(dict.fromkeys(losing))
    return f"{owner}: loses stores of the {'loop' if len(losing) == 1 else 'loops'} {names}"


def summary_rows(plan: PlanReport) -> list[tuple[str, str]]:
    """Return what the link can carry, as labels and texts; the trace aside."""
    budget = plan.budget
    deepest = max(plan.loops, key=lambda row: row.fifo_depth)
    spi = next(row for row in plan.buses if row.name == "SPI")
    return [
        *_clock_rows(plan),
        *_budget_rows(budget),
        ("overhead", f"{percent(budget.overhead_ratio)} of the lanes"),
        ("sender", f"FIFO depth {plan.sender_fifo_depth:,} and an output register"),
        ("loops", f"the {deepest.name} loop needs {depth_text(deepest)} to lose nothing"),
        ("SPI", f"would take {cell_rate(spi.needed_hz, 'Hz')} for as many stores"),
    ]


def short_text(plan: PlanReport) -> list[str]:
    """Return the plan in a screenful, below the verdict."""
    lines = pairs(summary_rows(plan))
    if plan.trace is not None:
        lines += ["", *pairs(trace_rows(plan.trace, plan))]
    if plan.needs:
        lines += needs_text(plan)
    return [*lines, "", "--full shows bursts, loops, other buses and what each field costs"]


def full_text(plan: PlanReport) -> list[str]:
    """Return the whole plan, below the verdict."""
    lines = pairs([*_clock_rows(plan), *_budget_rows(plan.budget)])
    lines += heading("What each part takes of the lanes")
    lines += _cost_table(plan.budget)
    lines += heading(
        "Bursts: the fastest stores, each instruction many times in a row; sender FIFO of"
        f" {plan.sender_fifo_depth:,}"
    )
    lines += _burst_table(plan)
    lines += heading("Loops that fill memory, run on the core")
    lines += _loop_tables(plan)
    lines += heading(f"The same {rate(plan.budget.frame_hz, 'stores/s')} over other buses")
    lines += _bus_table(plan)
    if plan.trace is not None:
        lines += _trace_lines(plan.trace, plan)
    lines += heading("On real wires")
    symbol_ns = exact(plan.budget.symbol_ns)
    for advice in ADVICE:
        lines += wrapped(advice.format(symbol_ns=symbol_ns))
    return lines + needs_text(plan)


def _clock_rows(plan: PlanReport) -> list[tuple[str, str]]:
    assumed = " (assumed; --processor-clock sets it)" if plan.processor_hz_assumed else ""
    return [("processor", f"{hertz(plan.processor_hz)}{assumed}")]


def _budget_rows(budget: LinkBudget) -> list[tuple[str, str]]:
    link = budget.link
    strobe = budget.wires - 1 - link.lanes
    own = "its own" if link.clock_hz else "the processor's"
    rows = [
        (
            "pins",
            f"{budget.wires}: a clock, {counted(link.lanes, 'lane')}"
            + (", a strobe" if strobe else "")
            + "; ground on top",
        ),
        ("clock", f"{hertz(budget.clock_hz)}, {own}; no wire is faster"),
        (
            "symbols",
            f"{rate(Fraction(budget.symbol_hz), 'symbols/s')} of {counted(link.lanes, 'bit')},"
            f" each for {exact(budget.symbol_ns)} ns",
        ),
        ("bits", rate(Fraction(budget.bit_hz), "bit/s")),
        (
            "slot",
            f"{counted(budget.step_edges, 'symbol')}, {exact(budget.slot_cycles)} processor"
            f" cycles, {exact(budget.slot_ns)} ns",
        ),
        ("frames", f"{rate(budget.frame_hz, 'frames/s')}, one for each store"),
    ]
    if budget.idle_every:
        slots = exact(budget.frame_cycles)
        rows.append(
            (
                "idle",
                f"one slot in {budget.idle_every} at least, so a frame takes {slots} cycles in"
                " the long run",
            )
        )
    rows.append(
        (
            "payload",
            f"{rate(budget.data_bit_hz, 'bit/s')} of data,"
            f" {rate(budget.payload_bit_hz, 'bit/s')} with the address",
        )
    )
    return rows


def _cost_table(budget: LinkBudget) -> list[str]:
    meanings = {REST: "no frame on the lanes", IDLE: "slots that have to stay idle"}
    check = budget.link.check
    rows = [("part", "bits", "share", "rate", "")]
    for one in budget.costs:
        meaning = meanings.get(one.name, "payload" if one.name in PAYLOAD_FIELDS else "")
        if check is not None and one.name == check.field:
            meaning = "the check"
        rows.append(
            (
                one.name,
                str(one.bits) if one.bits else "",
                percent(one.share_ratio),
                cell_rate(one.bit_hz, "bit/s"),
                meaning,
            )
        )
    bits = budget.step_edges * budget.link.lanes
    rows.append(("together", str(bits), "100.0%", rate(Fraction(budget.bit_hz), "bit/s"), ""))
    return [
        *table(rows, right=frozenset({1, 2, 3})),
        f"  overhead: {percent(budget.overhead_ratio)}",
    ]


def _burst_table(plan: PlanReport) -> list[str]:
    lengths = [one.stores for one in plan.bursts[0].depths]
    both = len(plan.processors) > 1
    head = ["store", "cycles", "stores/s", "grows by", *[f"{one:,}" for one in lengths], "takes"]
    rows = [head]
    notes: list[str] = []
    for row in plan.bursts:
        name = row.name
        if both and len(row.processors) == 1:
            name += f" ({row.processors[0].upper()})"
        if row.in_window is False:
            name += " *"
        pattern = row.pattern
        spaced = str(pattern.period_cycles)
        if len(pattern.offset_cycles) > 1:
            spaced = f"{len(pattern.offset_cycles)} in {pattern.period_cycles}"
        growth = row.growth_per_cycle
        rows.append(
            [
                name,
                spaced,
                cell_rate(row.stores_hz, ""),
                f"1 in {_places(1 / growth)}" if growth else "-",
                *[f"{one.fifo_depth:,}" for one in row.depths],
                "any" if row.longest is None else f"{row.longest:,}",
            ]
        )
    lines = table(rows, right=frozenset(range(1, 4 + len(lengths))))
    shown = ", ".join(f"{one:,}" for one in lengths)
    notes.append(
        "cycles: from one store to the next. grows by: one more frame waits in this many"
        f" cycles. {shown}: FIFO depth with which a burst of as many stores loses nothing, whatever"
        f" its phase{REGISTER_NOTE[plan.budget.grid_places]}. takes: the longest burst that the"
        " planned FIFO takes."
        " INC on an NMOS 6502 writes twice in a row."
        " BRK whose vector leads back to it stores fastest of all. Zero-page stores and pushes"
        " (PHA, JSR, BRK) go out only where a window covers their page."
    )
    if any(row.in_window is False for row in plan.bursts):
        notes.append("* no window of this board lies there")
    for note in notes:
        lines += wrapped(note)
    return lines


def _loop_tables(plan: PlanReport) -> list[str]:
    lines: list[str] = []
    exact_all = all(row.fifo_depth_exact for row in plan.loops)
    bound = "" if exact_all else " (<=: or one less)"
    for memory in plan.memories:
        part = "" if memory.filled_bytes == memory.memory_bytes else f" of {memory.memory_bytes:,}"
        unit = "" if memory.name.endswith("bytes") else f"{memory.name}: "
        lines.append(f"  {unit}{memory.filled_bytes:,} bytes{part}")
        rows: list[Sequence[str]] = [("loop", "cycles", "a byte", "time", "FIFO", "lost", "with")]
        rows += [_loop_row(row) for row in plan.loops if row.memory == memory.name]
        lines += table(rows, right=frozenset(range(1, 6)))
    lines += wrapped(
        f"FIFO: sender FIFO depth with which nothing is lost{bound}"
        f"{REGISTER_NOTE[plan.budget.grid_places]}. lost: stores that the planned FIFO of"
        f" {plan.sender_fifo_depth:,} loses. self-modifying needs its code in RAM; straight takes 3"
        " bytes of code for each byte, more than there is room for in a large memory."
    )
    return lines


def _loop_row(row: LoopRow) -> tuple[str, ...]:
    return (
        row.name,
        f"{row.cycles:,}",
        f"{row.cycles / row.filled_bytes:.2f}",
        seconds(row.time_s),
        f"{'' if row.fifo_depth_exact else '<= '}{row.fifo_depth:,}",
        f"{row.stores_lost:,}",
        row.instructions,
    )


def _bus_table(plan: PlanReport) -> list[str]:
    largest: FilledMemory = max(plan.memories, key=lambda one: one.filled_bytes)
    rows = [("bus", "pins", "clocks", "needs", "has", "then carries", "fills in")]
    for row in plan.buses:
        unit = "bit/s" if row.name.startswith("UART") else "Hz"
        rows.append(
            (
                row.name,
                str(row.pins),
                str(row.store_bits),
                cell_rate(row.needed_hz, unit),
                cell_rate(Fraction(row.usual_hz), unit),
                cell_rate(row.stores_hz, "/s"),
                seconds(row.fill_s(largest.filled_bytes)),
            )
        )
    receivers = counted(plan.receivers, "receiver")
    return [
        *table(rows, right=frozenset(range(1, 6))),
        *wrapped(
            f"For {receivers}, ground aside; SPI and shared memory take a select for each."
            " clocks: clock cycles or bit times a store. needs: clock or bit rate for as many"
            " stores as the link carries. has, then carries: the usual clock (SPI: the link's),"
            f" and the stores a second that it allows. fills in: {largest.filled_bytes:,} bytes, by"
            " absolute stores of the processor. SPI and UART send the link's frame in"
            " whole bytes; time for selects and between bytes is not counted. Shared memory"
            " takes a store in one cycle if the video side never makes it wait."
        ),
    ]


def trace_rows(load: TraceLoad, plan: PlanReport) -> list[tuple[str, str]]:
    """Return what a trace asks of the link, as labels and texts."""
    cycles_s = Fraction(load.cycles, plan.processor_hz)
    return [
        ("trace", f"{load.cycles:,} cycles, {seconds(cycles_s)}"),
        (
            "stores",
            f"{load.stores:,}, {rate(load.mean_hz, 'stores/s')} in the mean,"
            f" {percent(load.share_ratio)} of the link",
        ),
        (
            "FIFO",
            f"{depth_text(load)} loses nothing; the planned FIFO of {plan.sender_fifo_depth:,}"
            f" loses {load.stores_lost:,}",
        ),
    ]


def _trace_lines(load: TraceLoad, plan: PlanReport) -> list[str]:
    lines = [*heading("Sustained: the trace on this link"), *pairs(trace_rows(load, plan))]
    lines += ["", *table(peak_rows(load), right=frozenset({0, 1, 2, 3}))]
    resolution = exact(load.resolution_cycles)
    lost = load.stores_lost_when_recorded
    return lines + wrapped(
        f"A frame's store is known to within a slot of the recorded link, {resolution}"
        f" cycles. {counted(load.frames_behind_another, 'frame')} followed another without a slot"
        " between them and may have waited, so their stores may have come faster than it looks."
        + (f" {counted(lost, 'store')} more were lost as it was recorded." if lost else "")
    )


def peak_rows(load: TraceLoad) -> list[tuple[str, ...]]:
    """Return the busiest stretches of a trace as a table, its heading first."""
    head = ("busiest", "stores", "of the link", "from cycle")
    return [
        head,
        *(
            (
                seconds(Fraction(one.window_ns, 10**9)),
                f"{one.stores:,}",
                percent(one.share_ratio),
                f"{one.first_cycle:,}",
            )
            for one in load.peaks
        ),
    ]


def needs_text(plan: PlanReport) -> list[str]:
    """Return what was needed and whether it is met; nothing where nothing was."""
    if not plan.needs:
        return []
    rows = [
        ("", ""),
        *((one.name, f"{'met' if one.met else 'NOT MET'}: {one.reason}") for one in plan.needs),
    ]
    return [*heading("Needs"), *table(rows)[1:]]
