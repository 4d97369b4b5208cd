"""What `busplay compare` found, as figures: what its `--json` prints and the library returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busplay.analysis.compare.pattern import Pattern
from busplay.analysis.compare.sides import Bit
from busplay.analysis.compare.streams import Kind, TimeUnit
from busplay.explain.notebook import report_html


@dataclass(frozen=True, slots=True)
class Delays:
    """How much later than expected the frames came that are in both.

    Attributes:
        unit: link edges, or processor cycles where the links differ.
        first, last, least, most: delays, negative: earlier.
        first_ns: the first one; None where it is in cycles, or no clock is known.
        usual: the delay of most frames; None where there are too many different ones.
        frames_late, frames_early: frames with a longer or shorter delay than usual; 0 where
            `usual` is None.
        changes: how often the delay differed from that of the frame before.
        longer, shorter: of `changes`, in which direction.
    """

    unit: TimeUnit
    first: int
    first_ns: int | None
    last: int
    least: int
    most: int
    usual: int | None
    frames_late: int
    frames_early: int
    changes: int
    longer: int
    shorter: int


@dataclass(frozen=True, slots=True)
class WrongBit:
    """A bit that changed frames have wrong.

    Attributes:
        field, bit: name of the field, and the bit's number in it; 0 is lowest.
        symbol, lane: where it travels; None where the link does not send it.
        ones_lost: changed frames in which it reads 0 for 1.
        zeros_lost: changed frames in which it reads 1 for 0.
    """

    field: str
    bit: int
    symbol: int | None
    lane: int | None
    ones_lost: int
    zeros_lost: int


@dataclass(frozen=True, slots=True)
class Sighting:
    """One frame in one trace.

    Attributes:
        index: number of the frame, idle ones not counted.
        edge: link edge of its start.
        cycle: processor cycle in which it starts; None where the trace has no board.
        time_ns: since processor cycle 0, or since edge 0 without a board; None without a clock.
        unit, unit_number: the display that it goes to.
        space: `memory`, `registers` or `reserved`.
        offset, data: the byte, and where it goes within the space.
        address: processor address whose stores go there; None where no window does.
        page: the page of banked memory that it showed; None: it is not banked, or that is not
            known.
        label: the label at or before that address; None where none is known.
    """

    index: int
    edge: int
    cycle: int | None
    time_ns: int | None
    unit: str
    unit_number: int
    space: str
    offset: int
    data: int
    address: int | None
    page: int | None
    label: str | None


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference.

    Attributes:
        kind: `missing`, `changed`, `added` or `out_of_order`.
        expected, actual: the frame in each trace; None where it is not.
        wrong_bits: of a changed frame, the first on the wire first.
        lanes: lanes of the actual link that carried a wrong bit.
    """

    kind: Kind
    expected: Sighting | None
    actual: Sighting | None
    wrong_bits: tuple[Bit, ...]
    lanes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two traces of one program have different.

    `frames_expected` is the sum of same, changed and missing; `frames_actual` that of same,
    changed and added.

    Attributes:
        expected, actual: names of the traces.
        equal: every frame is there, unchanged and in order; and, where times can be judged and
            are not ignored, with the same delay.
        frames_equal: the same, times aside.
        times_equal: all frames in both have the same delay; None where that cannot be judged.
        interrupted: it was stopped; the figures are of the frames up to there.
        paired_by: `edges`: both traces are of the same run, so a frame is the one that was sent
            at its link edge, as the accounts of the run have it; `alignment`: by content and
            time.
        compared_by: `words`: all bits of a frame; `fields`: space, unit, address and data, as
            the links differ.
        expected_link, actual_link: names of the links.
        notes: what to know of the traces, in sentences.
        frames_expected, frames_actual: frames in each, idle ones left out.
        frames_same: frames in both, those out of order included.
        frames_changed: frames in both with other bits.
        frames_missing: expected frames that the actual trace lacks.
        frames_added: actual frames that no expected one stands for.
        frames_out_of_order: frames in both, in another order.
        frames_missing_at_start, frames_missing_at_end: missing before the first and after the
            last frame in both.
        idle_frames_expected, idle_frames_actual: idle frames that were recorded as frames.
        delay: how much later frames come than expected; None where no frame is in both, or the
            traces have no common clock.
        changed_by_field: changed frames with a wrong bit in each field.
        changed_by_lane: changed frames with a wrong bit on each lane, from lane 0 on.
        changed_on_lane_alone: changed frames whose bit errors are all on that lane.
        wrong_bits: bits that changed frames have wrong.
        patterns: what the damage has in common, the most significant first.
        differences: the first of them, in order, as many as were asked for.
        picture: the file of both last screens, if one was drawn.
        pixels_different: pixels of the last screens that differ, by unit; None without a picture.
    """

    expected: str
    actual: str
    equal: bool
    frames_equal: bool
    times_equal: bool | None
    interrupted: bool
    paired_by: Literal["edges", "alignment"]
    compared_by: Literal["words", "fields"]
    expected_link: str
    actual_link: str
    notes: tuple[str, ...]
    frames_expected: int
    frames_actual: int
    frames_same: int
    frames_changed: int
    frames_missing: int
    frames_added: int
    frames_out_of_order: int
    frames_missing_at_start: int
    frames_missing_at_end: int
    idle_frames_expected: int
    idle_frames_actual: int
    delay: Delays | None
    changed_by_field: dict[str, int]
    changed_by_lane: tuple[int, ...]
    changed_on_lane_alone: tuple[int, ...]
    wrong_bits: tuple[WrongBit, ...]
    patterns: tuple[Pattern, ...] = ()
    differences: tuple[Difference, ...] = ()
    picture: str | None = None
    pixels_different: dict[str, int] | None = None

    @property
    def frames_different(self) -> int:
        """Frames with which something is wrong."""
        return (
            self.frames_changed + self.frames_missing + self.frames_added + self.frames_out_of_order
        )

    def _repr_html_(self) -> str:
        """Return the verdict and the summary for a notebook."""
        from busplay.analysis.compare.report import SHORT_LISTED, comparison_text, verdict_text

        text = comparison_text(self, full=False, listed_most=SHORT_LISTED)
        return report_html(verdict_text(self), text, is_fine=self.equal)
