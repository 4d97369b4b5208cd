"""What every device must pass: time in any cuts, snapshots, determinism."""

from __future__ import annotations

import random
from abc import ABC, abstractmethod

from busplay.core.devices.bus import DeviceBus, DeviceSlot
from busplay.core.devices.interface import BusDevice

FIRST = 0x8000
Access = tuple[int, int, int | None]


class DeviceTest(ABC):
    """Inherited by a class of tests for each device; accesses are random but for its program."""

    @abstractmethod
    def make(self) -> BusDevice:
        """Make the device in its power-on state."""

    def program(self) -> list[tuple[int, int]]:
        """Return (offset, data) of writes that set the device going."""
        return []

    offsets = 16

    def bus(self) -> DeviceBus:
        device = self.make()
        slot = DeviceSlot(
            "it", device, first_address=FIRST, last_address=FIRST + self.offsets - 1, irq=True
        )
        return DeviceBus([slot])

    def accesses(self, seed: int) -> list[Access]:
        """Return (cycle, address, byte to write or None), in order: its program, then random."""
        rng = random.Random(seed)
        cycle = 1
        made: list[Access] = []
        for offset, data in self.program():
            made.append((cycle, FIRST + offset, data))
            cycle += 4
        for _ in range(40):
            cycle += rng.choice([1, 4, 7, 30, 150])
            data = rng.choice([None, rng.randrange(256), rng.randrange(8)])
            made.append((cycle, FIRST + rng.randrange(self.offsets), data))
        return made

    def run(
        self, bus: DeviceBus, accesses: list[Access], *, looks_each: int | None = None
    ) -> list[object]:
        """Do accesses; return the bytes read, and the lines as seen at each access.

        Args:
            looks_each: advance by so many cycles in between.
        """
        seen: list[object] = []
        now = 0
        for cycle, address, data in accesses:
            while looks_each is not None and now + looks_each < cycle:
                now += looks_each
                bus.begin()
                bus.advance(now)
            bus.begin()
            bus.advance(cycle - 1)
            seen.append((cycle, bus.line_from < cycle, bus.next_event >= cycle))
            if data is None:
                seen.append(bus.read(address, cycle))
            else:
                bus.write(address, data, cycle)
            now = cycle
        return seen

    def test_same_accesses_give_the_same_again(self) -> None:
        for seed in range(3):
            accesses = self.accesses(seed)
            assert self.run(self.bus(), accesses) == self.run(self.bus(), accesses)

    def test_time_may_be_cut_anywhere(self) -> None:
        for seed in range(2):
            accesses = self.accesses(seed)
            whole = self.run(self.bus(), accesses)
            for looks_each in (1, 13, 200):
                assert self.run(self.bus(), accesses, looks_each=looks_each) == whole, looks_each

    def test_restored_device_does_again_what_it_did(self) -> None:
        for seed in range(3):
            accesses = self.accesses(seed)
            bus = self.bus()
            for cut in (0, 7, len(accesses) // 2):
                self.run(bus, accesses[:cut])
                kept = bus.state
                first = self.run(bus, accesses[cut:])
                bus.restore(kept)
                assert self.run(bus, accesses[cut:]) == first
                other = self.bus()
                other.restore(kept)
                assert self.run(other, accesses[cut:]) == first
                bus = self.bus()

    def test_snapshot_does_not_change_with_the_device(self) -> None:
        bus = self.bus()
        accesses = self.accesses(1)
        self.run(bus, accesses[:10])
        device = bus.slots[0].device
        kept, copy = device.snapshot(), device.snapshot()
        self.run(bus, accesses[10:])
        assert kept == copy
