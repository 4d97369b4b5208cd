"""`busplay plan --explore`: search links, show the front, draw it, write its links as files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.interrupt import hold_interrupt, say_interrupted
from busplay.cli.json_output import print_json
from busplay.cli.progress import shares_bar
from busplay.cli.style import verdict
from busplay.errors import OutputError
from busplay.whole_file import no_way_to_write, write_whole_file
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.analysis.explore import Found, Limits, LinkCandidate
    from busplay.analysis.explore_links import Payload
    from busplay.analysis.plan import PlanRequest

ROWS_SHOWN = 8
MULTIPLES_MAX = 4


@dataclass(frozen=True, slots=True)
class ExploreOptions:
    """What the user said about the search; see the options of `busplay plan`."""

    max_pins: int | None = None
    max_wire_hz: int | None = None
    clocks_hz: tuple[int, ...] = ()
    max_slot_cycles: int | None = None
    framings: tuple[str, ...] = ()
    edges: tuple[str, ...] = ()
    min_check_bits: int = 0
    plot_path: Path | None = None
    write_folder: Path | None = None


def explore_and_report(
    request: PlanRequest, options: ExploreOptions, *, min_frame_hz: int, full: bool, as_json: bool
) -> int:
    """Search and show; return the exit status: 1 if no link keeps to the limits.

    Raises:
        OutputError: the plot or a link file cannot be written.
    """
    from busplay.analysis.explore import explore

    limits, payload = _limits(request, options, min_frame_hz), _payload(request)
    if options.plot_path is not None:
        _require_plot(options.plot_path)
    with shares_bar(label="links") as progress, hold_interrupt() as held:
        found = explore(limits, payload, progress=progress, should_stop=lambda: held.pressed)
    written: list[Path] = []
    if options.write_folder is not None and found.front:
        written = write_links(found.front, options.write_folder)
    if options.plot_path is not None and found.front:
        from busplay.analysis.explore_plot import plot_front
        from busplay.wording import hertz

        processor = f"a processor at {hertz(limits.processor_hz)}"
        title = f"Links for {processor}; in colour the Pareto front"
        picture = plot_front(found, options.plot_path, title=title)
        write_whole_file(options.plot_path, picture)
    if as_json:
        print_json(_exploration(found, limits, payload, written, options, interrupted=held.pressed))
    else:
        count = len(found.front) + len(found.others)
        said = (
            f"{counted(count, 'link')} within the limits, {len(found.front):,} on the Pareto front"
        )
        if held.pressed:
            said = f"interrupted: {said}, of the links tried so far"
        click.echo(verdict(said, ok=bool(found.front) and not held.pressed))
        click.echo("\n".join(_text(found, limits, payload, full=full)))
        for path in [options.plot_path] if options.plot_path and found.front else []:
            click.echo(f"  plot     {path}")
        if written:
            click.echo(f"  written  {len(written):,} link files to {options.write_folder}")
    if held.pressed:
        return say_interrupted()
    return 0 if found.front else 1


def _limits(request: PlanRequest, options: ExploreOptions, min_frame_hz: int) -> Limits:
    from busplay.analysis.explore import EDGES, Limits
    from busplay.analysis.explore_links import FRAMING_CHOICES

    own = (request.link.clock_hz,) if request.link.clock_hz else ()
    named = options.clocks_hz or tuple(_multiples(request.processor_hz, options.max_wire_hz))
    return Limits(
        processor_hz=request.processor_hz,
        clocks_hz=(*named, *own),
        max_pins=options.max_pins,
        max_wire_hz=options.max_wire_hz,
        max_slot_cycles=Fraction(options.max_slot_cycles or 4),
        min_frame_hz=min_frame_hz,
        min_check_bits=options.min_check_bits,
        framings=tuple(
            one for one in FRAMING_CHOICES if not options.framings or one in options.framings
        ),
        edges=tuple(one for one in EDGES if not options.edges or one in options.edges),
    )


def _multiples(processor_hz: int, max_wire_hz: int | None) -> list[int]:
    """List clocks that doublers make of the processor's, as long as wires may be so fast."""
    clocks: list[int] = []
    clock_hz = 2 * processor_hz
    while max_wire_hz is not None and clock_hz <= max_wire_hz and len(clocks) < MULTIPLES_MAX:
        clocks.append(clock_hz)
        clock_hz *= 2
    return clocks


