"""A core's state as bytes, its memory included, for recordings.

It is taken between two instructions, neither in a wait nor at a stop, so these two have no place in
it; nor has the console, whose bytes have been taken by then.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np

from busplay.batch import UInt8Column
from busplay.core.host_port import NEVER, HostPortState
from busplay.core.interface import Registers, bus_of
from busplay.core.memory_map import ADDRESSES
from busplay.core.rewind import CoreState, RewindableCore
from busplay.core.saved_devices import pack_devices, parse_devices
from busplay.description.board import Board
from busplay.errors import InputError

_CORE = struct.Struct("<5BHQQQHQQQQB")
_PORT = struct.Struct("<QIIQQ")
STATE_BYTES = _CORE.size + _PORT.size + ADDRESSES
VECTORS = (0, 0xFFFA, 0xFFFE)
_CYCLES_MAX = (1 << 62) - 1


@dataclass(frozen=True, slots=True, eq=False)
class SavedCore:
    """A core's state, and its memory.

    Attributes:
        state: all but memory.
        memory: uint8[65536].
    """

    state: CoreState
    memory: UInt8Column


def pack_core(core: RewindableCore) -> bytes | None:
    """Pack a core's present state; None: it waits or has stopped.

    Raises:
        NotPlainError: a device's snapshot cannot be kept.
    """
    bus = bus_of(core)
    if bus is not None:
        bus.settle(core.cycle - 1)
    state = core.state
    if state.is_waiting or state.stop is not None:
        return None
    devices = b"" if state.devices is None else pack_devices(state.devices)
    one, port = state.registers, state.host_port
    head = _CORE.pack(
        one.a, one.x, one.y, one.s, one.p, one.pc, one.cycle,
        state.irq_from, state.nmi_from, state.due_vector,
        state.stores_tapped, state.rom_writes_ignored, state.unmapped_writes_ignored,
        state.interrupts_taken, port is not None,
    )  # fmt: skip
    if port is None:
        return head + bytes(_PORT.size) + core.memory.tobytes() + devices
    numbers = _PORT.pack(
        port.keys_taken, port.random, port.kept_tick, port.enabled_from, port.refresh_number
    )
    return head + numbers + core.memory.tobytes() + devices


def parse_core(payload: bytes | memoryview, *, board: Board, keys: int) -> SavedCore:
    """Parse what `pack_core` made.

    Args:
        payload: `STATE_BYTES` bytes and those of devices, which may be from a damaged file.
        board: the core's.
        keys: count of keys pressed in the run.

    Raises:
        InputError: it is no possible state of such a run.
    """
    if len(payload) < STATE_BYTES or (len(payload) > STATE_BYTES and not board.devices):
        raise InputError(found=f"{len(payload):,} bytes", wanted=f"a state has {STATE_BYTES:,}")
    (
        a, x, y, s, p, pc, cycle, irq_from, nmi_from, vector, stores, to_rom, to_nothing,
        interrupts, has_port,
    ) = _CORE.unpack_from(payload)  # fmt: skip
    taken, random, tick, enabled_from, refresh = _PORT.unpack_from(payload, _CORE.size)
    # Their pages are not kept.
    _require(not board.banks, "a state of a board with banks")
    described = board.host_port
    _require(has_port == (described is not None), f"{has_port} host ports")
    _require(vector in VECTORS, f"interrupt vector ${vector:04X}")
    _require(taken <= keys, f"{taken:,} keys taken of {keys:,}")
    if described is not None:
        # The next one may be pending since long ago, but is not ahead.
        ahead = refresh * board.clock_hz - (cycle + 1) * described.refresh_hz
        _require(refresh > 0 and ahead <= board.clock_hz, f"refresh {refresh:,}")
    for number in (cycle, stores, to_rom, to_nothing, interrupts):
        _require(number <= _CYCLES_MAX, f"the number {number:,}")
    for number in (irq_from, nmi_from, enabled_from):
        _require(number <= _CYCLES_MAX or number == NEVER, f"cycle {number:,}")
    devices = None
    if board.devices:
        devices = parse_devices(bytes(payload[STATE_BYTES:]), board=board, keys=keys)
        _require(devices.now < cycle, f"devices of cycle {devices.now:,}")
    port = HostPortState(taken, b"", random, tick, enabled_from, refresh, None)
    state = CoreState(
        Registers(a, x, y, s, p, pc, cycle),
        irq_from,
        nmi_from,
        vector,
        False,
        None,
        stores,
        to_rom,
        to_nothing,
        interrupts,
        port if has_port else None,
        devices,
    )
    memory = np.frombuffer(payload, np.uint8, ADDRESSES, _CORE.size + _PORT.size)
    return SavedCore(state, memory)


def _require(holds: bool, found: str) -> None:
    if not holds:
        raise InputError(found=found, wanted="the state of another run, or a damaged one")
