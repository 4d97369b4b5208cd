"""Options of every command that reads somebody's capture: how to read it, and which part."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import wraps
from typing import TypeVar, cast

import click

from busplay.cli.options import Rate, Size, Time
from busplay.cli.renamed import renamed
from busplay.errors import InputError

_Function = TypeVar("_Function", bound=Callable[..., object])

map_option = click.option(
    "--map",
    "map_text",
    metavar="clock=CH0,lane0=!CH1,…",
    help="Signal of each wire of the capture; ! marks an inverted probe.  [default: found by the"
    " signals' names]",
)

_OPTIONS = (
    click.option(
        "--in-rate",
        "rate_hz",
        type=Rate(),
        help="Samples in a second, for raw samples and CSV without times: 24MHz.",
    ),
    click.option(
        "--in-bits",
        "bits",
        metavar="LIST",
        help="Read raw samples; these bits are wires: 0-4, 0,2,5-7, or 0-4/16 of 16 bits.",
    ),
    click.option(
        "--in-timescale",
        "timescale",
        metavar="TIME",
        help="Unit of the capture's times, whatever it says: 1ns.",
    ),
    click.option(
        "--from",
        "from_ps",
        type=Time(can_be_negative=True),
        help="Leave out what is earlier: 1.5ms.",
    ),
    click.option(
        "--to",
        "to_ps",
        type=Time(can_be_negative=True),
        help="Leave out what is later.",
    ),
    click.option(
        "--max-changes",
        type=click.IntRange(min=1),
        metavar="COUNT",
        help="Read at most COUNT changes of the capture.",
    ),
    click.option(
        "--keep-going", is_flag=True, help="Read a damaged capture up to the damage, and say so."
    ),
    click.option(
        "--max-unpacked",
        "max_unpacked_bytes",
        type=Size(),
        help="Let a capture unpack to SIZE, such as 10GB, and its vectors have as many bits."
        " Default: 1,100 times its size, at least 64 MB; 65,536 bits.",
    ),
    renamed("--timescale", "--in-timescale"),
    renamed("--first", "--max-changes"),
)


def capture_options(function: _Function) -> _Function:
    """Add the options of `busplay.formats.capture.ReadOptions`, under the keys there."""

    @wraps(function)
    def checked(*arguments: object, **options: object) -> object:
        _require_part(options)
        return function(*arguments, **options)

    command = cast(_Function, checked)
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def _require_part(options: Mapping[str, object]) -> None:
    """Refuse a part that ends before it begins."""
    first, stop = options.get("from_ps"), options.get("to_ps")
    if isinstance(first, int) and isinstance(stop, int) and stop <= first:
        from busplay.formats.quantities import time_text

        raise InputError(
            place="--to",
            found=f"a part from {time_text(first)} to {time_text(stop)}",
            wanted="it ends after it begins",
        )
