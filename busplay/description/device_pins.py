"""What the pins of devices may be connected to, as board files say it.

| text | the pin |
| --- | --- |
| `high`, `low` | is held at that level |
| `random` | is high or low at random |
| `key X` | is low for a twentieth of a second after key X is pressed; `key X high`: high |
| `code N` | shows bit N of the code of the last key; `code` for a whole port |
| `strobe` | is low for 10 µs at each key press |
| `led NAME` | lights an LED of the window while it drives high; a whole port: NAME0 to NAME7 |
| `led NAME low` | lights it while it drives low |
| `DEVICE.PIN` | follows an output of another device, or of its own |

Those of a 6522 can have all of these; of a 6551's, the inputs have no `random` and no `led`, and
the outputs nothing but a `led`.

A key is a printable character other than a space, or a name of `KEY_NAMES`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

PORT_PINS = tuple(f"p{port}{bit}" for port in "ab" for bit in range(8))
CONTROL_PINS = ("ca1", "ca2", "cb1", "cb2")
PINS = (*PORT_PINS, *CONTROL_PINS)
PIN_KEYS = ("pa", "pb", *PINS)

# A 6551's; the levels are those at the pins, so low is active.
MODEM_INPUTS = ("cts", "dcd", "dsr")
MODEM_OUTPUTS = ("rts", "dtr")
MODEM_PINS = (*MODEM_INPUTS, *MODEM_OUTPUTS)

KEY_NAMES = {
    "backspace": 8,
    "return": 13,
    "escape": 27,
    "space": 32,
    "up": 128,
    "down": 129,
    "left": 130,
    "right": 131,
}

PinRole = Literal["level", "random", "key", "code", "strobe", "led", "line"]


@dataclass(frozen=True, slots=True)
class PinUse:
    """What one pin is connected to.

    Attributes:
        pin: such as `pa0` or `ca1`.
        role: how it gets its level; a `led` and nothing else is an output.
        number: level; key code, or'ed with 256 if the pin is high while the key is down; bit of the
            code; level at which the LED is lit.
        name: of the LED, or of the other device.
        other_pin: of the other device.
    """

    pin: str
    role: PinRole
    number: int = 0
    name: str = ""
    other_pin: str = ""


ACTIVE_HIGH = 0x100
_NAME = r"[A-Za-z0-9_-]+"
WANTED = (
    'give "high", "low", "random", "key X", "code N", "strobe", "led NAME" or "DEVICE.PIN"'
    " (busplay guide devices)"
)
WANTED_OF_INPUT = 'give an input "high", "low", "key X", "code N", "strobe" or "DEVICE.PIN"'
WANTED_OF_OUTPUT = 'give an output "led NAME"'


def pin_uses(key: str, text: str) -> tuple[PinUse, ...]:
    """Return what a key of `pins` says: one pin, or eight for a whole port.

    Raises:
        ValueError: it says nothing known; the message is what would be right.
    """
    pins = [f"{key}{bit}" for bit in range(8)] if key in ("pa", "pb") else [key]
    words = text.split()
    uses = []
    for bit, pin in enumerate(pins):
        whole = len(pins) == 8
        match words:
            case ["high" | "low"]:
                use = PinUse(pin, "level", int(words[0] == "high"))
            case ["random"]:
                use = PinUse(pin, "random")
            case ["strobe"] if not whole:
                use = PinUse(pin, "strobe")
            case ["code"] if whole:
                use = PinUse(pin, "code", bit)
            case ["code", ("0" | "1" | "2" | "3" | "4" | "5" | "6" | "7") as number] if not whole:
                use = PinUse(pin, "code", int(number))
            case ["key", key_name] if not whole:
                use = PinUse(pin, "key", _key_code(key_name))
            case ["key", key_name, "high"] if not whole:
                use = PinUse(pin, "key", _key_code(key_name) | ACTIVE_HIGH)
            case ["led", name, *rest] if rest in ([], ["low"]) and re.fullmatch(_NAME, name):
                lit = f"{name}{bit}" if whole else name
                use = PinUse(pin, "led", int(not rest), name=lit)
            case [line] if not whole and (found := re.fullmatch(rf"({_NAME})\.(\w+)", line)):
                use = PinUse(pin, "line", name=found[1], other_pin=found[2])
            case _:
                raise ValueError(WANTED)
        if pin in MODEM_OUTPUTS and use.role != "led":
            raise ValueError(WANTED_OF_OUTPUT)
        if pin in MODEM_INPUTS and use.role in ("led", "random"):
            raise ValueError(WANTED_OF_INPUT)
        uses.append(use)
    return tuple(uses)


def _key_code(name: str) -> int:
    if name.lower() in KEY_NAMES:
        return KEY_NAMES[name.lower()]
    if len(name) == 1 and "!" <= name <= "~":
        return ord(name)
    raise ValueError(f"a key is one character, or one of {', '.join(KEY_NAMES)}")


def all_pin_uses(pins: dict[str, str]) -> tuple[PinUse, ...]:
    """Return what every pin is connected to; errors as for `pin_uses`."""
    return tuple(use for key, text in pins.items() for use in pin_uses(key, text))
