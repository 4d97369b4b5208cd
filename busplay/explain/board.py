"""What a board description means: its facts as plain values, and as text for a terminal."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import TypedDict

from busplay.description.address_ranges import AddressRange
from busplay.description.board import Board, Window
from busplay.description.limits import ADDRESS_MAX
from busplay.description.read_ends import host_port_range
from busplay.description.toml_reader import show_address
from busplay.explain.link import (
    FractionFacts,
    LinkFacts,
    fraction_facts,
    fraction_of,
    link_facts,
    link_text,
    slot_text,
)
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.units import NS_PER_S
from busplay.wording import counted, exact, hertz

SHOWN_COLOURS = 16


class MapFacts(TypedDict):
    """A run of addresses that behave alike.

    `read` is `ram`, `rom`, `host port` or `unmapped`; `store` lists where a store goes:
    `ram`, `link`, `host port`; `window` is the window's name where it goes to the link.
    """

    first_address: int
    last_address: int
    length_bytes: int
    read: str
    store: list[str]
    window: str | None


class WindowFacts(TypedDict):
    """A window; ends of ranges are included."""

    name: str
    first_address: int
    last_address: int
    unit: str
    space: str
    first_offset: int
    last_offset: int
    lands_in_ram: bool


class UnitFacts(TypedDict):
    """A unit; the palette is a list of `#RRGGBB`."""

    name: str
    number: int
    width_px: int
    height_px: int
    bits_per_pixel: int
    pixel_order: str
    stride_bytes: int
    picture_bytes: int
    base_offset: int
    memory_bytes: int
    border_px: int
    border_index: int
    palette: list[str]


class ImageFacts(TypedDict):
    """An image that is put into memory before reset."""

    path: str
    format: str
    load_address: int | None


class MemoryFacts(TypedDict):
    """A memory as the file says it."""

    kind: str
    first_address: int
    last_address: int
    image: ImageFacts | None


class SenderFacts(TypedDict):
    """The board's end of the link."""

    fifo_depth: int
    lead_frames: int


class BusyFacts(TypedDict):
    """A busy time of the receiver."""

    period_ns: int
    length_ns: int
    phase_ns: int
    jitter_ns: int


class ReceiverFacts(TypedDict):
    """The far end of the link."""

    fifo_depth: int
    service_ns: int
    deadline_ns: int | None
    correct_one_bit: bool
    busy: list[BusyFacts]


class HostPortFacts(TypedDict):
    """The host port."""

    first_address: int
    last_address: int
    refresh_hz: int
    random_seed: int


class BoardFacts(TypedDict):
    """A whole board."""

    kind: str
    name: str
    description: str
    file: str
    processor: str
    undocumented: str
    clock_hz: int
    cycle_ns: FractionFacts
    unmapped_read: int
    program_load_address: int | None
    memory: list[MemoryFacts]
    memory_map: list[MapFacts]
    windows: list[WindowFacts]
    units: list[UnitFacts]
    sender: SenderFacts
    receiver: ReceiverFacts
    host_port: HostPortFacts | None
    link: LinkFacts


def board_facts(board: Board) -> BoardFacts:
    """Return everything that follows from a board's description, as values that JSON holds."""
    port = board.host_port
    receiver = board.receiver
    return {
        "kind": "board",
        "name": board.name,
        "description": board.description,
        "file": board.file,
        "processor": board.processor,
        "undocumented": board.undocumented,
        "clock_hz": board.clock_hz,
        "cycle_ns": fraction_facts(Fraction(NS_PER_S, board.clock_hz)),
        "unmapped_read": board.unmapped_read,
        "program_load_address": board.program_load_address,
        "memory": _memory_facts(board),
        "memory_map": memory_map(board),
        "windows": [
            {
                "name": one.name,
                "first_address": one.first_address,
                "last_address": one.last_address,
                "unit": one.unit,
                "space": one.space,
                "first_offset": one.first_offset,
                "last_offset": one.first_offset + one.last_address - one.first_address,
                "lands_in_ram": one.lands_in_ram,
            }
            for one in board.windows
        ],
        "units": _units_facts(board),
        "sender": {
            "fifo_depth": board.sender.fifo_depth,
            "lead_frames": board.sender.lead_frames,
        },
        "receiver": {
            "fifo_depth": receiver.fifo_depth,
            "service_ns": receiver.service_ns,
            "deadline_ns": receiver.deadline_ns,
            "correct_one_bit": receiver.correct_one_bit,
            "busy": [
                {
                    "period_ns": one.period_ns,
                    "length_ns": one.length_ns,
                    "phase_ns": one.phase_ns,
                    "jitter_ns": one.jitter_ns,
                }
                for one in receiver.busy
            ],
        },
        "host_port": None
        if port is None
        else {
            "first_address": port.first_address,
            "last_address": host_port_range(port).last_address,
            "refresh_hz": port.refresh_hz,
            "random_seed": port.random_seed,
        },
        "link": link_facts(board.link, processor_hz=board.clock_hz),
    }


