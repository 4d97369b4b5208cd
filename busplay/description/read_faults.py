"""Read faults files: which damage to inject, and what is refused with its remedy."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplay.description.attributes import (
    RATIO_WANTED,
    is_ratio,
    keys_of,
    read_key,
    read_keys,
)
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
from busplay.description.toml_reader import Table, parse_toml, read_description_file
from busplay.errors import DescriptionError
from busplay.wording import counted

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

KINDS: dict[str, type] = {
    "bit_flips": BitFlips,
    "stuck_lanes": StuckLane,
    "late_lanes": LateLane,
    "early_lanes": EarlyLane,
    "lost_edges": LostEdges,
    "extra_edges": ExtraEdges,
    "stalls": Stalls,
}
TABLE_KEYS = {name: keys_of(kind) for name, kind in KINDS.items()}
PLAN_KEYS = ("seed", *TABLE_KEYS)


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
        _require_possible(faults, link, place="faults.")
    return faults


def parse_faults(text: str, link: Link, *, file: str) -> Faults:
    """Parse a faults file's text.

    Raises:
        DescriptionError: it says something that cannot be on this link.
    """
    table = Table(parse_toml(text, file=file), file=file, keys=PLAN_KEYS)
    parts: dict[str, Any] = {
        name: tuple(kind(**read_keys(one, kind)) for one in table.tables(name, TABLE_KEYS[name]))
        for name, kind in KINDS.items()
    }
    faults = Faults(seed=read_key(table, Faults, "seed"), file=file, **parts)
    _require_possible(faults, link, file=file)
    if not faults:
        raise DescriptionError(
            file=file,
            found="no faults",
            wanted="give at least one table, such as [[bit_flips]] with ratio = 1e-4",
        )
    return faults


def _require_possible(
    part: DataclassInstance, link: Link, *, place: str = "", file: str = ""
) -> None:
    """Refuse faults, from a file or made in code, that cannot be on a link.

    Args:
        place: what stands before an attribute's name.
        file: where they were read from; a span's keys stand in its fault's table there.
    """
    for attribute in fields(part):
        name, value = attribute.name, getattr(part, attribute.name)
        for index, one in enumerate(value if isinstance(value, tuple) else (value,)):
            here = f"{place}{name}" + (f"[{index}]" if isinstance(value, tuple) else "")
            if isinstance(one, Span) and file:
                _require_possible(one, link, place=place, file=file)
            elif is_dataclass(one) and not isinstance(one, type):
                _require_possible(one, link, place=f"{here}.", file=file)
            elif name in ("lane", "lanes"):
                require_lane(one, link, place=here, file=file)
            elif isinstance(one, int | float):
                wanted = _what_is_right(part, name, one)
                if wanted:
                    found = f"{one:,}" if isinstance(one, int) else f"{one}"
                    raise DescriptionError(
                        file=file or None, place=here, found=found, wanted=wanted
                    )


def _what_is_right(part: DataclassInstance, name: str, value: float) -> str:
    """Return what would be right in a number's place; empty: it is."""
    if name.endswith("ratio"):
        return "" if is_ratio(value) else RATIO_WANTED
    (least, most), more = LIMITS[type(part), name], ""
    if isinstance(part, Stalls) and name == "length_ns":
        most, more = part.period_ns - 1, f" (less than period_ns = {part.period_ns})"
    if isinstance(part, Span) and name == "stop_ns" and value <= part.first_ns:
        return f"give more than first_ns = {part.first_ns}"
    return "" if least <= value <= most else f"give {least:,} to {most:,}{more}"


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
