"""Maps that the search for a map tried, and what it found."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.capture.lane_grades import Grade
from busplay.capture.lane_map import LaneMap
from busplay.capture.moments import ReceiverTrial

# Fewer valid frames than this may be a coincidence.
_FRAMES_TO_TELL = 3
_NO_GRADE = Grade(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class MapCandidate:
    """A map that was tried.

    Attributes:
        lane_map: which signal is which wire.
        trial: what a receiver made of the capture with it.
        offsets_ps: when the lanes were read.
        grade: how well frames fit what they must show; decides between maps that do equally well.
    """

    lane_map: LaneMap
    trial: ReceiverTrial
    offsets_ps: tuple[int, ...]
    grade: Grade = _NO_GRADE


@dataclass(frozen=True, slots=True)
class FoundMap:
    """What the search found.

    Attributes:
        best: the map that did best.
        runner_up: the best of the other maps; None where there was none to try.
        tied: other maps that did exactly as well.
        tried: how many were decoded.
        dead: signals that never change.
        remarks: swapped, inverted and dead probes, in words.
    """

    best: MapCandidate
    runner_up: MapCandidate | None
    tied: int
    tried: int
    dead: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def confidence(self) -> str:
        """Confidence in the map: `certain`, `likely`, `open`, or `nothing fits`."""
        best, trial = self.best.trial, self.runner_up.trial if self.runner_up else None
        if best.valid == 0 or best.invalid * 2 > best.valid:
            return "nothing fits"
        if self.tied or best.valid < _FRAMES_TO_TELL:
            return "open"
        if trial is None or (trial.score[0] * 2 < best.score[0] and best.valid >= 20):
            return "certain"
        return "likely"

    def report(self) -> MapReport:
        """Return the same as plain figures."""
        best, runner = self.best, self.runner_up
        return MapReport(
            map=str(best.lane_map),
            confidence=self.confidence,
            frames_valid=best.trial.valid,
            frames_invalid=best.trial.invalid,
            symbols_tried=best.trial.symbols,
            runner_up=None if runner is None else str(runner.lane_map),
            runner_up_valid=None if runner is None else runner.trial.valid,
            runner_up_invalid=None if runner is None else runner.trial.invalid,
            maps_tied=self.tied,
            maps_tried=self.tried,
            dead_signals=self.dead,
            remarks=self.remarks,
        )


@dataclass(frozen=True, slots=True)
class MapReport:
    """What the search for the map found.

    Attributes:
        map: the map that did best, as `--map` takes it.
        confidence: `certain`, `likely`, `open`, or `nothing fits`.
        frames_valid, frames_invalid: frames that a receiver found with it.
        symbols_tried: symbols that they were found in.
        runner_up: the best of the other maps; None: there was none.
        runner_up_valid, runner_up_invalid: frames that a receiver found with that.
        maps_tied: other maps that did exactly as well.
        maps_tried: maps that a receiver tried.
        dead_signals: signals that never change.
        remarks: swapped, inverted and dead probes, in sentences.
    """

    map: str
    confidence: str
    frames_valid: int
    frames_invalid: int
    symbols_tried: int
    runner_up: str | None
    runner_up_valid: int | None
    runner_up_invalid: int | None
    maps_tied: int
    maps_tried: int
    dead_signals: tuple[str, ...]
    remarks: tuple[str, ...]
