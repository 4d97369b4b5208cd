"""The same stores over other buses: pins, and the clock or bit rate that they would take.

How to think about it. A link carries a number of stores a second. Shared memory takes each in one
write cycle and pays in pins. SPI and a serial port send the same frame's bits, in whole bytes
as their controllers do, one after the other and pay in time. Each is asked twice: which clock
would carry as many stores, and how many a usual clock carries.

No bus fills memory faster than the processor stores: an absolute store takes 4 cycles.

Not counted: a chip select's own time around a frame, a controller's gaps between bytes, and
the waits of a memory that the video side reads too. All of them make it slower still.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from busplay.analysis.budget import LinkBudget

# 8N1: a start bit, 8 bits, no parity, a stop bit.
UART_BITS_A_BYTE = 10
QUAD_LANES = 4
ABSOLUTE_STORE_CYCLES = 4


@dataclass(frozen=True, slots=True)
class BusRow:
    """One way to carry the stores.

    Attributes:
        name: for tables.
        pins: at the sender, ground aside.
        store_bits: clock cycles or bit times that a store takes on it.
        needed_hz: clock or bit rate that carries as many stores a second as the link.
        usual_hz: clock or bit rate that is held beside it, and
        stores_hz: stores a second at that.
        processor_stores_hz: absolute stores that the processor makes in a second.
    """

    name: str
    pins: int
    store_bits: int
    needed_hz: Fraction
    usual_hz: int
    stores_hz: Fraction
    processor_stores_hz: Fraction

    def fill_s(self, filled_bytes: int) -> Fraction:
        """Return the seconds that it takes to make and send stores at the usual clock."""
        return filled_bytes / min(self.stores_hz, self.processor_stores_hz)


def bus_rows(budget: LinkBudget, *, receivers: int, uart_bit_hz: int) -> tuple[BusRow, ...]:
    """Return the link itself, shared memory, SPI by one and by four lanes, and UART 8N1.

    Args:
        budget: the link's.
        receivers: displays behind it; SPI and shared memory take a select for each.
        uart_bit_hz: bit rate of the serial port.
    """
    link = budget.link
    address = link.field_named("address")
    frame_bytes = -(-link.frame_bits // 8)
    processor_stores_hz = Fraction(budget.processor_hz, ABSOLUTE_STORE_CYCLES)
    rows = [
        BusRow(
            f"link {link.name}",
            budget.wires,
            -(-budget.step_edges // link.edges_per_cycle),
            Fraction(budget.clock_hz),
            budget.clock_hz,
            budget.frame_hz,
            processor_stores_hz,
        )
    ]

    def add(name: str, *, pins: int, store_bits: int, usual_hz: int) -> None:
        rows.append(
            BusRow(
                name,
                pins,
                store_bits,
                budget.frame_hz * store_bits,
                usual_hz,
                Fraction(usual_hz, store_bits),
                processor_stores_hz,
            )
        )

    # Address, 8 bits of data, one write line, and a select for each receiver.
    parallel_pins = (address.bits if address else 0) + 8 + 1 + receivers
    add("shared memory", pins=parallel_pins, store_bits=1, usual_hz=budget.processor_hz)
    add("SPI", pins=2 + receivers, store_bits=8 * frame_bytes, usual_hz=budget.clock_hz)
    add(
        "SPI, 4 lanes",
        pins=1 + QUAD_LANES + receivers,
        store_bits=-(-8 * frame_bytes // QUAD_LANES),
        usual_hz=budget.clock_hz,
    )
    add("UART 8N1", pins=1, store_bits=UART_BITS_A_BYTE * frame_bytes, usual_hz=uart_bit_hz)
    return tuple(rows)
