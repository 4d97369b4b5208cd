"""Options that had another name: refused, with the name that they have now."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import click

F = TypeVar("F", bound=Callable[..., object])


def renamed(old: str, new: str) -> Callable[[F], F]:
    """Refuse an option's old name on a command.

    Args:
        old: such as `--mend`.
        new: what says the same now, such as `--correct`.

    Returns:
        A decorator; the command's function does not get to know the old name.
    """

    def refuse(context: click.Context, param: click.Parameter, value: str | None) -> None:
        if value is not None:
            raise click.UsageError(f"{old} is now {new}", context)

    return click.option(
        old,
        # The old name's own key may be that of another option now.
        f"renamed_{old.strip('-').replace('-', '_')}",
        # Some were flags and some took a value; both are read, so that both get the answer.
        is_flag=False,
        flag_value="",
        hidden=True,
        is_eager=True,
        expose_value=False,
        callback=refuse,
    )
