from __future__ import annotations

from fractions import Fraction

import pytest

from busplay.errors import InputError
from busplay.formats.quantities import (
    find_timescale_ps,
    parse_rate_hz,
    parse_time_ps,
    time_text,
)


@pytest.mark.parametrize(
    ("text", "time_ps"),
    [
        ("0", 0),
        ("1.5ms", 1_500_000_000),
        ("-20 us", -20_000_000),
        ("3\N{MICRO SIGN}s", 3_000_000),
        ("1e-3s", 10**9),
        ("244ns", 244_000),
        ("7ps", 7),
        ("2_000 ns", 2_000_000),
    ],
)
def test_times_are_exact(text: str, time_ps: int) -> None:
    assert parse_time_ps(text) == time_ps


@pytest.mark.parametrize("text", ["", "ms", "1.5 parsecs", "1e99s", "1..2s", "--1s"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(InputError) as error:
        parse_time_ps(text)
    assert str(error.value) == (
        f"found time {text!r}; write a number and s, ms, us, ns or ps, such as 1.5ms"
    )


@pytest.mark.parametrize(
    ("text", "rate_hz"),
    [
        ("24MHz", 24_000_000),
        ("1 GHz", 10**9),
        ("500kHz", 500_000),
        ("48000 Hz", 48_000),
        ("1.5 mhz", 1_500_000),
        ("24MS/s", 24_000_000),
        ("100Msps", 100_000_000),
    ],
)
def test_rates_are_exact(text: str, rate_hz: int) -> None:
    assert parse_rate_hz(text) == rate_hz


@pytest.mark.parametrize("text", ["", "0", "-1MHz", "fast", "2THz", "1e13 Hz"])
def test_what_is_no_rate_is_refused(text: str) -> None:
    with pytest.raises(InputError) as error:
        parse_rate_hz(text)
    assert str(error.value) == (
        f"found rate {text!r}; write a number and Hz, kHz, MHz or GHz, such as 24MHz"
    )


def test_a_number_without_a_unit_is_refused_but_for_no_time_and_in_files() -> None:
    with pytest.raises(InputError) as error:
        parse_time_ps("5", name="--from")
    assert str(error.value) == "found --from '5'; give a unit, such as 5s or 5ms"
    for text, wanted in (("24", "24MHz"), ("500k", "500kHz")):
        with pytest.raises(InputError) as error:
            parse_rate_hz(text, name="--in-rate")
        assert str(error.value) == f"found --in-rate {text!r}; give a unit, such as {wanted}"
    assert parse_rate_hz("48000", needs_unit=False) == 48_000
    assert parse_rate_hz("500k", needs_unit=False) == 500_000


@pytest.mark.parametrize(
    ("time_ps", "text"),
    [
        (0, "0"),
        (-20, "-20 ps"),
        (1_500_000, "1.5 us"),
        (41_667, "41.667 ns"),
        (-1_234_567_890_123_456, "-1,234.567890123456 s"),
    ],
)
def test_times_are_written_exactly(time_ps: int, text: str) -> None:
    assert time_text(time_ps) == text
    assert not time_ps or parse_time_ps(text.replace(",", "")) == time_ps


@pytest.mark.parametrize(
    ("text", "tick_ps"),
    [
        ("1 ns", 1000),
        ("100fs", Fraction(1, 10)),
        ("s", 10**12),
        ("0.5 us", 500_000),
        ("0 ns", None),
        ("-1 ns", None),
        ("1", None),
        ("1 xs", None),
        ("9e300 s", None),
    ],
)
def test_timescales_are_positive_units(text: str, tick_ps: Fraction | None) -> None:
    assert find_timescale_ps(text) == tick_ps


def test_what_is_not_whole_is_refused_with_what_is_nearest() -> None:
    with pytest.raises(InputError) as error:
        parse_rate_hz("33.3333333MHz")
    assert str(error.value) == (
        "found rate '33.3333333MHz'; it is a whole number of hertz, such as 33333333Hz"
    )
    with pytest.raises(InputError) as error:
        parse_time_ps("41.6667fs", name="--from")
    assert str(error.value) == (
        "found --from '41.6667fs'; it is a whole number of picoseconds, such as 0ps"
    )
