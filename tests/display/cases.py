"""Units for the tests of the display."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import strategies as st

from busplay.description.board import Font, Unit
from busplay.description.read_font import shipped_font


def unit_with(
    *,
    name: str = "panel",
    number: int = 0,
    width_px: int = 8,
    height_px: int = 2,
    bits_per_pixel: int = 4,
    palette: tuple[tuple[int, int, int], ...] | None = None,
    pixel_order: str = "high_first",
    stride_bytes: int | None = None,
    base_offset: int = 0,
    memory_bytes: int | None = None,
    border_px: int = 0,
    border_index: int = 0,
    pages: int = 1,
    page_bytes: int = 0,
) -> Unit:
    """Make a unit; by default with the least stride and memory."""
    if palette is None:
        colours = 1 << bits_per_pixel
        palette = tuple((i, 255 - i, i * 7 % 256) for i in range(colours))
    stride = stride_bytes if stride_bytes is not None else -(-width_px * bits_per_pixel // 8)
    return Unit(
        name=name,
        number=number,
        width_px=width_px,
        height_px=height_px,
        bits_per_pixel=bits_per_pixel,
        palette=palette,
        pixel_order=pixel_order,  # type: ignore[arg-type]
        stride_bytes=stride,
        base_offset=base_offset,
        memory_bytes=memory_bytes if memory_bytes is not None else stride * height_px,
        border_px=border_px,
        border_index=border_index,
        pages=pages,
        page_bytes=page_bytes,
    )


def text_unit(
    *,
    name: str = "panel",
    number: int = 0,
    columns: int = 4,
    rows: int = 2,
    cell_bytes: int = 1,
    font: Font | None = None,
    font_offset: int | None = None,
    bits_per_pixel: int = 4,
    memory_bytes: int | None = None,
    **others: Any,
) -> Unit:
    """Make a unit of text; by default in the small shipped font."""
    font = font or shipped_font("plain_8x8")
    bitmap = unit_with(
        name=name,
        number=number,
        width_px=columns * font.width_px,
        height_px=rows * font.height_px,
        bits_per_pixel=bits_per_pixel,
        stride_bytes=others.pop("stride_bytes", columns * cell_bytes),
        memory_bytes=columns * rows * cell_bytes if memory_bytes is None else memory_bytes,
        **others,
    )
    return replace(
        bitmap,
        mode="text",
        columns=columns,
        rows=rows,
        cell_bytes=cell_bytes,
        font=font,
        font_offset=font_offset,
    )


def drawn_font(rng: np.random.Generator, width_px: int, height_px: int) -> Font:
    """Return a font of random glyphs."""
    rows = rng.integers(0, 256, (256, height_px), np.uint8)
    return Font("drawn", width_px, height_px, tuple(one.tobytes().hex() for one in rows))


@st.composite
def fonts(draw: st.DrawFn) -> Font:
    """Draw a font of any size of cell."""
    width, height = draw(st.integers(1, 8)), draw(st.integers(1, 6))
    return drawn_font(np.random.default_rng(draw(st.integers(0, 1 << 32))), width, height)


@st.composite
def text_units(draw: st.DrawFn, *, name: str = "panel", number: int = 0) -> Unit:
    """Draw a unit of text: cells, font in ROM or memory, pages, stride, base, memory."""
    font = draw(fonts())
    font_offset = draw(st.none() | st.integers(0, 50))
    least = 1 if font_offset is None else font_offset + 256 * font.height_px
    return text_unit(
        name=name,
        number=number,
        columns=draw(st.integers(1, 5)),
        rows=draw(st.integers(1, 4)),
        cell_bytes=draw(st.sampled_from((1, 2))),
        font=font,
        font_offset=font_offset,
        bits_per_pixel=draw(st.sampled_from((1, 2, 4))),
        stride_bytes=draw(st.integers(0, 20)),
        base_offset=draw(st.integers(0, 300)),
        memory_bytes=least + draw(st.integers(0, 200)),
        pages=draw(st.integers(1, 3)),
        page_bytes=draw(st.integers(1, 60)),
    )


@st.composite
def bitmap_units(draw: st.DrawFn, *, name: str = "panel", number: int = 0) -> Unit:
    """Draw a bitmap of any depth, order, size, stride, base, pages, and memory from a byte on."""
    bits = draw(st.sampled_from((1, 2, 4, 8)))
    colour = st.tuples(*[st.integers(0, 255)] * 3)
    palette = draw(
        st.lists(colour, min_size=1 << bits, max_size=1 << bits)
        if bits < 8
        else st.just([(i, 255 - i, i * 7 % 256) for i in range(256)])
    )
    return unit_with(
        name=name,
        number=number,
        width_px=draw(st.integers(1, 20)),
        height_px=draw(st.integers(1, 6)),
        bits_per_pixel=bits,
        palette=tuple(palette),
        pixel_order=draw(st.sampled_from(("high_first", "low_first"))),
        stride_bytes=draw(st.integers(0, 40)),
        base_offset=draw(st.integers(0, 300)),
        memory_bytes=draw(st.integers(1, 200)),
        border_index=draw(st.integers(0, (1 << bits) - 1)),
        pages=draw(st.integers(1, 3)),
        page_bytes=draw(st.integers(1, 60)),
    )


def units(*, name: str = "panel", number: int = 0) -> st.SearchStrategy[Unit]:
    """Draw a unit of either mode."""
    return bitmap_units(name=name, number=number) | text_units(name=name, number=number)
