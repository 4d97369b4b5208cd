"""Panels of facts: the pixel that is looked up, and the receiver."""

from __future__ import annotations

from busplay.player.inspector import MachineFacts, PixelFacts, ReceiverFacts
from busplay.view import theme
from busplay.view.instrument.actions import Do, GoToFrame, Unpin
from busplay.view.keys import Command, keys_of
from busplay.view.widgets.text_view import Line

NO_PIXEL = (
    "Hover a pixel of a screen to look it up; click it to pin it. Its byte, colour and the writes"
    " behind them stand here, each with a click to go to it."
)


NO_PROGRAM = (
    "The program is not there. It is found by its digest beside the trace, or with --program FILE."
)


def pixel_lines(facts: PixelFacts, *, is_pinned: bool, hears_keys: bool) -> list[Line]:
    """Return what a pixel shows and why, one line a link of the chain."""
    red, green, blue = facts.rgb
    head = f"{facts.unit} {facts.x}, {facts.y}"
    place = f"{facts.unit} ${facts.offset:04X}"
    address = "none" if facts.address is None else f"${facts.address:04X}"
    lines = [
        Line(head, heading=True),
        Line("colour", f"{red}, {green}, {blue}", swatch=facts.rgb),
        Line("palette entry", f"{facts.index}"),
        Line("byte", f"${facts.value:02X}", fixed=True),
        Line("in memory", place),
        Line("address", address),
        Line("written by", heading=True),
    ]
    for cause in facts.causes:
        if cause.frame is None or cause.cycle is None:
            lines.append(Line(cause.role, f"{cause.value}, as at power-on", colour=theme.DIM))
            continue
        moment = f"cycle {cause.cycle:,}"
        lines.append(
            Line(
                cause.role,
                f"{cause.value} at {moment}",
                action=GoToFrame(cause.frame),
                tip=f"go to frame {cause.frame:,}",
            )
        )
        origin = "" if cause.address is None else f"store to ${cause.address:04X} {cause.label}"
        lines += [Line("", text, colour=theme.DIM) for text in (origin.strip(),) if text]
        made = cause.instruction
        if made is not None:
            lines.append(Line("", f"${made.address:04X}  {made.text}"))
            where = "  ".join(one for one in (made.label, made.source) if one)
            lines += [Line("", text, colour=theme.DIM) for text in (where, made.registers) if text]
    lines += [
        Line("go to", heading=True),
        Line(
            "next write",
            keys_of(Command.NEXT_WRITE, hears_keys=hears_keys),
            action=Do(Command.NEXT_WRITE),
            colour=theme.KEY,
        ),
        Line(
            "last write",
            keys_of(Command.LAST_WRITE, hears_keys=hears_keys),
            action=Do(Command.LAST_WRITE),
            colour=theme.KEY,
        ),
    ]
    if is_pinned:
        keys = keys_of(Command.UNPIN, hears_keys=hears_keys)
        lines.append(Line("unpin", keys, action=Unpin(), colour=theme.KEY))
    return lines


def machine_lines(facts: MachineFacts, rows: int) -> list[Line]:
    """Return registers, stack, and the instructions round the one that is next.

    Args:
        facts: of the processor.
        rows: lines that have room; the next instruction stands in their middle.
    """
    lines = [
        Line("registers", heading=True),
        Line("  ".join(f"{name} {value}" for name, value in facts.registers[:5])),
        Line("flags", facts.registers[-1][1], fixed=True),
        Line("stack", facts.stack or "empty", fixed=bool(facts.stack)),
        Line("instructions", heading=True),
    ]
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
        code.append(Line(f"{'>' if is_here else ''} ${row.address:04X}", text, colour=colour))
    room = max(1, rows - len(lines))
    first = max(0, min(here - room // 2, len(code) - room))
    return lines + code[first : first + room]


def hover_lines(facts: PixelFacts) -> list[str]:
    """Return what hovering a pixel tells."""
    address = "" if facts.address is None else f"${facts.address:04X}, "
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
            by = f" by {byte.label}" if byte.label else ""
            lines.append(f"written at cycle {byte.cycle:,}{by}")
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
        is_full = (facts.held or 0) >= facts.fifo_depth
        colour = theme.ERROR if is_full else theme.TEXT
        held = f"{facts.held or 0:,} of {facts.fifo_depth:,} frames"
        lines.append(Line("FIFO", held, colour=colour))
        lines.append(Line("at most", f"{facts.held_max:,} frames"))
        lines.append(Line("mean wait", f"{facts.mean_wait_ns or 0:,.0f} ns"))
    lines.append(Line("so far", heading=True))
    bad = {"checks failed", "frames aborted", "frames missed by sequence", "syncs lost"}
    bad |= {"lost at the full FIFO", "after their deadline", "lost while busy"}
    for name, count in facts.rows:
        colour = theme.ERROR if name in bad and count else theme.TEXT
        lines.append(Line(name, f"{count:,}", colour=colour))
    return lines
