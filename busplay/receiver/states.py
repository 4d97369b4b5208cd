"""When a receiver comes into sync, and why it leaves it: one table.

How to think about it. What a receiver knows of where frames begin is one of three states, as in
ITU-T I.432.1. Whatever happens to it is one of a few events; the table says, for each state and
event, which state comes next, what is counted, and what the log says. Both speeds of the
receiver (word by word, symbol by symbol) take their steps here and nowhere else: `enter`. The
framings differ in what causes the events:

- `check`: a valid word at any place is FOUND; `confirm_frames` valid ones from there on make it
  CONFIRMED, an invalid one among them ends that.
- `marker`, rule `confirm`: the same, for words that begin with the marker. Rule `unique`: such a
  word is CONFIRMED at once, and in sync it is DISPLACED where no frame ends.
- `strobe`: the first active strobe is CONFIRMED. A strobe that comes early, or that is dropped
  within a frame it should be held for, makes the frame ABORTED. A strobe never leaves SYNC: the
  next one tells where to go on.

Follows: ITU-T I.432.1, cell delineation (hunt, presync, sync; DELTA `confirm_frames`, ALPHA
`release_frames`), read in a maker's data sheet that restates it. Departs: positions are symbols,
not octets, and after a refuted place the search goes on with the symbol behind that frame, as a
receiver that keeps no more than one frame can do no better.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from busplay.jit import kernel
from busplay.receiver.registers import (
    CHECKS_FAILED,
    FRAMES_ABORTED,
    FRAMES_CORRECTED,
    INVALID_RUN,
    LOGGED,
    MAY_CORRECT,
    STATE,
    SYNCS_GAINED,
    SYNCS_LOST,
    VALID_RUN,
)


class State(IntEnum):
    """What the receiver knows about where frames begin."""

    HUNT = 0
    """Nothing: it looks at every symbol for a place where a frame may begin."""
    PRESYNC = 1
    """It has a place and counts valid frames from there before it believes it."""
    SYNC = 2
    """It is in sync: every frame is judged, valid ones are delivered."""


class Event(IntEnum):
    """What can happen to a receiver."""

    FOUND = 0
    """A valid frame at a place that needs confirming."""
    CONFIRMED = 1
    """The last of the frames that confirm a place, or a place that needs none."""
    VALID = 2
    """A valid frame."""
    INVALID = 3
    """A frame whose check or constants fail, and that cannot be corrected."""
    CORRECTED = 4
    """A frame that was invalid by one bit, which was corrected."""
    RELEASED = 5
    """`release_frames` frames running were invalid."""
    DISPLACED = 6
    """A unique marker stood where no frame begins."""
    ABORTED = 7
    """The frame on its way in will have no end."""


class LogKind(IntEnum):
    """What the receiver's log can say."""

    CHECK_FAILED = 0
    """A judged frame was invalid and could not be corrected."""
    CORRECTED = 1
    """A judged frame was invalid by one bit and was corrected."""
    ABORTED = 2
    """A frame was aborted before its last symbol."""
    SYNC_LOST = 3
    """The receiver left SYNC: after the frames it is about."""
    SYNC_GAINED = 4
    """The receiver came into sync: what follows is judged."""


# state, event, next state, what is counted, what the log says. In SYNC a valid frame counts as
# received or idle, which the state does not depend on.
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

# The same for the kernels. An event that a state cannot meet changes nothing.
NEXT, COUNTER, LOG_ENTRY, TABLE_COLUMNS = range(4)
NOTHING = -1
HUNT, PRESYNC, SYNC = (int(state) for state in State)
# Numba compiles a kernel anew for each plain number that it is called with; not for these.
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
# Columns of the log (int64): what it is; link edge after the last symbol of the entry; first of
# the symbols fed that it is about, and the one after the last. How many entries one symbol can
# cause.
LOG_KIND, LOG_EDGE, LOG_FIRST, LOG_STOP, LOG_COLUMNS = range(5)
LOG_AT_ONCE = 3


@kernel
def enter(
    event: np.int64,
    edge: int,
    first: int,
    stop: int,
    registers: NDArray[np.int64],
    progress: NDArray[np.int64],
    log: NDArray[np.int64],
) -> None:
    """Take the step that the table has for an event.

    Args:
        event: an `Event`.
        edge: link edge after its last symbol.
        first, stop: which of the symbols fed it is about.
        registers, progress: changed.
        log: int64[entries, LOG_COLUMNS]; no rows: none is kept.
    """
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
        entry = progress[LOGGED]
        log[entry, LOG_KIND] = TABLE[before, event, LOG_ENTRY]
        log[entry, LOG_EDGE] = edge
        log[entry, LOG_FIRST] = first
        log[entry, LOG_STOP] = stop
        progress[LOGGED] = entry + 1
