"""A notice that the first run on a machine compiles, so that nobody takes the wait for a hang."""

from __future__ import annotations

import functools

import click

from busplay.jit import on_compiling


@functools.cache
def tell_of_compiling() -> None:
    """Print a line on standard error as soon as something has to be compiled."""
    on_compiling(_tell)


@functools.cache
def _tell() -> None:
    click.echo("busplay: compiling for this machine; only the first run waits for it", err=True)
