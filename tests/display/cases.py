"""Units for the tests of the display."""

from __future__ import annotations

from hypothesis import strategies as st

from busplay.description.board import Unit


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
    )


@st.composite
def units(draw: st.DrawFn, *, name: str = "panel", number: int = 0) -> Unit:
    """Draw a unit of any depth, order, size, stride, base, and memory down to one byte."""
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
    )
