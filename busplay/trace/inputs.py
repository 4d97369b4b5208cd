"""Key presses in a trace: key code and processor cycle."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from busplay.trace.container import Where

_PRESS = struct.Struct("<QB")
PRESSES_MAX = 4_096


@dataclass(frozen=True, slots=True)
class KeyPress:
    """One key pressed on the host port.

    Attributes:
        cycle: processor cycle from which the program can see it.
        code: key code, 0 to 255.
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
    if not payload or len(payload) % _PRESS.size:
        raise where.error(f"{len(payload):,} bytes", f"each key press takes {_PRESS.size}")
    if len(payload) > PRESSES_MAX * _PRESS.size:
        raise where.error(
            f"{len(payload) // _PRESS.size:,} key presses", f"a chunk has up to {PRESSES_MAX:,}"
        )
    presses = [KeyPress(cycle, code) for cycle, code in _PRESS.iter_unpack(payload)]
    for before, after in pairwise(presses):
        if after.cycle < before.cycle:
            raise where.error(
                f"cycle {after.cycle:,} after cycle {before.cycle:,}", "cycles never fall"
            )
    where.require_totals(cycle=presses[-1].cycle)
    return presses
