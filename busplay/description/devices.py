"""The devices of a board as typed values; `read_devices` reads them.

`Device` is one of the classes here: a key of a `[[devices]]` table is an attribute of its kind's
class, and a device of the user's own takes any other key as an option of its class.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar, Literal, TypeAlias

from busplay.description.device_pins import (
    MODEM_OUTPUTS,
    MODEM_PINS,
    PIN_KEYS,
    PINS,
    PinUse,
    all_pin_uses,
)

ViaPart = Literal["r6522", "w65c22"]
AciaPart = Literal["r6551", "w65c51n"]
SerialLine = Literal["console", "file", "pty", "none"]
OptionValue: TypeAlias = "bool | int | str"


@dataclass(frozen=True, slots=True, kw_only=True)
class Via6522:
    """A 6522: two ports, two timers, a shift register.

    Attributes:
        name: for messages, and for the lines of other devices.
        first_address: address of register 0.
        last_address: last address at which it answers; the registers repeat up to there.
        irq: its interrupt output is wired to IRQ; several are wired-OR.
        nmi: its interrupt output is wired to NMI.
        part: `r6522`, the NMOS part, or `w65c22`, the CMOS part, where data sheets differ.
        pins: what its pins are connected to.
    """

    kind: ClassVar[str] = "via_6522"
    registers: ClassVar[int] = 16
    pin_keys: ClassVar[tuple[str, ...]] = PIN_KEYS
    line_pins: ClassVar[tuple[str, ...]] = PINS
    """Pins that another device's pin can follow."""

    name: str
    first_address: int
    last_address: int
    irq: bool = False
    nmi: bool = False
    part: ViaPart = "w65c22"
    pins: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Acia6551:
    """A 6551: a serial port with its own rate generator.

    Attributes:
        name: for messages, and for the lines of other devices.
        first_address: address of register 0.
        last_address: last address at which it answers; the registers repeat up to there.
        irq: its interrupt output is wired to IRQ; several are wired-OR.
        nmi: its interrupt output is wired to NMI.
        part: `r6551`, or `w65c51n`, whose transmit-empty flag is stuck set.
        crystal_hz: the rate generator's crystal.
        line: what the serial line is connected to: the `console` (keys in, text out), a `file`, a
            pseudo-terminal (`pty`), or nothing (`none`).
        input: file of the bytes that it receives, one after the other, with `line` = `file`.
        output: file for the bytes that it sends, with `line` = `file`.
        pins: what its modem lines are connected to; inputs that are not named are low, so active.
    """

    kind: ClassVar[str] = "acia_6551"
    registers: ClassVar[int] = 4
    pin_keys: ClassVar[tuple[str, ...]] = MODEM_PINS
    line_pins: ClassVar[tuple[str, ...]] = MODEM_OUTPUTS

    name: str
    first_address: int
    last_address: int
    irq: bool = False
    nmi: bool = False
    part: AciaPart = "r6551"
    crystal_hz: int = 1_843_200
    line: SerialLine = "console"
    input: Path | None = None
    output: Path | None = None
    pins: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomDevice:
    """A device of the user's own: a Python class.

    Attributes:
        kind: its entry point's name, or `FILE.py:Class` with the file beside the board file.
        name: for messages.
        first_address: address of its offset 0.
        last_address: last address at which it answers.
        irq: its interrupt output is wired to IRQ; several are wired-OR.
        nmi: its interrupt output is wired to NMI.
        options: the table's other keys, which its class takes by name.
    """

    kind: str
    name: str
    first_address: int
    last_address: int
    irq: bool = False
    nmi: bool = False
    options: dict[str, OptionValue] = field(default_factory=dict)


DeviceWithPins = Via6522 | Acia6551
Device = DeviceWithPins | CustomDevice

DEVICE_CLASSES: dict[str, type[DeviceWithPins]] = {one.kind: one for one in (Via6522, Acia6551)}


def lines_of(device: Device) -> tuple[PinUse, ...]:
    """Return the pins that follow an output of a device."""
    if isinstance(device, CustomDevice):
        return ()
    return tuple(use for use in all_pin_uses(device.pins) if use.role == "line")


def fault_of_line(use: PinUse, devices: Iterable[Device]) -> str:
    """Return what is wrong with the other end of a line, or an empty string."""
    for one in devices:
        if one.name == use.name and not isinstance(one, CustomDevice):
            if use.other_pin in one.line_pins:
                return ""
            return f"a pin of {use.name} is one of {', '.join(one.line_pins)}"
    return "no device with pins has that name"
