"""Options of every command that reads somebody's capture: how to read it, and which part."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import wraps
from typing import TypeVar, cast

import click

from busplay.cli.options import Rate, Time

_Function = TypeVar("_Function", bound=Callable[..., object])


_OPTIONS = (
    click.option(
        "--rate",
        "rate_hz",
        type=Rate(),
        help="Samples in a second, for raw samples and for CSV without times: 24MHz.",
    ),
    click.option(
        "--bits",
        metavar="LIST",
        help="Read raw samples; these bits are wires: 0-4, 0,2,5-7, or 0-4/16 of 16 bits.",
    ),
    click.option(
        "--timescale", metavar="TIME", help="Unit of the file's times, whatever it says: 1ns."
    ),
    click.option(
        "--from",
        "from_ps",
        type=Time(can_be_negative=True),
        help="Leave out what is earlier: 1.5ms, in its time.",
    ),
    click.option("--to", "to_ps", type=Time(can_be_negative=True), help="Leave out what is later."),
    click.option(
        "--first", type=click.IntRange(min=1), metavar="N", help="Read at most N changes of state."
    ),
    click.option(
        "--keep-going", is_flag=True, help="Read a damaged file up to the damage, and say so."
    ),
)


def capture_options(function: _Function) -> _Function:
    """Add the options `rate_hz`, `bits`, `timescale`, `from_ps`, `to_ps`, `first`, `keep_going`."""

    @wraps(function)
    def checked(*arguments: object, **options: object) -> object:
        require_part(options)
        return function(*arguments, **options)

    command = cast(_Function, checked)
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def require_part(options: Mapping[str, object]) -> None:
    """Refuse a part that ends before it begins.

    Raises:
        InputError: it does.
    """
    from busplay.errors import InputError

    first, stop = options.get("from_ps"), options.get("to_ps")
    if isinstance(first, int) and isinstance(stop, int) and stop <= first:
        from busplay.formats.quantities import time_text

        raise InputError(
            place="--to",
            found=f"a part from {time_text(first)} to {time_text(stop)}",
            wanted="it ends after it begins",
        )
