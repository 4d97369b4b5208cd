"""Read board files: what they may say, and what is refused with its remedy.

Order matters for the messages: each table by itself first, the units before the windows that
name them. Whether the link can carry it all is checked last, by `busplay.link.load`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from busplay.description.address_ranges import (
    AddressRange,
    read_range,
    require_apart,
)
from busplay.description.attributes import read_key, read_keys
from busplay.description.board import Board, Image, Memory
from busplay.description.image_path import read_image_path
from busplay.description.link import Link
from busplay.description.read_banks import read_banks, require_bank_places
from busplay.description.read_devices import read_devices
from busplay.description.read_ends import (
    HOST_PORT_KEYS,
    RECEIVER_KEYS,
    SENDER_KEYS,
    host_port_range,
    read_host_port,
    read_receiver,
    read_sender,
)
from busplay.description.read_unit import read_units
from busplay.description.read_windows import read_windows
from busplay.description.shipped_files import shipped_links
from busplay.description.toml_reader import (
    NoSuchFileError,
    Table,
    did_you_mean,
    parse_toml,
    show_address,
    show_string,
)
from busplay.errors import DescriptionError

BOARD_KEYS = (
    "name",
    "description",
    "processor",
    "undocumented",
    "clock_hz",
    "link",
    "unmapped_read",
    "program_load_address",
    "memory",
    "banks",
    "windows",
    "units",
    "sender",
    "receiver",
    "host_port",
    "devices",
)
MEMORY_KEYS = ("kind", "first_address", "last_address", "image", "format", "load_address")
REMEDY = "move one or shorten it"


def read_board(
    text: str, *, file: str, folder: Path, load_link: Callable[[str | Path], Link]
) -> Board:
    """Read a board file's text.

    Args:
        text: TOML.
        file: what messages call the file.
        folder: where paths in the file start.
        load_link: loads the link that the file names.

    Raises:
        DescriptionError: it is not TOML, or describes no possible board; says file, place,
            what was found and what would be right.
    """
    values = parse_toml(text, file=file)
    if not values:
        raise DescriptionError(
            file=file,
            found="an empty file",
            wanted="a board needs at least name, processor, clock_hz, link, [[windows]] and a unit",
        )
    if "lanes" in values or "fields" in values:
        raise DescriptionError(
            file=file, found="a link description", wanted="give a board file here"
        )
    table = Table(values, file=file, keys=BOARD_KEYS)
    name = table.text("name", wanted="give the board a short name in quotes", last_length=40)
    plain = read_keys(table, Board, "processor", "undocumented", "clock_hz", "unmapped_read")
    link = _read_link(table, folder, load_link)
    units = read_units(table, folder)
    memory, memory_ranges = _read_memory(table, folder)
    banks, bank_ranges = read_banks(table, folder, memory_ranges)
    memory_ranges += bank_ranges
    host_port_table = table.optional_table("host_port", HOST_PORT_KEYS)
    host_port = read_host_port(host_port_table, clock_hz=plain["clock_hz"])
    port_range = host_port_range(host_port) if host_port else None
    if host_port_table is not None and port_range is not None:
        require_apart(host_port_table, port_range, memory_ranges, remedy=REMEDY)
    taken = memory_ranges if port_range is None else [*memory_ranges, port_range]
    devices, device_ranges = read_devices(table, folder, taken)
    others = device_ranges if port_range is None else [port_range, *device_ranges]
    windows, window_ranges = read_windows(
        table, units=units, memory=memory, banks=banks, others=others
    )
    require_bank_places(
        table, banks, memory=memory, devices=devices, taken=[*window_ranges, *others]
    )
    return Board(
        name=name,
        link=link,
        memory=memory,
        banks=banks,
        windows=windows,
        units=units,
        sender=read_sender(table.optional_table("sender", SENDER_KEYS)),
        receiver=read_receiver(table.optional_table("receiver", RECEIVER_KEYS)),
        host_port=host_port,
        devices=devices,
        program_load_address=_read_program_load_address(table, memory_ranges),
        description=table.prose("description"),
        file=file,
        **plain,
    )


def _read_link(table: Table, folder: Path, load_link: Callable[[str | Path], Link]) -> Link:
    text = table.text("link", wanted="name a shipped link or the path of a link file")
    shipped = shipped_links()
    if text in shipped:
        return load_link(text)
    try:
        return load_link(folder / text)
    except NoSuchFileError:
        hint = did_you_mean(text, shipped, otherwise=f"shipped: {', '.join(shipped)}")
        raise table.error(
            "link",
            found=show_string(text),
            wanted=f"no shipped link and no file (seen from the board file's folder) has "
            f"that name; {hint}",
        ) from None


def _read_memory(board: Table, folder: Path) -> tuple[tuple[Memory, ...], list[AddressRange]]:
    memory: list[Memory] = []
    before: list[AddressRange] = []
    for table in board.tables("memory", MEMORY_KEYS):
        kind = read_key(table, Memory, "kind")
        span = read_range(table)
        require_apart(table, span, before, remedy=REMEDY)
        before.append(span)
        memory.append(
            Memory(
                kind=kind,
                first_address=span.first_address,
                last_address=span.last_address,
                image=_read_image(table, span, folder),
            )
        )
    return tuple(memory), before


def _read_program_load_address(table: Table, memory: list[AddressRange]) -> int | None:
    key = "program_load_address"
    address: int | None = read_key(table, Board, key)
    if address is None:
        return None
    if not any(span.first_address <= address <= span.last_address for span in memory):
        raise table.error(
            key,
            found=show_address(address),
            wanted="no memory is there, so give an address inside one of [[memory]] or [[banks]]",
        )
    return address


def _read_image(table: Table, span: AddressRange, folder: Path) -> Image | None:
    if "image" not in table:
        for key in ("format", "load_address"):
            if key in table:
                raise table.error(
                    key,
                    found="a key that says how to load an image",
                    wanted="no image is named here, so add image or take the line out",
                )
        return None
    path = read_image_path(table, folder)
    image_format = read_key(table, Image, "format")
    carries_addresses = image_format in ("ihex", "srec", "elf")
    if carries_addresses and "load_address" in table:
        raise table.error(
            "load_address",
            found="an address besides those of the file",
            wanted=f"{image_format} carries its own addresses, so take the line out",
        )
    load_address = table.integer(
        "load_address",
        span.first_address,
        span.last_address,
        default=span.first_address,
        address=True,
        hint=", inside this memory",
    )
    return Image(
        path=path,
        format=image_format,
        load_address=None if carries_addresses else load_address,
    )
