"""Differences one by one: when, where, what was expected and what was found."""

from __future__ import annotations

from collections.abc import Iterator

from busplay.analysis.compare.comparison import Difference, Sighting
from busplay.analysis.compare.frame_comparison import Differences, FrameComparison
from busplay.analysis.compare.streams import Kind
from busplay.description.full_address import address_of, page_of
from busplay.program.labels import Labels
from busplay.program.pages import PageSource
from busplay.program.places import PlaceNames, space_name
from busplay.trace.header import TraceHeader
from busplay.units import NS_PER_S


def list_differences(
    found: FrameComparison,
    labels: Labels | None,
    pages_expected: PageSource,
    pages_actual: PageSource,
    *,
    first: int | None = None,
) -> Iterator[Difference]:
    """Return the differences that were kept, in order; at most `first` of them.

    Args:
        found: the comparison.
        labels: full address to the names there.
        pages_expected, pages_actual: of banked memory in each trace, by the frames' edges.
        first: how many; None: all.
    """
    rows = found.differences.select(slice(first))
    board = found.sides.board
    expected = _sightings(rows, found, PlaceNames(board, labels, pages_expected), actual=False)
    actual = _sightings(rows, found, PlaceNames(board, labels, pages_actual), actual=True)
    in_wire_order = [(i, bit) for i, bit in enumerate(found.sides.bits) if bit is not None][::-1]
    kinds, flipped = rows.kind.tolist(), rows.flipped.tolist()
    for row, before, after in zip(range(len(rows)), expected, actual, strict=True):
        wrong = tuple(bit for place, bit in in_wire_order if flipped[row] >> place & 1)
        lanes = sorted({bit.lane for bit in wrong if bit.lane is not None})
        yield Difference(Kind(kinds[row]), before, after, wrong, tuple(lanes))


def _sightings(
    rows: Differences, found: FrameComparison, places: PlaceNames, *, actual: bool
) -> Iterator[Sighting | None]:
    sides = found.sides
    header = sides.actual if actual else sides.expected
    words = rows.actual_word if actual else rows.expected_word
    indexes = (rows.actual_index if actual else rows.expected_index).tolist()
    edges = (rows.actual_edge if actual else rows.expected_edge).tolist()
    fields = zip(*(column.tolist() for column in sides.unpack(words)), strict=True)
    for index, edge, (space, unit, offset, data) in zip(indexes, edges, fields, strict=True):
        if index < 0:
            yield None
            continue
        full = places.address_of_frame(unit, space, offset, edge=edge)
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
            address=None if full is None else address_of(full),
            page=page_of(full),
            label=places.label(full) or None,
        )


def time_ns(header: TraceHeader, edge: int) -> int | None:
    """Return nanoseconds, rounded down, since processor cycle 0, or edge 0 without a board."""
    rate = header.edges_per_second
    return (edge - header.edge_at(0)) * NS_PER_S // rate if rate else None
