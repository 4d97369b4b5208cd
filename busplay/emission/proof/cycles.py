"""The most cycles that a compiled function can take: the longest path through its instructions.

How to think about it. A listing of a linked program becomes instructions with their cycles and
successors. A call costs what its function costs at most, and goes on behind it. Where there is no
loop, the longest path is the answer. A loop is a set of instructions that reach each other: it is
entered at one of them, and goes round as often as its bound says, along its longest way round;
then it is left along the longest way out. Bounds come from the sources (`CycleBounds`); a loop
that shifts a value bit by bit, as compilers make on an AVR, goes round as often as the constant
before it says, or as the value has bits.

The result is a bound, not a measurement: a path may be longest that no data can take. It has no
wait states of flash memory and no interrupts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from busplay.emission.proof import instructions as table

Machine = Literal["cortex-m0plus", "avr"]

_FUNCTION = re.compile(r"^([0-9a-f]+) <(.+)>:$")
_INSTRUCTION = re.compile(r"^\s*([0-9a-f]+):\t((?:[0-9a-f]{2,8} )+)\s*\t([a-z.]+)\s*(.*)$")
_THUMB_TARGET = re.compile(r"^([0-9a-f]+) <")
_AVR_TARGET = re.compile(r"0x([0-9a-f]+)")


# Instructions before a loop among which its counter's constant is sought.
LOOK_BACK = 12
# The address after an instruction that goes on at a computed one.
NOWHERE = -1


class NoBoundError(Exception):
    """A loop has no bound, or an instruction is unknown; the message says where."""


@dataclass(frozen=True, slots=True)
class DisassembledLine:
    """One instruction.

    Attributes:
        address: of its first byte.
        function: whose it is.
        mnemonic: without a width.
        operands: behind it.
        cycles: at most, what it calls aside.
        following: addresses that may come next, within the function.
        calls: address of the function that it calls; None: none, or one that is not known.
    """

    address: int
    function: str
    mnemonic: str
    operands: str
    cycles: int
    following: tuple[int, ...]
    calls: int | None


@dataclass(slots=True)
class CycleBounds:
    """How often the loops of functions go round at most.

    Attributes:
        rounds: by the function's name.
        free: functions that count nothing.
    """

    rounds: Mapping[str, int]
    free: frozenset[str] = field(default_factory=frozenset)


class Listing:
    """A program as `objdump -d` lists it.

    Args:
        text: the listing.
        machine: whose instructions they are.
    """

    def __init__(self, text: str, machine: Machine) -> None:
        self.machine = machine
        self.entries: dict[str, int] = {}
        self.at: dict[int, DisassembledLine] = {}
        lines = self._parsed(text)
        addresses = [line[0] for line in lines]
        for (address, function, mnemonic, operands), after in zip(
            lines, [*addresses[1:], -1], strict=True
        ):
            made = _thumb if machine == "cortex-m0plus" else _avr
            skipped = -1
            if after in addresses:
                index = addresses.index(after) + 1
                skipped = addresses[index] if index < len(addresses) else -1
            self.at[address] = made(address, function, mnemonic, operands, after, skipped)

    def _parsed(self, text: str) -> list[tuple[int, str, str, str]]:
        lines = []
        function = ""
        for line in text.splitlines():
            if found := _FUNCTION.match(line):
                # Compilers mark variants of a function behind a dot.
                function = found[2].partition(".")[0]
                self.entries.setdefault(function, int(found[1], 16))
            elif found := _INSTRUCTION.match(line):
                mnemonic = found[3].removesuffix(".n").removesuffix(".w")
                lines.append((int(found[1], 16), function, mnemonic, found[4]))
        return lines

    def most_cycles(self, function: str, bounds: CycleBounds) -> int:
        """Return the most cycles from a function's first instruction to its return.

        Raises:
            NoBoundError: it is not there, or a loop has no bound.
        """
        if function not in self.entries:
            raise NoBoundError(f"there is no function {function}")
        return _PathSearch(self, bounds).function(self.entries[function])


def _thumb(
    address: int, function: str, mnemonic: str, operands: str, after: int, _: int
) -> DisassembledLine:
    found = _THUMB_TARGET.match(operands)
    target = int(found[1], 16) if found else None
    cycles, calls = 1, None
    following: tuple[int, ...] = (after,)
    if mnemonic in table.CORTEX_MANY or mnemonic.startswith(("ldm", "stm")):
        cycles += _registers(operands)
        if mnemonic == "pop" and "pc" in operands:
            cycles, following = table.CORTEX_POP_TO_PC_CYCLES + _registers(operands), ()
    elif mnemonic.startswith(table.CORTEX_LOADS):
        cycles = table.CORTEX_LOAD_CYCLES
    elif mnemonic.startswith("mul"):
        cycles = table.CORTEX_MULTIPLY_CYCLES
    elif mnemonic in ("bl", "blx"):
        cycles, calls = table.CORTEX_CALL_CYCLES, target
    elif mnemonic == "bx":
        cycles, following = table.CORTEX_JUMP_CYCLES, ()
    elif mnemonic == "b" and target is not None:
        cycles, following = table.CORTEX_JUMP_CYCLES, (target,)
    elif mnemonic[:1] == "b" and mnemonic[1:] in table.CORTEX_CONDITIONS and target is not None:
        cycles, following = table.CORTEX_JUMP_CYCLES, (after, target)
    if operands.startswith("pc,") or table.CORTEX_JUMP_TABLE in operands:
        # Where it goes on is computed.
        following = (NOWHERE,)
    return DisassembledLine(address, function, mnemonic, operands, cycles, following, calls)


def _registers(operands: str) -> int:
    """Count the registers of a list such as `{r0, r4-r7, lr}`."""
    count = 0
    for one in operands.partition("{")[2].partition("}")[0].split(","):
        first, _, last = one.strip().partition("-")
        count += int(last[1:]) - int(first[1:]) + 1 if last else 1
    return count


def _avr(
    address: int, function: str, mnemonic: str, operands: str, after: int, skipped: int
) -> DisassembledLine:
    found = _AVR_TARGET.search(operands.partition(";")[2] or operands)
    target = int(found[1], 16) if found else None
    cycles = table.AVR_CYCLES.get(mnemonic, 1)
    following: tuple[int, ...] = (after,)
    calls = None
    if mnemonic in table.AVR_SKIPS:
        cycles, following = table.AVR_SKIP_CYCLES_MAX, (after, skipped)
    elif mnemonic in table.AVR_CALLS:
        # A call of the next instruction makes room on the stack.
        calls = target if mnemonic != "icall" and target != after else None
    elif mnemonic in table.AVR_RETURNS or mnemonic == "ijmp":
        following = ()
    elif mnemonic in table.AVR_JUMPS and target is not None:
        following = (target,)
    elif mnemonic.startswith("br") and mnemonic != "break" and target is not None:
        cycles, following = 2, (after, target)
    return DisassembledLine(address, function, mnemonic, operands, cycles, following, calls)


class _PathSearch:
    """The longest paths through a listing, with what was found before."""

    def __init__(self, listing: Listing, bounds: CycleBounds) -> None:
        self._at = listing.at
        self._bounds = bounds
        self._done: dict[int, int] = {}
        self._open: set[int] = set()

    def function(self, entry: int) -> int:
        """Return the most cycles of the function at an address."""
        if entry in self._done:
            return self._done[entry]
        if entry in self._open:
            raise NoBoundError(f"{self._at[entry].function} calls itself")
        self._open.add(entry)
        nodes = self._reached(entry)
        ways = self._longest(nodes, entry)
        self._done[entry] = max(ways.values())
        self._open.discard(entry)
        return self._done[entry]

    def _reached(self, entry: int) -> set[int]:
        found: set[int] = set()
        waiting = [entry]
        while waiting:
            address = waiting.pop()
            if address in found:
                continue
            if address == NOWHERE:
                raise NoBoundError(f"{self._at[entry].function} jumps to a computed address")
            if address not in self._at or self._at[address].mnemonic.startswith("."):
                raise NoBoundError(f"no instruction at 0x{address:X}")
            found.add(address)
            waiting += self._at[address].following
        return found

    def _cycles(self, address: int) -> int:
        one = self._at[address]
        if one.calls is None or one.calls not in self._at:
            return one.cycles
        if self._at[one.calls].function in self._bounds.free:
            return one.cycles
        return one.cycles + self.function(one.calls)

    def _longest(self, nodes: set[int], entry: int) -> dict[int, int]:
        """Return the most cycles from an entry to behind each instruction, loops included."""
        ways: dict[int, int] = {entry: 0}
        reached: dict[int, int] = {}
        for part in _in_order(nodes, self._at, entry):
            starts = {address: ways[address] for address in part if address in ways}
            if not starts:
                continue
            is_loop = len(part) > 1 or part & set(self._at[min(part)].following)
            if not is_loop:
                address = min(part)
                inside = {address: self._cycles(address)}
                first = starts[address]
            else:
                inside = self._around(part, starts)
                first = max(starts.values())
            for address, cycles in inside.items():
                reached[address] = first + cycles
                for after in self._at[address].following:
                    if after in nodes and after not in part:
                        ways[after] = max(ways.get(after, 0), reached[address])
        return reached

    def _around(self, part: set[int], starts: Mapping[int, int]) -> dict[int, int]:
        """Return the most cycles from a loop's entry to behind each of its instructions."""
        if len(starts) > 1:
            raise NoBoundError(f"a loop of {self._at[min(part)].function} has two entries")
        head = next(iter(starts))
        rounds = self._rounds(part, head)
        # Without the ways back to its head the loop falls apart into paths and inner loops.
        cut = dict(self._at)
        for address in part:
            following = tuple(after for after in cut[address].following if after != head)
            cut[address] = replace(cut[address], following=following)
        whole, self._at = self._at, cut
        try:
            inside = self._longest(part, head)
        finally:
            self._at = whole
        back = max(inside[one] for one in inside if head in whole[one].following)
        return {address: rounds * back + cycles for address, cycles in inside.items()}

    def _rounds(self, part: set[int], head: int) -> int:
        """Return how often a loop goes round at most."""
        function = self._at[head].function
        of_library = function.startswith("__")
        mnemonics = {self._at[address].mnemonic for address in part}
        if mnemonics <= set(table.AVR_SHIFTS) and not of_library:
            return self._shifts(part, head)
        if function not in self._bounds.rounds:
            raise NoBoundError(f"a loop of {function} has no bound")
        return self._bounds.rounds[function]

    def _shifts(self, part: set[int], head: int) -> int:
        """Return how often a loop shifts: a constant set right before it, or its value's bits."""
        counters = {
            self._at[one].operands.partition(",")[0]
            for one in part
            if self._at[one].mnemonic in table.AVR_COUNTS
        }
        moved = sum(self._at[one].mnemonic in table.AVR_MOVES for one in part)
        before = {one for one in self._at if head in self._at[one].following} - part
        at = max(before, default=-1)
        if len(before) == len(counters) == 1 and at < head:
            # Straight on, backwards: the counter's last value is the one that counts.
            for _ in range(LOOK_BACK):
                one = self._at[at]
                register, _, value = one.operands.partition(",")
                if one.mnemonic == "ldi" and register in counters:
                    return int(value.partition(";")[0], 16)
                previous = [each for each in self._at if at in self._at[each].following]
                if len(previous) != 1 or register in counters:
                    break
                at = previous[0]
        return 8 * moved


def _in_order(
    nodes: set[int], at: Mapping[int, DisassembledLine], entry: int
) -> Iterable[set[int]]:
    """Return the sets of instructions that reach each other, each before those that follow it.

    Tarjan's algorithm, without recursion.
    """
    number: dict[int, int] = {}
    low: dict[int, int] = {}
    stack: list[int] = []
    on_stack: set[int] = set()
    parts: list[set[int]] = []
    work: list[tuple[int, int]] = [(entry, 0)]
    while work:
        node, index = work.pop()
        if index == 0:
            number[node] = low[node] = len(number)
            stack.append(node)
            on_stack.add(node)
        following = [one for one in at[node].following if one in nodes]
        for place in range(index, len(following)):
            other = following[place]
            if other not in number:
                work += [(node, place + 1), (other, 0)]
                break
            if other in on_stack:
                low[node] = min(low[node], number[other])
        else:
            if low[node] == number[node]:
                part = set()
                while node not in part:
                    part.add(stack[-1])
                    on_stack.discard(stack.pop())
                parts.append(part)
            if work:
                parent = work[-1][0]
                low[parent] = min(low[parent], low[node])
    return reversed(parts)
