"""Options that put faults in: a file of them, or the usual ones by themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

from busplay.cli.files import InFile
from busplay.description.faults import BitFlips
from busplay.description.limits import LIMITS
from busplay.units import NS_PER_S

if TYPE_CHECKING:
    from busplay.description.faults import FaultPlan
    from busplay.description.link import Link

R = TypeVar("R")

NAMES = (
    "file",
    "seed",
    "ber",
    "burst_edges",
    "lost_edges",
    "extra_edges",
    "stuck",
    "late",
    "early",
    "stalls",
)


class Ratio(click.ParamType[float]):
    """A chance: 0, 1, or one between that is not too small to draw."""

    name = "ratio"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the number."""
        from busplay.description.read_faults import is_ratio

        try:
            ratio = float(str(value))
        except ValueError:
            self.fail(f"{value!r} is no chance; write 1e-4 or 0.001", param, ctx)
        if not is_ratio(ratio):
            self.fail(f"{value} is not 0, 1, or between 1e-12 and 1", param, ctx)
        return ratio


class OnLane(NamedTuple):
    """A chance, and the lane that it concerns; `lane` None: all of them."""

    lane: int | None
    ratio: float


class LaneRatio(click.ParamType[OnLane]):
    """LANE=RATIO; one of the two may do.

    Args:
        lone: what a number by itself is: a ratio for all lanes, or a lane that is hurt always.
    """

    def __init__(self, lone: str) -> None:
        self._lone = lone
        self.name = "[lane=]ratio" if lone == "ratio" else "lane[=ratio]"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> OnLane:
        """Take the two numbers apart."""
        if isinstance(value, OnLane):
            return value
        head, equals, tail = str(value).partition("=")
        if not equals and self._lone == "ratio":
            return OnLane(None, Ratio().convert(value, param, ctx))
        if not is_lane(head):
            self.fail(f"{value!r} names no lane; write 2=1e-3 for lane 2", param, ctx)
        ratio = Ratio().convert(tail, param, ctx) if equals else 1.0
        return OnLane(int(head), ratio)


class StuckAt(NamedTuple):
    """A lane and the level that it shows."""

    lane: int
    level: int


class Stuck(click.ParamType[StuckAt]):
    """LANE=LEVEL, such as 2=1."""

    name = "lane=level"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> StuckAt:
        """Take the two numbers apart."""
        if isinstance(value, StuckAt):
            return value
        lane, _, level = str(value).partition("=")
        if not is_lane(lane) or level not in ("0", "1"):
            self.fail(f"{value!r} is no LANE=LEVEL; write 2=1 for lane 2 stuck high", param, ctx)
        return StuckAt(int(lane), int(level))


class StallSpan(NamedTuple):
    """How long the receiver serves nothing, once in each period."""

    length_ns: int
    period_ns: int


class Stall(click.ParamType[StallSpan]):
    """LENGTH/PERIOD in nanoseconds, such as 20_000/1_000_000."""

    name = "length/period"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> StallSpan:
        """Take the two numbers apart."""
        if isinstance(value, StallSpan):
            return value
        head, _, tail = str(value).replace("_", "").partition("/")
        if not (is_count(head) and is_count(tail)):
            self.fail(f"{value!r} is no LENGTH/PERIOD; write 20000/1000000, in ns", param, ctx)
        length_ns, period_ns = int(head), int(tail)
        if not 0 < length_ns < period_ns <= NS_PER_S:
            self.fail(
                f"{value}: the length is more than 0 and less than the period, which is up to"
                f" {NS_PER_S:,} ns",
                param,
                ctx,
            )
        return StallSpan(length_ns, period_ns)


def is_lane(text: str) -> bool:
    """Tell whether a text is a lane's number."""
    return text.isascii() and text.isdecimal() and len(text) <= 4


