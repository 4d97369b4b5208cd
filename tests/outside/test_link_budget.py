"""The sender's timing against arithmetic and queueing theory, through its public interface."""

from __future__ import annotations

from fractions import Fraction
from math import exp, factorial

import numpy as np
import pytest

from busplay.batch import FrameBatch, StoreBatch, UInt64Column
from busplay.description.board import Sender, Window
from busplay.description.link import Field, Link, StrobeFraming
from busplay.link.load import load_link
from busplay.sender.encoder import Encoder
from tests.boards import board_with

CLOCK_HZ = 8_000_000
MEMORY = (Window("panel memory", 0x4000, 0x9FFF, "panel", "memory"),)


def link_of_cycles(cycles: int) -> Link:
    """Make a link whose slot takes CYCLES processor cycles, and may start in any of them."""
    fields = (Field("address", 16), Field("data", 8))
    gap = cycles - 4
    return Link("slow", 6, "rising", fields, StrobeFraming(gap_symbols=gap), start="cycle")


def sender(link: Link, *, fifo_depth: int = 0) -> Encoder:
    return Encoder(
        board_with(link, windows=MEMORY, sender=Sender(fifo_depth=fifo_depth, lead_frames=0))
    )


def send(encoder: Encoder, cycles: UInt64Column) -> FrameBatch:
    count = len(cycles)
    batch = StoreBatch(cycles, np.full(count, 0x4000, np.uint16), np.zeros(count, np.uint8))
    return encoder.feed(batch, stop_cycle=int(cycles[-1]) + 1)


def every(gap: int, count: int) -> UInt64Column:
    return np.arange(count, dtype=np.uint64) * np.uint64(gap) + np.uint64(gap - 1)


def edges_to_cycles(encoder: Encoder, edges: int) -> Fraction:
    ratio = encoder.edges_per_cycle
    return Fraction(edges * ratio.denominator, ratio.numerator)


@pytest.mark.source("frame_bits / (lanes * edges)", part="lean at 8 MHz", kind="computed")
def test_lean_frame_takes_four_cycles_so_two_million_go_in_a_second() -> None:
    link = load_link("lean")
    encoder = sender(link)
    cycles = edges_to_cycles(encoder, encoder.step_edges)
    assert cycles == Fraction(link.frame_bits, link.lanes * link.edges_per_cycle) == 4
    frames_per_s = CLOCK_HZ / cycles
    assert frames_per_s == 2_000_000
    assert frames_per_s * link.frame_bits == 64_000_000


@pytest.mark.source("STA abs takes 4 cycles; (zp),Y loop 6+2+3", part="24,576", kind="computed")
@pytest.mark.parametrize(
    ("cycles_apart", "cycles", "duration_ms"),
    [(4, 98_304, "12.288"), (11, 270_336, "33.792")],
)
def test_cycles_to_send_a_panel_of_bytes(cycles_apart: int, cycles: int, duration_ms: str) -> None:
    encoder = sender(load_link("lean"), fifo_depth=1)
    frames = send(encoder, every(cycles_apart, 24_576))
    assert len(frames) == 24_576
    # From the first store's own slot to the last: the first edges are one round apart.
    first, last = int(frames.edge[0]), int(frames.edge[-1])
    span = edges_to_cycles(encoder, last - first) + cycles_apart
    # A store that is not due at a slot's edge waits up to the next one.
    assert abs(span - cycles) < 4
    if cycles_apart == 4:
        assert span == cycles
    assert f"{cycles * 1000 / CLOCK_HZ:.3f}" == duration_ms


@pytest.mark.source("backlog n - floor(3n/4)", part="store each 3 cycles, slot 4", kind="computed")
@pytest.mark.parametrize(("count", "backlog"), [(16, 4), (64, 16), (256, 64)])
def test_burst_of_zero_page_stores_needs_a_fifo_of_its_backlog(count: int, backlog: int) -> None:
    assert count - 3 * count // 4 == backlog
    enough = sender(load_link("lean"), fifo_depth=backlog)
    send(enough, every(3, count))
    assert enough.counters.frames_overrun == 0
    short = sender(load_link("lean"), fifo_depth=backlog - 1)
    send(short, every(3, count))
    assert short.counters.frames_overrun == 1


