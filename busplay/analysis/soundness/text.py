"""The findings as plain text for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb, isfinite

from busplay.analysis.soundness.bursts import BurstCounts
from busplay.analysis.soundness.constant_stream import IdleEffect
from busplay.analysis.soundness.damage import EdgeDamage, EdgeReport
from busplay.analysis.soundness.figures import percent
from busplay.analysis.soundness.idle import MEETINGS, IdleFacts, MarkerFacts
from busplay.analysis.soundness.lock_text import hold_lines, lock_lines, noisy_lock_lines
from busplay.analysis.soundness.report import CheckReport, Soundness
from busplay.analysis.soundness.unions import Share
from busplay.explain.text_layout import heading, pairs, table
from busplay.wording import counted

SHOWN_WEIGHTS = 4
RIGHT = frozenset(range(6))
METHODS: dict[str, str] = {
    "counted": "every word tried",
    "independent": "exact",
    "inclusion": "exact",
    "sampled": "sampled; 95 % intervals",
}


def soundness_text(found: Soundness, *, symbol_ns: float | None = None) -> str:
    """Write all findings in plain text of 80 columns.

    Args:
        found: of `report.analyse`.
        symbol_ns: time of a symbol, if the clock is known.
    """
    lines: list[str] = []
    if found.idle is not None:
        lines += heading("Wrong places: the share of frames with which one looks right")
        lines += _idle_lines(found.idle)
    if found.marker is not None:
        lines += heading("The marker")
        lines += pairs(_marker_rows(found.marker))
    lines += heading("What the check and the constants notice")
    lines += pairs(_check_rows(found))
    if found.check.edges:
        lines += heading("Edges swapped or lost: the share of what they change that looks right")
        lines += _edge_lines(found.check.edges)
    lines += heading("Bit errors, each bit by itself")
    lines += _rate_lines(found)
    lines += heading("Into step: by the Markov chain, and by the real receiver")
    lines += lock_lines(
        found.locks,
        frame_symbols=found.frame_symbols,
        link_idle_every=found.idle_every,
        symbol_ns=symbol_ns,
    )
    noisy = next((one for one in found.locks if one.noisy), None)
    if noisy is not None:
        lines += heading(f"Into step from power-on with bit errors, on a link that is {noisy.load}")
        lines += noisy_lock_lines(found.locks)
    if found.hold:
        lines += heading("In sync with bit errors: frames until a receiver lets go")
        lines += hold_lines(found.hold, frame_symbols=found.frame_symbols, symbol_ns=symbol_ns)
    else:
        lines += pairs([("", "The strobe shows each frame, so bit errors cost no step.")])
    if found.stream is not None:
        lines += heading("One frame over and over: words that hold a receiver at a wrong place")
        lines += _stream_lines(found)
    lines += _weakness_lines(found)
    return "\n".join(lines[1:])


def _idle_lines(idle: IdleFacts) -> list[str]:
    names = ["on a busy link" if one == "frame, frame" else one for one in MEETINGS]
    names[0] = "idle, idle"
    rows = [("late by", *names)]
    for one in idle.offsets:
        cells = [
            ("RIGHT" if ratio else "wrong") if meeting == "idle, idle" else percent(ratio)
            for meeting, ratio in one.right_ratio.items()
        ]
        rows.append((f"{one.offset}", *cells))
    lines = table(_folded(rows), right=frozenset({1}))
    if idle.passing_rotations:
        shown = ", ".join(str(one) for one in idle.passing_rotations)
        lines.append(f"  FAULT: an idle link looks right when read {shown} symbols late")
    elif idle.offsets:
        lines.append("  no rotation of the idle frame passes")
    return lines


def _folded(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Join rows that follow each other and say the same."""
    folded: list[tuple[str, ...]] = [rows[0]]
    first = ""
    for row in rows[1:]:
        if len(folded) > 1 and folded[-1][1:] == row[1:]:
            folded[-1] = (f"{first}-{row[0]}", *row[1:])
        else:
            first = row[0]
            folded.append(row)
    return folded


