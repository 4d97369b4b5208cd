"""The answer of `busplay plan --can-it-see` as text of 80 columns, and as JSON."""

from __future__ import annotations

from fractions import Fraction

from busplay.analysis.sampling.trial import FRAMES, frames_for_trial
from busplay.analysis.sampling.verdict import Answer, Verdict
from busplay.analysis.sampling.visibility import JITTER_PEAK, Sampling, no_doubt_hz
from busplay.capture.survey import SAMPLES_FOR_CERTAINTY
from busplay.cli.plan_text import rate, seconds
from busplay.cli.report import Figures
from busplay.explain.link import fraction_facts
from busplay.explain.text_layout import pairs, table, wrapped
from busplay.wording import counted, exact, hertz

SAYS = {
    Answer.YES: "Yes.",
    Answer.ONLY: "Only with a steady clock and the check.",
    Answer.ONLY_STEADY: "Only with a steady clock.",
    Answer.NO: "No.",
}


def see_text(verdict: Verdict, traffic: str, *, clock_assumed: bool) -> list[str]:
    """Say in words whether it can, why, what is expected beside what was tried, and what would do.

    Args:
        verdict: the answer.
        traffic: what the wires carried.
        clock_assumed: nobody stated the clock.
    """

    sampling, link = verdict.sampling, verdict.sampling.link
    lines = [f"Can an analyser at {rate(Fraction(sampling.rate_hz), 'Hz')} see link {link.name}?"]
    lines += wrapped(" ".join([SAYS[verdict.answer], *verdict.reasons]))
    lines += ["", *pairs(_sampling_rows(sampling, clock_assumed=clock_assumed))]
    lines += ["", *wrapped(f"Expected, and {_tried(verdict, traffic)}:")]
    lines += _trial_table(verdict)
    lines += wrapped(
        "in doubt: a wire is seen to change near the moment of reading, as `busplay decode`"
        " counts it, with samples at all phases to the link."
    )
    if verdict.doubt_range is not None and verdict.doubt_range[0] < verdict.doubt_range[1]:
        least, most = verdict.doubt_range
        lines += wrapped(
            f"If the two clocks were in exact ratio ({exact(sampling.samples_per_cycle)} samples a"
            " cycle for ever, as in what `busplay convert --rate` makes), a hair would decide,"
            f" roughly between {least:.1%} and {most:.1%}."
        )
    return [*lines, "", "What would be enough", *_enough(sampling)]


def _sampling_rows(sampling: Sampling, *, clock_assumed: bool) -> list[tuple[str, str]]:

    def time(value_ps: Fraction) -> str:
        return seconds(value_ps / 10**12) if value_ps > 0 else "0 ns"

    edges = "both edges" if sampling.link.edges == "both" else f"the {sampling.link.edges} edge"
    channels = counted(sampling.wires, "wire")
    if sampling.channels is None:
        channels += f", so {sampling.wires} channels, and ground"
    else:
        channels += f", and {counted(sampling.channels, 'channel')}"
    taken = " (taken for want of another; --processor-hz)" if clock_assumed else ""
    sees = sampling.sees_every_level
    apart = f"they change {time(sampling.least_gap_ps)} from a clock edge at least"
    if sampling.least_gap_ps <= 0:
        apart = "one can change at a clock edge, or past it"
    rows = [
        (
            "link",
            f"a symbol every {time(sampling.symbol_ps)}, on {edges} of a clock of"
            f" {hertz(sampling.clock_hz)}{taken}",
        ),
        (
            "samples",
            f"one every {time(sampling.sample_ps)}: {exact(sampling.samples_per_cycle)} a cycle,"
            f" {exact(sampling.samples_per_edge)} an edge",
        ),
        ("channels", channels),
        (
            "clock",
            f"a level lasts {time(sampling.least_level_ps)} at least,"
            f" {'longer' if sees else 'no longer'} than a sample period: "
            + (
                f"each is seen, its edge up to {time(sampling.sample_ps)} late"
                if sees
                else "it can be missed"
            ),
        ),
        (
            "lanes",
            f"{apart}: on which side is {'sure' if sampling.sees_order else 'not sure'}",
        ),
    ]
    if sampling.jitter_ps:
        rms = time(Fraction(sampling.jitter_ps))
        rows.append(("jitter", f"{rms} RMS; an edge is taken to stray by {JITTER_PEAK} times that"))
    return rows


