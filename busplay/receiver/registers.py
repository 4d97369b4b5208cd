"""A receiver's registers, and a kernel's progress through its batch.

The registers are the receiver's whole state: a snapshot, in a trace's key frames too, is a copy of
them, so their order is part of the trace format. The kernels trust them: a position past the
frame's end or an unknown state would index outside their tables. A snapshot may come from a
damaged file, so `require_possible` checks each against its range, and the counters against their
sum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busplay.receiver.rules import Rules

# Indexes of the registers (int64): first the state. FILLED: symbols in the window; POSITION:
# symbols of the incomplete frame; MAY_CORRECT: one invalid bit may be corrected; EXPECTED: the
# next sequence number, -1 if none was seen; WAS_ACTIVE: the strobe was active with the last
# symbol, or is unknown; FRAME_EDGE: first edge of the incomplete frame.
STATE, WINDOW, FILLED, POSITION, VALID_RUN, INVALID_RUN = range(6)
MAY_CORRECT, EXPECTED, WAS_ACTIVE, FRAME_EDGE = range(6, 10)
# Then the counters, and two entries that older traces have.
SYMBOLS_FED, SYMBOLS_SKIPPED, SYMBOLS_IDLE = range(10, 13)
FRAMES_RECEIVED, FRAMES_IDLE, CHECKS_FAILED, FRAMES_CORRECTED = range(13, 17)
FRAMES_ABORTED, FRAMES_MISSED, SYNCS_GAINED, SYNCS_LOST = range(17, 21)
REGISTERS_COUNT = 23
FIRST_COUNTER, STOP_COUNTER = SYMBOLS_FED, SYNCS_LOST + 1

# Indexes of a kernel's progress (int64): the next edge, slot and run of the batch; how many frames
# were copied, how many spans of the batch's own were delivered; how many entries the log has.
AT_EDGE, SLOT, RUN, COPIED, SPANS, LOGGED = range(6)
# For idle slots out of sync: age of the saved state, and how long it is kept.
HAS_SAVED, SAVED_COPIED, SAVED_LOGGED, SLOTS_SINCE, SLOTS_UNTIL = range(6, 11)
PROGRESS_COUNT = 11

# Sums of a few counters stay within 64 bits.
COUNT_MAX = 1 << 60


def require_possible(registers: NDArray[np.int64], rules: Rules) -> None:
    """Refuse registers that a receiver of the link cannot have.

    Args:
        registers: int64[REGISTERS_COUNT].
        rules: of the link.

    Raises:
        ValueError: names the register, its value and its range.
    """
    frame_symbols = rules.shape.frame_symbols
    ranges = {
        "state": (STATE, 0, 2),
        "symbols in the window": (FILLED, 0, frame_symbols),
        "position in the frame": (POSITION, 0, frame_symbols - 1),
        "run of valid frames": (VALID_RUN, 0, rules.confirm_frames),
        "run of invalid frames": (INVALID_RUN, 0, max(0, rules.release_frames - 1)),
        "readiness to correct": (MAY_CORRECT, 0, 1),
        "expected sequence number": (EXPECTED, -1, int(rules.sequence_mask)),
        "strobe": (WAS_ACTIVE, 0, 1),
        "frame's first edge": (FRAME_EDGE, 0, (1 << 63) - 1),
    }
    for name, (place, least, most) in ranges.items():
        if not least <= int(registers[place]) <= most:
            article = "an" if name[0] in "aeiou" else "a"
            found = int(registers[place])
            raise ValueError(f"{article} {name} of {found}, not {least} to {most}")
    window = int(registers[WINDOW].view(np.uint64))
    if window & ~int(rules.frame_mask):
        raise ValueError(f"a window of {window:X}, which has more bits than a frame")
    counts = registers[FIRST_COUNTER:STOP_COUNTER]
    if (counts < 0).any() or (counts > COUNT_MAX).any():
        raise ValueError(f"a count of {counts[(counts < 0) | (counts > COUNT_MAX)][0]}")
    frames = sum(int(registers[one]) for one in (FRAMES_RECEIVED, FRAMES_IDLE, CHECKS_FAILED))
    pending = int(registers[POSITION]) if int(registers[STATE]) == 2 else 0
    symbols = frame_symbols * frames + pending
    symbols += int(registers[SYMBOLS_SKIPPED]) + int(registers[SYMBOLS_IDLE])
    if symbols != int(registers[SYMBOLS_FED]):
        raise ValueError(f"{registers[SYMBOLS_FED]} symbols fed, of which {symbols} are counted")
