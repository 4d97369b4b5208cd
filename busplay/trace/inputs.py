"""Inputs of a recorded program: key presses, and presses of the reset button.

Same board, same program, same inputs: same frames. So a trace holds them, each with its processor
cycle.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, takewhile

from busplay.trace.container import KEYS, RESETS, TOTAL_MAX, Where

_PRESS = struct.Struct("<QB")
_RESET = struct.Struct("<Q")
INPUTS_MAX = 4_096


@dataclass(frozen=True, slots=True)
class KeyPress:
    """One key pressed on the host port.

    Attributes:
        cycle: processor cycle from which the program can see it.
        code: key code, 1 to 255.
    """

    cycle: int
    code: int


def pack_presses(presses: Sequence[KeyPress]) -> bytes:
    """Pack key presses in their order."""
    return b"".join(_PRESS.pack(press.cycle, press.code) for press in presses)


def parse_presses(payload: memoryview, *, where: Where) -> list[KeyPress]:
    """Parse key presses.

    Raises:
        InputError: it is not such a payload.
    """
    _require_rows(payload, _PRESS.size, "key press", "key presses", where=where)
    presses = [KeyPress(cycle, code) for cycle, code in _PRESS.iter_unpack(payload)]
    for before, after in pairwise(presses):
        require_order(before.cycle, after.cycle, where=where)
    if not all(press.code for press in presses):
        raise where.error("key code 0", "a key code is 1 to 255")
    where.require_totals(cycle=presses[-1].cycle)
    return presses


def pack_resets(cycles: Sequence[int]) -> bytes:
    """Pack the cycles of resets in their order."""
    return b"".join(map(_RESET.pack, cycles))


def parse_resets(payload: memoryview, *, where: Where) -> list[int]:
    """Parse the cycles of resets.

    Raises:
        InputError: it is not such a payload.
    """
    _require_rows(payload, _RESET.size, "reset", "resets", where=where)
    cycles = [cycle for (cycle,) in _RESET.iter_unpack(payload)]
    for before, after in pairwise(cycles):
        require_order(before, after, where=where)
    where.require_totals(cycle=cycles[-1])
    return cycles


def require_order(before: int, after: int, *, where: Where) -> None:
    """Refuse a cycle before the previous one's.

    Raises:
        InputError: it is.
    """
    if after < before:
        raise where.error(f"cycle {after:,} after cycle {before:,}", "cycles never fall")


def _require_rows(
    payload: memoryview, row_bytes: int, noun: str, plural: str, *, where: Where
) -> None:
    if not payload or len(payload) % row_bytes:
        raise where.error(f"{len(payload):,} bytes", f"each {noun} takes {row_bytes}")
    if len(payload) > INPUTS_MAX * row_bytes:
        raise where.error(
            f"{len(payload) // row_bytes:,} {plural}", f"a chunk has up to {INPUTS_MAX:,}"
        )


class WaitingInputs:
    """Inputs that wait for the frames of their time to be written."""

    def __init__(self) -> None:
        self._presses: list[KeyPress] = []
        self._resets: list[int] = []
        self._press_cycle = self._reset_cycle = 0

    def press(self, cycle: int, code: int) -> None:
        """Add a key press; errors as for `TraceFileWriter.press`."""
        if not 1 <= code <= 255:
            raise ValueError(f"a key's code is 1 to 255, not {code}")
        _require_cycle(cycle, self._press_cycle)
        self._presses.append(KeyPress(cycle, code))
        self._press_cycle = cycle

    def reset(self, cycle: int) -> None:
        """Add a reset; errors as for `TraceFileWriter.reset`."""
        _require_cycle(cycle, self._reset_cycle)
        self._resets.append(cycle)
        self._reset_cycle = cycle

    def take(self, is_due: Callable[[int], bool]) -> Iterator[tuple[bytes, bytes]]:
        """Remove the inputs whose cycle is due, and yield type and payload of their chunks."""
        presses = list(takewhile(lambda press: is_due(press.cycle), self._presses))
        resets = list(takewhile(is_due, self._resets))
        del self._presses[: len(presses)], self._resets[: len(resets)]
        for first in range(0, len(presses), INPUTS_MAX):
            yield KEYS, pack_presses(presses[first : first + INPUTS_MAX])
        for first in range(0, len(resets), INPUTS_MAX):
            yield RESETS, pack_resets(resets[first : first + INPUTS_MAX])


def _require_cycle(cycle: int, before: int) -> None:
    if not 0 <= cycle <= TOTAL_MAX:
        raise ValueError(f"a cycle has 62 bits, so {cycle} is none")
    if cycle < before:
        raise ValueError(f"cycle {cycle} comes after cycle {before}")
