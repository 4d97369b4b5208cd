"""What a link can carry: wires, rates, slot time and what each field costs, in exact numbers.

How to think about it. The link's clock and edges give symbols a second; a slot takes a whole
number of them, and one slot carries one store. All that is in a slot besides address and data
is overhead: other fields, rest between frames, and the slots that have to stay idle. The
shares of all of them add up to 1.

Not here: whether stores come faster than slots do (`budget_queue`), and whether a receiver
can make sense of the frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from busplay.description.link import Link, StrobeFraming
from busplay.link.layout import FrameLayout
from busplay.units import NS_PER_S

PAYLOAD_FIELDS = ("address", "data")
REST = "rest"
IDLE = "idle"


@dataclass(frozen=True, slots=True)
class Cost:
    """What one part of a slot takes of the link.

    Attributes:
        name: a field's; `rest` for symbols between frames, `idle` for slots kept idle.
        bits: in a slot; 0 for `idle`.
        share_ratio: of all that the lanes can carry.
        bit_hz: the same in bits a second.
    """

    name: str
    bits: int
    share_ratio: Fraction
    bit_hz: Fraction


@dataclass(frozen=True, slots=True)
class LinkBudget:
    """A link's budget with a processor of a stated clock.

    Attributes:
        link: not in JSON.
        processor_hz: of the processor's clock.
        wires: clock, lanes and strobe; ground comes on top.
        clock_hz: of the link's clock wire, the fastest of the wires.
        symbol_hz: symbols a second.
        symbol_ns: how long one stands.
        bit_hz: what the lanes carry, rest and idle slots included.
        grid_edges, step_edges: frames start on multiples of the one, the other apart.
        frame_symbols: symbols of a frame, without rest.
        slot_cycles, slot_ns: from one frame's start to the next, at most; in processor cycles.
        idle_every: one slot in this many stays idle; None: none has to.
        frame_hz: frames a second, which is stores a second.
        data_bit_hz, payload_bit_hz: of the data field; of address and data together.
        overhead_ratio: what is neither address nor data.
        costs: fields in wire order, then `rest` and `idle` where there are any.
    """

    link: Link = field(metadata={"json": False})
    processor_hz: int
    wires: int
    clock_hz: int
    symbol_hz: int
    symbol_ns: Fraction
    bit_hz: int
    frame_symbols: int
    grid_edges: int
    step_edges: int
    slot_cycles: Fraction
    slot_ns: Fraction
    idle_every: int | None
    frame_hz: Fraction
    data_bit_hz: Fraction
    payload_bit_hz: Fraction
    overhead_ratio: Fraction
    costs: tuple[Cost, ...]

    @property
    def grid_places(self) -> int:
        """Places that a frame takes while it only waits for the grid: 1, or 0 where none does."""
        edges_per_cycle = Fraction(self.symbol_hz, self.processor_hz)
        return 0 if (edges_per_cycle / self.grid_edges).denominator == 1 else 1

    @property
    def frame_cycles(self) -> Fraction:
        """Processor cycles a frame in the long run, slots kept idle included."""
        return self.processor_hz / self.frame_hz


def start_grid(link: Link) -> tuple[int, int]:
    """Return the grid on which frames start and how far apart they start, in edges."""
    slot = FrameLayout(link).slot_symbols
    grid = slot if link.start == "slot" else link.edges_per_cycle
    return grid, -(-slot // grid) * grid


def link_wires(link: Link) -> int:
    """Count the wires: clock, lanes, and the strobe where there is one."""
    return 1 + link.lanes + isinstance(link.framing, StrobeFraming)


def link_budget(link: Link, *, processor_hz: int) -> LinkBudget:
    """Compute what a link carries beside a processor of that clock.

    Args:
        link: sound, as `load_link` returns it.
        processor_hz: also the link's clock where it has none of its own.
    """
    grid_edges, step_edges = start_grid(link)
    clock_hz = link.clock_hz or processor_hz
    symbol_hz = clock_hz * link.edges_per_cycle
    bit_hz = symbol_hz * link.lanes
    slots_hz = Fraction(symbol_hz, step_edges)
    idle_every = link.idle_every
    used_ratio = 1 - Fraction(1, idle_every) if idle_every else Fraction(1)
    frame_hz = slots_hz * used_ratio
    parts = [(one.name, one.bits) for one in link.fields]
    rest_bits = step_edges * link.lanes - link.frame_bits
    if rest_bits:
        parts.append((REST, rest_bits))
    costs = [Cost(name, bits, bits * frame_hz / bit_hz, bits * frame_hz) for name, bits in parts]
    if idle_every:
        costs.append(Cost(IDLE, 0, 1 - used_ratio, bit_hz * (1 - used_ratio)))
    payload_hz = [one.bit_hz for one in costs if one.name in PAYLOAD_FIELDS]
    data_hz = [one.bit_hz for one in costs if one.name == "data"]
    return LinkBudget(
        link=link,
        processor_hz=processor_hz,
        wires=link_wires(link),
        clock_hz=clock_hz,
        symbol_hz=symbol_hz,
        symbol_ns=Fraction(NS_PER_S, symbol_hz),
        bit_hz=bit_hz,
        frame_symbols=link.frame_bits // link.lanes,
        grid_edges=grid_edges,
        step_edges=step_edges,
        slot_cycles=Fraction(step_edges * processor_hz, symbol_hz),
        slot_ns=Fraction(step_edges * NS_PER_S, symbol_hz),
        idle_every=idle_every,
        frame_hz=frame_hz,
        data_bit_hz=sum(data_hz, Fraction(0)),
        payload_bit_hz=sum(payload_hz, Fraction(0)),
        overhead_ratio=1 - sum(payload_hz, Fraction(0)) / bit_hz,
        costs=tuple(costs),
    )
