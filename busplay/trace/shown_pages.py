"""The pages of banked memory that the stores behind a trace's frames went to.

How to think about it. Frames keep the order of the stores, so a change of pages stands at the edge
of the first frame whose store came after it; see `StorePages`. A chunk goes before the frames that
it is for, and begins with the pages known before it, so each can be read without the others.
"""

from __future__ import annotations

import struct
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import zstandard
from numpy.typing import NDArray

from busplay.batch import Int64Column, PageChanges, UInt64Column
from busplay.trace.blocks import make_decompressor, pack_block, unpack_block
from busplay.trace.container import TOTAL_MAX, Where

_HEAD = struct.Struct("<IQB")
_BEFORE = struct.Struct("<BH")
_ROW_BYTES = 11
CHANGES_MOST = 65_536
CHUNKS_KEPT = 4


@dataclass(frozen=True, slots=True, eq=False)
class ShownPagesChunk:
    """The contents of one chunk.

    Attributes:
        before: page shown before its first change by each bank of which it is known.
        changes: by edge.
    """

    before: Mapping[int, int]
    changes: PageChanges

    def pages_at(self, bank: int, edges: UInt64Column) -> Int64Column:
        """Return the page that a bank showed at each edge, all of them within the chunk."""
        found = self.changes.pages_at(bank, edges)
        return np.where(found < 0, self.before.get(bank, -1), found)


def pack_shown_pages(
    changes: PageChanges,
    before: Mapping[int, int],
    *,
    edge: int,
    compressor: zstandard.ZstdCompressor,
) -> bytes:
    """Pack up to `CHANGES_MOST` changes by edge, in order.

    Args:
        before: page shown before by each bank of which it is known.
        edge: from which on the chunk holds; at or before its first change's.
    """
    known = sorted(before.items())
    steps = np.diff(changes.since, prepend=np.uint64(edge))
    rows = _planes(steps) + changes.bank.tobytes() + _planes(changes.page)
    return b"".join(
        (
            _HEAD.pack(len(changes), edge, len(known)),
            *(_BEFORE.pack(*one) for one in known),
            *(pack_block(compressor, rows) if len(changes) else ()),
        )
    )


def _planes(numbers: NDArray[np.uint64] | NDArray[np.uint16]) -> bytes:
    """Return the lowest bytes of all numbers, then the next, and so on."""
    size = numbers.itemsize
    return numbers.astype(f"<u{size}").view(np.uint8).reshape(-1, size).T.tobytes()


def _joined(planes: NDArray[np.uint8], count: int) -> NDArray[np.uint64]:
    size = len(planes) // count
    numbers = np.zeros(count, np.uint64)
    for plane in range(size):
        part = planes[plane * count : (plane + 1) * count].astype(np.uint64)
        numbers |= part << np.uint64(8 * plane)
    return numbers


def parse_head(payload: memoryview, *, where: Where) -> tuple[int, int, int]:
    """Return a chunk's count of changes, the edge from which on it holds, and the banks known.

    Raises:
        InputError: it is not such a payload.
    """
    if len(payload) < _HEAD.size:
        raise where.error(f"{len(payload):,} bytes", f"pages begin with {_HEAD.size}")
    count, edge, known = _HEAD.unpack_from(payload)
    where.require_totals(edge=edge)
    if count > CHANGES_MOST:
        raise where.error(f"{count:,} changes of pages", f"a chunk has up to {CHANGES_MOST:,}")
    return count, edge, known


def parse_shown_pages(
    payload: memoryview,
    decompressor: zstandard.ZstdDecompressor,
    *,
    banks: int,
    where: Where,
) -> ShownPagesChunk:
    """Parse a chunk.

    Args:
        banks: count of the board's.

    Raises:
        InputError: it is not such a payload, or of another board.
    """
    count, edge, known = parse_head(payload, where=where)
    offset = _HEAD.size
    before: dict[int, int] = {}
    for _ in range(known):
        if len(payload) - offset < _BEFORE.size:
            raise where.error("the end of the chunk", "a bank's page belongs here")
        bank, page = _BEFORE.unpack_from(payload, offset)
        offset += _BEFORE.size
        if bank in before:
            raise where.error(f"two pages of bank {bank}", "each has one")
        before[bank] = page
    changes = PageChanges.empty()
    if count:
        block, offset = unpack_block(
            decompressor, payload, offset, unpacked_bytes=_ROW_BYTES * count, where=where
        )
        rows = np.frombuffer(block, np.uint8)
        steps = _joined(rows[: 8 * count], count)
        since = np.uint64(edge) + np.cumsum(steps, dtype=np.uint64)
        # Below that no sum of two wraps, so the first that is too large is found.
        where.require_totals(step=int(steps.max()), edge=int(since.max()))
        page = _joined(rows[9 * count :], count).astype(np.uint16)
        changes = PageChanges(since, rows[8 * count : 9 * count].copy(), page)
    if offset != len(payload):
        raise where.error(f"{len(payload) - offset:,} bytes after the pages", "none belong there")
    last = max([*before, int(changes.bank.max(initial=0))])
    if (count or known) and last >= banks:
        raise where.error(f"bank {last}", f"the board has {banks}, counted from 0")
    return ShownPagesChunk(before, changes)


