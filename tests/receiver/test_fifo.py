"""The receiver FIFO in virtual time equals one in exact fractions, at any cuts."""

from __future__ import annotations

from itertools import pairwise
from math import gcd

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.description.board import BusyTime, ReceiverEnd
from busplay.description.faults import Stalls
from busplay.errors import DescriptionError
from busplay.receiver.fifo import Busy, Fate, ReceiverFifo
from tests.naive.fifo import NaiveBusy, NaiveFifo
from tests.strategies import cuts


def frames_at(edges: list[int]) -> FrameBatch:
    column = np.array(edges, np.uint64)
    return FrameBatch(column, column)


@st.composite
def busy_times(draw: st.DrawFn, *, unit_ns: int) -> BusyTime:
    period = draw(st.integers(4, 60))
    length = draw(st.integers(1, max(1, period // 4)))
    return BusyTime(
        period * unit_ns,
        length * unit_ns,
        draw(st.integers(0, period - 1)) * unit_ns,
        draw(st.integers(0, period - length)) * unit_ns,
    )


@given(st.data())
@settings(max_examples=120)
def test_every_fate_equals_that_in_exact_fractions(data: st.DataObject) -> None:
    unit_ns = data.draw(st.sampled_from((1, 7, 25, 250)))
    edge_hz = data.draw(st.sampled_from((1_000_000, 16_000_000, 28_636_360, 1_000_000_000)))
    receiver = ReceiverEnd(
        fifo_depth=data.draw(st.integers(1, 6)),
        service_ns=data.draw(st.integers(0, 30)) * unit_ns,
        deadline_ns=data.draw(st.none() | st.integers(30, 100).map(lambda one: one * unit_ns)),
        busy=tuple(data.draw(st.lists(busy_times(unit_ns=unit_ns), max_size=2))),
    )
    stalls = [Stalls(90 * unit_ns, 8 * unit_ns)] if data.draw(st.booleans()) else []
    seed = data.draw(st.integers(0, (1 << 63) - 1))
    busy = [NaiveBusy(b.period_ns, b.length_ns, b.phase_ns, b.jitter_ns) for b in receiver.busy]
    busy += [NaiveBusy(s.period_ns, s.length_ns, 0, s.period_ns - s.length_ns) for s in stalls]
    times = [receiver.service_ns, receiver.deadline_ns or 0]
    times += [t for b in busy for t in (b.period_ns, b.length_ns, b.phase_ns, b.jitter_ns)]
    naive = NaiveFifo(
        receiver.fifo_depth,
        receiver.service_ns,
        edge_hz,
        8,
        receiver.deadline_ns,
        busy,
        seed,
        gcd(*times) or 1,
    )
    service_edges = max(1, 20 * unit_ns * edge_hz // 1_000_000_000)
    gaps = data.draw(
        st.lists(st.sampled_from((1, 2, service_edges, 3 * service_edges, 1 << 45)), max_size=40)
    )
    edges = np.cumsum([data.draw(st.integers(0, 100)), *gaps]).tolist()
    expected = [naive.offer(edge) for edge in edges]
    service = ReceiverFifo(receiver, edge_hz=edge_hz, frame_symbols=8, stalls=stalls, seed=seed)
    found: list[str] = []
    served: list[int] = []
    for first, stop in pairwise(data.draw(cuts(len(edges)))):
        result = service.feed(frames_at(edges[first:stop]))
        found += [Fate(one).name for one in result.fate.tolist()]
        served += result.frames.edge.tolist()
        if data.draw(st.booleans()):
            again = ReceiverFifo(
                receiver, edge_hz=edge_hz, frame_symbols=8, stalls=stalls, seed=seed
            )
            again.restore(service.snapshot(), edge=1 << 60)
            assert again.counters == service.counters
            service = again
    assert found == expected
    assert served == [e for e, one in zip(edges, expected, strict=True) if one == "SERVED"]
    counters = service.counters
    assert counters.frames_served == expected.count("SERVED")
    assert counters.frames_overrun == expected.count("OVERRUN")
    assert counters.frames_late == expected.count("LATE")


def one_a_ns(receiver: ReceiverEnd, **more: object) -> ReceiverFifo:
    return ReceiverFifo(receiver, edge_hz=1_000_000_000, frame_symbols=0, **more)  # type: ignore[arg-type]


def test_entry_is_free_at_the_instant_its_frame_is_done() -> None:
    service = one_a_ns(ReceiverEnd(fifo_depth=1, service_ns=10))
    assert service.feed(frames_at([0, 9, 10, 19, 20])).fate.tolist() == [
        Fate.SERVED,
        Fate.OVERRUN,
        Fate.SERVED,
        Fate.OVERRUN,
        Fate.SERVED,
    ]


def test_service_pauses_while_the_video_side_has_the_memory() -> None:
    # Busy from 100 to 140: a frame of 30 that begins at 90 has 20 left, and is done at 160.
    busy = BusyTime(1000, 40, 100)
    service = one_a_ns(ReceiverEnd(fifo_depth=1, service_ns=30, busy=(busy,)))
    result = service.feed(frames_at([90, 110, 159, 160]))
    assert result.fate.tolist() == [Fate.SERVED, Fate.OVERRUN, Fate.OVERRUN, Fate.SERVED]
    assert result.busy.tolist() == [0, Busy.VIDEO, 0, 0]
    assert service.counters.overruns_while_busy == 1


def test_frame_that_is_done_after_its_deadline_is_late() -> None:
    service = one_a_ns(ReceiverEnd(fifo_depth=8, service_ns=10, deadline_ns=25))
    assert service.feed(frames_at([0, 1, 2, 3, 100])).fate.tolist() == [
        Fate.SERVED,
        Fate.SERVED,
        Fate.LATE,
        Fate.LATE,
        Fate.SERVED,
    ]


def test_stall_and_video_side_have_flags_of_their_own() -> None:
    service = one_a_ns(ReceiverEnd(fifo_depth=1, service_ns=1), stalls=[Stalls(100, 99)])
    result = service.feed(frames_at(list(range(200))))
    assert set(result.busy.tolist()) == {0, Busy.STALL}


def test_service_time_0_loses_nothing() -> None:
    service = one_a_ns(ReceiverEnd(fifo_depth=1, service_ns=0))
    assert service.is_harmless(1)
    assert not service.feed(frames_at([5, 5, 5, 6])).fate.any()


@pytest.mark.parametrize(
    ("receiver", "step_edges", "harmless"),
    [
        (ReceiverEnd(service_ns=250), 250, True),
        (ReceiverEnd(service_ns=251), 250, False),
        (ReceiverEnd(service_ns=1, busy=(BusyTime(100, 1),)), 250, False),
        (ReceiverEnd(service_ns=20, deadline_ns=20), 250, True),
    ],
)
def test_timing_is_harmless_where_each_frame_is_done_before_the_next(
    receiver: ReceiverEnd, step_edges: int, harmless: bool
) -> None:
    assert one_a_ns(receiver).is_harmless(step_edges) is harmless


def test_busy_times_that_leave_no_time_are_refused() -> None:
    busy = (BusyTime(10, 5), BusyTime(20, 10, 5))
    with pytest.raises(DescriptionError) as caught:
        one_a_ns(ReceiverEnd(busy=busy))
    assert str(caught.value) == (
        "receiver.busy: found busy times and stalls that take 100% of the time; some time must"
        " be left to serve frames"
    )


def test_jitter_that_leaves_its_period_is_refused() -> None:
    with pytest.raises(DescriptionError) as caught:
        one_a_ns(ReceiverEnd(busy=(BusyTime(10, 5, 0, 6),)))
    assert str(caught.value) == (
        "receiver.busy: found a length of 5 ns and a jitter of 6 ns; together they must fit the"
        " period of 10 ns"
    )


def test_times_that_cannot_be_counted_exactly_are_refused() -> None:
    with pytest.raises(DescriptionError) as caught:
        ReceiverFifo(
            ReceiverEnd(fifo_depth=1 << 20, service_ns=999_999_999),
            edge_hz=999_999_937,
            frame_symbols=8,
        )
    assert str(caught.value) == (
        "receiver: found a FIFO of 1048576 frames of 999999999 ns each at 999999937 edges a"
        " second; such times cannot be counted exactly; give round or shorter ones"
    )


@given(st.binary(max_size=120))
def test_any_bytes_are_a_snapshot_or_refused(snapshot: bytes) -> None:
    service = one_a_ns(ReceiverEnd(fifo_depth=3, service_ns=5))
    try:
        service.restore(snapshot, edge=1 << 50)
    except ValueError:
        return
    service.feed(frames_at([1 << 50]))


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(-(1 << 63), (1 << 63) - 1)), max_size=3))
def test_damaged_snapshot_is_refused_or_harmless(damage: list[tuple[int, int]]) -> None:
    receiver = ReceiverEnd(fifo_depth=3, service_ns=500, busy=(BusyTime(1_000, 100, 7, 50),))
    service = one_a_ns(receiver)
    service.feed(frames_at([0, 10, 20, 30, 5_000, 5_010, 5_020]))
    numbers = np.frombuffer(service.snapshot(), "<i8").copy()
    for place, value in damage:
        numbers[place % len(numbers)] = value
    again = one_a_ns(receiver)
    try:
        again.restore(numbers.tobytes(), edge=5_020)
    except ValueError:
        return
    result = again.feed(frames_at(list(range(5_020, 9_000, 10))))
    assert set(result.fate.tolist()) <= {0, 1, 2}
    assert again.counters.frames_held_max <= 3
