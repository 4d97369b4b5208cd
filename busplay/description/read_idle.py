"""Read a link file's idle table: what the fields of an idle frame hold."""

from __future__ import annotations

from busplay.description.link import Link, StrobeFraming
from busplay.description.toml_reader import Table


def read_idle(table: Table, link: Link) -> dict[str, int]:
    """Read the values that a link's file states for idle frames, zeros included.

    Raises:
        DescriptionError: a value does not fit, is the check's, or contradicts a constant or the
            meaning of space 0.
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
    return stated


def _read_value(table: Table, name: str, link: Link) -> int:
    if link.check is not None and name == link.check.field:
        raise table.error(
            name,
            found="a value for the check field",
            wanted="it is computed from the others, so take the line out",
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
