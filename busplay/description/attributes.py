"""Tables of a description file as dataclasses: attributes are keys.

The dataclasses say what may stand in a table: types, defaults, and the ranges in `limits`. So a
new attribute needs no line here. What depends on other values of a file is left to its readers.
"""

from __future__ import annotations

import dataclasses
import types
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from busplay.description.limits import LIMITS
from busplay.description.toml_reader import Table, show_value

# An event that is rarer than this never comes.
RATIO_MIN = 1e-12
RATIO_WANTED = "give a probability: 0, 1, or between 1e-12 and 1, such as 1e-4"
# Where a description was read from, which is no part of it.
FILE = "file"


@dataclasses.dataclass(frozen=True, slots=True)
class Attribute:
    """What a description's class says of one attribute.

    Attributes:
        type: without None.
        can_be_none: it may be left out, and is None then.
        default: what it is when it is left out; `MISSING` of dataclasses: it must be there.
    """

    type: Any
    can_be_none: bool
    default: Any

    @property
    def is_table(self) -> bool:
        """Whether it is a description itself."""
        return dataclasses.is_dataclass(self.type)


@cache
def attributes_of(kind: type) -> dict[str, Attribute]:
    """Return the attributes of a description's class but `file`, by name."""
    if not dataclasses.is_dataclass(kind):
        raise TypeError(f"{kind} is no description")
    hints = get_type_hints(kind)
    found = {}
    for one in dataclasses.fields(kind):
        hint = hints[one.name]
        options = get_args(hint) if get_origin(hint) in (types.UnionType, Union) else (hint,)
        can_be_none = type(None) in options
        default = one.default
        if one.default_factory is not dataclasses.MISSING:
            default = one.default_factory()
        if can_be_none:
            hint = next(option for option in options if option is not type(None))
        found[one.name] = Attribute(hint, can_be_none, default)
    found.pop(FILE, None)
    return found


def keys_of(kind: type, *, without: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Return the keys of a class's table; a span's stand in the table itself."""
    keys: list[str] = []
    for name, one in attributes_of(kind).items():
        if name in without:
            continue
        if one.is_table:
            keys += keys_of(one.type)
        else:
            keys.append(name)
    return tuple(keys)


def read_keys(table: Table, kind: type, *names: str) -> dict[str, Any]:
    """Read some attributes of a class from a table, or all.

    Raises:
        DescriptionError: a value is of another type or out of its range, or it is missing.
    """
    return {name: read_key(table, kind, name) for name in names or attributes_of(kind)}


def read_key(table: Table, kind: type, key: str, *, default: Any = None) -> Any:
    """Read one attribute of a class from a table.

    Args:
        default: where the class has none; None: it must be there.

    Raises:
        DescriptionError: the value is of another type or out of its range, or it is missing.
    """
    one = attributes_of(kind)[key]
    if one.is_table:
        return one.type(**read_keys(table, one.type))
    is_left_out = key not in table
    if is_left_out and default is None and one.default is not dataclasses.MISSING:
        return one.default
    if one.type is int:
        return table.integer(
            key,
            *LIMITS[kind, key],
            default=default,
            address=key.endswith(("address", "offset")),
            hint=" (1 GHz)" if key == "clock_hz" else "",
        )
    if one.type is bool:
        return table.boolean(key)
    if one.type is float:
        return _read_ratio(table, key)
    if get_origin(one.type) is Literal:
        return table.choice(key, get_args(one.type), default=default)
    if one.type == tuple[int, ...]:
        return table.integers(key, *LIMITS[kind, key], wanted="give an array of whole numbers")
    raise TypeError(f"{kind.__name__}.{key} has a type that is not read by itself")


def _read_ratio(table: Table, key: str) -> float:
    value = table.value(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not is_ratio(value):
        raise table.error(key, found=show_value(value), wanted=RATIO_WANTED)
    return float(value)


def is_ratio(value: float) -> bool:
    """Return whether it is a probability that can be injected."""
    return value == 0 or RATIO_MIN <= value <= 1
