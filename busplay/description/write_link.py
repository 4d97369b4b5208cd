"""Write a link as the TOML that `parse_link` reads back to the same link."""

from __future__ import annotations

import json

from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.link import Check, Field, Link, MarkerFraming, StrobeFraming

DELETE = 0x7F


def link_toml(link: Link) -> str:
    """Write a link as a link file's text.

    Args:
        link: sound, as `load_link` gives it; its `file` is left out.

    >>> from busplay.link.load import load_link, parse_link
    >>> text = link_toml(load_link("lean"))
    >>> parse_link(text, file="lean.toml") == load_link("lean")
    True
    """
    lines = [f"name = {toml_string(link.name)}"]
    if link.description:
        lines.append(f"description = {toml_string(link.description)}")
    lines += ["", f"lanes = {link.lanes}", f'edges = "{link.edges}"']
    if link.clock_hz is None:
        lines.append('clock = "processor"')
    else:
        lines.append(f"clock_hz = {link.clock_hz:_}")
    lines.append(f'start = "{link.start}"')
    if link.lanes > 1 or link.first_bit_lane != "highest":
        lines.append(f'first_bit_lane = "{link.first_bit_lane}"')
    if link.idle_every is not None:
        lines.append(f"idle_every = {link.idle_every}")
    for field in link.fields:
        lines += _field_lines(field)
    if link.check is not None:
        lines += _check_lines(link.check, link)
    lines += _framing_lines(link)
    if link.idle:
        lines += ["", "[idle]"]
        lines += [f"{name} = {value}" for name, value in link.idle.items()]
    return "\n".join(lines) + "\n"


def toml_string(text: str) -> str:
    """Write a text as a TOML string."""
    # JSON's escapes are TOML's, but for one character that JSON lets stand.
    return json.dumps(text, ensure_ascii=False).replace(chr(DELETE), f"\\u{DELETE:04X}")


def _field_lines(field: Field) -> list[str]:
    lines = ["", "[[fields]]", f'name = "{field.name}"', f"bits = {field.bits}"]
    if field.value is not None:
        lines.append(f"value = 0x{field.value:X}")
    if field.order != "high_first":
        lines.append(f'order = "{field.order}"')
    return lines


def _check_lines(check: Check, link: Link) -> list[str]:
    lines = ["", "[check]", f'field = "{check.field}"', f'kind = "{check.kind}"']
    entry = CHECK_CATALOGUE.get(check.kind)
    if entry is None:
        lines.append(f"polynomial = 0x{check.polynomial:X}")
    if check.initial != (entry.initial if entry else 0):
        lines.append(f"initial = 0x{check.initial:X}")
    if check.xor != (entry.xor if entry else 0):
        lines.append(f"xor = 0x{check.xor:X}")
    others = tuple(one.name for one in link.fields if one.name != check.field)
    if check.covers != others:
        lines.append(f"covers = [{', '.join(toml_string(name) for name in check.covers)}]")
    return lines


def _framing_lines(link: Link) -> list[str]:
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        return [
            "",
            "[framing]",
            'method = "strobe"',
            f'span = "{framing.span}"',
            f'active = "{framing.active}"',
            f"gap_symbols = {framing.gap_symbols}",
        ]
    lines = ["", "[framing]"]
    if isinstance(framing, MarkerFraming):
        symbols = ", ".join(f"0x{one:X}" for one in framing.symbols)
        lines += ['method = "marker"', f"symbols = [{symbols}]", f'rule = "{framing.rule}"']
        if framing.rule == "confirm":
            lines.append(f"confirm_frames = {framing.confirm_frames}")
    else:
        lines += ['method = "check"', f"confirm_frames = {framing.confirm_frames}"]
    lines.append(f"release_frames = {framing.release_frames}")
    return lines
