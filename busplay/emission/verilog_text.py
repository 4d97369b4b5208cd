"""Pieces of Verilog that templates ask for: constants, and the moves of a field's bits."""

from __future__ import annotations

from collections.abc import Iterable

from busplay.emission.bits import Run

# Modules with pins; those of a doubled clock where both edges carry symbols.
TOPS = ("receiver", "receiver_2x", "sender", "sender_2x")


def sized(value: int, bits: int) -> str:
    """Return a constant in hex, of so many bits."""
    return f"{bits}'h{value:X}"


def joined(runs: Iterable[Run], word: str) -> str:
    """Return the expression of a value whose bits are scattered in a word; highest run first."""
    return "{" + ", ".join(f"{word}[{_span(run.place, run.bits)}]" for run in runs) + "}"


def moved(runs: Iterable[Run], value: str, word: str) -> list[tuple[str, str]]:
    """Return what is assigned to each part of a word from a value."""
    return [
        (f"{word}[{_span(run.place, run.bits)}]", f"{value}[{_span(run.value_bit, run.bits)}]")
        for run in runs
    ]


def _span(lowest: int, bits: int) -> str:
    return f"{lowest + bits - 1}:{lowest}"