def _payload(request: PlanRequest) -> Payload:
    """Return what frames must carry: what the board uses, or what the link has."""
    from busplay.analysis.explore_links import Payload

    link, board = request.link, request.board

    def bits(name: str) -> int:
        field = link.field_named(name)
        return field.bits if field else 0

    unit_bits, address_bits = (request.receivers - 1).bit_length(), bits("address")
    if board is not None:
        unit_bits = max([unit_bits, *(one.number.bit_length() for one in board.units)])
        offsets = [one.first_offset + one.last_address - one.first_address for one in board.windows]
        address_bits = max([8, *(one.bit_length() for one in offsets)])
    # Space 0 tells idle frames apart, so a frame has it whatever the link at hand has.
    return Payload(max(2, bits("space")), unit_bits, address_bits)


def _require_plot(path: Path) -> None:
    from busplay.analysis.explore_plot import require_matplotlib

    require_matplotlib()


# -- files


def write_links(front: Sequence[LinkCandidate], folder: Path) -> list[Path]:
    """Write each link as NAME.toml into a folder, which is made if it is not there.

    Raises:
        OutputError: a file of that name says something else already, or cannot be written.
            Nothing is written then that was there before.
    """
    from busplay.description.write_link import link_toml

    texts = {folder / f"{one.link.name}.toml": link_toml(one.link) for one in front}
    try:
        for path, text in texts.items():
            if path.exists() and path.read_bytes() != text.encode():
                raise OutputError(
                    file=str(path),
                    found="another file of that name",
                    wanted="move it away or give another --write folder",
                )
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise no_way_to_write(folder, error) from error
    for path, text in texts.items():
        write_whole_file(path, text.encode())
    return list(texts)


# -- what is shown


def _text(found: Found, limits: Limits, payload: Payload, *, full: bool) -> list[str]:
    from busplay.analysis.explore import SHORT_NAMES
    from busplay.cli.plan_text import percent
    from busplay.explain.text_layout import table, wrapped
    from busplay.wording import exact, hertz

    lines = [f"  for a processor at {hertz(limits.processor_hz)}"]
    said = [f"a slot of {exact(limits.max_slot_cycles)} processor cycles at most"]
    if limits.max_pins is not None:
        said.append(f"{limits.max_pins} pins at most")
    if limits.max_wire_hz is not None:
        said.append(f"no wire over {hertz(limits.max_wire_hz)}")
    if limits.min_frame_hz:
        said.append(f"{limits.min_frame_hz:,} stores a second at least")
    if limits.min_check_bits:
        said.append(f"{limits.min_check_bits} check bits at least")
    carries = (
        f"Each frame carries {payload.space_bits} bits of space, {payload.unit_bits} of unit,"
        f" {payload.address_bits} of address and 8 of data."
    )
    lines += wrapped(f"Limits: {', '.join(said)}. {carries}")
    if not found.front:
        return [
            *lines,
            "",
            "  No link keeps to these limits; give it more pins, cycles or a faster clock.",
        ]
    head = ["pins", "edges", "clock", "framing", "check", "seq", "bits", "slot", "symbol"]
    rows = [[*head, "sync", "2-bit", "3-bit"]]
    for one in found.front[: None if full else ROWS_SHOWN]:
        budget, link = one.budget, one.link
        rows.append(
            [
                str(budget.wires),
                "both" if link.edges == "both" else "one",
                hertz(budget.clock_hz).replace(" MHz", "M").replace(" kHz", "k"),
                one.choice.framing,
                SHORT_NAMES[one.choice.check],
                str(one.sequence_bits),
                str(link.frame_bits),
                exact(budget.slot_cycles).removeprefix("about "),
                exact(budget.symbol_ns).removeprefix("about "),
                str(one.sync_slots),
                *["none" if not share else percent(share) for share in one.undetected[1:]],
            ]
        )
    lines += ["", *table(rows, right=frozenset({0, 2, 5, 6, 7, 8, 9, 10, 11}))]
    left_out = len(found.front) - ROWS_SHOWN
    if left_out > 0 and not full:
        lines += wrapped(f"--full shows {left_out:,} more, with more pins")
    lines += [
        "",
        *wrapped(
            "seq: bits of the frame count; more than 4 count as 4 where links are compared. slot:"
            " processor cycles. symbol: ns that one stands, in which setup, hold and skew must fit."
            " sync: slots until a receiver is in sync, at best. 2-bit, 3-bit: share of such errors"
            " that pass undetected. Ask `busplay check` whether a link that finds frames by its"
            " check is sound on a stream of equal frames."
        ),
    ]
    return lines


