"""The answer to whether an analyser can see a link: in words, and why.

`ONLY` stands for captures that come out right because the decoder follows a steady clock, and
because a check tells where it read a symbol wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from busplay.analysis.sampling.trial import Trial
from busplay.analysis.sampling.visibility import Sampling, doubt_range, doubt_ratio
from busplay.batch import SymbolColumn

# Of the frames of a trial, so many may be lost and the rest still be of use.
LOSS_ALLOWED = 0.01
# A decoder that has just begun to follow a clock doubts a few symbols more than later.
DOUBT_ALLOWED = 0.01


class Answer(StrEnum):
    """Whether it can."""

    YES = "yes"
    ONLY = "only with a steady clock and the check"
    ONLY_STEADY = "only with a steady clock"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer.

    Attributes:
        sampling: what was asked.
        answer: in a word.
        reasons: in sentences.
        doubt_ratio: share of symbols in doubt that is expected.
        doubt_range: the same, least and most, where rate and clock are in an exact ratio.
        trial: what came of trying; None: it was not tried.
    """

    sampling: Sampling
    answer: Answer
    reasons: tuple[str, ...]
    doubt_ratio: float
    doubt_range: tuple[float, float] | None
    trial: Trial | None

    @property
    def expects_all_frames(self) -> bool:
        """All frames should come out right: no edge is missed, and what is in doubt is checked."""
        sampling = self.sampling
        return sampling.sees_every_level and (sampling.sees_order or _has_check(sampling))


def judge(
    sampling: Sampling, symbols: SymbolColumn | None = None, trial: Trial | None = None
) -> Verdict:
    """Answer, from what is worked out and what came of a trial.

    Args:
        sampling: what is asked.
        symbols: what the wires carry; None: chance.
        trial: with these symbols.
    """
    expected = doubt_ratio(sampling, symbols)
    doubted = expected > 0 or (trial is not None and trial.doubt_ratio > DOUBT_ALLOWED)
    against = _against(sampling, trial, doubted=doubted)
    if against:
        answer, reasons = Answer.NO, against
    else:
        answer, reasons = _held(sampling, doubted=doubted)
        if answer is Answer.YES and trial is not None and not trial.is_clean:
            answer = Answer.ONLY
        if trial is not None and not trial.is_clean:
            reasons.append(_loss_sentence(trial))
    return Verdict(
        sampling, answer, tuple(reasons), expected, doubt_range(sampling, symbols), trial
    )


def _against(sampling: Sampling, trial: Trial | None, *, doubted: bool) -> list[str]:
    reasons = []
    if not sampling.has_channels:
        reasons.append(
            f"The link has {sampling.wires} wires, the analyser {sampling.channels} channels."
        )
    if not sampling.sees_every_level:
        level = _ns(max(Fraction(0), sampling.least_level_ps))
        reasons.append(
            f"A level of the clock can be as short as {level} ns and fall between two samples,"
            f" which are {_ns(sampling.sample_ps)} ns apart."
        )
    if doubted and not sampling.sees_order and not _has_check(sampling):
        reasons.append(
            "Symbols are in doubt, and the link has no check that tells which were read wrong."
        )
    if trial is not None:
        if trial.refused:
            reasons.append("Tried, the decoder finds no clock.")
        elif trial.wrong or trial.lost > LOSS_ALLOWED * trial.frames:
            reasons.append(_loss_sentence(trial))
    return reasons


def _loss_sentence(trial: Trial) -> str:
    wrong = f", and {trial.wrong:,} came that nobody had sent" if trial.wrong else ""
    lost = f"{trial.lost:,} of {trial.frames:,} frames did not come out as they were sent"
    return f"Tried, {lost}{wrong}."


def _held(sampling: Sampling, *, doubted: bool) -> tuple[Answer, list[str]]:
    if sampling.sees_order and not doubted:
        if sampling.rate_hz >= sampling.usual_hz:
            return Answer.YES, ["Every edge is seen for sure, with the usual samples to spare."]
        return Answer.YES, [
            "Every edge is seen for sure, and no symbol is in doubt where the clock is steady;"
            " there are fewer samples than the usual advice asks for."
        ]
    if sampling.sees_order:
        reason = (
            "Every edge is seen for sure, and so is on which side of it a lane changes; but a"
            " decoder that reads lanes by the steady clock has no whole sample to spare."
        )
    else:
        reason = (
            "Every level of the clock is seen, but not for sure on which side of an edge a lane"
            " changes. Where the clock is steady its edges are known better than a sample."
        )
    if _has_check(sampling):
        return Answer.ONLY, [reason, "The check tells which frames were read right."]
    return Answer.ONLY_STEADY, [reason, "The link has no check that would tell."]


def _has_check(sampling: Sampling) -> bool:
    # Constants alone would leave nearly all that is read wrong unnoticed.
    return sampling.link.check is not None


def _ns(value_ps: Fraction) -> str:
    """Write a time in ns with up to two places."""
    text = f"{float(value_ps) / 1000:,.2f}"
    return text.rstrip("0").rstrip(".")
