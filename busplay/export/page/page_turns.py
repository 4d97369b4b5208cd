"""When each page of a recording is shown, for the page that shares it.

A page that a program writes to PAGE is shown from the next refresh on. The player knows no
refreshes of its own: it is told at which edges the page changes.
"""

from __future__ import annotations

import numpy as np

from busplay.batch import FrameBatch, UInt8Column
from busplay.description.board import Unit
from busplay.description.link import SPACE_REGISTERS
from busplay.export.page.deliveries import PAGE_TURN, FieldColumns, OtherEvent, shown_edge
from busplay.history.places import place_of_register
from busplay.pipeline.pipeline import Pipeline
from busplay.pipeline.refreshes import Refreshes


def page_turns(
    pipeline: Pipeline, sent: FrameBatch, fates: UInt8Column, spurious: list[OtherEvent]
) -> list[OtherEvent]:
    """Return the pages shown, a unit at a time.

    Args:
        pipeline: that has replayed the trace to its end.
        sent: all frames of the trace.
        fates: uint8[frames]; 0 for those that were shown.
        spurious: frames that were shown, but not sent so.
    """
    if not pipeline.bank.has_pages:
        return []
    refreshes = Refreshes(pipeline.board, pipeline.encoder).between(0, pipeline.edge)
    fields = FieldColumns.of(pipeline.bank.fields, sent.word)
    found = []
    for unit in pipeline.board.units:
        place = SPACE_REGISTERS, unit.number, place_of_register(unit.name, "PAGE").first_offset
        is_page = (fields.space == place[0]) & (fields.unit == place[1]) & (fates == 0)
        at = np.flatnonzero(is_page & (fields.offset == place[2]))
        writes = list(zip(sent.edge[at].tolist(), fields.data[at].tolist(), strict=True))
        # A spurious frame has begun before the edge at which it is shown.
        writes += [(one.edge - 1, one.data) for one in spurious if one[2:5] == place]
        found += [
            OtherEvent(
                frames_before=int(np.searchsorted(sent.edge, np.uint64(edge))),
                edge=shown_edge(pipeline, sent, edge),
                space=0,
                unit=unit.number,
                offset=0,
                data=page,
                kind=PAGE_TURN,
            )
            for edge, page in _turns(unit, sorted(writes, key=lambda one: one[0]), refreshes)
        ]
    return found


def _turns(
    unit: Unit, writes: list[tuple[int, int]], refreshes: list[int]
) -> list[tuple[int, int]]:
    """Return edges of refreshes at which another page is shown, with the page.

    Args:
        unit: the unit.
        writes: edge and data of each write to PAGE, in order.
        refreshes: edges of all refreshes.
    """
    edges = np.array([edge for edge, _ in writes], np.uint64)
    # The last write before a refresh counts; one at its edge comes after it.
    taken = np.searchsorted(np.array(refreshes, np.uint64), edges, side="right").tolist()
    pages = dict(zip(taken, (data % unit.pages for _, data in writes), strict=True))
    found, shown = [], 0
    for refresh, page in pages.items():
        if page != shown and refresh < len(refreshes):
            found.append((refreshes[refresh], page))
            shown = page
    return found
