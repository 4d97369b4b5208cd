"""What a parser may take of the machine, and how that is held.

The limits are those of a user who opens a file of 64 kB: 5 s of the processor's time, 300 MB.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType

from busplay.errors import InputError

INPUT_BYTES_MOST = 1 << 16
MEMORY_MB_MOST = 300
PROCESSOR_S_MOST = 5.0
MESSAGE_CHARACTERS_MOST = 1_000
_STATUS = Path("/proc/self/status")
_CLEAR = Path("/proc/self/clear_refs")
_RESET_PEAK = "5"


class LimitExceededError(Exception):
    """A parser took more time or memory than an input of its size is worth."""


def parse_within_limits(parse: Callable[[bytes], object], content: bytes) -> bool:
    """Run a parser on some bytes; return whether it took them.

    Returns:
        True if they were parsed, False if they were refused with an `InputError`.

    Raises:
        LimitExceededError: it took too long, or too much memory (measured where the system
            tells the peak of a process, as Linux does).
        Exception: whatever else the parser raised, which is a bug.
    """
    before_mb = _reset_peak_mb()
    begun_s = time.process_time()
    message = ""
    with _alarm():
        try:
            parse(content)
        except InputError as error:
            message = str(error)
    # One line that a terminal can show, and not endless.
    assert message.isprintable()
    assert len(message) < MESSAGE_CHARACTERS_MOST
    spent_s = time.process_time() - begun_s
    if spent_s > PROCESSOR_S_MOST:
        raise LimitExceededError(f"{len(content):,} bytes took {spent_s:.1f} s")
    grown_mb = _peak_mb() - before_mb
    if grown_mb > MEMORY_MB_MOST:
        raise LimitExceededError(f"{len(content):,} bytes took {grown_mb:,.0f} MB")
    return not message


class _alarm:  # noqa: N801 - reads as a verb at its only use
    """Interrupts a parser that does not end; only the main thread of a Unix process can."""

    def __enter__(self) -> None:
        self._is_set = hasattr(signal, "setitimer") and (
            threading.current_thread() is threading.main_thread()
        )
        if self._is_set:
            self._before = signal.signal(signal.SIGPROF, _stop)
            signal.setitimer(signal.ITIMER_PROF, PROCESSOR_S_MOST + 1)

    def __exit__(self, *_: object) -> None:
        if self._is_set:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.signal(signal.SIGPROF, self._before)


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise LimitExceededError(f"it goes on after {PROCESSOR_S_MOST + 1:.0f} s")


def _reset_peak_mb() -> float:
    """Begin to measure the peak anew; return the memory in use."""
    try:
        _CLEAR.write_text(_RESET_PEAK)
    except OSError:
        return 0.0
    return _status_mb("VmRSS:")


def _peak_mb() -> float:
    return _status_mb("VmHWM:")


def _status_mb(name: str) -> float:
    try:
        lines = _STATUS.read_text(encoding="ascii").splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1000 for line in lines if line.startswith(name)), 0.0)
