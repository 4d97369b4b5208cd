"""Times, rates and sizes as people write them: exact, in picoseconds, hertz and bytes."""

from __future__ import annotations

import re
from fractions import Fraction

from busplay.errors import InputError
from busplay.units import PS_PER_S
from busplay.wording import in_unit

UNIT_PS = {
    "s": Fraction(PS_PER_S),
    "sec": Fraction(PS_PER_S),
    "second": Fraction(PS_PER_S),
    "seconds": Fraction(PS_PER_S),
    "ms": Fraction(10**9),
    "us": Fraction(10**6),
    "\N{MICRO SIGN}s": Fraction(10**6),
    "\N{GREEK SMALL LETTER MU}s": Fraction(10**6),
    "ns": Fraction(10**3),
    "ps": Fraction(1),
    "fs": Fraction(1, 1000),
}
_PREFIXES = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9}
_UNIT_HZ = {
    prefix + unit: hz for prefix, hz in _PREFIXES.items() for unit in ("", "hz", "sps", "s/s")
}
_QUANTITY = re.compile(r"\s*([+-]?[0-9_]*(?:\.[0-9]*)?(?:[eE][+-]?[0-9]{1,3})?)\s*(\D*?)\s*")
_UNIT_BYTES = {"b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12}
_UNIT_BYTES |= {"kib": 1 << 10, "mib": 1 << 20, "gib": 1 << 30, "tib": 1 << 40}
MAX_RATE_HZ = 10**12
MAX_SIZE_BYTES = 10**15


def find_timescale_ps(text: str) -> Fraction | None:
    """Read a unit of time such as `1 ns`, `244ns` or `us`; None if it is none."""
    split = _split(text)
    if split is None:
        return None
    number, unit = split
    scale = UNIT_PS.get(unit)
    if scale is None or (number is not None and number <= 0):
        return None
    scale *= 1 if number is None else number
    # No writer means more, and no 64-bit count of picoseconds holds it.
    if scale.numerator > 10**15 or scale.denominator > 10**6:
        return None
    return scale


def parse_time_ps(text: str, *, name: str = "time") -> int:
    """Read a time such as `1.5ms`, `-20us`, `0`; the unit may only be left out of 0.

    Raises:
        InputError: it is no time, has no unit, or is not a whole number of picoseconds.
    """
    wanted = "write a number and s, ms, us, ns or ps, such as 1.5ms"
    match _split(text):
        case (Fraction() as number, ""):
            if number == 0:
                return 0
            wanted = f"give a unit, such as {text.strip()}s or {text.strip()}ms"
        case (Fraction() as number, unit) if unit in UNIT_PS:
            time_ps = number * UNIT_PS[unit]
            if time_ps.denominator == 1 and abs(time_ps) < 1 << 63:
                return int(time_ps)
            if abs(time_ps) < 1 << 63:
                wanted = f"it is a whole number of picoseconds, such as {round(time_ps)}ps"
    raise InputError(found=f"{name} {text[:40]!r}", wanted=wanted)


def parse_rate_hz(text: str, *, name: str = "rate", needs_unit: bool = True) -> int:
    """Read a rate such as `24MHz`, `1 GHz`, `24MS/s`.

    Args:
        text: a number and its unit.
        name: what it is, for messages.
        needs_unit: refuse `24` and `24M`; where files leave the unit out, it is hertz.

    Raises:
        InputError: it is no rate, or not a whole number of hertz from 1 to 10^12.
    """
    wanted = "write a number and Hz, kHz, MHz or GHz, such as 24MHz"
    match _split(text):
        case (Fraction() as number, unit) if unit in _PREFIXES and needs_unit:
            if number > 0:
                usual = text.strip() if unit else f"{text.strip()}M"
                wanted = f"give a unit, such as {usual}Hz"
        case (Fraction() as number, unit) if unit in _UNIT_HZ:
            rate_hz = number * _UNIT_HZ[unit]
            if rate_hz.denominator == 1 and 1 <= rate_hz <= MAX_RATE_HZ:
                return int(rate_hz)
            if 1 <= rate_hz <= MAX_RATE_HZ:
                wanted = f"it is a whole number of hertz, such as {round(rate_hz)}Hz"
    raise InputError(found=f"{name} {text[:40]!r}", wanted=wanted)


def parse_size_bytes(text: str, *, name: str = "size") -> int:
    """Read a size such as `500MB`, `64 KiB` or `1.5 GB`.

    Raises:
        InputError: it is no size, has no unit, or is not a whole number of bytes from 1 to 10^15.
    """
    match _split(text):
        case (Fraction() as number, unit) if unit in _UNIT_BYTES:
            size_bytes = number * _UNIT_BYTES[unit]
            if size_bytes.denominator == 1 and 1 <= size_bytes <= MAX_SIZE_BYTES:
                return int(size_bytes)
    raise InputError(
        found=f"{name} {text[:40]!r}",
        wanted="write a number and B, kB, MB or GB, such as 500MB",
    )


def time_text(time_ps: int) -> str:
    """Write a time in the unit that suits it, exactly.

    >>> time_text(1_500_000), time_text(-20), time_text(0)
    ('1.5 us', '-20 ps', '0')
    """
    text = in_unit(abs(time_ps), ("ps", "ns", "us", "ms", "s"))
    return f"{'-' if time_ps < 0 else ''}{text}" if time_ps else "0"


def _split(text: str) -> tuple[Fraction | None, str] | None:
    """Split a number from its unit, in small letters; None if there is something else."""
    match = _QUANTITY.fullmatch(text)
    if match is None or len(text) > 100:
        return None
    digits, unit = match.groups()
    if not digits:
        return None, unit.lower()
    try:
        return Fraction(digits.replace("_", "")), unit.lower()
    except ValueError:
        return None