@dataclass(frozen=True, slots=True)
class FrontLink:
    """A link of the Pareto front.

    Attributes:
        name: of the link and of its file.
        pins, lanes: wires, ground aside; and lanes among them.
        edges, clock_hz: of the clock on which lanes are sampled, and its rate.
        framing, check: how frames are found, and the check's name.
        sequence_bits: of the frame count; more than 4 count as 4 where links are compared.
        frame_bits: of a frame.
        slot_cycles, slot_ns: from one frame's start to the next; in processor cycles.
        symbol_ns: how long a symbol stands.
        frame_hz: frames a second.
        sync_slots: slots until a receiver is in sync, at best.
        undetected_ratios: share of all errors of one, two and three bits that pass undetected.
        link: the whole description, as in a link file.
    """

    name: str
    pins: int
    lanes: int
    edges: str
    clock_hz: int
    framing: str
    check: str
    sequence_bits: int
    frame_bits: int
    slot_cycles: Fraction
    slot_ns: Fraction
    symbol_ns: Fraction
    frame_hz: Fraction
    sync_slots: int
    undetected_ratios: tuple[Fraction, ...]
    link: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Exploration:
    """What a search for links found.

    Attributes:
        interrupted: it was stopped; the rest is of the links tried so far.
        limits: what they had to keep to.
        payload: bits of space, unit and address that each frame carries, besides 8 of data.
        links_within_limits: how many there are.
        front: the Pareto front, by pins and slot.
        written: link files that were written.
        plot: the picture that was drawn; None: none.
    """

    interrupted: bool
    limits: Limits
    payload: Payload
    links_within_limits: int
    front: tuple[FrontLink, ...]
    written: tuple[Path, ...]
    plot: Path | None


def _exploration(
    found: Found,
    limits: Limits,
    payload: Payload,
    written: list[Path],
    options: ExploreOptions,
    *,
    interrupted: bool,
) -> Exploration:
    from busplay.description.plain import link_to_plain

    front = tuple(
        FrontLink(
            name=one.link.name,
            pins=one.budget.wires,
            lanes=one.link.lanes,
            edges=one.link.edges,
            clock_hz=one.budget.clock_hz,
            framing=one.choice.framing,
            check=one.choice.check,
            sequence_bits=one.sequence_bits,
            frame_bits=one.link.frame_bits,
            slot_cycles=one.budget.slot_cycles,
            slot_ns=one.budget.slot_ns,
            symbol_ns=one.budget.symbol_ns,
            frame_hz=one.budget.frame_hz,
            sync_slots=one.sync_slots,
            undetected_ratios=one.undetected,
            link=link_to_plain(one.link),
        )
        for one in found.front
    )
    plot = options.plot_path if found.front else None
    count = len(found.front) + len(found.others)
    return Exploration(interrupted, limits, payload, count, front, tuple(written), plot)
