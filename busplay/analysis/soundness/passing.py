"""How probably a place looks valid, window after window, on a link that carries a pattern of slots.

How to think about it. A pattern says of each slot of a round whether it carries a random frame
or the idle one. A receiver that tries the place `offset` symbols into slot s reads windows that
each span two slots, and tries again one frame later as long as they pass. Windows that follow
each other share a frame, so their probabilities may hang together: what the earlier ones have told
of a frame's end is carried along as a subspace, and each step's probability is again a power of
two.

Windows at different places are taken as independent of each other; `are_independent` says
whether they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busplay.analysis.soundness.frame_space import FrameSpace, Judge, window
from busplay.analysis.soundness.weights import count_undetected
from busplay.description.link import CheckFraming, MarkerFraming
from busplay.link.gf2 import LinearSpan, rank
from busplay.link.layout import FrameLayout


@dataclass(frozen=True, slots=True)
class PassProbabilities:
    """Chances that places pass; a place is a symbol of the pattern's round, counted from 0.

    Attributes:
        frame_symbols: symbols of a frame.
        run: float[places, confirm_frames + 1]; entry k of a place is the probability that
            the window k frames behind it passes once all before it have. The first has to show
            the marker too, if there is one.
        right: float[places]; the probability that the window there is right, marker or not.
    """

    frame_symbols: int
    run: NDArray[np.float64]
    right: NDArray[np.float64]

    @property
    def places(self) -> int:
        """Symbols of a round."""
        return len(self.run)

    @property
    def confirm_frames(self) -> int:
        """Windows that must pass behind the first."""
        return int(self.run.shape[1]) - 1


def confirm_frames(layout: FrameLayout) -> int:
    """Return how many frames confirm a place; 0 where a marker needs none."""
    framing = layout.link.framing
    if isinstance(framing, CheckFraming):
        return framing.confirm_frames
    if isinstance(framing, MarkerFraming) and framing.rule == "confirm":
        return framing.confirm_frames
    return 0


def pass_probabilities(layout: FrameLayout, slots: Sequence[FrameSpace]) -> PassProbabilities:
    """Work out the probabilities of all places of a pattern that repeats.

    Args:
        slots: of one round.
    """
    size = layout.frame_symbols
    confirm = confirm_frames(layout)
    right_judge = Judge(layout)
    first_judge = Judge(layout, with_marker=True)
    known: dict[tuple[int, tuple[int, ...]], list[float]] = {}
    run = np.zeros((len(slots) * size, confirm + 1))
    right = np.zeros(len(slots) * size)
    for slot in range(len(slots)):
        ahead = [slots[(slot + k) % len(slots)] for k in range(confirm + 2)]
        kinds = tuple(id(one) for one in ahead)
        for offset in range(size):
            place = slot * size + offset
            key = (offset, kinds)
            if key not in known:
                known[key] = _run(layout, ahead, offset, [first_judge] + [right_judge] * confirm)
            run[place] = known[key]
            short = (-1 - offset, kinds[:2])
            if short not in known:
                known[short] = _run(layout, ahead[:2], offset, [right_judge])
            right[place] = known[short][0]
    return PassProbabilities(size, run, right)


def are_independent(layout: FrameLayout, slots: Sequence[FrameSpace]) -> bool:
    """Return whether the wrong offsets that a search tries tell nothing of each other.

    A search looks at the wrong offsets of one frame; if one of them passes, at the same one of the
    frame behind and at those after it; after a lost edge frame after frame one symbol late. That
    two different places pass in one search is left out.

    Args:
        layout: of the link.
        slots: of one round; busy ones differ by constants only, so one of them is looked at.
    """
    busy = next((one for one in slots if one.basis), None)
    if busy is None:
        return True
    size = layout.frame_symbols
    judge = Judge(layout)
    bits, mask = judge.bits, (1 << judge.bits) - 1

    def is_apart(windows: list[tuple[int, int]]) -> bool:
        """Return whether some (frame, offset) windows are independent of each other."""
        vectors = []
        for frame in range(2 + max(first for first, _ in windows)):
            for vector in busy.basis:
                both = 0
                for first, offset in windows:
                    pair = (vector, 0) if frame == first else (0, vector)
                    read = window(layout, *pair, offset) if 0 <= frame - first < 2 else 0
                    both = both << bits | judge.linear(read)
                vectors.append(both)
        return rank(vectors) == sum(
            rank(vector >> bits * place & mask for vector in vectors)
            for place in range(len(windows))
        )

    searches = [
        [(0, offset) for offset in range(1, passing + 1)]
        + [(1, offset) for offset in range(passing, size)]
        for passing in range(1, size)
    ]
    return is_apart([(0, 1), (1, 1), (2, 1)]) and all(is_apart(one) for one in searches)


def noisy(
    layout: FrameLayout, passing: PassProbabilities, bit_error_rate: float
) -> PassProbabilities:
    """Return the probabilities where each bit is wrong by itself at a rate.

    A window that is right without noise stays so if no bit of it is wrong or nothing shows it; one
    that is not may become so. Where a place's syndromes are spread evenly, as in random data, or
    it is sure to be right, that is exact; where it is sure to be wrong, as on an idle link, the
    small probability that noise makes it right is that of damage with any other syndrome.
    """
    if not bit_error_rate:
        return passing

    def mixed(clean: NDArray[np.float64], judge: Judge) -> NDArray[np.float64]:
        columns = [judge.linear(1 << place) for place in range(layout.frame_bits)]
        undetected = count_undetected(columns)
        stays = undetected.right_probability(bit_error_rate)
        others = 2.0**undetected.check_rank - 1
        turns = (1 - stays) / others if others else stays
        return clean * stays + (1 - clean) * turns

    right_judge = Judge(layout)
    first = mixed(passing.run[:, 0], Judge(layout, with_marker=True))
    # Behind a window that is sure to fail no probability was worked out.
    behind = mixed(
        np.where(passing.run[:, :1] > 0, passing.run, passing.right[:, None]), right_judge
    )
    run = np.concatenate([first[:, None], behind[:, 1:]], axis=1)
    return PassProbabilities(passing.frame_symbols, run, mixed(passing.right, right_judge))


def _run(
    layout: FrameLayout, spaces: list[FrameSpace], offset: int, judges: list[Judge]
) -> list[float]:
    """Return each window's probability, given those before it; 0 behind a sure failure."""
    # What is known of the part of the frame at hand that lies in the window to come.
    first = judges[0]
    start = first.linear(window(layout, spaces[0].base, 0, offset))
    directions = [first.linear(window(layout, one, 0, offset)) for one in spaces[0].basis]
    found: list[float] = []
    for index, judge in enumerate(judges):
        here, behind = spaces[index], spaces[index + 1]
        next_judge = judges[min(index + 1, len(judges) - 1)]
        shift = next_judge.bits
        if not here.basis and (offset == 0 or not behind.basis):
            # The word is known whole, and it may be the idle frame, which is right by itself.
            passes = judge.passes(window(layout, here.base, behind.base, offset))
            found.append(float(passes))
            if not passes:
                break
            start = next_judge.linear(window(layout, behind.base, 0, offset))
            directions = [next_judge.linear(window(layout, one, 0, offset)) for one in behind.basis]
            continue
        span = LinearSpan()
        rest: list[int] = []
        for vector in directions:
            _keep(span, rest, vector << shift, shift)
        for one in behind.basis:
            now = judge.linear(window(layout, 0, one, offset))
            later = next_judge.linear(window(layout, one, 0, offset))
            _keep(span, rest, now << shift | later, shift)
        wanted = judge.constant ^ start ^ judge.linear(window(layout, 0, behind.base, offset))
        later = next_judge.linear(window(layout, behind.base, 0, offset))
        left = span.reduce_above(wanted << shift | later, shift)
        if left >> shift:
            found.append(0.0)
            break
        found.append(2.0**-span.rank)
        start, directions = left, rest
    return found + [0.0] * (len(judges) - len(found))


def _keep(span: LinearSpan, rest: list[int], vector: int, shift: int) -> None:
    """Add a vector that is new in its high part; keep what is left of another's low part."""
    left = span.reduce_above(vector, shift)
    if left >> shift:
        span.add(left)
    elif left:
        rest.append(left)
