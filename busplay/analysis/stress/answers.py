"""Answers that a sweep alone does not have: the smallest FIFO, the longest service, the causes."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

from busplay.analysis.stress.load import Load
from busplay.analysis.stress.trials import run_trial, trial_seed
from busplay.description.board import Board, ReceiverEnd
from busplay.description.faults import Faults
from busplay.description.limits import LIMITS
from busplay.errors import DescriptionError
from busplay.pipeline.accounts import RunAccounts
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
    accounts = _accounts(load, board, plan)
    causes = {name: int(getattr(accounts.frames, name)) for name in CAUSES}
    causes["lost_at_sender"] = load.lost_at_sender
    lost = sum(causes.values())
    explained = {}
    for name, (without_board, without_plan) in _without(board, plan).items():
        frames = _accounts(load, without_board, without_plan).frames
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


def _accounts(load: Load, board: Board, plan: Faults) -> RunAccounts:
    """Send the load once and return what became of it."""
    return run_trial(load, board, plan).pipeline.counters().accounts


def _smallest_fifo(load: Load, board: Board, plan: Faults) -> int | None:
    """Return the most frames that a FIFO without an end ever holds."""
    deep = replace(
        board.receiver, fifo_depth=LIMITS[ReceiverEnd, "fifo_depth"][1], deadline_ns=None
    )
    try:
        service = _accounts(load, replace(board, receiver=deep), plan).receiver_fifo
    except DescriptionError:
        # Times that cannot be counted exactly with so deep a FIFO.
        return None
    if service is None:
        return 1
    return None if service.frames_overrun else max(1, service.frames_held_max)


def _longest_service(load: Load, board: Board, plan: Faults) -> int | None:
    """Find the longest service time that loses nothing at the receiver, by halving."""

    def loses(service_ns: int) -> bool:
        receiver = replace(board.receiver, service_ns=service_ns)
        frames = _accounts(load, replace(board, receiver=receiver), plan).frames
        return frames.lost_at_receiver + frames.lost_late + frames.spurious_lost > 0

    if loses(0):
        return None
    if not len(load.frames):
        return SERVICE_NS_MAX
    # The first time that loses is one more than the longest that does not.
    return bisect_left(range(SERVICE_NS_MAX + 1), True, key=loses) - 1
