"""The report as plain text for a terminal: the verdict in a screenful, then the tables."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from busplay.analysis.soundness.bursts import BurstCounts
from busplay.analysis.soundness.damage import EdgeDamage, EdgeReport
from busplay.analysis.soundness.examine import lost_text
from busplay.analysis.soundness.figures import duration, number, percent
from busplay.analysis.soundness.idle import MEETINGS, IdleFacts, MarkerFacts
from busplay.analysis.soundness.report import CheckReport, DetectionFigures
from busplay.analysis.soundness.sync import Mean, SyncFigures
from busplay.analysis.soundness.traffic import TrafficKind
from busplay.explain.text_layout import INDENT, heading, pairs, table
from busplay.wording import counted

SHOWN_WEIGHTS = 4
SHOWN_ADVICE = 3
SHOWN_WEAKNESSES = 5


def verdict_text(found: CheckReport) -> str:
    """Return the verdict as one line without its end: `Link lean is sound, with 4 weaknesses`."""
    faults = sum(one.is_fault for one in found.weaknesses)
    others = len(found.weaknesses) - faults
    where = f" on board {found.board}" if found.board else ""
    verdict = f"Link {found.link}{where} is {'sound' if found.is_sound else 'NOT SOUND'}"
    parts = [counted(faults, "fault")] if faults else []
    if others:
        parts.append(f"{others} {'weakness' if others == 1 else 'weaknesses'}")
    return f"{verdict}: {', '.join(parts)}" if parts else f"{verdict}: no weaknesses found"


def summary_lines(found: CheckReport, *, symbol_ns: float | None = None) -> list[str]:
    """Write what decided the verdict, and the first advice, in less than a screenful."""
    return pairs(summary_rows(found, symbol_ns=symbol_ns))


def summary_rows(found: CheckReport, *, symbol_ns: float | None = None) -> list[tuple[str, str]]:
    """Return what decided the verdict, and the first advice, as labels and texts.

    Args:
        found: of `report.check`.
        symbol_ns: time of a symbol, if the clock is known.
    """
    worst = found.worst
    sync = f"{worst.traffic}: {lost_text(worst)}"
    if symbol_ns is not None and worst.frames_lost.value < inf:
        sync += f", {duration(worst.frames_lost.value * found.frame_symbols * symbol_ns * 1e-9)}"
    rows = [(_mark(found, IN_WORST) or "worst", sync)]
    repeated = next((one for one in found.sync if one.kind is TrafficKind.REPEATED), None)
    if repeated is not None and (mark := _mark(found, IN_REPEATED)):
        rows.append((mark, f"one store repeated: {lost_text(repeated)}"))
    weak = next((one for one in found.weaknesses if one.name in IN_CHECK), None)
    distance = found.detection.min_distance
    text = "no error of few bits goes undetected"
    if weak is not None:
        text = weak.text
    elif distance is not None:
        text = _distance_text(distance)
    rows.append((_label(weak.is_fault) if weak else "check", text))
    told = (*IN_WORST, *IN_REPEATED, *IN_CHECK)
    others = [one for one in found.weaknesses if one.name not in told]
    rows += [(_label(one.is_fault), one.text) for one in others[:SHOWN_WEAKNESSES]]
    if len(others) > SHOWN_WEAKNESSES:
        rows.append(("", f"and {len(others) - SHOWN_WEAKNESSES} more"))
    rows.sort(key=lambda row: row[0] != _label(True))
    # The remedy for most weaknesses comes first.
    helps: dict[str, int] = {}
    for advice in found.advice:
        helps[advice.change] = helps.get(advice.change, 0) + (2 if advice.removes else 1)
    best = sorted(helps, key=lambda change: -helps[change])[:SHOWN_ADVICE]
    return [*rows, *(("try" if index == 0 else "or", one) for index, one in enumerate(best))]


# Weaknesses that a line of the summary shows anyway.
IN_WORST = ("never_syncs", "slow_sync")
IN_REPEATED = ("one_store_repeated",)
IN_CHECK = ("no_check", "low_distance")


def _label(is_fault: bool) -> str:
    return "FAULT" if is_fault else "weakness"


def _mark(found: CheckReport, names: tuple[str, ...]) -> str:
    """Return the label of a line about a weakness; empty if there is none."""
    return next((_label(one.is_fault) for one in found.weaknesses if one.name in names), "")


def full_text(found: CheckReport, *, symbol_ns: float | None = None) -> str:
    """Write all tables in plain text of 80 columns.

    Args:
        found: of `report.check`.
        symbol_ns: time of a symbol, if the clock is known.
    """
    lines: list[str] = []
    if found.idle is not None:
        lines += heading("Wrong offsets: the share of frames that look valid there")
        lines += _idle_lines(found.idle)
    if found.marker is not None:
        lines += heading("The marker")
        lines += pairs(_marker_rows(found.marker))
    lines += heading("What the check and the constants detect")
    lines += pairs(_check_rows(found))
    if found.detection.edges:
        lines += heading("Edges swapped or lost: the share of what they change that looks valid")
        lines += _edge_lines(found.detection.edges)
    lines += heading("Coming into sync, by class of traffic")
    lines += _sync_lines(found, symbol_ns)
    lines += heading("Bit errors, each bit by itself")
    lines += _rate_lines(found, symbol_ns)
    lines += _advice_lines(found)
    return "\n".join(lines[1:])


# -- sync


def _sync_lines(found: CheckReport, symbol_ns: float | None) -> list[str]:
    lines: list[str] = []
    for one in found.sync:
        method = {"exact": "every case followed"}.get(one.method, one.method)
        rows = [
            ("power-on", _symbols_text(one.power_on_symbols, one.power_on_p99_symbols, symbol_ns)),
            (
                "lost edge",
                _symbols_text(one.lost_edge_symbols, one.lost_edge_p99_symbols, symbol_ns),
            ),
            ("false sync", _false_text(one)),
            ("frames lost", _lost_text(one)),
        ]
        lines += [f"{INDENT}{one.traffic} ({method})", *pairs(rows, indent=2 * INDENT)]
    note = "Times in symbols"
    if symbol_ns is not None:
        note += f" of {symbol_ns:,.4g} ns"
    note += (
        f"; a frame has {found.frame_symbols}. Every slot is busy; the sequence field counts."
        " Computed: by a Markov chain; simulated: with the interval of 95 %."
    )
    if found.assumed_idle_every is not None:
        note += (
            f" One slot in {found.assumed_idle_every} is taken to be idle, as only idle frames"
            " carry the marker."
        )
    return lines + pairs([("", note)])


def _symbols_text(mean: Mean, p99_symbols: int | None, symbol_ns: float | None) -> str:
    if mean.value == inf:
        return "never in sync"
    text = f"in sync after {number(mean.value)} symbols on average"
    if mean.low != mean.high:
        text += f" ({number(mean.low)} to {number(mean.high)})"
    if symbol_ns is not None:
        text += f", {duration(mean.value * symbol_ns * 1e-9)}"
    return text + (f"; 99 % within {p99_symbols:,}" if p99_symbols is not None else "")


def _false_text(one: SyncFigures) -> str:
    if one.power_on_false_ratio == one.lost_edge_false_ratio == 0 and one.method == "simulated":
        return "none occurred"
    return (
        f"{percent(one.power_on_false_ratio)} from power-on,"
        f" {percent(one.lost_edge_false_ratio)} from a lost edge"
    )


def _lost_text(one: SyncFigures) -> str:
    text = lost_text(one)
    if one.frames_lost_p99 is not None:
        text += f"; 99 % cost at most {one.frames_lost_p99:,}"
    return text


def _rate_lines(found: CheckReport, symbol_ns: float | None) -> list[str]:
    rows: list[tuple[str, ...]] = [
        ("rate", "damaged", "undetected", "in sync", "99 %", "that is", "into sync")
    ]
    for one in found.rates:
        mean, first = one.frames_in_sync, one.frames_in_sync_p1
        time = ""
        if mean is not None and symbol_ns is not None:
            time = duration(mean * found.frame_symbols * symbol_ns * 1e-9)
        rows.append(
            (
                f"{one.bit_error_rate:g}",
                f"{one.damaged_ratio:.3g}",
                f"{one.undetected_ratio:.3g}",
                "for ever" if mean is None else _frames(mean),
                "" if first is None else _frames(first),
                time,
                "" if one.power_on_symbols is None else number(one.power_on_symbols),
            )
        )
    kept = [i for i in range(len(rows[0])) if any(row[i] for row in rows[1:])]
    rows = [tuple(row[i] for i in kept) for row in rows]
    lines = table(rows)
    note = (
        "Damaged and undetected: share of frames. In sync: frames until a receiver loses sync, the"
        " mean, and how many 99 % keep it for; into sync: symbols from power-on, random words."
    )
    return lines + pairs([("", note)])


def _frames(count: float) -> str:
    return f"{count:,.0f}" if count < 1e5 else f"{count:.4g}"


# -- wrong offsets and the marker


def _idle_lines(idle: IdleFacts) -> list[str]:
    names = ["on a busy link" if one == "frame, frame" else one for one in MEETINGS]
    rows = [("late by", *names)]
    for one in idle.offsets:
        cells = [
            ("VALID" if ratio else "invalid") if meeting == "idle, idle" else percent(ratio)
            for meeting, ratio in one.valid_ratio.items()
        ]
        rows.append((f"{one.offset}", *cells))
    lines = table(_folded(rows), right=frozenset({1}))
    if idle.holding_rotations:
        shown = ", ".join(str(one) for one in idle.holding_rotations)
        lines.append(f"  FAULT: an idle link looks valid when read {shown} symbols late")
    elif idle.passing_rotations:
        lines.append("  the marker, not the check, shows where frames begin on an idle link")
    elif idle.offsets:
        lines.append("  no rotation of the idle frame passes")
    return lines


def _folded(rows: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Join consecutive rows with the same text."""
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
    if marker.is_unique:
        return [("imitated", "never: no row of frames shows it at another place")]
    if not marker.imitations:
        text = "in part: frames show it elsewhere, but never look valid there"
        return [("imitated", text)]
    rows = []
    for one in marker.imitations[:4]:
        text = f"{one.offset} late, {one.meeting}: {percent(one.ratio)} of them"
        if one.example:
            text += f", such as {one.example}"
        rows.append(("imitated", text))
    if len(marker.imitations) > 4:
        rows.append(("", f"and in {len(marker.imitations) - 4} more ways"))
    return rows


