"""Choices that are recommended do what they say: each is made, and the figure worked out again."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings

from busplay.analysis.soundness import search
from busplay.analysis.soundness.constant_stream import idle_effect, stream_shares
from busplay.analysis.soundness.report import analyse
from busplay.analysis.soundness.weights import count_unseen
from busplay.description.link import CheckFraming, Link, MarkerFraming
from busplay.description.read_link import load_link
from busplay.link.layout import FrameLayout
from busplay.link.rules import find_faults
from tests.analysis.soundness.small_links import small_links


def with_xor(link: Link, xor: int) -> Link:
    assert link.check is not None
    return replace(link, check=replace(link.check, xor=xor))


def number_in(text: str, key: str) -> int:
    found = re.search(re.escape(key) + r" = (0x[0-9A-F]+|\d+)", text)
    assert found is not None
    return int(found[1], 0)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(small_links())
def test_columns_of_the_same_check_are_the_layouts(link: Link) -> None:
    layout = FrameLayout(link)
    assert link.check is not None
    columns = search.columns_with(layout, link.check.polynomial, layout.check_bits)
    found = count_unseen(layout.syndrome_columns)
    assert count_unseen(columns).counts == found.counts


def test_other_xor_and_other_idle_mend_an_idle_frame_that_passes_everywhere() -> None:
    link = with_xor(load_link("lean"), 0)
    assert len(find_faults(link)) == 1
    xor = search.change_xor(link)
    assert xor is not None
    assert xor.effect == "no rule is broken; 15 of 16 values tried do"
    assert not find_faults(with_xor(link, number_in(xor.change, "check.xor")))
    idle = search.change_idle(link)
    assert idle is not None
    assert idle.change == "idle.unit = 0x1"
    assert not find_faults(replace(link, idle={"unit": 1}))


def test_other_marker_is_one_that_nothing_imitates() -> None:
    link = load_link("marked")
    assert isinstance(link.framing, MarkerFraming)
    bad = replace(link, framing=replace(link.framing, symbols=(0x00,)))
    assert find_faults(bad)
    choice = search.change_marker(bad)
    assert choice is not None
    symbols = tuple(int(one, 0) for one in re.findall(r"0x[0-9A-F]+", choice.change))
    assert not find_faults(replace(bad, framing=replace(link.framing, symbols=symbols)))


def test_best_polynomial_is_the_best_of_all() -> None:
    layout = FrameLayout(load_link("lean"))
    best = search.best_polynomial(layout, 5)
    assert best is not None
    tried = {
        polynomial: count_unseen(search.columns_with(layout, polynomial, 5)).counts
        for polynomial in range(1, 32, 2)
    }
    assert tried[best[0]] == min(tried.values())
    assert search.best_polynomial(layout, 11) is None


def test_wider_check_has_the_distance_that_is_promised() -> None:
    layout = FrameLayout(load_link("lean"))
    unseen = count_unseen(layout.syndrome_columns)
    assert search.change_polynomial(layout, unseen, more_bits=0) is None
    choice = search.change_polynomial(layout, unseen, more_bits=4)
    assert choice is not None
    assert choice.kind == "one symbol more"
    assert choice.removes
    link = layout.link
    assert link.check is not None
    fields = tuple(replace(one, bits=8) if one.name == "check" else one for one in link.fields)
    polynomial = number_in(choice.change, "check.polynomial")
    wide = replace(
        link, fields=fields, check=replace(link.check, kind="custom", polynomial=polynomial)
    )
    found = count_unseen(FrameLayout(wide).syndrome_columns)
    assert choice.effect.startswith(f"distance {found.min_distance}, ")
    assert f"{found.counts[4]} errors of 4 bits" in choice.effect


def test_idle_slots_that_are_recommended_work_with_their_release() -> None:
    layout = FrameLayout(load_link("lean"))
    alone = search.change_idle_every(layout, release=None)
    assert alone is not None
    assert alone.change == "idle_every = 8"
    assert not alone.removes
    quick = search.change_idle_every(layout, release=2)
    assert quick is not None
    assert quick.change == "idle_every = 9, framing.release_frames = 2"
    assert quick.removes
    changed = FrameLayout(replace(layout.link, framing=CheckFraming(release_frames=2)))
    effect = idle_effect(changed, 9)
    assert effect.found.ratio == effect.kept.ratio == 0


def test_idle_slots_are_not_recommended_on_a_guess() -> None:
    assert search.change_idle_every(FrameLayout(load_link("guarded")), release=None) is None
    marked = search.change_idle_every(FrameLayout(load_link("marked")), release=None)
    assert marked is not None
    assert (marked.change, marked.removes) == ("idle_every = 64", True)
    assert search.change_idle_every(FrameLayout(load_link("strobed")), release=2) is None


def test_sequence_field_is_put_where_no_stream_keeps_a_receiver() -> None:
    layout = FrameLayout(load_link("lean"))
    choice = search.change_sequence(layout)
    assert choice is not None
    assert choice.change == "a field sequence of 4 bits before space; the frame gets 36 bits"
    other = search._with_sequence(layout.link, 0, 4)
    assert not find_faults(other)
    assert stream_shares(FrameLayout(other))[1].ratio == 0
    # Elsewhere it helps less: before the data one word in sixteen still keeps a receiver.
    worse = search._with_sequence(layout.link, 2, 4)
    assert stream_shares(FrameLayout(worse))[1].ratio == pytest.approx(1 / 16)


def test_link_with_a_sequence_needs_none() -> None:
    assert search.change_sequence(FrameLayout(load_link("guarded"))) is None


def test_frame_that_is_full_takes_no_more_fields() -> None:
    link = load_link("lean")
    fields = tuple(
        replace(one, bits=one.bits + 32) if one.name == "unit" else one for one in link.fields
    )
    layout = FrameLayout(replace(link, fields=fields))
    unseen = count_unseen(layout.syndrome_columns)
    assert search.change_sequence(layout) is None
    assert search.change_polynomial(layout, unseen, more_bits=1) is None
    assert search.change_streams(layout, "stuck lane", limit=0) is None


def test_parity_is_outdone_by_a_check_of_one_symbol_more() -> None:
    found = analyse(load_link("strobed"))
    names = {one.name: one for one in found.weaknesses}
    swapped = names["swapped_edges"].choices[0]
    assert swapped.kind == "one symbol more"
    assert swapped.removes
    assert swapped.effect == "100 % become 1.59 %; 1 tried"


def test_guarded_link_has_no_weakness_and_every_shipped_link_no_fault() -> None:
    assert analyse(load_link("guarded")).weaknesses == ()
    for name in ("lean", "strobed", "marked", "serial"):
        assert analyse(load_link(name)).is_sound


def test_weaknesses_of_lean_are_named() -> None:
    found = {one.name: one.text for one in analyse(load_link("lean")).weaknesses}
    assert found == {
        "low_distance": "19 of 496 errors of 2 wrong bits go unseen",
        "constant_stream": "one frame over and over: 36.35 % of all words keep a receiver at a"
        " wrong place for ever; those that also bring a hunting one there: 36.35 %",
        "uncounted": "nothing counts frames, so a receiver cannot tell how many it lost",
    }
