"""How long a receiver takes to come into sync, and how often into false sync: a Markov chain.

How to think about it. HUNT tries a place and, if it fails, the next symbol's; PRESYNC tries the
same place one frame later; in SYNC after a lost edge a receiver reads one symbol late until
`release_frames` frames in a row are invalid. A search goes from offset to offset within the frame,
never back, so its equations are filled in from the last offset to the first. What is left are
equations over slots, and they are solved without a subtraction, so that a rate of any size keeps
its digits.

# Follows: ITU-T I.432.1, cell delineation (HUNT, PRESYNC, SYNC; DELTA and ALPHA)
# Read in: a maker's data sheet that restates it; the Recommendation itself from memory
# Source of the elimination: Grassmann, Taksar and Heyman (1985), from memory
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import expm1, inf, log

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.damage import right_probability, without_symbols
from busplay.analysis.soundness.frame_space import FrameSpace, Judge
from busplay.analysis.soundness.passing import PassProbabilities, noisy, pass_probabilities
from busplay.description.link import CheckFraming
from busplay.link.layout import FrameLayout

Numbers = NDArray[np.float64]
PLACES_MAX = 1_024
# Columns of what is worked out for each place: symbols to SYNC, probability that it is false,
# symbols to true sync, probability that this does not come.
FIRST, FALSE, TRUE, NEVER, COLUMNS = range(5)


@dataclass(frozen=True, slots=True)
class ChainTimes:
    """Means of the chain.

    Attributes:
        power_on_symbols, power_on_false_ratio: from a random symbol to SYNC, and how often that is
            false.
        lost_edge_symbols, lost_edge_false_ratio: the same from behind a missed edge.
        lost_frames: frames from the damaged one to true sync.
        never_ratio: probability that this does not come.
    """

    power_on_symbols: float
    power_on_false_ratio: float
    lost_edge_symbols: float
    lost_edge_false_ratio: float
    lost_frames: float
    never_ratio: float


def mean_frames_in_sync(wrong_probability: float, release_frames: int) -> float:
    """Return the mean number of frames until a run of invalid ones.

    Source: theory of runs: k in a row of probability x take (1 - x^k) / ((1 - x) x^k) on average.

    Args:
        wrong_probability: that a frame is invalid.
        release_frames: 1 or more.

    >>> round(mean_frames_in_sync(0.25, 1))
    4
    """
    if wrong_probability <= 0:
        return inf
    if wrong_probability >= 1:
        return float(release_frames)
    # x^-k as an exponential, so that nothing is lost where x^k is too small for a float.
    exponent = -release_frames * log(wrong_probability)
    return inf if exponent > 700 else expm1(exponent) / (1 - wrong_probability)


def absorb(steps: Numbers, leaves: Numbers, sides: Numbers, trapped: Numbers) -> Numbers:
    """Return x = sides + steps x, with no subtraction.

    Args:
        steps: float[states, states]; probability of each step.
        leaves: float[states]; probability that a state leaves for good.
        sides: float[states, columns]; what each visit adds; may be infinite.
        trapped: float[columns]; what x is in states that never leave.

    Returns:
        float[states, columns].
    """
    count = len(leaves)
    can_leave = leaves > 0
    while True:
        more = can_leave | (steps[:, can_leave] > 0).any(axis=1)
        if (more == can_leave).all():
            break
        can_leave = more
    found = np.tile(trapped, (count, 1)).astype(np.float64)
    kept = np.flatnonzero(can_leave)
    if not len(kept):
        return found
    to_trap = steps[np.ix_(kept, np.flatnonzero(~can_leave))].sum(axis=1)
    step = steps[np.ix_(kept, kept)].astype(np.float64)
    out = leaves[kept] + to_trap
    side = sides[kept].astype(np.float64)
    with np.errstate(invalid="ignore"):
        side = side + np.where(to_trap[:, None] > 0, to_trap[:, None] * trapped, 0.0)
    is_infinite = np.isinf(side)
    side = np.where(is_infinite, 0.0, side)
    reach = is_infinite.astype(np.float64)
    # Eliminate the last state: transitions into it continue to where it leads.
    for last in range(len(kept) - 1, 0, -1):
        pivot = out[last] + step[last, :last].sum()
        share = step[:last, last] / pivot
        step[:last, :last] += share[:, None] * step[last, :last]
        out[:last] += share * out[last]
        side[:last] += share[:, None] * side[last]
        reach[:last] += share[:, None] * reach[last]
        step[:last, last] = share
    solved = np.zeros_like(side)
    solved_reach = np.zeros_like(side)
    for state in range(len(kept)):
        # A state's own loop makes its visits more by 1 / (what leaves it).
        pivot = out[state] + step[state, :state].sum()
        solved[state] = (side[state] + step[state, :state] @ solved[:state]) / pivot
        solved_reach[state] = (reach[state] + step[state, :state] @ solved_reach[:state]) / pivot
    found[kept] = np.where(solved_reach > 0, inf, solved)
    return found


def chain_times(layout: FrameLayout, slots: Sequence[FrameSpace]) -> ChainTimes | None:
    """Work out the means on a pattern of slots.

    Args:
        layout: of the link.
        slots: of a round, each independent of the others.

    Returns:
        None for a round that is too long, or where no check finds the frames.
    """
    framing = layout.link.framing
    size = layout.frame_symbols
    if not isinstance(framing, CheckFraming) or not 1 < len(slots) * size <= PLACES_MAX:
        return None
    if size < 2:
        return None
    passing = pass_probabilities(layout, slots)
    hunt = _hunting(passing, framing.release_frames)
    on = hunt[:, :size].mean(axis=(0, 1))
    after = np.zeros(COLUMNS)
    frames = 0.0
    # Behind the last offset stands the next slot's first.
    late = _holding(passing, 1, hunt[:, 2], framing.release_frames)
    judge = Judge(layout)
    share = 1 / (len(slots) * size)
    for slot in range(len(slots)):
        behind = (slot + 1) % len(slots)
        for lost in range(size):

            def damage(words: tuple[int, ...], lost: int = lost) -> tuple[int, ...]:
                return (without_symbols(layout, words, lost, 1),)

            right = float(right_probability((slots[slot], slots[behind]), judge, damage))
            values = np.zeros(COLUMNS)
            values[[FIRST, TRUE]] = size - lost
            for probability, row in ((right, late[0][behind]), (1 - right, late[1][behind])):
                if probability > 0:
                    values = values + probability * row
            after += share * values
            frames += share * (lost + 1 + values[TRUE]) / size
    return ChainTimes(
        size + float(on[FIRST]),
        float(on[FALSE]),
        float(after[FIRST]),
        float(after[FALSE]),
        frames,
        float(after[NEVER]),
    )


def noisy_power_on(
    layout: FrameLayout, slots: Sequence[FrameSpace], bit_error_rate: float
) -> float | None:
    """Return the mean symbols from power-on to SYNC at a bit error rate.

    None as for `chain_times`.
    """
    size = layout.frame_symbols
    is_followed = size > 1 and len(slots) * size <= PLACES_MAX
    if not isinstance(layout.link.framing, CheckFraming) or not is_followed:
        return None
    passing = noisy(layout, pass_probabilities(layout, slots), bit_error_rate)
    return size + float(_hunting(passing, None)[:, :size, FIRST].mean())


def _hunting(passing: PassProbabilities, release: int | None) -> Numbers:
    """Return what follows from trying each place.

    Args:
        passing: of the places.
        release: invalid frames in a row that lead to HUNT; None: what follows a false SYNC is not
            wanted.

    Returns:
        float[slots, frame_symbols + 1, COLUMNS]; the last offset is the next slot's first.
    """
    size, confirm = passing.frame_symbols, passing.confirm_frames
    slots = passing.places // size
    run = passing.run.reshape(slots, size, confirm + 1)
    # What each place adds to that of the slots' first places, and how it leads there.
    value = np.zeros((slots, size + 1, COLUMNS))
    lead = np.zeros((slots, size + 1, slots))
    leave = np.zeros((slots, size + 1))
    lead[:, size] = np.roll(np.eye(slots), 1, axis=1)
    for offset in range(size - 1, -1, -1):
        alive = np.ones(slots)
        for stage in range(confirm + 1):
            failed = alive * (1 - run[:, offset, stage])
            alive = alive * run[:, offset, stage]
            if not failed.any():
                continue
            spent = failed * (stage * size + 1)
            value[:, offset, FIRST] += spent
            value[:, offset, TRUE] += spent
            onward = np.roll(value[:, offset + 1], -stage, axis=0)
            value[:, offset] += _times(failed, onward)
            lead[:, offset] += failed[:, None] * np.roll(lead[:, offset + 1], -stage, axis=0)
            leave[:, offset] += failed * np.roll(leave[:, offset + 1], -stage)
        leave[:, offset] += alive
        value[:, offset, FIRST] += alive * confirm * size
        value[:, offset, TRUE] += alive * confirm * size
        if offset and alive.any():
            value[:, offset, FALSE] += alive
            if release is not None:
                # The first places are right for sure, so all that follows is known already.
                follows = value[:, offset + 1] + _known(lead[:, offset + 1], confirm * size)
                held = _holding(passing, offset, follows, release)[0]
                held = np.roll(held, -(confirm + 1), axis=0)
                held[:, [FIRST, FALSE]] = 0.0
                value[:, offset] += _times(alive, held)
    trapped = np.array([inf, 0.0, inf, 1.0])
    first = absorb(lead[:, 0], leave[:, 0], value[:, 0], trapped)
    with np.errstate(invalid="ignore"):
        rest = np.where(lead[..., None] > 0, lead[..., None] * first, 0.0).sum(axis=2)
    found: Numbers = value + rest
    return found


def _known(lead: Numbers, symbols: int) -> Numbers:
    """Return what a lead to first places adds that are right for sure."""
    found = np.zeros((len(lead), COLUMNS))
    found[:, [FIRST, TRUE]] = (lead.sum(axis=1) * symbols)[:, None]
    return found


def _times(probability: Numbers, values: Numbers) -> Numbers:
    """Return values times their probabilities; probability 0 adds nothing."""
    with np.errstate(invalid="ignore"):
        return np.where(probability[:, None] > 0, probability[:, None] * values, 0.0)


def _holding(
    passing: PassProbabilities, offset: int, follows: Numbers, release: int
) -> tuple[Numbers, Numbers]:
    """Return what follows for a receiver in SYNC that reads `offset` symbols late.

    Args:
        passing: of the places.
        offset: 1 or more.
        follows: float[slots, COLUMNS]; what follows from trying the place behind.
        release: wrong frames in a row that lead to HUNT.

    Returns:
        float[slots, COLUMNS] twice: about to read in each slot, with no invalid frame before,
        and with one.
    """
    size = passing.frame_symbols
    slots = passing.places // size
    right = passing.right[offset::size]
    wrong = 1 - right

    def sums(wanted: int) -> tuple[Numbers, Numbers, Numbers]:
        step = np.zeros((slots, slots))
        side = np.zeros((slots, COLUMNS))
        alive = np.ones(slots)
        rows = np.arange(slots)
        for ahead in range(wanted):
            side[:, [FIRST, TRUE]] += (alive * size)[:, None]
            here = np.roll(right, -ahead)
            step[rows, (rows + ahead + 1) % slots] += alive * here
            alive = alive * np.roll(wrong, -ahead)
        after = np.roll(follows, -(wanted - 1), axis=0)
        if wanted == 0:
            after = np.roll(follows, 1, axis=0)
        side[:, [FIRST, TRUE]] += alive[:, None]
        return step, alive, side + _times(alive, after)

    step, leave, side = sums(release)
    none = absorb(step, leave, side, np.array([inf, 0.0, inf, 1.0]))
    step, leave, side = sums(release - 1)
    with np.errstate(invalid="ignore"):
        rest = np.where(step[..., None] > 0, step[..., None] * none, 0.0).sum(axis=1)
    return none, side + rest
