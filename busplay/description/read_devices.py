"""Read a board file's devices: what is at which addresses, and what is wired to it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from busplay.description.address_ranges import AddressRange, require_apart
from busplay.description.attributes import keys_of, read_keys
from busplay.description.device_pins import pin_uses
from busplay.description.devices import (
    DEVICE_CLASSES,
    Acia6551,
    CustomDevice,
    Device,
    DeviceWithPins,
    OptionValue,
    Via6522,
    fault_of_line,
    lines_of,
)
from busplay.description.limits import ADDRESS_MAX, VECTORS_FIRST_ADDRESS
from busplay.description.toml_reader import Table, did_you_mean, show_address, show_string

ENTRY_POINT_GROUP = "busplay.devices"
COMMON_KEYS = ("kind", "name", "first_address", "last_address", "irq", "nmi")
VIA_KEYS = ("kind", *keys_of(Via6522))
ACIA_KEYS = ("kind", *keys_of(Acia6551))
REMEDY = "move one or shorten it"
IN_FILE = re.compile(r"([\w-]+\.py):([A-Za-z_]\w*)")


@cache
def installed_devices() -> dict[str, str]:
    """Return the devices of installed packages: entry point's name to its `module:Class`."""
    # Imported here, as it takes 12 ms and most boards need only ours.
    from importlib.metadata import entry_points

    return {point.name: point.value for point in entry_points(group=ENTRY_POINT_GROUP)}


def read_devices(
    board: Table, folder: Path, taken: Sequence[AddressRange]
) -> tuple[tuple[Device, ...], list[AddressRange]]:
    """Read every device, in the file's order.

    Args:
        folder: where the board file lies.
        taken: the ranges of memory and host port.

    Returns:
        The devices, and their ranges.

    Raises:
        DescriptionError: a kind is unknown, two ranges overlap, or a pin's connection is unknown.
    """
    devices: list[Device] = []
    spans: list[AddressRange] = []
    tables = board.tables("devices", _keys_of_table)
    for table in tables:
        device = _read_device(table, folder)
        if any(device.name == other.name for other in devices):
            raise table.error(
                "name", found=show_string(device.name), wanted="each device has its own name"
            )
        span = device_range(device, place=table.place)
        require_apart(table, span, [*taken, *spans], remedy=REMEDY)
        devices.append(device)
        spans.append(span)
    for table, device in zip(tables, devices, strict=True):
        _require_lines(table, device, devices)
    return tuple(devices), spans


def device_range(device: Device, *, place: str = "") -> AddressRange:
    """Return the addresses at which a device answers."""
    return AddressRange(
        place or f"the device {device.name}", device.first_address, device.last_address
    )


def _keys_of_table(values: Mapping[str, object]) -> Sequence[str]:
    kind = values.get("kind")
    if isinstance(kind, str) and kind.lower() in DEVICE_CLASSES:
        return VIA_KEYS if kind.lower() == Via6522.kind else ACIA_KEYS
    # A class of the user's own says itself which keys it takes.
    return (*COMMON_KEYS, *values)


def _read_device(table: Table, folder: Path) -> Device:
    wanted = _kinds_text()
    text = table.text("kind", wanted=wanted)
    kind = DEVICE_CLASSES.get(text.lower())
    if kind is None:
        return _read_custom(table, text, folder, wanted=wanted)
    common = _read_common(table, registers=kind.registers)
    if kind is Via6522:
        own = read_keys(table, Via6522, "part")
        return Via6522(**common, **own, pins=_read_pins(table, kind))
    own = read_keys(table, Acia6551, "part", "crystal_hz", "line")
    own |= _read_files(table, own["line"], folder)
    return Acia6551(**common, **own, pins=_read_pins(table, kind))


def _kinds_text() -> str:
    ours = ", ".join(f'"{one}"' for one in DEVICE_CLASSES)
    return f'give {ours}, the name of an installed device, or "FILE.py:Class"'


