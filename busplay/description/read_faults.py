"""Read faults files: which damage to inject, and what is refused with its remedy."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Span,
    Stalls,
    StuckLane,
)
from busplay.description.limits import LIMITS
from busplay.description.link import Link, StrobeFraming
from busplay.description.toml_reader import Table, parse_toml, read_description_file, show_value
from busplay.errors import DescriptionError
from busplay.wording import counted

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

SPAN_KEYS = ("first_ns", "stop_ns")
TABLE_KEYS: dict[str, tuple[str, ...]] = {
    "bit_flips": ("ratio", "lanes", "burst_edges", "burst_ratio", *SPAN_KEYS),
    "stuck_lanes": ("lane", "level", *SPAN_KEYS),
    "late_lanes": ("lane", "ratio", *SPAN_KEYS),
    "early_lanes": ("lane", "ratio", *SPAN_KEYS),
    "lost_edges": ("ratio", "count", "at_edges", *SPAN_KEYS),
    "extra_edges": ("ratio", "at_edges", *SPAN_KEYS),
    "stalls": ("period_ns", "length_ns"),
}
PLAN_KEYS = ("seed", *TABLE_KEYS)
# A probability of an event so rare that it never comes needs no stream of its own.
RATIO_MIN = 1e-12
RATIO_WANTED = "give a probability: 0, 1, or between 1e-12 and 1, such as 1e-4"


def load_faults(path: str | Path, link: Link) -> Faults:
    """Load the faults to inject on a link.

    Raises:
        DescriptionError: the file cannot be read, or says something that cannot be.
    """
    return parse_faults(read_description_file(Path(path)), link, file=str(path))


def as_faults(faults: Faults | str | Path | None, link: Link) -> Faults | None:
    """Return faults that the link can have, loaded if it is a path; None: none.

    Raises:
        DescriptionError: the file cannot be read, or the link cannot have one of the faults.
    """
    if isinstance(faults, str | Path):
        return load_faults(faults, link)
    if faults is not None:
        _require_possible(faults, link, place="faults")
    return faults


def _require_possible(part: DataclassInstance, link: Link, *, place: str) -> None:
    """Refuse a number of faults made in code that a file could not have."""
    for attribute in fields(part):
        name, value = attribute.name, getattr(part, attribute.name)
        for index, one in enumerate(value if isinstance(value, tuple) else (value,)):
            here = f"{place}.{name}" + (f"[{index}]" if isinstance(value, tuple) else "")
            if is_dataclass(one) and not isinstance(one, type):
                _require_possible(one, link, place=here)
            elif name.endswith("ratio"):
                if not is_ratio(one):
                    raise DescriptionError(place=here, found=f"{one}", wanted=RATIO_WANTED)
            elif name in ("lane", "lanes"):
                require_lane(one, link, place=here)
            elif isinstance(one, int):
                least, most = LIMITS[type(part), name]
                if isinstance(part, Stalls) and name == "length_ns":
                    most = part.period_ns - 1
                wanted = f"give {least:,} to {most:,}"
                if isinstance(part, Span) and name == "stop_ns":
                    least, wanted = part.first_ns + 1, f"give more than first_ns = {part.first_ns}"
                if not least <= one <= most:
                    raise DescriptionError(place=here, found=f"{one:,}", wanted=wanted)


def parse_faults(text: str, link: Link, *, file: str) -> Faults:
    """Parse a faults file's text.

    Raises:
        DescriptionError: it says something that cannot be on this link.
    """
    table = Table(parse_toml(text, file=file), file=file, keys=PLAN_KEYS)
    tables = {name: table.tables(name, keys) for name, keys in TABLE_KEYS.items()}
    plan = Faults(
        seed=table.integer("seed", *LIMITS[Faults, "seed"], default=1),
        bit_flips=tuple(_read_flips(one, link) for one in tables["bit_flips"]),
        stuck_lanes=tuple(
            StuckLane(
                _read_lane(one, link),
                one.integer("level", *LIMITS[StuckLane, "level"]),
                _read_span(one),
            )
            for one in tables["stuck_lanes"]
        ),
        late_lanes=tuple(
            LateLane(_read_lane(one, link), _read_ratio(one, default=1.0), _read_span(one))
            for one in tables["late_lanes"]
        ),
        early_lanes=tuple(
            EarlyLane(_read_lane(one, link), _read_ratio(one, default=1.0), _read_span(one))
            for one in tables["early_lanes"]
        ),
        lost_edges=tuple(_read_lost(one) for one in tables["lost_edges"]),
        extra_edges=tuple(
            ExtraEdges(_read_ratio(one, default=0.0), _read_at_edges(one), _read_span(one))
            for one in tables["extra_edges"]
        ),
        stalls=tuple(_read_stalls(one) for one in tables["stalls"]),
        file=file,
    )
    if not plan:
        raise DescriptionError(
            file=file,
            found="no faults",
            wanted="give at least one table, such as [[bit_flips]] with ratio = 1e-4",
        )
    return plan


def wires_of(link: Link) -> int:
    """Count the wires that can be hurt: the lanes, and the strobe behind them."""
    return link.lanes + isinstance(link.framing, StrobeFraming)


def require_lane(lane: int, link: Link, *, place: str, file: str = "") -> None:
    """Refuse a wire that the link does not have.

    Raises:
        DescriptionError: it has fewer wires.
    """
    wires = wires_of(link)
    if 0 <= lane < wires:
        return
    strobe = f", the strobe being {link.lanes}" if wires > link.lanes else ""
    raise DescriptionError(
        file=file or None,
        place=place,
        found=f"lane {lane}",
        wanted=f"link {link.name} has {counted(wires, 'wire')}, 0 to {wires - 1}{strobe}",
    )


def _read_flips(table: Table, link: Link) -> BitFlips:
    lanes: tuple[int, ...] = ()
    if "lanes" in table:
        lanes = table.integers("lanes", 0, wires_of(link) - 1, wanted="give an array of lanes")
    return BitFlips(
        ratio=_read_ratio(table),
        lanes=tuple(sorted(set(lanes))),
        burst_edges=table.integer("burst_edges", *LIMITS[BitFlips, "burst_edges"], default=1),
        burst_ratio=_read_ratio(table, "burst_ratio", default=0.5),
        span=_read_span(table),
    )


def _read_lost(table: Table) -> LostEdges:
    return LostEdges(
        ratio=_read_ratio(table, default=0.0),
        count=table.integer("count", *LIMITS[LostEdges, "count"], default=1),
        at_edges=_read_at_edges(table),
        span=_read_span(table),
    )


def _read_stalls(table: Table) -> Stalls:
    period_ns = table.integer("period_ns", *LIMITS[Stalls, "period_ns"])
    return Stalls(
        period_ns,
        table.integer("length_ns", 1, period_ns - 1, hint=f" (less than period_ns = {period_ns})"),
    )


def _read_lane(table: Table, link: Link) -> int:
    return table.integer("lane", 0, wires_of(link) - 1)


def _read_at_edges(table: Table) -> tuple[int, ...]:
    if "at_edges" not in table:
        return ()
    return table.integers(
        "at_edges", *LIMITS[LostEdges, "at_edges"], wanted="give an array of link edges"
    )


def _read_span(table: Table) -> Span:
    first_ns = table.integer("first_ns", *LIMITS[Span, "first_ns"], default=0)
    stop_ns = table.optional_integer("stop_ns", *LIMITS[Span, "stop_ns"])
    if stop_ns is not None and stop_ns <= first_ns:
        raise table.error(
            "stop_ns", found=str(stop_ns), wanted=f"give more than first_ns = {first_ns}"
        )
    return Span(first_ns, stop_ns)


def _read_ratio(table: Table, key: str = "ratio", *, default: float | None = None) -> float:
    """Return a probability from 0 to 1; the smallest that is not 0 is 1e-12.

    Raises:
        DescriptionError: it is no number, or not such a probability.
    """
    value = table.value(key)
    if value is None and default is not None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise table.error(key, found=show_value(value), wanted=RATIO_WANTED)
    if not is_ratio(value):
        raise table.error(key, found=show_value(value), wanted=RATIO_WANTED)
    return float(value)


def is_ratio(value: float) -> bool:
    """Return whether it is a probability that can be injected."""
    return value == 0 or RATIO_MIN <= value <= 1
