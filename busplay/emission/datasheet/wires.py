"""The data sheet's part on wires: pins, levels, and the times on them."""

from __future__ import annotations

from fractions import Fraction

from busplay.analysis.plan import PlanReport
from busplay.emission.datasheet.blocks import Block, Caution, Grid, Paragraph, Section
from busplay.emission.model import LinkModel
from busplay.units import NS_PER_S
from busplay.wording import counted, exact

CAUTIONS = (
    "Levels. This sheet says nothing of voltages: take what counts as low and high from the data"
    " sheets of the parts at both ends. A 5 V output can destroy a 3.3 V input, and a 3.3 V output"
    " need not reach what a 5 V input takes for high. Between the two belongs a level shifter that"
    " is fast enough for the clock.",
    "Power. Connect the grounds first, and switch both ends on and off together: an input of a part"
    " without supply draws current from the wires and can be damaged. Turn the power off before"
    " you plug or unplug anything.",
    "Static. Inputs without a connection pick up anything and can be destroyed by a touch. Ground"
    " yourself before you touch pins, and hold each wire at its level of rest with a resistor while"
    " the other end is away.",
)


def pins_section(model: LinkModel) -> Section:
    """Return the pins, and the cautions about levels."""
    edges = {"both": "rising and falling edge", "rising": "rising edge", "falling": "falling edge"}
    rows = [("clock", "sampled on its " + edges[model.link.edges], "it runs all the time")]
    if model.framing.strobe_mask:
        active = "high" if model.framing.active_high else "low"
        rest = "low" if model.framing.active_high else "high"
        span = "the whole frame" if model.framing.is_held else "a frame's first symbol"
        rows.append(("strobe", f"active {active} with {span}", rest))
    for lane in reversed(range(model.layout.lanes)):
        rest = "low" if model.framing.strobe_mask else "as in the idle frame"
        rows.append((f"lane {lane}", _lane_use(model, lane), rest))
    rows.append(("ground", "common reference of all others", ""))
    text = (
        "All wires are outputs of the sender and inputs of the receiver; nothing goes back. Any"
        " number of receivers may listen."
    )
    grid = Grid(("pin", "use", "level at rest"), tuple(rows))
    return Section("Pins and levels", (Paragraph(text), grid, *(Caution(one) for one in CAUTIONS)))


def _lane_use(model: LinkModel, lane: int) -> str:
    if model.layout.lanes == 1:
        return "data, a bit a symbol"
    first = 0 if model.is_reversed else model.layout.lanes - 1
    last = model.layout.lanes - 1 - first
    order = {first: ", a symbol's first bit", last: ", a symbol's last bit"}.get(lane, "")
    return f"data{order}"


def times_section(model: LinkModel, plan: PlanReport | None) -> Section:
    """Return what both ends must keep to."""
    budget = model.time.budget
    symbol_ns = exact(budget.symbol_ns)
    level_ns = exact(Fraction(NS_PER_S, 2 * budget.clock_hz))
    assumed = (
        ", for a processor at 8 MHz, as nobody says" if model.time.processor_hz_assumed else ""
    )
    sender = (
        ("symbol", f"{symbol_ns} ns{assumed}", "a lane keeps its level so long"),
        ("clock level", f"{level_ns} ns", "high and low, each, if the clock is even"),
        (
            "setup and hold",
            f"together less than {symbol_ns} ns",
            "lanes stable before and after each edge that samples: the receiver's setup and hold"
            " times and the skew between the wires must fit into a symbol",
        ),
        ("slot", f"{exact(budget.slot_ns)} ns", _slot_text(model)),
    )
    receiver: list[tuple[str, str, str]] = [
        (
            "mean service",
            f"at most {exact(budget.slot_ns)} ns",
            "to take, check and draw a frame, or frames pile up on a busy link",
        )
    ]
    board = model.board
    if board is not None:
        end = board.receiver
        depth = counted(end.fifo_depth, "frame")
        burst_ns = budget.slot_ns * end.fifo_depth
        receiver.append(("FIFO", depth, "frames that may wait; one that finds it full is lost"))
        receiver.append(
            ("longest pause", f"{exact(burst_ns)} ns", "until a busy link fills an empty FIFO")
        )
        receiver.append(("service", f"{end.service_ns:,} ns", "as the board plans it, a frame"))
        if end.deadline_ns is not None:
            text = "from a frame's arrival; one served later is lost"
            receiver.append(("deadline", f"{end.deadline_ns:,} ns", text))
        for busy in end.busy:
            text = f"every {busy.period_ns:,} ns the video side has the memory"
            receiver.append(("busy", f"{busy.length_ns:,} ns", text))
    blocks: list[Block] = [
        Paragraph("The sender:"),
        Grid(("time", "value", "meaning"), sender),
        Paragraph("The receiver:"),
        Grid(("time", "value", "meaning"), tuple(receiver)),
    ]
    if plan is not None and board is not None:
        depth_text = f"The sender's FIFO holds {counted(plan.sender_fifo_depth, 'frame')}"
        blocks.append(Paragraph(f"{depth_text}; a store that finds it full is lost and counted."))
    return Section("Timing requirements", tuple(blocks))


def _slot_text(model: LinkModel) -> str:
    gap = model.framing.gap_symbols
    text = f"from one frame's start to the next: {counted(model.layout.slot_symbols, 'symbol')}"
    if gap:
        text += f", {gap} of them with the strobe at rest"
    if model.link.idle_every:
        text += f"; one in {model.link.idle_every} stays idle"
    return text
