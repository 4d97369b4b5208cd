"""Constant streams on a link whose sequence field makes the frames differ, with idle slots or not.

How to think about it. A stream repeats the same stores, and the field counts them. At a wrong
place there are three kinds of window: both sides in frames, idle behind, idle before. What the
number changes in a window's syndrome is known for each number, so a word makes a window right
exactly if its own part of the syndrome is the value that undoes the number's. One value a kind,
then, says which windows of the whole period are right: whether a place is kept or found is decided
value by value, and the words with those values are solutions of equations, as in
`constant_stream`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.chances import confirm_frames
from busplay.analysis.soundness.frame_space import FrameSpace, Judge, sent_frames, window
from busplay.analysis.soundness.unions import Rows
from busplay.analysis.soundness.windows import SIDES, affine_rows, release_of
from busplay.link.layout import FrameLayout

Flags = NDArray[np.bool_]
# A window of the period: its kind, and the number of the frame that counts in it.
Window = tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Kind:
    """The windows of one kind at one place.

    Attributes:
        factors: rows of the equations, one for each bit of the judgement, their values left 0.
        base: what is wanted of the word's part in the judgement.
        changes: what each number changes in it.
    """

    factors: Rows
    base: int
    changes: tuple[int, ...]

    def rows(self, value: int, bits: int) -> Rows:
        """Return the equations under which a number that changes so much makes the window right.

        Args:
            value: of the lowest bits.
            bits: how many of the judgement count, the marker's come last.
        """
        wanted = self.base ^ value
        return tuple(row | (wanted >> bit & 1) for bit, row in enumerate(self.factors[:bits]))


class CountedStream:
    """What constant streams do on a link with a sequence field, worked out once for all N.

    Args:
        layout: of the link.
        with_idle: whether idle slots will be asked for.
    """

    def __init__(self, layout: FrameLayout, *, with_idle: bool = True) -> None:
        words = sent_frames(layout, fixed={"sequence": 0})
        self._layout = layout
        bit_changes = _bit_changes(layout)
        self._count = 1 << len(bit_changes)
        self._judge_bits = Judge(layout).bits
        self._first_bits = Judge(layout, with_marker=True).bits
        self._places = [
            _kinds(layout, words, bit_changes, offset, count=3 if with_idle else 1)
            for offset in range(1, layout.frame_symbols)
        ]
        self.unknowns = len(words.basis)

    def events(self, *, idle_every: int | None) -> tuple[list[Rows], list[Rows]]:
        """Return the equations under which a word lets a receiver find, and keep, a wrong place.

        Args:
            idle_every: one slot of so many is idle; None: none is.
        """
        windows = _period(self._layout, self._count, idle_every)
        found: list[Rows] = []
        kept: list[Rows] = []
        for kinds in self._places:
            used = kinds[:1] if idle_every is None else kinds
            for find, keep in self._events_at(used, windows):
                found += find
                kept.append(keep)
        return found, kept

    def _events_at(
        self, kinds: Sequence[_Kind], windows: Sequence[Window]
    ) -> Iterator[tuple[list[Rows], Rows]]:
        """Give, for each choice of values under which a place is kept, its events."""
        confirm, release = confirm_frames(self._layout), release_of(self._layout)
        judge_bits, first_bits = self._judge_bits, self._first_bits
        low = (1 << judge_bits) - 1
        kind_of = np.array([kind for kind, _ in windows])
        value_of = [kinds[kind].changes[number] for kind, number in windows]
        low_list = [value & low for value in value_of]
        # Syndromes of many bits do not fit a number of the machine.
        low_of = np.array(low_list, np.int64 if judge_bits < 63 else object)
        codes: dict[int, int] = {}
        code_of = np.array([codes.setdefault(value, len(codes)) for value in value_of])
        values_by_code = list(codes)
        counts: list[Counter[int | None]] = [
            Counter(low_of[kind_of == kind].tolist()) for kind in range(len(kinds))
        ]
        for count in counts:
            # A kind of window that is never right.
            count[None] = 0
        # Of any `release` windows in a row one must be right.
        needed = -(-len(windows) // release)
        most = [max(count.values()) for count in counts]
        choices = [
            [value for value, times in count.items() if times + sum(most) - most[kind] >= needed]
            for kind, count in enumerate(counts)
        ]
        for values in product(*choices):
            times = sum(counts[kind][value] for kind, value in enumerate(values))
            if times < needed:
                continue
            right: Flags = np.zeros(len(windows), np.bool_)
            for kind, value in enumerate(values):
                if value is not None:
                    right |= (kind_of == kind) & (low_of == value)
            if not _is_kept(right, release):
                continue
            rows = {
                kind: kinds[kind].rows(value, judge_bits)
                for kind, value in enumerate(values)
                if value is not None
            }
            keep = tuple(row for one in rows.values() for row in one)
            find: list[Rows] = []
            for kind, value in enumerate(values):
                if value is None:
                    continue
                here = (kind_of == kind) & (low_of == value)
                for code in np.unique(code_of[here]).tolist():
                    shown_value = values_by_code[code]
                    shown = right if first_bits == judge_bits else here & (code_of == code)
                    if not _is_found(right, shown, confirm):
                        continue
                    shows = kinds[kind].rows(shown_value, first_bits)
                    others = (row for other, one in rows.items() if other != kind for row in one)
                    find.append((*shows, *others))
            yield find, keep


def _is_kept(right: Flags, release: int) -> bool:
    """Tell whether in a sequence that repeats wrong windows never come so many in a row."""
    at = np.flatnonzero(right)
    if not len(at):
        return False
    around = int(at[0]) + len(right) - int(at[-1])
    return around <= release and (len(at) == 1 or int((at[1:] - at[:-1]).max()) <= release)


def _is_found(right: Flags, shown: Flags, confirm: int) -> bool:
    """Tell whether somewhere a window shows a start and `confirm` right ones follow."""
    count = len(right)
    ahead = min(confirm, count)
    sums = np.concatenate([[0], np.cumsum(np.concatenate([right, right[: ahead + 1]]))])
    following = sums[ahead + 1 : ahead + 1 + count] - sums[:count]
    return bool((shown & (following == ahead + 1)).any())


def _bit_changes(layout: FrameLayout) -> list[int]:
    """List what each bit of the sequence number changes in a frame's word, lowest first."""
    bits = len(layout.bit_places("sequence"))
    return [int((layout.pack(sequence=1 << bit) ^ layout.pack())[0]) for bit in range(bits)]


