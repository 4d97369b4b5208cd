"""Check fields and frame words against published values, another library and counting."""

from __future__ import annotations

import binascii
import zlib
from functools import reduce
from itertools import combinations
from math import comb
from operator import xor

import crccheck.crc
import numpy as np
import pytest

from busplay.description.check_catalogue import CHECK_CATALOGUE
from busplay.description.link import Check, Link
from busplay.link.check_field import check_columns, remainder
from busplay.link.framing.check import idle_rotations_that_pass
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.naive.check_field import long_division

CHECK_STRING = b"123456789"


def high_first(octets: bytes) -> list[int]:
    return [octet >> i & 1 for octet in octets for i in range(7, -1, -1)]


def low_first(octets: bytes) -> list[int]:
    return [octet >> i & 1 for octet in octets for i in range(8)]


def reversed_bits(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


def affine_check(bits: list[int], **parameters: int) -> int:
    """Compute a check as the link does: a constant and a column for each set bit."""
    check, columns = check_columns(len(bits), **parameters)
    for bit, column in zip(bits, columns, strict=True):
        check ^= column * bit
    return check


def catalogued(name: str, bits: list[int]) -> int:
    entry = CHECK_CATALOGUE[name]
    return affine_check(
        bits,
        polynomial=entry.polynomial,
        check_bits=entry.bits,
        initial=entry.initial,
        xor=entry.xor,
    )


# -- check values


@pytest.mark.source("ITU-T I.432.1", part="header error control, check value 0xA1", kind="standard")
@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321", kind="library")
def test_header_error_control_of_the_check_string() -> None:
    assert catalogued("hec_i432", high_first(CHECK_STRING)) == 0xA1
    assert crccheck.crc.Crc8I4321.calc(CHECK_STRING) == 0xA1


@pytest.mark.source("ITU-T I.432.1", part="idle cell header 00 00 00 01", kind="from memory")
@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321", kind="library")
@pytest.mark.parametrize(("header", "check"), [("00000001", 0x52), ("00000000", 0x55)])
def test_header_error_control_of_an_idle_cell(header: str, check: int) -> None:
    octets = bytes.fromhex(header)
    assert catalogued("hec_i432", high_first(octets)) == check
    assert crccheck.crc.Crc8I4321.calc(octets) == check


@pytest.mark.source("crccheck 1.3.1", part="Crc8Smbus", kind="library")
def test_smbus_packet_error_check_of_the_check_string() -> None:
    assert catalogued("crc8_smbus", high_first(CHECK_STRING)) == 0xF4
    assert crccheck.crc.Crc8Smbus.calc(CHECK_STRING) == 0xF4


@pytest.mark.source("ITU-T G.704", part="x^4+x+1, check value 0x7 reflected", kind="standard")
@pytest.mark.source("crccheck 1.3.1", part="Crc4G704", kind="library")
def test_crc4_is_that_of_g704_with_all_bits_reversed() -> None:
    assert crccheck.crc.Crc4G704.calc(CHECK_STRING) == 0x7
    reflected = catalogued("crc4_g704", low_first(CHECK_STRING))
    assert reversed_bits(reflected, 4) == 0x7
    assert catalogued("crc4_g704", high_first(CHECK_STRING)) == 0xE
    assert catalogued("crc4_g704", high_first(CHECK_STRING)) ^ 0x5 == 0xB


@pytest.mark.source("crccheck 1.3.1", part="Crc5G704, Crc5Usb", kind="library")
@pytest.mark.parametrize(
    ("name", "oracle", "value"), [("crc5_g704", "Crc5G704", 0x07), ("crc5_usb", "Crc5Usb", 0x19)]
)
def test_five_bit_checks_are_those_of_their_standards_with_all_bits_reversed(
    name: str, oracle: str, value: int
) -> None:
    assert getattr(crccheck.crc, oracle).calc(CHECK_STRING) == value
    assert reversed_bits(catalogued(name, low_first(CHECK_STRING)), 5) == value


@pytest.mark.source("crccheck 1.3.1", part="Crc4Interlaken, check value 0xB", kind="library")
def test_start_value_and_final_xor_of_another_four_bit_check() -> None:
    found = affine_check(
        high_first(CHECK_STRING), polynomial=0x3, check_bits=4, initial=0xF, xor=0xF
    )
    assert found == crccheck.crc.Crc4Interlaken.calc(CHECK_STRING) == 0xB


@pytest.mark.source("binascii", part="crc_hqx: CRC-16/XMODEM and IBM-3740", kind="library")
@pytest.mark.parametrize(("initial", "value"), [(0x0000, 0x31C3), (0xFFFF, 0x29B1)])
def test_sixteen_bit_check_with_and_without_a_start_value(initial: int, value: int) -> None:
    found = affine_check(
        high_first(CHECK_STRING), polynomial=0x1021, check_bits=16, initial=initial, xor=0
    )
    assert found == binascii.crc_hqx(CHECK_STRING, initial) == value


@pytest.mark.source("crccheck 1.3.1", part="CrcKermit, CrcArc", kind="library")
@pytest.mark.parametrize(
    ("polynomial", "oracle", "value"), [(0x1021, "CrcKermit", 0x2189), (0x8005, "CrcArc", 0xBB3D)]
)
def test_reflected_check_covers_bits_sent_lowest_first(
    polynomial: int, oracle: str, value: int
) -> None:
    found = affine_check(
        low_first(CHECK_STRING), polynomial=polynomial, check_bits=16, initial=0, xor=0
    )
    assert getattr(crccheck.crc, oracle).calc(CHECK_STRING) == value
    assert reversed_bits(found, 16) == value


@pytest.mark.source("zlib", part="crc32, check value 0xCBF43926", kind="library")
def test_thirty_two_bit_check_with_everything_in_it() -> None:
    found = affine_check(
        low_first(CHECK_STRING),
        polynomial=0x04C11DB7,
        check_bits=32,
        initial=0xFFFFFFFF,
        xor=0xFFFFFFFF,
    )
    assert reversed_bits(found, 32) == zlib.crc32(CHECK_STRING) == 0xCBF43926


@pytest.mark.source("common practice, no source", part="even parity makes the count of ones even")
def test_parity_makes_the_count_of_ones_even_or_odd() -> None:
    for octet in range(256):
        bits = high_first(bytes([octet]))
        assert (sum(bits) + catalogued("parity_even", bits)) % 2 == 0
        assert (sum(bits) + catalogued("parity_odd", bits)) % 2 == 1


# -- frames

LEAN_WORDS = [
    ((0, 0, 0, 0), 0x00000005),
    ((1, 0, 0, 0), 0x40000004),
    ((1, 0, 0x1234, 0x56), 0x41234565),
    ((1, 0, 0x5FFF, 0xA5), 0x45FFFA58),
    ((1, 1, 0x01FF, 0x80), 0x501FF806),
    ((2, 0, 3, 7), 0x8000307C),
    ((2, 3, 0xFFFF, 0xFF), 0xBFFFFFF8),
]
GUARDED_WORDS = [
    ((0, 0, 0, 0, 0), 0x0000000055),
    ((1, 0, 0, 0, 0), 0x40000000CE),
    ((1, 0, 1, 0x1234, 0x56), 0x41123456A4),
    ((1, 0, 15, 0x5FFF, 0xA5), 0x4F5FFFA5DA),
    ((1, 1, 2, 0x01FF, 0x80), 0x5201FF80B0),
    ((2, 0, 3, 3, 7), 0x8300030774),
    ((2, 3, 15, 0xFFFF, 0xFF), 0xBFFFFFFF10),
]


@pytest.mark.source("crccheck 1.3.1", part="Crc4G704, bits turned round, XOR 5", kind="library")
@pytest.mark.source("long division by x^4+x+1", part="seven frames", kind="computed")
@pytest.mark.parametrize(("values", "word"), LEAN_WORDS)
def test_lean_frame_of_four_values(values: tuple[int, ...], word: int) -> None:
    layout = FrameLayout(load_link("lean"))
    space, unit, address, data = values
    assert int(layout.pack(space=space, unit=unit, address=address, data=data)[0]) == word
    # Zeros in front change nothing where the start value is 0, so 28 bits may be 32.
    octets = (word >> 4).to_bytes(4, "big")
    turned = bytes(reversed_bits(octet, 8) for octet in octets)
    assert reversed_bits(crccheck.crc.Crc4G704.calc(turned), 4) ^ 5 == word & 0xF
    bits = [int(bit) for bit in f"{word >> 4:028b}"]
    assert long_division(bits, polynomial=3, check_bits=4, initial=0, xor=5) == word & 0xF


@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321", kind="library")
@pytest.mark.source("long division by x^8+x^2+x+1", part="seven frames", kind="computed")
@pytest.mark.parametrize(("values", "word"), GUARDED_WORDS)
def test_guarded_frame_of_five_values(values: tuple[int, ...], word: int) -> None:
    layout = FrameLayout(load_link("guarded"))
    space, unit, sequence, address, data = values
    found = layout.pack(space=space, unit=unit, sequence=sequence, address=address, data=data)
    assert int(found[0]) == word
    assert crccheck.crc.Crc8I4321.calc((word >> 8).to_bytes(4, "big")) == word & 0xFF
    bits = [int(bit) for bit in f"{word >> 8:032b}"]
    assert long_division(bits, polynomial=7, check_bits=8, initial=0, xor=0x55) == word & 0xFF


@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321", kind="library")
def test_guarded_check_of_random_frames() -> None:
    layout = FrameLayout(load_link("guarded"))
    random = np.random.default_rng(20)
    addresses = random.integers(0, 1 << 16, 500).astype(np.uint64)
    words = layout.pack(space=1, address=addresses, data=random.integers(0, 256, 500))
    for word in words.tolist():
        assert crccheck.crc.Crc8I4321.calc((word >> 8).to_bytes(4, "big")) == word & 0xFF


@pytest.mark.source("random polynomials", part="division on paper", kind="computed")
def test_remainder_by_any_polynomial_of_up_to_32_bits() -> None:
    random = np.random.default_rng(704)
    for _ in range(300):
        check_bits = int(random.integers(1, 33))
        polynomial, initial = (int(one) for one in random.integers(0, 1 << check_bits, 2))
        bits = random.integers(0, 2, int(random.integers(1, 65))).tolist()
        parameters = {"polynomial": polynomial, "check_bits": check_bits, "initial": initial}
        assert remainder(bits, **parameters) == long_division(bits, **parameters, xor=0)


# -- alignment on an idle link


def without_xor(link: Link) -> Link:
    check = link.check
    assert check is not None
    bare = Check(check.field, "custom", check.polynomial, check.initial, 0, check.covers)
    return Link(link.name, link.lanes, link.edges, link.fields, link.framing, bare)


@pytest.mark.source("all symbol offsets tried", part="idle frame, XOR 5 and 0x55", kind="computed")
@pytest.mark.parametrize("name", ["lean", "guarded"])
def test_idle_frame_passes_at_its_own_alignment_and_without_the_xor_at_all(name: str) -> None:
    link = load_link(name)
    assert idle_rotations_that_pass(FrameLayout(link)) == []
    assert idle_rotations_that_pass(FrameLayout(without_xor(link))) == [1, 2, 3, 4, 5, 6, 7]


# -- errors that the check does not detect


def undetected_errors(columns: list[int], weight: int) -> int:
    """Count the errors of a weight whose syndrome is 0, by trying all of them."""
    return sum(reduce(xor, places) == 0 for places in combinations(columns, weight))


@pytest.mark.source("every error of 1 to 4 bits tried", part="lean", kind="computed")
@pytest.mark.parametrize(("weight", "undetected"), [(1, 0), (2, 19), (3, 338), (4, 2317)])
def test_counts_of_errors_undetected_by_lean(weight: int, undetected: int) -> None:
    columns = FrameLayout(load_link("lean")).syndrome_columns
    assert undetected_errors(columns, weight) == undetected


@pytest.mark.source("ITU-T I.432.1", part="header of distance 4, all errors tried", kind="computed")
@pytest.mark.parametrize(("weight", "undetected"), [(1, 0), (2, 0), (3, 0), (4, 727)])
def test_counts_of_errors_undetected_by_guarded(weight: int, undetected: int) -> None:
    columns = FrameLayout(load_link("guarded")).syndrome_columns
    assert undetected_errors(columns, weight) == undetected


@pytest.mark.source("ITU-T I.432.1", part="correction of one bit, all pairs tried", kind="computed")
def test_no_double_error_of_guarded_has_the_syndrome_of_a_single_one() -> None:
    columns = FrameLayout(load_link("guarded")).syndrome_columns
    assert len(set(columns)) == 40
    pairs = [first ^ second for first, second in combinations(columns, 2)]
    assert len(pairs) == 780
    assert not set(pairs) & set(columns)


@pytest.mark.source("x^4+x+1 has order 15", part="errors 15 or 30 bits apart", kind="computed")
def test_undetected_pairs_of_lean_are_15_or_30_bits_apart() -> None:
    columns = FrameLayout(load_link("lean")).syndrome_columns
    apart = [j - i for i, j in combinations(range(32), 2) if columns[i] == columns[j]]
    assert sorted(set(apart)) == [15, 30]
    assert (apart.count(15), apart.count(30)) == (17, 2)


@pytest.mark.source("textbook rule for bursts", part="r check bits", kind="from memory")
def test_bursts_longer_than_the_check_pass_by_the_rule() -> None:
    columns = FrameLayout(load_link("lean")).syndrome_columns
    passed = {}
    for length in range(1, 9):
        undetected = tried = 0
        for first in range(32 - length + 1):
            # A burst begins and ends with a bit error.
            for middle in range(1 << max(length - 2, 0)):
                pattern = [1, *(middle >> i & 1 for i in range(length - 2)), 1][:length]
                syndrome = 0
                for wrong, column in zip(pattern, columns[first:], strict=False):
                    syndrome ^= column * wrong
                undetected += not syndrome
                tried += 1
        passed[length] = (undetected, tried)
    assert [passed[length][0] for length in (1, 2, 3, 4)] == [0, 0, 0, 0]
    assert passed[5] == (28, 224)
    for length in (6, 7, 8):
        undetected, tried = passed[length]
        assert undetected * 16 == tried


def undetected_by_weight(columns: list[int], check_bits: int) -> list[int]:
    """Count undetected errors of each weight, bit by bit, by syndrome."""
    counts = [[0] * (1 << check_bits) for _ in range(len(columns) + 1)]
    counts[0][0] = 1
    for column in columns:
        for weight in range(len(columns), 0, -1):
            for syndrome in range(1 << check_bits):
                counts[weight][syndrome] += counts[weight - 1][syndrome ^ column]
    return [row[0] for row in counts]


@pytest.mark.source("MacWilliams identity", part="weights of lean, all of them", kind="computed")
def test_probability_that_a_damaged_lean_frame_passes() -> None:
    columns = FrameLayout(load_link("lean")).syndrome_columns
    undetected = undetected_by_weight(columns, 4)
    assert undetected[2:9] == [19, 338, 2317, 12404, 56399, 211094, 657917]
    assert sum(undetected) == 2**28
    # The same from the dual code: 16 words, each an XOR of the check's rows.
    dual = [0] * 33
    for combination in range(16):
        dual[sum((column & combination).bit_count() % 2 for column in columns)] += 1
    for weight in range(33):
        krawtchouk = sum(
            dual[w]
            * sum(
                (-1) ** j * comb(w, j) * comb(32 - w, weight - j)
                for j in range(max(0, weight - 32 + w), min(w, weight) + 1)
            )
            for w in range(33)
        )
        assert krawtchouk == 16 * undetected[weight]
    for rate, probability in [(1e-2, 1.6765e-3), (1e-3, 1.8769e-5), (1e-4, 1.8977e-7)]:
        found = sum(undetected[w] * rate**w * (1 - rate) ** (32 - w) for w in range(2, 33))
        assert found == pytest.approx(probability, rel=5e-5)
