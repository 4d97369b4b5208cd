"""The payload of a key frame: the state of every unit after the frames before it."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass

import zstandard

from busplay.trace.blocks import pack_block, unpack_block
from busplay.trace.container import Where

_HEAD = struct.Struct("<QQH")
_NAME_BYTES = struct.Struct("<B")
_STATE_BYTES = struct.Struct("<I")
NAME_BYTES_MAX = 255
# A unit's memory has up to 16 MiB. If all units together exceed this, there are no key frames.
STATES_BYTES_MAX = 1 << 26


@dataclass(frozen=True, slots=True)
class KeyFrame:
    """A point from which units can be restored without all frames before it.

    Attributes:
        frames_before: frames already in the states.
        edge: stop edge of those frames.
        states: the units' states, by name.
    """

    frames_before: int
    edge: int
    states: dict[str, bytes]


def fits(states: Mapping[str, bytes]) -> bool:
    """Return whether a key frame can hold the states."""
    return (
        sum(len(state) for state in states.values()) <= STATES_BYTES_MAX
        and len(states) <= 0xFFFF
        and all(len(name.encode()) <= NAME_BYTES_MAX for name in states)
    )


def pack_states(key_frame: KeyFrame, compressor: zstandard.ZstdCompressor) -> bytes:
    """Pack a key frame; the states keep their order."""
    states = key_frame.states
    parts = [_HEAD.pack(key_frame.frames_before, key_frame.edge, len(states))]
    for name, state in states.items():
        raw = name.encode()
        parts += [_NAME_BYTES.pack(len(raw)), raw, _STATE_BYTES.pack(len(state))]
        parts += pack_block(compressor, state)
    return b"".join(parts)


def parse_states(
    payload: memoryview, decompressor: zstandard.ZstdDecompressor, *, where: Where
) -> KeyFrame:
    """Parse a key frame.

    Raises:
        InputError: it is not such a payload, or its states are too large.
    """
    if len(payload) < _HEAD.size:
        raise where.error(f"{len(payload)} bytes", f"a key frame begins with {_HEAD.size}")
    frames_before, edge, count = _HEAD.unpack_from(payload)
    where.require_totals(frames=frames_before, edge=edge)
    offset = _HEAD.size
    states: dict[str, bytes] = {}
    bytes_left = STATES_BYTES_MAX
    for _ in range(count):
        name, offset = _parse_name(payload, offset, where=where)
        if name in states:
            raise where.error("two states of the same name", "each has a name of its own")
        if len(payload) - offset < _STATE_BYTES.size:
            raise where.error("the end of the chunk", "a state's length belongs here")
        (state_bytes,) = _STATE_BYTES.unpack_from(payload, offset)
        if state_bytes > bytes_left:
            raise where.error(
                f"a state of {state_bytes:,} bytes",
                f"all states together have up to {STATES_BYTES_MAX:,}",
            )
        bytes_left -= state_bytes
        block, offset = unpack_block(
            decompressor,
            payload,
            offset + _STATE_BYTES.size,
            unpacked_bytes=state_bytes,
            where=where,
        )
        states[name] = bytes(block)
    if offset != len(payload):
        raise where.error(
            f"{len(payload) - offset:,} bytes after the last state", "nothing belongs there"
        )
    return KeyFrame(frames_before, edge, states)


def _parse_name(payload: memoryview, offset: int, *, where: Where) -> tuple[str, int]:
    name_bytes = payload[offset] if offset < len(payload) else len(payload)
    raw = bytes(payload[offset + 1 : offset + 1 + name_bytes])
    if len(raw) < name_bytes:
        raise where.error("the end of the chunk", "a state's name belongs here")
    try:
        return raw.decode(), offset + 1 + name_bytes
    except UnicodeDecodeError:
        raise where.error(f"the name {raw.hex(' ').upper()}", "it is UTF-8") from None
