"""The receiver FIFO against queueing theory, driven without a processor."""

from __future__ import annotations

from math import exp, factorial

import numpy as np
import pytest

from busplay.analysis.intervals import mean_interval, wilson_interval
from busplay.batch import FrameBatch
from busplay.description.board import ReceiverEnd
from busplay.receiver.fifo import Fate, ReceiverFifo, Served

EDGE_HZ = 1_000_000_000
SERVICE_NS = 1_000
ARRIVALS = 400_000


def serve(
    edges: list[int] | np.ndarray, *, service_ns: int, places: int
) -> tuple[ReceiverFifo, Served]:
    """Serve frames that arrive at given nanoseconds."""
    receiver = ReceiverEnd(fifo_depth=places, service_ns=service_ns)
    service = ReceiverFifo(receiver, edge_hz=EDGE_HZ, frame_symbols=0)
    column = np.asarray(edges).astype(np.uint64)
    return service, service.feed(FrameBatch(column, column))


def poisson(use: float, count: int, seed: int) -> np.ndarray:
    """Return arrival times at random, `use` of the server's time on average."""
    gaps = np.random.default_rng(seed).exponential(SERVICE_NS / use, count)
    return np.cumsum(gaps).astype(np.int64)


def md1n_loss(use: float, places: int) -> float:
    """Return the share of arrivals that an M/D/1/N queue loses."""
    held = sum(
        (-1) ** k / factorial(k) * (places - 1 - k) ** k * use**k * exp(use * (places - 1 - k))
        for k in range(places)
    )
    return 1 - held / (1 + use * held)


@pytest.mark.source(
    "Pollaczek-Khinchine mean wait of M/D/1", part="rho/(2 mu (1-rho))", kind="computed"
)
@pytest.mark.parametrize(("use", "expected", "within"), [(0.5, 0.5, 0.02), (0.8, 2.0, 0.15)])
def test_mean_wait_of_random_arrivals(use: float, expected: float, within: float) -> None:
    service, _ = serve(poisson(use, ARRIVALS, 3), service_ns=SERVICE_NS, places=1 << 16)
    assert abs(service.counters.mean_wait_ns / SERVICE_NS - expected) < within
    assert service.counters.frames_overrun == 0


@pytest.mark.source(
    "Pollaczek-Khinchine mean wait of M/D/1", part="rho/(2 mu (1-rho))", kind="computed"
)
@pytest.mark.source("Brun, Garcia: M/D/1/N", part="loss of 4 places", kind="from memory")
@pytest.mark.parametrize("use", [0.5, 0.8])
def test_long_run_figures_fall_in_their_intervals(use: float) -> None:
    # Batches of a long run, each a value, give an interval of 95 %; of 20 runs some 19 hold.
    held_wait = held_loss = 0
    for seed in range(20):
        edges = poisson(use, 200_000, seed).astype(np.uint64)
        service = ReceiverFifo(
            ReceiverEnd(fifo_depth=1 << 16, service_ns=SERVICE_NS), edge_hz=EDGE_HZ, frame_symbols=0
        )
        waits, before = [], 0.0
        for batch in np.split(edges, 20):
            service.feed(FrameBatch(batch, batch))
            total = float(service.counters.wait_ns)
            waits.append((total - before) / len(batch) / SERVICE_NS)
            before = total
        low, high = mean_interval(waits)
        held_wait += low <= use / (2 * (1 - use)) <= high
        _, served = serve(edges, service_ns=SERVICE_NS, places=4)
        shares = (served.fate == Fate.OVERRUN).reshape(20, -1).mean(axis=1)
        low, high = mean_interval(shares.tolist())
        held_loss += low <= md1n_loss(use, 4) <= high
    assert min(held_wait, held_loss) >= 16


@pytest.mark.source(
    "worked example of M/D/1: 20 an hour, 2 minutes each", part="wait 0.0333 h", kind="computed"
)
def test_worked_example_of_random_arrivals() -> None:
    # A nanosecond stands for a millisecond, so that 400,000 arrivals are 20,000 hours.
    gaps = np.random.default_rng(5).exponential(180_000, ARRIVALS)
    service, _ = serve(np.cumsum(gaps), service_ns=120_000, places=1 << 16)
    wait_hours = service.counters.mean_wait_ns / 3_600_000
    assert wait_hours == pytest.approx(0.0333, rel=0.03)
    assert 20 * wait_hours == pytest.approx(0.6667, rel=0.03)
    assert 20 * (wait_hours + 2 / 60) == pytest.approx(1.3333, rel=0.03)


