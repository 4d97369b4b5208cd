"""Say that the first run on a machine compiles, so that nobody takes the wait for a hang."""

from __future__ import annotations

import click
from numba.core import event

COMPILING = "numba:compile"


class _Teller(event.Listener):
    """Prints one line at the first loop that no cache has, and none if all are there."""

    def __init__(self) -> None:
        self._told = False

    def on_start(self, event: event.Event) -> None:
        """Hear that a loop is being compiled."""
        if not self._told:
            self._told = True
            click.echo(
                "busplay: compiling for this machine; only the first run waits for it", err=True
            )

    def on_end(self, event: event.Event) -> None:
        """Hear that it is done."""


def tell_of_compiling() -> None:
    """Print a line on standard error as soon as something has to be compiled."""
    event.register(COMPILING, _Teller())  # type: ignore[no-untyped-call]
