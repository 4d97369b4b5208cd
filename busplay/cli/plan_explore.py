"""`busplay plan --explore`: search links, show the front, draw it, write its links as files."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.errors import OutputError
from busplay.whole_file import no_way_to_write, write_whole_file

if TYPE_CHECKING:
    from busplay.analysis.explore import Candidate, Found, Limits
    from busplay.analysis.explore_links import Payload
    from busplay.analysis.plan import PlanRequest

ROWS_SHOWN = 40
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
    request: PlanRequest, options: ExploreOptions, *, min_frame_hz: int, as_json: bool
) -> int:
    """Search and show; give the exit status: 1 if no link keeps to the limits.

    Raises:
        OutputError: the plot or a link file cannot be written.
    """
    from busplay.analysis.explore import explore

    limits, payload = _limits(request, options, min_frame_hz), _payload(request)
    if options.plot_path is not None:
        _require_plot(options.plot_path)
    with click.progressbar(
        length=1000, label="links", file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:
        found = explore(limits, payload, progress=lambda done, total: _move(bar, done, total))
    written: list[Path] = []
    if options.write_folder is not None and found.front:
        written = write_links(found.front, options.write_folder)
    if options.plot_path is not None and found.front:
        from busplay.analysis.explore_plot import plot_front
        from busplay.wording import hertz

        processor = f"a processor at {hertz(limits.processor_hz)}"
        title = f"Links for {processor}; in colour those that no other beats"
        picture = plot_front(
            found, options.plot_path, title=title, processor_hz=limits.processor_hz
        )
        write_whole_file(options.plot_path, picture)
    if as_json:
        click.echo(json.dumps(_json(found, limits, payload, written, options), indent=2))
    else:
        click.echo("\n".join(_text(found, limits, payload)))
        for path in [options.plot_path] if options.plot_path and found.front else []:
            click.echo(f"  plot     {path}")
        if written:
            click.echo(f"  written  {len(written):,} link files to {options.write_folder}")
    return 0 if found.front else 1


def _move(bar: object, done: int, total: int) -> None:
    ahead = done * 1000 // max(1, total) - bar.pos  # type: ignore[attr-defined]
    if ahead > 0:
        bar.update(ahead)  # type: ignore[attr-defined]


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


def write_links(front: Sequence[Candidate], folder: Path) -> list[Path]:
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


def _text(found: Found, limits: Limits, payload: Payload) -> list[str]:
    from busplay.analysis.explore import SHORT_NAMES
    from busplay.cli.plan_text import percent
    from busplay.explain.text_layout import table, wrapped
    from busplay.wording import counted, exact, hertz

    count = len(found.front) + len(found.others)
    lines = [f"Links for a processor at {hertz(limits.processor_hz)}"]
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
    lines += wrapped(
        f"{counted(count, 'link')} within them, of which no other beats {len(found.front):,} in"
        " everything:"
    )
    head = ["pins", "lanes", "edges", "clock", "framing", "check", "seq", "bits", "slot", "ns"]
    rows = [[*head, "symbol", "lock", "2 bits", "3 bits"]]
    for one in found.front[:ROWS_SHOWN]:
        budget, link = one.budget, one.link
        rows.append(
            [
                str(budget.wires),
                str(link.lanes),
                "both" if link.edges == "both" else "one",
                hertz(budget.clock_hz).replace(" MHz", "M").replace(" kHz", "k"),
                one.choice.framing,
                SHORT_NAMES[one.choice.check],
                str(one.sequence_bits),
                str(link.frame_bits),
                exact(budget.slot_cycles).removeprefix("about "),
                exact(budget.slot_ns).removeprefix("about "),
                exact(budget.symbol_ns).removeprefix("about "),
                str(one.lock_slots),
                *["none" if not share else percent(share) for share in one.unseen[1:]],
            ]
        )
    lines += ["", *table(rows, right=frozenset({0, 1, 3, 6, 7, 8, 9, 10, 11, 12, 13}))]
    left_out = len(found.front) - ROWS_SHOWN
    if left_out > 0:
        lines += wrapped(
            f"and {left_out:,} more with more pins; narrow the limits, or take --json or --write"
        )
    lines += [
        "",
        *wrapped(
            "seq: bits of the count of frames. slot: in processor cycles. symbol: how many ns one"
            " stands, in which setup, hold and skew must fit. lock: slots until a receiver is in"
            " step, at best. 2 bits, 3 bits: share of errors of so many wrong bits that pass"
            " unseen. Ask `busplay check` whether a link that finds frames by its check is sound"
            " on a stream of equal frames."
        ),
    ]
    return lines


def _json(
    found: Found, limits: Limits, payload: Payload, written: list[Path], options: ExploreOptions
) -> dict[str, object]:
    from busplay.description.plain import link_to_plain
    from busplay.explain.link import fraction_facts

    front = []
    for one in found.front:
        budget = one.budget
        front.append(
            {
                "name": one.link.name,
                "pins": budget.wires,
                "lanes": one.link.lanes,
                "edges": one.link.edges,
                "clock_hz": budget.clock_hz,
                "framing": one.choice.framing,
                "check": one.choice.check,
                "sequence_bits": one.sequence_bits,
                "frame_bits": one.link.frame_bits,
                "slot_processor_cycles": fraction_facts(budget.slot_cycles),
                "slot_ns": fraction_facts(budget.slot_ns),
                "symbol_ns": fraction_facts(budget.symbol_ns),
                "frame_hz": fraction_facts(budget.frame_hz),
                "lock_slots": one.lock_slots,
                "unseen_ratios": [fraction_facts(share) for share in one.unseen],
                "link": link_to_plain(one.link),
            }
        )
    return {
        "kind": "exploration",
        "processor_hz": limits.processor_hz,
        "payload_bits": {
            "space": payload.space_bits,
            "unit": payload.unit_bits,
            "address": payload.address_bits,
            "data": 8,
        },
        "links_within_limits": len(found.front) + len(found.others),
        "front": front,
        "written": [str(path) for path in written],
        "plot": str(options.plot_path) if options.plot_path and found.front else None,
    }
