"""The accounts of a run balance to the last frame and fault, at any cuts."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, fields, replace
from itertools import pairwise
from math import gcd

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.batch import FrameBatch, StoreBatch
from busplay.description.board import Board, BusyTime, ReceiverEnd, Sender
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Span,
    Stalls,
    StuckLane,
)
from busplay.description.read_faults import parse_faults, wires_of
from busplay.losses.losses import LOSSES_MAX, NO_CYCLE, Cause, Losses
from busplay.pipeline import fault_accounts
from busplay.pipeline.accounts import RunAccounts
from busplay.pipeline.frame_accounts import FrameAccounts
from busplay.pipeline.pipeline import Pipeline
from busplay.pipeline.totals import CAUSES, FaultTotals, FrameTotals
from busplay.receiver.fifo import Busy
from busplay.wire.faulty import FaultKind
from tests.boards import GUARDED, LEAN, board_with
from tests.naive.accounts import Watched, count_faults, count_frames
from tests.naive.fifo import NaiveBusy, NaiveFifo
from tests.naive.receiver import NaiveLink, NaiveReceiver
from tests.naive.sender import send_all
from tests.naive.wire import sample
from tests.receiver.wires import can_correct
from tests.strategies import boards_for, cuts, links, store_batches
from tests.wire.plans import faults_file, plans
from tests.wire.test_faulty import naive_faults


def receivers() -> st.SearchStrategy[ReceiverEnd]:
    """Draw receivers, fast and slow."""
    return st.builds(
        ReceiverEnd,
        fifo_depth=st.sampled_from((1, 2, 5, 64)),
        service_ns=st.sampled_from((0, 0, 250, 1_000, 20_000)),
        deadline_ns=st.none() | st.just(30_000),
        busy=st.sampled_from(((), (BusyTime(64_000, 12_000, 500, 1_000),))),
    )


def run_cut(
    board: Board, stores: StoreBatch, at: list[int], *, faults: Faults, stop_cycle: int
) -> Pipeline:
    pipeline = Pipeline(board, faults=faults)
    for first, stop in pairwise(at):
        until = int(stores.cycle[stop]) if stop < len(stores) else stop_cycle
        pipeline.feed(
            StoreBatch(
                stores.cycle[first:stop], stores.address[first:stop], stores.data[first:stop]
            ),
            stop_cycle=until,
        )
    return pipeline


def rows(losses: Losses) -> list[tuple[int, ...]]:
    columns = (losses.cause, losses.edge, losses.cycle, losses.address, losses.word, losses.busy)
    return list(zip(*(column.tolist() for column in columns), strict=True))


@given(st.data())
@settings(max_examples=120)
def test_accounts_balance_for_any_link_any_faults_and_any_cuts(data: st.DataObject) -> None:
    # Faults looked up at once, in small batches, and all together at the end.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fault_accounts, "AT_ONCE", data.draw(st.sampled_from((1, 40, 2_048))))
        hold_accounts_of_drawn_run(data)


def hold_accounts_of_drawn_run(data: st.DataObject) -> None:
    board = data.draw(boards_for(data.draw(links())))
    board = replace(board, receiver=data.draw(receivers()))
    whole = Pipeline(board)
    if can_correct(whole.layout) and data.draw(st.booleans()):
        board = replace(board, receiver=replace(board.receiver, correct_one_bit=True))
    plan = data.draw(plans(board.link, last_edge=4_000))
    if data.draw(st.booleans()):
        plan = replace(plan, stalls=(Stalls(100_000, 20_000),))
    if plan:
        plan = parse_faults(faults_file(plan), board.link, file="drawn.toml")
    stores = data.draw(store_batches(board, latest=2_000))
    stop_cycle = (int(stores.cycle[-1]) if len(stores) else 0) + data.draw(st.integers(1, 200))
    pipeline = run_cut(board, stores, [0, len(stores)], faults=plan, stop_cycle=stop_cycle)
    counters = pipeline.counters()
    accounts, seen = counters.accounts, counters.receiver
    frames = accounts.frames
    assert accounts.is_balanced
    assert frames.sent == counters.frames_sent
    assert frames.lost_at_sender == counters.frames_overrun
    # Only faults in a frame that has not ended are in flight.
    assert frames.in_flight == 0 or seen.pending_symbols > 0 or plan.early_lanes
    delivered = frames.received_intact + frames.received_damaged
    delivered += frames.lost_at_receiver + frames.lost_late
    delivered += frames.spurious + frames.spurious_lost
    assert delivered <= seen.frames_received <= delivered + 1
    if pipeline.wire is not None:
        injected = pipeline.wire.faults_injected
        assert {kind: one.injected for kind, one in accounts.faults.items()} == injected
    cut = data.draw(cuts(len(stores)))
    if len(stores) == 0:
        cut = [0, 0]
    parted = run_cut(board, stores, cut, faults=plan, stop_cycle=stop_cycle)
    assert parted.counters() == counters
    assert sorted(rows(parted.losses)) == sorted(rows(pipeline.losses))
    assert len(pipeline.losses) == min(frames.lost, LOSSES_MAX)
    for cause, name in (
        (Cause.SENDER_FIFO, "lost_at_sender"),
        (Cause.WIRE, "lost_on_wire"),
        (Cause.OUT_OF_SYNC, "lost_out_of_sync"),
        (Cause.RECEIVER_FIFO, "lost_at_receiver"),
        (Cause.DEADLINE, "lost_late"),
        (Cause.DAMAGED, "received_damaged"),
    ):
        assert int((pipeline.losses.cause == cause).sum()) == getattr(frames, name)


@pytest.mark.thorough
@given(st.data())
@settings(max_examples=50, deadline=None)
def test_accounts_equal_a_slow_count(data: st.DataObject) -> None:
    link = replace(data.draw(links()), clock_hz=None)
    board = replace(data.draw(boards_for(link)), receiver=data.draw(receivers()))
    plan = data.draw(plans(link, last_edge=1_000))
    plan = replace(
        plan,
        **{
            one.name: tuple(replace(fault, span=Span()) for fault in getattr(plan, one.name))
            for one in fields(plan)
            if one.name not in ("seed", "stalls")
        },
    )
    stores = data.draw(store_batches(board, latest=100, largest=25))
    stop_cycle = (int(stores.cycle[-1]) if len(stores) else 0) + data.draw(st.integers(1, 60))
    at = data.draw(cuts(len(stores))) if len(stores) else [0, 0]
    pipeline = run_cut(board, stores, at, faults=plan, stop_cycle=stop_cycle)
    compare_with_slow_count(pipeline, stores)


def compare_with_slow_count(pipeline: Pipeline, stores: StoreBatch) -> None:
    """Send, damage, receive, serve and count again with slow versions, from edge 0 on."""
    board, plan = pipeline.board, pipeline.faults or Faults()
    link, accounts = board.link, pipeline.counters().accounts
    naive, sender, wires = NaiveLink(link), send_all(board, stores), wires_of(link)
    sent = [naive.idle_slot()[edge % naive.slot_symbols] for edge in range(pipeline.edge)]
    for edge, word in sender.frames:
        bits = [int(bit) for bit in f"{word:0{link.frame_bits}b}"]
        sent[edge : edge + naive.slot_symbols] = naive.symbols(bits)
    stop = max(0, len(sent) - 1) if plan.early_lanes else len(sent)
    faults = naive_faults(plan, wires, stop)
    before, after = naive.idle_slot()[-1], sent[-1] if sent else 0
    sampled = sample(sent[:stop], faults, before=before, wires=wires, after=after)
    watched = Watched(NaiveReceiver(link))
    watched.feed(sampled.samples)
    far = board.receiver
    busy = [
        NaiveBusy(one.period_ns, one.length_ns, one.phase_ns, one.jitter_ns) for one in far.busy
    ]
    times = [far.service_ns, far.deadline_ns or 0]
    times += [t for b in busy for t in (b.period_ns, b.length_ns, b.phase_ns, b.jitter_ns)]
    fifo = NaiveFifo(
        far.fifo_depth,
        far.service_ns,
        board.clock_hz * link.edges_per_cycle,
        naive.frame_symbols,
        far.deadline_ns,
        busy,
        plan.seed,
        gcd(*times) or 1,
    )
    sequence = link.field_named("sequence")
    expected = count_frames(
        sender.frames,
        [fifo.offer(edge) for edge, _ in watched.receiver.frames],
        watched,
        carried_edge=stop,
        modulus=1 << sequence.bits if sequence else 0,
    )
    expected["stores"] = sender.offered
    expected["lost_at_sender"] = sender.overrun
    found = asdict(accounts.frames)
    assert found.pop("sequence_modulus") == (1 << sequence.bits if sequence else None)
    missed = watched.receiver.counts.get("frames_missed", 0) if sequence else None
    assert found.pop("missed_by_sequence") == missed
    assert Counter({name: count for name, count in found.items() if count}) == +expected
    by_kind = count_faults(sampled.faults, watched)
    for kind, totals in accounts.faults.items():
        counts = {name: count for name, count in asdict(totals).items() if count}
        assert (kind, counts) == (kind, by_kind.get(kind.name, Counter()))


def test_frame_in_the_wrong_column_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    # The sums still balance: only an independent count shows it.
    totals = FrameAccounts.totals

    def shifted(self: FrameAccounts, **given: object) -> FrameTotals:
        found = totals(self, **given)  # type: ignore[arg-type]
        moved = found.received_intact - 1, found.lost_on_wire + 1
        return replace(found, received_intact=moved[0], lost_on_wire=moved[1])

    board = board_with(GUARDED)
    stores = every_slot(60, board=board)
    pipeline = run_cut(board, stores, [0, 60], faults=Faults(), stop_cycle=250)
    compare_with_slow_count(pipeline, stores)
    monkeypatch.setattr(FrameAccounts, "totals", shifted)
    assert pipeline.counters().accounts.is_balanced
    with pytest.raises(AssertionError):
        compare_with_slow_count(pipeline, stores)


@pytest.mark.parametrize("name", [*CAUSES, "received_intact", "in_flight"])
def test_balance_is_the_sum_less_its_parts(name: str) -> None:
    assert FrameTotals(stores=5, **{name: 2}).balance() == 3
    assert FrameTotals(stores=5, **{name: 6}).balance() == -1
    unbalanced = RunAccounts(FrameTotals(stores=5, **{name: 2}), {}, None)
    assert not unbalanced.is_balanced


@pytest.mark.parametrize(
    "name",
    ["detected_by_check", "detected_by_sync", "out_of_sync", "undetected", "in_flight"],
)
def test_balance_of_faults_is_the_sum_less_its_parts(name: str) -> None:
    totals = FaultTotals(injected=5, **{name: 2})
    assert totals.balance() == 3
    assert not RunAccounts(FrameTotals(), {FaultKind.LATE: totals}, None).is_balanced
    assert FaultTotals(injected=2, **{name: 2}).balance() == 0


@given(st.data())
@settings(max_examples=40)
def test_without_faults_frames_sent_in_sync_are_received_intact(data: st.DataObject) -> None:
    board = data.draw(boards_for(data.draw(links(with_check=True, least_check_bits=8))))
    stores = data.draw(store_batches(board, latest=2_000))
    stop_cycle = (int(stores.cycle[-1]) if len(stores) else 0) + 1
    pipeline = run_cut(board, stores, [0, len(stores)], faults=Faults(), stop_cycle=stop_cycle)
    frames = pipeline.counters().accounts.frames
    assert frames.balance() == 0
    if frames.spurious == 0 and pipeline.receiver.counters.checks_failed == 0:
        # It was never in false sync, so all missing frames came before sync.
        assert frames.lost_on_wire == frames.received_damaged == 0


def every_slot(count: int, *, board: Board, first_cycle: int = 0) -> StoreBatch:
    """Return stores that fill every slot of the guarded link on the Dunlin's clock."""
    random = np.random.default_rng(2)
    return StoreBatch(
        np.arange(count, dtype=np.uint64) * np.uint64(4) + np.uint64(first_cycle),
        random.integers(0x4000, 0xA000, count).astype(np.uint16),
        random.integers(0, 256, count).astype(np.uint8),
    )


