"""A unit of greys that is filled by hand, and meters for its pictures."""

from __future__ import annotations

from busplay.analysis.flashes import FlashMeter
from busplay.display.display import Display
from busplay.player.flash_guard import Meter
from tests.display.cases import unit_with

HZ = 60
ALL_BLACK, ALL_WHITE = 0x00, 0xFF


def make_meter(width_px: int, height_px: int, *, can_take_back: bool) -> Meter:
    field = width_px, height_px
    return FlashMeter(width_px, height_px, rate_hz=HZ, field_px=field, can_take_back=can_take_back)


def one_unit(name: str = "panel", *, border_px: int = 0) -> dict[str, Display]:
    greys = tuple((17 * level,) * 3 for level in range(16))
    unit = unit_with(name=name, width_px=16, height_px=8, palette=greys, border_px=border_px)
    return {name: Display(unit)}


def fill(display: Display, data: int) -> None:
    count = display.unit.memory_bytes
    display.write_memory(range(count), [data] * count)


def strobe(number: int) -> int:
    return ALL_WHITE if number // 3 % 2 else ALL_BLACK