def _memory_facts(board: Board) -> list[MemoryFacts]:
    return [
        {
            "kind": one.kind,
            "first_address": one.first_address,
            "last_address": one.last_address,
            "image": None
            if one.image is None
            else {
                "path": str(one.image.path),
                "format": one.image.format,
                "load_address": one.image.load_address,
            },
        }
        for one in board.memory
    ]


def _units_facts(board: Board) -> list[UnitFacts]:
    return [
        {
            "name": one.name,
            "number": one.number,
            "width_px": one.width_px,
            "height_px": one.height_px,
            "bits_per_pixel": one.bits_per_pixel,
            "pixel_order": one.pixel_order,
            "stride_bytes": one.stride_bytes,
            "picture_bytes": one.stride_bytes * one.height_px,
            "base_offset": one.base_offset,
            "memory_bytes": one.memory_bytes,
            "border_px": one.border_px,
            "border_index": one.border_index,
            "palette": [f"#{red:02X}{green:02X}{blue:02X}" for red, green, blue in one.palette],
        }
        for one in board.units
    ]


def memory_map(board: Board) -> list[MapFacts]:
    """List all 65,536 addresses in runs that behave alike, lowest first."""
    spans = [(one.first_address, one.last_address) for one in board.memory]
    spans += [(one.first_address, one.last_address) for one in board.windows]
    if board.host_port is not None:
        port = host_port_range(board.host_port)
        spans.append((port.first_address, port.last_address))
    starts = {first for first, _ in spans} | {last + 1 for _, last in spans}
    bounds = sorted(starts | {0, ADDRESS_MAX + 1})
    runs: list[MapFacts] = []
    for first, stop in pairwise(bounds):
        run = _run_at(board, first, stop - 1)
        before = runs[-1] if runs else None
        if before and all(before[key] == run[key] for key in ("read", "store", "window")):
            before["last_address"] = run["last_address"]
            before["length_bytes"] += run["length_bytes"]
        else:
            runs.append(run)
    return runs


def _run_at(board: Board, first: int, last: int) -> MapFacts:
    window = _holder(board.windows, first)
    read = "unmapped"
    store = []
    for one in board.memory:
        if one.first_address <= first <= one.last_address:
            read = one.kind
    if board.host_port is not None:
        port = host_port_range(board.host_port)
        if port.first_address <= first <= port.last_address:
            read = "host port"
            store.append("host port")
    if read == "ram" and (window is None or window.lands_in_ram):
        store.append("ram")
    if window is not None:
        store.append("link")
    return {
        "first_address": first,
        "last_address": last,
        "length_bytes": last - first + 1,
        "read": read,
        "store": store,
        "window": window.name if window else None,
    }


def _holder(windows: tuple[Window, ...], address: int) -> Window | None:
    return next((one for one in windows if one.first_address <= address <= one.last_address), None)


def board_text(board: Board) -> str:
    """Explain a board in plain text of 80 columns: map, windows, units, both ends, its link."""
    facts = board_facts(board)
    lines = [f"Board {facts['name']}" + (f", from {facts['file']}" if facts["file"] else "")]
    lines += wrapped(facts["description"])
    lines.append("")
    lines += pairs(_summary(facts))
    lines += heading("Memory map")
    lines += _map_table(facts)
    lines += heading("Windows: stores that go out on the link")
    lines += _window_table(facts)
    lines += heading("Units")
    lines += _unit_table(facts)
    return "\n".join(lines) + "\n\n" + link_text(board.link, processor_hz=board.clock_hz)


