"""Differences one by one: when, where, what was expected and what was found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busplay.analysis.compare.comparison import Comparison, Differences
from busplay.analysis.compare.kinds import Kind
from busplay.analysis.compare.places import Places
from busplay.analysis.compare.sides import Bit, space_name
from busplay.trace.header import TraceHeader
from busplay.units import NS_PER_S

KIND_WORDS = {
    Kind.MISSING: "missing",
    Kind.CHANGED: "changed",
    Kind.ADDED: "added",
    Kind.OUT_OF_ORDER: "out of order",
}


@dataclass(frozen=True, slots=True)
class Sighting:
    """One frame in one recording.

    Attributes:
        index: number of the frame, idle ones not counted.
        edge: link edge of its start.
        cycle: processor cycle in which it starts; None where the trace has no board.
        time_ns: since processor cycle 0, or since edge 0 without a board; None without a clock.
        unit, unit_number, space, offset, data: what it says.
        address: processor address whose stores go there; None where no window does.
        label: the label at or before that address; empty where none is known.
    """

    index: int
    edge: int
    cycle: int | None
    time_ns: int | None
    unit: str
    unit_number: int
    space: str
    offset: int
    data: int
    address: int | None
    label: str


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference.

    Attributes:
        kind: what is wrong.
        expected, actual: the frame in each recording; None where it is not.
        wrong_bits: of a changed frame, the first on the wire first.
    """

    kind: Kind
    expected: Sighting | None
    actual: Sighting | None
    wrong_bits: tuple[Bit, ...]

    @property
    def lanes(self) -> tuple[int, ...]:
        """Lanes of the actual link that carried a wrong bit."""
        return tuple(sorted({bit.lane for bit in self.wrong_bits if bit.lane >= 0}))


def list_differences(
    comparison: Comparison, places: Places, *, first: int | None = None
) -> Iterator[Difference]:
    """Return the differences that were kept, in order; at most `first` of them."""
    rows = comparison.differences.select(slice(first))
    sides = comparison.sides
    expected = _sightings(rows, comparison, places, actual=False)
    actual = _sightings(rows, comparison, places, actual=True)
    in_wire_order = [(i, bit) for i, bit in enumerate(sides.bits) if bit is not None][::-1]
    kinds, flipped = rows.kind.tolist(), rows.flipped.tolist()
    for row, before, after in zip(range(len(rows)), expected, actual, strict=True):
        wrong = tuple(bit for place, bit in in_wire_order if flipped[row] >> place & 1)
        yield Difference(Kind(kinds[row]), before, after, wrong)


def _sightings(
    rows: Differences, comparison: Comparison, places: Places, *, actual: bool
) -> Iterator[Sighting | None]:
    sides = comparison.sides
    header = sides.actual if actual else sides.expected
    words = rows.actual_word if actual else rows.expected_word
    indexes = (rows.actual_index if actual else rows.expected_index).tolist()
    edges = (rows.actual_edge if actual else rows.expected_edge).tolist()
    fields = zip(*(column.tolist() for column in sides.unpack(words)), strict=True)
    for index, edge, (space, unit, offset, data) in zip(indexes, edges, fields, strict=True):
        if index < 0:
            yield None
            continue
        address = places.address(unit, space, offset)
        yield Sighting(
            index=index,
            edge=edge,
            cycle=header.cycles_at(edge) if header.board is not None else None,
            time_ns=time_ns(header, edge),
            unit=places.unit_name(unit),
            unit_number=unit,
            space=space_name(space),
            offset=offset,
            data=data & 0xFF,
            address=address,
            label=places.label(address),
        )


def time_ns(header: TraceHeader, edge: int) -> int | None:
    """Return nanoseconds, rounded down, since processor cycle 0, or edge 0 without a board."""
    rate = header.edges_per_second
    return (edge - header.edge_at(0)) * NS_PER_S // rate if rate else None
