"""Two cores that run the same program side by side and must not differ."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busplay.core.instructions import INSTRUCTIONS
from busplay.core.interface import Core

REGISTERS = ("pc", "a", "x", "y", "s", "p", "cycle")

# Opcodes without an instruction in the reference core, and those that stop for good.
LACKING = {
    opcode for opcode, row in INSTRUCTIONS["65c02"].items() if row.mnemonic[:3] in ("BBR", "BBS")
}
STP = 0xDB


def shared_opcodes(processor: str) -> list[int]:
    """Return the opcodes that both cores run, without STP."""
    lacking = LACKING | {STP} if processor == "65c02" else set()
    return sorted(set(INSTRUCTIONS[processor]) - lacking)


class Pair:
    """A reference core and a compiled one; what is done to one is done to the other.

    Attributes:
        reference, compiled: the two.
        stores: how many stores were compared.
    """

    def __init__(self, make: Callable[[str], Core]) -> None:
        self.reference = make("reference")
        self.compiled = make("compiled")
        self.stores = 0

    @property
    def both(self) -> tuple[Core, Core]:
        return self.reference, self.compiled

    def run(self, cycles: int) -> int:
        """Run both and compare all there is."""
        done, also_done = (core.run(cycles) for core in self.both)
        assert done == also_done
        self.compare()
        return done

    def reset(self) -> None:
        for core in self.both:
            core.reset()

    def nmi(self) -> None:
        for core in self.both:
            core.nmi()

    def set_irq(self, active: bool) -> None:
        for core in self.both:
            core.irq = active

    def press(self, code: int, *, in_cycles: int = 0) -> None:
        for core in self.both:
            assert core.host_port is not None
            # Keys cannot be pressed before earlier ones.
            last_cycle = max((cycle for cycle, _ in core.host_port.key_log), default=0)
            core.host_port.press(code, cycle=max(core.cycle + in_cycles, last_cycle))

    def set(self, **registers: int) -> None:
        for core in self.both:
            for name, value in registers.items():
                setattr(core, name, value)

    def poke(self, address: int, data: bytes) -> None:
        for core in self.both:
            core.memory[address : address + len(data)] = list(data)

    def compare(self) -> None:
        theirs, ours = self.both
        assert _registers(ours) == _registers(theirs)
        assert np.array_equal(ours.memory, theirs.memory)
        our_stores, their_stores = ours.take_stores(), theirs.take_stores()
        assert our_stores.cycle.tolist() == their_stores.cycle.tolist()
        assert our_stores.address.tolist() == their_stores.address.tolist()
        assert our_stores.data.tolist() == their_stores.data.tolist()
        assert ours.counters == theirs.counters
        assert _stop(ours) == _stop(theirs)
        if theirs.host_port is not None and ours.host_port is not None:
            assert ours.host_port.take_console() == theirs.host_port.take_console()
            assert ours.host_port.interrupt_cycle() == theirs.host_port.interrupt_cycle()
            assert ours.host_port.readings(ours.cycle) == theirs.host_port.readings(theirs.cycle)
        self.stores += len(our_stores)


def _registers(core: Core) -> dict[str, int]:
    return {name: getattr(core, name) for name in REGISTERS}


def _stop(core: Core) -> object:
    stop = core.stop
    if stop is None:
        return None
    return stop.kind, stop.reason, stop.address, stop.opcode, stop.cycle, stop.exit_status
