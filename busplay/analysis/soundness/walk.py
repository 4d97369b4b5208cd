"""A receiver on repeating slots: when it gets in sync, and when that sync is true.

How to think about it. On given slots everything is determined: which windows of one frame's length
are valid, which of them bring a receiver into sync, how long it stays. So receivers are followed
from one such place to the next, all of them at once, until each is in sync where frames begin.
Nothing is assumed: neighbouring places may depend on each other in any way.

Times are in symbols of the wire. A place is the symbol at which a window begins.

Not here: noise. The slots carry what was sent.

# Follows: ITU-T I.432.1, cell delineation (HUNT, PRESYNC, SYNC; DELTA and ALPHA)
# Read in: a maker's data sheet that restates it; the Recommendation itself from memory
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.batch import UInt64Column
from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
# A time that is never reached, larger than any sum of times that are.
NEVER = 1 << 60
# This many false syncs in a row are a round that has no end.
WRONG_MAX = 64


@dataclass(frozen=True, slots=True, eq=False)
class Walked:
    """What became of receivers, an entry each.

    Attributes:
        symbols: int64; symbols to SYNC, true or false; `NEVER` if it does not come.
        is_false: bool; that SYNC was false.
        true_symbols: int64; symbols to true sync, however often it was false before.
    """

    symbols: Integers
    is_false: Flags
    true_symbols: Integers


class Walk:
    """Rings of slots, as receivers read them.

    Args:
        layout: of a link without a strobe, of two symbols a frame or more.
        words: uint64[rings, slots]; what the slots carry, over and over.
    """

    def __init__(self, layout: FrameLayout, words: UInt64Column) -> None:
        framing = layout.link.framing
        if isinstance(framing, StrobeFraming):
            raise ValueError("with a strobe nothing is searched")
        self._layout, self._words = layout, words
        self._behind = np.roll(words, -1, axis=1)
        self._rings, self._slots = words.shape
        self._size = layout.frame_symbols
        self._length = self._slots * self._size
        self._release = framing.release_frames
        self._confirm = framing.confirm_frames
        self._is_unique = False
        self._tables = _wide_tables(layout)
        right = np.empty((self._rings, self._slots, self._size), np.bool_)
        starts = right
        if isinstance(framing, MarkerFraming):
            starts = np.empty_like(right)
            self._is_unique = framing.rule == "unique"
            self._confirm = 0 if self._is_unique else framing.confirm_frames
        for offset in range(self._size):
            if offset == 0 and starts is right:
                # A sender's frames are valid.
                right[:, :, 0] = True
                continue
            window = self._window(offset)
            right[:, :, offset] = self._is_right(window)
            if isinstance(framing, MarkerFraming):
                shift = layout.frame_bits - len(framing.symbols) * layout.lanes
                marker = np.uint64(layout.bits_of_symbols(framing.symbols))
                starts[:, :, offset] = (window >> np.uint64(shift) == marker) & right[:, :, offset]
        self._right, self._starts = right, starts
        self._start_places = np.flatnonzero(starts)
        self._held: dict[int, Integers] = {}
        self._chased: tuple[Integers, Integers] | None = None

    @property
    def places(self) -> int:
        """Places of all rings; a place is numbered ring by ring, slot by slot."""
        return int(self._words.size) * self._size

    def power_on(self, places: Integers) -> Walked:
        """Switch receivers on at some places."""
        # The first window is whole one frame later.
        return self._to_sync(places, np.full(len(places), self._size, np.int64))

    def lost_edge(self, places: Integers) -> Walked:
        """Take the symbol at some places from receivers that are in sync; time begins behind it."""
        lost = places % self._size
        if self._is_unique:
            # The marker is looked for at every symbol, and the next frame can show it.
            start = self._moved(places - lost, self._size)
            return self._to_sync(start, 2 * self._size - lost - 1)
        slots = places // self._size
        spliced = self._spliced(places)
        is_wrong = ~self._is_right(spliced)
        ring, slot = np.divmod(slots, self._slots)
        behind = ring * self._slots + (slot + 1) % self._slots
        run = self._to_wrong_run(1 % self._size)
        frames = np.where(run[behind] < NEVER, run[behind] + self._release, NEVER)
        # The damaged frame may be the first of the run of invalid ones.
        is_run = is_wrong.copy()
        for ahead in range(1, self._release):
            at = ring * self._slots + (slot + ahead) % self._slots
            is_run &= ~self._right.reshape(-1, self._size)[at, 1 % self._size]
        frames = np.where(is_run, self._release - 1, frames)
        is_held = frames >= NEVER
        start = self._moved(places - lost, np.where(is_held, 0, frames * self._size + 2))
        waited = np.where(is_held, NEVER, self._size - lost + frames * self._size + 1)
        return self._to_sync(start, waited)

    # -- from place to place

    def _moved(self, places: Integers, symbols: Integers | int) -> Integers:
        """Return the places some symbols on, round their ring."""
        within = places % self._length
        moved: Integers = places - within + (within + symbols) % self._length
        return moved

    def _to_start(self, places: Integers, starts: Integers) -> tuple[Integers, Integers]:
        """Find the next place at which a frame may begin.

        Args:
            places: where to look from.
            starts: the places at which a frame may begin, rising.

        Returns:
            Its index in `starts`, and how far on it is; `NEVER` if its ring has none.
        """
        index = np.searchsorted(starts, places)
        if not len(starts):
            return index, np.full(len(places), NEVER, np.int64)
        ring = places // self._length
        begins = np.searchsorted(starts, np.arange(self._rings + 1) * self._length)
        first, stop = begins[ring], begins[ring + 1]
        # Behind the last of a ring comes its first.
        is_beyond = index == stop
        index = np.minimum(np.where(is_beyond, first, index), len(starts) - 1)
        ahead = starts[index] + is_beyond * self._length - places
        return index, np.where(first == stop, NEVER, ahead)

    def _confirmed(self, starts: Integers) -> tuple[Flags, Integers]:
        """Return which places are confirmed, and how many frames of the others were valid."""
        right = self._right.reshape(-1)
        passed = np.zeros(len(starts), np.int64)
        is_alive = np.ones(len(starts), np.bool_)
        for stage in range(1, self._confirm + 1):
            passed += is_alive
            is_alive &= right[self._moved(starts, stage * self._size)]
        return is_alive, passed

    def _hunt(self, places: Integers) -> tuple[Integers, Integers]:
        """Return the place of the first SYNC of receivers that try a place, and the symbols to it.

        Time begins when the window at the place is whole; SYNC comes `confirm_frames` frames
        after the one at its place is.
        """
        if not len(self._start_places):
            return places.copy(), np.full(len(places), NEVER, np.int64)
        index, wait = self._to_start(places, self._start_places)
        ends, costs = self._followed()
        is_over = (wait < NEVER) & (costs[index] < NEVER)
        spent = wait + costs[index] + self._confirm * self._size
        return self._start_places[ends[index]], np.where(is_over, spent, NEVER)

    def _followed(self) -> tuple[Integers, Integers]:
        """Return for each start which one is confirmed in the end, and the symbols until then.

        Followed for two steps, then four, then eight, until a round that has no end is sure.
        """
        if self._chased is None:
            starts = self._start_places
            is_sync, passed = self._confirmed(starts)
            onward = self._moved(starts, passed * self._size + 1)
            lead, wait = self._to_start(onward, starts)
            lead = np.where(is_sync, np.arange(len(starts)), lead)
            cost = np.where(is_sync, 0, passed * self._size + 1 + wait)
            for _ in range(len(starts).bit_length()):
                if is_sync[lead].all():
                    break
                cost = np.minimum(cost + cost[lead], NEVER)
                lead = lead[lead]
            self._chased = lead, np.where(is_sync[lead], cost, NEVER)
        return self._chased

    def _to_sync(self, places: Integers, waited: Integers) -> Walked:
        """Follow receivers to true sync.

        Args:
            places: the first that each tries.
            waited: symbols until they do; `NEVER` if they do not.
        """
        at, spent = self._hunt(places)
        symbols = np.where((spent < NEVER) & (waited < NEVER), waited + spent, NEVER)
        is_false = (symbols < NEVER) & (at % self._size != 0)
        true_symbols = symbols.copy()
        active = np.flatnonzero(is_false)
        for _ in range(WRONG_MAX):
            if not len(active):
                break
            onward, held = self._hold(at[active])
            at[active], spent = self._hunt(onward)
            is_over = (held >= NEVER) | (spent >= NEVER)
            true_symbols[active] = np.where(is_over, NEVER, true_symbols[active] + held + spent)
            active = active[~is_over & (at[active] % self._size != 0)]
        true_symbols[active] = NEVER
        return Walked(symbols, is_false, true_symbols)

    def _hold(self, places: Integers) -> tuple[Integers, Integers]:
        """Return where and when receivers in false sync hunt next."""
        offsets = places % self._size
        onward, held = places.copy(), np.full(len(places), NEVER, np.int64)
        for offset in np.unique(offsets).tolist():
            mine = offsets == offset
            here = places[mine]
            if self._is_unique:
                # A marker that stands elsewhere is taken at once.
                others = self._start_places[self._start_places % self._size != offset]
                _, wait = self._to_start(here, others)
                held[mine] = wait
                onward[mine] = self._moved(here, np.where(wait < NEVER, wait, 0))
                continue
            ring, slot = np.divmod(here // self._size, self._slots)
            behind = ring * self._slots + (slot + self._confirm + 1) % self._slots
            run = self._to_wrong_run(offset)[behind]
            is_held = run >= NEVER
            frames = np.where(is_held, 0, run + self._release)
            held[mine] = np.where(is_held, NEVER, frames * self._size + 1)
            onward[mine] = self._moved(here, (frames + self._confirm) * self._size + 1)
        return onward, held

    def _to_wrong_run(self, offset: int) -> Integers:
        """Return for each slot how many frames on the next run of invalid windows begins.

        Returns:
            int64[rings * slots]; a run has `release_frames` windows, all `offset` symbols late.
        """
        if offset not in self._held:
            wrong = ~self._right[:, :, offset]
            begins = wrong.copy()
            for ahead in range(1, self._release):
                begins &= np.roll(wrong, -ahead, axis=1)
            self._held[offset] = _to_next(begins).reshape(-1)
        return self._held[offset]

    # -- windows

    def _is_right(self, words: UInt64Column) -> Flags:
        found = np.zeros(words.shape, self._tables.dtype)
        for index, table in enumerate(self._tables):
            part = words >> np.uint64(16 * index) & np.uint64(0xFFFF)
            found ^= table[part.astype(np.intp)]
        right: Flags = (found == 0) | (words == np.uint64(self._layout.idle_word))
        return right

    def _window(self, offset: int) -> UInt64Column:
        if offset == 0:
            return self._words
        bits, frame_bits = offset * self._layout.lanes, self._layout.frame_bits
        mask = np.uint64((1 << frame_bits) - 1)
        head = self._words << np.uint64(bits) & mask
        return head | self._behind >> np.uint64(frame_bits - bits)

    def _spliced(self, places: Integers) -> UInt64Column:
        """Return the words read where the symbol at some places is missed."""
        lanes, frame_bits = self._layout.lanes, self._layout.frame_bits
        slots, lost = np.divmod(places, self._size)
        word = self._words.reshape(-1)[slots]
        behind = self._behind.reshape(-1)[slots]
        one = np.uint64(1)
        below = (frame_bits - (lost + 1) * lanes).astype(np.uint64)
        low = (one << below) - one
        # Two shifts, as one by all 64 bits is none.
        above = word >> below >> np.uint64(lanes) << np.uint64(lanes) << below
        below_it: UInt64Column = (word & low) << np.uint64(lanes)
        return above | below_it | behind >> np.uint64(frame_bits - lanes)


def _to_next(flags: Flags) -> Integers:
    """Return for each entry of some rings how far on the next set one is, 0 for a set one.

    Returns:
        int64[rings, entries]; `NEVER` in a ring that has none.
    """
    count = flags.shape[1]
    index = np.where(flags, np.arange(count), NEVER)
    # Behind the last of a ring comes its first.
    index = np.concatenate([index, index.min(axis=1, keepdims=True) + count], axis=1)
    ahead = np.minimum.accumulate(index[:, ::-1], axis=1)[:, ::-1][:, :count]
    return np.where(ahead < NEVER, ahead - np.arange(count), NEVER)


def _wide_tables(layout: FrameLayout) -> NDArray[np.unsignedinteger]:
    """Return the layout's syndrome tables, two bytes a table, in the smallest type that holds them.

    Returns:
        unsigned[tables, 65536]; those of bytes that a word has.
    """
    tables = layout.syndrome_tables
    bits = layout.syndrome_bits
    small = np.dtype(np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64)
    pairs = range(-(-layout.frame_bits // 16))
    both = [(tables[2 * i + 1][:, None] ^ tables[2 * i][None, :]).reshape(-1) for i in pairs]
    found: NDArray[np.unsignedinteger] = np.stack(both).astype(small)
    return found
