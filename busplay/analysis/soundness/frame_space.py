"""The frames that a sender can send, as a space of words, and the words that a receiver reads.

How to think about it. The words of a layout are an affine space over GF(2): one word, and a
basis of what words may differ by. A receiver that begins `offset` symbols late reads the end of
one word and the beginning of the next; whether that is valid is again affine in both. So "how
often is a wrong offset valid in random data" is a rank, and exact.

Random data means: every field that a store sets is uniform and frames are independent, but for
`space`, which is memory or registers. Fields that carry nothing are 0, constants are themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busplay.description.link import MarkerFraming
from busplay.link.frame_facts import Equations, frame_equations
from busplay.link.gf2 import solution_space
from busplay.link.layout import FrameLayout


@dataclass(frozen=True, slots=True)
class FrameSpace:
    """Words of one kind: `base` XOR any of the sums of `basis`.

    Attributes:
        base: one of the words.
        basis: what words may differ by; empty: there is one word only.
    """

    base: int
    basis: tuple[int, ...] = ()


def sent_frames(layout: FrameLayout, *, fixed: Mapping[str, int] | None = None) -> FrameSpace:
    """Return the frames that carry a store.

    Args:
        layout: of the link.
        fixed: fields that have one value in all of them.

    Raises:
        ValueError: no frame has these values.
    """
    fixed = fixed or {}
    equations: Equations = frame_equations(layout)
    for name, value in fixed.items():
        equations += [
            (1 << place, value >> bit & 1) for bit, place in enumerate(layout.bit_places(name))
        ]
    space = layout.link.field_named("space")
    if space is not None and space.value is None and "space" not in fixed:
        places = layout.bit_places("space")
        # Memory (1) and registers (2) differ in both of the lowest bits; the others are 0.
        lowest = sum(1 << place for place in places[:2])
        equations += [(lowest, 1), *((1 << place, 0) for place in places[2:])]
    found = solution_space(equations, layout.frame_bits)
    if found is None:
        raise ValueError(f"no frame of link {layout.link.name} has {dict(fixed)}")
    return FrameSpace(*found)


def idle_frame(layout: FrameLayout) -> FrameSpace:
    """Return the space that holds the idle frame and nothing else."""
    return FrameSpace(layout.idle_word)


class Judge:
    """Whether a word is valid, or (with a marker) valid and a candidate, as linear parts.

    A word passes if `linear(word)` equals `constant`.

    Args:
        layout: the frame's.
        with_marker: ask for the marker of the framing too.
    """

    def __init__(self, layout: FrameLayout, *, with_marker: bool = False) -> None:
        self.layout = layout
        tables = layout.syndrome_tables.astype(object).tolist()
        self._tables: list[list[int]] = [[int(one) for one in row] for row in tables]
        base = self._tables[0][0]
        self._tables[0] = [one ^ base for one in self._tables[0]]
        self._bytes = range(-(-layout.frame_bits // 8))
        self.bits = layout.syndrome_bits
        self.constant = layout.syndrome_constant
        self._marker_shift = layout.frame_bits
        framing = layout.link.framing
        if with_marker and isinstance(framing, MarkerFraming):
            marker_bits = len(framing.symbols) * layout.lanes
            self._marker_shift = layout.frame_bits - marker_bits
            self.constant |= layout.bits_of_symbols(framing.symbols) << self.bits
            self.bits += marker_bits

    def linear(self, word: int) -> int:
        """Return the linear part of a word's judgement."""
        tables = self._tables
        found = word >> self._marker_shift << self.layout.syndrome_bits
        for index in self._bytes:
            found ^= tables[index][word >> 8 * index & 0xFF]
        return found

    def passes(self, word: int) -> bool:
        """Return whether one word passes, the idle frame's exception included."""
        if self.linear(word) == self.constant:
            return True
        return word == self.layout.idle_word


def window(layout: FrameLayout, first: int, second: int, offset: int) -> int:
    """Return the word that is read `offset` symbols behind the start of the first of two words."""
    bits = offset * layout.lanes
    mask = (1 << layout.frame_bits) - 1
    return (first << bits & mask) | second >> (layout.frame_bits - bits)
