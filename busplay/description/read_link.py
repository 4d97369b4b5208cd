"""Read link files: what they may say, and what is refused with its remedy.

The tables are checked one by one where they are read. What only the frame's layout can show
(idle frames under a marker, imitation) is not checked here: `busplay.link.load` does.
"""

from __future__ import annotations

import re
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path

from busplay.description.attributes import keys_of, read_key, read_keys
from busplay.description.link import (
    WORD_BITS,
    Field,
    Framing,
    Link,
    StrobeFraming,
)
from busplay.description.read_check import CHECK_KEYS, read_check
from busplay.description.read_framing import FRAMING_KEYS, read_framing
from busplay.description.read_idle import read_idle
from busplay.description.toml_reader import (
    NoSuchFileError,
    Table,
    did_you_mean,
    one_of,
    parse_toml,
    show_string,
)
from busplay.errors import DescriptionError
from busplay.wording import counted

LINK_KEYS = (
    "name",
    "description",
    "lanes",
    "edges",
    "clock",
    "clock_hz",
    "start",
    "first_bit_lane",
    "idle_every",
    "fields",
    "framing",
    "check",
    "idle",
)
STORE_FIELDS = ("address", "data")
# How alike two names are by difflib: `addr` and `address` 0.73, `memory_address` 0.67.
MISSPELT_RATIO = 0.72
FIELD_KEYS = keys_of(Field)

# Widths of the fields that mean something to sender and receiver, and why.
KNOWN_WIDTHS: dict[str, tuple[int, int, str]] = {
    "space": (2, 8, "spaces are numbered 0 to 3"),
    "unit": (1, 8, "a link has up to 256 units"),
    "sequence": (1, 16, "it counts modulo 65,536 at most"),
    "address": (1, 24, "a unit's memory has up to 16,777,216 bytes"),
    "data": (8, 8, "a store carries 8 bits"),
}


def unknown_name(source: str, shipped: dict[str, Path], *, what: str) -> NoSuchFileError:
    """Make the error for a name that is neither a file nor shipped."""
    names = one_of(shipped, quoted=False)
    hint = did_you_mean(source, shipped, otherwise=f"shipped: {names}")
    return NoSuchFileError(
        file=source,
        found="no such file",
        wanted=f"give the path of a {what} file or the name of a shipped {what} ({hint})",
    )


def read_link(text: str, *, file: str) -> tuple[Link, dict[str, int]]:
    """Read a link file's text, table by table.

    Args:
        text: TOML.
        file: what messages call the file.

    Returns:
        The link, and what its file states of idle frames: zeros too, which `Link.idle` leaves
        out. Whether a marker agrees with them, only the layout can show.

    Raises:
        DescriptionError: it is not TOML, or describes no possible link; says file, place,
            what was found and what would be right.
    """
    values = parse_toml(text, file=file)
    if not values:
        raise DescriptionError(
            file=file,
            found="an empty file",
            wanted="a link needs at least name, lanes, edges, [[fields]] and [framing]",
        )
    if "processor" in values or "units" in values:
        raise DescriptionError(
            file=file, found="a board description", wanted="give a link file here"
        )
    table = Table(values, file=file, keys=LINK_KEYS)
    name = table.text("name", wanted="give the link a short name in quotes", last_length=40)
    lanes = read_key(table, Link, "lanes")
    plain = read_keys(table, Link, "edges", "start", "first_bit_lane")
    clock_hz = _read_clock(table)
    fields = _read_fields(table, lanes)
    check_table = table.optional_table("check", CHECK_KEYS)
    check = read_check(check_table, fields) if check_table else None
    framing = read_framing(
        table.table("framing", FRAMING_KEYS), fields=fields, lanes=lanes, check=check
    )
    if plain["start"] == "cycle" and not isinstance(framing, StrobeFraming):
        raise table.error(
            "start",
            found='"cycle"',
            wanted='only a strobe shows where such a frame starts, so say "slot" or give '
            'framing.method = "strobe"',
        )
    link = Link(
        name=name,
        lanes=lanes,
        fields=fields,
        framing=framing,
        check=check,
        clock_hz=clock_hz,
        **plain,
        idle_every=_read_idle_every(table, framing),
        description=table.prose("description"),
        file=file,
    )
    idle_table = table.optional_table("idle", tuple(one.name for one in fields))
    stated = read_idle(idle_table, link) if idle_table else {}
    return replace(link, idle={name: value for name, value in stated.items() if value}), stated


