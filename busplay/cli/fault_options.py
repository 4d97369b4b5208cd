"""Options that inject faults: a file of them, or the usual ones by themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from busplay.cli.files import InFile
from busplay.cli.options import Parsed, Time, option_group, seed_option
from busplay.cli.renamed import renamed
from busplay.description.faults import BitFlips
from busplay.description.limits import LIMITS
from busplay.units import NS_PER_S

if TYPE_CHECKING:
    from busplay.description.faults import Faults
    from busplay.description.link import Link


class Probability(Parsed[float]):
    """A probability: 0, 1, or one between that is not too small to draw."""

    name = "probability"

    def parse(self, text: str) -> float:
        """Read the number."""
        from busplay.description.attributes import is_ratio

        try:
            ratio = float(text)
        except ValueError:
            raise ValueError(f"{text!r} is no probability; write 1e-4 or 0.001") from None
        if not is_ratio(ratio):
            raise ValueError(f"{text} is not 0, 1, or between 1e-12 and 1")
        return ratio


class OnLane(NamedTuple):
    """A probability, and the lane that it concerns; `lane` None: all of them."""

    lane: int | None
    ratio: float


class LaneProbability(Parsed[OnLane]):
    """LANE=PROBABILITY, or one of the two alone.

    Args:
        lone: what a number alone is: `probability`, for all lanes, or `lane`, one with
            probability 1.
    """

    name = "lane=probability"

    def __init__(self, lone: str) -> None:
        self._lone = lone

    def parse(self, text: str) -> OnLane:
        """Take the two numbers apart."""
        head, equals, tail = text.partition("=")
        if not equals and self._lone == "probability":
            return OnLane(None, Probability().parse(text))
        if not is_lane(head):
            raise ValueError(f"{text!r} names no lane; write 2=1e-3 for lane 2")
        ratio = Probability().parse(tail) if equals else 1.0
        return OnLane(int(head), ratio)


class StuckAt(NamedTuple):
    """A lane and the level that it shows."""

    lane: int
    level: int


class Stuck(Parsed[StuckAt]):
    """LANE=LEVEL, such as 2=1."""

    name = "lane=level"

    def parse(self, text: str) -> StuckAt:
        """Take the two numbers apart."""
        lane, _, level = text.partition("=")
        if not is_lane(lane) or level not in ("0", "1"):
            raise ValueError(f"{text!r} is no LANE=LEVEL; write 2=1 for lane 2 stuck high")
        return StuckAt(int(lane), int(level))


class StallSpan(NamedTuple):
    """How long the receiver serves nothing, once in each period."""

    length_ns: int
    period_ns: int


class Stall(Parsed[StallSpan]):
    """LENGTH/PERIOD, such as 20us/1ms."""

    name = "length/period"

    def parse(self, text: str) -> StallSpan:
        """Read the two times."""
        head, slash, tail = text.partition("/")
        if not slash:
            raise ValueError(f"{text!r} is no LENGTH/PERIOD; write 20us/1ms")
        length_ns, period_ns = map(_whole_ns, (head, tail))
        if not 0 < length_ns < period_ns <= NS_PER_S:
            raise ValueError(
                f"{text}: the length is more than 0 and less than the period, which is up to 1 s"
            )
        return StallSpan(length_ns, period_ns)


def _whole_ns(text: str) -> int:
    time_ns, rest_ps = divmod(Time().parse(text), 1_000)
    if rest_ps:
        raise ValueError(f"{text} is no whole number of nanoseconds")
    return time_ns


def is_lane(text: str) -> bool:
    """Return whether a text is a lane's number."""
    return text.isascii() and text.isdecimal() and len(text) <= 4


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """What to inject, as the user gave it."""

    fault_file: Path | None = None
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

    def plan_for(self, link: Link) -> Faults | None:
        """Return the plan: the file's faults, and the options' behind them; None: nothing.

        Raises:
            DescriptionError: the file cannot be read, or a lane is not there.
        """
        from busplay.description.faults import (
            EarlyLane,
            ExtraEdges,
            Faults,
            LateLane,
            LostEdges,
            Stalls,
            StuckLane,
        )
        from busplay.description.read_faults import load_faults, require_lane

        if self.is_empty:
            return None
        if self.burst_edges is not None and not self.ber:
            raise click.UsageError("--burst-edges is the length of the bursts of --ber; give both")
        plan = Faults() if self.fault_file is None else load_faults(self.fault_file, link)
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


fault_options = option_group(
    "faults",
    FaultRequest,
    click.option(
        "--faults", "fault_file", type=InFile(), help="Inject the faults listed in FILE, a TOML."
    ),
    click.option(
        "--ber",
        type=LaneProbability("probability"),
        multiple=True,
        metavar="[LANE=]PROBABILITY",
        help="Flip each bit with PROBABILITY, on all lanes or on one. Repeatable.",
    ),
    click.option(
        "--burst-edges",
        type=click.IntRange(*LIMITS[BitFlips, "burst_edges"]),
        metavar="EDGES",
        help="Extend each bit that --ber flips to a burst of EDGES; its further bits flip with"
        " probability 1/2.",
    ),
    renamed("--burst", "--burst-edges"),
    click.option("--lost-edges", type=Probability(), help="Lose each clock edge with PROBABILITY."),
    click.option(
        "--extra-edges", type=Probability(), help="Add a clock edge after each with PROBABILITY."
    ),
    click.option(
        "--stuck",
        type=Stuck(),
        multiple=True,
        metavar="LANE=LEVEL",
        help="Hold a lane at LEVEL, 0 or 1. Repeatable.",
    ),
    click.option(
        "--late",
        type=LaneProbability("lane"),
        multiple=True,
        metavar="LANE[=PROBABILITY]",
        help="Delay a lane by an edge, always or with PROBABILITY. Repeatable.",
    ),
    click.option(
        "--early",
        type=LaneProbability("lane"),
        multiple=True,
        metavar="LANE[=PROBABILITY]",
        help="Advance a lane by an edge, always or with PROBABILITY. Repeatable.",
    ),
    click.option(
        "--stall",
        "stalls",
        type=Stall(),
        multiple=True,
        metavar="LENGTH/PERIOD",
        help="Stall the receiver for LENGTH once in every PERIOD, at a random moment: 20us/1ms."
        " Repeatable.",
    ),
    seed_option(),
)
