"""Make the devices of a board, ours and those of the user's own.

A device of the user's own is a class with the interface `busplay.core.devices.interface.BusDevice`,
in an installed package:

    [project.entry-points."busplay.devices"]
    my_timer = "my_package.my_timer:MyTimer"

or in a file beside the board file, which the board names as `my_timer.py:MyTimer`. A board file is
data, and may come from anybody; so code beside it runs only after `trust_board_code()`, which the
command line calls for `--trust-board-code`.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Iterable
from pathlib import Path

from busplay.core.devices.acia_6551 import AciaDevice
from busplay.core.devices.bank_latches import BelowOverlay, Latch
from busplay.core.devices.bank_switch import BankSwitch
from busplay.core.devices.bus import DeviceBus, DeviceSlot, PinWire
from busplay.core.devices.interface import BusDevice, UntrustedCodeError
from busplay.core.devices.via_6522 import ViaDevice
from busplay.core.memory_map import MemoryMap
from busplay.description.board import Board
from busplay.description.device_pins import PORT_PINS
from busplay.description.devices import Acia6551, CustomDevice, Device, Via6522, lines_of
from busplay.description.read_devices import ENTRY_POINT_GROUP, IN_FILE
from busplay.errors import InputError, printable
from busplay.program.image import read_content

_METHODS = ("read", "write", "next_event_cycle", "advance", "snapshot", "restore")
_trusted: set[bool] = set()


def trust_board_code(*, trusted: bool = True) -> None:
    """Allow this process to run the Python files that board files name, or forbid it.

    >>> import busplay
    >>> busplay.trust_board_code(trusted=False)
    """
    _trusted.clear()
    if trusted:
        _trusted.add(True)


def devices_of_board(board: Board, memory_map: MemoryMap | None = None) -> DeviceBus | None:
    """Make the devices and banks of a board in their power-on state; None: it has none.

    Args:
        memory_map: the board's; None: it is made.

    Raises:
        InputError: a class is missing, does not load, or refuses its options; or its file is not
            trusted.
    """
    if not board.devices and not board.banks:
        return None
    switch = None
    if board.banks:
        switch = BankSwitch(board.banks, memory_map or MemoryMap.of_board(board))
    pins = () if switch is None else switch.pins
    wires = _wires_of(board, [one for one in pins if not _is_quick(one[1])])
    slots = []
    for place, described in enumerate(board.devices):
        device = _make(described, board, place=f"devices[{place}]")
        if isinstance(device, ViaDevice):
            device.drives_others = any(wire.source == place for wire in wires)
            quick = [
                (pin, bit) for name, pin, bit in pins if name == described.name and _is_quick(pin)
            ]
            if switch is not None and quick:
                device.choose_pages(switch, quick)
        slots.append(
            DeviceSlot(
                described.name,
                device,
                first_address=described.first_address,
                last_address=described.last_address,
                irq=described.irq,
                nmi=described.nmi,
            )
        )
    if switch is not None:
        slots += _slots_of(switch)
    return DeviceBus(slots, wires, banks=switch)


def _slots_of(switch: BankSwitch) -> list[DeviceSlot]:
    """Return the places of the switch, which no access reaches, its latches, and its overlays."""

    def slot(device: BusDevice, first: int, last: int) -> DeviceSlot:
        return DeviceSlot("banks", device, first_address=first, last_address=last, irq=False)

    return [
        slot(switch, 1, 0),
        *(slot(Latch(switch, one), one, one) for one in switch.addresses),
        *(
            slot(BelowOverlay(switch, one), one.first_address, one.last_address)
            for one in switch.described
            if one.is_overlay
        ),
    ]


def _is_quick(pin: str) -> bool:
    """Return whether an output changes by accesses alone, so that its 6522 chooses the page."""
    return pin in PORT_PINS and pin != "pb7"


def _wires_of(board: Board, pins: Iterable[tuple[str, str, int]]) -> list[PinWire]:
    """Return the wires between devices.

    Args:
        pins: those that choose pages over a wire: device, pin, place of the bank's bit.
    """
    places = {one.name: place for place, one in enumerate(board.devices)}
    to_banks = [
        PinWire(places[device], pin, len(board.devices), str(bit)) for device, pin, bit in pins
    ]
    return to_banks + [
        PinWire(places[use.name], use.other_pin, place, use.pin)
        for place, one in enumerate(board.devices)
        for use in lines_of(one)
    ]


def _make(described: Device, board: Board, *, place: str) -> BusDevice:
    if isinstance(described, Via6522):
        return ViaDevice(described, clock_hz=board.clock_hz)
    if isinstance(described, Acia6551):
        incoming = b""
        if described.input is not None:
            # In a trace's board the path is a bare name, beside the trace.
            incoming = read_content(Path(board.file).parent / described.input)
        return AciaDevice(described, clock_hz=board.clock_hz, incoming=incoming)
    return _make_custom(described, board, place=place)


def _make_custom(described: CustomDevice, board: Board, *, place: str) -> BusDevice:
    def refusal(found: str, wanted: str) -> InputError:
        return InputError(
            file=board.file or None, place=f"{place}.kind", found=found, wanted=wanted
        )

    kind = printable(described.kind)
    try:
        make = _class_of(described, board, refusal, place=f"{place}.kind")
    except InputError:
        raise
    except (Exception, SystemExit) as error:  # another's module can fail in any way
        raise refusal(
            f"{kind}, which does not load: {type(error).__name__}: {error}", "repair it"
        ) from error
    try:
        device = make(**described.options)
        lacking = [one for one in _METHODS if not callable(getattr(device, one, None))]
        if not hasattr(device, "irq"):
            lacking.append("irq")
        irq = getattr(device, "irq", False)
        registers = getattr(device, "registers", None)
    except (Exception, SystemExit) as error:
        raise refusal(
            f"{kind}, which raised {type(error).__name__} when it was made: {error}",
            "correct the table's keys, or the class",
        ) from error
    if callable(irq):
        raise refusal(f"{kind} whose irq is a method", "make it an attribute or a property")
    if registers is not None and (type(registers) is not int or registers < 1):
        raise refusal(f"{kind} whose registers are {registers!r}", "give a number from 1 on")
    if lacking:
        raise refusal(f"{kind} without {', '.join(lacking)}", "a device has all of these")
    return device


def _class_of(
    described: CustomDevice,
    board: Board,
    refusal: Callable[[str, str], InputError],
    *,
    place: str,
) -> Callable[..., BusDevice]:
    in_file = IN_FILE.fullmatch(described.kind)
    if in_file is None:
        from importlib.metadata import entry_points

        for point in entry_points(group=ENTRY_POINT_GROUP):
            if point.name == described.kind:
                installed: Callable[..., BusDevice] = point.load()
                return installed
        raise refusal(printable(described.kind), "no installed package has a device of that name")
    path = Path(board.file).parent / in_file[1]
    if not _trusted:
        raise UntrustedCodeError(
            file=board.file or None,
            place=place,
            found=described.kind,
            wanted=f"it runs code of {in_file[1]}; look at that file, then give --trust-board-code",
        )
    if not path.is_file():
        raise refusal(described.kind, f"no file {path} is there, so put it beside {board.file}")
    spec = importlib.util.spec_from_file_location(f"board_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise refusal(described.kind, f"{path} is no Python file")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: Callable[..., BusDevice] | None = getattr(module, in_file[2], None)
    if found is None:
        raise refusal(described.kind, f"{path.name} has no {in_file[2]}")
    return found
