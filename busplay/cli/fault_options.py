"""Options that inject faults: a file of them, or the usual ones by themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import InFile
from busplay.cli.options import Parsed, Time, option_group, seed_option
from busplay.cli.renamed import renamed
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Stalls,
    StuckLane,
)
from busplay.description.limits import LIMITS
from busplay.units import NS_PER_S

if TYPE_CHECKING:
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


class FlippedBits(Parsed[BitFlips]):
    """PROBABILITY for all lanes, or LANE=PROBABILITY for one."""

    name = "lane=probability"

    def parse(self, text: str) -> BitFlips:
        """Take the two numbers apart."""
        head, equals, tail = text.rpartition("=")
        return BitFlips(Probability().parse(tail), (_lane(head, text),) if equals else ())


class ShiftedLane(Parsed[LateLane | EarlyLane]):
    """LANE=PROBABILITY, or LANE alone for all edges.

    Args:
        kind: of the fault.
    """

    name = "lane=probability"

    def __init__(self, kind: type[LateLane | EarlyLane]) -> None:
        self._kind = kind

    def parse(self, text: str) -> LateLane | EarlyLane:
        """Take the two numbers apart."""
        head, equals, tail = text.partition("=")
        return self._kind(_lane(head, text), Probability().parse(tail) if equals else 1.0)


class Stuck(Parsed[StuckLane]):
    """LANE=LEVEL, such as 2=1."""

    name = "lane=level"

    def parse(self, text: str) -> StuckLane:
        """Take the two numbers apart."""
        lane, _, level = text.partition("=")
        if not _is_lane(lane) or level not in ("0", "1"):
            raise ValueError(f"{text!r} is no LANE=LEVEL; write 2=1 for lane 2 stuck high")
        return StuckLane(int(lane), int(level))


class Stall(Parsed[Stalls]):
    """LENGTH/PERIOD, such as 20us/1ms."""

    name = "length/period"

    def parse(self, text: str) -> Stalls:
        """Read the two times."""
        head, slash, tail = text.partition("/")
        if not slash:
            raise ValueError(f"{text!r} is no LENGTH/PERIOD; write 20us/1ms")
        length_ns, period_ns = map(_whole_ns, (head, tail))
        if not 0 < length_ns < period_ns <= NS_PER_S:
            raise ValueError(
                f"{text}: the length is more than 0 and less than the period, which is up to 1 s"
            )
        return Stalls(period_ns, length_ns)


def _whole_ns(text: str) -> int:
    time_ns, rest_ps = divmod(Time().parse(text), 1_000)
    if rest_ps:
        raise ValueError(f"{text} is no whole number of nanoseconds")
    return time_ns


def _is_lane(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= 4


def _lane(lane: str, text: str) -> int:
    if not _is_lane(lane):
        raise ValueError(f"{text!r} names no lane; write 2=1e-3 for lane 2")
    return int(lane)


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """What to inject, as the user gave it."""

    fault_file: Path | None = None
    seed: int | None = None
    ber: tuple[BitFlips, ...] = ()
    burst_edges: int | None = None
    lost_edges: float | None = None
    extra_edges: float | None = None
    stuck: tuple[StuckLane, ...] = ()
    late: tuple[LateLane, ...] = ()
    early: tuple[EarlyLane, ...] = ()
    stalls: tuple[Stalls, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was asked for."""
        return self == FaultRequest()

    def plan_for(self, link: Link) -> Faults | None:
        """Return the plan: the file's faults, and the options' behind them; None: nothing.

        Raises:
            DescriptionError: the file cannot be read, or a lane is not there.
        """
        from busplay.description.read_faults import load_faults, require_lane

        if self.is_empty:
            return None
        if self.burst_edges is not None and not self.ber:
            raise click.UsageError("--burst-edges is the length of the bursts of --ber; give both")
        plan = Faults() if self.fault_file is None else load_faults(self.fault_file, link)
        hurt = {
            "--stuck": [one.lane for one in self.stuck],
            "--late": [one.lane for one in self.late],
            "--early": [one.lane for one in self.early],
            "--ber": [lane for one in self.ber for lane in one.lanes],
        }
        for option, lanes in hurt.items():
            for lane in lanes:
                require_lane(lane, link, place=option)
        burst_edges = 1 if self.burst_edges is None else self.burst_edges
        flips = (replace(one, burst_edges=burst_edges) for one in self.ber)
        lost = () if self.lost_edges is None else (LostEdges(self.lost_edges),)
        extra = () if self.extra_edges is None else (ExtraEdges(self.extra_edges),)
        return replace(
            plan,
            seed=plan.seed if self.seed is None else self.seed,
            bit_flips=(*plan.bit_flips, *flips),
            stuck_lanes=plan.stuck_lanes + self.stuck,
            late_lanes=plan.late_lanes + self.late,
            early_lanes=plan.early_lanes + self.early,
            lost_edges=plan.lost_edges + lost,
            extra_edges=plan.extra_edges + extra,
            stalls=plan.stalls + self.stalls,
        )


fault_options = option_group(
    "faults",
    FaultRequest,
    click.option(
        "--faults", "fault_file", type=InFile(), help="Inject the faults listed in FILE, a TOML."
    ),
    click.option(
        "--ber",
        type=FlippedBits(),
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
        type=ShiftedLane(LateLane),
        multiple=True,
        metavar="LANE[=PROBABILITY]",
        help="Delay a lane by an edge, always or with PROBABILITY. Repeatable.",
    ),
    click.option(
        "--early",
        type=ShiftedLane(EarlyLane),
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
