"""Advice: a changed link that does what was said of it when it is checked itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness import changes
from busplay.analysis.soundness.advice import Advice, advise, figure_of
from busplay.analysis.soundness.changes import with_check_of, with_sequence
from busplay.analysis.soundness.examine import Examined, Examiner, Weakness
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.link import Check, Field, Link, MarkerFraming
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link, parse_link
from tests.analysis.soundness.small_links import small_links
from tests.boards import with_xor
from tests.strategies import links

SEED = 1


def with_spare(link: Link, bits: int, *, before: str) -> Link:
    """Return a link with bits that nothing fills, which its check covers."""
    assert link.check is not None
    at = next(index for index, one in enumerate(link.fields) if one.name == before)
    fields = (*link.fields[:at], Field("more", bits), *link.fields[at:])
    covers = tuple(one.name for one in fields if one.name != link.check.field)
    return replace(link, fields=fields, check=replace(link.check, covers=covers))


def check_first(link: Link) -> Link:
    """Return a link whose check stands before all other fields."""
    return replace(link, fields=(link.fields[-1], *link.fields[:-1]))


def marked_on_three_lanes() -> Link:
    """A marker that a check confirms, on 3 lanes and the rising edge."""
    fields = (
        Field("start", 3),
        Field("space", 2),
        Field("unit", 1),
        Field("address", 10),
        Field("data", 8),
        Field("check", 3),
    )
    covers = tuple(one.name for one in fields[:-1])
    check = Check("check", "custom", 0x3, 0, 0, covers)
    framing = MarkerFraming(symbols=(5,), rule="confirm", confirm_frames=2, release_frames=3)
    return Link("three lanes", 3, "rising", fields, framing, check)


ADVISED_LINKS = {
    "lean": load_link("lean"),
    "marked": load_link("marked"),
    "strobed": load_link("strobed"),
    "serial": load_link("serial"),
    "lean without XOR": with_xor(load_link("lean"), 0),
    "lean with XOR 10": with_xor(load_link("lean"), 10),
    "lean on one lane": replace(load_link("lean"), lanes=1),
    "lean, spare in front": with_spare(load_link("lean"), 4, before="space"),
    "lean, check in front": check_first(load_link("lean")),
    "three lanes": marked_on_three_lanes(),
}

ADVISED_EVERYWHERE = ("marked",)


def checked_again(advice: Advice) -> Examined:
    """Check the advised link file by itself, as a user would."""
    return checked(advice.link_toml)


@cache
def checked(text: str) -> Examined:
    link = parse_link(text, file="advised.toml", must_be_sound=False)
    return Examiner(board=None, seed=SEED).examine(link)


@cache
def advice_of(name: str) -> tuple[Examined, tuple[Advice, ...]]:
    return advised(ADVISED_LINKS[name])


def advised(link: Link) -> tuple[Examined, tuple[Advice, ...]]:
    examiner = Examiner(board=None, seed=SEED)
    found = examiner.examine(link)
    return found, tuple(one for weak in found.weaknesses for one in advise(examiner, found, weak))


def faults_of(found: Examined) -> set[str]:
    return {one.name for one in found.weaknesses if one.is_fault}


def assert_true(before: Examined, advice: Advice, again: Examined) -> None:
    assert figure_of(advice.weakness, again) == advice.after
    assert (again.named(advice.weakness) is None) == advice.removes
    assert advice.removes or advice.after <= advice.before / 2
    assert faults_of(again) <= faults_of(before)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=() if name in ADVISED_EVERYWHERE else pytest.mark.thorough)
        for name in ADVISED_LINKS
    ],
)
def test_advised_link_file_does_what_was_said(name: str) -> None:
    found, advice = advice_of(name)
    assert advice
    for one in advice:
        assert_true(found, one, checked_again(one))


@pytest.mark.thorough
@settings(max_examples=6, suppress_health_check=list(HealthCheck))
@given(links())
def test_advice_for_any_link_does_what_was_said(link: Link) -> None:
    found, advice = advised(link)
    for one in advice:
        assert_true(found, one, checked_again(one))


@settings(max_examples=8, suppress_health_check=list(HealthCheck))
@given(small_links(framings=("check", "confirm", "unique", "strobe")))
def test_advice_for_any_small_link_does_what_was_said(link: Link) -> None:
    found, advice = advised(link)
    for one in advice:
        assert_true(found, one, checked_again(one))


@pytest.mark.parametrize(
    "name",
    [
        "marked",
        pytest.param("three lanes", marks=pytest.mark.thorough),
        pytest.param("lean with XOR 10", marks=pytest.mark.thorough),
    ],
)
def test_link_that_advice_calls_for_is_never_a_link_with_a_fault(name: str) -> None:
    # An idle link that looks valid two symbols late was once advised, and called sound.
    _, advice = advice_of(name)
    for one in advice:
        again = checked_again(one)
        assert again.idle is None or again.idle.holding_rotations == () or faults_of(again)


def test_advised_link_file_can_be_read_where_the_marker_covers_idle_values() -> None:
    # A field in front moves the idle values under other symbols of the marker.
    fields = (
        Field("lead", 4),
        Field("quiet", 4),
        Field("space", 4),
        Field("address", 8),
        Field("data", 8),
        Field("check", 8),
    )
    covers = tuple(one.name for one in fields[:-1])
    check = Check("check", "hec_i432", 7, 0, 0x55, covers)
    framing = MarkerFraming(symbols=(0xA, 0x5), rule="confirm")
    idle = {"lead": 0xA, "quiet": 0x5}
    link = Link("two symbols", 4, "both", fields, framing, check, idle=idle)
    found, advice = advised(link)
    counted = [one for one in advice if one.weakness == "uncounted"]
    assert [one.change for one in counted] == ["a field sequence of 4 bits before quiet"]
    assert_true(found, counted[0], checked_again(counted[0]))


def named(found: Examined, name: str) -> Weakness:
    weakness = found.named(name)
    assert weakness is not None
    return weakness


def test_weaknesses_of_shipped_links_are_these() -> None:
    names = {
        name: [one.name for one in Examiner(board=None, seed=SEED).examine(link).weaknesses]
        for name, link in ((name, load_link(name)) for name in ("guarded", "lean", "marked"))
    }
    assert names == {
        "guarded": [],
        "lean": ["slow_sync", "one_store_repeated", "low_distance", "uncounted"],
        "marked": ["busy_never_syncs", "no_check"],
    }


def test_lean_with_another_xor_is_not_sound_since_one_units_memory_imitates_frames() -> None:
    found, advice = advice_of("lean with XOR 10")
    weakness = named(found, "never_syncs")
    assert weakness.is_fault
    assert weakness.text.startswith("unit 0's memory, random data: after a lost edge 100 %")
    kinds = [one.kind for one in advice if one.weakness == "never_syncs" and one.removes]
    assert "other XOR" in kinds


def test_sequence_field_removes_what_a_store_over_and_over_does() -> None:
    found, advice = advice_of("lean")
    repeated = named(found, "one_store_repeated")
    # One of seven wrong offsets passes a check of four bits; a lost edge leads to the first.
    assert 0.3 < repeated.value < 0.34
    best = next(one for one in advice if one.weakness == "one_store_repeated")
    assert best.change == "a field sequence of 4 bits before space"
    assert (best.after, best.removes) == (0, True)


@pytest.mark.thorough
def test_every_kind_of_change_is_proposed_somewhere() -> None:
    kinds = {one.kind for name in ADVISED_LINKS for one in advice_of(name)[1]}
    assert kinds >= {
        "other XOR",
        "other polynomial",
        "other idle",
        "one bit more",
        "one symbol more",
        "idle every N",
        "a sequence field",
        "a check field",
    }


def test_wider_check_may_leave_bits_to_fill_the_last_symbol() -> None:
    made = with_check_of(load_link("lean"), 5)
    assert made is not None
    link, text = made
    assert text.endswith("a field spare of 3 bits, value 0, to fill the last symbol")
    assert [one.name for one in link.fields][-2:] == ["spare", "check"]
    assert count_undetected(FrameLayout(link).syndrome_columns).counts[2] == 2


def test_full_frame_takes_bits_from_fields_that_nothing_fills() -> None:
    link = with_spare(load_link("lean"), 32, before="check")
    change = next(with_sequence(link))
    assert change.text.endswith("field more of 28 bits")
    assert change.link.frame_bits == 64
    fields = tuple(
        replace(one, bits=one.bits + 32) if one.name == "unit" else one
        for one in load_link("lean").fields
    )
    full = replace(load_link("lean"), fields=fields)
    assert list(with_sequence(full)) == []
    assert list(changes.wider_checks(full)) == []


def test_link_with_a_sequence_needs_none() -> None:
    assert list(with_sequence(load_link("guarded"))) == []
