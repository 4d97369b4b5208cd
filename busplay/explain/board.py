"""A board's description in words: a summary of its map, and everything, for a terminal."""

from __future__ import annotations

from busplay.description.address_ranges import AddressRange
from busplay.description.banks import Bank
from busplay.description.board import Board, Unit, Window
from busplay.description.limits import ADDRESS_MAX
from busplay.description.palettes import Colour
from busplay.description.read_ends import host_port_range
from busplay.description.toml_reader import show_address
from busplay.errors import printable
from busplay.explain.board_facts import BoardFacts, MapRun, board_facts
from busplay.explain.link import link_text, slot_text
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.wording import counted, exact, hertz

SHOWN_COLOURS = 16
SUMMARY_LINES = 30
MAP_LINES = 16
UNIT_LINES = 5
NAME_LETTERS = 24
READ_NAMES = {"ram": "RAM", "rom": "ROM", "host port": "host port", "unmapped": "-"}
STORE_NAMES = READ_NAMES | {"latch": "latch"}


def board_summary(board: Board) -> str:
    """Answer "is my map right?" in at most 30 lines of 80 columns.

    The memory map in the order of addresses, with what answers a read, which unit and offset a
    store reaches, ROM images and vectors; the units; and what is possible but seldom meant.
    """
    facts = board_facts(board)
    slot = exact(facts.link.slot_processor_cycles or facts.link.slot_link_cycles)
    lines = [
        f"{facts.name}: {facts.processor} at {hertz(facts.clock_hz)}; link {facts.link.name}, "
        f"a frame every {slot} processor cycles"
    ]
    lines += _cut(_map_table(board, facts, full=False), MAP_LINES, "ranges")
    lines += _cut([_summary_unit(unit) for unit in facts.units], UNIT_LINES, "units")
    if facts.host_port is None:
        lines.append("  no host port: programs see no keys and cannot exit")
    remarks = [line for one in facts.remarks for line in wrapped(f"Remark: {one}.")]
    return "\n".join(lines + _cut(remarks, SUMMARY_LINES - len(lines), "lines of remarks"))


def _cut(lines: list[str], most: int, what: str) -> list[str]:
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], f"  and {len(lines) - most + 1} more {what} (--full)"]


def _map_table(board: Board, facts: BoardFacts, *, full: bool) -> list[str]:
    return table(map_rows(board, facts, full=full), right=frozenset({1}))


def map_rows(board: Board, facts: BoardFacts, *, full: bool) -> list[tuple[str, ...]]:
    """Return the memory map, a head first: `full` with windows' names, else units and images."""
    windows = {one.name: one for one in board.windows}
    rows: list[tuple[str, ...]] = [("addresses", "bytes", "read from", "a store goes to")]
    for run in facts.memory_map:
        span = AddressRange("", run.first_address, run.last_address)
        window = windows.get(run.window or "")
        link = f"link ({run.window})"
        several = [one for one in windows.values() if one.page is not None and _holds(one, run)]
        if several and not full:
            link = " or ".join(f"{one.unit} {one.space} (page {one.page})" for one in several)
        elif window is not None and not full:
            first = window.first_offset + run.first_address - window.first_address
            offsets = _range_text(first, first + run.length_bytes - 1)
            link = f"{window.unit} {window.space} {offsets}"
        names = STORE_NAMES | {"link": link, "device": printable(run.device or "")}
        targets = [names[one] for one in run.store]
        read = [names[run.read]]
        if run.bank is not None:
            read.append(f"pages of {printable(run.bank)}")
        if not full:
            for memory in board.memory:
                held = AddressRange("", memory.first_address, memory.last_address)
                if memory.image is not None and span.first_common(held) is not None:
                    read.append(printable(_short(memory.image.path.name)))
            if run.last_address == ADDRESS_MAX:
                read.append("vectors")
        rows.append(
            (str(span), f"{run.length_bytes:,}", ", ".join(read), " and ".join(targets) or "-")
        )
    return rows


