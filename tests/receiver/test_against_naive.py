"""The receiver equals the slow one, which is written from the design alone."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from tests.naive.receiver import NaiveLink, NaiveReceiver
from tests.receiver.wires import (
    any_links,
    assert_agrees,
    can_correct,
    damaged_wires,
    frames_of,
    parts_of,
    random_words,
)
from tests.strategies import cuts


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_receiver_equals_naive_receiver_on_damaged_wires(data: st.DataObject) -> None:
    link = data.draw(any_links())
    layout = FrameLayout(link)
    wire = data.draw(damaged_wires(link))
    first_edge = data.draw(st.integers(0, 100))
    is_corrected = can_correct(layout) and data.draw(st.booleans())
    naive = NaiveReceiver(link, correct_one_bit=is_corrected)
    receiver = Receiver(layout, correct_one_bit=is_corrected)
    found = []
    for first, part in parts_of(wire, data.draw(cuts(len(wire)))):
        found += frames_of(receiver.feed_symbols(part, first_edge + first))
    naive.feed(wire.tolist(), first_edge)
    assert found == naive.frames
    assert_agrees(receiver, naive)


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_receiver_fed_all_ways_delivers_the_same(data: st.DataObject) -> None:
    link = data.draw(any_links())
    layout = FrameLayout(link)
    wire = data.draw(damaged_wires(link, largest=16))
    whole, single, cut = Receiver(layout), Receiver(layout), Receiver(layout)
    expected = frames_of(whole.feed_symbols(wire, 0))
    one_by_one = []
    for index in range(len(wire)):
        one_by_one += frames_of(single.feed_symbols(wire[index : index + 1], index))
    in_parts = []
    for first, part in parts_of(wire, data.draw(cuts(len(wire)))):
        in_parts += frames_of(cut.feed_symbols(part, first))
        again = Receiver(layout)
        again.restore(cut.snapshot())
        cut = again
    assert one_by_one == expected
    assert in_parts == expected
    assert single.snapshot() == whole.snapshot() == cut.snapshot()


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_naive_link_and_layout_agree_on_words_symbols_and_validity(data: st.DataObject) -> None:
    link = data.draw(any_links())
    layout = FrameLayout(link)
    naive = NaiveLink(link)
    seed = data.draw(st.integers(0, 1000))
    words = random_words(layout, 4, np.random.default_rng(seed))
    noise = np.random.default_rng(seed).integers(0, 2**63, 4, np.uint64)
    words = np.concatenate([words, noise & np.uint64((1 << layout.frame_bits) - 1)])
    for word, right, idle in zip(
        words.tolist(), layout.is_valid(words), layout.is_idle(words), strict=True
    ):
        bits = [word >> place & 1 for place in reversed(range(layout.frame_bits))]
        assert naive.is_right(bits) == right
        assert naive.is_idle(bits) == idle
        assert naive.symbols(bits) == layout.to_symbols(np.array([word], np.uint64)).tolist()
    assert naive.idle_slot() == layout.idle_symbols.tolist()