def _marker_rows(marker: MarkerFacts) -> list[tuple[str, str]]:
    rows = []
    if marker.is_unique:
        rows.append(("imitated", "never: no row of frames shows it at another place"))
    elif not marker.imitations:
        rows.append(("imitated", "in part: frames show it elsewhere, but never look right there"))
    for one in marker.imitations[:4]:
        rows.append(
            (
                "imitated",
                f"{one.offset} late, {one.meeting}: {percent(one.ratio)} of them, such as"
                f" {one.example}",
            )
        )
    if len(marker.imitations) > 4:
        rows.append(("", f"and in {len(marker.imitations) - 4} more ways"))
    if marker.mean_frames_fooled is not None:
        if isfinite(marker.mean_frames_fooled):
            text = f"{marker.mean_frames_fooled:,.1f} frames on average, with random frames"
        else:
            text = "for ever, even with random frames"
        rows.append(("fooled", text))
    if marker.lasting:
        rows.append(
            (
                "for ever",
                f"by {percent(marker.lasting_ratio)} of all frames if they are repeated, such as"
                f" {marker.lasting}",
            )
        )
    return rows


def _check_rows(found: Soundness) -> list[tuple[str, str]]:
    check = found.check
    unseen = check.unseen
    distance = unseen.min_distance
    if distance is None and unseen.is_complete:
        shown = "no error goes unseen"
    elif distance is None:
        shown = f"more than {len(unseen.counts) - 1}"
    else:
        shown = f"{distance}: all errors of up to {counted(distance - 1, 'bit')} are noticed"
        if distance == 1:
            shown = "1: not even every single wrong bit is noticed"
    weights = "; ".join(
        f"{unseen.counts[w]:,} of {comb(found.frame_bits, w):,} of {counted(w, 'bit')}"
        for w in range(1, min(SHOWN_WEIGHTS, found.frame_bits) + 1)
    )
    apart = "all told apart" if check.singles_told_apart else "some look alike, or like none"
    rows = [
        ("distance", shown),
        ("unseen", weights),
        ("random", f"{percent(unseen.random_ratio)} of random damage goes unseen"),
        (
            "single bits",
            f"{apart}; {check.doubles_like_single} of {check.doubles} double errors look like a"
            " single one",
        ),
        ("bursts", _burst_text(check.bursts, "bit")),
        ("on one lane", _burst_text(check.lane_bursts, "edge")),
        ("whole edges", _burst_text(check.edge_bursts, "edge")),
    ]
    return rows + _damage_rows(check)


def _burst_text(bursts: BurstCounts, unit: str) -> str:
    seen = bursts.seen_to_length
    if seen == len(bursts.unseen):
        return "every burst is noticed"
    longer = f"{percent(bursts.longer_ratio)} of longer ones go unseen"
    if seen == 0:
        return f"{percent(bursts.longer_ratio)} go unseen"
    return f"all over up to {counted(seen, unit)} noticed; {longer}"


def _damage_rows(check: CheckReport) -> list[tuple[str, str]]:
    worst = max(check.stuck, key=lambda one: one.share.unseen_ratio)
    stuck = f"{percent(worst.share.unseen_ratio)} of the frames that it changes look right"
    if worst.share.unseen_ratio == 0:
        stuck = "every frame that it changes is noticed"
    hidden = [one for one in check.stuck if one.shows_while_idle is False]
    if hidden:
        shown = ", ".join(f"lane {one.lane} at {one.level}" for one in hidden)
        stuck += f"; an idle link does not show {shown}"
    rows = [("stuck lane", stuck)]
    if check.edges:
        return rows
    swapped = _edge_text(check.swapped.unseen_ratio)
    rows.append(("swapped", f"{swapped}; a swap that moves the strobe is like a lost edge"))
    if check.lost_one is None:
        rows.append(("lost edge", "the strobe shows it"))
    elif check.lost_two is None:
        rows.append(
            (
                "lost edge",
                f"the next frame's strobe shows it; with none behind,"
                f" {_edge_text(check.lost_one.unseen_ratio)}",
            )
        )
    else:
        rows.append(("lost edge", _edge_text(check.lost_one.unseen_ratio)))
        rows.append(("two lost", _edge_text(check.lost_two.unseen_ratio)))
    return rows


def _edge_lines(edges: Sequence[EdgeReport]) -> list[str]:
    rows = [("of these two", "swap in the first", "swap across", "one lost", "two lost")]
    rows += [
        (
            one.meeting,
            _damage_text(one.swapped_within),
            _damage_text(EdgeDamage((one.swapped_across,))),
            _damage_text(one.lost_one),
            _damage_text(one.lost_two),
        )
        for one in edges
    ]
    lines = table(rows)
    note = (
        "Edges are lost from the first of the two on; swapped across are its last and the other's"
        " first, and then both must look right."
    )
    return lines + pairs([("", note)])


def _damage_text(damage: EdgeDamage | None) -> str:
    if damage is None:
        return "too short"
    if not any(one.damaged_ratio for one in damage.shares):
        return "no change"
    return percent(damage.unseen_ratio)