def _holds(window: Window, run: MapRun) -> bool:
    return window.first_address <= run.first_address <= window.last_address


def _short(name: str) -> str:
    return name if len(name) <= NAME_LETTERS else f"{name[: NAME_LETTERS - 3]}..."


def _summary_unit(unit: Unit) -> str:
    colours = 1 << unit.bits_per_pixel
    size = f"{unit.width_px} x {unit.height_px}"
    if unit.is_text:
        size = f"{unit.columns} x {unit.rows} characters"
    return (
        f"  unit {unit.number} {unit.name}: {size}, {colours} colours, "
        f"{unit.picture_bytes:,} of {unit.memory_bytes:,} bytes"
    )


def board_text(board: Board) -> str:
    """Explain a board in plain text of 80 columns: map, windows, units, both ends, its link."""
    facts = board_facts(board)
    lines = [f"Board {facts.name}" + (f", from {facts.file}" if facts.file else "")]
    lines += wrapped(facts.description)
    lines.append("")
    lines += pairs(board_rows(facts))
    lines += heading("Memory map")
    lines += _map_table(board, facts, full=True)
    lines += heading("Windows: stores that go out on the link")
    lines += table(window_rows(facts))
    lines += heading("Units")
    lines += table(unit_rows(facts), right=frozenset({1}))
    for unit in facts.units:
        lines += heading(f"Registers of {printable(unit.name)}")
        lines += table(register_rows(facts, unit))
    return "\n".join(lines) + "\n\n" + link_text(board.link, processor_hz=board.clock_hz)


def board_rows(facts: BoardFacts) -> list[tuple[str, str]]:
    """Return what a board has, as names and texts."""
    cycle_ns = exact(facts.cycle_ns)
    load_address = facts.program_load_address
    rows = [
        ("processor", f"{facts.processor} at {hertz(facts.clock_hz)}, {cycle_ns} ns a cycle"),
        ("link", f"{facts.link.name}; a slot is {slot_text(facts.link)}"),
        ("unmapped", f"a read with nothing behind it returns ${facts.unmapped_read:02X}"),
        (
            "programs",
            "must carry their addresses"
            if load_address is None
            else f"without addresses load at {show_address(load_address)}",
        ),
    ]
    if facts.undocumented == "run":
        rows.insert(1, ("undocumented", "instructions run, as far as every chip does the same"))
    rows += [
        (
            "image",
            f"{one.image.path} in {one.kind.upper()} at "
            f"{_range_text(one.first_address, one.last_address)}",
        )
        for one in facts.memory
        if one.image
    ]
    rows += [("bank", _bank_text(one)) for one in facts.banks]
    sender, receiver = facts.sender, facts.receiver
    rows.append(
        (
            "sender",
            f"FIFO of {counted(sender.fifo_depth, 'frame')}; "
            f"{counted(sender.lead_frames, 'idle slot')} before processor cycle 0",
        )
    )
    parts = [
        f"FIFO of {counted(receiver.fifo_depth, 'frame')}",
        f"service {receiver.service_ns:,} ns",
        "no deadline" if receiver.deadline_ns is None else f"deadline {receiver.deadline_ns:,} ns",
        f"correction of one bit error {'on' if receiver.correct_one_bit else 'off'}",
    ]
    parts += [
        f"busy {one.length_ns:,} of every {one.period_ns:,} ns from {one.phase_ns:,} ns on"
        + (f", up to {one.jitter_ns:,} ns late" if one.jitter_ns else "")
        for one in receiver.busy
    ]
    rows.append(("receiver", "; ".join(parts)))
    port = facts.host_port
    if port is None:
        rows.append(("host port", "none"))
    else:
        rows.append(
            (
                "host port",
                f"{host_port_range(port)}; refresh "
                f"{port.refresh_hz} Hz, random seed {port.random_seed}",
            )
        )
    rows += [
        (
            "device",
            f"{printable(one.name)}, {one.kind}, {_range_text(one.first_address, one.last_address)}"
            + (" on IRQ" if one.irq else "")
            + (" on NMI" if one.nmi else "")
            + "".join(f"; {printable(key)}" for key in one.keys),
        )
        for one in facts.devices
    ]
    rows += [("remark", one) for one in facts.remarks]
    return rows