def _sums(one_bit: Sequence[int]) -> list[int]:
    """List what each number changes, in the order of counting, from what each bit does."""
    changes = [0]
    for vector in one_bit:
        changes += [before ^ vector for before in changes]
    return changes


def _period(layout: FrameLayout, count: int, idle_every: int | None) -> list[Window]:
    """List the windows until all comes round again."""
    if idle_every is None:
        return [(0, number) for number in range(count)]
    # A long row of frames repeats itself; what counts is where it ends.
    least = 2 * count + confirm_frames(layout) + release_of(layout) + 2
    every = idle_every if idle_every <= least else least + (idle_every - least) % count
    windows: list[Window] = []
    number = 0
    while True:
        windows += [(0, (number + ahead) % count) for ahead in range(every - 2)]
        windows.append((1, (number + every - 2) % count))
        number = (number + every - 1) % count
        windows.append((2, number))
        if number == 0:
            return windows


def _kinds(
    layout: FrameLayout, words: FrameSpace, bit_changes: Sequence[int], offset: int, *, count: int
) -> list[_Kind]:
    judge = Judge(layout, with_marker=True)
    idle = layout.idle_word
    found = []
    for sides in SIDES[:count]:

        def read(first: int, second: int, other: int, sides: str = sides) -> int:
            if sides == "idle behind":
                second = other
            elif sides == "idle before":
                first = other
            return judge.linear(window(layout, first, second, offset))

        # Before an idle frame a window ends; behind it the frame's own number counts.
        if sides == "idle before":
            steps = _sums([read(0, one, 0) for one in bit_changes])
        else:
            here = _sums([read(one, 0, 0) for one in bit_changes])
            behind = _sums([read(0, one, 0) for one in bit_changes])
            steps = [a ^ b for a, b in zip(here, [*behind[1:], behind[0]], strict=True)]
        found.append(
            _Kind(
                affine_rows([read(vector, vector, 0) for vector in words.basis], 0, judge.bits),
                judge.constant ^ read(words.base, words.base, idle),
                tuple(steps),
            )
        )
    return found
