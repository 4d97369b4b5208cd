"""Which signal of a capture is which wire of a link, and which probes are inverted."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from busplay.description.link import Link, StrobeFraming
from busplay.errors import InputError

CLOCK = "clock"
STROBE = "strobe"

# What people call their wires, after `_plain`. A digit alone is what analysers call channels that
# nobody named, so it says nothing.
_CLOCK_NAMES = ("clock", "clk", "lclk", "sclk", "sck", "cclk", "ck")
_STROBE_NAMES = ("strobe", "stb", "select", "sel", "cs", "ss", "frame", "lframe", "sync", "valid")
_LANE_NAMES = ("lane", "d", "data", "lad", "ad", "io", "dq", "sd", "dat")
_ONE_LANE_NAMES = ("lane", "data", "mosi", "sdi", "sdo", "sda", "din", "dout", "copi", "dat", "d")


@dataclass(frozen=True, slots=True)
class Probe:
    """One signal of the capture on one wire of the link.

    Attributes:
        index: bit of the signal in a batch of changes.
        signal: its name in the capture.
        inverted: the capture shows the opposite of what the wire carries.
    """

    index: int
    signal: str
    inverted: bool = False

    def __str__(self) -> str:
        return f"!{self.signal}" if self.inverted else self.signal


@dataclass(frozen=True, slots=True)
class LaneMap:
    """The probes of a link: its clock, its lanes from lane 0 on, its strobe if it has one."""

    clock: Probe
    lanes: tuple[Probe, ...]
    strobe: Probe | None = None

    @property
    def wires(self) -> dict[str, Probe]:
        """Return every probe by its wire: clock, lane0 …, strobe."""
        wires = {CLOCK: self.clock}
        wires |= {f"lane{number}": probe for number, probe in enumerate(self.lanes)}
        if self.strobe is not None:
            wires[STROBE] = self.strobe
        return wires

    @property
    def data(self) -> tuple[Probe, ...]:
        """Return what a symbol is made of: bit i of it is the i-th; the strobe comes last."""
        return self.lanes if self.strobe is None else (*self.lanes, self.strobe)

    def __str__(self) -> str:
        """Write the map as `--map` takes it."""
        return ",".join(f"{wire}={probe}" for wire, probe in self.wires.items())


def wires_of(link: Link) -> tuple[str, ...]:
    """Name the wires of a link: clock, lane0 …, and strobe where it has one."""
    strobe = (STROBE,) if isinstance(link.framing, StrobeFraming) else ()
    return (CLOCK, *(f"lane{number}" for number in range(link.lanes)), *strobe)


def parse_map(text: str, *, link: Link, signals: Sequence[str]) -> LaneMap:
    """Read a map such as `clock=CH0,lane0=CH1,lane1=!CH2`; `!` marks an inverted probe.

    Wires that the text leaves out take the signal whose name says it.

    Raises:
        InputError: an unknown wire or signal, two wires on one signal, or a wire without a signal.
    """
    place = "--map"
    wires = wires_of(link)
    given: dict[str, Probe] = {}
    for part in filter(None, (one.strip() for one in text.split(","))):
        wire, equals, name = (one.strip() for one in part.partition("="))
        wire = {"clk": CLOCK}.get(wire.lower(), wire.lower())
        if not equals or wire not in wires:
            raise InputError(
                place=place,
                found=repr(part),
                wanted=f"write WIRE=SIGNAL with the wires {', '.join(wires)} of link {link.name}",
            )
        if wire in given:
            raise InputError(place=place, found=f"{wire} twice", wanted="name each wire once")
        inverted = name.startswith("!")
        index = _find_signal(name.removeprefix("!").strip(), signals, place=place)
        given[wire] = Probe(index, signals[index], inverted)
    return _complete(given, link=link, signals=signals, place=place)


def default_map(*, link: Link, signals: Sequence[str]) -> LaneMap:
    """Find the wires by the plain names of signals: clk or clock, lane0 or d0, strobe or cs …

    Raises:
        InputError: a wire has no signal whose name says it.
    """
    return _complete({}, link=link, signals=signals, place="signals")


def named_wires(*, link: Link, signals: Sequence[str]) -> dict[str, int]:
    """Return the signal of each wire that a signal's name identifies."""
    plain = [_plain(name) for name in signals]
    found: dict[str, int] = {}
    for wire in wires_of(link):
        for name in _names_for(wire, link):
            if plain.count(name) == 1:
                found[wire] = plain.index(name)
                break
    # One signal cannot be two wires; then its name says nothing.
    taken = list(found.values())
    return {wire: index for wire, index in found.items() if taken.count(index) == 1}


