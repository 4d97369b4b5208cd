"""The display's pixels and our PNG files against Pillow; sizes of display memory.

Pillow has no raw decoder for 2 and 4 bits with the leftmost pixel lowest; there the naive
display is the only second opinion.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from busplay.display.arrangement import compose
from busplay.display.display import Display
from busplay.png import encode_png
from tests.display.cases import unit_with

pillow = pytest.mark.source("Pillow 13.0.0", part="raw decoder, mode P", kind="library")
pillow_png = pytest.mark.source("Pillow 13.0.0", part="PNG reader", kind="library")

# The raw decoder's name for each depth and order of pixels that it knows.
RAW_MODES = {
    (1, "high_first"): "P;1",
    (2, "high_first"): "P;2",
    (4, "high_first"): "P;4",
    (8, "high_first"): "P",
    (8, "low_first"): "P",
}


def filled(unit, seed: int) -> tuple[Display, bytes]:
    data = np.random.default_rng(seed).integers(0, 256, unit.memory_bytes).astype(np.uint8)
    display = Display(unit)
    display.write_memory(range(unit.memory_bytes), data)
    return display, data.tobytes()


@pillow
@pytest.mark.parametrize(("bits", "order"), sorted(RAW_MODES))
@given(st.integers(1, 33), st.integers(1, 9), st.integers(0, 3), st.integers(0, 999))
@settings(deadline=None, max_examples=40)
def test_pillow_draws_the_same_bytes(bits, order, width, height, spare_bytes, seed) -> None:
    stride = -(-width * bits // 8) + spare_bytes
    unit = unit_with(
        width_px=width,
        height_px=height,
        bits_per_pixel=bits,
        pixel_order=order,
        stride_bytes=stride,
    )
    display, data = filled(unit, seed)
    picture = Image.frombytes("P", (width, height), data, "raw", RAW_MODES[bits, order], stride, 1)
    picture.putpalette([part for colour in unit.palette for part in colour])
    assert (np.array(picture) == display.indices()).all()
    assert (np.array(picture.convert("RGB")) == display.image()).all()


@pytest.mark.source("Pillow 13.0.0", part="raw decoders 1 and 1;R", kind="library")
@pytest.mark.parametrize(("order", "raw_mode"), [("high_first", "1"), ("low_first", "1;R")])
@given(st.integers(1, 40), st.integers(1, 9), st.integers(0, 999))
@settings(deadline=None, max_examples=40)
def test_pillow_draws_the_same_two_colours(order, raw_mode, width, height, seed) -> None:
    unit = unit_with(
        width_px=width,
        height_px=height,
        bits_per_pixel=1,
        pixel_order=order,
        palette=((0, 0, 0), (255, 255, 255)),
    )
    display, data = filled(unit, seed)
    picture = Image.frombytes("1", (width, height), data, "raw", raw_mode, unit.stride_bytes, 1)
    assert (np.array(picture.convert("RGB")) == display.image()).all()


@pytest.mark.source("width x height x bits / 8", part="bytes of display memory", kind="computed")
@pytest.mark.parametrize(
    ("width", "height", "sizes"),
    [
        (256, 192, (6144, 12288, 24576, 49152)),
        (320, 180, (7200, 14400, 28800, 57600)),
        (128, 32, (512, 1024, 2048, 4096)),
        (640, 480, (38400, 76800, 153600, 307200)),
    ],
)
def test_picture_is_drawn_from_exactly_its_bytes(width, height, sizes) -> None:
    for bits, size in zip((1, 2, 4, 8), sizes, strict=True):
        # Memory is one byte larger; that byte must not show, and the last before it must.
        unit = unit_with(
            width_px=width, height_px=height, bits_per_pixel=bits, memory_bytes=size + 1
        )
        display = Display(unit)
        display.write_memory([size], [255])
        assert not display.indices().any()
        display.write_memory([size - 1], [255])
        assert display.indices()[-1, -1] == (1 << bits) - 1
        assert np.count_nonzero(display.indices()) == 8 // bits


@pytest.mark.source("CTA-861", part="VIC 4: 1280 x 720", kind="standard")
def test_320_by_180_fills_720_lines_at_scale_4() -> None:
    display, _ = filled(unit_with(width_px=320, height_px=180, bits_per_pixel=2), seed=1)
    out = np.full((720, 1280), 9, np.uint32)
    display.draw(out, np.arange(4, dtype=np.uint32), left_px=0, top_px=0, scale=4)
    assert (out == display.indices().repeat(4, axis=0).repeat(4, axis=1)).all()


@pillow_png
@given(st.integers(1, 40), st.integers(1, 9), st.integers(0, 999))
@settings(deadline=None, max_examples=30)
def test_pillow_reads_back_every_pixel(width, height, seed) -> None:
    image = np.random.default_rng(seed).integers(0, 256, (height, width, 3)).astype(np.uint8)
    read = Image.open(io.BytesIO(encode_png(image)))
    read.load()
    assert read.mode == "RGB"
    assert (np.array(read) == image).all()


@pillow_png
@pytest.mark.parametrize("colours", [1, 2, 3, 4, 7, 16, 100, 256])
@given(st.integers(1, 40), st.integers(1, 9), st.integers(0, 999))
@settings(deadline=None, max_examples=15)
def test_pillow_reads_back_every_index_and_the_palette(colours, width, height, seed) -> None:
    random = np.random.default_rng(seed)
    indexes = random.integers(0, colours, (height, width)).astype(np.uint8)
    palette = random.integers(0, 256, (colours, 3)).astype(np.uint8)
    read = Image.open(io.BytesIO(encode_png(indexes, palette=palette)))
    read.load()
    assert read.mode == "P"
    assert (np.array(read.convert("RGB")) == palette[indexes]).all()
    assert (np.array(read) == indexes).all()
    assert read.getpalette("RGB")[: 3 * colours] == palette.reshape(-1).tolist()


@pillow_png
def test_pillow_reads_back_units_side_by_side() -> None:
    panel, _ = filled(unit_with(name="panel", width_px=40, height_px=30, border_px=3), seed=2)
    sign, _ = filled(unit_with(name="sign", width_px=24, height_px=8, bits_per_pixel=1), seed=3)
    picture = compose([panel, sign])
    read = Image.open(io.BytesIO(encode_png(picture)))
    assert (np.array(read) == picture).all()
    assert (np.array(read)[3:33, 3:43] == panel.image()).all()
