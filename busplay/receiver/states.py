"""How a receiver gains sync, and why it loses it: one table.

How to think about it. A receiver is in one of three states, as in ITU-T I.432.1. Whatever happens
to it is one of a few events; for each state and event the table has the next state, the counter
and the log entry. Both speeds of the receiver (word by word, symbol by symbol) change state in
`enter` and nowhere else. The framings differ in what causes the events:

- `check`: a valid word at any alignment is FOUND; `confirm_frames` valid words from there on are
  CONFIRMED; an invalid one among them ends the attempt.
- `marker`, rule `confirm`: the same, for words that begin with the marker. Rule `unique`: such a
  word is CONFIRMED at once, and DISPLACED if it comes in sync where no frame ends.
- `strobe`: the first active strobe is CONFIRMED. A strobe that comes early, or that is dropped
  within a frame it should be held for, makes the frame ABORTED. The receiver stays in SYNC: the
  next strobe begins the next frame.

Follows: ITU-T I.432.1, cell delineation (hunt, presync, sync; DELTA `confirm_frames`, ALPHA
`release_frames`), read in a maker's data sheet that restates it. Departs: positions are symbols,
not octets, and after a failed attempt the search continues with the symbol after that frame, the
best that a receiver with memory for one frame can do.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.receiver.registers import (
    AT_EDGE,
    CHECKS_FAILED,
    FRAMES_ABORTED,
    FRAMES_CORRECTED,
    INVALID_RUN,
    LOGGED,
    MAY_CORRECT,
    STATE,
    SYMBOLS_FED,
    SYNCS_GAINED,
    SYNCS_LOST,
    VALID_RUN,
)
from busplay.receiver.stretch import Reception


class State(IntEnum):
    """What the receiver knows about where frames begin."""

    HUNT = 0
    """Nothing: it tests every alignment."""
    PRESYNC = 1
    """It has an alignment, and counts valid frames to confirm it."""
    SYNC = 2
    """In sync: every frame is judged, valid ones are delivered."""


class Event(IntEnum):
    """What can happen to a receiver."""

    FOUND = 0
    """A valid frame at an alignment that needs confirming."""
    CONFIRMED = 1
    """The last of the confirming frames, or an alignment that needs none."""
    VALID = 2
    """A valid frame."""
    INVALID = 3
    """An invalid frame that cannot be corrected."""
    CORRECTED = 4
    """A frame with one invalid bit, which was corrected."""
    RELEASED = 5
    """`release_frames` consecutive frames were invalid."""
    DISPLACED = 6
    """A unique marker where no frame begins."""
    ABORTED = 7
    """The incomplete frame will not be completed."""


class LogKind(IntEnum):
    """Kinds of entry in the receiver's log."""

    CHECK_FAILED = 0
    """A judged frame was invalid and could not be corrected."""
    CORRECTED = 1
    """A judged frame had one invalid bit, which was corrected."""
    ABORTED = 2
    """A frame was aborted before its last symbol."""
    SYNC_LOST = 3
    """The receiver left SYNC, after the frames that the entry concerns."""
    SYNC_GAINED = 4
    """The receiver entered SYNC; frames from here on are judged."""


# state, event, next state, counter, log entry. In SYNC a valid frame counts as received or idle,
# which does not affect the state.
TRANSITIONS: tuple[tuple[State, Event, State, int | None, LogKind | None], ...] = (
    (State.HUNT, Event.FOUND, State.PRESYNC, None, None),
    (State.HUNT, Event.CONFIRMED, State.SYNC, SYNCS_GAINED, LogKind.SYNC_GAINED),
    (State.PRESYNC, Event.VALID, State.PRESYNC, None, None),
    (State.PRESYNC, Event.CONFIRMED, State.SYNC, SYNCS_GAINED, LogKind.SYNC_GAINED),
    (State.PRESYNC, Event.INVALID, State.HUNT, None, None),
    (State.SYNC, Event.VALID, State.SYNC, None, None),
    (State.SYNC, Event.CORRECTED, State.SYNC, FRAMES_CORRECTED, LogKind.CORRECTED),
    (State.SYNC, Event.INVALID, State.SYNC, CHECKS_FAILED, LogKind.CHECK_FAILED),
    (State.SYNC, Event.ABORTED, State.SYNC, FRAMES_ABORTED, LogKind.ABORTED),
    (State.SYNC, Event.RELEASED, State.HUNT, SYNCS_LOST, LogKind.SYNC_LOST),
    (State.SYNC, Event.DISPLACED, State.HUNT, SYNCS_LOST, LogKind.SYNC_LOST),
)

# The same for the kernels. An event that cannot occur in a state changes nothing.
NEXT, COUNTER, LOG_ENTRY, TABLE_COLUMNS = range(4)
NOTHING = -1
HUNT, PRESYNC, SYNC = (int(state) for state in State)
# Numba compiles a kernel anew for each plain int argument; not for these constants.
FOUND, CONFIRMED, VALID, INVALID, CORRECTED, RELEASED, DISPLACED, ABORTED = map(np.int64, Event)


def _table() -> NDArray[np.int64]:
    """Return int64[states, events, columns]."""
    table = np.full((len(State), len(Event), TABLE_COLUMNS), NOTHING, np.int64)
    for state in State:
        table[state, :, NEXT] = state
    for state, event, following, counter, entry in TRANSITIONS:
        row = (following, counter, entry)
        table[state, event] = [NOTHING if one is None else one for one in row]
    return table


TABLE = _table()
# Columns of the log (int64): kind; link edge after the entry's last symbol; first of the symbols
# fed that it concerns, and the one after the last. Then the most entries that one symbol causes.
LOG_KIND, LOG_EDGE, LOG_FIRST, LOG_STOP, LOG_COLUMNS = range(5)
LOG_AT_ONCE = 3


@kernel
def enter(event: np.int64, index: int, symbols: int, reception: Reception) -> None:
    """Change state as the table has it for an event.

    Args:
        event: an `Event`.
        index: how many symbols of the line were processed.
        symbols: how many symbols before there it concerns.
    """
    registers, progress, log = reception.registers, reception.progress, reception.log
    before = registers[STATE]
    following, counter = TABLE[before, event, NEXT], TABLE[before, event, COUNTER]
    if counter != NOTHING:
        registers[counter] += 1
    if following != before:
        registers[STATE] = following
        registers[VALID_RUN] = 0
        registers[INVALID_RUN] = 0
        if following == SYNC:
            registers[MAY_CORRECT] = 1
    if TABLE[before, event, LOG_ENTRY] != NOTHING and len(log) > 0:
        entry, stop = log[progress[LOGGED]], registers[SYMBOLS_FED] + index
        entry[LOG_KIND] = TABLE[before, event, LOG_ENTRY]
        entry[LOG_EDGE] = progress[AT_EDGE] + index
        entry[LOG_FIRST] = stop - symbols
        entry[LOG_STOP] = stop
        progress[LOGGED] += 1
