"""Times and rates as people write them: exact, in picoseconds and hertz."""

from __future__ import annotations

import re
from fractions import Fraction

from busplay.errors import InputError
from busplay.units import PS_PER_S

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
_UNIT_HZ = {"": 1, "hz": 1, "k": 10**3, "khz": 10**3, "m": 10**6, "mhz": 10**6}
_UNIT_HZ |= {"g": 10**9, "ghz": 10**9, "sps": 1, "ksps": 10**3, "msps": 10**6, "gsps": 10**9}
_UNIT_HZ |= {"s/s": 1, "ks/s": 10**3, "ms/s": 10**6, "gs/s": 10**9}
_QUANTITY = re.compile(r"\s*([+-]?[0-9_]*(?:\.[0-9]*)?(?:[eE][+-]?[0-9]{1,3})?)\s*(\D*?)\s*")
MAX_RATE_HZ = 10**12


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
    # What no writer means and no 64-bit count of picoseconds could carry.
    if scale.numerator > 10**15 or scale.denominator > 10**6:
        return None
    return scale


def parse_time_ps(text: str, *, name: str = "time") -> int:
    """Read a time such as `1.5ms`, `-20us`, `0`; the unit may only be left out of 0.

    Raises:
        InputError: it is no time, or not a whole number of picoseconds.
    """
    split = _split(text)
    if split is not None and split[0] is not None:
        number, unit = split[0], split[1]
        if unit == "" and number == 0:
            return 0
        if unit in UNIT_PS:
            time_ps = number * UNIT_PS[unit]
            if time_ps.denominator == 1 and abs(time_ps) < 1 << 63:
                return int(time_ps)
            if abs(time_ps) < 1 << 63:
                raise InputError(
                    found=f"{name} {text[:40]!r}",
                    wanted=f"it is a whole number of picoseconds, such as {round(time_ps)}ps",
                )
    raise InputError(
        found=f"{name} {text[:40]!r}",
        wanted="write a number and s, ms, us, ns or ps, such as 1.5ms",
    )


def parse_rate_hz(text: str, *, name: str = "rate") -> int:
    """Read a rate such as `24MHz`, `1 GHz`, `500k`, `48000`, `24MS/s`.

    Raises:
        InputError: it is no rate, or not a whole number of hertz from 1 to 10^12.
    """
    split = _split(text)
    if split is not None and split[0] is not None:
        number, unit = split[0], split[1]
        if unit in _UNIT_HZ:
            rate_hz = number * _UNIT_HZ[unit]
            if rate_hz.denominator == 1 and 1 <= rate_hz <= MAX_RATE_HZ:
                return int(rate_hz)
            if 1 <= rate_hz <= MAX_RATE_HZ:
                raise InputError(
                    found=f"{name} {text[:40]!r}",
                    wanted=f"it is a whole number of hertz, such as {round(rate_hz)}Hz",
                )
    raise InputError(
        found=f"{name} {text[:40]!r}",
        wanted="write a number and Hz, kHz, MHz or GHz, such as 24MHz",
    )


def _split(text: str) -> tuple[Fraction | None, str] | None:
    """Take a number and its unit, in small letters, apart; None if there is something else."""
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