def _tried(verdict: Verdict, traffic: str) -> str:
    trial = verdict.trial
    if trial is None:
        long = ""
        if not frames_for_trial(verdict.sampling, FRAMES):
            long = ", as so many samples a frame take long; --frames N tries"
        return f"not tried (worked out for {traffic}{long})"
    return f"tried with {trial.frames:,} {traffic}, {trial.samples:,} samples and the decoder"


def _trial_table(verdict: Verdict) -> list[str]:

    trial, in_doubt = verdict.trial, f"{verdict.doubt_ratio:.1%}"
    rows = [("", "expected", "measured", "")]
    if trial is None:
        rows.append(("symbols in doubt", in_doubt, "-", ""))
    elif trial.refused:
        rows.append(("symbols in doubt", in_doubt, "-", f"gave up: {trial.refused}"))
    else:
        sure = verdict.expects_all_frames
        doubted = f"{trial.symbols_in_doubt:,} of {trial.symbols:,}"
        rows += [
            ("symbols in doubt", in_doubt, f"{trial.doubt_ratio:.1%}", doubted),
            ("frames right", f"{trial.frames:,}" if sure else "not known", f"{trial.right:,}", ""),
            ("frames damaged", "0" if sure else "not known", f"{trial.damaged:,}", ""),
            ("frames nobody sent", "0" if sure else "not known", f"{trial.wrong:,}", ""),
        ]
    return table(rows, right=frozenset({1, 2}))


def _enough(sampling: Sampling) -> list[str]:

    def cell(value: int | None, word: str) -> str:
        return "no rate" if value is None else f"{word} {rate(Fraction(value), 'Hz')}"

    two = " (2 samples an edge, as nothing is late)" if not any(sampling.skews_ps) else ""
    return table(
        [
            ("", ""),
            (cell(sampling.every_level_hz, "over"), "every edge of the clock is seen"),
            (
                cell(sampling.order_hz, "from"),
                f"and on which side of it a lane changes{two}",
            ),
            (
                cell(no_doubt_hz(sampling), "from"),
                "no symbol is in doubt, if the decoder can follow a steady clock",
            ),
            (
                cell(sampling.usual_hz, "from"),
                f"the usual advice, {SAMPLES_FOR_CERTAINTY} samples an edge: does for a clock that"
                " is not steady too",
            ),
        ]
    )[1:]


def see_json(verdict: Verdict, traffic: str) -> Figures:
    """Return the same as values that JSON holds."""

    sampling, trial = verdict.sampling, verdict.trial
    tried: Figures | None = None
    if trial is not None:
        tried = {
            "frames": trial.frames,
            "frames_right": trial.right,
            "frames_lost": trial.lost,
            "frames_damaged": trial.damaged,
            "frames_nobody_sent": trial.wrong,
            "syncs_lost": trial.syncs_lost,
            "symbols": trial.symbols,
            "symbols_in_doubt": trial.symbols_in_doubt,
            "in_doubt_ratio": round(trial.doubt_ratio, 6),
            "samples": trial.samples,
            "refused": trial.refused or None,
        }
    least_most = verdict.doubt_range
    return {
        "kind": "visibility",
        "link": sampling.link.name,
        "clock_hz": sampling.clock_hz,
        "rate_hz": sampling.rate_hz,
        "answer": verdict.answer.value,
        "reasons": list(verdict.reasons),
        "wires": sampling.wires,
        "channels": sampling.channels,
        "channels_enough": sampling.has_channels,
        "sample_ns": fraction_facts(sampling.sample_ps / 1000),
        "symbol_ns": fraction_facts(sampling.symbol_ps / 1000),
        "samples_per_cycle": fraction_facts(sampling.samples_per_cycle),
        "samples_per_edge": fraction_facts(sampling.samples_per_edge),
        "least_level_ns": fraction_facts(sampling.least_level_ps / 1000),
        "least_gap_ns": fraction_facts(sampling.least_gap_ps / 1000),
        "every_edge_seen": sampling.sees_every_level,
        "order_seen": sampling.sees_order,
        "traffic": traffic,
        "expected": {
            "in_doubt_ratio": round(verdict.doubt_ratio, 6),
            "in_doubt_ratio_at_exact_ratio": None
            if least_most is None
            else [round(one, 6) for one in least_most],
        },
        "tried": tried,
        "enough_hz": {
            "every_edge_above": sampling.every_level_hz,
            "order_from": sampling.order_hz,
            "no_doubt_from": no_doubt_hz(sampling),
            "usual_from": sampling.usual_hz,
        },
    }
