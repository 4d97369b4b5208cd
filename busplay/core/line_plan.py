"""When the interrupt lines will be active: the plan that both cores run by."""

from __future__ import annotations

from typing import NamedTuple

from busplay.core.devices.bus import DeviceBus
from busplay.core.devices.interface import NO_EVENT

# An interrupt is taken after an instruction if its line was active in the last cycle but one, two
# cycles before the next instruction begins.
SAMPLE_CYCLES = 2


class LinePlan(NamedTuple):
    """What is known of the lines before a stretch of instructions.

    Attributes:
        line_from: cycle from which IRQ is active, devices that do not plan left out.
        event_from: the same of those that do not plan, as far as `next_event`.
        nmi_from: cycle of an NMI that was not sampled yet.
        next_event: cycle of the devices' next event.
        bus: the devices.
    """

    line_from: int
    event_from: int
    nmi_from: int
    next_event: int
    bus: DeviceBus | None

    @classmethod
    def of(cls, line_from: int, nmi_from: int, bus: DeviceBus | None) -> LinePlan:
        """Plan a stretch.

        Args:
            line_from: of the inputs other than devices.
        """
        if bus is None:
            return cls(line_from, NO_EVENT, nmi_from, NO_EVENT, None)
        bus.begin()
        return cls(min(line_from, bus.planned_from), bus.event_from, nmi_from, bus.next_event, bus)

    @property
    def sampled_from(self) -> int:
        """Cycle from which on an instruction's end can see an active line, or must look."""
        return min(self.line_from, self.event_from, self.nmi_from, self.next_event) + SAMPLE_CYCLES

    def is_masked(self, cycle: int) -> bool:
        """Return whether IRQ is active for the sample at `cycle`, so that only I decides."""
        return min(self.line_from, self.event_from) + SAMPLE_CYCLES <= cycle

    def limit(self, cycle: int, *, masked: bool) -> int:
        """Return the cycle at which to look, for a stretch from `cycle` on.

        Args:
            masked: I is set; an active line then has no effect until an instruction clears it.
        """
        if masked and self.is_masked(cycle):
            return min(self.nmi_from, self.next_event) + SAMPLE_CYCLES
        return self.sampled_from

    def settle(self, cycle: int, nmi_from: int) -> int:
        """Do the devices' events before `cycle`, and return the cycle of a pending NMI.

        Args:
            nmi_from: that of one pending so far.
        """
        if self.bus is None:
            return nmi_from
        self.bus.advance(cycle - 1)
        edge = self.bus.take_nmi()
        return nmi_from if edge == NO_EVENT else min(nmi_from, edge)

    def was_active(self, cycle: int) -> bool:
        """Return whether IRQ was active in a cycle of the stretch, before its last accesses."""
        if self.line_from <= cycle:
            return True
        return self.bus is not None and self.bus.event_was_active(cycle)