def _bank_text(bank: Bank) -> str:
    span = _range_text(bank.first_address, bank.last_address)
    image = "" if bank.image is None else f", {printable(bank.image.name)}"
    if bank.off_address is not None:
        return (
            f"{printable(bank.name)}, boot overlay at {span}{image}, until a store to "
            f"{show_address(bank.off_address)}"
        )
    latch = "" if bank.latch_address is None else f"; latch at {show_address(bank.latch_address)}"
    protected = f"; protected while {bank.write_protect} is 1" if bank.write_protect else ""
    return (
        f"{printable(bank.name)}, {counted(bank.pages, 'page')} of {bank.kind.upper()} at {span}"
        f"{image}; page from {', '.join(bank.select)}{latch}{protected}"
    )


def _range_text(first: int, last: int) -> str:
    return str(AddressRange("", first, last))


def _colour_text(colour: Colour) -> str:
    return "#" + "".join(f"{part:02X}" for part in colour)


def window_rows(facts: BoardFacts) -> list[tuple[str, ...]]:
    """Return the windows, a head first."""
    rows: list[tuple[str, ...]] = [("addresses", "unit", "space", "offsets", "name")]
    rows += [
        (
            _range_text(one.first_address, one.last_address),
            one.unit,
            one.space,
            _range_text(one.first_offset, one.last_offset),
            one.name + ("" if one.page is None else f", only page {one.page}"),
        )
        for one in facts.windows
    ]
    return rows


def register_rows(facts: BoardFacts, unit: Unit) -> list[tuple[str, ...]]:
    """Return a unit's registers as its programmer needs them, a head first."""
    return [
        ("address", "register", "power-on", "a write"),
        *(
            (
                f"offset {one.offset}" if one.address is None else show_address(one.address),
                one.name,
                f"${one.power_on:02X}",
                one.on_write,
            )
            for one in facts.registers
            if one.unit == unit.name
        ),
    ]


def _order_text(unit: Unit) -> str:
    """Return the order of a byte's pixels, or the font of the characters."""
    font = unit.font
    if font is None:
        first = {"high_first": "high", "low_first": "low"}[unit.pixel_order]
        return f"the left one in a byte's {first} bits"
    place = "in ROM"
    if unit.font_offset is not None:
        place = f"at offset {show_address(unit.font_offset)}"
    return f"font {printable(font.name)}, {font.width_px} x {font.height_px}, {place}"


def unit_rows(facts: BoardFacts) -> list[tuple[str, ...]]:
    """Return the units, a head first."""
    rows: list[tuple[str, ...]] = [("unit", "number", "what it shows")]
    for one in facts.units:
        parts = [one.shows]
        if one.bits_per_pixel < 8:
            parts.append(_order_text(one))
        parts.append(f"{counted(one.stride_bytes, 'byte')} a row")
        parts.append(
            f"{counted(one.picture_bytes, 'byte')} from offset "
            f"{show_address(one.base_offset)} of {one.memory_bytes:,}"
        )
        if one.pages > 1:
            parts.append(f"each page {one.page_bytes:,} bytes behind the last")
        if one.border_px:
            parts.append(
                f"border of {counted(one.border_px, 'pixel')} in colour {one.border_index}"
            )
        colours = [_colour_text(colour) for colour in one.palette[:SHOWN_COLOURS]]
        more = len(one.palette) - len(colours)
        parts.append(f"colours {' '.join(colours)}" + (f" and {more} more" if more else ""))
        rows.append((one.name, str(one.number), "; ".join(parts)))
    return rows
