"""The stores that a pipeline lost, in a programmer's terms: address, label, instruction.

A loss has its frame, and its store if the pipeline made the frame. The rest follows from the
board, the labels and a rerun of the program, if there is one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busplay.batch import UInt64Column
from busplay.description.full_address import ADDRESS_MASK, address_of, page_of
from busplay.display.fields import FrameFields
from busplay.display.writes import FIELD_DATA
from busplay.losses.losses import NO_CYCLE, Cause, Losses
from busplay.program.labels import Labels, NearestLabels
from busplay.program.pages import FullAddresses
from busplay.receiver.fifo import Busy

if TYPE_CHECKING:
    from busplay.pipeline.pipeline import Pipeline

FindCounters = Callable[[Sequence[int]], Mapping[int, int]]
"""Returns the full addresses of stores' instructions by their cycles, which rise."""


@dataclass(frozen=True, slots=True)
class LostStore:
    """A store that was not received as sent.

    Attributes:
        cause: where it was lost, or that it was received damaged.
        edge: link edge of its frame's start, or at which the sender FIFO was full.
        cycle: of the store; the latest possible one if only the frame is known.
        cycle_is_exact: whether it is the store's own.
        address: of the store; None if no window makes such a frame.
        page: the page of banked memory that the address showed; None: it is not banked, or that is
            not known.
        address_label: the label at or before the address within its window, or None.
        data: the byte.
        pc: address of the instruction; None if not known.
        pc_page: its page of banked memory, or None.
        label: the label at or before that, or None.
        receiver_busy: what held up the receiver when the frame arrived: `video`, `stall`.
    """

    cause: Cause
    edge: int
    cycle: int
    cycle_is_exact: bool
    address: int | None
    page: int | None
    address_label: str | None
    data: int
    pc: int | None
    pc_page: int | None
    label: str | None
    receiver_busy: tuple[str, ...]


class LossNames:
    """The losses of one pipeline by name: address, label, instruction.

    Args:
        pipeline: that lost them.
        labels: the program's.
        find_counters: finds the stores' PCs; None: they are not known.
        by_cycle: the stores' full addresses by their cycles; None: not known.
        by_edge: those of frames by their edges, where no cycle is known.
    """

    def __init__(
        self,
        pipeline: Pipeline,
        *,
        labels: Labels | None = None,
        find_counters: FindCounters | None = None,
        by_cycle: FullAddresses | None = None,
        by_edge: FullAddresses | None = None,
    ) -> None:
        self._encoder = pipeline.encoder
        board = pipeline.board
        windows = [(one.first_address, one.last_address) for one in board.windows]
        self._labels = NearestLabels(labels, windows, board.banks)
        self._by_cycle, self._by_edge = by_cycle, by_edge
        self._find_counters = find_counters
        tables, layout = pipeline.encoder.tables, pipeline.layout
        kept = 0
        for name in ("space", "unit", "address"):
            if layout.link.field_named(name) is not None:
                for place in layout.bit_places(name):
                    kept |= 1 << place
        self._kept = np.uint64(kept)
        addresses = np.flatnonzero(tables.in_window)
        keys = tables.address[addresses] & self._kept
        # If several addresses make the same frame, the lowest.
        self._keys, first = np.unique(keys, return_index=True)
        # The encoder has further tables for windows of one page.
        self._addresses = addresses[first] & ADDRESS_MASK
        self._fields = FrameFields(layout, unit_number=0)

    def describe(self, losses: Losses) -> Iterator[LostStore]:
        """Return the losses in their order.

        Args:
            losses: if PCs are to be found, in order of their cycles, from call to call too.
        """
        cycles = [int(cycle) for cycle in losses.cycle if cycle != NO_CYCLE]
        counters: Mapping[int, int] = {}
        if self._find_counters is not None and cycles:
            counters = self._find_counters(cycles)
        data = self._data_of(losses.word).tolist()
        addresses = self._addresses_of(losses.word)
        for index in range(len(losses)):
            edge, cycle = int(losses.edge[index]), int(losses.cycle[index])
            is_exact = cycle != NO_CYCLE
            address = int(losses.address[index]) if is_exact else addresses[index]
            known = self._by_cycle if is_exact else self._by_edge
            if address is not None and known is not None:
                address = known.of(address, cycle if is_exact else edge)
            pc = counters.get(cycle) if is_exact else None
            busy = Busy(int(losses.busy[index]))
            yield LostStore(
                cause=Cause(int(losses.cause[index])),
                edge=edge,
                cycle=cycle if is_exact else self._encoder.latest_cycle(edge),
                cycle_is_exact=is_exact,
                address=None if address is None else address_of(address),
                page=page_of(address),
                address_label=self._labels.of_store(address),
                data=data[index] & 0xFF,
                pc=None if pc is None else address_of(pc),
                pc_page=page_of(pc),
                label=None if pc is None else self._labels.of_code(pc),
                receiver_busy=tuple(
                    flag.name.lower() for flag in Busy if flag in busy and flag.name
                ),
            )

    def _data_of(self, words: UInt64Column) -> UInt64Column:
        shift, mask, fixed = self._fields.table[FIELD_DATA]
        found: UInt64Column = (self._fields.words_in_pieces(words) >> shift) & mask | fixed
        return found

    def _addresses_of(self, words: UInt64Column) -> list[int | None]:
        """Return the lowest processor address whose store makes each frame, or None."""
        if not len(self._keys):
            return [None] * len(words)
        keys = words & self._kept
        place = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        found = self._addresses[place].tolist()
        fits = (self._keys[place] == keys).tolist()
        return [one if fit else None for one, fit in zip(found, fits, strict=True)]
