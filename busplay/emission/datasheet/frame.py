"""The data sheet's part on frames: layout, check, framing, and worked examples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busplay.analysis.pictures.frame_svg import layout_svg, timing_svg
from busplay.analysis.pictures.timing import EXAMPLE_DATA, timing_of
from busplay.description.link import SPACE_MEMORY, SPACE_REGISTERS
from busplay.display.registers import REGISTERS
from busplay.emission.datasheet.blocks import Block, Grid, Paragraph, Section, SheetFigure
from busplay.emission.model import LinkModel
from busplay.link.frame_facts import show_word
from busplay.wording import counted

# So many fit a page at a readable size.
SYMBOLS_A_ROW = 18
SEQUENCE = 5
MEMORY_OFFSET = 0x0123
VALID_COUNTERS = "frames_received or frames_idle"
EVENT_TEXTS = {
    "FOUND": "a window of bits is a valid frame",
    "CONFIRMED": "{confirmed}",
    "VALID": "a frame is valid",
    "INVALID": "a frame is invalid",
    "CORRECTED": "a frame with one invalid bit is corrected",
    "RELEASED": "{release} consecutive frames were invalid",
    "DISPLACED": "the marker stands where no frame begins",
    "ABORTED": "a frame ends before its last symbol",
}


def frame_sections(model: LinkModel) -> Iterator[Section]:
    """Return layout, check, and framing."""
    yield _layout(model)
    yield _check(model)
    yield _framing(model)


def _layout(model: LinkModel) -> Section:
    layout = model.layout
    order = {
        "high_first": "highest bit first",
        "low_first": "lowest bit first",
        "low_digit_first": "lowest digit first",
    }
    digits = -(-layout.frame_bits // 4)
    rows = tuple(
        (
            field.name,
            str(field.bits),
            f"0x{field.mask:0{digits}X}",
            order[field.order],
            field.meaning,
            str(field.line or ""),
        )
        for field in model.fields
    )
    text = (
        f"A frame is {counted(layout.frame_bits, 'bit')} in"
        f" {counted(layout.frame_symbols, 'symbol')} of {counted(layout.lanes, 'bit')}. Its word"
        " holds the bits in the order of the wire, the first highest."
    )
    head = ("field", "bits", "mask in the word", "on the wire", "meaning", "line of the file")
    figure = SheetFigure(
        "layout", layout_svg(model.link, symbols_a_row=SYMBOLS_A_ROW), "Frame layout."
    )
    return Section("Frame", (Paragraph(text), figure, Grid(head, rows, frozenset({1, 5}))))


def _check(model: LinkModel) -> Section:
    check = model.check
    if check is None:
        text = "The link has no check field."
        if model.constant_mask:
            text += " A frame is valid if its constants are right."
        return Section("Check", (Paragraph(text),))
    digits = -(-check.bits // 4)
    rows = [
        ("field", check.field.name),
        ("kind", check.kind),
        ("generator polynomial", f"{check.polynomial_text} (0x{check.polynomial:0{digits}X})"),
        ("register begins as", f"0x{check.initial:0{digits}X}"),
        ("XOR at the end", f"0x{check.xor:0{digits}X}"),
        ("covers", f"{', '.join(check.covered_names)}: {counted(check.covered_bits, 'bit')}"),
        ("bit order", "that of the wire, neither input nor result reflected"),
    ]
    text = "A frame is valid if its check holds"
    text += " and its constants are right" if model.constant_mask else ""
    text += "; one invalid bit is corrected, once until a valid frame" if model.corrects else ""
    return Section("Check", (Paragraph(f"{text}."), Grid(("", ""), tuple(rows))))


def _framing(model: LinkModel) -> Section:
    framing, layout = model.framing, model.layout
    blocks: list[Block] = [Paragraph(_framing_text(model))]
    if framing.method != "strobe":
        idle = show_word(layout, layout.idle_word)
        symbols = ", ".join(f"0x{int(one):X}" for one in layout.idle_symbols)
        blocks.append(
            Paragraph(
                f"Idle: a slot without a store carries the word {idle}, the symbols {symbols}."
                " A receiver drops it."
            )
        )
    else:
        blocks.append(Paragraph("Idle: between frames the strobe rests and the lanes are low."))
    rows = []
    told = {
        "release": str(framing.release_frames),
        "confirmed": "the last of the confirming frames"
        if framing.confirm_frames
        else "the marker is found"
        if framing.is_watched
        else "the strobe is active",
    }
    for row in model.transitions:
        if row.can_happen:
            counter = row.counter or (
                "frames_received or frames_idle" if row.state == "SYNC" else ""
            )
            text = EVENT_TEXTS[row.event].format(**told)
            rows.append((row.state, text, row.following, counter))
    blocks.append(Paragraph("A receiver's states; each event counts in the counter beside it:"))
    blocks.append(Grid(("in state", "if", "then", "counter"), tuple(rows)))
    if model.sequence_bits:
        blocks.append(
            Paragraph(
                f"The sequence number counts frames that are not idle, modulo"
                f" {1 << model.sequence_bits:,}: what is missing between two of them was lost"
                " (frames_missed)."
            )
        )
    return Section("Framing and idle", tuple(blocks))


def _framing_text(model: LinkModel) -> str:
    framing = model.framing
    if framing.method == "strobe":
        level = "high" if framing.active_high else "low"
        span = "for the whole frame" if framing.is_held else "with a frame's first symbol only"
        gap = f" Behind each frame it rests for {counted(framing.gap_symbols, 'symbol')} or more."
        return f"The strobe is active ({level}) {span}." + (gap if framing.gap_symbols else "")
    if framing.method == "marker":
        symbols = ", ".join(f"0x{one:X}" for one in framing.marker)
        text = f"Idle frames begin with the marker {symbols}; a receiver looks for it, then counts."
        if framing.is_watched:
            return text + " No sequence of frames shows it anywhere else."
        return text + f" {counted(framing.confirm_frames, 'valid frame')} in a row confirm it."
    return (
        "No bits mark a frame's start: a receiver tries each alignment until the check holds, and"
        f" then for {counted(framing.confirm_frames, 'frame')} more in a row. It hunts anew after"
        f" {counted(framing.release_frames, 'invalid frame')} in a row."
    )


# -- worked examples


@dataclass(frozen=True, slots=True)
class Example:
    """A frame to follow down to the wires.

    Attributes:
        name: for the figure's file.
        title: what is sent.
        text: where it comes from.
        values: of each field that a sender fills.
    """

    name: str
    title: str
    text: str
    values: dict[str, int]


def example_sections(model: LinkModel) -> Iterator[Section]:
    """Return worked examples: a store, its frame, its symbols on each lane, edge by edge."""
    title = "Worked examples"
    intro = (
        "Each is followed from the store to the levels of each wire. Symbol 0 is the first on the"
        " wire; a level holds around the edge that samples it."
    )
    yield Section(title, (Paragraph(intro),))
    for example in _examples(model):
        yield _example(model, example)


def _examples(model: LinkModel) -> Iterator[Example]:
    board = model.board
    spaces = {"memory": SPACE_MEMORY, "registers": SPACE_REGISTERS}
    if board is None:
        values = {"space": SPACE_MEMORY, "address": MEMORY_OFFSET, "data": EXAMPLE_DATA}
        text = f"Data ${EXAMPLE_DATA:02X} goes to offset ${MEMORY_OFFSET:04X} of unit 0's memory."
        yield Example("memory", "A byte of display memory", text, _filled(model, values))
        if model.space_mask:
            register = REGISTERS[2]
            values = {"space": SPACE_REGISTERS, "address": register.offset, "data": 3}
            text = f"Data $03 goes to register {register.offset}, {register.name}, of unit 0."
            yield Example("register", "A register", text, _filled(model, values))
        return
    units = {one.name: one.number for one in board.units}
    seen: set[str] = set()
    for window in board.windows:
        if window.space in seen:
            continue
        seen.add(window.space)
        moved = min(MEMORY_OFFSET if window.space == "memory" else 2, window.last_offset)
        moved = min(moved, window.last_address - window.first_address)
        address, offset = window.first_address + moved, window.first_offset + moved
        data = EXAMPLE_DATA if window.space == "memory" else 3
        text = (
            f"The processor stores ${data:02X} at ${address:04X}, in window {window.name}: offset"
            f" ${offset:04X} of the {window.space} of unit {window.unit}."
        )
        values = {
            "space": spaces[window.space],
            "unit": units[window.unit],
            "address": offset,
            "data": data,
        }
        yield Example(window.space, f"STA ${address:04X}", text, _filled(model, values))


def _filled(model: LinkModel, values: dict[str, int]) -> dict[str, int]:
    """Return a value for each field that a sender fills; others stay 0."""
    values = {**values, "sequence": SEQUENCE}
    return {one.name: values.get(one.name, 0) & one.value_mask for one in model.inputs}


def _example(model: LinkModel, example: Example) -> Section:
    layout = model.layout
    word = layout.pack(**example.values)
    number = int(word[0])
    unpacked = layout.unpack(word)
    fields = tuple(
        (
            one.name,
            str(int(unpacked[one.name][0])),
            f"0x{int(unpacked[one.name][0]):X}",
            f"{int(unpacked[one.name][0]):0{one.bits}b}",
        )
        for one in model.fields
    )
    timing = timing_of(model.link, number, example.title)
    caption = f"{example.title} on the wires, between idle slots."
    figure = SheetFigure(example.name, timing_svg(timing, symbols_a_row=SYMBOLS_A_ROW), caption)
    return Section(
        example.title,
        (
            Paragraph(f"{example.text} The word is {show_word(layout, number)}."),
            Grid(("field", "value", "hex", "bits"), fields, frozenset({1})),
            Paragraph("Edge by edge:"),
            _edges(model, number),
            figure,
        ),
        level=3,
    )


def _edges(model: LinkModel, word: int) -> Grid:
    """Return the level of each wire with each symbol of a slot, and the bits that it carries."""
    layout = model.layout
    lanes = list(reversed(range(layout.lanes)))
    strobe = bool(model.framing.strobe_mask)
    carried = _bits_by_place(model)
    symbols = layout.to_symbols(np.array([word], np.uint64)).tolist()
    rows = []
    for index, symbol in enumerate(symbols):
        edge = model.link.edges
        if edge == "both":
            edge = "falling" if index % 2 else "rising"
        levels = [str(symbol >> lane & 1) for lane in lanes]
        if strobe:
            levels.insert(0, str(symbol >> layout.lanes & 1))
        text = "the strobe rests"
        if index < layout.frame_symbols:
            top = layout.frame_bits - 1 - index * layout.lanes
            text = _in_spans([carried[top - bit] for bit in range(layout.lanes)])
        rows.append((str(index), edge, *levels, f"0x{symbol:X}", text))
    head = [
        "symbol",
        "clock",
        *(f"lane {lane}" for lane in lanes),
        "hex",
        "carries, first bit first",
    ]
    if strobe:
        head.insert(2, "strobe")
    return Grid(tuple(head), tuple(rows), frozenset({0}))


def _bits_by_place(model: LinkModel) -> dict[int, tuple[str, int]]:
    """Return field and bit at each position of the word."""
    carried = {}
    for field in model.fields:
        for run in field.runs:
            for bit in range(run.bits):
                carried[run.place + bit] = field.name, run.value_bit + bit
    return carried


def _in_spans(bits: list[tuple[str, int]]) -> str:
    """Write bits that follow each other as `address[13:9]`."""
    spans: list[tuple[str, int, int]] = []
    for name, bit in bits:
        if spans and spans[-1][0] == name and abs(bit - spans[-1][2]) == 1:
            first, last = spans[-1][1:]
            if first == last or (bit > last) == (last > first):
                spans[-1] = name, first, bit
                continue
        spans.append((name, bit, bit))
    return " ".join(
        f"{name}[{first}]" if first == last else f"{name}[{first}:{last}]"
        for name, first, last in spans
    )
