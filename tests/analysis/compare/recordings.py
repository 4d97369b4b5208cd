"""Recordings to damage: frames whose content comes once only, so that all damage is plain."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st

from busplay.batch import FrameBatch
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader
from tests.boards import GUARDED, LEAN, board_with

HEADERS = {
    "guarded": TraceHeader(link=GUARDED, board=board_with(GUARDED)),
    "lean": TraceHeader(link=LEAN, board=board_with(LEAN)),
}


def recording(
    link: Link, count: int, *, seed: int = 1, gap_slots: int = 3, first_address: int = 0
) -> FrameBatch:
    """Make frames at rising addresses, each with random data."""
    random = np.random.default_rng(seed)
    layout = FrameLayout(link)
    index = np.arange(count, dtype=np.uint64)
    fields = {
        "space": np.ones(count, np.uint64),
        "address": (index + np.uint64(first_address)) % np.uint64(24_576),
        "data": random.integers(0, 256, count, dtype=np.uint64),
    }
    if link.field_named("sequence"):
        fields["sequence"] = index % np.uint64(16)
    slots = np.uint64(16) + index * np.uint64(gap_slots)
    return FrameBatch(slots * np.uint64(layout.slot_symbols), layout.pack(**fields))


def renumbered(frames: FrameBatch, link: Link) -> FrameBatch:
    """Count sequence numbers anew, as a sender does that has lost some stores."""
    layout = FrameLayout(link)
    fields = {name: layout.unpack_field(frames.word, name) for name in ("space", "unit")}
    fields |= {name: layout.unpack_field(frames.word, name) for name in ("address", "data")}
    fields["sequence"] = np.arange(len(frames), dtype=np.uint64) % np.uint64(16)
    return FrameBatch(frames.edge, layout.pack(**fields))


def dropped(frames: FrameBatch, lost: np.ndarray) -> FrameBatch:
    """Leave out the frames that a bool column or indexes name."""
    keep = np.ones(len(frames), np.bool_)
    keep[lost] = False
    return FrameBatch(frames.edge[keep], frames.word[keep])


def late(frames: FrameBatch, edges: int | np.ndarray) -> FrameBatch:
    """Move frames in time."""
    return FrameBatch((frames.edge.astype(np.int64) + edges).astype(np.uint64), frames.word)


@dataclass
class Damage:
    """What was injected, each frame at most once."""

    missing: set[int] = field(default_factory=set)
    changed: dict[int, int] = field(default_factory=dict)  # frame: bits that are flipped
    added: dict[int, int] = field(default_factory=dict)  # behind this frame: offset

    def apply(self, frames: FrameBatch, link: Link) -> FrameBatch:
        """Damage a recording; added frames come a slot behind the frame named."""
        layout = FrameLayout(link)
        rows = []
        columns = zip(frames.edge.tolist(), frames.word.tolist(), strict=True)
        for i, (edge, word) in enumerate(columns):
            if i not in self.missing:
                rows.append((edge, word ^ self.changed.get(i, 0)))
            if i in self.added:
                strange = layout.pack(space=1, unit=1, address=self.added[i], data=i % 256)
                rows.append((edge + layout.slot_symbols, int(strange[0])))
        table = np.array(rows, np.uint64).reshape(-1, 2)
        return FrameBatch(table[:, 0].copy(), table[:, 1].copy())


@st.composite
def damages(draw: st.DrawFn, count: int, bits: int, *, first: int = 0, most: int = 12) -> Damage:
    """Draw damage to some of `count` frames, in heaps and alone."""
    frames = st.integers(first, count - 1)
    damage = Damage()
    for start in draw(st.lists(frames, max_size=3)):
        damage.missing |= set(range(start, min(count, start + draw(st.integers(1, 60)))))
    damage.missing |= draw(st.sets(frames, max_size=most))
    for i in draw(st.sets(frames, max_size=most)):
        if i not in damage.missing:
            damage.changed[i] = draw(st.integers(1, (1 << bits) - 1))
    offsets = st.integers(0, 0xFFFF)
    damage.added = draw(st.dictionaries(frames, offsets, max_size=most))
    return damage
