"""`busplay plan --explore`: search links, show the front, draw it, write its links as files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busplay.cli.files import OutFile, OutFolder
from busplay.cli.interrupt import hold_interrupt, say_interrupted
from busplay.cli.json_output import print_json
from busplay.cli.options import Count, Rate, option_group
from busplay.cli.progress import shares_bar
from busplay.cli.style import verdict
from busplay.errors import OutputError
from busplay.whole_file import no_way_to_write, write_whole_file
from busplay.wording import counted

if TYPE_CHECKING:
    from busplay.analysis.explore import Exploration, Limits, LinkCandidate
    from busplay.analysis.explore_links import Payload
    from busplay.description.board import Board
    from busplay.description.link import Link

ROWS_SHOWN = 8
DOUBLINGS_MAX = 4


@dataclass(frozen=True, slots=True)
class ExploreRequest:
    """What the user said about the search; see the options."""

    explore: bool = False
    max_pins: int | None = None
    max_wire_hz: int | None = None
    clocks_hz: tuple[int, ...] = ()
    max_slot_cycles: int | None = None
    framings: tuple[str, ...] = ()
    edges: tuple[str, ...] = ()
    min_check_bits: int = 0
    plot_path: Path | None = None
    write_folder: Path | None = None


explore_options = option_group(
    "search",
    ExploreRequest,
    click.option("--explore", is_flag=True, help="Search for better links: the Pareto front."),
    click.option("--max-pins", type=Count(1, 100), metavar="COUNT", help="Explore: pins at most."),
    click.option(
        "--max-wire-rate",
        "max_wire_hz",
        type=Rate(),
        metavar="RATE",
        help="Explore: no wire faster; the processor's clock is also tried doubled, up to RATE.",
    ),
    click.option(
        "--clock-rate",
        "clocks_hz",
        type=Rate(),
        multiple=True,
        metavar="RATE",
        help="Explore: try a clock of its own.",
    ),
    click.option(
        "--max-slot-cycles",
        type=Count(1, 1_000_000),
        metavar="COUNT",
        help="Explore: processor cycles a slot at most; 4.",
    ),
    click.option(
        "--framing",
        "framings",
        type=click.Choice(["strobe", "select", "marker", "check"]),
        multiple=True,
        help="Explore: only this framing.",
    ),
    click.option(
        "--edges",
        type=click.Choice(["rising", "both"]),
        multiple=True,
        help="Explore: only these edges.",
    ),
    click.option(
        "--min-check-bits",
        type=Count(0, 64),
        metavar="COUNT",
        default=0,
        help="Explore: check bits at least.",
    ),
    click.option(
        "--plot",
        "plot_path",
        type=OutFile(".png", ".svg"),
        help="Explore: draw pins against slot time.",
    ),
    click.option(
        "--write",
        "write_folder",
        type=OutFolder(),
        help="Explore: write each link of the front as a link file.",
    ),
)


def explore_and_report(
    described: Link | Board,
    search: ExploreRequest,
    *,
    processor_hz: int | None,
    receivers: int | None,
    min_frame_hz: int,
    full: bool,
    as_json: bool,
) -> int:
    """Search and show; return the exit status: 1 if no link keeps to the limits.

    Raises:
        OutputError: the plot or a link file cannot be written.
    """
    from busplay.analysis.explore import explore
    from busplay.analysis.explore_plot import plot_front, require_matplotlib
    from busplay.link.load import as_link_and_board
    from busplay.wording import hertz

    link, board = as_link_and_board(described)
    limits = _limits(link, board, search, processor_hz, min_frame_hz)
    payload = _payload(link, board, receivers)
    if search.plot_path is not None:
        require_matplotlib()
    with shares_bar(label="links") as progress, hold_interrupt() as held:
        found = explore(limits, payload, progress=progress, should_stop=lambda: held.pressed)
    if search.write_folder is not None and found.front:
        found = replace(found, written=write_links(found.front, search.write_folder))
    if search.plot_path is not None and found.front:
        processor = f"a processor at {hertz(limits.processor_hz)}"
        title = f"Links for {processor}; in colour the Pareto front"
        write_whole_file(search.plot_path, plot_front(found, search.plot_path, title=title))
        found = replace(found, plot=search.plot_path)
    if as_json:
        print_json(found)
    else:
        said = (
            f"{counted(found.links_within_limits, 'link')} within the limits,"
            f" {len(found.front):,} on the Pareto front"
        )
        if found.interrupted:
            said = f"interrupted: {said}, of the links tried so far"
        click.echo(verdict(said, ok=bool(found.front) and not found.interrupted))
        click.echo("\n".join(_text(found, full=full)))
        if found.plot is not None:
            click.echo(f"  plot     {found.plot}")
        if found.written:
            click.echo(f"  written  {len(found.written):,} link files to {search.write_folder}")
    if found.interrupted:
        return say_interrupted()
    return 0 if found.front else 1


def _limits(
    link: Link,
    board: Board | None,
    search: ExploreRequest,
    processor_hz: int | None,
    min_frame_hz: int,
) -> Limits:
    from busplay.analysis.explore import EDGES, Limits
    from busplay.analysis.explore_links import FRAMING_CHOICES
    from busplay.analysis.plan import DEFAULT_PROCESSOR_HZ

    processor_hz = processor_hz or (board.clock_hz if board else DEFAULT_PROCESSOR_HZ)
    own = (link.clock_hz,) if link.clock_hz else ()
    # Doublers make multiples of the processor's clock, as long as wires may be so fast.
    doubled = [processor_hz << doublings for doublings in range(1, DOUBLINGS_MAX + 1)]
    fast_enough = [one for one in doubled if one <= (search.max_wire_hz or 0)]
    return Limits(
        processor_hz=processor_hz,
        clocks_hz=(*(search.clocks_hz or fast_enough), *own),
        max_pins=search.max_pins,
        max_wire_hz=search.max_wire_hz,
        max_slot_cycles=Fraction(search.max_slot_cycles or 4),
        min_frame_hz=min_frame_hz,
        min_check_bits=search.min_check_bits,
        framings=tuple(
            one for one in FRAMING_CHOICES if not search.framings or one in search.framings
        ),
        edges=tuple(one for one in EDGES if not search.edges or one in search.edges),
    )


def _payload(link: Link, board: Board | None, receivers: int | None) -> Payload:
    """Return what frames must carry: what the board uses, or what the link has."""
    from busplay.analysis.explore_links import Payload

    def bits(name: str) -> int:
        field = link.field_named(name)
        return field.bits if field else 0

    receivers = receivers or (len(board.units) if board else 1)
    unit_bits, address_bits = (receivers - 1).bit_length(), bits("address")
    if board is not None:
        unit_bits = max([unit_bits, *(one.number.bit_length() for one in board.units)])
        offsets = [one.first_offset + one.last_address - one.first_address for one in board.windows]
        address_bits = max([8, *(one.bit_length() for one in offsets)])
    # Space 0 tells idle frames apart, so a frame has it whatever the link at hand has.
    return Payload(max(2, bits("space")), unit_bits, address_bits)


# -- files


def write_links(front: Sequence[LinkCandidate], folder: Path) -> tuple[Path, ...]:
    """Write each link as NAME.toml into a folder, which is made if it is not there.

    Raises:
        OutputError: a file of that name says something else already, or cannot be written.
            Nothing is written then that was there before.
    """
    from busplay.description.write_link import link_toml

    texts = {folder / f"{one.name}.toml": link_toml(one.description) for one in front}
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
    return tuple(texts)


# -- what is shown


def _text(found: Exploration, *, full: bool) -> list[str]:
    from busplay.analysis.explore import SHORT_NAMES
    from busplay.analysis.plan_text import percent
    from busplay.explain.text_layout import table, wrapped
    from busplay.wording import exact, hertz

    limits, payload = found.limits, found.payload
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
        rows.append(
            [
                str(one.pins),
                "both" if one.edges == "both" else "one",
                hertz(one.clock_hz).replace(" MHz", "M").replace(" kHz", "k"),
                one.framing,
                SHORT_NAMES[one.check],
                str(one.sequence_bits),
                str(one.frame_bits),
                exact(one.slot_cycles).removeprefix("about "),
                exact(one.symbol_ns).removeprefix("about "),
                str(one.sync_slots),
                *["none" if not share else percent(share) for share in one.undetected_ratios[1:]],
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
