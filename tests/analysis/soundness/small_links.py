"""Links so small that everything about them can be tried."""

from __future__ import annotations

import numpy as np
from hypothesis import reject
from hypothesis import strategies as st

from busplay.analysis.soundness.frame_space import FrameSpace
from busplay.batch import UInt64Column
from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Framing,
    Link,
    MarkerFraming,
    StrobeFraming,
)

FRAME_BITS_MAX = 20


@st.composite
def small_links(
    draw: st.DrawFn,
    *,
    payload_bits: int = 8,
    framings: tuple[str, ...] = ("check", "strobe", "confirm"),
    with_sequence: bool | None = None,
    counts: int = 4,
) -> Link:
    """Draw a link of up to 20 bits a frame, sound or not.

    Args:
        payload_bits: bits that stores fill, at most.
        framings: `check`, `strobe`, `unique` or `confirm` (marker).
        with_sequence: whether a field counts frames; None: sometimes.
        counts: largest number of frames to confirm or to release.
    """
    lanes = draw(st.integers(1, 4))
    payload = draw(st.integers(2, payload_bits))
    fields = [Field("data", payload)]
    if draw(st.booleans()) if with_sequence is None else with_sequence:
        bits = draw(st.integers(1, min(2, payload - 1)))
        fields = [Field("data", payload - bits), Field("sequence", bits)]
    if draw(st.booleans()):
        bits = draw(st.integers(1, 3))
        fields.append(Field("fixed", bits, value=draw(st.integers(0, (1 << bits) - 1))))
    check_bits = draw(st.integers(1, 6))
    values = st.integers(0, (1 << check_bits) - 1)
    check_field = Field("check", check_bits)
    used = sum(one.bits for one in fields) + check_bits
    missing = -used % lanes
    if used + missing > FRAME_BITS_MAX:
        reject()
    if missing:
        fields.append(Field("spare", missing))
    fields = draw(st.permutations(fields))
    kind = draw(st.sampled_from(framings))
    place = len(fields) if kind in ("unique", "confirm") else draw(st.integers(0, len(fields)))
    fields.insert(place, check_field)
    frame_symbols = sum(one.bits for one in fields) // lanes
    framing: Framing
    number = st.integers(1, counts)
    if kind == "strobe":
        framing = StrobeFraming()
    elif kind == "check":
        framing = CheckFraming(confirm_frames=draw(number), release_frames=draw(number))
    else:
        free = (sum(one.bits for one in fields) - check_bits) // lanes
        if free < 1:
            reject()
        symbol = st.integers(0, (1 << lanes) - 1)
        framing = MarkerFraming(
            symbols=tuple(draw(st.lists(symbol, min_size=1, max_size=min(free, 3)))),
            rule="unique" if kind == "unique" else "confirm",
            confirm_frames=draw(number),
            release_frames=draw(number),
        )
    if frame_symbols < 2:
        reject()
    return Link(
        name="small",
        lanes=lanes,
        edges="both",
        fields=tuple(fields),
        framing=framing,
        check=Check(
            "check",
            "custom",
            draw(values) | 1,
            draw(values),
            draw(values),
            covers=tuple(one.name for one in fields if one.name != "check"),
        ),
        first_bit_lane=draw(st.sampled_from(("highest", "lowest"))),
    )


def sample(space: FrameSpace, count: int, random: np.random.Generator) -> UInt64Column:
    """Draw words of a space, each as likely as any other."""
    words = np.full(count, space.base, np.uint64)
    for vector in space.basis:
        words ^= random.integers(0, 2, count, np.uint64) * np.uint64(vector)
    return words
