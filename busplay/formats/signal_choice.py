"""Which wires of a capture are wanted: names to bits.

A capture declares variables of one or many bits; a batch has 64 bits at most. A name is looked up
as it is written, then as the end of a full name, so that `clk` finds `top.board.clk` where no other
signal ends so.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from busplay.errors import InputError

MAX_SIGNALS = 64
_WITH_RANGE = re.compile(r"(.+?)\[(-?[0-9]{1,9})(?::(-?[0-9]{1,9}))?\]")
_SHOWN_NAMES = 8


@dataclass(frozen=True, slots=True)
class Variable:
    """A variable as a capture declares it.

    Attributes:
        base: full name without range: scopes and name with dots between.
        bits: wires it holds; 0: it is no wire.
        kind: the file's word for it.
        place: which storage it shares; aliases of one wire have the same.
        left, right: the range as declared, `right` being the lowest bit; None: it has none.
    """

    base: str
    bits: int
    kind: str
    place: int
    left: int | None = None
    right: int | None = None

    @property
    def name(self) -> str:
        """Full name with the range, if it has one."""
        if self.left is None:
            return self.base
        if self.right is None or (self.left == self.right and self.bits == 1):
            return f"{self.base}[{self.left}]"
        return f"{self.base}[{self.left}:{self.right}]"

    @property
    def lowest(self) -> int:
        """Index of the lowest bit."""
        if self.left is None:
            return 0
        return self.left if self.right is None else self.right

    @property
    def step(self) -> int:
        """Step of the index from a bit to the next higher one."""
        if self.left is None or self.right is None:
            return 1
        return 1 if self.left >= self.right else -1

    def bit_name(self, bit: int) -> str:
        """Full name of one wire; bit 0 is the lowest."""
        if self.bits == 1:
            return self.name
        return f"{self.base}[{self.lowest + bit * self.step}]"


@dataclass(frozen=True, slots=True)
class ChosenBit:
    """One wire that is wanted: bit `bit` (0 the lowest) of the storage `place`."""

    name: str
    place: int
    bit: int


def choose_signals(
    variables: Sequence[Variable], names: Iterable[str] | None, *, file: str
) -> tuple[ChosenBit, ...]:
    """Find the wires that are wanted, in the order in which they are named.

    Args:
        variables: what the capture declares.
        names: as `open_capture`; None: all wires, or 64 of them, aliases once.
        file: for messages.

    Raises:
        InputError: no signal has that name, several have, one is named twice, or there are
            more than 64.
    """
    if names is None:
        return _first_wires(variables)
    chosen: list[ChosenBit] = []
    for name in names:
        for bit in _find(variables, name, file):
            if any((bit.place, bit.bit) == (other.place, other.bit) for other in chosen):
                raise InputError(
                    file=file, found=f"signal {name!r} twice", wanted="name each wire once"
                )
            chosen.append(bit)
            if len(chosen) > MAX_SIGNALS:
                raise InputError(
                    file=file,
                    found=f"more than {MAX_SIGNALS} wires chosen",
                    wanted=f"{MAX_SIGNALS} can be read at a time",
                )
    return tuple(chosen)


def count_wires(variables: Sequence[Variable]) -> int:
    """Count the wires of a capture, aliases once."""
    return sum({variable.place: variable.bits for variable in reversed(variables)}.values())


def wire_names(variables: Sequence[Variable]) -> tuple[str, ...]:
    """Name the wires of a capture, aliases once, in its order.

    Vectors of more than 64 bits are left out: a memory has many, and none of them is a lane.
    """
    chosen: list[ChosenBit] = []
    places: set[int] = set()
    for variable in variables:
        if variable.place not in places:
            places.add(variable.place)
            if variable.bits > MAX_SIGNALS:
                continue
            chosen += _bits(variable, range(variable.bits))
    return tuple(bit.name for bit in chosen)


def signal_masks(variables: Sequence[Variable], chosen: Sequence[ChosenBit]) -> tuple[int, ...]:
    """Return for each variable the bits of a batch's level that it has; 0: none was chosen."""
    masks: dict[int, int] = {}
    for index, bit in enumerate(chosen):
        masks[bit.place] = masks.get(bit.place, 0) | 1 << index
    return tuple(masks.get(variable.place, 0) for variable in variables)


