"""Numbers in messages and tables: counts with their nouns, frequencies, fractions."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction


def counted(count: int, noun: str) -> str:
    """Write a number with its noun: `1 bit`, `1,024 bits`."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def in_unit(value: int, units: Sequence[str]) -> str:
    """Write a quantity exactly, in the largest suitable of units a thousand apart, largest last."""
    power = min(max(0, len(str(value)) - 1) // 3, len(units) - 1)
    whole, rest = divmod(value, 1000**power)
    digits = f"{rest:0{3 * power}d}".rstrip("0") if power else ""
    return f"{whole:,}{'.' if digits else ''}{digits} {units[power]}"


def hertz(value_hz: int) -> str:
    """Write a frequency exactly, in the largest suitable unit: `1.023 MHz`."""
    return in_unit(value_hz, ("Hz", "kHz", "MHz", "GHz"))


def exact(value: Fraction) -> str:
    """Write a fraction as a decimal of up to three places, with `about` if rounded."""
    thousandths = (2000 * value.numerator + value.denominator) // (2 * value.denominator)
    whole, places = divmod(thousandths, 1000)
    digits = f"{places:03d}".rstrip("0")
    shown = f"{whole:,}{'.' + digits if digits else ''}"
    return shown if Fraction(thousandths, 1000) == value else f"about {shown}"


def hex_digits(value: int, *, bits: int) -> str:
    """Write a number as hex, zero-padded to its bits."""
    return f"{value:0{-(-bits // 4)}X}"
