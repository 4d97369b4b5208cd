"""The remainder by long division: append zeros, subtract the polynomial, bit by bit."""

from __future__ import annotations


def long_division(
    bits: list[int], *, polynomial: int, check_bits: int, initial: int, xor: int
) -> int:
    """Return the check of bits; the start value is XORed to the first bits of the dividend."""
    divisor = [1, *(polynomial >> i & 1 for i in range(check_bits - 1, -1, -1))]
    dividend = bits + [0] * check_bits
    for i in range(check_bits):
        dividend[i] ^= initial >> (check_bits - 1 - i) & 1
    for i in range(len(bits)):
        if dividend[i]:
            for j, coefficient in enumerate(divisor):
                dividend[i + j] ^= coefficient
    remainder = 0
    for bit in dividend[len(bits) :]:
        remainder = 2 * remainder + bit
    return remainder ^ xor