def remarks(
    lane_map: LaneMap, link: Link, signals: Sequence[str], dead: Sequence[str]
) -> tuple[str, ...]:
    """Name swapped, inverted and dead probes, as far as the signals' names say what was meant."""
    meant = {} if _are_unlabelled(signals) else named_wires(link=link, signals=signals)
    wire_of = {probe.index: wire for wire, probe in lane_map.wires.items()}
    out = []
    named = set()
    for wire, probe in lane_map.wires.items():
        wanted = next((name for name, index in meant.items() if index == probe.index), None)
        if wanted is None or wanted == wire or wire in named:
            continue
        other = meant.get(wire)
        if other is not None and wire_of.get(other) == wanted:
            out.append(
                f"the probes of {wire} and {wanted} are swapped: {probe.signal} is on {wire}"
            )
            named |= {wire, wanted}
        else:
            out.append(f"{probe.signal} is on {wire}, though its name says {wanted}")
    out += [
        f"{probe.signal} is inverted, on {wire}"
        for wire, probe in lane_map.wires.items()
        if probe.inverted
    ]
    out += [f"{name} never changes: not connected, or dead" for name in dead]
    return tuple(out)


def _complete(
    given: dict[str, Probe], *, link: Link, signals: Sequence[str], place: str
) -> LaneMap:
    taken = {probe.index for probe in given.values()}
    for wire, index in named_wires(link=link, signals=signals).items():
        if wire not in given and index not in taken:
            given[wire] = Probe(index, signals[index])
            taken.add(index)
    missing = [wire for wire in wires_of(link) if wire not in given]
    if missing:
        named = named_wires(link=link, signals=signals)
        for wire in missing:
            if wire in named:
                index = named[wire]
                holder = next(one for one, probe in given.items() if probe.index == index)
                raise InputError(
                    place=place,
                    found=f"signal {signals[index]} on {holder}, which leaves none for {wire}",
                    wanted=f"say where {wire} is too ({wire}=SIGNAL)",
                )
        free = [name for number, name in enumerate(signals) if number not in taken]
        raise InputError(
            place=place,
            found=f"{_listed(signals)}, none of which is named as {', '.join(missing)}",
            wanted=_advice(link, signals, missing, free=free),
        )
    probes = list(given.values())
    for number, probe in enumerate(probes):
        for other in probes[:number]:
            if other.index == probe.index:
                raise InputError(
                    place=place,
                    found=f"signal {probe.signal} on two wires",
                    wanted="each wire has a signal of its own",
                )
    lanes = tuple(given[f"lane{number}"] for number in range(link.lanes))
    return LaneMap(given[CLOCK], lanes, given.get(STROBE))


def _advice(link: Link, signals: Sequence[str], missing: list[str], *, free: list[str]) -> str:
    needed = len(wires_of(link))
    if len(signals) < needed:
        if len(signals) == 1:
            return (
                f"link {link.name} has {needed} wires, one of them a clock; a single wire with no"
                " clock is an asynchronous serial line (a UART), which is decoded by its baud"
                " rate and not by a link"
            )
        return f"link {link.name} has {needed} wires, so the capture lacks some"
    example = ",".join(
        f"{wire}={free[number] if number < len(free) else 'SIGNAL'}"
        for number, wire in enumerate(missing)
    )
    return f"say which is which (--map {example}), or let --find-map try"


def _find_signal(name: str, signals: Sequence[str], *, place: str) -> int:
    for matches in (
        [i for i, one in enumerate(signals) if one == name],
        [i for i, one in enumerate(signals) if one.rpartition(".")[2] == name],
        [i for i, one in enumerate(signals) if one.rpartition(".")[2].lower() == name.lower()],
    ):
        if len(matches) == 1:
            return matches[0]
        if matches:
            break
    found = f"{len(matches)} signals named {name!r}" if matches else f"no signal named {name!r}"
    raise InputError(
        place=place, found=found, wanted=f"the capture has {_listed(signals)}; give a full name"
    )


def _listed(signals: Sequence[str]) -> str:
    shown = ", ".join(signals[:20]) + (
        f" and {len(signals) - 20} more" if len(signals) > 20 else ""
    )
    return f"the signal {shown}" if len(signals) == 1 else f"the signals {shown}"


def _are_unlabelled(signals: Sequence[str]) -> bool:
    """Return whether names only number channels: D0, D1 … are what analysers call them."""
    stems = {re.sub(r"\d+$", "", name.rpartition(".")[2]) for name in signals}
    return len(stems) == 1 and len(signals) > 1


def _plain(name: str) -> str:
    """Reduce a signal's name to its plain form: no scope, no marks of polarity, no brackets."""
    last = name.rpartition(".")[2].strip().lower()
    last = re.sub(r"(#|_n|_b|/)+$", "", last).lstrip("/~!")
    last = re.sub(r"\[(\d+)\]$", r"\1", last)
    return re.sub(r"[\s_\-]+", "", last)


def _names_for(wire: str, link: Link) -> tuple[str, ...]:
    if wire == CLOCK:
        return _CLOCK_NAMES
    if wire == STROBE:
        return _STROBE_NAMES
    number = wire.removeprefix("lane")
    names = tuple(f"{stem}{number}" for stem in _LANE_NAMES)
    return names + _ONE_LANE_NAMES if link.lanes == 1 else names
