"""The names of labels: local ones with the label that they belong to.

How to think about it. Assemblers allow one local name many times, once below each label, so alone
it names nothing. A local label is named with its parent: `draw@row`, `draw.row`. The parent is what
a debug file says, else the nearest label before it that is not local. A label in a scope of ca65 is
named with that: `screen::clear`. It is local to a routine if the scope is that routine's, which is
so if `screen` is a label too.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Mapping

from busplay.description.full_address import page_of

Labels = Mapping[int, tuple[str, ...]]
"""Full address (`description.full_address`) to the labels there."""

SCOPE_MARK = "::"
_LOCAL_MARKS = ("@", ".")
# Made up by compilers for jumps within a function, and by linkers for sizes of segments.
_MADE_UP = re.compile(r"L[0-9A-F]{4}|__\w+__")


def is_bare(name: str) -> bool:
    """Whether a name is that of a local label without its parent."""
    return name.startswith(_LOCAL_MARKS)


def is_made_up(name: str) -> bool:
    """Whether a compiler or linker made a name up."""
    return _MADE_UP.fullmatch(last_part(name)) is not None


def last_part(name: str) -> str:
    """Return a label's name as its source has it: `@row` of `screen::draw@row`."""
    name = name.rpartition(SCOPE_MARK)[2]
    places = [at for at in map(name.rfind, _LOCAL_MARKS) if at > 0]
    return name[max(places, default=0) :]


def named_with_parents(labels: Labels, known: Labels | None = None) -> dict[int, tuple[str, ...]]:
    """Return labels with the local ones named with their parents, behind the others.

    Args:
        labels: as listed.
        known: names with parents, where they are known.
    """
    known = known or {}
    listed = {
        address: tuple(_known(name, known.get(address, ())) for name in names)
        for address, names in labels.items()
    }
    parents = {
        address: name
        for address, names in listed.items()
        for name in reversed(names)
        if not is_bare(name) and not is_made_up(name) and "@" not in name
    }
    starts = sorted(parents)
    found: dict[int, tuple[str, ...]] = {}
    for address, names in sorted(listed.items()):
        index = bisect_right(starts, address)
        is_near = index and page_of(starts[index - 1]) == page_of(address)
        parent = parents[starts[index - 1]] if is_near else ""
        in_order = sorted(names, key=lambda name: "@" in name or is_bare(name))
        full = (f"{parent}{name}" if is_bare(name) else name for name in in_order)
        found[address] = tuple(dict.fromkeys(full))
    return found


def _known(name: str, others: Iterable[str]) -> str:
    return next((one for one in others if last_part(one) == last_part(name)), name)


def routine_labels(labels: Labels) -> dict[int, tuple[str, ...]]:
    """Return the labels that begin routines: those that are not local and not made up."""
    every = {name for names in labels.values() for name in names}

    def begins_routine(name: str) -> bool:
        if is_bare(name) or "@" in name or is_made_up(name) or name.startswith("__"):
            return False
        heads = (name.rpartition(mark)[0] for mark in (SCOPE_MARK, "."))
        return not any(head in every for head in heads)

    found = {address: tuple(filter(begins_routine, names)) for address, names in labels.items()}
    return {address: names for address, names in found.items() if names}
