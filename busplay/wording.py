"""Numbers in messages and tables: counts with their nouns, frequencies, fractions."""

from __future__ import annotations

from fractions import Fraction


def counted(count: int, noun: str) -> str:
    """Write a number with its noun: `1 bit`, `1,024 bits`."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def hertz(value_hz: int) -> str:
    """Write a frequency exactly, in the largest suitable unit: `1.023 MHz`."""
    for scale, unit in ((1_000_000, "MHz"), (1_000, "kHz")):
        if value_hz >= scale:
            whole, rest = divmod(value_hz, scale)
            digits = f"{rest:0{len(str(scale)) - 1}d}".rstrip("0")
            return f"{whole:,}{'.' + digits if digits else ''} {unit}"
    return f"{value_hz} Hz"


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
