"""The reference of every key of the files that users write, generated from their readers.

Keys come from the readers, types and defaults from the dataclasses, ranges from
`description.limits`, meanings from the docstrings. `_NOTES` has the keys whose form in a file
differs from the dataclass.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from typing import Literal, NamedTuple, get_args, get_origin

from busplay.description.attributes import attributes_of
from busplay.description.banks import Bank
from busplay.description.board import (
    Board,
    BusyTime,
    HostPort,
    Image,
    Memory,
    ReceiverEnd,
    Sender,
    Unit,
    Window,
)
from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.devices import Acia6551, CustomDevice, Via6522
from busplay.description.faults import Faults, Span
from busplay.description.limits import LIMITS
from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.description.read_banks import BANK_KEYS
from busplay.description.read_board import BOARD_KEYS, MEMORY_KEYS
from busplay.description.read_check import CHECK_KEYS, CUSTOM
from busplay.description.read_devices import ACIA_KEYS, COMMON_KEYS, VIA_KEYS
from busplay.description.read_ends import BUSY_KEYS, HOST_PORT_KEYS, RECEIVER_KEYS, SENDER_KEYS
from busplay.description.read_faults import KINDS, PLAN_KEYS, TABLE_KEYS
from busplay.description.read_font import SHIPPED_FONTS
from busplay.description.read_framing import FRAMING_KEYS, METHODS
from busplay.description.read_link import FIELD_KEYS, LINK_KEYS
from busplay.description.read_palette import NAMES
from busplay.description.read_unit import UNIT_KEYS
from busplay.description.read_windows import WINDOW_KEYS
from busplay.description.toml_reader import one_of
from busplay.guide.attributes import attribute_meanings


class KeyTable(NamedTuple):
    """One table of a file: its TOML heading, its keys, and its classes."""

    heading: str
    keys: tuple[str, ...]
    kinds: tuple[type, ...]


class _Note(NamedTuple):
    """Type, default and meaning of a key that differ from the dataclass; empty: as there."""

    type: str = ""
    default: str = ""
    meaning: str = ""


VIA_TABLE = '[[devices]] kind = "via_6522"'
ACIA_TABLE = '[[devices]] kind = "acia_6551"'
CUSTOM_TABLE = "[[devices]] of your own"
LINK_TABLES = (
    KeyTable("", LINK_KEYS, (Link,)),
    KeyTable("[[fields]]", FIELD_KEYS, (Field,)),
    KeyTable("[framing]", FRAMING_KEYS, (StrobeFraming, MarkerFraming, CheckFraming)),
    KeyTable("[check]", CHECK_KEYS, (Check,)),
)
BOARD_TABLES = (
    KeyTable("", BOARD_KEYS, (Board,)),
    KeyTable("[[memory]]", MEMORY_KEYS, (Memory, Image)),
    KeyTable("[[banks]]", BANK_KEYS, (Bank,)),
    KeyTable("[[windows]]", WINDOW_KEYS, (Window,)),
    KeyTable("[units.NAME]", UNIT_KEYS, (Unit,)),
    KeyTable("[sender]", SENDER_KEYS, (Sender,)),
    KeyTable("[receiver]", RECEIVER_KEYS, (ReceiverEnd,)),
    KeyTable("[[receiver.busy]]", BUSY_KEYS, (BusyTime,)),
    KeyTable("[host_port]", HOST_PORT_KEYS, (HostPort,)),
    KeyTable(VIA_TABLE, VIA_KEYS, (Via6522,)),
    KeyTable(ACIA_TABLE, ACIA_KEYS, (Acia6551,)),
    KeyTable(CUSTOM_TABLE, COMMON_KEYS, (CustomDevice,)),
)
FAULT_TABLES = (
    KeyTable("", PLAN_KEYS, (Faults,)),
    *(KeyTable(f"[[{name}]]", TABLE_KEYS[name], (kind, Span)) for name, kind in KINDS.items()),
)
FILES = {
    "A link file": LINK_TABLES,
    "A board file": BOARD_TABLES,
    "A faults file": FAULT_TABLES,
}


def _either(options: Iterable[str]) -> str:
    return one_of([f"`{one}`" for one in options], quoted=False)


_READABLE_MAX = 10**12
_NOTES: dict[tuple[str, str], _Note] = {
    ("", "clock"): _Note(
        "`processor`", "`processor`", "the lanes follow the processor's clock; or give `clock_hz`"
    ),
    ("", "fields"): _Note("tables `[[fields]]`", "needed", "the fields, in wire order"),
    ("", "framing"): _Note("table `[framing]`", "needed", "how a receiver finds frames"),
    ("", "check"): _Note("table `[check]`", "none", "the check field"),
    ("", "idle"): _Note(
        "table `[idle]`",
        "all 0",
        "values of the idle frame's fields, one key for each field that is not 0",
    ),
    ("", "link"): _Note("text"),
    ("", "memory"): _Note("tables `[[memory]]`", "none"),
    ("", "banks"): _Note("tables `[[banks]]`", "none"),
    ("", "windows"): _Note("tables `[[windows]]`", "needed"),
    ("", "units"): _Note("tables `[units.NAME]`", "needed"),
    ("", "sender"): _Note("table `[sender]`", "as its keys say"),
    ("", "receiver"): _Note("table `[receiver]`", "as its keys say"),
    ("", "host_port"): _Note("table `[host_port]`", "none"),
    ("", "devices"): _Note("tables `[[devices]]`", "none"),
    **{
        (heading, "kind"): _Note(f"`{kind}`", "needed", "which device it is")
        for heading, kind in ((VIA_TABLE, Via6522.kind), (ACIA_TABLE, Acia6551.kind))
    },
    (CUSTOM_TABLE, "kind"): _Note("text"),
    **{
        (heading, "last_address"): _Note(default="that of the last register")
        for heading in (VIA_TABLE, ACIA_TABLE)
    },
    (VIA_TABLE, "pins"): _Note(
        "table of texts",
        "none",
        "what each of `pa0` to `pb7`, `ca1`, `ca2`, `cb1` and `cb2`, or a whole port `pa` or `pb`, "
        "is connected to",
    ),
    (ACIA_TABLE, "pins"): _Note(
        "table of texts",
        "none",
        "what each of the inputs `cts`, `dcd` and `dsr`, and the outputs `rts` and `dtr`, is "
        "connected to; an input that is not named is low, so active",
    ),
    (ACIA_TABLE, "input"): _Note("text", "none"),
    (ACIA_TABLE, "output"): _Note("text", "none"),
    ("[framing]", "method"): _Note(
        _either(METHODS),
        "needed",
        "how a receiver finds a frame's first symbol; the other keys belong to one or two methods",
    ),
    ("[framing]", "gap_symbols"): _Note(default="0; 1 with `span` = `frame`"),
    ("[check]", "kind"): _Note(_either((*CHECK_CATALOGUE, CUSTOM))),
    ("[check]", "polynomial"): _Note(default="that of `kind`; needed for `custom`"),
    ("[check]", "initial"): _Note(default="that of `kind`; 0 for `custom`"),
    ("[check]", "xor"): _Note(default="that of `kind`; 0 for `custom`"),
    ("[check]", "covers"): _Note("array of field names", "all other fields"),
    ("[[memory]]", "image"): _Note(
        "text", "none", "path of a file, relative to the board file, loaded before reset"
    ),
    ("[[memory]]", "load_address"): _Note(default="`first_address`"),
    ("[[banks]]", "image"): _Note(
        "text", "none", "path of a raw file with their contents, page 0 first"
    ),
    ("[[banks]]", "pages"): _Note(default="those that the image fills; 1 for a boot overlay"),
    ("[[banks]]", "kind"): _Note(default="needed; `rom` for a boot overlay"),
    ("[[banks]]", "select"): _Note("array of texts", "the lowest bits of the latch"),
    ("[units.NAME]", "number"): _Note(default="0"),
    ("[units.NAME]", "pixel_order"): _Note(default="`high_first`"),
    ("[units.NAME]", "stride_bytes"): _Note(default="the bytes of a row"),
    ("[units.NAME]", "base_offset"): _Note(default="0"),
    ("[units.NAME]", "memory_bytes"): _Note(default="`base_offset` and a picture"),
    ("[units.NAME]", "width_px"): _Note(default="needed for a bitmap"),
    ("[units.NAME]", "height_px"): _Note(default="needed for a bitmap"),
    ("[units.NAME]", "bits_per_pixel"): _Note(default="needed for a bitmap; 4 for text"),
    ("[units.NAME]", "columns"): _Note(default="needed for text"),
    ("[units.NAME]", "rows"): _Note(default="needed for text"),
    ("[units.NAME]", "page_bytes"): _Note(default="a picture"),
    ("[units.NAME]", "font"): _Note(
        _either(SHIPPED_FONTS)
        + ", or the path of a font: BDF, a PNG picture of 16 x 16 characters, or raw rows of 256",
        f"`{SHIPPED_FONTS[0]}`",
    ),
    ("[units.NAME]", "palette"): _Note(
        _either(NAMES) + ', the path of a file with one `#RRGGBB` a line, or an array of "#RRGGBB"',
        "black and white (1 bit), greys (2), `html16` (4), `rgb332` (8)",
        "the colours by index; missing ones are the default's",
    ),
    ("[receiver]", "busy"): _Note("tables `[[receiver.busy]]`", "none"),
    ("[host_port]", "refresh_hz"): _Note(default="60"),
    **{("", one): _Note(f"tables `[[{one}]]`", "none") for one in PLAN_KEYS if one != "seed"},
}


class KeyRow(NamedTuple):
    """One key: type, default, meaning."""

    name: str
    type: str
    default: str
    meaning: str


def key_rows(table: KeyTable) -> Iterator[KeyRow]:
    """Return the rows of a table's keys.

    Raises:
        KeyError: a key has no documentation.
    """
    for key in table.keys:
        note = _NOTES.get((table.heading, key), _Note())
        kind = next((one for one in table.kinds if key in attributes_of(one)), None)
        if kind is None:
            if not note.meaning:
                raise KeyError(f"{table.heading} {key}: not documented")
            yield KeyRow(key, *note)
            continue
        yield KeyRow(
            name=key,
            type=note.type or _type_text(kind, key),
            default=note.default or _default_text(kind, key),
            meaning=note.meaning or _meaning(kind, key),
        )


def _meaning(kind: type, key: str) -> str:
    # A description's None is a missing key.
    text = attribute_meanings(kind)[key].replace("None:", "without the key")
    return text.replace(", or None", "").rstrip(".")


def _type_text(kind: type, key: str) -> str:
    hint = attributes_of(kind)[key].type
    if get_origin(hint) is Literal:
        return _either(get_args(hint))
    many = get_origin(hint) is tuple
    if many:
        hint = get_args(hint)[0]
    if hint is int:
        span = LIMITS.get((kind, key))
        numbers = "whole numbers" if many else "whole number"
        text = f"{numbers}, {_number(key, span[0])} to {_number(key, span[1])}" if span else numbers
        return f"array of {text}" if many else text
    return {bool: "`true` or `false`", float: "probability, 0 to 1", str: "text"}[hint]


def _number(key: str, value: int) -> str:
    if key.endswith(("address", "offset")):
        return f"0x{value:04X}"
    if value > _READABLE_MAX:
        power = value.bit_length() - 1
        return f"2^{power}" if value == 1 << power else f"2^{power + 1} - 1"
    return f"{value:,}"


def _default_text(kind: type, key: str) -> str:
    default = attributes_of(kind)[key].default
    if default is dataclasses.MISSING:
        return "needed"
    if default is None or default in ((), ""):
        return "none"
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    if isinstance(default, str):
        return f"`{default}`"
    if key == "unmapped_read":
        return f"0x{default:02X}"
    return f"{default:,}" if isinstance(default, int) else f"{default:,g}"


def keys_text() -> str:
    """Return the reference of all keys, as Markdown."""
    lines = [
        "# Keys of the files that you write",
        "",
        "Files are TOML. Numbers may be decimal or hex (`0x4000`); choices may be in capitals.",
        "An unknown key is refused, with the nearest known one.",
    ]
    for title, tables in FILES.items():
        lines += ["", f"## {title}"]
        for table in tables:
            lines += ["", f"### `{table.heading}`" if table.heading else "### At the top", ""]
            for row in key_rows(table):
                lines.append(f"- `{row.name}` ({row.type}; default: {row.default}): {row.meaning}.")
    return "\n".join(lines).replace("default: needed", "needed") + "\n"
