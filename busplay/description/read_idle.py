"""Read a link file's idle table: what the fields of an idle frame hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busplay.description.link import Link, StrobeFraming
from busplay.description.toml_reader import Table
from busplay.link.layout import FrameLayout


def read_idle(table: Table, link: Link) -> Link:
    """Return the link with the values that its file states for idle frames.

    Raises:
        DescriptionError: a value does not fit, is the check's, or contradicts a constant, the
            marker, or the meaning of space 0.
    """
    names = table.present_keys()
    if names and isinstance(link.framing, StrobeFraming):
        raise table.error(
            names[0],
            found="a value for idle frames",
            wanted="with a strobe nothing is sent between frames, so take [idle] out",
        )
    stated = {}
    for name in names:
        value = _read_value(table, name, link)
        field = link.field_named(name)
        if field is not None and field.value is None:
            stated[name] = value
    link = replace(link, idle={name: value for name, value in stated.items() if value})
    _require_marker_agrees(table, stated, link)
    return link


def _read_value(table: Table, name: str, link: Link) -> int:
    if link.check is not None and name == link.check.field:
        raise table.error(
            name,
            found="a value for the check field",
            wanted="it is worked out from the others, so take the line out",
        )
    field = link.field_named(name)
    if field is None:
        raise ValueError(f"the idle table was opened with {name!r}, which is no field")
    last = (1 << field.bits) - 1
    value = table.integer(name, 0, last, hint=f", which {field.bits} bits hold")
    if field.value is not None and value != field.value:
        raise table.error(
            name,
            found=str(value),
            wanted=f"the field is always {field.value} on this link, so take the line out",
        )
    if name == "space" and value:
        raise table.error(name, found=str(value), wanted="space 0 says idle, so take the line out")
    return value


def _require_marker_agrees(table: Table, stated: dict[str, int], link: Link) -> None:
    """Refuse a value whose bits the marker overwrites with others."""
    layout = FrameLayout(link)
    word = np.array([layout.idle_word], np.uint64)
    for name, value in stated.items():
        carried = int(layout.unpack_field(word, name)[0])
        if carried != value:
            raise table.error(
                name,
                found=str(value),
                wanted=f"the marker's symbols make it {carried}, so take the line out or change "
                "framing.symbols",
            )