# -- the check


def _distance_text(distance: int) -> str:
    if distance == 1:
        return "distance 1: not even every single wrong bit is detected"
    return f"distance {distance}: all errors of up to {counted(distance - 1, 'bit')} are detected"


def _check_rows(found: CheckReport) -> list[tuple[str, str]]:
    check = found.detection
    distance = check.min_distance
    if distance is None and len(check.errors) == found.frame_bits:
        shown = "no error goes undetected"
    elif distance is None:
        shown = f"more than {len(check.errors)}"
    else:
        shown = _distance_text(distance).removeprefix("distance ")
    weights = "; ".join(
        f"{one.undetected:,} of {one.errors:,} of {counted(one.wrong_bits, 'bit')}"
        for one in check.errors[:SHOWN_WEIGHTS]
    )
    apart = "all told apart" if check.singles_told_apart else "some look alike, or like none"
    random = f"{percent(check.random_undetected_ratio)} of random damage goes undetected"
    if found.addressed_ratio is not None:
        random += f"; {percent(found.addressed_ratio)} of that addresses a unit of the board"
    return [
        ("distance", shown),
        ("undetected", weights),
        ("random", random),
        (
            "single bits",
            f"{apart}; {check.doubles_like_single} of {check.doubles} double errors look like a"
            " single one",
        ),
        ("bursts", _burst_text(check.bursts, "bit")),
        ("on one lane", _burst_text(check.lane_bursts, "edge")),
        ("whole edges", _burst_text(check.edge_bursts, "edge")),
        *_damage_rows(check),
    ]


