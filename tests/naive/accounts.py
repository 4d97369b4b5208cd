"""A slow, obvious count of what became of every frame and every fault, from the design.

It follows each frame and each fault by itself, through what a slow receiver notes, and adds
nothing up by subtraction. It imports nothing of the accounts that it judges.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from busplay.description.link import StrobeFraming
from tests.naive.receiver import NaiveReceiver


@dataclass
class Watched:
    """A slow receiver with notes of when it was in sync.

    Attributes:
        in_sync: of each symbol sampled, whether it was in sync before it; with a strobe, whether
            it is once it has come, as a strobe begins the frame that it comes with.
        in_sync_at: the same by link edge; an edge that is sampled twice counts the first time.
        after: whether it is once an edge was sampled, by link edge.
    """

    receiver: NaiveReceiver
    in_sync: list[bool] = field(default_factory=list)
    in_sync_at: dict[int, bool] = field(default_factory=dict)
    after: dict[int, bool] = field(default_factory=dict)

    def feed(self, samples: list[tuple[int, int]]) -> None:
        """Take (edge, symbol) pairs."""
        has_strobe = isinstance(self.receiver.link.framing, StrobeFraming)
        for edge, symbol in samples:
            before = self.receiver.state == "SYNC"
            self.receiver.feed([symbol], edge)
            now = self.receiver.state == "SYNC" if has_strobe else before
            self.in_sync.append(now)
            self.in_sync_at.setdefault(edge, now)
            self.after[edge] = self.receiver.state == "SYNC"

    def was_in_sync(self, edge: int) -> bool:
        """Whether it was in sync as an edge came; one that was lost changes nothing."""
        if edge in self.in_sync_at:
            return self.in_sync_at[edge]
        earlier = [one for one in self.after if one < edge]
        return bool(earlier) and self.after[max(earlier)]


def count_frames(
    sent: list[tuple[int, int]],
    fates: list[str],
    watched: Watched,
    *,
    carried_edge: int,
    modulus: int,
) -> Counter[str]:
    """Count what became of each frame.

    Args:
        sent: (edge, word) of each frame that went on the wire.
        fates: of each frame that the receiver delivered: `SERVED`, `OVERRUN` or `LATE`.
        carried_edge: edge up to which the receiver has sampled.
        modulus: of the sequence field; 0: there is none.
    """
    found: Counter[str] = Counter()
    receiver = watched.receiver
    # A frame on its way in may yet be delivered.
    pending = receiver.state == "SYNC" and receiver.frame
    open_from = receiver.frame_edge if pending else carried_edge
    of_edge = dict(sent)
    matched: set[int] = set()
    for (edge, word), fate in zip(receiver.frames, fates, strict=True):
        if edge not in of_edge or edge in matched:
            found["spurious" if fate == "SERVED" else "spurious_lost"] += 1
            continue
        matched.add(edge)
        if fate == "SERVED":
            found["received_intact" if word == of_edge[edge] else "received_damaged"] += 1
        else:
            found["lost_at_receiver" if fate == "OVERRUN" else "lost_late"] += 1
    gap: int | None = None
    for edge, _ in sent:
        if edge in matched:
            found["missed"] += gap or 0
            found["gaps_too_long"] += 0 < modulus <= (gap or 0)
            gap = 0
        elif edge >= open_from:
            found["in_flight"] += 1
        else:
            found["lost_on_wire" if watched.was_in_sync(edge) else "lost_out_of_sync"] += 1
            gap = None if gap is None else gap + 1
    return found


def count_faults(faults: list[tuple[int, str]], watched: Watched) -> dict[str, Counter[str]]:
    """Count what became of each fault, by kind.

    Args:
        faults: which of the symbols sampled each concerns, from 0, and its kind.
    """
    receiver = watched.receiver
    pending = len(receiver.frame) if receiver.state == "SYNC" else 0
    found: dict[str, Counter[str]] = {}
    for ordinal, kind in faults:
        counts = found.setdefault(kind, Counter())
        counts["injected"] += 1
        around = [what for what, first, stop in receiver.log if first <= ordinal < stop]
        if ordinal >= len(watched.in_sync) - pending:
            counts["in_flight"] += 1
        elif not watched.in_sync[ordinal]:
            counts["out_of_sync"] += 1
        elif "aborted" in around or "lost" in around:
            counts["detected_by_sync"] += 1
        elif "failed" in around or "corrected" in around:
            counts["detected_by_check"] += 1
        else:
            counts["undetected"] += 1
    return found
