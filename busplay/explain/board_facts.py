"""What follows from a board's description, as data: the figures of `busplay check --json`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import TypeVar

from busplay.description.address_ranges import AddressRange
from busplay.description.banks import Bank
from busplay.description.board import (
    Board,
    HostPort,
    Memory,
    ReceiverEnd,
    Sender,
    Unit,
    Window,
)
from busplay.description.devices import Acia6551, Device, Via6522
from busplay.description.limits import ADDRESS_MAX, VECTORS_FIRST_ADDRESS
from busplay.description.link import SPACE_REGISTERS
from busplay.description.read_ends import host_port_range
from busplay.description.toml_reader import show_address
from busplay.display.registers import power_on_values, registers_of
from busplay.explain.link_facts import LinkFacts, link_facts
from busplay.program.places import PlaceNames
from busplay.units import NS_PER_S
from busplay.wording import counted, hertz

STACK = AddressRange("the stack", 0x0100, 0x01FF)
ZERO_PAGE = AddressRange("the zero page", 0x0000, 0x00FF)

Holder = TypeVar("Holder", Memory, Window, AddressRange, Device, Bank)


@dataclass(frozen=True, slots=True)
class MapRun:
    """A run of addresses that behave alike.

    Attributes:
        first_address, last_address: the run, both included.
        length_bytes: how many addresses it has.
        read: what answers a read: `ram`, `rom`, `host port`, `device` or `unmapped`.
        store: where a store goes: any of `ram`, `link`, `host port`, `device` and `latch`.
        window: name of the window whose stores go to the link; null: none.
        device: name of the device; null: none.
        bank: name of the bank whose pages are there; null: none.
    """

    first_address: int
    last_address: int
    length_bytes: int
    read: str
    store: tuple[str, ...]
    window: str | None
    device: str | None = None
    bank: str | None = None


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """A device on the processor's bus.

    Attributes:
        kind: `via_6522`, `acia_6551`, or what the board file says.
        name: its name.
        first_address, last_address: where it answers, both included.
        irq: its interrupt output is wired to IRQ.
        nmi: its interrupt output is wired to NMI.
        keys: its kind's own keys, as in the board file, with a space before each value.
    """

    kind: str
    name: str
    first_address: int
    last_address: int
    irq: bool
    nmi: bool
    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RegisterFacts:
    """One register of a unit.

    Attributes:
        unit: the unit's name.
        name: the register's name.
        offset: in the unit's space of registers.
        address: processor address whose store writes it; null: no window has one.
        power_on: what it holds at power-on.
        on_write: what a write does.
    """

    unit: str
    name: str
    offset: int
    address: int | None
    power_on: int
    on_write: str


@dataclass(frozen=True, slots=True)
class BoardFacts:
    """Everything that follows from a board's description.

    Attributes:
        kind: `board`.
        name: the board's name.
        description: its description, empty if it has none.
        file: where it was read from.
        processor: `6502` or `65c02`.
        undocumented: what undocumented instructions do: `stop`, or `run`.
        clock_hz: the processor's clock.
        cycle_ns: a processor cycle in nanoseconds.
        unmapped_read: byte that a read of an address with nothing behind it returns.
        program_load_address: where a raw program goes; null: programs carry their addresses.
        memory: RAM and ROM, with their images.
        memory_map: all addresses, in runs that behave alike, lowest first.
        banks: ranges that show one of several pages of memory.
        windows: ranges whose stores go out on the link.
        units: the displays.
        registers: the registers of each unit.
        sender: the board's end of the link.
        receiver: the far end.
        host_port: the host port; null: the board has none.
        devices: the devices on the processor's bus.
        remarks: what is possible and seldom meant, such as memory that no store reaches.
        link: the link.
    """

    kind: str
    name: str
    description: str
    file: str
    processor: str
    undocumented: str
    clock_hz: int
    cycle_ns: Fraction
    unmapped_read: int
    program_load_address: int | None
    memory: tuple[Memory, ...]
    memory_map: tuple[MapRun, ...]
    banks: tuple[Bank, ...]
    windows: tuple[Window, ...]
    units: tuple[Unit, ...]
    registers: tuple[RegisterFacts, ...]
    sender: Sender
    receiver: ReceiverEnd
    host_port: HostPort | None
    devices: tuple[DeviceFacts, ...]
    remarks: tuple[str, ...]
    link: LinkFacts


def board_facts(board: Board) -> BoardFacts:
    """Return everything that follows from a board's description."""
    return BoardFacts(
        kind="board",
        name=board.name,
        description=board.description,
        file=board.file,
        processor=board.processor,
        undocumented=board.undocumented,
        clock_hz=board.clock_hz,
        cycle_ns=Fraction(NS_PER_S, board.clock_hz),
        unmapped_read=board.unmapped_read,
        program_load_address=board.program_load_address,
        memory=board.memory,
        memory_map=memory_map(board),
        banks=board.banks,
        windows=board.windows,
        units=board.units,
        registers=_registers(board),
        sender=board.sender,
        receiver=board.receiver,
        host_port=board.host_port,
        devices=tuple(
            DeviceFacts(
                one.kind,
                one.name,
                one.first_address,
                one.last_address,
                one.irq,
                one.nmi,
                device_keys(one),
            )
            for one in board.devices
        ),
        remarks=tuple(board_remarks(board)),
        link=link_facts(board.link, processor_hz=board.clock_hz),
    )


