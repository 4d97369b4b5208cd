"""What a trace holds for a rerun of its program: key presses, resets, and states of the processor.

Same board, same program, same inputs: same frames. So a trace holds the inputs, each with its
processor cycle; and now and then the processor's state, from which a rerun can begin.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, takewhile

import numpy as np

from busplay.trace.blocks import make_compressor, make_decompressor, pack_block, unpack_block
from busplay.trace.container import CORE, KEYS, RESETS, TOTAL_MAX, Where
from busplay.trace.header import TraceHeader

_PRESS = struct.Struct("<QB")
_RESET = struct.Struct("<Q")
_CORE_STATE = struct.Struct("<QI")
INPUTS_MAX = 4_096
# The processor's memory, and a little more.
CORE_STATE_BYTES_MAX = 1 << 17


Payloads = Iterable[tuple[Where, memoryview]]


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


def pack_core_state(cycle: int, state: bytes, before: bytes) -> bytes:
    """Pack the state of a processor at a cycle, given the one before (none: empty).

    Most of memory is as it was: 1.5 to 3.3 KB for the demo programs, against 7.7 to 10.8 KB alone.
    """
    head, stored = pack_block(make_compressor(), _changes(state, before))
    return _CORE_STATE.pack(cycle, len(state)) + head + stored


def parse_core_state(payload: memoryview, before: bytes, *, where: Where) -> tuple[int, bytes]:
    """Parse the cycle and the state of a processor, given the state before (none: empty).

    Raises:
        InputError: it is not such a payload.
    """
    if len(payload) < _CORE_STATE.size:
        raise where.error(f"{len(payload):,} bytes", f"a state begins with {_CORE_STATE.size}")
    cycle, unpacked_bytes = _CORE_STATE.unpack_from(payload)
    where.require_totals(cycle=cycle)
    if unpacked_bytes > CORE_STATE_BYTES_MAX:
        raise where.error(
            f"a state of {unpacked_bytes:,} bytes", f"it has up to {CORE_STATE_BYTES_MAX:,}"
        )
    changes, stop = unpack_block(
        make_decompressor(), payload, _CORE_STATE.size, unpacked_bytes=unpacked_bytes, where=where
    )
    if stop != len(payload):
        raise where.error(f"{len(payload) - stop:,} bytes after the state", "none belong there")
    return cycle, _changes(bytes(changes), before)


def parse_all_presses(payloads: Payloads) -> tuple[KeyPress, ...]:
    """Parse the key presses of all chunks; errors as for `parse_presses`."""
    presses: list[KeyPress] = []
    for where, payload in payloads:
        here = parse_presses(payload, where=where)
        if presses:
            require_order(presses[-1].cycle, here[0].cycle, where=where)
        presses += here
    return tuple(presses)


def parse_all_resets(payloads: Payloads) -> tuple[int, ...]:
    """Parse the cycles of resets of all chunks; errors as for `parse_resets`."""
    cycles: list[int] = []
    for where, payload in payloads:
        here = parse_resets(payload, where=where)
        if cycles:
            require_order(cycles[-1], here[0], where=where)
        cycles += here
    return tuple(cycles)


def parse_core_states(payloads: Payloads) -> Iterator[tuple[int, bytes, Where]]:
    """Parse the states of all chunks; errors as for `parse_core_state`."""
    cycle, state = 0, b""
    for where, payload in payloads:
        before = cycle
        cycle, state = parse_core_state(payload, state, where=where)
        if cycle <= before:
            raise where.error(
                f"the state of cycle {cycle:,}", f"one of cycle {before:,} came before"
            )
        yield cycle, state, where


def _changes(state: bytes, before: bytes) -> bytes:
    """XOR a state with the one before as far as both go; the same again gives the state back."""
    both = min(len(state), len(before))
    if not both:
        return state
    changed = np.frombuffer(state, np.uint8, both) ^ np.frombuffer(before, np.uint8, both)
    return changed.tobytes() + state[both:]


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
    """Inputs and states that wait for the frames of their time to be written."""

    def __init__(self) -> None:
        self._presses: list[KeyPress] = []
        self._resets: list[int] = []
        self._states: list[tuple[int, bytes]] = []
        self._state = b""
        self._press_cycle = self._reset_cycle = self._state_cycle = 0

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

    def keep_state(self, cycle: int, state: bytes) -> None:
        """Add a state; errors as for `TraceFileWriter.keep_state`."""
        _require_cycle(cycle, self._state_cycle)
        self._states.append((cycle, pack_core_state(cycle, state, self._state)))
        self._state_cycle, self._state = cycle, state

    def take(self, is_due: Callable[[int], bool]) -> Iterator[tuple[bytes, bytes]]:
        """Remove all whose cycle is due, and yield type and payload of their chunks."""
        presses = list(takewhile(lambda press: is_due(press.cycle), self._presses))
        resets = list(takewhile(is_due, self._resets))
        states = list(takewhile(lambda state: is_due(state[0]), self._states))
        del self._presses[: len(presses)], self._resets[: len(resets)], self._states[: len(states)]
        for first in range(0, len(presses), INPUTS_MAX):
            yield KEYS, pack_presses(presses[first : first + INPUTS_MAX])
        for first in range(0, len(resets), INPUTS_MAX):
            yield RESETS, pack_resets(resets[first : first + INPUTS_MAX])
        for _, payload in states:
            yield CORE, payload


def _require_cycle(cycle: int, before: int) -> None:
    if not 0 <= cycle <= TOTAL_MAX:
        raise ValueError(f"a cycle has 62 bits, so {cycle} is none")
    if cycle < before:
        raise ValueError(f"cycle {cycle} comes after cycle {before}")


def input_margin_edges(header: TraceHeader, step_edges: int) -> int:
    """Return how far link time can be ahead of the processor: a full FIFO and two cycles.

    A key pressed now belongs to this cycle, but frames of later edges may have been written. Inputs
    wait for this long, so that one goes to the same chunk whether it comes live or is known before.
    """
    if header.board is None:
        return 0
    cycle_edges = header.edge_at(2) - header.edge_at(0)
    slots = header.board.sender.fifo_depth + 2
    idle_every = header.board.link.idle_every
    if idle_every is not None:
        slots += slots // (idle_every - 1) + 1
    return slots * step_edges + cycle_edges