def _burst_text(bursts: BurstCounts, unit: str) -> str:
    seen = bursts.detected_to_length
    if seen == len(bursts.undetected):
        return "every burst is detected"
    if seen == 0:
        return f"{percent(bursts.longer_ratio)} go undetected"
    longer = f"{percent(bursts.longer_ratio)} of longer ones go undetected"
    return f"all over up to {counted(seen, unit)} are detected; {longer}"


def _damage_rows(check: DetectionFigures) -> list[tuple[str, str]]:
    worst = max(check.stuck, key=lambda one: one.share.undetected_ratio)
    stuck = _edge_text(worst.share.undetected_ratio)
    hidden = [one for one in check.stuck if one.shows_while_idle is False]
    if hidden:
        shown = ", ".join(f"lane {one.lane} at {one.level}" for one in hidden)
        stuck += f"; an idle link does not show {shown}"
    rows = [("stuck lane", stuck)]
    if check.edges:
        return rows
    swapped = _edge_text(check.swapped.undetected_ratio)
    rows.append(("swapped", f"{swapped}; a swap that moves the strobe is like a lost edge"))
    if check.lost_one is None:
        rows.append(("lost edge", "the strobe shows it"))
    else:
        rows.append(
            (
                "lost edge",
                f"the next frame's strobe shows it; with none behind,"
                f" {_edge_text(check.lost_one.undetected_ratio)}",
            )
        )
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
        " first, and then both must look valid."
    )
    return lines + pairs([("", note)])


def _damage_text(damage: EdgeDamage | None) -> str:
    if damage is None:
        return "too short"
    if not any(one.damaged_ratio for one in damage.shares):
        return "no change"
    return percent(damage.undetected_ratio)


def _edge_text(ratio: float) -> str:
    if ratio == 0:
        return "every frame that it changes is detected"
    return f"{percent(ratio)} of the frames that it changes look valid"


# -- weaknesses


def _advice_lines(found: CheckReport) -> list[str]:
    lines: list[str] = []
    for title, is_fault in (("Faults", True), ("Weaknesses", False)):
        group = [one for one in found.weaknesses if one.is_fault is is_fault]
        if group:
            lines += heading(f"{title}, and what a search found against them")
        for one in group:
            lines += pairs([("-", one.text)])
            advice = [other for other in found.advice if other.weakness == one.name]
            for other in advice:
                result = "removes it" if other.removes else "less of it"
                lines += pairs([("  ", f"{other.change}: {other.effect} ({result})")])
            if not advice:
                lines += pairs([("  ", "none of the changes tried makes it less")])
    files: dict[str, str] = {}
    for other in found.advice:
        files.setdefault(other.link_toml, other.change)
    for text, change in files.items():
        lines += heading("A link file with this change:")
        lines += [*pairs([("#", change)]), *text.rstrip("\n").splitlines()]
    return lines