def run(plan: Faults, *, count: int = 2_000, board: Board | None = None) -> Pipeline:
    board = board or board_with(GUARDED)
    pipeline = Pipeline(board, faults=plan)
    pipeline.feed(every_slot(count, board=board), stop_cycle=4 * count)
    return pipeline


def test_single_flips_are_all_detected_by_the_check() -> None:
    pipeline = run(Faults(bit_flips=(BitFlips(1e-4),)), count=10_000)
    accounts = pipeline.counters().accounts
    flips = accounts.faults[FaultKind.FLIPPED]
    assert flips.injected > 20
    assert flips.detected_by_check == flips.injected
    assert accounts.frames.lost_on_wire == pipeline.receiver.counters.checks_failed


def test_lost_edge_is_detected_by_loss_of_sync_and_costs_frames_until_resync() -> None:
    pipeline = run(Faults(lost_edges=(LostEdges(at_edges=(8_003,)),)))
    accounts, seen = pipeline.counters().accounts, pipeline.receiver.counters
    lost = accounts.faults[FaultKind.LOST_EDGE]
    assert (lost.injected, lost.detected_by_sync) == (1, 1)
    assert seen.syncs_lost == 1
    # Seven invalid frames in sync, the last of which takes the first symbol of an eighth; the
    # search finds the ninth, six confirm from there, and the fifteenth is delivered.
    assert accounts.frames.lost_on_wire == 8
    assert accounts.frames.lost_out_of_sync == 6


