"""A link's description in words: text for a terminal."""

from __future__ import annotations

from busplay.description.link import CheckFraming, Link, StrobeFraming
from busplay.explain.link_facts import LinkFacts, link_facts
from busplay.explain.text_layout import INDENT, LINE_CHARACTERS, heading, pairs, table, wrapped
from busplay.wording import counted, exact, hertz, hex_digits

# A long gap between frames is named, not drawn.
SHOWN_GAP_SYMBOLS = 4


def link_text(link: Link, *, processor_hz: int | None = None) -> str:
    """Explain a link in plain text of 80 columns: wires, times, fields, and a picture of a frame.

    Args:
        link: each table of its file is right by itself.
        processor_hz: the board's clock, if there is a board.
    """
    facts = link_facts(link, processor_hz=processor_hz)
    lines = [f"Link {facts.name}" + (f", from {facts.file}" if facts.file else "")]
    lines += wrapped(facts.description)
    lines.append("")
    lines += pairs(link_rows(link, facts))
    lines += heading("Fields, first one first")
    lines += table(field_rows(facts), right=frozenset({1}))
    lines += heading("What each wire carries: a column is one edge, symbol 0 comes first")
    lines += frame_picture(facts)
    return "\n".join(lines)


def link_rows(link: Link, facts: LinkFacts) -> list[tuple[str, str]]:
    """Return what a link has, as names and texts."""
    lanes = counted(facts.lanes, "lane")
    strobe = " and a strobe" if facts.framing.method == "strobe" else ""
    clock = "the processor's" if facts.clock == "processor" else "its own"
    if facts.clock_hz:
        clock += f", {hertz(facts.clock_hz)}"
    edges = {"both": "both edges", "rising": "the rising edge", "falling": "the falling edge"}
    first_bit = ""
    if facts.lanes > 1:
        first_bit = f"; a symbol's first bit is on the {facts.first_bit_lane} lane"
    rows = [
        ("wires", f"a clock, {lanes}{strobe}; sampled on {edges[facts.edges]} of the clock"),
        ("clock", clock),
        (
            "frame",
            f"{counted(facts.frame_bits, 'bit')} in {counted(facts.frame_symbols, 'symbol')}"
            f" of {counted(facts.lanes, 'bit')}{first_bit}",
        ),
        ("slot", slot_text(facts)),
        (
            "start",
            "on the grid of slots" if facts.start == "slot" else "on any cycle of the clock",
        ),
        ("framing", _framing_text(link)),
    ]
    check = facts.check
    if check is None:
        rows.append(("check", "none"))
    else:
        rows.append(
            (
                "check",
                f"{check.kind}: {check.polynomial_text}, initial "
                f"{hex_digits(check.initial, bits=check.bits)}, XOR "
                f"{hex_digits(check.xor, bits=check.bits)}, over "
                f"{', '.join(check.covers)}",
            )
        )
    if facts.idle_word is None:
        rows.append(("idle", "nothing is sent"))
    else:
        often = f"; one slot in {facts.idle_every:,} at least" if facts.idle_every else ""
        idle_word = hex_digits(facts.idle_word, bits=facts.frame_bits)
        rows.append(("idle", f"frame {idle_word}{often}"))
    rows += [("remark", one) for one in facts.remarks]
    return rows


def slot_text(facts: LinkFacts) -> str:
    """Write how long a slot takes, in every unit that is known."""
    parts = [counted(facts.slot_symbols, "symbol")]
    if facts.clock == "own":
        cycles = facts.slot_link_cycles
        parts.append(f"{exact(cycles)} link clock {'cycle' if cycles == 1 else 'cycles'}")
    if facts.slot_processor_cycles is not None:
        cycles = facts.slot_processor_cycles
        parts.append(f"{exact(cycles)} processor {'cycle' if cycles == 1 else 'cycles'}")
    if facts.slot_ns is not None:
        parts.append(f"{exact(facts.slot_ns)} ns")
    return ", ".join(parts)


def _framing_text(link: Link) -> str:
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        when = {"first": "with a frame's first symbol", "frame": "for the whole frame"}
        gap = framing.gap_symbols
        rest = f", then at rest for {counted(gap, 'symbol')}" if gap else ""
        return f"by strobe, {framing.active} {when[framing.span]}{rest}"
    release = f"loses sync after {counted(framing.release_frames, 'invalid frame')} in a row"
    if isinstance(framing, CheckFraming):
        confirm = framing.confirm_frames
        return f"by the check: in sync after 1 + {confirm} valid frames in a row, {release}"
    symbols = " ".join(hex_digits(one, bits=link.lanes) for one in framing.symbols)
    if framing.rule == "unique":
        return f"by marker {symbols}: in sync where it is found; {release}"
    confirm = framing.confirm_frames
    return (
        f"by marker {symbols}: in sync once the check has held {confirm} times in a row from it, "
        f"{release}"
    )


def field_rows(facts: LinkFacts) -> list[tuple[str, ...]]:
    """Return the fields of a frame, a head first."""
    rows: list[tuple[str, ...]] = [("field", "bits", "shown as", "carries")]
    for one in facts.fields:
        low, high = f"{one.code}0", f"{one.code}{one.bits - 1}"
        shown = low if one.bits == 1 else f"{low} to {high}"
        rows.append((one.name, str(one.bits), shown, one.meaning))
    return rows


def frame_picture(facts: LinkFacts) -> list[str]:
    """Draw a slot as a grid: a row for each wire, a column for each symbol."""
    framing = facts.framing
    gap_symbols = facts.slot_symbols - facts.frame_symbols
    shown_symbols = facts.frame_symbols + min(gap_symbols, SHOWN_GAP_SYMBOLS)
    rows: list[tuple[str, list[str]]] = [
        (f"lane {lane}", ["-"] * shown_symbols) for lane in range(facts.lanes)
    ]
    for one in facts.fields:
        for wire in one.wire:
            rows[wire.lane][1][wire.symbol] = f"{one.code}{wire.bit}"
    rows.reverse()
    if framing.strobe_levels is not None:
        levels = ["hi" if level else "lo" for level in framing.strobe_levels[:shown_symbols]]
        rows.insert(0, ("strobe", levels))
    label_width = max(len(label) for label, _ in rows)
    widest = max(len(cell) for _, cells in rows for cell in cells)
    width = max(widest, len(str(shown_symbols - 1))) + 1
    in_a_line = (LINE_CHARACTERS - len(INDENT) - label_width) // width
    lines: list[str] = []
    for first in range(0, shown_symbols, in_a_line):
        if first:
            lines.append("")
        columns = range(first, min(first + in_a_line, shown_symbols))
        numbers = "".join(str(column).rjust(width) for column in columns)
        lines.append(f"{INDENT}{'symbol'.ljust(label_width)}{numbers}")
        for label, cells in rows:
            shown = "".join(cells[column].rjust(width) for column in columns)
            lines.append(f"{INDENT}{label.ljust(label_width)}{shown}")
    if gap_symbols:
        lines.append(f"{INDENT}- the lane rests low, for {counted(gap_symbols, 'symbol')}")
    return lines
