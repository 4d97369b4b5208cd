"""How far a decode or a drawing is, on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack

import click

from busplay.capture.decode import CaptureDecoder
from busplay.cli.progress import capture_progress, late_bar
from busplay.conversion.decode import DecodeWatch
from busplay.formats.capture import Capture


def decode_progress(stack: ExitStack) -> DecodeWatch:
    """Return what shows how far a decode is, what was found, and the time left."""
    return _DecodeProgress(stack)


def drawing_progress(stack: ExitStack) -> Callable[[int, int], None]:
    """Return what to call with how much is drawn and how much there is."""
    moves: list[Callable[[int], None]] = []

    def move(edge: int, stop_edge: int) -> None:
        if not moves:
            moves.append(stack.enter_context(late_bar(stop_edge, label="drawing")))
        moves[0](edge)

    return move


class _DecodeProgress(DecodeWatch):
    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self._text = ""
        self._move: Callable[[], None] = lambda: None
        self._has_tried = False

    def opened(self, capture: Capture) -> None:
        bar = capture_progress(capture, label="decoding", text=lambda: self._text)
        self._move = self._stack.enter_context(bar)

    def tried(self, maps: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"\rtried {maps:,} maps ", nl=False, err=True)
            self._has_tried = True

    def moved(self, decoder: CaptureDecoder) -> None:
        if self._has_tried:
            click.echo("\r" + " " * 30 + "\r", nl=False, err=True)
            self._has_tried = False
        seen = decoder.receiver.counters
        damaged = seen.checks_failed + seen.frames_aborted
        self._text = f"{seen.frames_received:,} frames, {damaged:,} damaged"
        self._move()