def test_extra_edge_on_a_frame_s_last_symbol_damages_the_next_frame() -> None:
    pipeline = run(Faults(extra_edges=(ExtraEdges(at_edges=(8_007,)),)))
    accounts = pipeline.counters().accounts
    assert accounts.faults[FaultKind.EXTRA_EDGE].detected_by_sync == 1
    first = int(pipeline.losses.edge[0])
    assert first == 8_008


def test_fault_while_out_of_sync_has_a_column_of_its_own() -> None:
    # The receiver needs seven frames to sync; the first slots are before that.
    pipeline = run(Faults(bit_flips=(BitFlips(0.02),), seed=3), count=30)
    flips = pipeline.counters().accounts.faults[FaultKind.FLIPPED]
    assert flips.out_of_sync > 0
    assert flips.balance() == 0


def test_two_flips_that_pass_the_check_are_received_damaged_and_undetected() -> None:
    # x^4+x+1 has order 15: two bit errors 15 apart pass. One late lane can cause that.
    plan = Faults(bit_flips=(BitFlips(0.02),), seed=5)
    board = board_with(LEAN)
    accounts = run(plan, board=board, count=20_000).counters().accounts
    assert accounts.frames.received_damaged + accounts.frames.spurious > 0
    assert accounts.faults[FaultKind.FLIPPED].undetected > 0


