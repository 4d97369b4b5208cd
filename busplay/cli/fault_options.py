"""Options that put faults in: a file of them, or the usual ones by themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

if TYPE_CHECKING:
    from busplay.description.faults import FaultPlan
    from busplay.description.link import Link

R = TypeVar("R")


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
        if not lane.isdecimal() or len(lane) > 4 or level not in ("0", "1"):
            self.fail(f"{value!r} is no LANE=LEVEL; write 2=1 for lane 2 stuck high", param, ctx)
        return StuckAt(int(lane), int(level))


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """What to put in, as the user gave it."""

    file: str | None = None
    seed: int | None = None
    ber: float | None = None
    lost_edges: float | None = None
    extra_edges: float | None = None
    stuck: tuple[StuckAt, ...] = ()
    late: tuple[int, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return self == FaultRequest()

    def plan_for(self, link: Link) -> FaultPlan | None:
        """Give the plan: the file's faults, and the options' behind them; None: nothing.

        Raises:
            DescriptionError: the file cannot be read, or a lane is not there.
        """
        from busplay.description.faults import (
            BitFlips,
            ExtraEdges,
            FaultPlan,
            LateLane,
            LostEdges,
            StuckLane,
        )
        from busplay.description.read_faults import load_faults, require_lane

        if self.is_empty:
            return None
        plan = FaultPlan() if self.file is None else load_faults(self.file, link)
        for stuck in self.stuck:
            require_lane(stuck.lane, link, place="--stuck")
        for lane in self.late:
            require_lane(lane, link, place="--late")
        return replace(
            plan,
            seed=plan.seed if self.seed is None else self.seed,
            bit_flips=plan.bit_flips + (() if self.ber is None else (BitFlips(self.ber),)),
            stuck_lanes=plan.stuck_lanes
            + tuple(StuckLane(one.lane, one.level) for one in self.stuck),
            late_lanes=plan.late_lanes + tuple(LateLane(lane) for lane in self.late),
            lost_edges=plan.lost_edges
            + (() if self.lost_edges is None else (LostEdges(self.lost_edges),)),
            extra_edges=plan.extra_edges
            + (() if self.extra_edges is None else (ExtraEdges(self.extra_edges),)),
        )


def fault_options(command: Callable[..., R]) -> Callable[..., R]:
    """Add the options that put faults in; the command gets them as `faults`."""

    @wraps(command)
    def with_faults(*args: object, **values: object) -> R:
        given = {
            name: values.pop(f"fault_{name}")
            for name in ("file", "seed", "ber", "lost_edges", "extra_edges", "stuck", "late")
        }
        return command(*args, faults=FaultRequest(**given), **values)  # type: ignore[arg-type]

    options = [
        click.option(
            "--faults", "fault_file", metavar="FILE", help="Put in the faults that a file says."
        ),
        click.option("--ber", "fault_ber", type=Ratio(), help="Flip bits, each by this chance."),
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
            help="Let a lane show one level. May be repeated.",
        ),
        click.option(
            "--late",
            "fault_late",
            type=click.IntRange(0, 64),
            multiple=True,
            metavar="LANE",
            help="Let a lane come too late for its edge. May be repeated.",
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