def _first_wires(variables: Sequence[Variable]) -> tuple[ChosenBit, ...]:
    """Take all wires; of more than 64 those that stand alone before those of vectors."""
    once: dict[int, Variable] = {}
    for variable in variables:
        once.setdefault(variable.place, variable)
    left = MAX_SIGNALS
    taken: set[int] = set()
    for variable in sorted(once.values(), key=lambda one: one.bits > 1):
        if 0 < variable.bits <= left:
            left -= variable.bits
            taken.add(variable.place)
    return tuple(
        bit
        for variable in once.values()
        if variable.place in taken
        for bit in _bits(variable, range(variable.bits))
    )


def _bits(variable: Variable, bits: Iterable[int]) -> Iterator[ChosenBit]:
    return (ChosenBit(variable.bit_name(bit), variable.place, bit) for bit in bits)


def _plain(name: str) -> str:
    """Drop what writers vary in: blanks, and the backslash of escaped names."""
    return re.sub(r"[\s\\]", "", name)


def _find(variables: Sequence[Variable], name: str, file: str) -> Iterator[ChosenBit]:
    wanted = _plain(name)
    wires = [variable for variable in variables if variable.bits]
    names = [(_plain(variable.name), variable) for variable in wires]
    exact = [variable for full, variable in names if full == wanted]
    found = _one(
        exact or [variable for full, variable in names if full.endswith("." + wanted)], name, file
    )
    if found is not None:
        return _bits(found, range(found.bits))
    match = _WITH_RANGE.fullmatch(wanted)
    if match is not None:
        base, left, right = match.group(1), int(match.group(2)), int(match.group(3) or match[2])
        found = _one(_of_base(wires, base), name, file)
        if found is not None:
            return _part(found, left, right, name, file)
    # A scope may be declared twice, with the same wires.
    parts = list({(one.name, one.place): one for one in _of_base(wires, wanted)}.values())
    if len(parts) > 1 and all(one.bits == 1 and one.left is not None for one in parts):
        # A vector that was written bit by bit.
        bases = {one.base for one in parts}
        indices = [one.left or 0 for one in parts]
        if len(bases) == 1 and len(set(indices)) == len(indices):
            return (
                bit
                for one in sorted(parts, key=lambda part: part.left or 0)
                for bit in _bits(one, [0])
            )
    found = _one(parts, name, file)
    if found is not None:
        return _bits(found, range(found.bits))
    raise _no_signal(wires, name, file)


def _of_base(wires: Sequence[Variable], base: str) -> list[Variable]:
    exact = [one for one in wires if _plain(one.base) == base]
    return exact or [one for one in wires if _plain(one.base).endswith("." + base)]


def _one(found: Sequence[Variable], name: str, file: str) -> Variable | None:
    """Take the one variable that was found; aliases and repeated declarations are one."""
    if not found:
        return None
    if len({one.place for one in found}) > 1 and len({one.name for one in found}) > 1:
        shown = ", ".join(dict.fromkeys(one.name for one in found[:_SHOWN_NAMES]))
        raise InputError(
            file=file,
            found=f"signal {name!r}, which {len(found)} signals are called",
            wanted=f"give more of the name: {shown}",
        )
    return found[0]


def _part(variable: Variable, left: int, right: int, name: str, file: str) -> Iterator[ChosenBit]:
    ends = [(index - variable.lowest) * variable.step for index in (left, right)]
    if not all(0 <= end < variable.bits for end in ends):
        raise InputError(
            file=file,
            found=f"signal {name!r}",
            wanted=f"{variable.name} has bits {variable.bit_name(0)} to"
            f" {variable.bit_name(variable.bits - 1)}",
        )
    return _bits(variable, range(min(ends), max(ends) + 1))


def _no_signal(wires: Sequence[Variable], name: str, file: str) -> InputError:
    names = list(dict.fromkeys(one.name for one in wires))
    close = difflib.get_close_matches(name, names[:2000], n=3, cutoff=0.6)
    shown = close or names[:_SHOWN_NAMES]
    more = "" if close or len(names) <= _SHOWN_NAMES else f" and {len(names) - _SHOWN_NAMES} more"
    return InputError(
        file=file,
        found=f"signal {name!r}, which is not in the capture",
        wanted=f"did you mean {' or '.join(close)}?"
        if close
        else f"it has {', '.join(shown)}{more}"
        if shown
        else "it has no wires",
    )
