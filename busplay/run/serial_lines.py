"""Where the serial lines of a board's devices lead: the console, files, pseudo-terminals.

Only a session has them; a rerun of a recorded program reads and writes nothing. What comes in over
a pseudo-terminal is pressed as keys are, so that it stands in the trace and a rerun has it too.
"""

from __future__ import annotations

import os
import select
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import BinaryIO

from busplay.description.board import Board
from busplay.description.devices import Acia6551
from busplay.errors import InputError
from busplay.whole_file import no_way_to_write, require_other_file

_READ_BYTES = 4096


def _is_in_foreground(descriptor: int) -> bool:
    """Return whether a terminal is this process's to read: not if it runs in the background."""
    try:
        return os.tcgetpgrp(descriptor) == os.getpgrp()
    except OSError:
        # It controls no processes, such as one end of a pseudo-terminal.
        return True


class SerialLines:
    """The other ends of a board's serial lines.

    Args:
        board: the description.
        inputs: files that no line may write to.

    Attributes:
        terminals: path of each device's pseudo-terminal, by the device's name.
        bytes_dropped: bytes that a pseudo-terminal had no room for, since nobody reads it.

    Raises:
        InputError: this system has no pseudo-terminals.
        OutputError: a line's file is one of the inputs.
    """

    def __init__(self, board: Board, *inputs: str | os.PathLike[str] | None) -> None:
        self._lines = {one.name: one for one in board.devices if isinstance(one, Acia6551)}
        self._files: dict[str, BinaryIO] = {}
        self._masters: dict[str, int] = {}
        self._terminal: int | None = None
        self._closing = ExitStack()
        self.terminals: dict[str, str] = {}
        self.bytes_dropped = 0
        for name, line in self._lines.items():
            require_other_file(line.output, line.input, board.file, *inputs)
            if line.line == "pty":
                self._open_terminal(name)

    def _open_terminal(self, name: str) -> None:
        try:
            # Not on every system.
            import tty

            master, slave = os.openpty()
            tty.setraw(slave)
        except (AttributeError, ImportError, OSError) as error:
            raise InputError(
                place=f"device {name}",
                found='line = "pty"',
                wanted='this system has no pseudo-terminals, so say "console" or "file"',
            ) from error
        # The slave stays open, so that a terminal program may come and go.
        self._closing.callback(os.close, slave)
        self._closing.callback(os.close, master)
        os.set_blocking(master, False)
        self._masters[name] = master
        self.terminals[name] = os.ttyname(slave)

    def attach_terminal(self, descriptor: int) -> None:
        """Take what comes in over a terminal or a pipe as keys, if a line leads to the console.

        A terminal gives each key at once from now on, and is as it was after `close`.

        Args:
            descriptor: of the file, such as standard input's.
        """
        if all(line.line != "console" for line in self._lines.values()):
            return
        try:
            # Not on every system, or not of every file.
            import termios
            import tty

            if os.isatty(descriptor):
                if not _is_in_foreground(descriptor):
                    # The terminal would stop it.
                    return
                before = termios.tcgetattr(descriptor)
                tty.setcbreak(descriptor)
                self._closing.callback(termios.tcsetattr, descriptor, termios.TCSADRAIN, before)
        except (ImportError, OSError):
            return
        self._terminal = descriptor

    def _typed(self) -> bytes:
        """Return what was typed, with returns for new lines as a keyboard has them."""
        if self._terminal is None or not select.select([self._terminal], [], [], 0)[0]:
            return b""
        found = os.read(self._terminal, _READ_BYTES)
        if not found:
            self._terminal = None
        return found.replace(b"\n", b"\r")

    def send(self, sent: dict[str, bytes]) -> bytes:
        """Pass on what devices sent; return what goes to the console.

        Raises:
            OutputError: a file cannot be written.
        """
        console = bytearray()
        for name, data in sent.items():
            line = self._lines[name]
            if line.line == "console":
                console += data
            elif line.output is not None:
                self._write(name, line.output, data)
            elif name in self._masters:
                written = 0
                with suppress(BlockingIOError):
                    written = os.write(self._masters[name], data)
                self.bytes_dropped += len(data) - written
        return bytes(console)

    def _write(self, name: str, path: Path, data: bytes) -> None:
        try:
            if name not in self._files:
                # Whoever looks at the file sees what was sent so far.
                stream = path.open("wb", buffering=0)
                self._files[name] = self._closing.enter_context(stream)
            self._files[name].write(data)
        except OSError as error:
            raise no_way_to_write(path, error) from error

    def received(self) -> bytes:
        """Return what came in over pseudo-terminals and the terminal since the last call."""
        found = bytearray(self._typed())
        for master in self._masters.values():
            with suppress(BlockingIOError, OSError):
                found += os.read(master, _READ_BYTES)
        return bytes(found)

    def close(self) -> None:
        """Close files and pseudo-terminals."""
        self._closing.close()
        self._files.clear()
        self._masters.clear()
        self._terminal = None