def _read_clock(table: Table) -> int | None:
    if "clock" in table and "clock_hz" in table:
        raise table.error(
            "clock_hz",
            found="a clock besides the processor's",
            wanted="give either clock or clock_hz",
        )
    table.choice("clock", ("processor",), default="processor")
    clock_hz: int | None = read_key(table, Link, "clock_hz")
    return clock_hz


def _read_idle_every(table: Table, framing: Framing) -> int | None:
    idle_every: int | None = read_key(table, Link, "idle_every")
    if idle_every is not None and isinstance(framing, StrobeFraming):
        raise table.error(
            "idle_every",
            found=str(idle_every),
            wanted="with a strobe nothing is sent between frames, so take the line out",
        )
    return idle_every


def _read_fields(table: Table, lanes: int) -> tuple[Field, ...]:
    fields: list[Field] = []
    tables = table.tables("fields", FIELD_KEYS)
    for one in tables:
        name = _read_field_name(one, fields)
        fields.append(_read_field(one, name, lanes))
    if not fields:
        raise table.error(
            "fields", found="no fields", wanted="give at least one, each headed [[fields]]"
        )
    _require_no_misspelt_name(tables, [one.name for one in fields])
    _require_whole_symbols(table, sum(one.bits for one in fields), lanes)
    return tuple(fields)


def _require_no_misspelt_name(tables: list[Table], names: list[str]) -> None:
    """Refuse a field that is nearly named like one that every store needs and that is missing."""
    missing = [one for one in STORE_FIELDS if one not in names]
    for table, name in zip(tables, names, strict=True):
        meant = get_close_matches(name, missing, n=1, cutoff=MISSPELT_RATIO)
        if meant:
            raise table.error(
                "name",
                found=show_string(name),
                wanted=f"did you mean {meant[0]}? A field that carries something else takes a "
                "name that is less like it",
            )


def _read_field_name(table: Table, before: list[Field]) -> str:
    wanted = "give a name of lower-case letters, digits and _, such as address"
    name = table.text("name", wanted=wanted, last_length=24)
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        raise table.error("name", found=show_string(name), wanted=wanted)
    for index, one in enumerate(before):
        if one.name == name:
            raise table.error(
                "name",
                found=show_string(name),
                wanted=f"fields[{index}] has that name already, so give another",
            )
    return name


def _read_field(table: Table, name: str, lanes: int) -> Field:
    bits = read_key(table, Field, "bits")
    if name in KNOWN_WIDTHS:
        first, last, reason = KNOWN_WIDTHS[name]
        if not first <= bits <= last:
            span = f"{first}" if first == last else f"{first} to {last}"
            raise table.error(
                "bits",
                found=str(bits),
                wanted=f"{name} takes {span} bits, since {reason}; spare bits can be a field "
                "of another name",
            )
        if "value" in table:
            raise table.error(
                "value",
                found="a constant",
                wanted=f"the sender fills {name}, so take the line out or give the field "
                "another name",
            )
    value = None
    if "value" in table:
        value = table.integer("value", 0, (1 << bits) - 1, hint=f", which {bits} bits hold")
    order = read_key(table, Field, "order")
    if order == "low_digit_first" and bits % lanes:
        raise table.error(
            "order",
            found='"low_digit_first"',
            wanted=f"{bits} bits are no whole digits of {lanes} (one digit a symbol), so "
            'change bits, or say "high_first" or "low_first"',
        )
    return Field(name=name, bits=bits, value=value, order=order)


def _require_whole_symbols(table: Table, frame_bits: int, lanes: int) -> None:
    over = frame_bits % lanes
    if frame_bits > WORD_BITS:
        raise table.error(
            "fields",
            found=f"{counted(frame_bits, 'bit')} together",
            wanted=f"a frame has up to {WORD_BITS}, so take {frame_bits - WORD_BITS} or more away",
        )
    if not over:
        return
    ways = []
    if frame_bits + lanes - over <= WORD_BITS:
        ways.append(f"add {lanes - over}")
    if frame_bits > over:
        ways.append(f"take {over} away")
    raise table.error(
        "fields",
        found=f"{counted(frame_bits, 'bit')} together",
        wanted=f"a frame fills whole symbols of {counted(lanes, 'bit')}, so {' or '.join(ways)}",
    )