def test_stuck_lane_is_detected_and_loses_everything() -> None:
    pipeline = run(Faults(stuck_lanes=(StuckLane(2, 1),)), count=500)
    accounts = pipeline.counters().accounts
    stuck = accounts.faults[FaultKind.STUCK]
    assert stuck.injected > 500
    assert stuck.balance() == 0
    assert accounts.frames.received_intact == 0


def test_late_lane_damages_only_where_its_level_changes() -> None:
    pipeline = run(Faults(late_lanes=(LateLane(0, 1.0),)), count=500)
    late = pipeline.counters().accounts.faults[FaultKind.LATE]
    assert 0 < late.injected < 8 * (500 + 16)
    assert late.balance() == 0


def test_early_lane_shows_the_next_symbol() -> None:
    # Lane 4 carries a frame's bits 39, 34, 29, ...: with every bit one symbol early, the same
    # frames, sent late by a symbol on all other lanes, look the same.
    pipeline = run(Faults(early_lanes=(EarlyLane(4, 1.0),)), count=500)
    accounts = pipeline.counters().accounts
    early = accounts.faults[FaultKind.EARLY]
    assert 0 < early.injected < 8 * (500 + 16)
    assert early.balance() == accounts.frames.balance() == 0
    assert accounts.frames.received_intact < 100
    once = run(Faults(early_lanes=(EarlyLane(4, 1.0, Span(100_000, 100_063)),)), count=500)
    assert once.counters().accounts.faults[FaultKind.EARLY].injected <= 1


