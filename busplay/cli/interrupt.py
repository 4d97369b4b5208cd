"""Ctrl-C, heard where what was done so far is whole."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import click

INTERRUPTED_STATUS = 130


def say_interrupted(more: str = "") -> int:
    """Print on standard error that the command was interrupted; return its exit status."""
    click.echo(f"busplay: interrupted{more}", err=True)
    # CPython 3.11 remembers an interrupt within `exec` (a dataclass that is being made) and ends
    # `python -m busplay` by the signal, whatever was caught since; the next `exec` forgets it.
    exec("")
    return INTERRUPTED_STATUS


@dataclass
class HeldInterrupt:
    """Whether Ctrl-C was pressed while it was held back."""

    pressed: bool = False


@contextmanager
def hold_interrupt() -> Iterator[HeldInterrupt]:
    """Hold Ctrl-C back while the block runs and say afterwards whether it was pressed.

    Pressed twice it interrupts the block, whatever that leaves.
    """
    held = HeldInterrupt()
    # Shells have background jobs ignore it; other threads are never interrupted.
    if (
        threading.current_thread() is not threading.main_thread()
        or signal.getsignal(signal.SIGINT) is not signal.default_int_handler
    ):
        yield held
        return

    def note(*_: object) -> None:
        if held.pressed:
            raise KeyboardInterrupt
        held.pressed = True

    signal.signal(signal.SIGINT, note)
    try:
        yield held
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C back until the block is done, and interrupt then.

    Raises:
        KeyboardInterrupt: it was pressed.
    """
    with hold_interrupt() as held:
        yield
    if held.pressed:
        raise KeyboardInterrupt
