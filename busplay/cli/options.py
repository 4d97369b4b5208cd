"""Kinds of option values that several commands take, each exact and each with a clear refusal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

from busplay.cli.files import OutFile, label_of
from busplay.errors import InputError

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from busplay.player.speed import Speed


F = TypeVar("F", bound=Callable[..., object])
R = TypeVar("R")
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


class Time(click.ParamType[int]):
    """A time with its unit, such as 1.5ms or 20us, as picoseconds.

    Args:
        can_be_negative: whether it may lie before a capture's 0, as -20us does.
    """

    name = "time"

    def __init__(self, *, can_be_negative: bool = False) -> None:
        self._can_be_negative = can_be_negative

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_time_ps

        if isinstance(value, int):
            return value
        try:
            time_ps = parse_time_ps(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)
        if time_ps < 0 and not self._can_be_negative:
            self.fail(f"{value} is negative", param, ctx)
        return time_ps


class Rate(click.ParamType[int]):
    """A rate with its unit, such as 24MHz, as hertz."""

    name = "rate"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_rate_hz

        if isinstance(value, int):
            return value
        try:
            return parse_rate_hz(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


class Size(click.ParamType[int]):
    """A size with its unit, such as 500MB, as bytes."""

    name = "size"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number and its unit."""
        from busplay.formats.quantities import parse_size_bytes

        if isinstance(value, int):
            return value
        try:
            return parse_size_bytes(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


class Address(click.ParamType[int]):
    """A processor address: 0xC000, $C000 or 49152."""

    name = "address"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number and hold it to 16 bits."""
        text = str(value).strip()
        try:
            number = int(text[1:], 16) if text.startswith("$") else int(text, 0)
        except ValueError:
            self.fail(f"{value!r} is no address; write 0xC000, $C000 or 49152", param, ctx)
        if not 0 <= number <= 0xFFFF:
            self.fail(f"{value} is outside the 64 KiB, $0000 to $FFFF", param, ctx)
        return number


class Count(click.ParamType[int]):
    """A whole number of 0 or more; 1_000_000 and 0x100 are read too."""

    name = "count"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """Read the number."""
        try:
            number = int(str(value).strip(), 0)
        except ValueError:
            self.fail(f"{value!r} is no whole number", param, ctx)
        if not 0 <= number < 1 << 56:
            self.fail(f"{value} is not between 0 and 2^56", param, ctx)
        return number


class GivenSpeed(NamedTuple):
    """A speed that the user gave; `speed` None is as fast as it can."""

    speed: Speed


class SpeedParam(click.ParamType[GivenSpeed]):
    """How fast the machine's time goes: 1, 2, 1/4, 0.25, or `max`."""

    name = "speed"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> GivenSpeed:
        """Read the ratio."""
        # Loads NumPy, which --help can do without.
        from busplay.player.speed import parse_speed

        if isinstance(value, GivenSpeed):
            return value
        try:
            return GivenSpeed(parse_speed(str(value)))
        except InputError as error:
            self.fail(str(error), param, ctx)


class Snapshot(NamedTuple):
    """Where a picture goes, and of which unit; `unit` None means all, side by side."""

    path: Path
    unit: str | None


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


class SnapshotParam(click.ParamType[Snapshot]):
    """FILE.png, or FILE.png@UNIT for one unit alone."""

    name = "picture"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Snapshot:
        """Split the unit off; only PNG is written."""
        if isinstance(value, Snapshot):
            return value
        text = str(value)
        # An @ in a folder's name is not a unit: only what follows the suffix counts.
        head, at, unit = text.rpartition("@")
        path, name = (head, unit) if at and head.lower().endswith(".png") else (text, None)
        return Snapshot(OutFile(".png").enter(Path(path), label_of(param)), name)
