"""Remedies for a weakness: changes to the link, each recomputed, and their effect."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from busplay.analysis.soundness import changes
from busplay.analysis.soundness.changes import Change
from busplay.analysis.soundness.examine import Examined, Examiner, Weakness, lost_text
from busplay.analysis.soundness.figures import percent
from busplay.analysis.soundness.traffic import TrafficKind
from busplay.analysis.soundness.weights import UndetectedErrors
from busplay.description.link import Link
from busplay.description.write_link import link_toml
from busplay.errors import DescriptionError
from busplay.link.load import parse_link

# Changes against one weakness that are recomputed, and that are kept.
TRIED_MOST, KEPT_MOST = 6, 3
WIDER = ("one bit more", "one symbol more", "some bits more")
# Changes ranked by a quick figure first.
QUICK_TRIED_MOST = 16


@dataclass(frozen=True, slots=True)
class Advice:
    """One change and what it does to a weakness.

    Attributes:
        weakness: name of the weakness.
        kind: what is changed, such as `other XOR`.
        change: what to write in the link file.
        effect: result of a check of the changed link.
        before: the weakness's figure without the change.
        after: the same with it.
        removes: whether the weakness is gone; else it is less.
        link_toml: the changed link's file.
    """

    weakness: str
    kind: str
    change: str
    effect: str
    before: float
    after: float
    removes: bool
    link_toml: str


def figure_of(name: str, found: Examined) -> float:
    """Return the figure that a weakness is judged by; the larger, the worse."""
    weakness = found.named(name)
    if weakness is not None:
        return weakness.value
    match name:
        case "never_syncs":
            return found.worst.worst_never_ratio
        case "slow_sync":
            return found.worst.frames_lost.value
        case "one_store_repeated":
            repeated = (one for one in found.sync if one.kind is TrafficKind.REPEATED)
            return max(one.worst_never_ratio for one in repeated)
        case "no_check" | "low_distance":
            return float(sum(found.undetected.counts[1:3]))
        case "stuck_lane":
            return max(one.share.undetected_ratio for one in found.stuck)
        case "swapped_edges":
            return found.swapped.undetected_ratio
        case "idle_holds":
            return float(len(found.idle.holding_rotations)) if found.idle else 0.0
        case _:
            return 0.0


def advise(examiner: Examiner, found: Examined, weakness: Weakness) -> tuple[Advice, ...]:
    """Search for changes that remove a weakness, or at least halve it.

    Args:
        examiner: of the check.
        found: the link's figures.
        weakness: one of its weaknesses.
    """
    faults = {one.name for one in found.weaknesses if one.is_fault}
    kept: list[Advice] = []
    kinds: set[str] = set()
    for change in islice(_changes(examiner, found.layout.link, weakness), TRIED_MOST):
        kind = "wider check" if change.kind in WIDER else change.kind
        if kind in kinds:
            continue
        text = link_toml(change.link)
        try:
            # A marker may leave the idle frame otherwise than the file would state it.
            link = parse_link(text, file=found.layout.link.file, must_be_sound=False)
        except DescriptionError:
            continue
        quick = examiner.quick_figure(weakness.name, link)
        if quick is not None and quick > weakness.value / 2:
            continue
        after = examiner.examine(link)
        if {one.name for one in after.weaknesses if one.is_fault} - faults:
            continue
        value = figure_of(weakness.name, after)
        removes = after.named(weakness.name) is None
        if not removes and value > weakness.value / 2:
            continue
        if removes:
            kinds.add(kind)
        effect = _effect(weakness, value, after)
        if after.layout.frame_bits != found.layout.frame_bits:
            effect += f"; the frame gets {after.layout.frame_bits} bits"
        kept.append(
            Advice(
                weakness.name,
                change.kind,
                change.text,
                effect,
                weakness.value,
                value,
                removes,
                text,
            )
        )
    # Those that remove it first, the smallest change first.
    kept.sort(key=lambda one: not one.removes)
    return tuple(kept[:KEPT_MOST])


def _changes(examiner: Examiner, link: Link, weakness: Weakness) -> Iterator[Change]:
    match weakness.name:
        case "idle_taken" | "marker_imitated" | "idle_misleads" | "idle_holds":
            yield from changes.repairing(changes.other_xors(link))
            yield from changes.repairing(changes.other_idles(link))
            yield from changes.repairing(changes.other_markers(link))
            yield from changes.repairing(changes.wider_checks(link))
        case "never_syncs":
            yield from _best(link, examiner, weakness.name)
            yield from islice(changes.with_sequence(link), 2)
            yield from islice(changes.wider_checks(link), 1, 2)
        case "slow_sync":
            yield from islice(changes.with_sequence(link), 2)
            yield from islice(changes.wider_checks(link), 1, 3)
        case "one_store_repeated":
            yield from islice(changes.with_sequence(link), 2)
            yield from changes.with_idle_slot(link)
        case "busy_never_syncs":
            yield from changes.with_idle_slot(link)
        case "uncounted":
            yield from changes.with_sequence(link)
        case "low_distance" | "no_check":
            yield from changes.best_check(link)
            yield from changes.wider_checks(link)
        case "stuck_lane" | "swapped_edges":
            yield from islice(changes.wider_checks(link), 1, 2)
            yield from _best(link, examiner, weakness.name)


def _best(link: Link, examiner: Examiner, name: str) -> Iterator[Change]:
    """Return the other XOR and the other polynomial that rank best by a quick figure."""
    searches = [changes.other_polynomials(link)]
    if name == "never_syncs":
        searches.insert(0, changes.other_xors(link))
    for search in searches:
        best: tuple[float, Change] | None = None
        for change in islice(search, QUICK_TRIED_MOST):
            if changes.breaks_no_rule(link) and not changes.breaks_no_rule(change.link):
                continue
            value = examiner.quick_figure(name, change.link)
            if value is not None and (best is None or value < best[0]):
                best = value, change
            if value == 0:
                break
        if best is not None:
            yield best[1]


def distance_text(undetected: UndetectedErrors) -> str:
    """Write the distance of a check, and how many errors of as many bits go undetected."""
    distance = undetected.min_distance
    if distance is None:
        return f"distance over {len(undetected.counts) - 1}"
    count = undetected.counts[distance]
    return f"distance {distance}, {count:,} errors of {distance} bits undetected"


def _effect(weakness: Weakness, value: float, after: Examined) -> str:
    match weakness.name:
        case "low_distance" | "no_check":
            return distance_text(after.undetected)
        case "never_syncs" | "slow_sync":
            return f"{after.worst.traffic}: {lost_text(after.worst)}"
        case "uncounted":
            bits = len(after.layout.bit_places("sequence"))
            return f"up to {(1 << bits) - 1} frames lost in a row are counted"
        case "busy_never_syncs":
            return f"an idle frame at least every {after.layout.link.idle_every} slots"
        case "stuck_lane" | "swapped_edges" | "one_store_repeated":
            return f"{percent(weakness.value)} become {percent(value)}"
        case _:
            return "no rule is broken" if not after.faults else "fewer rules are broken"