def _registers(board: Board) -> tuple[RegisterFacts, ...]:
    places = PlaceNames(board)
    return tuple(
        RegisterFacts(
            unit.name,
            one.name,
            one.offset,
            places.address(unit.number, SPACE_REGISTERS, one.offset),
            power_on_values(unit)[one.name],
            one.on_write,
        )
        for unit in board.units
        for one in registers_of(unit)
    )


def device_keys(device: Device) -> tuple[str, ...]:
    """Return a device's own keys, each with its value."""
    if isinstance(device, Via6522):
        pins = (f"{pin} {use}" for pin, use in device.pins.items())
        return (f"part {device.part}", *pins)
    if isinstance(device, Acia6551):
        files = (
            f"{key} {path.name}"
            for key, path in (("input", device.input), ("output", device.output))
            if path is not None
        )
        crystal = f"crystal {hertz(device.crystal_hz)}"
        pins = (f"{pin} {use}" for pin, use in device.pins.items())
        return (f"part {device.part}", crystal, f"line {device.line}", *files, *pins)
    return tuple(f"{key} {value}" for key, value in device.options.items())


def memory_map(board: Board) -> tuple[MapRun, ...]:
    """List all 65,536 addresses in runs that behave alike, lowest first."""
    spans = [(one.first_address, one.last_address) for one in board.memory]
    spans += [(one.first_address, one.last_address) for one in board.windows]
    spans += [(one.first_address, one.last_address) for one in board.devices]
    spans += [(one.first_address, one.last_address) for one in board.banks]
    spans += [(address, address) for one in board.banks for address in one.latches]
    if board.host_port is not None:
        port = host_port_range(board.host_port)
        spans.append((port.first_address, port.last_address))
    starts = {first for first, _ in spans} | {last + 1 for _, last in spans}
    runs: list[MapRun] = []
    for first, stop in pairwise(sorted(starts | {0, ADDRESS_MAX + 1})):
        run = _run_at(board, first, stop - 1)
        before = runs[-1] if runs else None
        if before and _behaviour(before) == _behaviour(run):
            runs[-1] = replace(
                before,
                last_address=run.last_address,
                length_bytes=before.length_bytes + run.length_bytes,
            )
        else:
            runs.append(run)
    return tuple(runs)


def _behaviour(run: MapRun) -> tuple[object, ...]:
    return run.read, run.store, run.window, run.device, run.bank


def _run_at(board: Board, first: int, last: int) -> MapRun:
    window = _holder(board.windows, first)
    bank = _holder(tuple(one for one in board.banks if not one.is_overlay), first)
    memory = _holder(board.memory, first) or bank
    read: str = memory.kind if memory else "unmapped"
    store = []
    if any(first in one.latches for one in board.banks):
        store.append("latch")
    if board.host_port is not None:
        port = host_port_range(board.host_port)
        if port.first_address <= first <= port.last_address:
            read = "host port"
            store.append("host port")
    device = _holder(board.devices, first)
    if device is not None:
        read = "device"
        store.append("device")
    if read == "ram" and (window is None or window.lands_in_ram):
        store.append("ram")
    if window is not None:
        store.append("link")
    return MapRun(
        first,
        last,
        last - first + 1,
        read,
        tuple(store),
        window.name if window else None,
        device.name if device else None,
        bank.name if bank else None,
    )


