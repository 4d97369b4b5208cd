"""Bits of a word that keep their order, and the types that hold them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Run:
    """Adjacent bits of a word that keep their order.

    Attributes:
        value_bit: the lowest of the value's bits that they hold.
        place: the lowest of their positions in the word; 0 is the word's lowest bit.
        bits: count of bits.
    """

    value_bit: int
    place: int
    bits: int

    @property
    def mask(self) -> int:
        """As many ones as there are bits, at bit 0."""
        return (1 << self.bits) - 1


def type_bits(bits: int) -> int:
    """Return the width of the smallest C type that holds as many bits."""
    return next(width for width in (8, 16, 32, 64) if bits <= width)


def runs_of(places: tuple[int, ...]) -> tuple[Run, ...]:
    """Split bits, lowest first, into runs; the highest run first."""
    runs: list[Run] = []
    for value_bit, place in enumerate(places):
        last = runs[-1] if runs else None
        if last is not None and place == last.place + last.bits:
            runs[-1] = Run(last.value_bit, last.place, last.bits + 1)
        else:
            runs.append(Run(value_bit, place, 1))
    return tuple(reversed(runs))