def _read_common(table: Table, *, registers: int | None) -> dict[str, Any]:
    name = table.text("name", wanted="give the device a name in quotes", last_length=40)
    first = table.integer("first_address", 0, ADDRESS_MAX, address=True)
    least = first if registers is None else first + registers - 1
    if least >= VECTORS_FIRST_ADDRESS:
        raise table.error(
            "first_address",
            found=show_address(first),
            wanted="a device must end below the vectors at "
            f"{show_address(VECTORS_FIRST_ADDRESS)}, so move it",
        )
    last = table.integer(
        "last_address",
        least,
        VECTORS_FIRST_ADDRESS - 1,
        default=None if registers is None else least,
        address=True,
        hint=" (included)",
    )
    return {
        "name": name,
        "first_address": first,
        "last_address": last,
        **read_keys(table, CustomDevice, "irq", "nmi"),
    }


def _read_pins(table: Table, kind: type[DeviceWithPins]) -> dict[str, str]:
    pins = table.optional_table("pins", kind.pin_keys)
    if pins is None:
        return {}
    found: dict[str, str] = {}
    before: dict[str, str] = {}
    for key in pins.present_keys():
        text = pins.text(key, wanted="say in quotes what the pin is connected to")
        try:
            uses = pin_uses(key, text)
        except ValueError as error:
            raise pins.error(key, found=show_string(text), wanted=str(error)) from None
        for use in uses:
            if use.pin in before:
                raise pins.error(
                    key,
                    found=f"{use.pin}, which {before[use.pin]} connects too",
                    wanted="connect a pin once",
                )
            before[use.pin] = key
        found[key] = text
    return found


def _require_lines(table: Table, device: Device, devices: Sequence[Device]) -> None:
    """Refuse a line of a device that the board does not have, or of a pin that is no output."""
    for use in lines_of(device):
        fault = fault_of_line(use, devices)
        if fault and not isinstance(device, CustomDevice):
            others = [one.name for one in devices if not isinstance(one, CustomDevice)]
            if use.name not in others:
                known = f"there is {', '.join(others)}"
                fault += f"; {did_you_mean(use.name, others, otherwise=known)}"
            pins = table.optional_table("pins", device.pin_keys) or table
            raise pins.error(use.pin, found=show_string(device.pins[use.pin]), wanted=fault)


def _read_files(table: Table, line: str, folder: Path) -> dict[str, Any]:
    files: dict[str, Path | None] = {}
    for key in ("input", "output"):
        if key not in table:
            files[key] = None
            continue
        if line != "file":
            raise table.error(
                key,
                found="a file",
                wanted=f'the serial line is "{line}", so say line = "file" or take the key out',
            )
        text = table.text(key, wanted="give the path of a file")
        if key == "output" and (Path(text).is_absolute() or ".." in Path(text).parts):
            # A board file is data: it must not make a run replace any file of its user's.
            raise table.error(
                key,
                found=show_string(text),
                wanted="give a file in the board file's folder, or below it",
            )
        files[key] = (folder / text).absolute()
    source = files["input"]
    if source is not None and not _is_file(source):
        raise table.error(
            "input",
            found=show_string(table.text("input", wanted="")),
            wanted="no such file is there (seen from the board file's folder), so correct the path",
        )
    return files


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _read_custom(table: Table, kind: str, folder: Path, *, wanted: str) -> CustomDevice:
    in_file = IN_FILE.fullmatch(kind)
    if in_file is not None:
        if not _is_file(folder / in_file[1]):
            raise table.error(
                "kind",
                found=show_string(kind),
                wanted=f"no file {in_file[1]} lies beside the board file, so correct the name",
            )
    elif kind not in installed_devices():
        known = (*DEVICE_CLASSES, *installed_devices())
        raise table.error(
            "kind", found=show_string(kind), wanted=did_you_mean(kind, known, otherwise=wanted)
        )
    options: dict[str, OptionValue] = {}
    for key in table.present_keys():
        if key in COMMON_KEYS:
            continue
        value = table.value(key)
        if not isinstance(value, bool | int | str) or not re.fullmatch(r"[a-z_][a-z0-9_]*", key):
            raise table.error(
                key,
                found="an option that cannot be passed on",
                wanted="give a key of small letters with a number, a boolean or a text",
            )
        options[key] = value
    common = _read_common(table, registers=None)
    return CustomDevice(kind=kind, options=options, **common)