def _holder(spans: tuple[Holder, ...], address: int) -> Holder | None:
    return next((one for one in spans if one.first_address <= address <= one.last_address), None)


def board_remarks(board: Board) -> Iterator[str]:
    """Return what a board's description leaves possible and its writer seldom means."""
    for unit in board.units:
        yield from _unit_remarks(unit, board)
    for span in (ZERO_PAGE, STACK):
        address = _first_without(span, [one for one in _memory(board) if one.kind == "ram"])
        if address is not None:
            yield f"no RAM at {show_address(address)}, where {span.label} is"
    vectors = AddressRange("the vectors", VECTORS_FIRST_ADDRESS, ADDRESS_MAX)
    if _first_without(vectors, _memory(board)) is not None:
        yield f"no memory at {vectors}, where the processor's vectors are"


def _memory(board: Board) -> list[Memory]:
    """Return the board's memory, banked or not."""
    banked = [Memory(one.kind, one.first_address, one.last_address) for one in board.banks]
    return [*board.memory, *banked]


def _unit_remarks(unit: Unit, board: Board) -> Iterator[str]:
    windows = [one for one in board.windows if one.unit == unit.name]
    spans = [
        AddressRange("", one.first_offset, one.last_offset)
        for one in windows
        if one.space == "memory"
    ]
    yield from _overlaps(unit)
    if not windows:
        yield f"no window reaches {unit.name}, so it stays dark"
    elif not spans:
        yield f"no window reaches the memory of {unit.name}, so its picture cannot change"
    else:
        missing = sum(last - first + 1 for first, last in _gaps(0, unit.memory_bytes - 1, spans))
        if missing:
            first = _first_without(AddressRange("", 0, unit.memory_bytes - 1), spans)
            yield (
                f"no window reaches {counted(missing, 'byte')} of the {unit.memory_bytes:,} of "
                f"{unit.name}'s memory, the first at offset {show_address(first or 0)}"
            )


def _overlaps(unit: Unit) -> Iterator[str]:
    """Return what of the unit's memory two things share: pages, cells and a font."""
    rows = unit.rows if unit.is_text else unit.height_px
    row_bytes = unit.columns * unit.cell_bytes or -(-unit.width_px * unit.bits_per_pixel // 8)
    last_page = (unit.pages - 1) * unit.page_bytes
    picture_bytes = unit.stride_bytes * (rows - 1) + row_bytes
    is_side_by_side = row_bytes <= unit.page_bytes and last_page + row_bytes <= unit.stride_bytes
    if unit.pages > 1 and unit.page_bytes < picture_bytes and not is_side_by_side:
        yield (
            f"pages of {unit.name} overlap: they are {counted(unit.page_bytes, 'byte')} apart, and"
            f" each takes {picture_bytes:,}"
        )
    if unit.font is not None and unit.font_offset is not None:
        last = unit.font_offset + len(unit.font.rows) - 1
        font = AddressRange("", unit.font_offset, last)
        last = unit.base_offset + last_page + picture_bytes - 1
        cells = AddressRange("", unit.base_offset, last)
        if font.first_common(cells) is not None:
            yield f"font of {unit.name} at offsets {font} overlaps its cells at {cells}"


def _first_without(span: AddressRange, others: Sequence[Holder]) -> int | None:
    """Return the first address of a range that none of the others has."""
    return next((first for first, _ in _gaps(span.first_address, span.last_address, others)), None)


def _gaps(first: int, last: int, spans: Sequence[Holder]) -> Iterator[tuple[int, int]]:
    """Return the parts of a range that no span covers, in order."""
    for one in sorted(spans, key=lambda span: span.first_address):
        if one.first_address > first:
            yield first, min(one.first_address - 1, last)
        first = max(first, one.last_address + 1)
        if first > last:
            return
    yield first, last
