"""One frame between idle frames, as levels of each wire: what timing diagrams are drawn from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from busplay.description.link import SPACE_MEMORY, Link
from busplay.link.layout import FrameLayout

# Idle symbols that are shown before and behind the frame.
SHOWN_IDLE_SYMBOLS = 4
EXAMPLE_ADDRESS = 0x1234
EXAMPLE_DATA = 0x56

Edge = Literal["rising", "falling"]


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire.

    Attributes:
        name: `strobe`, `lane 3`.
        levels: one for each symbol shown.
    """

    name: str
    levels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Timing:
    """Some symbols of the wire: the end of an idle slot, a frame's slot, the start of another.

    Attributes:
        wires: the strobe if there is one, then the lanes, the highest first.
        edges: on which edge of the clock each symbol is sampled.
        halves: whether the clock is sampled on both its edges, so that it moves once a symbol.
        frame_first, frame_stop: which symbols are the frame's.
        caption: what the frame says.
        first_symbol: which of the frame's symbols is the first shown.
    """

    wires: tuple[Wire, ...]
    edges: tuple[Edge, ...]
    halves: bool
    frame_first: int
    frame_stop: int
    caption: str
    first_symbol: int = 0

    def part(self, first: int, stop: int) -> Timing:
        """Return some of the symbols shown."""
        stop = min(stop, len(self.edges))
        begin = min(max(self.frame_first, first), stop)
        end = max(begin, min(self.frame_stop, stop))
        return Timing(
            tuple(Wire(wire.name, wire.levels[first:stop]) for wire in self.wires),
            self.edges[first:stop],
            self.halves,
            begin - first,
            end - first,
            self.caption,
            self.first_symbol + begin - self.frame_first,
        )


def example_word(layout: FrameLayout) -> tuple[int, str]:
    """Return a frame to show, as a word and in words."""
    values: dict[str, int] = {}
    for name, value in (
        ("space", SPACE_MEMORY),
        ("address", EXAMPLE_ADDRESS),
        ("data", EXAMPLE_DATA),
    ):
        field = layout.link.field_named(name)
        if field is not None:
            values[name] = value & ((1 << field.bits) - 1)
    shown = ", ".join(
        f"{name} ${value:X}" if name in ("address", "data") else f"{name} {value}"
        for name, value in values.items()
    )
    return int(layout.pack(**values)[0]), shown


def timing_of(link: Link, word: int | None = None, shown: str = "") -> Timing:
    """Work out the levels of one frame between idle frames.

    Args:
        link: its link.
        word: the frame; an example by default.
        shown: what it says, in words.
    """
    layout = FrameLayout(link)
    if word is None:
        word, shown = example_word(layout)
    idle_symbols = min(SHOWN_IDLE_SYMBOLS, layout.slot_symbols)
    symbols = np.concatenate(
        [
            layout.idle_symbols[layout.slot_symbols - idle_symbols :],
            layout.to_symbols(np.array([word], np.uint64)),
            layout.idle_symbols,
        ]
    ).astype(np.int64)
    # A long gap behind the frame looks like idle.
    symbols = symbols[: 2 * idle_symbols + layout.frame_symbols]
    wires = [
        Wire(f"lane {lane}", tuple((symbols >> lane & 1).tolist()))
        for lane in range(layout.lanes - 1, -1, -1)
    ]
    if layout.strobe_mask:
        levels = (symbols & layout.strobe_mask != 0).astype(np.int64)
        wires.insert(0, Wire("strobe", tuple(levels.tolist())))
    halves = link.edges == "both"
    edges: list[Edge] = []
    for index in range(len(symbols)):
        if halves:
            # The frame's first symbol is drawn on a rising edge.
            edges.append("falling" if (index - idle_symbols) % 2 else "rising")
        else:
            edges.append("falling" if link.edges == "falling" else "rising")
    return Timing(
        tuple(wires),
        tuple(edges),
        halves,
        idle_symbols,
        idle_symbols + layout.frame_symbols,
        shown,
    )
