"""The answer of `busplay plan --can-it-see` as text of 80 columns, the verdict first."""

from __future__ import annotations

from fractions import Fraction

from busplay.analysis.plan_text import rate, seconds
from busplay.analysis.sampling.visibility import VisibilityReport
from busplay.explain.text_layout import heading, pairs, table, wrapped
from busplay.wording import counted, exact, hertz


def verdict_text(report: VisibilityReport) -> str:
    """Return the verdict in a line."""
    asked = f"link {report.link}, sampled at {rate(Fraction(report.rate_hz), 'Hz')}"
    return f"{report.answer.value}: {asked}"


def see_text(report: VisibilityReport) -> list[str]:
    """Return why, what was tried, and the rules of thumb beside it."""
    assumed = " (assumed; --processor-clock sets it)" if report.clock_assumed else ""
    channels = counted(report.wires, "wire")
    if report.channels is not None:
        channels += f"; the analyser has {counted(report.channels, 'channel')}"
    per_cycle = f"{exact(report.samples_per_cycle)} a clock cycle"
    per_edge = f"{exact(report.samples_per_edge)} an edge"
    rows = [
        ("clock", f"{hertz(report.clock_hz)}{assumed}"),
        ("symbol", f"one every {seconds(report.symbol_ns / 10**9)}"),
        ("samples", f"one every {seconds(report.sample_ns / 10**9)}: {per_cycle}, {per_edge}"),
        ("channels", channels),
    ]
    lines = [*wrapped(" ".join(report.reasons)), "", *pairs(rows)]
    lines += _trial_lines(report)
    return lines + _rule_lines(report)


def _trial_lines(report: VisibilityReport) -> list[str]:
    trial = report.trial
    if trial is None:
        return heading("Not tried: a frame takes too many samples; --frames COUNT tries")
    title = f"Tried: {trial.frames:,} {report.traffic}, {trial.samples:,} samples, the decoder"
    rows = [
        ("symbols in doubt", f"{trial.in_doubt_ratio:.1%}"),
        ("frames intact", f"{trial.intact:,}"),
        ("checks failed", f"{trial.checks_failed:,}"),
        ("spurious frames", f"{trial.spurious:,}"),
    ]
    return [*heading(title), *pairs(rows)]


def _rule_lines(report: VisibilityReport) -> list[str]:
    def cell(value: int | None, word: str) -> str:
        return "no rate" if value is None else f"{word} {rate(Fraction(value), 'Hz')}"

    rows = [
        ("", ""),
        (cell(report.every_edge_above_hz, "over"), "every edge of the clock is seen"),
        (cell(report.order_from_hz, "from"), "and on which side of it a lane changes"),
        (cell(report.usual_from_hz, "from"), "the usual advice: any clock, steady or not"),
    ]
    return [*heading("Rules of thumb"), *table(rows)[1:]]
