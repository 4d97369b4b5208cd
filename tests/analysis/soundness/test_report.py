"""All findings together: as data and as text for a terminal."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.examine import Examiner
from busplay.analysis.soundness.figures import duration
from busplay.analysis.soundness.report import CheckReport, check
from busplay.analysis.soundness.text import full_text, summary_lines, verdict_text
from busplay.analysis.soundness.traffic import TrafficKind
from busplay.cli.json_output import to_json
from busplay.description.link import Link
from busplay.description.shipped_files import shipped_links
from busplay.link.load import load_board, load_link
from tests.analysis.soundness.small_links import small_links
from tests.boards import with_xor

LINE_CHARACTERS = 80
SCREEN_LINES = 24

LEAN_CHECK = """\
What the check and the constants detect
  distance     2: all errors of up to 1 bit are detected
  undetected   0 of 32 of 1 bit; 19 of 496 of 2 bits; 338 of 4,960 of 3 bits;
               2,317 of 35,960 of 4 bits
  random       6.25 % of random damage goes undetected
  single bits  some look alike, or like none; 477 of 496 double errors look like
               a single one
"""

LEAN_IDLE = """\
  idle link (every case followed)
    power-on     in sync after 59.50 symbols on average, 3.72 us; 99 % within 63
    lost edge    in sync after 107.5 symbols on average, 6.72 us; 99 % within
                 111
    false sync   none from power-on, none from a lost edge
    frames lost  14.00 frames lost for each lost edge; 99 % cost at most 14