@pytest.mark.source(
    "Brun, Garcia: a closed form for M/D/1/N (2000)", part="loss", kind="from memory"
)
@pytest.mark.parametrize(
    ("use", "places", "published"),
    [
        (0.5, 2, 0.09627),
        (0.8, 2, 0.19957),
        (0.8, 4, 0.05876),
        (0.8, 8, 0.008790),
        (0.95, 8, 0.04316),
        (1.2, 8, 0.17594),
    ],
)
def test_loss_rate_of_random_arrivals(use: float, places: int, published: float) -> None:
    assert md1n_loss(use, places) == pytest.approx(published, rel=1e-3)
    _, result = serve(poisson(use, ARRIVALS, 11), service_ns=SERVICE_NS, places=places)
    lost = int((result.fate == Fate.OVERRUN).sum())
    # Losses cluster: batches of the same run, each a trial, give the interval.
    shares = (result.fate == Fate.OVERRUN).reshape(400, -1).mean(axis=1)
    error = shares.std(ddof=1) / 20
    assert abs(lost / ARRIVALS - published) < 3.3 * error
    low, high = wilson_interval(lost, ARRIVALS, quantile=6)
    assert low < published < high


@pytest.mark.source(
    "D/D/1 by hand", part="most held by n: 1 + (n-1) - floor((n-1) a/s)", kind="computed"
)
@pytest.mark.parametrize(("count", "held"), [(256, 52), (24_576, 4_916)])
def test_most_frames_held_by_a_burst_every_4_of_frames_that_take_5(count: int, held: int) -> None:
    service, result = serve(np.arange(count) * 4, service_ns=5, places=1 << 16)
    assert service.counters.frames_held_max == held == 1 + (count - 1) - (count - 1) * 4 // 5
    assert not result.fate.any()


@pytest.mark.source(
    "D/D/1/N by hand",
    part="first loss at the smallest i with i - floor(i a/s) >= d",
    kind="computed",
)
def test_burst_every_5_of_frames_that_take_6_into_a_fifo_of_16() -> None:
    _, result = serve(np.arange(1_000) * 5, service_ns=6, places=16)
    lost = np.flatnonzero(result.fate)
    first = next(i for i in range(1_000) if i - i * 5 // 6 >= 16)
    assert lost[0] == first == 91
    assert len(lost) == 152


@pytest.mark.source("D/D/1/N by hand", part="NMOS double write, a 1, s 8", kind="computed")
@pytest.mark.parametrize(("places", "lost"), [(1, [False, True]), (2, [False, False])])
def test_double_write_needs_two_fifo_entries(places: int, lost: list[bool]) -> None:
    _, result = serve([0, 1], service_ns=8, places=places)
    assert (result.fate == Fate.OVERRUN).tolist() == lost


def conforming(times: list[int], *, increment: int, limit: int) -> list[bool]:
    """Decide as the generic cell rate algorithm does, in its form of virtual scheduling."""
    due, decided = 0, []
    for at in times:
        fits = at >= due - limit
        if fits:
            due = max(at, due) + increment
        decided.append(fits)
    return decided


@pytest.mark.source("ITU-T I.371", part="GCRA(T, tau), virtual scheduling", kind="from memory")
@pytest.mark.source(
    "Le Boudec and Thiran: Network Calculus",
    part="exercise on GCRA(100, 500): the 21st and 24th of the triples do not conform",
    kind="computed",
)
@pytest.mark.parametrize(
    ("times", "refused"),
    [
        ([0, 100, 130, 160, 190, 220, 250, 280, 310, 1000, 1030], []),
        (
            [t + one for t in (0, 300, 600, 800, 1000, 1200, 1400, 1600) for one in (0, 10, 20)],
            [21, 24],
        ),
    ],
)
def test_fifo_takes_what_the_cell_rate_algorithm_lets_through(
    times: list[int], refused: list[int]
) -> None:
    # A FIFO of depth N with service time T loses an arrival exactly where GCRA(T, (N-1) T) does.
    _, result = serve(times, service_ns=100, places=6)
    expected = conforming(times, increment=100, limit=500)
    assert (result.fate == Fate.SERVED).tolist() == expected
    assert [number for number, fits in enumerate(expected, start=1) if not fits] == refused


@pytest.mark.source(
    "ITU-T I.371", part="longest burst: 1 + floor(tau / (T - delta))", kind="from memory"
)
@pytest.mark.parametrize(
    ("increment", "limit", "spacing", "longest"),
    [(10, 27, 1, 4), (100, 500, 10, 6), (8, 24, 3, 5), (10, 0, 1, 1)],
)
def test_longest_burst(increment: int, limit: int, spacing: int, longest: int) -> None:
    times = [one * spacing for one in range(20)]
    decided = conforming(times, increment=increment, limit=limit)
    assert decided.index(False) == longest
    if limit % increment == 0:
        _, result = serve(times, service_ns=increment, places=1 + limit // increment)
        assert (result.fate == Fate.SERVED).tolist() == decided
