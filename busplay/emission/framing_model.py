"""How a receiver finds frames, and its table of states, as templates read them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busplay.description.link import MarkerFraming, StrobeFraming
from busplay.emission.names import FileLines
from busplay.link.layout import FrameLayout
from busplay.receiver.registers import FIRST_COUNTER
from busplay.receiver.rules import Rules
from busplay.receiver.states import COUNTER as COUNTER_COLUMN
from busplay.receiver.states import NEXT as NEXT_COLUMN
from busplay.receiver.states import TABLE, Event, State

Method = Literal["strobe", "marker", "check"]

# The registers that count, by the name of the attribute of `ReceiverCounters`.
COUNTERS = (
    "symbols_fed",
    "symbols_skipped",
    "symbols_idle",
    "frames_received",
    "frames_idle",
    "checks_failed",
    "frames_corrected",
    "frames_aborted",
    "frames_missed",
    "syncs_gained",
    "syncs_lost",
)


@dataclass(frozen=True, slots=True)
class FramingModel:
    """How a receiver finds frames.

    Attributes:
        method: of the link file.
        is_held: the strobe is active for the whole frame.
        is_watched: the marker is unique, so in sync a marker elsewhere means false sync.
        active_high: level of an active strobe.
        active_symbols: symbols with the strobe active, from the first on; 0: no strobe.
        strobe_mask: the strobe's bit in a symbol; 0: no strobe.
        gap_symbols: after each frame.
        marker_mask, marker_word: a word whose masked bits are these begins with the marker.
        marker: the marker's symbols.
        can_abort: a frame can end before its last symbol.
        confirm_frames: consecutive valid frames from PRESYNC to SYNC; 0: none are needed.
        release_frames: consecutive invalid frames from SYNC to HUNT; 0: it never hunts anew.
        line: line of the link file with the table.
    """

    method: Method
    is_held: bool
    is_watched: bool
    active_high: bool
    active_symbols: int
    strobe_mask: int
    gap_symbols: int
    marker_mask: int
    marker_word: int
    marker: tuple[int, ...]
    can_abort: bool
    confirm_frames: int
    release_frames: int
    line: int | None


@dataclass(frozen=True, slots=True)
class TransitionModel:
    """What an event does in a state.

    Attributes:
        state, event, following: names of states and of the event.
        counter: the counter that goes up; None: none does.
        can_happen: whether it can on this link.
    """

    state: str
    event: str
    following: str
    counter: str | None
    can_happen: bool


def framing_model(layout: FrameLayout, rules: Rules, lines: FileLines) -> FramingModel:
    framing = layout.link.framing
    strobe = framing if isinstance(framing, StrobeFraming) else None
    marker = framing if isinstance(framing, MarkerFraming) else None
    return FramingModel(
        method="strobe" if strobe else "marker" if marker else "check",
        is_held=rules.is_held,
        is_watched=rules.is_watched,
        active_high=strobe is not None and strobe.active == "high",
        active_symbols=rules.shape.active_symbols,
        strobe_mask=layout.strobe_mask,
        gap_symbols=strobe.gap_symbols if strobe else 0,
        marker_mask=int(rules.marker_mask),
        marker_word=int(rules.marker_word),
        marker=marker.symbols if marker else (),
        can_abort=layout.frame_symbols > 1 and (strobe is not None or rules.is_watched),
        confirm_frames=rules.confirm_frames,
        release_frames=rules.release_frames,
        line=lines.framing,
    )


def transitions_of(
    framing: FramingModel, *, can_fail: bool, corrects: bool
) -> tuple[TransitionModel, ...]:
    """List every state and event, with what the receiver's own table has for them."""
    possible = possible_events(framing, can_fail=can_fail, corrects=corrects)
    rows = []
    for state in State:
        for event in Event:
            counter = int(TABLE[state, event, COUNTER_COLUMN])
            rows.append(
                TransitionModel(
                    state=state.name,
                    event=event.name,
                    following=State(int(TABLE[state, event, NEXT_COLUMN])).name,
                    counter=COUNTERS[counter - FIRST_COUNTER] if counter >= 0 else None,
                    can_happen=(state, event) in possible,
                )
            )
    return tuple(rows)


def possible_events(
    framing: FramingModel, *, can_fail: bool, corrects: bool
) -> set[tuple[State, Event]]:
    """Return which events can happen in which state, on a link of such framing."""
    possible = {(State.SYNC, Event.VALID)}
    if can_fail:
        possible.add((State.SYNC, Event.INVALID))
    if corrects:
        possible.add((State.SYNC, Event.CORRECTED))
    if can_fail and framing.release_frames:
        possible.add((State.SYNC, Event.RELEASED))
    if framing.method == "strobe" or framing.is_watched:
        possible.add((State.HUNT, Event.CONFIRMED))
        if framing.can_abort:
            possible.add((State.SYNC, Event.ABORTED))
            if framing.is_watched:
                possible.add((State.SYNC, Event.DISPLACED))
        return possible
    possible |= {
        (State.HUNT, Event.FOUND),
        (State.PRESYNC, Event.CONFIRMED),
        (State.PRESYNC, Event.INVALID),
    }
    if framing.confirm_frames > 1:
        possible.add((State.PRESYNC, Event.VALID))
    return possible