def is_count(text: str) -> bool:
    """Tell whether a text is a number of nanoseconds."""
    return text.isascii() and text.isdecimal() and len(text) <= 18


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """What to injected, as the user gave it."""

    file: Path | None = None
    seed: int | None = None
    ber: tuple[OnLane, ...] = ()
    burst_edges: int | None = None
    lost_edges: float | None = None
    extra_edges: float | None = None
    stuck: tuple[StuckAt, ...] = ()
    late: tuple[OnLane, ...] = ()
    early: tuple[OnLane, ...] = ()
    stalls: tuple[StallSpan, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return self == FaultRequest()

    def plan_for(self, link: Link) -> FaultPlan | None:
        """Return the plan: the file's faults, and the options' behind them; None: nothing.

        Raises:
            DescriptionError: the file cannot be read, or a lane is not there.
        """
        from busplay.description.faults import (
            EarlyLane,
            ExtraEdges,
            FaultPlan,
            LateLane,
            LostEdges,
            Stalls,
            StuckLane,
        )
        from busplay.description.read_faults import load_faults, require_lane

        if self.is_empty:
            return None
        if self.burst_edges is not None and not self.ber:
            raise click.UsageError("--burst says how long the bursts of --ber are; give both")
        plan = FaultPlan() if self.file is None else load_faults(self.file, link)
        lanes: dict[str, list[int | None]] = {
            "--stuck": [one.lane for one in self.stuck],
            "--late": [one.lane for one in self.late],
            "--early": [one.lane for one in self.early],
            "--ber": [one.lane for one in self.ber],
        }
        for option, hurt in lanes.items():
            for lane in hurt:
                if lane is not None:
                    require_lane(lane, link, place=option)
        burst_edges = 1 if self.burst_edges is None else self.burst_edges
        return replace(
            plan,
            seed=plan.seed if self.seed is None else self.seed,
            bit_flips=plan.bit_flips
            + tuple(
                BitFlips(one.ratio, () if one.lane is None else (one.lane,), burst_edges)
                for one in self.ber
            ),
            stuck_lanes=plan.stuck_lanes
            + tuple(StuckLane(one.lane, one.level) for one in self.stuck),
            late_lanes=plan.late_lanes
            + tuple(LateLane(one.lane or 0, one.ratio) for one in self.late),
            early_lanes=plan.early_lanes
            + tuple(EarlyLane(one.lane or 0, one.ratio) for one in self.early),
            lost_edges=plan.lost_edges
            + (() if self.lost_edges is None else (LostEdges(self.lost_edges),)),
            extra_edges=plan.extra_edges
            + (() if self.extra_edges is None else (ExtraEdges(self.extra_edges),)),
            stalls=plan.stalls + tuple(Stalls(one.period_ns, one.length_ns) for one in self.stalls),
        )


def fault_options(command: Callable[..., R]) -> Callable[..., R]:
    """Add the options that put faults in; the command gets them as `faults`."""

    @wraps(command)
    def with_faults(*args: object, **values: object) -> R:
        given = {name: values.pop(f"fault_{name}") for name in NAMES}
        return command(*args, faults=FaultRequest(**given), **values)  # type: ignore[arg-type]

    options = [
        click.option(
            "--faults", "fault_file", type=InFile(), help="Injected the faults that a file says."
        ),
        click.option(
            "--ber",
            "fault_ber",
            type=LaneRatio("ratio"),
            multiple=True,
            metavar="[LANE=]RATIO",
            help="Flip bits, each by this chance, of all lanes or of one. May be repeated.",
        ),
        click.option(
            "--burst",
            "fault_burst_edges",
            type=click.IntRange(*LIMITS[BitFlips, "burst_edges"]),
            metavar="EDGES",
            help="Let each bit that --ber flips begin a burst; half of its further bits are wrong.",
        ),
        click.option(
            "--lost-edges", "fault_lost_edges", type=Ratio(), help="Lose clock edges by chance."
        ),
        click.option(
            "--extra-edges", "fault_extra_edges", type=Ratio(), help="Add clock edges by chance."
        ),
        click.option(
            "--stuck",
            "fault_stuck",
            type=Stuck(),
            multiple=True,
            metavar="LANE=LEVEL",
            help="Let a lane show one level. May be repeated.",
        ),
        click.option(
            "--late",
            "fault_late",
            type=LaneRatio("lane"),
            multiple=True,
            metavar="LANE[=RATIO]",
            help="Let a lane come too late for its edge, always or by chance. May be repeated.",
        ),
        click.option(
            "--early",
            "fault_early",
            type=LaneRatio("lane"),
            multiple=True,
            metavar="LANE[=RATIO]",
            help="Let a lane be an edge ahead, always or by chance. May be repeated.",
        ),
        click.option(
            "--stall",
            "fault_stalls",
            type=Stall(),
            multiple=True,
            metavar="LENGTH/PERIOD",
            help="Let the receiver serve nothing for LENGTH ns, once in every PERIOD ns, at a"
            " moment by chance. May be repeated.",
        ),
        click.option(
            "--seed",
            "fault_seed",
            type=click.IntRange(0, (1 << 63) - 1),
            help="Seed of all chance; the same seed gives the same faults. Default: 1.",
        ),
    ]
    decorated: Callable[..., R] = with_faults
    for option in reversed(options):
        decorated = option(decorated)
    return decorated