@pytest.mark.source("one lane, one edge", part="32-bit frame at the same clock", kind="computed")
def test_frame_on_one_lane_and_one_edge_takes_eight_times_as_long_as_lean() -> None:
    fields = load_link("lean").fields
    encoder = sender(Link("spi", 1, "rising", fields, StrobeFraming()))
    cycles = edges_to_cycles(encoder, encoder.step_edges)
    lean = sender(load_link("lean"))
    assert cycles == 32 == 8 * edges_to_cycles(lean, lean.step_edges)


@pytest.mark.source(
    "regular burst into a queue", part="first loss at i - floor(i a / s) >= d", kind="computed"
)
@pytest.mark.parametrize(("gap", "service", "places"), [(5, 6, 16), (4, 5, 4), (4, 7, 3)])
def test_first_loss_of_a_regular_burst(gap: int, service: int, places: int) -> None:
    # One more than the FIFO holds: the frame being sent counts too.
    encoder = sender(link_of_cycles(service), fifo_depth=places - 1)
    first_loss = next(i for i in range(10_000) if i - i * gap // service >= places)
    send(encoder, every(gap, first_loss))
    assert encoder.counters.frames_overrun == 0
    again = sender(link_of_cycles(service), fifo_depth=places - 1)
    send(again, every(gap, first_loss + 1))
    assert again.counters.frames_overrun == 1


@pytest.mark.source("regular burst into a queue", part="a 5, s 6, d 16, n 1000", kind="computed")
def test_a_thousand_stores_five_cycles_apart_into_slots_of_six_lose_152() -> None:
    encoder = sender(link_of_cycles(6), fifo_depth=15)
    send(encoder, every(5, 91))
    assert encoder.counters.frames_overrun == 0
    again = sender(link_of_cycles(6), fifo_depth=15)
    send(again, every(5, 1000))
    assert again.counters.frames_overrun == 152


@pytest.mark.source("regular burst into a queue", part="most held, a 4, s 5", kind="computed")
@pytest.mark.parametrize(("count", "held"), [(256, 52), (24_576, 4_916)])
def test_most_frames_held_by_a_regular_burst(count: int, held: int) -> None:
    assert 1 + (count - 1) - (count - 1) * 4 // 5 == held
    enough = sender(link_of_cycles(5), fifo_depth=held - 1)
    send(enough, every(4, count))
    assert enough.counters.frames_overrun == 0
    short = sender(link_of_cycles(5), fifo_depth=held - 2)
    send(short, every(4, count))
    assert short.counters.frames_overrun > 0


@pytest.mark.source("Rockwell 29651N52 (1984)", part="NMOS double write", kind="data sheet")
@pytest.mark.parametrize(("fifo_depth", "lost"), [(0, 1), (1, 0)])
def test_double_write_needs_two_fifo_entries(fifo_depth: int, lost: int) -> None:
    encoder = sender(link_of_cycles(8), fifo_depth=fifo_depth)
    send(encoder, np.array([10, 11], np.uint64))
    assert encoder.counters.frames_overrun == lost


def md1n_loss(load: float, places: int) -> float:
    """Work out the share that an M/D/1/N queue loses; N places, the served one included."""
    total = sum(
        (-1) ** k / factorial(k) * (places - 1 - k) ** k * load**k * exp(load * (places - 1 - k))
        for k in range(places)
    )
    return 1 - total / (1 + load * total)


@pytest.mark.source("Brun and Garcia 2000", part="M/D/1/N loss probability", kind="from memory")
@pytest.mark.parametrize(
    ("load", "places", "loss"),
    [(0.5, 2, 0.09627), (0.8, 2, 0.19957), (0.8, 4, 0.05876), (1.2, 8, 0.17594)],
)
def test_random_stores_are_lost_as_queueing_theory_says(
    load: float, places: int, loss: float
) -> None:
    assert md1n_loss(load, places) == pytest.approx(loss, abs=5e-6)
    service, count = 1000, 400_000
    random = np.random.default_rng(1)
    arrivals = np.cumsum(random.exponential(service / load, count)).astype(np.uint64)
    encoder = sender(link_of_cycles(service), fifo_depth=places - 1)
    send(encoder, arrivals)
    found = encoder.counters.frames_overrun / count
    # Losses cluster: over 40 seeds the deviation was 1.3 to 2.5 times the binomial one.
    deviation = 2.5 * (loss * (1 - loss) / count) ** 0.5
    assert abs(found - loss) < 4 * deviation
