"""How findings' figures are written."""

from __future__ import annotations


def percent(ratio: float, *, digits: int = 3) -> str:
    """Write a share: `none`, `6.25 %`, or a power of ten where it is small.

    >>> percent(0.0625), percent(0), percent(1.3e-8)
    ('6.25 %', 'none', '1.30e-08')
    """
    if ratio == 0:
        return "none"
    if ratio < 1e-4:
        return f"{ratio:.2e}"
    return f"{100 * ratio:.{digits}g} %"


def duration(seconds: float) -> str:
    """Write a time in the unit that fits.

    >>> duration(7.67e-6), duration(11_160), duration(1e15)
    ('7.67 us', '3.1 hours', '3.2e+07 years')
    """
    for limit, scale, unit in (
        (1e-6, 1e-9, "ns"),
        (1e-3, 1e-6, "us"),
        (1.0, 1e-3, "ms"),
        (120.0, 1.0, "s"),
        (7_200.0, 60.0, "minutes"),
        (172_800.0, 3_600.0, "hours"),
        (63_072_000.0, 86_400.0, "days"),
    ):
        if seconds < limit:
            return f"{seconds / scale:.3g} {unit}"
    years = seconds / 31_556_952
    return f"{years:,.3g} years" if years < 1e3 else f"{years:.1e} years"


def number(value: float) -> str:
    """Write a mean with a sensible count of digits.

    >>> number(61.37), number(280.84), number(35_149.76)
    ('61.37', '280.8', '35,150')
    """
    if value >= 1e6:
        return f"{value:.3g}"
    return f"{value:,.{2 if value < 100 else 1 if value < 1_000 else 0}f}"
