"""Panels of facts: the pixel that is looked up, and the receiver."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busplay.description.full_address import address_text
from busplay.player.inspector import (
    FrameRow,
    MachineFacts,
    PixelCause,
    PixelFacts,
    ReceiverFacts,
)
from busplay.view import theme
from busplay.view.instrument.actions import (
    Do,
    GoToEdge,
    GoToFrame,
    GoToInstruction,
    RunTo,
    ShowSymbols,
    StartTyping,
    Unpin,
)
from busplay.view.instrument.timing import EdgeTimes
from busplay.view.keys import Command, keys_of
from busplay.view.widgets.text_view import Line

NO_PIXEL = (
    "Hover a pixel of a screen to look it up; click it to pin it. Its byte, colour and the writes"
    " behind them stand here, each with a click to go to it."
)

NO_PROGRAM = (
    "The program is not there. It is found by its digest beside the trace, or with --program FILE."
)

CODE_ROWS = 7
"""Rows of instructions that go before the lines that run to somewhere."""

SYMBOLS_TIP = "show the frame's symbols in the time line"


def pixel_lines(
    facts: PixelFacts,
    *,
    times: EdgeTimes,
    lane_names: Sequence[str],
    wrapped: Callable[[str], Sequence[str]],
    is_pinned: bool,
    hears_keys: bool,
) -> list[Line]:
    """Return what a pixel shows and why, from its colour to the levels on the wires.

    Args:
        facts: of the pixel.
        times: of the recording.
        lane_names: of the link.
        wrapped: breaks a text into lines for the panel.
        is_pinned, hears_keys: which keys do something.
    """
    red, green, blue = facts.rgb
    place = f"{facts.unit} ${facts.offset:04X}"
    if facts.address is not None:
        place += f", address {address_text(facts.address)}"
    lines = [
        Line(f"{facts.unit} {facts.x}, {facts.y}", heading=True),
        Line("colour", f"{red}, {green}, {blue}, entry {facts.index}", swatch=facts.rgb),
        Line("byte", f"${facts.value:02X}", fixed=True),
        Line("in memory", place),
        Line("written by", heading=True),
    ]
    written, registers = facts.causes[:1], facts.causes[1:]
    lines += [line for cause in written for line in _cause_lines(cause)]
    if facts.frame is not None:
        lines += _frame_lines(facts.frame, times, lane_names, wrapped)
    if registers:
        lines.append(Line("registers", heading=True))
    lines += [line for cause in registers for line in _cause_lines(cause)]
    lines += [
        Line("go to", heading=True),
        Line(
            "next write",
            keys_of(Command.NEXT_WRITE, hears_keys=hears_keys),
            action=Do(Command.NEXT_WRITE),
            colour=theme.KEY,
        ),
        Line(
            "previous write",
            keys_of(Command.LAST_WRITE, hears_keys=hears_keys),
            action=Do(Command.LAST_WRITE),
            colour=theme.KEY,
        ),
    ]
    if is_pinned:
        keys = keys_of(Command.UNPIN, hears_keys=hears_keys)
        lines.append(Line("unpin", keys, action=Unpin(), colour=theme.KEY))
    return lines


def _cause_lines(cause: PixelCause) -> list[Line]:
    """Return a write that determines a pixel, with its store and instruction."""
    if cause.frame is None or cause.cycle is None:
        return [Line(cause.role, f"{cause.value}, as at power-on", colour=theme.DIM)]
    lines = [
        Line(
            cause.role,
            f"{cause.value} {_moment(cause)}",
            action=GoToFrame(cause.frame),
            tip=f"go to frame {cause.frame:,}",
        )
    ]
    if cause.address is not None:
        origin = f"store to {address_text(cause.address)} {cause.label}".strip()
        lines.append(Line("", origin, colour=theme.DIM))
    made = cause.instruction
    if made is not None:
        action = None if made.cycle is None else GoToInstruction(made.cycle)
        tip = "" if action is None else "go to this instruction"
        lines.append(Line("", f"{address_text(made.address)}  {made.text}", action=action, tip=tip))
        where = "  ".join(one for one in (made.label, made.source) if one)
        lines += [Line("", text, colour=theme.DIM) for text in (where, made.registers) if text]
    return lines


def _moment(cause: PixelCause) -> str:
    """Return when a write was made; without its instruction only the latest moment is known."""
    return f"{'by' if cause.instruction is None else 'at'} cycle {cause.cycle:,}"


def _frame_lines(
    row: FrameRow,
    times: EdgeTimes,
    lane_names: Sequence[str],
    wrapped: Callable[[str], Sequence[str]],
) -> list[Line]:
    """Return the frame that wrote a byte: its fields, and each lane edge by edge."""
    symbols = ShowSymbols(row.index, row.edge)
    edge_time = times.text(row.edge, tick_edges=max(1, times.edges_per_second // 1_000_000))
    lines = [
        Line(f"frame {row.index:,}", heading=True),
        Line("word", row.word, fixed=True, action=symbols, tip=SYMBOLS_TIP),
        Line(
            "edge",
            f"{row.edge:,} at {edge_time}",
            action=GoToEdge(row.edge),
            tip="go to the frame's first edge",
        ),
    ]
    if row.fate:
        lines.append(Line("received", row.fate, colour=theme.ERROR))
    fields = ", ".join(f"{name} ${value}" for name, value in row.fields)
    lines += [Line(text, action=symbols, tip=SYMBOLS_TIP) for text in wrapped(fields)]
    # The highest lane first, as the bits of a symbol are written; a strobe stands last.
    strobes = [name for name in lane_names if not name.startswith("lane")]
    lanes = list(zip(lane_names, row.lanes, strict=True))
    count = len(lanes) - len(strobes)
    for name, levels in [*reversed(lanes[:count]), *lanes[count:]]:
        text = " ".join(str(level) for level in levels)
        lines.append(Line(name, text, fixed=True, action=symbols, tip=SYMBOLS_TIP))
    return lines


def machine_lines(facts: MachineFacts, rows: int, *, stop_at: str, hears_keys: bool) -> list[Line]:
    """Return registers, stack, LEDs, the instructions round the next one, and where to run to.

    Args:
        facts: of the processor.
        rows: lines that have room; the next instruction stands in the middle of its part.
        stop_at: the breakpoint that is set, or empty.
        hears_keys: which keys do something.
    """
    lit = [name for name, is_lit in facts.leds if is_lit]
    lines = [
        Line("registers", heading=True),
        Line("  ".join(f"{name} {value}" for name, value in facts.registers[:5])),
        Line("flags", facts.registers[-1][1], fixed=True),
        Line("stack", facts.stack or "empty", fixed=bool(facts.stack)),
        *([Line("LEDs lit", " ".join(lit) or "none")] if facts.leds else []),
        Line("instructions", heading=True),
    ]
    runs = _run_lines(stop_at, hears_keys=hears_keys)
    code: list[Line] = []
    here = 0
    for number, row in enumerate(facts.code):
        if row.label:
            code.append(Line(f"{row.label}:", colour=theme.ACCENT))
        if number == facts.here:
            here = len(code)
        text = row.text if not row.source else f"{row.text}   {row.source}"
        is_here = number == facts.here
        colour = theme.PAUSED if is_here else theme.TEXT
        code.append(
            Line(
                f"{'>' if is_here else ''} {address_text(row.address)}",
                text,
                colour=colour,
                action=RunTo(address_text(row.address)),
                tip="run to this instruction",
            )
        )
    # Where there is little room the keys have to do: what is next is worth more than buttons.
    room = max(1, rows - len(lines))
    if room >= CODE_ROWS + len(runs):
        room -= len(runs)
    else:
        runs = []
    first = max(0, min(here - room // 2, len(code) - room))
    return lines + code[first : first + room] + runs


def _run_lines(stop_at: str, *, hears_keys: bool) -> list[Line]:
    def keys(command: Command) -> str:
        return keys_of(command, hears_keys=hears_keys)

    ways = [
        ("next", Command.RUN_TO),
        ("previous", Command.RUN_BACK_TO),
        ("return", Command.RUN_TO_RETURN),
    ]
    return [
        Line("run to", heading=True),
        Line(
            "breakpoint",
            stop_at or keys(Command.BREAKPOINT),
            colour=theme.TEXT if stop_at else theme.KEY,
            action=StartTyping("breakpoint"),
            tip=f"set a breakpoint  ({keys(Command.BREAKPOINT)})",
        ),
        *(Line(name, keys(one), action=Do(one), colour=theme.KEY) for name, one in ways),
    ]


def hover_lines(facts: PixelFacts, time_of: Callable[[int], str]) -> list[str]:
    """Return what hovering a pixel tells.

    Args:
        facts: of the pixel.
        time_of: writes the time of a cycle.
    """
    address = "" if facts.address is None else f"{address_text(facts.address)}, "
    red, green, blue = facts.rgb
    lines = [
        f"{facts.unit} {facts.x}, {facts.y}: {address}byte ${facts.value:02X}",
        f"colour {facts.index}: {red}, {green}, {blue}",
    ]
    byte = next((one for one in facts.causes if one.role == "byte"), None)
    if byte is not None:
        if byte.cycle is None:
            lines.append("never written")
        else:
            by = "by" if byte.instruction is None else "at"
            lines.append(f"written {by} {time_of(byte.cycle)}, cycle {byte.cycle:,}")
            if byte.label:
                lines.append(f"to {byte.label}")
        if (made := byte.instruction) is not None:
            places = (made.label or f"${made.address:04X}", made.source)
            lines.append("  ".join(one for one in places if one))
    return lines


def receiver_lines(facts: ReceiverFacts) -> list[Line]:
    """Return the receiver's state and counters."""
    in_sync = facts.state == "sync"
    lines = [
        Line("receiver", heading=True),
        Line("state", facts.state.upper(), colour=theme.RUNNING if in_sync else theme.ERROR),
    ]
    if facts.held_max is None:
        lines.append(Line("FIFO", "cannot lose anything on this board", colour=theme.DIM))
    else:
        held = facts.held or 0
        colour = theme.ERROR if held >= facts.fifo_depth else theme.TEXT
        lines += [
            Line("FIFO", heading=True),
            Line("depth, frames", f"{facts.fifo_depth:,}", figure=True),
            Line("held, frames", f"{held:,}", figure=True, colour=colour),
            Line("most held, frames", f"{facts.held_max:,}", figure=True),
            Line("mean wait, ns", f"{facts.mean_wait_ns or 0:,.0f}", figure=True),
        ]
    lines.append(Line("so far", heading=True))
    bad = {"checks failed", "frames aborted", "frames missed by sequence", "syncs lost"}
    bad |= {"lost at the full FIFO", "after their deadline", "lost while busy"}
    for name, count in facts.rows:
        colour = theme.ERROR if name in bad and count else theme.TEXT
        lines.append(Line(name, f"{count:,}", figure=True, colour=colour))
    return lines
