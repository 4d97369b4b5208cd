"""The state of a board's devices as bytes, for recordings: JSON of plain data only.

Those of ours have a range for each number, as their machine code takes any. A device of somebody's
own is kept if its snapshot is made of None, booleans, numbers, texts, bytes, tuples, lists and
dicts: nothing else can be read back without running code of the file's choice.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from typing import TypeAlias

import numpy as np

from busplay.core.devices import acia_state, via_state
from busplay.core.devices.acia_6551 import AciaSnapshot
from busplay.core.devices.bus import DeviceBusState
from busplay.core.devices.interface import NO_EVENT
from busplay.core.devices.pin_levels import KeySnapshot
from busplay.core.devices.via_6522 import ViaSnapshot
from busplay.description.board import Board
from busplay.description.devices import Acia6551, Device, Via6522, lines_of
from busplay.errors import InputError

SNAPSHOTS_BYTES_MAX = 1 << 15
_DEPTH_MAX = 20
_KEYS_HELD_MAX = 256
_TAKEN_MAX = 1 << 40
Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"


class NotPlainError(Exception):
    """A snapshot cannot be kept."""


class _DamagedError(Exception):
    """What was found is no state of these devices; the message says what."""


# What may stand in each place of a state's numbers, where it is not a byte.
_VIA_LAST = {
    **dict.fromkeys((via_state.T1_LATCH, via_state.T1_TOP, via_state.T2_TOP), 0xFFFF),
    **dict.fromkeys((via_state.IFR, via_state.IER), 0x7F),
    **dict.fromkeys(
        (
            *(via_state.T1_ARMED, via_state.T2_ARMED, via_state.PB7, via_state.CB1_CLOCK),
            *(via_state.CB2_DATA, via_state.CA2_OUT, via_state.CB2_OUT, via_state.HOLDS),
            *(via_state.CA1, via_state.CA2, via_state.CB1, via_state.CB2),
        ),
        1,
    ),
    **dict.fromkeys(
        (
            *(via_state.T1_START, via_state.T2_START, via_state.SR_NEXT, via_state.LINE),
            *(via_state.CA2_PULSE_END, via_state.CB2_PULSE_END),
        ),
        via_state.NEVER_HERE,
    ),
    via_state.SEED: 0x7FFFFFFF,
    via_state.SR_EDGES: via_state.IDLE_EDGES,
}
_ACIA_LAST = {
    **dict.fromkeys(
        (
            *(acia_state.IRQ, acia_state.RECEIVED_FULL, acia_state.OVERRUN),
            *(acia_state.TO_SEND_FULL, acia_state.CMOS, acia_state.CTS, acia_state.DCD),
            *(acia_state.DSR, acia_state.DCD_SEEN, acia_state.DSR_SEEN),
            acia_state.MODEM_CHANGED,
        ),
        1,
    ),
    **dict.fromkeys((acia_state.SHIFT_END, acia_state.LINE), acia_state.NEVER_HERE),
    acia_state.CHARACTER_CYCLES: _TAKEN_MAX,
    # What was sent is not kept.
    **dict.fromkeys((acia_state.SENT_COUNT, acia_state.SENT_FIRST, acia_state.SENT_SECOND), 0),
}


def pack_devices(state: DeviceBusState) -> bytes:
    """Pack the state of a board's devices.

    Raises:
        NotPlainError: a snapshot is not of plain data, or all together are too long.
    """
    content = {
        "now": state.now,
        "nmi_is_active": state.nmi_is_active,
        "nmi_from": state.nmi_from,
        "levels": list(state.levels),
        "lines_from": list(state.lines_from),
        "snapshots": [_snapshot_to_plain(one) for one in state.snapshots],
    }
    try:
        packed = json.dumps(content, separators=(",", ":")).encode("ascii")
    except ValueError as error:
        # A number of thousands of digits.
        raise NotPlainError from error
    if len(packed) > SNAPSHOTS_BYTES_MAX:
        raise NotPlainError
    return packed


def parse_devices(payload: bytes, *, board: Board, keys: int) -> DeviceBusState:
    """Parse what `pack_devices` made.

    Args:
        payload: which may be from a damaged file.
        board: with these devices.
        keys: count of keys pressed in the run.

    Raises:
        InputError: it is no possible state of them.
    """
    try:
        if len(payload) > SNAPSHOTS_BYTES_MAX:
            raise _DamagedError(f"{len(payload):,} bytes of devices")
        try:
            return _parse(json.loads(payload), board, keys)
        except (ValueError, RecursionError) as error:
            raise _DamagedError("devices that are no JSON") from error
    except _DamagedError as error:
        wanted = "the state of another run, or a damaged one"
        raise InputError(found=str(error), wanted=wanted) from None


def _parse(content: object, board: Board, keys: int) -> DeviceBusState:
    wires = sum(len(lines_of(one)) for one in board.devices)
    now, is_active, nmi_from, levels, lines_from, snapshots = _fields(
        content, ("now", "nmi_is_active", "nmi_from", "levels", "lines_from", "snapshots")
    )
    if type(is_active) is not bool:
        raise _DamagedError("a level of NMI that is neither true nor false")
    return DeviceBusState(
        _number(now, NO_EVENT),
        is_active,
        _number(nmi_from, NO_EVENT),
        tuple(_number(one, 1) for one in _items(levels, wires)),
        tuple(_number(one, NO_EVENT) for one in _items(lines_from, len(board.devices))),
        tuple(
            _snapshot_from_plain(one, device, keys)
            for one, device in zip(
                _items(snapshots, len(board.devices)), board.devices, strict=True
            )
        ),
    )


# -- snapshots


def _snapshot_to_plain(snapshot: object) -> Plain:
    if isinstance(snapshot, ViaSnapshot):
        return {"numbers": _numbers_to_plain(snapshot.numbers), "keys": _keys_to_plain(snapshot)}
    if isinstance(snapshot, AciaSnapshot):
        numbers = _numbers_to_plain(snapshot.numbers)
        for place in (acia_state.SENT_COUNT, acia_state.SENT_FIRST, acia_state.SENT_SECOND):
            numbers[place] = 0
        return {
            "numbers": numbers,
            "line": [snapshot.taken, snapshot.arrives, snapshot.ready_from],
            "keys": _keys_to_plain(snapshot),
        }
    return _to_plain(snapshot, 0)


def _snapshot_from_plain(plain: object, device: Device, keys: int) -> object:
    if isinstance(device, Via6522):
        numbers, held = _fields(plain, ("numbers", "keys"))
        found = _numbers(numbers, via_state.STATE_NUMBERS, _VIA_LAST)
        _require_part(found[via_state.HOLDS], device.part == "w65c22")
        edges = found[via_state.SR_EDGES]
        if via_state.LAST_EDGE < edges != via_state.IDLE_EDGES:
            raise _DamagedError(f"edge {edges} of a shift register")
        return ViaSnapshot(np.array(found, np.int64).tobytes(), _keys_from_plain(held, keys))
    if isinstance(device, Acia6551):
        numbers, line, held = _fields(plain, ("numbers", "line", "keys"))
        found = _numbers(numbers, acia_state.STATE_NUMBERS, _ACIA_LAST)
        _require_part(found[acia_state.CMOS], device.part == "w65c51n")
        if not found[acia_state.CHARACTER_CYCLES]:
            raise _DamagedError("a character of no cycles")
        taken, arrives, ready_from = (_number(one, NO_EVENT) for one in _items(line, 3))
        return AciaSnapshot(
            np.array(found, np.int64).tobytes(),
            _number(taken, _TAKEN_MAX),
            arrives,
            ready_from,
            _keys_from_plain(held, keys),
        )
    return _from_plain(plain)


def _numbers_to_plain(numbers: bytes) -> list[Plain]:
    return [*np.frombuffer(numbers, np.int64).tolist()]


def _numbers(plain: object, count: int, last: dict[int, int]) -> list[int]:
    return [_number(one, last.get(place, 0xFF)) for place, one in enumerate(_items(plain, count))]


def _require_part(number: int, is_cmos: bool) -> None:
    if number != is_cmos:
        raise _DamagedError("another part")


def _keys_to_plain(snapshot: ViaSnapshot | AciaSnapshot) -> Plain:
    keys = snapshot.keys
    held: list[Plain] = [[code, until] for code, until in keys.held]
    return [keys.seen, held, keys.code, keys.strobe_until]


def _keys_from_plain(plain: object, keys: int) -> KeySnapshot:
    seen, held, code, strobe_until = _items(plain, 4)
    if not isinstance(held, list) or len(held) > _KEYS_HELD_MAX:
        raise _DamagedError("keys held that are no list of up to 256")
    pairs = [_items(one, 2) for one in held]
    return KeySnapshot(
        _number(seen, keys),
        tuple((_number(one, 0xFF), _number(until, NO_EVENT)) for one, until in pairs),
        _number(code, 0xFF),
        _number(strobe_until, NO_EVENT),
    )


# -- what is found in a file


def _fields(plain: object, names: Iterable[str]) -> list[object]:
    names = list(names)
    if not isinstance(plain, dict) or sorted(plain) != sorted(names):
        raise _DamagedError(f"a table without {', '.join(names)}, or with more")
    return [plain[name] for name in names]


def _items(plain: object, count: int) -> list[object]:
    if not isinstance(plain, list) or len(plain) != count:
        raise _DamagedError(f"a list that does not have {count}")
    return plain


def _number(plain: object, last: int) -> int:
    if type(plain) is not int or not 0 <= plain <= last:
        raise _DamagedError(f"a number that is not from 0 to {last:,}")
    return plain


# -- snapshots of somebody's own


def _to_plain(value: object, depth: int) -> Plain:
    if depth > _DEPTH_MAX:
        raise NotPlainError
    # Exact types: a restored value must be what it was.
    kind = type(value)
    if value is None or kind in (bool, int, float, str):
        return value  # type: ignore[return-value]
    if kind is bytes:
        return {"bytes": base64.b64encode(value).decode("ascii")}  # type: ignore[arg-type]
    if isinstance(value, list) and kind is list:
        return [_to_plain(one, depth + 1) for one in value]
    if isinstance(value, tuple) and kind is tuple:
        return {"tuple": [_to_plain(one, depth + 1) for one in value]}
    if isinstance(value, dict) and kind is dict:
        rows: list[Plain] = [
            [_to_plain(key, depth + 1), _to_plain(one, depth + 1)] for key, one in value.items()
        ]
        return {"dict": rows}
    raise NotPlainError


def _from_plain(plain: object) -> object:
    if isinstance(plain, list):
        return [_from_plain(one) for one in plain]
    if not isinstance(plain, dict):
        return plain
    match plain:
        case {"bytes": str(text), **others} if not others:
            try:
                return base64.b64decode(text, validate=True)
            except ValueError as error:
                raise _DamagedError("bytes that are no base64") from error
        case {"tuple": list(items), **others} if not others:
            return tuple(_from_plain(one) for one in items)
        case {"dict": list(rows), **others} if not others:
            pairs = [_items(row, 2) for row in rows]
            try:
                return {_from_plain(key): _from_plain(one) for key, one in pairs}
            except TypeError as error:
                raise _DamagedError("a key that is not hashable") from error
    raise _DamagedError("a table that stands for nothing")