def test_sixteen_frames_missed_in_a_row_exceed_the_sequence_field() -> None:
    # The clock is missing for 20 frames: the receiver counts 20 modulo 16, and those that it
    # needs to resynchronise.
    pipeline = run(Faults(lost_edges=(LostEdges(at_edges=(8_000,), count=160),)))
    frames = pipeline.counters().accounts.frames
    assert frames.missed == 20
    assert frames.missed_by_sequence == 4
    assert frames.gaps_too_long == 1
    assert frames.received_intact == 2_000 - 20


def test_overrun_has_its_store_and_what_held_up_the_receiver() -> None:
    board = board_with(
        GUARDED,
        receiver=ReceiverEnd(
            fifo_depth=8, service_ns=250, busy=(BusyTime(100_000, 20_000, 50_000),)
        ),
    )
    stores = every_slot(2_000, board=board)
    pipeline = Pipeline(board)
    pipeline.feed(stores, stop_cycle=8_000)
    frames = pipeline.counters().accounts.frames
    losses = pipeline.losses
    assert frames.lost_at_receiver == len(losses) > 0
    assert set(losses.cause.tolist()) == {Cause.RECEIVER_FIFO}
    which = np.searchsorted(stores.cycle, losses.cycle)
    assert (stores.cycle[which] == losses.cycle).all()
    assert (stores.address[which] == losses.address).all()
    assert (losses.busy == Busy.VIDEO).sum() > 0


def test_sender_overrun_has_its_store() -> None:
    board = board_with(GUARDED, sender=Sender(fifo_depth=2, lead_frames=16))
    count = np.arange(40, dtype=np.uint64)
    stores = StoreBatch(count, np.full(40, 0x4000, np.uint16), np.zeros(40, np.uint8))
    pipeline = Pipeline(board)
    pipeline.feed(stores, stop_cycle=100)
    losses = pipeline.losses
    assert len(losses) == pipeline.counters().frames_overrun > 0
    assert (losses.cause == Cause.SENDER_FIFO).all()
    assert (pipeline.lost_edges == losses.edge).all()
    assert (losses.cycle < 40).all()


def test_replayed_frames_have_no_store() -> None:
    board = board_with(GUARDED)
    frames = Pipeline(board).feed(every_slot(300, board=board), stop_cycle=1_200)
    pipeline = Pipeline(board, faults=Faults(bit_flips=(BitFlips(1e-3),)))
    pipeline.feed_frames(FrameBatch(frames.edge, frames.word), stop_edge=0)
    accounts = pipeline.counters().accounts
    assert accounts.is_balanced
    assert accounts.frames.stores == 300
    assert len(pipeline.losses) > 0
    assert (pipeline.losses.cycle == NO_CYCLE).all()
