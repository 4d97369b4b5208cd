"""All findings together: as plain values and as text for a terminal."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness.figures import duration, percent
from busplay.analysis.soundness.report import analyse, steps
from busplay.analysis.soundness.text import soundness_text
from busplay.description.link import Link
from busplay.description.shipped_files import shipped_links
from busplay.link.load import load_link
from tests.analysis.soundness.small_links import small_links
from tests.strategies import links

LINE_CHARACTERS = 80

LEAN_CHECK = """\
What the check and the constants notice
  distance     2: all errors of up to 1 bit are noticed
  unseen       0 of 32 of 1 bit; 19 of 496 of 2 bits; 338 of 4,960 of 3 bits;
               2,317 of 35,960 of 4 bits
  random       6.25 % of random damage goes unseen
  single bits  some look alike, or like none; 477 of 496 double errors look like
               a single one
  bursts       all over up to 4 bits noticed; 6.25 % of longer ones go unseen
  on one lane  all over up to 4 edges noticed; 7.21 % of longer ones go unseen
  whole edges  all over up to 1 edge noticed; 6.25 % of longer ones go unseen
  stuck lane   5.88 % of the frames that it changes look right; an idle link
               does not show lane 1 at 0, lane 3 at 0

Edges swapped or lost: the share of what they change that looks right
  of these two  swap in the first  swap across  one lost  two lost
  frame, frame  none               none         5.46 %    5.46 %
  idle, frame   none               none         5.51 %    5.47 %
  frame, idle   none               none         5.46 %    5.46 %
  idle, idle    none               none         none      none
    Edges are lost from the first of the two on; swapped across are its last and
    the other's first, and then both must look right.
"""

GUARDED_PLACES = """\
Wrong places: the share of frames with which one looks right
  late by  idle, idle  idle, frame  frame, idle  on a busy link
  1             wrong  none         none         0.391 %
  2-6           wrong  0.391 %      0.391 %      0.391 %
  7             wrong  3.12 %       none         0.391 %
  no rotation of the idle frame passes
"""

LEAN_STREAMS = """\
One frame over and over: words that hold a receiver at a wrong place
  kept    36.35 % of all words keep a receiver that is there
  found   36.35 % of all words also bring one there that hunts
  method  exact

  idle every  of the link  found    kept
  2           1/2          none     60.73 %
  3 to 7      1/3 to 1/7   none     76.15 to 76.68 %
  8           1/8          none     36.35 %
  9 and more  1/9 or less  36.35 %  36.35 %
"""


LEAN_IDLE = """\
Into step: by the Markov chain, and by the real receiver
  link  from                 chain  that is  receiver's range          fits
  idle  power-on   mean      59.50  3.72 us  59.50                     yes
                   99 %         63  3.94 us  63                        yes
                   false      none           0 of 8                    yes
  idle  lost edge  mean      107.5  6.72 us  107.5                     yes
                   99 %        111  6.94 us  111                       yes
                   false      none           0 of 8                    yes
"""


def test_text_of_lean_says_what_its_check_notices() -> None:
    text = soundness_text(analyse(load_link("lean")), symbol_ns=62.5)
    assert LEAN_CHECK in text
    assert LEAN_STREAMS in text
    assert LEAN_IDLE in text
    assert "   0.001  0.0315          1.88e-05\n" in text
    assert "   0.001  3.363e+10   3.38e+08  4.67 hours     too long to wait for\n" in text
    assert text.endswith("\n\nThe frame layout is sound: 3 weaknesses.")


def test_text_of_guarded_shows_each_wrong_place() -> None:
    text = soundness_text(analyse(load_link("guarded")))
    assert text.startswith(GUARDED_PLACES)
    assert "  uncounted  3.87 % if no field counted frames\n" in text
    assert text.endswith("The frame layout is sound: no weaknesses found.")


@pytest.mark.parametrize("name", shipped_links())
def test_chain_and_receiver_agree_on_every_shipped_link(name: str) -> None:
    found = analyse(load_link(name))
    assert all(one.agree for one in found.locks)
    assert all(one.agreement or one.agreement is None for one in found.hold)


@settings(deadline=None, max_examples=12, suppress_health_check=list(HealthCheck))
@given(small_links(framings=("check", "strobe", "confirm", "unique")))
def test_text_of_any_small_link_fits_a_terminal_and_json_holds_it(link: Link) -> None:
    found = analyse(link)
    text = soundness_text(found)
    assert max(len(line) for line in text.splitlines()) <= LINE_CHARACTERS
    assert json.loads(json.dumps(found.to_plain(), allow_nan=False)) == found.to_plain()
    assert found.is_sound == text.splitlines()[-1].startswith("The frame layout is sound")


@settings(deadline=None, max_examples=8, suppress_health_check=list(HealthCheck))
@given(links())
def test_any_link_that_can_be_used_is_sound(link: Link) -> None:
    found = analyse(link)
    assert found.is_sound
    assert max(len(line) for line in soundness_text(found).splitlines()) <= LINE_CHARACTERS


def test_plain_form_has_the_figures_that_follow_from_counts() -> None:
    plain = analyse(load_link("lean")).to_plain()
    check = plain["check"]
    assert isinstance(check, dict)
    assert check["min_distance"] == 2
    assert check["unseen"]["counts"][:5] == [1, 0, 19, 338, 2317]
    assert check["bursts"]["seen_to_length"] == 4
    assert plain["is_sound"] is True
    # What never ends has no number in JSON.
    marked = analyse(load_link("marked")).to_plain()
    busy = marked["locks"]
    assert isinstance(busy, list)
    assert busy[1]["power_on"]["told"]["mean_symbols"] is None


def test_fault_comes_first_with_what_mends_it() -> None:
    link = load_link("lean")
    assert link.check is not None
    text = soundness_text(analyse(replace(link, check=replace(link.check, xor=0))))
    assert "  FAULT: an idle link looks right when read 1, 2, 3, 4, 5, 6, 7 symbols late" in text
    faults, weaknesses = text.split("Faults, ")[1].split("Weaknesses, ")
    assert "check.xor = 0x1: no rule is broken; 15 of 16 values tried do (removes it)" in faults
    assert "19 of 496" in weaknesses
    assert text.endswith("The frame layout is NOT SOUND: 1 fault, 3 weaknesses.")


def test_same_seed_gives_the_same_findings() -> None:
    link = load_link("guarded")
    assert analyse(link, seed=3) == analyse(link, seed=3)
    assert analyse(link, seed=3) != analyse(link, seed=4)


def test_work_comes_in_named_steps_of_which_the_last_gives_the_findings() -> None:
    work = list(steps(load_link("strobed")))
    assert [name for name, _ in work] == [
        "check field",
        "idle frames",
        "constant streams",
        "lock, busy",
        "lock, idle",
        "hold",
        "choices",
    ]
    results = [step() for _, step in work]
    assert [one is None for one in results] == [True] * 6 + [False]


@pytest.mark.parametrize(
    ("ratio", "text"),
    [(0, "none"), (0.0625, "6.25 %"), (1.0, "100 %"), (0.00012, "0.012 %"), (3e-8, "3.00e-08")],
)
def test_share_is_written(ratio: float, text: str) -> None:
    assert percent(ratio) == text


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
