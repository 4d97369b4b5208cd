from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.link.check_field import check_columns, remainder
from tests.naive.check_field import long_division

BITS = st.lists(st.integers(0, 1), min_size=1, max_size=64)


@st.composite
def parameters(draw: st.DrawFn) -> dict[str, int]:
    check_bits = draw(st.integers(1, 32))
    values = st.integers(0, (1 << check_bits) - 1)
    return {
        "polynomial": draw(values),
        "check_bits": check_bits,
        "initial": draw(values),
        "xor": draw(values),
    }


@settings(deadline=None)
@given(BITS, parameters())
def test_shift_register_equals_long_division(bits: list[int], of: dict[str, int]) -> None:
    of = dict(of)
    xor = of.pop("xor")
    assert remainder(bits, **of) ^ xor == long_division(bits, **of, xor=xor)


@settings(deadline=None)
@given(BITS, parameters())
def test_columns_and_constant_give_the_check_of_any_bits(
    bits: list[int], of: dict[str, int]
) -> None:
    check, columns = check_columns(len(bits), **of)
    for bit, column in zip(bits, columns, strict=True):
        if bit:
            check ^= column
    assert check == long_division(bits, **of)


def test_no_covered_bits_leave_the_start_value_and_the_xor() -> None:
    found = check_columns(0, polynomial=0x07, check_bits=8, initial=0x0F, xor=0x55)
    assert found == (0x5A, [])
