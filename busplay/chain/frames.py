"""A frame's fields, and the levels of each wire edge by edge."""

from __future__ import annotations

import numpy as np

from busplay.chain.report import FrameOnWires, WireLevels
from busplay.link.layout import FrameLayout


def frame_on_wires(
    layout: FrameLayout, *, number: int, edge: int, time_s: float | None, word: int
) -> FrameOnWires:
    """Return a frame's fields and levels.

    Args:
        layout: of its link.
        number, edge, time_s: see `FrameOnWires`.
        word: its bits, the first on the wire highest.
    """
    column = np.array([word], np.uint64)
    digits = -(-layout.frame_bits // 4)
    return FrameOnWires(
        number=number,
        edge=edge,
        time_s=time_s,
        word=f"{word:0{digits}X}",
        fields={name: int(values[0]) for name, values in layout.unpack(column).items()},
        lanes=wire_levels(layout, layout.to_symbols(column)[: layout.frame_symbols].tolist()),
    )


def wire_levels(layout: FrameLayout, symbols: list[int]) -> tuple[WireLevels, ...]:
    """Return the levels of each wire during a frame's symbols, the highest lane first."""
    bits = _bits_on_wires(layout)
    wires = []
    for lane in range(layout.lanes - 1, -1, -1):
        levels = tuple(symbol >> lane & 1 for symbol in symbols)
        wires.append(WireLevels(f"lane{lane}", levels, tuple(bits[lane])))
    if layout.strobe_mask:
        levels = tuple(int(bool(symbol & layout.strobe_mask)) for symbol in symbols)
        wires.append(WireLevels("strobe", levels, ()))
    return tuple(wires)


def _bits_on_wires(layout: FrameLayout) -> list[list[str]]:
    """Name the field's bit on each lane at each edge, by sending each bit alone."""
    names = [[""] * layout.frame_symbols for _ in range(layout.lanes)]
    rest = layout.to_symbols(np.zeros(1, np.uint64))[: layout.frame_symbols]
    for field in layout.link.fields:
        for bit, place in enumerate(layout.bit_places(field.name)):
            alone = layout.to_symbols(np.array([1 << place], np.uint64))[: layout.frame_symbols]
            changed = (alone ^ rest).tolist()
            edge = next(index for index, symbol in enumerate(changed) if symbol)
            names[changed[edge].bit_length() - 1][edge] = f"{field.name}.{bit}"
    return names