"""

# Computed by the chain, so that the seed changes nothing of it.
LEAN_RANDOM = (
    "  random words (computed)\n    power-on     in sync after 61.37 symbols on average, 3.84 us; ",
    "    lost edge    in sync after 127.8 symbols on average, 7.99 us; ",
    "    false sync   1.26e-08 from power-on, 2.24e-08 from a lost edge\n"
    "    frames lost  16.54 frames lost for each lost edge; ",
)


def screen(found: CheckReport) -> list[str]:
    return [verdict_text(found), *summary_lines(found)]


@cache
def report_of_lean() -> CheckReport:
    return check(load_link("lean"))


def test_text_of_lean_says_what_its_check_detects_and_what_a_lost_edge_costs() -> None:
    found = report_of_lean()
    text = full_text(found, symbol_ns=62.5)
    assert LEAN_CHECK in text
    assert LEAN_IDLE in text
    assert all(part in text for part in LEAN_RANDOM)
    assert "  0.001   0.0315   1.88e-05    3.363e+10  3.38e+08   4.67 hours" in text
    assert verdict_text(found) == "Link lean is sound: 4 weaknesses"
    lines = screen(found)
    assert lines[1].startswith("  weakness  unit 0's memory, rising addresses, constant data: 151")
    # The link file with the advice stands behind the tables, whole.
    assert 'name = "sequence"\nbits = 4\n' in text


def test_text_of_guarded_has_no_weaknesses() -> None:
    found = check(load_link("guarded"))
    assert verdict_text(found) == "Link guarded is sound: no weaknesses found"
    assert found.weaknesses == found.advice == ()
    assert "no rotation of the idle frame passes" in full_text(found)


def test_link_with_a_fault_is_not_sound_and_says_what_removes_it() -> None:
    found = check(with_xor(load_link("lean"), 0))
    assert not found.is_sound
    assert verdict_text(found) == "Link lean is NOT SOUND: 1 fault, 3 weaknesses"
    text = full_text(found)
    assert "  FAULT: an idle link looks valid when read 1, 2, 3, 4, 5, 6, 7 symbols late" in text
    faults = text.split("Faults, ")[1].split("Weaknesses, ")[0]
    assert "no rule is broken (removes it)" in " ".join(faults.split())


@pytest.mark.thorough
@pytest.mark.parametrize("name", shipped_links())
def test_verdict_of_every_shipped_link_fits_a_screen(name: str) -> None:
    found = check(load_link(name))
    assert found.is_sound
    assert len(screen(found)) <= SCREEN_LINES


def test_board_is_judged_with_its_units() -> None:
    board = load_board("dunlin")
    found = check(board)
    assert [one.traffic for one in found.sync] == [
        "idle link",
        "all units, random data",
        "panel's memory, random data",
        "sign's memory, random data",
        "one store repeated",
        "panel's memory, rising addresses, constant data",
        "sign's memory, rising addresses, constant data",
    ]
    assert verdict_text(found) == "Link guarded on board Dunlin is sound: no weaknesses found"
    # 24,576 and 512 bytes and eight registers each, of 2^20 values of space, unit and address.
    assert found.addressed_ratio == (24_576 + 512 + 16) / 2**20


@pytest.mark.thorough
def test_board_whose_units_no_frame_of_a_wrong_place_names_is_sound_where_its_link_is_not() -> None:
    # XOR 10 is wrong for unit 0 only: the board that has no such unit does not meet it.
    board = load_board("dunlin")
    bad = with_xor(load_link("lean"), 10)
    assert not check(bad).is_sound
    units = tuple(replace(one, number=one.number + 1) for one in board.units)
    assert check(replace(board, link=bad, units=units)).is_sound
    assert not check(replace(board, link=bad)).is_sound


@settings(max_examples=6, suppress_health_check=list(HealthCheck))
@given(small_links(framings=("check", "strobe", "confirm", "unique")))
def test_report_on_any_small_link_agrees_with_itself_and_fits_a_terminal(link: Link) -> None:
    found = check(link)
    lines = [*screen(found), *full_text(found).splitlines()]
    # Lines of a link file are what they are.
    tables = [line for line in lines if " = " not in line]
    assert [line for line in tables if len(line) > LINE_CHARACTERS] == []
    assert json.dumps(to_json(found), allow_nan=False)
    faults = [one for one in found.weaknesses if one.is_fault]
    assert found.is_sound == (not faults)
    assert found.is_sound == ("NOT SOUND" not in verdict_text(found))
    assert found.is_sound == ("FAULT" not in "\n".join(lines))


def test_json_says_in_words_what_kind_of_traffic_it_is_and_null_for_never() -> None:
    plain = to_json(report_of_lean())
    assert isinstance(plain, dict)
    assert plain["is_sound"] is True
    sync = plain["sync"]
    assert isinstance(sync, list)
    kinds = [one["kind"] for one in sync if isinstance(one, dict)]
    assert kinds[:3] == ["idle", "random", "memory"]
    detection = plain["detection"]
    assert isinstance(detection, dict)
    assert detection["min_distance"] == 2
    assert detection["errors"][1] == {"wrong_bits": 2, "errors": 496, "undetected": 19}


def test_same_seed_gives_the_same_findings() -> None:
    link = load_link("guarded")
    first, again, other = (Examiner(board=None, seed=seed).examine(link).sync for seed in (3, 3, 4))
    assert first == again
    assert first != other


def test_progress_is_told_part_by_part() -> None:
    told: list[tuple[int, int]] = []
    check(load_link("strobed"), progress=lambda done, parts: told.append((done, parts)))
    assert told == [(1, 4), (2, 4), (3, 4)]


def test_worst_traffic_is_never_the_store_that_is_repeated() -> None:
    # What such a store loses the next one brings.
    found = report_of_lean()
    assert found.worst.kind is not TrafficKind.REPEATED


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (62.5e-9, "62.5 ns"),
        (7.67e-6, "7.67 us"),
        (0.25, "250 ms"),
        (90, "90 s"),
        (3_600, "60 minutes"),
        (16_800, "4.67 hours"),
        (864_000, "10 days"),
        (3.15576e9, "100 years"),
        (3.2e20, "1.0e+13 years"),
    ],
)
def test_time_is_written_in_the_unit_that_fits(seconds: float, text: str) -> None:
    assert duration(seconds) == text


def test_report_without_advice_says_the_same_of_the_link() -> None:
    whole = check("serial")
    assert whole.advice
    assert check("serial", with_advice=False) == replace(whole, advice=())
