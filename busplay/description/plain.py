"""Descriptions as plain dicts and back, for files of ours that must stand alone.

How to think about it. A trace replays without the files that it was made from, so it carries
its board whole. The plain form mirrors the dataclasses: a table for each, their attributes as
keys, tuples as arrays, a framing under the key `method`. It holds nothing of the place where
it was made: `file` is left out and an image's path becomes its bare name, so that the same
board gives the same dict in whatever folder.

The way back is driven by the dataclasses' own types, so a new attribute needs no line here; a
key that is missing takes the attribute's default (a trace older than the attribute), a key that
is not known is refused (a trace newer than this program). What comes back is fit for a
`FrameLayout` and for displays. Whether a receiver can find its frames is not checked again: old
traces stay readable whatever later rules say.
"""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from pathlib import Path
from typing import Literal, TypeVar, get_args, get_origin

from busplay.description.address_ranges import AddressRange
from busplay.description.attributes import FILE, attributes_of
from busplay.description.banks import SELECT_BITS_MAX, select_bit
from busplay.description.board import GLYPHS, Board, Font, Unit, Window
from busplay.description.device_pins import pin_uses
from busplay.description.devices import (
    DEVICE_CLASSES,
    Acia6551,
    CustomDevice,
    Device,
    Via6522,
    fault_of_line,
    lines_of,
)
from busplay.description.limits import ALL_MEMORY_BYTES_MAX, BANKED_BYTES_MAX, INTEGER_MAX, LIMITS
from busplay.description.link import (
    CheckFraming,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.description.read_devices import device_range
from busplay.description.read_ends import host_port_range
from busplay.description.read_link import KNOWN_WIDTHS
from busplay.description.toml_reader import one_of, show_number, show_string, show_value
from busplay.errors import InputError

Plain = dict[str, object]
Description = TypeVar("Description")

_FRAMINGS: dict[str, type[StrobeFraming | MarkerFraming | CheckFraming]] = {
    "strobe": StrobeFraming,
    "marker": MarkerFraming,
    "check": CheckFraming,
}
# Attributes added after the first traces: left out at their defaults, so that the same
# board gives the same dict as before.
_LEFT_OUT_AT_DEFAULT: frozenset[tuple[type, str]] = frozenset(
    {
        (Link, "idle_every"),
        (Board, "devices"),
        (Board, "banks"),
        (Window, "page"),
        (Acia6551, "pins"),
        *((Unit, name) for name in ("mode", "columns", "rows", "cell_bytes", "font")),
        *((Unit, name) for name in ("font_offset", "pages", "page_bytes")),
    }
)
_TAGS: dict[type, str] = {
    **dict.fromkeys(_FRAMINGS.values(), "method"),
    **dict.fromkeys(DEVICE_CLASSES.values(), "kind"),
}
_TEXT_MAX = 10_000
_ARRAY_MAX = 4_096


def link_to_plain(link: Link) -> Plain:
    """Turn a link to a dict that JSON can hold; `file` is left out."""
    return _table(link)


def board_to_plain(board: Board) -> Plain:
    """Turn a board, its link included, to a dict that JSON can hold.

    `file` is left out, and an image's path becomes its bare name.
    """
    return _table(board)


def link_from_plain(plain: object, *, file: str = "", place: str = "link") -> Link:
    """Turn a dict of `link_to_plain` back.

    Args:
        plain: anything; it may come from a damaged file.
        file: where it stood; for messages, here and later.
        place: what messages call the dict.

    Raises:
        InputError: it is no such dict, or no frame can be laid out by it.
    """
    link = _Reader(file).description(plain, Link, place)
    _require_layout(link, file, place)
    return link


def board_from_plain(plain: object, *, file: str = "", place: str = "board") -> Board:
    """Turn a dict of `board_to_plain` back; images have bare names as paths.

    Args:
        plain: anything; it may come from a damaged file.
        file: where it stood; for messages, here and later.
        place: what messages call the dict.

    Raises:
        InputError: it is no such dict, no frame can be laid out by its link, or no picture
            by its units.
    """
    board = _Reader(file).description(plain, Board, place)
    _require_layout(board.link, file, f"{place}.link")
    _require_pictures(board, file, place)
    _require_ranges_apart(board, file, place)
    _require_devices(board, file, place)
    _require_banks(board, file, place)
    return board


# -- there


def _table(description: object) -> Plain:
    plain: Plain = {}
    for method, kind in _FRAMINGS.items():
        if isinstance(description, kind):
            plain["method"] = method
    for tag, device in DEVICE_CLASSES.items():
        if isinstance(description, device):
            plain["kind"] = tag
    own: type = type(description)
    for name, attribute in attributes_of(own).items():
        value = getattr(description, name)
        if value != attribute.default or (own, name) not in _LEFT_OUT_AT_DEFAULT:
            plain[name] = _value(value)
    return plain


def _value(value: object) -> object:
    if dataclasses.is_dataclass(value):
        return _table(value)
    if isinstance(value, tuple):
        return [_value(one) for one in value]
    if isinstance(value, dict):
        return {key: _value(one) for key, one in value.items()}
    if isinstance(value, Path):
        return value.name
    return value


# -- and back


class _Reader:
    def __init__(self, file: str) -> None:
        self._file = file

    def error(self, place: str, found: str, wanted: str) -> InputError:
        return InputError(file=self._file or None, place=place, found=found, wanted=wanted)

    def description(self, plain: object, kind: type[Description], place: str) -> Description:
        if not isinstance(plain, dict):
            raise self.error(place, show_value(plain), "a table belongs here")
        values: dict[str, object] = {}
        own: type = kind
        attributes = attributes_of(own)
        for key in plain:
            if key not in attributes and not (key == _TAGS.get(own)):
                raise self.error(
                    place,
                    f"the key {show_string(str(key))}",
                    "this version of busplay does not know it; a later one may",
                )
        for name, one in attributes.items():
            if name in plain and one.can_be_none and plain[name] is None:
                values[name] = None
            elif name in plain:
                values[name] = self.value(plain[name], one.type, f"{place}.{name}", kind, name)
            elif one.default is dataclasses.MISSING:
                raise self.error(place, f"no {name}", "it belongs here")
        if kind in (Link, Board):
            values[FILE] = self._file
        return kind(**values)

    def value(self, plain: object, hint: object, place: str, owner: type, name: str) -> object:
        if hint == Framing:
            return self.framing(plain, place)
        if hint == Device:
            return self.device(plain, place)
        origin = get_origin(hint)
        if origin is Literal:
            options = get_args(hint)
            if not isinstance(plain, str) or plain not in options:
                raise self.error(place, show_value(plain), f"one of {one_of(options)} belongs here")
            return plain
        if origin is tuple:
            return self.array(plain, get_args(hint), place, owner, name)
        if origin is dict:
            return self.entries(plain, get_args(hint)[1], place)
        if hint is int:
            return self.integer(plain, place, *LIMITS.get((owner, name), (0, INTEGER_MAX)))
        if hint is bool:
            if not isinstance(plain, bool):
                raise self.error(place, show_value(plain), "true or false belongs here")
            return plain
        if hint is str:
            return self.text(plain, place)
        if hint is Path:
            text = self.text(plain, place)
            if "/" in text or "\\" in text or "\0" in text:
                raise self.error(place, show_value(plain), "a bare file name belongs here")
            return Path(text)
        if isinstance(hint, type) and dataclasses.is_dataclass(hint):
            return self.description(plain, hint, place)
        raise TypeError(f"{owner.__name__}.{name} has a type that plain descriptions do not hold")

    def framing(self, plain: object, place: str) -> object:
        method = plain.get("method") if isinstance(plain, dict) else None
        if not isinstance(method, str) or method not in _FRAMINGS:
            raise self.error(
                f"{place}.method", show_value(method), f"one of {one_of(_FRAMINGS)} belongs here"
            )
        return self.description(plain, _FRAMINGS[method], place)

    def array(
        self, plain: object, kinds: tuple[object, ...], place: str, owner: type, name: str
    ) -> tuple[object, ...]:
        if not isinstance(plain, list):
            raise self.error(place, show_value(plain), "an array belongs here")
        if kinds[-1] is Ellipsis:
            if len(plain) > _ARRAY_MAX:
                raise self.error(place, show_value(plain), f"up to {_ARRAY_MAX:,} belong here")
            kinds = (kinds[0],) * len(plain)
        elif len(plain) != len(kinds):
            raise self.error(place, show_value(plain), f"an array of {len(kinds)} belongs here")
        return tuple(
            self.value(one, kind, f"{place}[{i}]", owner, name)
            for i, (one, kind) in enumerate(zip(plain, kinds, strict=True))
        )

    def device(self, plain: object, place: str) -> object:
        kind = plain.get("kind") if isinstance(plain, dict) else None
        found = DEVICE_CLASSES.get(kind) if isinstance(kind, str) else None
        return self.description(plain, found or CustomDevice, place)

    def entries(self, plain: object, hint: object, place: str) -> dict[str, object]:
        if not isinstance(plain, dict):
            raise self.error(place, show_value(plain), "a table belongs here")
        return {
            self.text(key, place): self.entry(one, hint, f"{place}.{key[:40]}")
            for key, one in plain.items()
        }

    def entry(self, plain: object, hint: object, place: str) -> object:
        """Read one entry of a table: a number, or in a device's tables a text or a boolean too."""
        if isinstance(plain, str) and hint is not int:
            return self.text(plain, place)
        if isinstance(plain, bool) and hint not in (int, str):
            return plain
        if hint is str:
            raise self.error(place, show_value(plain), "a string belongs here")
        least = 0 if hint is int else -INTEGER_MAX
        return self.integer(plain, place, least, INTEGER_MAX)

    def integer(self, plain: object, place: str, first: int, last: int) -> int:
        if isinstance(plain, bool) or not isinstance(plain, int):
            raise self.error(place, show_value(plain), "a whole number belongs here")
        if not first <= plain <= last:
            raise self.error(place, show_number(plain), f"{first:,} to {last:,} belongs here")
        return plain

    def text(self, plain: object, place: str) -> str:
        if not isinstance(plain, str) or len(plain) > _TEXT_MAX:
            shown = show_value(plain) if not isinstance(plain, str) else f"{len(plain):,} letters"
            raise self.error(place, shown, f"a string of up to {_TEXT_MAX:,} letters belongs here")
        if any(0xD800 <= ord(one) <= 0xDFFF for one in plain):
            raise self.error(place, "half of a surrogate pair", "a string that can be printed")
        return plain


# -- what a layout and a picture need


def _require_layout(link: Link, file: str, place: str) -> None:
    def error(key: str, found: str, wanted: str) -> InputError:
        return _Reader(file).error(f"{place}.{key}", found, wanted)

    names = [one.name for one in link.fields]
    bits = {one.name: one.bits for one in link.fields}
    double = [name for name, count in Counter(names).items() if count > 1]
    if double:
        raise error("fields", f"two named {show_string(double[0])}", "each has its own name")
    frame_bits = sum(bits.values())
    if not 1 <= frame_bits <= 64 or frame_bits % link.lanes:
        raise error(
            "fields",
            f"{frame_bits} bits",
            f"1 to 64 that fill whole symbols of {link.lanes} bits belong here",
        )
    for i, one in enumerate(link.fields):
        if one.value is not None and one.value >> one.bits:
            raise error(f"fields[{i}].value", show_number(one.value), f"it has {one.bits} bits")
        if one.name in KNOWN_WIDTHS:
            first, last, reason = KNOWN_WIDTHS[one.name]
            if one.value is not None:
                raise error(f"fields[{i}].value", "a constant", f"the sender fills {one.name}")
            if not first <= one.bits <= last:
                raise error(f"fields[{i}].bits", str(one.bits), f"{first} to {last}, as {reason}")
    constants = {one.name: one.value for one in link.fields if one.value is not None}
    check = link.check
    if check is not None:
        if check.field not in bits:
            raise error("check.field", show_string(check.field), "a field of that name is missing")
        if check.field in constants:
            raise error("check.field", show_string(check.field), "a constant cannot be the check")
        for key in ("polynomial", "initial", "xor"):
            if getattr(check, key) >> bits[check.field]:
                shown = show_number(getattr(check, key))
                raise error(f"check.{key}", shown, f"the check has {bits[check.field]} bits")
        covers = set(check.covers)
        if len(covers) != len(check.covers) or not covers <= set(names) - {check.field}:
            raise error("check.covers", ", ".join(check.covers), "other fields, each once")
    for name, value in link.idle.items():
        if name not in bits or (check is not None and name == check.field):
            raise error("idle", show_string(name), "a field other than the check belongs here")
        if value >> bits[name] or constants.get(name, value) != value:
            raise error(f"idle.{name}", show_number(value), f"it has {bits[name]} bits")
    framing = link.framing
    if isinstance(framing, MarkerFraming):
        if not 1 <= len(framing.symbols) <= frame_bits // link.lanes:
            raise error(
                "framing.symbols",
                f"{len(framing.symbols)} symbols",
                f"1 to {frame_bits // link.lanes} belong here",
            )
        if any(one >> link.lanes for one in framing.symbols):
            raise error(
                "framing.symbols",
                show_number(max(framing.symbols)),
                f"a symbol has {link.lanes} bits",
            )


def _require_pictures(board: Board, file: str, place: str) -> None:
    reader = _Reader(file)
    names = [one.name for one in board.units]
    if len(set(names)) != len(names):
        raise reader.error(f"{place}.units", "two of one name", "each has its own name")
    for i, unit in enumerate(board.units):
        where = f"{place}.units[{i}]"
        if unit.bits_per_pixel not in (1, 2, 4, 8):
            raise reader.error(
                f"{where}.bits_per_pixel", str(unit.bits_per_pixel), "1, 2, 4 or 8 belongs here"
            )
        if len(unit.palette) != 1 << unit.bits_per_pixel:
            raise reader.error(
                f"{where}.palette",
                f"{len(unit.palette)} colours",
                f"{1 << unit.bits_per_pixel} belong here",
            )
        _require_cells(reader, unit, where)
    memory_bytes = sum(unit.memory_bytes for unit in board.units)
    if memory_bytes > ALL_MEMORY_BYTES_MAX:
        raise reader.error(
            f"{place}.units",
            f"{memory_bytes:,} bytes of display memory",
            f"up to {ALL_MEMORY_BYTES_MAX:,} together belong here",
        )
    for i, window in enumerate(board.windows):
        if window.unit not in names:
            raise reader.error(
                f"{place}.windows[{i}].unit",
                show_string(window.unit),
                f"one of {one_of(names)} belongs here" if names else "the board has no units",
            )


def _require_cells(reader: _Reader, unit: Unit, where: str) -> None:
    """Refuse text without a font or cells, and what goes past the end of memory."""
    if unit.is_text:
        font = unit.font
        if font is None:
            raise reader.error(f"{where}.font", "none", "text needs one")
        _require_glyphs(reader, font, f"{where}.font")
        size = unit.columns * font.width_px, unit.rows * font.height_px
        if size != (unit.width_px, unit.height_px) or not unit.rows:
            raise reader.error(
                f"{where}.columns",
                f"{unit.columns} x {unit.rows} cells",
                f"{unit.width_px} x {unit.height_px} pixels of the font belong here",
            )
        if unit.bits_per_pixel == 8:
            raise reader.error(f"{where}.bits_per_pixel", "8", "1, 2 or 4 belong here")
        if unit.font_offset is not None:
            stop = unit.font_offset + GLYPHS * font.height_px
            if stop > unit.memory_bytes:
                raise reader.error(
                    f"{where}.font_offset",
                    show_number(unit.font_offset),
                    f"the font ends at {stop:,}, memory at {unit.memory_bytes:,}",
                )
    if unit.pages > 1 and not unit.page_bytes:
        raise reader.error(f"{where}.page_bytes", "0", "1 or more belong here")


def _require_glyphs(reader: _Reader, font: Font, where: str) -> None:
    if len(font.glyphs) != GLYPHS:
        raise reader.error(f"{where}.glyphs", f"{len(font.glyphs)} glyphs", f"{GLYPHS} belong here")
    for code, glyph in enumerate(font.glyphs):
        if not re.fullmatch(f"[0-9a-f]{{{2 * font.height_px}}}", glyph):
            raise reader.error(
                f"{where}.glyphs[{code}]",
                show_string(glyph),
                f"{2 * font.height_px} hex digits belong here",
            )


def _require_ranges_apart(board: Board, file: str, place: str) -> None:
    """Refuse ranges of addresses that are the wrong way round, or that share an address."""
    memory = [
        AddressRange(f"memory[{i}]", one.first_address, one.last_address)
        for i, one in enumerate(board.memory)
    ]
    banks = [
        AddressRange(f"banks[{i}]", one.first_address, one.last_address)
        for i, one in enumerate(board.banks)
    ]
    # A boot overlay may lie over memory, but not over another bank.
    memory += [span for span, one in zip(banks, board.banks, strict=True) if not one.is_overlay]
    windows = [
        AddressRange(f"windows[{i}]", one.first_address, one.last_address)
        for i, one in enumerate(board.windows)
    ]
    devices = [device_range(one, place=f"devices[{i}]") for i, one in enumerate(board.devices)]
    port = [host_port_range(board.host_port)] if board.host_port is not None else []
    # Windows of different pages may share addresses.
    pages = {f"windows[{i}]": one.page for i, one in enumerate(board.windows)}
    for apart in (memory, banks, [*windows, *port, *devices], [*memory, *port, *devices]):
        for i, one in enumerate(apart):
            if one.last_address < one.first_address:
                raise _Reader(file).error(
                    f"{place}.{one.label}", str(one), "the last address is the first or above"
                )
            for other in apart[:i]:
                page, its = pages.get(one.label), pages.get(other.label)
                if page is not None and its is not None and page != its:
                    continue
                if one.first_common(other) is not None:
                    found = f"{one}, which overlaps {other.label} ({other})"
                    raise _Reader(file).error(f"{place}.{one.label}", found, "ranges lie apart")


def _require_devices(board: Board, file: str, place: str) -> None:
    """Refuse two devices of one name, and pins that are connected to nothing known."""
    reader = _Reader(file)
    names = [one.name for one in board.devices]
    if len(set(names)) != len(names):
        raise reader.error(f"{place}.devices", "two of one name", "each has its own name")
    for i, one in enumerate(board.devices):
        if isinstance(one, CustomDevice):
            continue
        where = f"{place}.devices[{i}].pins"
        for key, text in one.pins.items():
            if key not in one.pin_keys:
                raise reader.error(where, show_string(key), f"no {one.kind} has such a pin")
            try:
                pin_uses(key, text)
            except ValueError as error:
                raise reader.error(f"{where}.{key}", show_string(text), str(error)) from None
        for use in lines_of(one):
            fault = fault_of_line(use, board.devices)
            if fault:
                found = show_string(one.pins[use.pin])
                raise reader.error(f"{where}.{use.pin}", found, fault)


def _require_banks(board: Board, file: str, place: str) -> None:
    """Refuse banks that have no room, or that depend on nothing known."""
    reader = _Reader(file)
    vias = [one.name for one in board.devices if isinstance(one, Via6522)]
    for i, bank in enumerate(board.banks):
        where = f"{place}.banks[{i}]"
        for text in bank.bits:
            try:
                bit = select_bit(text)
            except ValueError as error:
                raise reader.error(f"{where}.select", show_string(text), str(error)) from None
            if (bit.device or bank.latch_address is None) and bit.device not in vias:
                raise reader.error(f"{where}.select", show_string(text), "nothing has that bit")
        if bank.is_overlay and (bank.kind, bank.pages) != ("rom", 1):
            raise reader.error(
                where, f"{bank.pages} pages of {bank.kind}", "an overlay is 1 of rom"
            )
        if len(bank.select) > SELECT_BITS_MAX:
            raise reader.error(
                f"{where}.select", str(len(bank.select)), f"up to {SELECT_BITS_MAX} belong here"
            )
    for i, window in enumerate(board.windows):
        under = board.bank_at(window.first_address)
        if window.page is not None and (
            under is None
            or under != board.bank_at(window.last_address)
            or window.page >= board.banks[under].pages
        ):
            where = f"{place}.windows[{i}].page"
            raise reader.error(where, str(window.page), "no bank under it has that page")
    total = sum(one.pages * one.page_bytes for one in board.banks)
    if total > BANKED_BYTES_MAX:
        raise reader.error(f"{place}.banks", f"{total:,} bytes", f"up to {BANKED_BYTES_MAX:,}")
