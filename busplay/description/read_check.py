"""Read a link file's check table."""

from __future__ import annotations

from busplay.description.attributes import keys_of
from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.link import Check, Field
from busplay.description.toml_reader import Table, did_you_mean, one_of, show_string

CHECK_KEYS = keys_of(Check)
CUSTOM = "custom"
KNOWN_NAMES = ("space", "unit", "sequence", "address", "data")


def read_check(table: Table, fields: tuple[Field, ...]) -> Check:
    """Read which field is the check, how it is computed, and what it covers.

    Raises:
        DescriptionError: a field is unknown, the widths differ, or it covers itself.
    """
    field = _read_field(table, fields)
    kind = table.choice("kind", (*CHECK_CATALOGUE, CUSTOM))
    last = (1 << field.bits) - 1
    hint = f", which {field.bits} bits hold"
    if kind == CUSTOM:
        polynomial = _read_polynomial(table, last, field.bits)
        default_initial = default_xor = 0
    else:
        entry = CHECK_CATALOGUE[kind]
        if entry.bits != field.bits:
            raise table.error(
                "kind",
                found=show_string(kind),
                wanted=f"that takes {entry.bits} bits and field {field.name} has {field.bits}, "
                f"so give the field {entry.bits} or take {_kinds_of(field.bits)}",
            )
        if "polynomial" in table:
            raise table.error(
                "polynomial",
                found="a polynomial besides a kind that has its own",
                wanted='take the line out or say kind = "custom"',
            )
        polynomial = entry.polynomial
        default_initial, default_xor = entry.initial, entry.xor
    return Check(
        field=field.name,
        kind=kind,
        polynomial=polynomial,
        initial=table.integer("initial", 0, last, default=default_initial, hint=hint),
        xor=table.integer("xor", 0, last, default=default_xor, hint=hint),
        covers=_read_covers(table, fields, field),
    )


def _kinds_of(bits: int) -> str:
    """List the kinds of check that fit a width."""
    return one_of([name for name, one in CHECK_CATALOGUE.items() if one.bits == bits] + [CUSTOM])


def _read_field(table: Table, fields: tuple[Field, ...]) -> Field:
    name = table.text("field", wanted="name the field that holds the check")
    field = next((one for one in fields if one.name == name), None)
    if field is None:
        raise _unknown_field(table, "field", name, fields)
    if name in KNOWN_NAMES:
        raise table.error(
            "field",
            found=show_string(name),
            wanted=f"{name} has a meaning of its own, so give the check a field of its own",
        )
    if field.value is not None:
        raise table.error(
            "field",
            found=show_string(name),
            wanted=f"that field has the constant {field.value}, so take its value out",
        )
    if len(fields) == 1:
        raise table.error(
            "field",
            found=show_string(name),
            wanted="there is no other field to check, so add one",
        )
    return field


def _unknown_field(table: Table, key: str, name: str, fields: tuple[Field, ...]) -> Exception:
    names = [one.name for one in fields]
    hint = did_you_mean(name, names, otherwise=f"the fields are {', '.join(names)}")
    return table.error(key, found=show_string(name), wanted=f"no field has that name; {hint}")


def _read_polynomial(table: Table, last: int, bits: int) -> int:
    polynomial = table.integer(
        "polynomial",
        1,
        last,
        hint=f" (field of {bits} bits: the highest term, x^{bits}, is left out)",
    )
    if polynomial % 2 == 0:
        # Without the +1 the lowest check bit says nothing; mostly it is the reversed notation.
        raise table.error(
            "polynomial",
            found=f"0x{polynomial:X}",
            wanted="its lowest bit, the term 1, must be set: write it highest term first, "
            "not reversed",
        )
    return polynomial


def _read_covers(table: Table, fields: tuple[Field, ...], check: Field) -> tuple[str, ...]:
    wanted = "give an array of field names"
    names = table.optional_strings("covers", wanted=wanted)
    if names is None:
        return tuple(one.name for one in fields if one.name != check.name)
    for index, name in enumerate(names):
        key = f"covers[{index}]"
        if not any(one.name == name for one in fields):
            raise _unknown_field(table, key, name, fields)
        if name == check.name:
            raise table.error(
                key, found=show_string(name), wanted="a check cannot cover itself, so take it out"
            )
        if name in names[:index]:
            raise table.error(
                key, found=show_string(name), wanted="it is named before, so take it out"
            )
    # Kept in wire order, which is the order in which the division runs.
    return tuple(one.name for one in fields if one.name in names)
