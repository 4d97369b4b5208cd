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
from busplay.analysis.soundness.acquisition import after_lost_edge, power_on
from busplay.analysis.soundness.bursts import bit_bursts
from busplay.analysis.soundness.chances import pattern_of
from busplay.analysis.soundness.constant_stream import constant_stream, stream_shares
from busplay.analysis.soundness.hold import mean_frames_in_step
from busplay.analysis.soundness.idle import idle_facts
from busplay.analysis.soundness.locks import HoldReport
from busplay.analysis.soundness.polynomials import KNOWN_POLYNOMIALS
from busplay.analysis.soundness.report import analyse
from busplay.analysis.soundness.weights import count_unseen, dual_weights
from busplay.description.link import CheckFraming
from busplay.link.check_field import check_columns
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link

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
    "theory of runs: k in a row of chance x take (1 - x^k) / ((1 - x) x^k) on average",
    part="frames to a run of wrong checks",
    kind="computed",
)
ACQUISITION = pytest.mark.source(
    "acquisition in random data: (n - 1) / 2 * (1 + q n / (1 - q)) + n (1 + DELTA) symbols",
    part="every wrong place passing by itself with chance q",
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
        return count_unseen(columns).min_distance or 99

    assert distance_at(length) >= distance
    assert distance_at(length + 1) < distance


@pytest.mark.source(
    "Koopman and Chakravarty, DSN 2004",
    part="x^8+x^2+x+1 (0x83) has distance 4 up to 119 bits of data",
    kind="from memory",
)
def test_header_polynomial_has_distance_four_up_to_119_bits() -> None:
    assert count_unseen(crc_columns(119, check_bits=8, polynomial=7)).min_distance == 4
    assert count_unseen(crc_columns(120, check_bits=8, polynomial=7)).min_distance == 2


@HEADER
def test_guarded_header_has_distance_four_and_tells_single_errors_apart() -> None:
    found = analyse(load_link("guarded")).check
    assert found.unseen.counts[:5] == (1, 0, 0, 0, 727)
    assert found.unseen.min_distance == 4
    assert found.singles_told_apart
    assert (found.doubles_like_single, found.doubles) == (0, 780)


@pytest.mark.source("every error of 2 to 4 bits tried", part="lean", kind="computed")
@pytest.mark.source("MacWilliams identity", part="weights of lean", kind="computed")
def test_weights_of_lean_are_the_exhaustive_ones() -> None:
    unseen = count_unseen(FrameLayout(load_link("lean")).syndrome_columns)
    assert unseen.counts[1:9] == (0, 19, 338, 2317, 12404, 56399, 211094, 657917)
    assert sum(unseen.counts) == 2**28
    for rate, chance in ((1e-2, 1.6765e-3), (1e-3, 1.8769e-5), (1e-4, 1.8977e-7)):
        assert unseen.unseen_chance(rate) == pytest.approx(chance, rel=5e-5)


@pytest.mark.source("textbook rule for bursts", part="r check bits", kind="from memory")
def test_bursts_of_lean_follow_the_rule() -> None:
    bursts = bit_bursts(FrameLayout(load_link("lean")).syndrome_columns)
    assert bursts.unseen[:5] == (0, 0, 0, 0, 28)
    assert bursts.unseen_ratio(5) == 2.0**-3
    for length in range(6, 33):
        assert bursts.unseen_ratio(length) == pytest.approx(2.0**-4)


@pytest.mark.source("Hamming code of 15 bits", part="dual weights all 8", kind="from memory")
def test_dual_of_a_hamming_code_has_one_weight() -> None:
    # The columns are all numbers but 0, so each dual word but 0 has 8 ones.
    weights = dual_weights(list(range(1, 16)), 4)
    assert [(w, count) for w, count in enumerate(weights) if count] == [(0, 1), (8, 15)]
    unseen = count_unseen(list(range(1, 16)))
    assert unseen.counts[:5] == (1, 0, 0, 35, 105)


@pytest.mark.source("crccheck 1.3.1", part="Crc8I4321 of damaged headers", kind="library")
def test_unseen_errors_of_four_bits_are_those_that_another_library_lets_pass() -> None:
    layout = FrameLayout(load_link("guarded"))
    columns = layout.syndrome_columns
    places = {column: index for index, column in enumerate(columns)}
    word = int(layout.pack(space=1, address=0x1234, data=0x56)[0])
    patterns = set()
    for first, second, third in combinations(range(40), 3):
        fourth = places.get(columns[first] ^ columns[second] ^ columns[third])
        if fourth is not None and fourth not in (first, second, third):
            patterns.add(frozenset((first, second, third, fourth)))
    assert len(patterns) == count_unseen(columns).counts[4] == 727
    for pattern in patterns:
        damaged = word ^ sum(1 << (39 - place) for place in pattern)
        assert crccheck.crc.Crc8I4321.calc((damaged >> 8).to_bytes(4, "big")) == damaged & 0xFF


# -- hold


def holds_of(name: str, rate: float) -> HoldReport:
    found = analyse(load_link(name), bit_error_rates=[rate]).hold
    return next(one for one in found if one.is_asked)


@ALPHA
@RUNS
@pytest.mark.parametrize(("rate", "cells"), [(1e-3, 7.279e9), (1e-4, 6.212e16)])
def test_cells_in_step_at_a_bit_error_rate(rate: float, cells: float) -> None:
    assert mean_frames_in_step(1 - (1 - rate) ** 40, 7) == pytest.approx(cells, rel=1e-3)
    # The guarded frame has the header's length and check.
    found = holds_of("guarded", rate)
    assert found.mean_frames == pytest.approx(cells, rel=1e-3)


@pytest.mark.source(
    "ITU-T I.432.1",
    part="in sync for more than a year at a bit error rate of 1e-4",
    kind="from memory",
)
@RUNS
def test_time_in_step_at_the_cell_rate() -> None:
    seconds = ATM_BITS / ATM_HZ
    assert mean_frames_in_step(1 - (1 - 1e-3) ** 40, 7) * seconds / 3600 == pytest.approx(
        5.7, abs=0.05
    )
    assert mean_frames_in_step(1 - (1 - 1e-4) ** 40, 7) * seconds > 365 * 86_400


@RUNS
def test_frames_of_lean_and_guarded_to_a_lost_step() -> None:
    for bits, rate, frames in (
        (32, 1e-2, 11_590),
        (32, 1e-3, 3.349e10),
        (40, 1e-2, 3_430),
        (40, 1e-3, 7.279e9),
    ):
        assert mean_frames_in_step(1 - (1 - rate) ** bits, 7) == pytest.approx(frames, rel=1e-3)
    # A frame that is damaged and looks right holds step as well: with four check bits this is
    # seen at a high rate.
    found = holds_of("lean", 1e-2)
    assert found.mean_frames == pytest.approx(12_069, rel=1e-3)
    assert found.tried is not None
    assert found.tried.frames.agrees_with(12_069)


@RUNS
def test_frames_until_a_lost_step_is_noticed() -> None:
    assert mean_frames_in_step(15 / 16, 7) == pytest.approx(9.137, abs=5e-4)
    assert mean_frames_in_step(255 / 256, 7) == pytest.approx(7.11, abs=5e-3)
    assert mean_frames_in_step((1 - 1e-4) ** 40, 7) == pytest.approx(7.11, abs=5e-3)


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
    found = power_on(layout, pattern_of(layout, "busy", idle_every=None))
    # The formula counts a wrong place's frames without end, the chain to the last confirmed one.
    assert found.mean_symbols == pytest.approx(symbols, rel=0.015)
    assert found.mean_symbols <= symbols + 0.005
    if false_ratio is None:
        return
    if name == "lean":
        assert found.false_ratio == pytest.approx(false_ratio, rel=0.01)
    else:
        # Two of the seven wrong places never pass twice in a row: five of seven remain.
        assert found.false_ratio == pytest.approx(false_ratio * 5 / 7, rel=0.01)


@ACQUISITION
def test_acquisition_on_an_idle_link_takes_half_a_frame_and_the_confirming_ones() -> None:
    for name in ("lean", "guarded"):
        layout = layout_of(name, confirm_frames=6)
        slots = pattern_of(layout, "idle", idle_every=None)
        assert power_on(layout, slots).mean_symbols == (8 - 1) / 2 + 8 * 7 == 59.5
        # The frame without a symbol ends and six more are wrong, all one symbol late; then seven
        # symbols to where frames begin, and six to confirm.
        rest = np.mean([8 - lost for lost in range(8)])
        assert after_lost_edge(layout, slots).mean_symbols == rest + 6 * 8 + 7 + 6 * 8


@pytest.mark.source("all symbol offsets tried", part="idle frame, XOR 5 and 0x55", kind="computed")
def test_no_rotation_of_the_shipped_idle_frames_passes_and_all_do_without_the_xor() -> None:
    for name in ("lean", "guarded"):
        link = load_link(name)
        assert link.check is not None
        found = idle_facts(FrameLayout(link))
        bare = idle_facts(FrameLayout(replace(link, check=replace(link.check, xor=0))))
        assert found is not None
        assert bare is not None
        assert found.passing_rotations == ()
        assert bare.passing_rotations == (1, 2, 3, 4, 5, 6, 7)


@pytest.mark.source(
    "words with a rotation that passes", part="1 - (15/16)^7 of all lean words", kind="computed"
)
def test_constant_streams_that_hold_a_receiver() -> None:
    lean = stream_shares(FrameLayout(load_link("lean")))[1]
    assert lean.ratio == pytest.approx(0.364, abs=6e-4)
    guarded = constant_stream(FrameLayout(load_link("guarded")))
    assert guarded is not None
    assert guarded.kept.ratio == 0
    assert guarded.without_sequence.ratio == pytest.approx(0.039, abs=5e-4)
    random = np.random.default_rng(4)
    for name, share in (("lean", lean.ratio), ("guarded", guarded.without_sequence.ratio)):
        layout = FrameLayout(load_link(name))
        fields = {
            one.name: random.integers(0, 1 << one.bits, 200_000, np.uint64)
            for one in layout.link.fields
            if one.name != "check"
        }
        words = layout.pack(**fields)
        held = np.zeros(len(words), np.bool_)
        mask = np.uint64((1 << layout.frame_bits) - 1)
        for offset in range(1, 8):
            left = np.uint64(offset * layout.lanes)
            right = np.uint64(layout.frame_bits - offset * layout.lanes)
            held |= layout.is_right((words << left & mask) | words >> right)
        assert share in wilson_interval(int(held.sum()), len(words), quantile=4.5)


@pytest.mark.source("crccheck 1.3", part="its catalogue of CRCs by width", kind="library")
def test_polynomials_that_are_too_long_to_try_all_are_known_elsewhere() -> None:
    known = {(one._width, one._poly) for one in crccheck.crc.ALLCRCCLASSES}
    ours = {(width, poly) for width, polys in KNOWN_POLYNOMIALS.items() for poly in polys}
    assert len(ours) >= 16
    assert ours <= known