def _summary(facts: BoardFacts) -> list[tuple[str, str]]:
    cycle_ns = exact(fraction_of(facts["cycle_ns"]))
    load_address = facts["program_load_address"]
    rows = [
        ("processor", f"{facts['processor']} at {hertz(facts['clock_hz'])}, {cycle_ns} ns a cycle"),
        ("link", f"{facts['link']['name']}; a slot is {slot_text(facts['link'])}"),
        ("unmapped", f"a read with nothing behind it gives ${facts['unmapped_read']:02X}"),
        (
            "programs",
            "must carry their addresses"
            if load_address is None
            else f"without addresses load at {show_address(load_address)}",
        ),
    ]
    if facts["undocumented"] == "run":
        rows.insert(1, ("undocumented", "instructions run, as far as every chip does the same"))
    rows += [
        (
            "image",
            f"{one['image']['path']} in {one['kind'].upper()} at "
            f"{_range_text(one['first_address'], one['last_address'])}",
        )
        for one in facts["memory"]
        if one["image"]
    ]
    sender, receiver = facts["sender"], facts["receiver"]
    rows.append(
        (
            "sender",
            f"FIFO of {counted(sender['fifo_depth'], 'frame')}; "
            f"{counted(sender['lead_frames'], 'idle slot')} before processor cycle 0",
        )
    )
    parts = [
        f"FIFO of {counted(receiver['fifo_depth'], 'frame')}",
        f"service {receiver['service_ns']:,} ns",
        "no deadline"
        if receiver["deadline_ns"] is None
        else f"deadline {receiver['deadline_ns']:,} ns",
        f"correction of one wrong bit {'on' if receiver['correct_one_bit'] else 'off'}",
    ]
    parts += [
        f"busy {one['length_ns']:,} of every {one['period_ns']:,} ns from {one['phase_ns']:,} ns on"
        + (f", up to {one['jitter_ns']:,} ns late" if one["jitter_ns"] else "")
        for one in receiver["busy"]
    ]
    rows.append(("receiver", "; ".join(parts)))
    port = facts["host_port"]
    if port is None:
        rows.append(("host port", "none"))
    else:
        rows.append(
            (
                "host port",
                f"{_range_text(port['first_address'], port['last_address'])}; refresh "
                f"{port['refresh_hz']} Hz, random seed {port['random_seed']}",
            )
        )
    return rows


def _range_text(first: int, last: int) -> str:
    return str(AddressRange("", first, last))


def _map_table(facts: BoardFacts) -> list[str]:
    names = {"ram": "RAM", "rom": "ROM", "host port": "host port", "unmapped": "-"}
    rows = [("addresses", "bytes", "read from", "a store goes to")]
    for run in facts["memory_map"]:
        targets = [
            f"link ({run['window']})" if one == "link" else names[one] for one in run["store"]
        ]
        rows.append(
            (
                _range_text(run["first_address"], run["last_address"]),
                f"{run['length_bytes']:,}",
                names[run["read"]],
                " and ".join(targets) or "-",
            )
        )
    return table(rows, right=frozenset({1}))


def _window_table(facts: BoardFacts) -> list[str]:
    rows = [("addresses", "unit", "space", "offsets", "name")]
    rows += [
        (
            _range_text(one["first_address"], one["last_address"]),
            one["unit"],
            one["space"],
            _range_text(one["first_offset"], one["last_offset"]),
            one["name"],
        )
        for one in facts["windows"]
    ]
    return table(rows)


def _unit_table(facts: BoardFacts) -> list[str]:
    rows = [("unit", "number", "what it shows")]
    for one in facts["units"]:
        first = {"high_first": "high", "low_first": "low"}[one["pixel_order"]]
        parts = [
            f"{one['width_px']} x {one['height_px']} pixels of "
            f"{counted(one['bits_per_pixel'], 'bit')}"
        ]
        if one["bits_per_pixel"] < 8:
            parts.append(f"the left one in a byte's {first} bits")
        parts.append(f"{counted(one['stride_bytes'], 'byte')} a row")
        parts.append(
            f"{counted(one['picture_bytes'], 'byte')} from offset "
            f"{show_address(one['base_offset'])} of {one['memory_bytes']:,}"
        )
        if one["border_px"]:
            parts.append(
                f"border of {counted(one['border_px'], 'pixel')} in colour {one['border_index']}"
            )
        colours = one["palette"][:SHOWN_COLOURS]
        more = len(one["palette"]) - len(colours)
        parts.append(f"colours {' '.join(colours)}" + (f" and {more} more" if more else ""))
        rows.append((one["name"], str(one["number"]), "; ".join(parts)))
    return table(rows, right=frozenset({1}))
