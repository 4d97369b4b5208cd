"""Kinds of option values that several commands take, each exact and each with a clear refusal."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from busplay.cli.files import OutFile, label_of
from busplay.errors import InputError

if TYPE_CHECKING:
    from busplay.player.speed import Speed


class Seconds(click.ParamType[Fraction]):
    """A span in seconds such as 2, 0.5 or 1/60, kept as a fraction."""

    name = "seconds"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Fraction:
        """Read the number; negative spans are refused."""
        try:
            span = Fraction(str(value).strip().replace("_", ""))
        except (ValueError, ZeroDivisionError):
            self.fail(f"{value!r} is no number of seconds; write 2, 0.5 or 1/60", param, ctx)
        if span < 0:
            self.fail(f"{value} is negative; time only goes forward", param, ctx)
        return span


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


class SnapshotParam(click.ParamType[Snapshot]):
    """FILE.png, or FILE.png@UNIT for one unit alone."""

    name = "FILE.png[@unit]"

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
