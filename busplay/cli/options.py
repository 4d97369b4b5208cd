"""Types of option values that several commands take, each with a clear refusal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar, cast

import click
from click.shell_completion import CompletionItem

from busplay.cli.files import OutFile, complete_file, label_of
from busplay.errors import InputError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from busplay.player.speed import Speed


F = TypeVar("F", bound=Callable[..., object])
R = TypeVar("R")
T = TypeVar("T")
G = TypeVar("G", bound="DataclassInstance")


def option_group(
    name: str, group: type[G], *options: Callable[[Callable[..., R]], Callable[..., R]]
) -> Callable[[Callable[..., R]], Callable[..., R]]:
    """Make a decorator that adds options to a command, which gets them as one dataclass.

    Args:
        name: of the command's parameter.
        group: the dataclass; its fields are the options' parameter names.
        options: made by `click.option`.
    """

    def add(command: Callable[..., R]) -> Callable[..., R]:
        @wraps(command)
        def with_group(*args: object, **values: object) -> R:
            given = {one.name: values.pop(one.name) for one in fields(group)}
            return command(*args, **{name: group(**given)}, **values)

        decorated: Callable[..., R] = with_group
        for option in reversed(options):
            decorated = option(decorated)
        return decorated

    return add


class Parsed(click.ParamType[T]):
    """Values that are parsed from a text; a subclass says how."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> T:
        """Parse the text; errors become those of the command line."""
        if not isinstance(value, str):
            # click converts a default, too, which may be parsed already.
            return cast(T, value)
        try:
            return self.parse(value.strip())
        except (InputError, ValueError) as error:
            self.fail(str(error), param, ctx)

    def parse(self, text: str) -> T:
        """Parse a text.

        Raises:
            InputError, ValueError: it is none; the message says what would be right.
        """
        raise NotImplementedError


class Time(Parsed[int]):
    """A time with its unit, such as 1.5ms or 20us, as picoseconds.

    Args:
        can_be_negative: whether it may lie before a capture's 0, as -20us does.
    """

    name = "time"

    def __init__(self, *, can_be_negative: bool = False) -> None:
        self._can_be_negative = can_be_negative

    def parse(self, text: str) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_time_ps

        time_ps = parse_time_ps(text)
        if time_ps < 0 and not self._can_be_negative:
            raise ValueError(f"{text} is negative")
        return time_ps


class Rate(Parsed[int]):
    """A rate with its unit, such as 24MHz, as hertz."""

    name = "rate"

    def parse(self, text: str) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_rate_hz

        return parse_rate_hz(text)


class Size(Parsed[int]):
    """A size with its unit, such as 500MB, as bytes."""

    name = "size"

    def parse(self, text: str) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_size_bytes

        return parse_size_bytes(text)


class PixelSize(Parsed[tuple[int, int]]):
    """A width and a height in pixels, such as 256x192."""

    name = "size"

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Return what the two stand for."""
        return "WIDTHxHEIGHT"

    def parse(self, text: str) -> tuple[int, int]:
        """Read the two numbers."""
        width, _, height = text.lower().partition("x")
        if not (width.isdecimal() and height.isdecimal()):
            raise ValueError(f"{text!r} is no size; write 256x192")
        return int(width), int(height)


class Address(Parsed[int]):
    """A processor address: 0xC000, $C000 or 49152."""

    name = "address"

    def parse(self, text: str) -> int:
        """Read the number and hold it to 16 bits."""
        try:
            number = int(text[1:], 16) if text.startswith("$") else int(text, 0)
        except ValueError:
            raise ValueError(f"{text!r} is no address; write 0xC000, $C000 or 49152") from None
        if not 0 <= number <= 0xFFFF:
            raise ValueError(f"{text} is outside the 64 KiB, $0000 to $FFFF")
        return number


class Count(Parsed[int]):
    """A whole number; 1_000_000 and 0x100 are read too.

    Args:
        first: the least.
        last: the most.
    """

    name = "count"

    def __init__(self, first: int = 0, last: int = (1 << 56) - 1) -> None:
        self._first = first
        self._last = last

    def parse(self, text: str) -> int:
        """Read the number and hold it to its bounds."""
        try:
            number = int(text, 0)
        except ValueError:
            raise ValueError(f"{text!r} is no whole number") from None
        if not self._first <= number <= self._last:
            raise ValueError(f"{number:,} is not between {self._first:,} and {self._last:,}")
        return number


class GivenSpeed(NamedTuple):
    """A speed that the user gave; `speed` None is as fast as possible."""

    speed: Speed


class SpeedParam(Parsed[GivenSpeed]):
    """How fast the machine's time goes: 1, 2, 1/4, 0.25, or `max`."""

    name = "speed"

    def parse(self, text: str) -> GivenSpeed:
        """Read the ratio."""
        # Loads NumPy, which --help can do without.
        from busplay.player.speed import parse_speed

        return GivenSpeed(parse_speed(text))


class PictureFile(NamedTuple):
    """Where a picture goes, and of which unit; `unit` None means all, side by side."""

    path: Path
    unit: str | None


def seed_option(name: str = "seed", *, default: int | None = None) -> Callable[[F], F]:
    """Make the option for the random seed, 1 unless it is given.

    Args:
        name: of the command's parameter.
        default: what the command gets where none is given; None: it chooses one itself.
    """
    return click.option(
        "--seed",
        name,
        type=Count(last=(1 << 63) - 1),
        metavar="NUMBER",
        default=default,
        help="Random seed.  [default: 1]",
    )


full_option = click.option("--full", is_flag=True, help="Print all tables and lists in full.")
load_option = click.option(
    "--load", "load_address", type=Address(), help="Load a raw PROGRAM at ADDRESS."
)


def _trust(context: click.Context, _: click.Parameter, trusted: bool) -> None:
    # Loaded here, as most commands need no core.
    from busplay.core.devices.make import trust_board_code

    trust_board_code(trusted=trusted)
    context.call_on_close(partial(trust_board_code, trusted=False))


trust_option = click.option(
    "--trust-board-code",
    is_flag=True,
    expose_value=False,
    callback=_trust,
    help="Run the Python files beside the board file that it names as devices.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")


def snapshot_option(text: str) -> Callable[[F], F]:
    """Make the option for pictures.

    Args:
        text: its help.
    """
    return click.option(
        "--snapshot",
        "snapshots",
        type=SnapshotParam(),
        multiple=True,
        metavar="FILE.png[@UNIT]",
        help=text,
    )


class SnapshotParam(click.ParamType[PictureFile]):
    """FILE.png, or FILE.png@UNIT for one unit alone."""

    name = "picture"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> PictureFile:
        """Split the unit off; only PNG is written."""
        if isinstance(value, PictureFile):
            return value
        text = str(value)
        # An @ in a folder's name is not a unit: only what follows the suffix counts.
        head, at, unit = text.rpartition("@")
        path, name = (head, unit) if at and head.lower().endswith(".png") else (text, None)
        return PictureFile(OutFile(".png").enter(Path(path), label_of(param)), name)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        """Complete the names of files."""
        return complete_file(incomplete)