def _edge_text(ratio: float) -> str:
    if ratio == 0:
        return "every frame that it changes is noticed"
    return f"{percent(ratio)} of the frames that it changes look right"


def _rate_lines(found: Soundness) -> list[str]:
    rows = [("rate", "frames damaged", "unseen")]
    rows += [
        (f"{one.bit_error_rate:g}", f"{one.damaged_chance:.3g}", f"{one.unseen_chance:.3g}")
        for one in found.rates
    ]
    return table(rows, right=frozenset({0}))


def share_text(share: Share) -> str:
    """Write a share with how it was found."""
    if share.method == "sampled":
        return f"{100 * share.low:.4g} to {100 * share.high:.4g} %"
    return percent(share.ratio, digits=4)


def _stream_lines(found: Soundness) -> list[str]:
    stream = found.stream
    if stream is None:
        return []
    rows = [
        ("kept", f"{share_text(stream.kept)} of all words keep a receiver that is there"),
        ("found", f"{share_text(stream.found)} of all words also bring one there that hunts"),
    ]
    here = stream.here
    if here is not None:
        rows.append(
            (
                "idle slots",
                f"one in {here.idle_every}, as this link has: {share_text(here.found)} find it,"
                f" {share_text(here.kept)} keep it",
            )
        )
    if stream.without_sequence != stream.kept:
        rows.append(
            ("uncounted", f"{share_text(stream.without_sequence)} if no field counted frames")
        )
    rows.append(("method", METHODS[stream.kept.method]))
    lines = pairs(rows)
    if stream.counted_idle:
        lines += ["", *_counted_idle_lines(stream.counted_idle)]
    if stream.idle and stream.without_sequence.ratio:
        title = "idle every" if stream.without_sequence == stream.kept else "uncounted, every"
        lines += ["", *_idle_every_lines(stream.idle, title)]
    return lines


def _counted_idle_lines(effects: Sequence[IdleEffect]) -> list[str]:
    """Write what was tried, one after another; rows that say the same become one."""
    rows = [("idle every", "of the link", "found", "kept")]
    groups: list[list[IdleEffect]] = []
    for effect in effects:
        if groups and (groups[-1][0].found, groups[-1][0].kept) == (effect.found, effect.kept):
            groups[-1].append(effect)
        else:
            groups.append([effect])
    for group in groups:
        first, last = group[0].idle_every, group[-1].idle_every
        name, cost = f"{first}", f"1/{first}"
        if first != last:
            name, cost = f"{first} to {last}", f"1/{first} to 1/{last}"
        rows.append((name, cost, share_text(group[0].found), share_text(group[0].kept)))
    tried = ", ".join(str(one.idle_every) for one in effects)
    lines = table(rows)
    return lines + (pairs([("", f"Tried: {tried}.")]) if len(effects) > 1 else [])


def _idle_every_lines(effects: Sequence[IdleEffect], title: str) -> list[str]:
    """Write the effects on a link where nothing counts, each up to where the next begins."""
    rows = [(title, "of the link", "found", "kept")]
    for index, effect in enumerate(effects):
        first = effect.idle_every
        behind = effects[index + 1].idle_every - 1 if index + 1 < len(effects) else 0
        name = f"{first} and more" if not behind else f"{first} to {behind}"
        if behind == first:
            name = f"{first}"
        cost = f"1/{first}" if behind == first else f"1/{first} to 1/{behind}"
        if not behind:
            cost = f"1/{first} or less"
        rows.append((name, cost, share_text(effect.found), share_text(effect.kept)))
    return table(rows)


def _weakness_lines(found: Soundness) -> list[str]:
    lines = []
    faults = [one for one in found.weaknesses if one.is_fault]
    others = [one for one in found.weaknesses if not one.is_fault]
    for title, group in (("Faults", faults), ("Weaknesses", others)):
        if group:
            lines += heading(f"{title}, and what a search found against them")
        for one in group:
            lines += pairs([("-", one.text)])
            for choice in one.choices:
                result = "removes it" if choice.removes else "less of it"
                lines += pairs([("  ", f"{choice.change}: {choice.effect} ({result})")])
            if not one.choices:
                lines += pairs([("  ", "none of the choices tried makes it less")])
    verdict = "sound" if found.is_sound else "NOT SOUND"
    counts = []
    if faults:
        counts.append(counted(len(faults), "fault"))
    counts.append(
        "no weaknesses found"
        if not others
        else f"{len(others)} {'weakness' if len(others) == 1 else 'weaknesses'}"
    )
    return [*lines, "", f"The frame layout is {verdict}: {', '.join(counts)}."]
