"""What `busplay check` computes, against published values, formulas and another library."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import crccheck.crc
import numpy as np
import pytest

from busplay.analysis.intervals import wilson_interval
from busplay.analysis.soundness.bursts import edge_bursts
from busplay.analysis.soundness.chain import chain_times, mean_frames_in_sync
from busplay.analysis.soundness.frame_space import sent_frames
from busplay.analysis.soundness.idle import idle_facts
from busplay.analysis.soundness.polynomials import KNOWN_POLYNOMIALS
from busplay.analysis.soundness.report import check
from busplay.analysis.soundness.sync import RateFigures, rate_figures, sync_figures
from busplay.analysis.soundness.traffic import Traffic, TrafficKind
from busplay.analysis.soundness.weights import count_undetected, dual_weights
from busplay.description.link import CheckFraming, Field
from busplay.link.check_field import check_columns
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.boards import with_xor

KOOPMAN = Path(__file__).parent.parent / "data" / "koopman_crc" / "hd_lengths.csv"
TABLES = pytest.mark.source(
    "Koopman, CRC Polynomial Selection (CC BY 4.0)",
    part="Good HD=3 and Good HD=6 Polynomials: lengths by distance",
    kind="open data",
)
HEADER = pytest.mark.source(
    "ITU-T I.432.1", part="header error control: distance 4 over 40 bits", kind="standard"
)
ALPHA = pytest.mark.source(
    "ITU-T I.432.1", part="cell delineation: ALPHA 7, time in sync", kind="standard"
)
RUNS = pytest.mark.source(
    "theory of runs: k in a row of probability x take (1 - x^k) / ((1 - x) x^k) on average",
    part="frames to a run of wrong checks",
    kind="computed",
)
ACQUISITION = pytest.mark.source(
    "acquisition in random data: (n - 1) / 2 * (1 + q n / (1 - q)) + n (1 + DELTA) symbols",
    part="every other alignment passing by itself with probability q",
    kind="computed",
)
ATM_BITS, ATM_HZ = 424, 149_760_000


def layout_of(name: str, *, confirm_frames: int) -> FrameLayout:
    return FrameLayout(replace(load_link(name), framing=CheckFraming(confirm_frames, 7)))


# -- the check field


def crc_columns(data_bits: int, *, check_bits: int, polynomial: int) -> list[int]:
    _, columns = check_columns(
        data_bits, polynomial=polynomial, check_bits=check_bits, initial=0, xor=0
    )
    return columns + [1 << bit for bit in range(check_bits)]


def koopman_rows() -> list[tuple[int, int, int, int]]:
    """Return (check bits, polynomial without its highest term, distance, length) of each entry."""
    rows = []
    with KOOPMAN.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            check_bits = int(row["check_bits"])
            polynomial = int(row["polynomial"], 16) ^ 1 << check_bits
            lengths = [int(one) for one in row["lengths"].split()]
            rows += [
                (check_bits, polynomial, distance, length)
                for distance, length in enumerate(lengths, start=3)
                if length + check_bits < 260
            ]
    return rows


@TABLES
@pytest.mark.parametrize(("check_bits", "polynomial", "distance", "length"), koopman_rows())
def test_distance_holds_to_the_published_length_and_not_beyond(
    check_bits: int, polynomial: int, distance: int, length: int
) -> None:
    def distance_at(data_bits: int) -> int:
        columns = crc_columns(data_bits, check_bits=check_bits, polynomial=polynomial)
        return count_undetected(columns).min_distance or 99

    assert distance_at(length) >= distance
    assert distance_at(length + 1) < distance


@pytest.mark.source(
    "Koopman and Chakravarty, DSN 2004",
    part="x^8+x^2+x+1 (0x83) has distance 4 up to 119 bits of data",
    kind="from memory",
)
def test_header_polynomial_has_distance_four_up_to_119_bits() -> None:
    assert count_undetected(crc_columns(119, check_bits=8, polynomial=7)).min_distance == 4
    assert count_undetected(crc_columns(120, check_bits=8, polynomial=7)).min_distance == 2


@HEADER
def test_guarded_header_has_distance_four_and_distinct_single_errors() -> None:
    found = check(load_link("guarded")).detection
    assert [one.undetected for one in found.errors[:4]] == [0, 0, 0, 727]
    assert found.min_distance == 4
    assert found.singles_told_apart
    assert (found.doubles_like_single, found.doubles) == (0, 780)


@pytest.mark.source("every error of 2 to 4 bits tried", part="lean", kind="computed")
@pytest.mark.source("MacWilliams identity", part="weights of lean", kind="computed")
def test_weights_of_lean_are_the_exhaustive_ones() -> None:
    undetected = count_undetected(FrameLayout(load_link("lean")).syndrome_columns)
    assert undetected.counts[1:9] == (0, 19, 338, 2317, 12404, 56399, 211094, 657917)
    assert sum(undetected.counts) == 2**28
    for rate, probability in ((1e-2, 1.6765e-3), (1e-3, 1.8769e-5), (1e-4, 1.8977e-7)):
        assert undetected.undetected_probability(rate) == pytest.approx(probability, rel=5e-5)


@pytest.mark.source("textbook rule for bursts", part="r check bits", kind="from memory")
def test_bursts_of_lean_follow_the_rule() -> None:
    bursts = edge_bursts(FrameLayout(load_link("lean")).syndrome_columns, 1)
    assert bursts.undetected[:5] == (0, 0, 0, 0, 28)
    assert bursts.detected_to_length == 4
    ratios = [one / tried for one, tried in zip(bursts.undetected, bursts.tried, strict=True)]
    assert ratios[4] == 2.0**-3
    assert ratios[5:] == pytest.approx([2.0**-4] * 27)


@pytest.mark.source("Hamming code of 15 bits", part="dual weights all 8", kind="from memory")
def test_dual_of_a_hamming_code_has_one_weight() -> None:
    # The columns are all numbers except 0, so each nonzero dual word has 8 ones.
    weights = dual_weights(list(range(1, 16)), 4)
    assert [(w, count) for w, count in enumerate(weights) if count] == [(0, 1), (8, 15)]
    undetected = count_undetected(list(range(1, 16)))
    assert undetected.counts[:5] == (1, 0, 0, 35, 105)


@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321 of damaged headers", kind="library")
def test_undetected_errors_of_four_bits_are_those_that_another_library_lets_pass() -> None:
    layout = FrameLayout(load_link("guarded"))
    columns = layout.syndrome_columns
    places = {column: index for index, column in enumerate(columns)}
    word = int(layout.pack(space=1, address=0x1234, data=0x56)[0])
    patterns = set()
    for first, second, third in combinations(range(40), 3):
        fourth = places.get(columns[first] ^ columns[second] ^ columns[third])
        if fourth is not None and fourth not in (first, second, third):
            patterns.add(frozenset((first, second, third, fourth)))
    assert len(patterns) == count_undetected(columns).counts[4] == 727
    for pattern in patterns:
        damaged = word ^ sum(1 << (39 - place) for place in pattern)
        assert crccheck.crc.Crc8I4321.calc((damaged >> 8).to_bytes(4, "big")) == damaged & 0xFF


# -- in sync with bit errors


def rate_of(name: str, rate: float) -> RateFigures:
    layout = FrameLayout(load_link(name))
    return rate_figures(layout, count_undetected(layout.syndrome_columns), rate)


@ALPHA
@RUNS
@pytest.mark.parametrize(("rate", "cells"), [(1e-3, 7.279e9), (1e-4, 6.212e16)])
def test_cells_in_sync_at_a_bit_error_rate(rate: float, cells: float) -> None:
    assert mean_frames_in_sync(1 - (1 - rate) ** 40, 7) == pytest.approx(cells, rel=1e-3)
    # The guarded frame has the header's length and check.
    assert rate_of("guarded", rate).frames_in_sync == pytest.approx(cells, rel=1e-3)


@pytest.mark.source(
    "ITU-T I.432.1",
    part="in sync for more than a year at a bit error rate of 1e-4",
    kind="from memory",
)
@RUNS
def test_time_in_sync_at_the_cell_rate() -> None:
    seconds = ATM_BITS / ATM_HZ
    assert mean_frames_in_sync(1 - (1 - 1e-3) ** 40, 7) * seconds / 3600 == pytest.approx(
        5.7, abs=0.05
    )
    assert mean_frames_in_sync(1 - (1 - 1e-4) ** 40, 7) * seconds > 365 * 86_400


@RUNS
def test_frames_of_lean_and_guarded_to_lost_sync() -> None:
    for bits, rate, frames in (
        (32, 1e-2, 11_590),
        (32, 1e-3, 3.349e10),
        (40, 1e-2, 3_430),
        (40, 1e-3, 7.279e9),
    ):
        assert mean_frames_in_sync(1 - (1 - rate) ** bits, 7) == pytest.approx(frames, rel=1e-3)
    # A damaged frame that passes as valid keeps sync too: with four check bits this is
    # seen at a high rate.
    assert rate_of("lean", 1e-2).frames_in_sync == pytest.approx(12_069, rel=1e-3)


@RUNS
def test_frames_until_loss_of_sync_is_detected() -> None:
    assert mean_frames_in_sync(15 / 16, 7) == pytest.approx(9.137, abs=5e-4)
    assert mean_frames_in_sync(255 / 256, 7) == pytest.approx(7.11, abs=5e-3)
    assert mean_frames_in_sync((1 - 1e-4) ** 40, 7) == pytest.approx(7.11, abs=5e-3)


# -- finding frames


@ACQUISITION
@pytest.mark.parametrize(
    ("name", "confirm_frames", "symbols", "false_ratio"),
    [
        ("lean", 1, 21.37, 0.01357),
        ("lean", 2, 29.37, 8.5e-4),
        ("lean", 6, 61.37, 1.3e-8),
        ("guarded", 1, 19.61, 5.34e-5),
        ("guarded", 2, 27.61, 2.09e-7),
        ("guarded", 6, 59.61, None),
    ],
)
def test_acquisition_in_random_data(
    name: str, confirm_frames: int, symbols: float, false_ratio: float | None
) -> None:
    layout = layout_of(name, confirm_frames=confirm_frames)
    # Every bit before the check random, as the formula has it.
    covered = sum(one.bits for one in layout.link.fields if one.name != "check")
    fields = (Field("data", covered), *layout.link.fields[-1:])
    assert layout.link.check is not None
    check_of_all = replace(layout.link.check, covers=("data",))
    layout = FrameLayout(replace(layout.link, fields=fields, check=check_of_all))
    found = chain_times(layout, [sent_frames(layout)])
    assert found is not None
    # The formula counts another alignment's frames without end, the chain to the last confirming.
    assert found.power_on_symbols == pytest.approx(symbols, rel=0.015)
    assert found.power_on_symbols <= symbols + 0.005
    if false_ratio is None:
        return
    if name == "lean":
        assert found.power_on_false_ratio == pytest.approx(false_ratio, rel=0.01)
    else:
        # Two of the seven other alignments never pass twice in a row: five of seven remain.
        assert found.power_on_false_ratio == pytest.approx(false_ratio * 5 / 7, rel=0.01)


@ACQUISITION
def test_acquisition_on_an_idle_link_takes_half_a_frame_and_the_confirming_ones() -> None:
    for name in ("lean", "guarded"):
        layout = layout_of(name, confirm_frames=6)
        found = sync_figures(layout, Traffic("idle link", TrafficKind.IDLE), seed=1)
        assert found.power_on_symbols.value == (8 - 1) / 2 + 8 * 7 == 59.5
        # The frame without a symbol ends and six more are invalid, all one symbol late; then seven
        # symbols to where frames begin, and six to confirm.
        rest = float(np.mean([8 - lost for lost in range(8)]))
        assert found.lost_edge_symbols.value == rest + 6 * 8 + 7 + 6 * 8


@pytest.mark.source("all symbol offsets tried", part="idle frame, XOR 5 and 0x55", kind="computed")
def test_no_rotation_of_the_shipped_idle_frames_passes_and_all_do_without_the_xor() -> None:
    for name in ("lean", "guarded"):
        link = load_link(name)
        found = idle_facts(FrameLayout(link))
        bare = idle_facts(FrameLayout(with_xor(link, 0)))
        assert found is not None
        assert bare is not None
        assert found.passing_rotations == ()
        assert bare.passing_rotations == (1, 2, 3, 4, 5, 6, 7)


@pytest.mark.source(
    "words with a rotation that passes", part="1 - (15/16)^7 of all lean words", kind="computed"
)
def test_stores_that_hold_a_receiver_that_hunts_from_anywhere() -> None:
    # A receiver that is switched on at offset j meets the rotations from j on; at 0 none.
    lean = FrameLayout(load_link("lean"))
    found = sync_figures(lean, Traffic("one store repeated", TrafficKind.REPEATED), seed=1)
    expected = sum(1 - (15 / 16) ** (8 - offset) for offset in range(1, 8)) / 8
    assert expected in wilson_interval(
        round(found.never_at_once_ratio * 8_192), 8_192, quantile=4.5
    )
    guarded = FrameLayout(load_link("guarded"))
    counted = sync_figures(guarded, Traffic("one store repeated", TrafficKind.REPEATED), seed=1)
    assert counted.never_ratio == counted.never_at_once_ratio == 0


# -- polynomials


@pytest.mark.source("crccheck 1.3", part="its catalogue of CRCs by width", kind="library")
def test_polynomials_that_are_too_long_to_try_all_are_known_elsewhere() -> None:
    known = {(one._width, one._poly) for one in crccheck.crc.ALLCRCCLASSES}
    ours = {(width, poly) for width, polys in KNOWN_POLYNOMIALS.items() for poly in polys}
    assert len(ours) >= 16
    assert ours <= known
