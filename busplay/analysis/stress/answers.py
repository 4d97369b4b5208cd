"""Answers that a sweep alone does not have: the smallest FIFO, the longest service, the causes."""

from __future__ import annotations

from dataclasses import dataclass, replace

from busplay.analysis.stress.load import Load
from busplay.analysis.stress.trials import run_trial, trial_seed
from busplay.description.board import Board, ReceiverEnd
from busplay.description.faults import Faults
from busplay.description.limits import LIMITS
from busplay.errors import DescriptionError
from busplay.pipeline.totals import CAUSES
from busplay.units import NS_PER_S

# A receiver that takes a millisecond over a frame shows no moving picture.
SERVICE_NS_MAX = NS_PER_S // 1_000
# What a plan of faults injects: its fields, in words.
INJECTED = {
    "bit_flips": "flipped bits",
    "late_lanes": "late lanes",
    "early_lanes": "early lanes",
    "stuck_lanes": "stuck lanes",
    "lost_edges": "lost edges",
    "extra_edges": "extra edges",
    "stalls": "stalls",
}


@dataclass(frozen=True, slots=True)
class Answers:
    """What the receiver needs for this load, and what takes how much.

    Attributes:
        smallest_receiver_fifo: depth with which no frame finds the FIFO full, the frame that is
            being served included; None: not even a million is enough.
        longest_service_ns: with the board's FIFO, nothing being lost or late; None: not even 0.
        lost_by_cause: frames not received intact, by where that happened, in the first trial.
        explained: by each source of trouble that can be taken away: frames that are received
            intact without it and were not with it.
    """

    smallest_receiver_fifo: int | None
    longest_service_ns: int | None
    lost_by_cause: dict[str, int]
    explained: dict[str, int]


def find_answers(load: Load, board: Board, faults: Faults) -> Answers:
    """Work the answers out, with the random numbers of the first trial.

    Args:
        load: what is sent.
        board, faults: as they are; the plan's seed is the run's.
    """
    plan = replace(faults, seed=trial_seed(faults.seed, 0, 0))
    accounts = run_trial(load, board, plan).pipeline.counters().accounts
    causes = {name: int(getattr(accounts.frames, name)) for name in CAUSES}
    causes["lost_at_sender"] = load.lost_at_sender
    lost = sum(causes.values())
    explained = {}
    for name, (without_board, without_plan) in _without(board, plan).items():
        frames = run_trial(load, without_board, without_plan).pipeline.counters().accounts.frames
        explained[name] = lost - load.lost_at_sender - frames.lost
    if load.lost_at_sender:
        explained["the sender FIFO"] = load.lost_at_sender
    return Answers(
        smallest_receiver_fifo=_smallest_fifo(load, board, plan),
        longest_service_ns=_longest_service(load, board, plan),
        lost_by_cause=causes,
        explained=explained,
    )


def _without(board: Board, plan: Faults) -> dict[str, tuple[Board, Faults]]:
    """Return board and plan without each source of trouble that is there."""
    receiver = board.receiver
    found = {
        title: (board, replace(plan, **{name: ()}))  # type: ignore[arg-type]
        for name, title in INJECTED.items()
        if getattr(plan, name)
    }
    if receiver.busy:
        found["busy times"] = replace(board, receiver=replace(receiver, busy=())), plan
    if receiver.service_ns:
        quick = replace(receiver, service_ns=0)
        found["service time"] = replace(board, receiver=quick), plan
    return found


def _with_receiver(board: Board, receiver: ReceiverEnd) -> Board:
    return replace(board, receiver=receiver)


def _smallest_fifo(load: Load, board: Board, plan: Faults) -> int | None:
    """Return the most frames that a FIFO without an end ever holds."""
    deep = replace(
        board.receiver, fifo_depth=LIMITS[ReceiverEnd, "fifo_depth"][1], deadline_ns=None
    )
    try:
        service = (
            run_trial(load, _with_receiver(board, deep), plan)
            .pipeline.counters()
            .accounts.receiver_fifo
        )
    except DescriptionError:
        # Times that cannot be counted exactly with so deep a FIFO.
        return None
    if service is None:
        return 1
    return None if service.frames_overrun else max(1, service.frames_held_max)


def _longest_service(load: Load, board: Board, plan: Faults) -> int | None:
    """Find the longest service time that loses nothing at the receiver, by halving."""
    receiver = board.receiver

    def is_enough(service_ns: int) -> bool:
        here = replace(receiver, service_ns=service_ns)
        frames = (
            run_trial(load, _with_receiver(board, here), plan).pipeline.counters().accounts.frames
        )
        return frames.lost_at_receiver + frames.lost_late + frames.spurious_lost == 0

    if not is_enough(0):
        return None
    if not len(load.frames):
        return SERVICE_NS_MAX
    low, high = 0, SERVICE_NS_MAX
    while low < high:
        middle = (low + high + 1) // 2
        if is_enough(middle):
            low = middle
        else:
            high = middle - 1
    return low
