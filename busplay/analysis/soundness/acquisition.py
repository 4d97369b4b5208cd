"""How long a receiver takes to come into step, and how often it does so at a wrong place.

How to think about it. The receiver's states are a Markov chain: HUNT tries a place and, if it
fails, the next symbol's; PRESYNC tries the same place one frame later; in SYNC after a lost edge
it reads one symbol late until so many frames were wrong in a row. Time is counted in symbols of
the wire. Means and chances of a false lock come from linear equations over the places of a round
of slots; the time that 99 % need comes from running the distribution symbol by symbol.

A link with a strobe has no such chain: each strobe shows a place.

# Follows: ITU-T I.432.1, cell delineation (HUNT, PRESYNC, SYNC; DELTA and ALPHA)
# Read in: a maker's data sheet that restates it; the Recommendation itself from memory
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.chances import PassChances, noisy, pass_chances
from busplay.analysis.soundness.damage import right_chance, without_symbols
from busplay.analysis.soundness.frame_space import FrameSpace, Judge
from busplay.analysis.soundness.hunting import while_hunting
from busplay.description.link import CheckFraming, MarkerFraming, StrobeFraming
from busplay.link.layout import FrameLayout

QUANTILE = 0.99
# Beyond this many steps of the distribution its quantile is only bounded.
STEPS_MAX = 60_000
PLACES_MAX = 1_024
# Up to so many places their equations are solved in one go; more of them in sweeps.
SOLVED_PLACES_MAX = 96
SWEEPS_MAX = 2_000
Places = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LockTime:
    """Time to step, in symbols of the wire.

    Attributes:
        mean_symbols: mean; infinite where it can take for ever.
        quantile_symbols: time within which 99 % are in sync; None: longer than was followed.
        false_ratio: chance that the step is a wrong place.
    """

    mean_symbols: float
    quantile_symbols: int | None
    false_ratio: float


NEVER = LockTime(inf, None, 0.0)


def power_on(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    *,
    bit_error_rate: float = 0.0,
    chances: PassChances | None = None,
) -> LockTime:
    """Return the time from power-on at a random symbol of a pattern of slots.

    Args:
        layout: of the link.
        slots: what the slots of a round carry; see `chances.pattern_of`.
        bit_error_rate: chance that a bit is wrong, each by itself; not for a strobe.
        chances: of `pass_chances` without noise, if they were worked out before.
    """
    if isinstance(layout.link.framing, StrobeFraming):
        # The next frame's strobe; the receiver is in sync once its first symbol has come. A
        # held strobe must have rested before, so a frame that begins at power-on is missed.
        missed = 1 if layout.link.framing.span == "frame" else 0
        return _told([wait + missed for wait in range(1, layout.slot_symbols + 1)])
    clean = chances or pass_chances(layout, slots)
    chances = noisy(layout, _hunting(layout, slots, clean, None), bit_error_rate)
    wait, false = _hunt(chances)
    start = np.full(chances.places, 1 / chances.places)
    if not np.isfinite(wait).all():
        return LockTime(inf, None, float(false.mean()))
    return LockTime(
        layout.frame_symbols + float(wait.mean()),
        _quantile(chances, {layout.frame_symbols: start}, {}, release=0),
        float(false.mean()),
    )


def after_lost_edge(
    layout: FrameLayout, slots: Sequence[FrameSpace], *, chances: PassChances | None = None
) -> LockTime:
    """Return the time from a lost edge, at a random symbol of a pattern, to step again."""
    framing = layout.link.framing
    size = layout.frame_symbols
    if isinstance(framing, StrobeFraming):
        return _told([layout.slot_symbols - 1 - lost for lost in range(size)])
    if size == 1:
        # A frame that is one symbol is lost whole, and the next begins where it should.
        return LockTime(0.0, 0, 0.0)
    chances = chances or pass_chances(layout, slots)
    if isinstance(framing, MarkerFraming) and framing.rule == "unique":
        return _after_marker(chances)
    release = framing.release_frames
    chances = _hunting(layout, slots, chances, 2 % size)
    wait, false = _hunt(chances)
    slot_count = len(slots)
    held, held_false = _hold(chances, wait, false, release)
    judge = Judge(layout)
    share = 1 / chances.places
    mean = wrong = 0.0
    read: dict[int, Places] = defaultdict(lambda: np.zeros(2 * slot_count))
    for slot in range(slot_count):
        behind = (slot + 1) % slot_count
        for lost in range(size):
            right = _spliced_chance(layout, (slots[slot], slots[behind]), judge, lost)
            place = (slot * size + 2) % chances.places
            after_wrong = (1 + wait[place], false[place])
            if release > 1:
                after_wrong = (held[1, behind], held_false[1, behind])
            mean += share * (size - lost)
            if right > 0:
                mean += share * right * held[0, behind]
                wrong += share * right * held_false[0, behind]
            if right < 1:
                mean += share * (1 - right) * after_wrong[0]
                wrong += share * (1 - right) * after_wrong[1]
            read[size - lost][slot] += share * right
            read[size - lost][slot_count + slot] += share * (1 - right)
    if not np.isfinite(mean):
        return LockTime(inf, None, float(wrong))
    quantile = _quantile(chances, {}, read, release=release)
    return LockTime(float(mean), quantile, float(wrong))


def _hunting(
    layout: FrameLayout,
    slots: Sequence[FrameSpace],
    chances: PassChances,
    first_place: int | None,
) -> PassChances:
    """Return the chances of places as they are met; see `hunting`."""
    if not isinstance(layout.link.framing, CheckFraming):
        return chances
    return while_hunting(layout, slots[0], chances, first_place=first_place)


def _told(waits: list[int]) -> LockTime:
    """Return the figures of waits that are each as likely."""
    ordered = sorted(waits)
    index = -(-len(ordered) * 99 // 100) - 1
    return LockTime(sum(waits) / len(waits), ordered[index], 0.0)


def _spliced_chance(
    layout: FrameLayout, spaces: tuple[FrameSpace, FrameSpace], judge: Judge, lost: int
) -> float:
    """Return the chance that a frame looks right of which one symbol was missed."""
    return float(right_chance(spaces, judge, lambda words: without_symbols(layout, words, lost, 1)))


def _hunt(chances: PassChances) -> tuple[Places, Places]:
    """Return the mean time from trying each place to step, and the chance that it is false."""
    places, size = chances.places, chances.frame_symbols
    confirm = chances.confirm_frames
    if places > PLACES_MAX:
        raise ValueError(f"{places} places are too many; up to {PLACES_MAX} are followed")
    if places > SOLVED_PLACES_MAX:
        return _by_sweeps(chances)
    next_place = np.zeros((places, places))
    spent = np.zeros(places)
    reached = np.ones(places)
    here = np.arange(places)
    for stage in range(confirm + 1):
        failed = reached * (1 - chances.run[:, stage])
        next_place[here, (here + stage * size + 1) % places] += failed
        spent += failed * (stage * size + 1)
        reached = reached * chances.run[:, stage]
    spent += reached * confirm * size
    system = np.eye(places) - next_place
    false_start = reached * (here % size != 0)
    is_forced = (chances.run[:, 0] == 1) & (reached == 0)
    if reached.max() == 0 or is_forced.any():
        return _where_it_ends(next_place, reached, spent, false_start)
    found = np.linalg.solve(system, np.stack([spent, false_start], axis=1))
    return found[:, 0], np.clip(found[:, 1], 0, 1)


def _by_sweeps(chances: PassChances) -> tuple[Places, Places]:
    """Return the same for many places: what each owes to those behind it, over and over.

    From each place the receiver goes on to one behind, so a sweep from the last to the first
    settles all but what comes round again, and that grows less with each sweep.
    """
    places, size, confirm = chances.places, chances.frame_symbols, chances.confirm_frames
    reached = np.ones(places)
    fails = []
    spent = np.zeros(places)
    for stage in range(confirm + 1):
        fails.append(reached * (1 - chances.run[:, stage]))
        spent += fails[-1] * (stage * size + 1)
        reached = reached * chances.run[:, stage]
    spent += reached * confirm * size
    if not reached.any():
        return np.full(places, inf), np.zeros(places)
    steps = [
        [
            (float(fail[place]), (place + stage * size + 1) % places)
            for stage, fail in enumerate(fails)
        ]
        for place in range(places)
    ]
    found = []
    for sides in (spent.tolist(), (reached * (np.arange(places) % size != 0)).tolist()):
        values = [0.0] * places
        for _ in range(SWEEPS_MAX):
            largest = 0.0
            for place in range(places - 1, -1, -1):
                value = sides[place]
                for chance, behind in steps[place]:
                    if chance:
                        value += chance * values[behind]
                largest = max(largest, abs(value - values[place]))
                values[place] = value
            if largest <= 1e-9 * max(values):
                break
        else:
            return np.full(places, inf), np.zeros(places)
        found.append(np.array(values))
    return found[0], np.clip(found[1], 0, 1)


def _where_it_ends(
    next_place: Places, reached: Places, spent: Places, false_start: Places
) -> tuple[Places, Places]:
    """Return the same where some places never lead to step: these wait for ever."""
    leads = reached > 0
    while True:
        more = leads | ((next_place[:, leads] > 0).any(axis=1) if leads.any() else False)
        if (more == leads).all():
            break
        leads = more
    # A place from which a hopeless one can be reached has no finite mean either.
    hopeless = ~leads
    while True:
        more = hopeless | ((next_place[:, hopeless] > 0).any(axis=1) if hopeless.any() else False)
        if (more == hopeless).all():
            break
        hopeless = more
    wait = np.full(len(reached), inf)
    false = np.zeros(len(reached))
    fine = ~hopeless
    if fine.any():
        system = np.eye(int(fine.sum())) - next_place[np.ix_(fine, fine)]
        found = np.linalg.solve(system, np.stack([spent[fine], false_start[fine]], axis=1))
        wait[fine], false[fine] = found[:, 0], found[:, 1]
    return wait, false


def _hold(chances: PassChances, wait: Places, false: Places, release: int) -> tuple[Places, Places]:
    """Return mean time and chance of a false lock for a receiver that reads one symbol late.

    Returns:
        float[release, slots] each: with so many wrong frames behind it, about to read in a slot.
    """
    size, places = chances.frame_symbols, chances.places
    slots = places // size
    count = slots * release
    right = chances.right[1::size]
    if (right == 1).all():
        return np.full((release, slots), inf), np.zeros((release, slots))
    system = np.eye(count)
    sides = np.zeros((count, 2))
    for wrong in range(release):
        for slot in range(slots):
            row = wrong * slots + slot
            behind = (slot + 1) % slots
            sides[row, 0] = size
            system[row, behind] -= right[slot]
            if wrong + 1 < release:
                system[row, (wrong + 1) * slots + behind] -= 1 - right[slot]
            elif right[slot] < 1:
                place = (slot * size + 2) % places
                sides[row, 0] += (1 - right[slot]) * (1 + wait[place])
                sides[row, 1] += (1 - right[slot]) * false[place]
    if not np.isfinite(sides).all():
        return np.full((release, slots), inf), np.zeros((release, slots))
    try:
        found = np.linalg.solve(system, sides)
    except np.linalg.LinAlgError:
        # Right frames come so often that so many wrong ones never follow each other.
        return np.full((release, slots), inf), np.zeros((release, slots))
    mean = found[:, 0].reshape(release, slots).astype(np.float64)
    wrong_step = np.clip(found[:, 1], 0, 1).reshape(release, slots).astype(np.float64)
    return mean, wrong_step


def _after_marker(chances: PassChances) -> LockTime:
    """Return the time to the end of the next whole frame that shows a marker nothing imitates."""
    size, places = chances.frame_symbols, chances.places
    shows = chances.run[::size, 0]
    if not (shows == 1).any() or ((shows > 0) & (shows < 1)).any():
        return NEVER
    waits = []
    for slot in range(len(shows)):
        ahead = next(k for k in range(1, len(shows) + 1) if shows[(slot + k) % len(shows)])
        waits += [size - 1 - lost + ahead * size for lost in range(size)]
    if len(waits) != places:
        raise AssertionError("one wait a place")
    return _told(waits)


def _quantile(
    chances: PassChances, hunting: dict[int, Places], reading: dict[int, Places], *, release: int
) -> int | None:
    """Run the chain until 99 % are in sync; give that time, or None if it takes too long.

    Args:
        hunting: by time, float[places]: how likely the receiver tries each place then.
        reading: by time, float[2 * slots]: how likely it has just read a frame of which a
            symbol was missed, in each slot, and found it right (first half) or wrong.
        release: wrong frames in a row that lead to HUNT.
    """
    places, size = chances.places, chances.frame_symbols
    slots = places // size
    confirm = chances.confirm_frames
    # run_here[k]: the chance of stage k at the place where it is tried.
    run_here = np.stack(
        [np.roll(chances.run[:, stage], stage * size) for stage in range(confirm + 1)]
    )
    waiting = np.zeros((size, confirm + 1, places))
    held = np.zeros((size, max(release, 1), slots))
    late_right = chances.right[1::size]
    hunt = np.zeros(places)
    locked = 0.0
    last_start = max([*hunting, *reading], default=0)
    left_before: list[float] = []
    for time in range(last_start + STEPS_MAX):
        now = time % size
        failed = np.zeros(places)
        # -- in SYNC, one symbol late
        if release:
            sure, wrong = np.zeros(slots), np.zeros((release, slots))
            due = held[now]
            if due.any():
                sure += (due * late_right).sum(axis=0)
                wrong += due * (1 - late_right)
            if time in reading:
                sure += reading[time][:slots]
                wrong[0] += reading[time][slots:]
            due[:] = 0
            if sure.any() or wrong.any():
                due[0] = np.roll(sure, 1)
                due[1:] = np.roll(wrong[: release - 1], 1, axis=1)
                failed[(np.arange(slots) * size + 1) % places] += wrong[release - 1]
        # -- HUNT and PRESYNC
        tried = waiting[now].copy()
        waiting[now] = 0
        tried[0] = hunt
        if time in hunting:
            tried[0] += hunting[time]
        passed = tried * run_here
        failed += (tried - passed).sum(axis=0)
        locked += float(passed[confirm].sum())
        if confirm:
            waiting[now, 1:] = np.roll(passed[:confirm], size, axis=1)
        hunt = np.roll(failed, 1)
        if locked >= QUANTILE - 1e-12:
            return time
        left_before.append(1 - locked)
        if time > last_start and time % places == 0:
            tail = _tail(left_before, places)
            if tail is not None:
                return tail
    return None


def _tail(left: list[float], places: int) -> int | None:
    """Return the time by when 99 % are in sync once each round leaves the same share of the rest.

    Args:
        left: by time, the share that is not in sync yet.

    Returns:
        None: the share is not steady yet, or the end is so near that it can be followed.
    """
    if len(left) < 4 * places + 1:
        return None
    last, before = np.array(left[-places:]), np.array(left[-2 * places : -places])
    ratios = last / before
    now, ratio = float(last[-1]), float(ratios[-1])
    if ratio >= 1 or ratios.max() - ratios.min() > 1e-9 * (1 - ratio):
        return None
    wanted = (1 - QUANTILE) + 1e-12
    rounds = max(0, int(log(wanted / now) / log(ratio)) - 1)
    last_round = last * ratio**rounds
    while last_round[-1] > wanted:
        last_round *= ratio
        rounds += 1
    return len(left) - places + rounds * places + int(np.argmax(last_round <= wanted))
