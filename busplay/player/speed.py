"""Speeds of a player: ratios of the board's own, stores a second, or as fast as possible."""

from __future__ import annotations

import re
from dataclasses import dataclass

from busplay.errors import InputError
from busplay.units import Ratio
from busplay.wording import counted


@dataclass(frozen=True, slots=True)
class StoreRate:
    """A speed at which single stores show: stores in a second of the clock."""

    stores_hz: int


# None is as fast as possible.
Speed = Ratio | StoreRate | None

AS_FAST_AS_IT_CAN: Speed = None
NORMAL: Speed = Ratio.of(1, 1)
# The steps of slower and faster; those by stores are below the others.
STORE_STEPS: tuple[StoreRate, ...] = (
    StoreRate(1),
    StoreRate(3),
    StoreRate(10),
    StoreRate(30),
    StoreRate(100),
    StoreRate(1000),
)
STEPS: tuple[Ratio, ...] = (
    Ratio.of(1, 8),
    Ratio.of(1, 4),
    Ratio.of(1, 2),
    Ratio.of(1, 1),
    Ratio.of(2, 1),
    Ratio.of(4, 1),
    Ratio.of(8, 1),
    Ratio.of(16, 1),
)
MOST = 1_000_000

_WORD = "max"
_FORM = re.compile(r"([0-9]{1,7})(?:/([0-9]{1,7})|\.([0-9]{1,3}))?")


def parse_speed(text: str) -> Speed:
    """Read a speed: `2`, `1/4`, `0.25`, or `max`.

    Raises:
        InputError: it is none of these, or zero.
    """
    if text.strip().lower() == _WORD:
        return AS_FAST_AS_IT_CAN
    form = _FORM.fullmatch(text.strip())
    if form:
        whole, below, decimals = form.groups()
        scale = 10 ** len(decimals or "")
        numerator = int(whole) * scale + int(decimals or 0)
        denominator = int(below) if below else scale
        if 0 < numerator <= MOST * denominator and denominator:
            return Ratio.of(numerator, denominator)
    raise InputError(
        place="speed", found=repr(text), wanted=f"give a ratio such as 2, 1/4 or 0.25, or {_WORD}"
    )


def speed_text(speed: Speed) -> str:
    """Write a speed: `2×`, `1/4×`, `10 stores/s`, `as fast as possible`."""
    if speed is None:
        return "as fast as possible"
    if isinstance(speed, StoreRate):
        return f"{counted(speed.stores_hz, 'store')}/s"
    if speed.denominator == 1:
        return f"{speed.numerator}×"
    return f"{speed.numerator}/{speed.denominator}×"


def faster(speed: Speed) -> Speed:
    """Return the next higher step; above the highest, as fast as possible."""
    if speed is None:
        return None
    if isinstance(speed, StoreRate):
        higher = (step for step in STORE_STEPS if step.stores_hz > speed.stores_hz)
        return next(higher, STEPS[0])
    return next((step for step in STEPS if _less(speed, step)), AS_FAST_AS_IT_CAN)


def slower(speed: Speed, *, by_stores: bool = False) -> Speed:
    """Return the next lower step, or the lowest.

    Args:
        speed: the present one.
        by_stores: include steps by stores, below the lowest ratio.
    """
    if speed is None:
        return STEPS[-1]
    if isinstance(speed, StoreRate):
        lower = (step for step in reversed(STORE_STEPS) if step.stores_hz < speed.stores_hz)
        return next(lower, STORE_STEPS[0])
    lower_ratio = next((step for step in reversed(STEPS) if _less(step, speed)), None)
    if lower_ratio is not None:
        return lower_ratio
    return STORE_STEPS[-1] if by_stores else STEPS[0]


def _less(one: Ratio, other: Ratio) -> bool:
    return one.numerator * other.denominator < other.numerator * one.denominator
