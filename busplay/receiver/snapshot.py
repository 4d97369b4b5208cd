"""What a receiver's registers can hold: a snapshot may come from a damaged file.

The machine trusts its registers: a position past the frame's end or a state that is none would
send it outside its tables. So each is held to its range, and the counters to the sum that they
keep.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.receiver import machine
from busplay.receiver.geometry import MachineGeometry

# Sums of a few counters stay within 64 bits.
COUNT_MAX = 1 << 60


def require_possible(registers: NDArray[np.int64], tables: MachineGeometry) -> None:
    """Refuse registers that no receiver of this layout can have.

    Args:
        registers: int64[STATE_COUNT].
        tables: of the layout.

    Raises:
        ValueError: names the register, what it holds and what it could.
    """
    geometry = tables.geometry
    frame_symbols = int(geometry[machine.FRAME_SYMBOLS])
    release_frames = int(geometry[machine.RELEASE_FRAMES])
    sequence_mask = (1 << int(geometry[machine.SEQUENCE_BITS])) - 1
    ranges = {
        "state": (machine.STATE, 0, machine.SYNC),
        "symbols in the window": (machine.FILLED, 0, frame_symbols),
        "position in the frame": (machine.POSITION, 0, frame_symbols - 1),
        "run of right frames": (machine.RIGHT_RUN, 0, int(geometry[machine.CONFIRM_FRAMES])),
        "run of wrong frames": (machine.WRONG_RUN, 0, max(0, release_frames - 1)),
        "readiness to mend": (machine.IS_ARMED, 0, 1),
        "expected sequence number": (machine.EXPECTED, -1, sequence_mask),
        "strobe": (machine.IS_ACTIVE, 0, 1),
        "frame's first edge": (machine.FRAME_EDGE, 0, (1 << 63) - 1),
    }
    for name, (place, least, most) in ranges.items():
        if not least <= int(registers[place]) <= most:
            article = "an" if name[0] in "aeiou" else "a"
            found = int(registers[place])
            raise ValueError(f"{article} {name} of {found}, not {least} to {most}")
    window = int(registers[machine.WINDOW].view(np.uint64))
    if window & ~int(tables.masks[machine.FRAME_MASK]):
        raise ValueError(f"a window of {window:X}, which has more bits than a frame")
    counts = registers[machine.FIRST_COUNTER : machine.STOP_COUNTER]
    if (counts < 0).any() or (counts > COUNT_MAX).any():
        raise ValueError(f"a count of {counts[(counts < 0) | (counts > COUNT_MAX)][0]}")
    in_sync = int(registers[machine.STATE]) == machine.SYNC
    frames = sum(int(registers[one]) for one in (machine.RECEIVED, machine.IDLE, machine.FAILED))
    symbols = frame_symbols * frames + int(registers[machine.POSITION]) * in_sync
    symbols += int(registers[machine.SKIPPED]) + int(registers[machine.REST])
    if symbols != int(registers[machine.FED]):
        raise ValueError(f"{registers[machine.FED]} symbols fed, of which {symbols} are told")