class ShownPages:
    """The pages that a trace knows of, read chunk by chunk when they are asked for.

    Args:
        payloads: returns the chunks' payloads and what messages call them.
        banks: count of the board's.
    """

    def __init__(
        self, payloads: Callable[[], Iterator[tuple[Where, memoryview]]], *, banks: int
    ) -> None:
        self._payloads = payloads
        self._banks = banks
        self._decoded: OrderedDict[int, ShownPagesChunk] = OrderedDict()
        self._decompressor = make_decompressor()

    @cached_property
    def _chunks(self) -> list[tuple[Where, memoryview]]:
        return list(self._payloads())

    @cached_property
    def _starts(self) -> UInt64Column:
        starts = []
        for where, payload in self._chunks:
            starts.append(parse_head(payload, where=where)[1])
            if starts[-1] < max(starts):
                raise where.error(f"edge {starts[-1]:,}", "pages before are of later edges")
        return np.array(starts, np.uint64)

    def __len__(self) -> int:
        return len(self._chunks)

    def kept(self) -> ShownPages:
        """Read the chunks now, so that the file can be closed; return itself."""
        len(self._chunks)
        return self

    def chunk(self, number: int) -> ShownPagesChunk:
        """Return one chunk, counted from 0.

        Raises:
            InputError: it is damaged.
        """
        if (kept := self._decoded.get(number)) is None:
            where, payload = self._chunks[number]
            kept = parse_shown_pages(payload, self._decompressor, banks=self._banks, where=where)
            self._decoded[number] = kept
            if len(self._decoded) > CHUNKS_KEPT:
                self._decoded.popitem(last=False)
        return kept

    def pages_at(self, bank: int, moments: UInt64Column) -> Int64Column:
        """Return the page that a bank showed to the store of a frame at each edge; -1: not known.

        Raises:
            InputError: a chunk is damaged.
        """
        found = np.full(len(moments), -1, np.int64)
        numbers = np.searchsorted(self._starts, moments, side="right") - 1
        for number in np.unique(numbers[numbers >= 0]).tolist():
            here = numbers == number
            found[here] = self.chunk(number).pages_at(bank, moments[here])
        return found

    def all(self) -> PageChanges:
        """Return all changes.

        Raises:
            InputError: a chunk is damaged.
        """
        return PageChanges.joined([self.chunk(number).changes for number in range(len(self))])


class PagesWriter:
    """Gathers changes of pages, and packs those for each frame chunk.

    Args:
        compressor: for the chunks.
    """

    def __init__(self, compressor: zstandard.ZstdCompressor) -> None:
        self._compressor = compressor
        self._waiting: list[PageChanges] = []
        self._shown: dict[int, int] = {}

    def add(self, changes: PageChanges) -> None:
        """Add changes by edge, in order."""
        if len(changes):
            self._waiting.append(changes)

    def take(self, last_edge: int) -> Iterator[bytes]:
        """Return the payloads of the changes up to a frame's edge."""
        if not self._waiting:
            return
        waiting = PageChanges.joined(self._waiting)
        count = int(np.searchsorted(waiting.since, np.uint64(last_edge), side="right"))
        self._waiting = [waiting.part(slice(count, None))] if count < len(waiting) else []
        for first in range(0, count, CHANGES_MOST):
            some = waiting.part(slice(first, min(count, first + CHANGES_MOST)))
            yield self._pack(some, int(some.since[0]))

    def state(self, edge: int) -> bytes:
        """Return a payload of the pages shown at an edge; nothing where none is known."""
        return self._pack(PageChanges.empty(), min(edge, TOTAL_MAX)) if self._shown else b""

    def _pack(self, changes: PageChanges, edge: int) -> bytes:
        payload = pack_shown_pages(changes, self._shown, edge=edge, compressor=self._compressor)
        self._shown.update(zip(changes.bank.tolist(), changes.page.tolist(), strict=True))
        return payload
