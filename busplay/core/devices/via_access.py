"""What a 6522 does at an access, as a function of its state and the cycle.

How to think about it. Nothing here runs once a cycle. A counter is kept as the value that it read
in some cycle; `_advance` brings the state to a cycle in one step, however long ago the last access
was. An access is: advance to its cycle, do it, and work out from when on the interrupt output is
active if nothing else happens (`LINE`), which is all that a core has to know.

Cycles: after a write to T1C-H in cycle w the counter reads N in w + 1, 0 in w + N + 1, and $FFFF in
w + N + 2, in whose middle the output falls: the data sheets' N + 1.5 cycles. In w + N + 3 it reads
N again, in both modes, so interrupts are N + 2 cycles apart. What an access changes is so from the
next cycle on.

# Follows: Rockwell R6522 data sheet, Western Design Center W65C22 data sheet
# Read in: the R6522's timing figure of both timers in a copy, the rest from memory
# Departs: the T2-controlled shift modes begin their N + 2 cycles at the access that starts them,
#          not at a phase of T2, and T2's low byte does not reload; an NMOS part's second reads and
#          an external shift clock that meets the processor's edge are not modelled

The functions run as Python on the reference core and as machine code with the compiled one.
"""

from __future__ import annotations

from busplay.core.devices.via_state import (
    ACR,
    ADVANCE,
    CA1,
    CA2,
    CA2_OUT,
    CA2_PULSE_END,
    CB1,
    CB1_CLOCK,
    CB2,
    CB2_DATA,
    CB2_OUT,
    CB2_PULSE_END,
    CHANGED,
    DDRA,
    DDRB,
    DRIVEN_A,
    HELD_A,
    HOLDS,
    IDLE_EDGES,
    IER,
    IFR,
    LAST_EDGE,
    LATCHED_A,
    LATCHED_B,
    LINE,
    NEVER_HERE,
    ORA,
    ORB,
    PB7,
    PCR,
    PINS_A,
    RANDOM_A,
    READ,
    SEED,
    SR,
    SR_EDGES,
    SR_NEXT,
    T1_ARMED,
    T1_LATCH,
    T1_START,
    T1_TOP,
    T2_ARMED,
    T2_LATCH,
    T2_START,
    T2_TOP,
)
from busplay.jit import shared_kernel

_CA2_FLAG, _CA1_FLAG, _SR_FLAG, _CB2_FLAG, _CB1_FLAG, _T2_FLAG, _T1_FLAG = (
    0x01,
    0x02,
    0x04,
    0x08,
    0x10,
    0x20,
    0x40,
)
_ALL_FLAGS = 0x7F
_FREE_RUN, _PB7_ENABLED, _PULSES, _LATCHES_A, _LATCHES_B = 0x40, 0x80, 0x20, 0x01, 0x02
# Shift modes, ACR bits 4 to 2.
_IN_T2, _IN_CLOCK, _IN_EXTERNAL, _OUT_FREE, _OUT_T2, _OUT_CLOCK, _OUT_EXTERNAL = range(1, 8)


@shared_kernel
def shift_mode(state: memoryview[int]) -> int:
    """Return the shift register's mode, 0 to 7."""
    return state[ACR] >> 2 & 7


@shared_kernel
def _edge_cycles(state: memoryview[int]) -> int:
    """Return the cycles between two edges of the shift clock."""
    mode = shift_mode(state)
    if mode in (_IN_CLOCK, _OUT_CLOCK):
        return 1
    return (state[T2_LATCH] & 0xFF) + 2


@shared_kernel
def _shift(state: memoryview[int], is_rising: int) -> None:
    """Do what an edge of the shift clock does: data leave at its fall, enter at its rise."""
    mode = shift_mode(state)
    if mode >= _OUT_FREE and not is_rising:
        out = state[SR] >> 7 & 1
        state[CB2_DATA] = out
        state[SR] = (state[SR] << 1 | out) & 0xFF
    elif 0 < mode < _OUT_FREE and is_rising:
        state[SR] = (state[SR] << 1 | state[CB2]) & 0xFF


@shared_kernel
def _advance_shift(state: memoryview[int], cycle: int) -> None:
    if state[SR_NEXT] > cycle:
        return
    length = _edge_cycles(state)
    if shift_mode(state) == _OUT_FREE:
        # Sixteen edges turn the register once round.
        state[SR_NEXT] += (cycle - state[SR_NEXT]) // (16 * length) * (16 * length)
    while state[SR_NEXT] <= cycle:
        if state[SR_EDGES] == LAST_EDGE:
            state[IFR] |= _SR_FLAG
            state[SR_EDGES] = IDLE_EDGES
            state[SR_NEXT] = NEVER_HERE
            return
        state[SR_EDGES] += 1
        is_rising = 1 - (state[SR_EDGES] & 1)
        state[CB1_CLOCK] = is_rising
        _shift(state, is_rising)
        if shift_mode(state) == _OUT_FREE:
            state[SR_EDGES] &= 1
        # The flag follows the last edge by a cycle.
        state[SR_NEXT] += 1 if state[SR_EDGES] == LAST_EDGE else length


@shared_kernel
def _start_shift(state: memoryview[int], cycle: int) -> None:
    """Begin eight shifts, after an access to SR in `cycle`; or count eight pulses."""
    state[IFR] &= ~_SR_FLAG
    mode = shift_mode(state)
    if mode in (_IN_EXTERNAL, _OUT_EXTERNAL):
        state[SR_EDGES] = 0
    elif mode not in (0, _OUT_FREE):
        state[SR_EDGES] = 0
        state[CB1_CLOCK] = 1
        state[SR_NEXT] = cycle + 1 + _edge_cycles(state)


@shared_kernel
def _time_out_t1(state: memoryview[int], times: int) -> None:
    """Time out timer 1 that many times; only the first counts in one-shot mode."""
    if state[ACR] & _FREE_RUN:
        state[IFR] |= _T1_FLAG
        state[PB7] ^= times & 1
    elif state[T1_ARMED]:
        state[IFR] |= _T1_FLAG
        state[PB7] = 1
    state[T1_ARMED] = 0


@shared_kernel
def _advance_t1(state: memoryview[int], cycle: int) -> None:
    """Bring timer 1 to a cycle. It reads $FFFF after 0, and then what the latches hold."""
    end = state[T1_START] + state[T1_TOP] + 1
    if end > cycle:
        return
    length = state[T1_LATCH] + 2
    more = (cycle - end) // length
    _time_out_t1(state, 1 + more)
    # The period that runs in `cycle`: it begins with $FFFF, whose time-out is done.
    state[T1_TOP] = state[T1_LATCH]
    state[T1_START] = end + more * length + 1


@shared_kernel
def _advance(state: memoryview[int], cycle: int) -> None:
    """Bring the state to a cycle."""
    _advance_t1(state, cycle)
    t2_end = state[T2_START] + state[T2_TOP] + 1
    if state[T2_ARMED] and not state[ACR] & _PULSES and t2_end <= cycle:
        state[IFR] |= _T2_FLAG
        state[T2_ARMED] = 0
    _advance_shift(state, cycle)
    if state[CA2_PULSE_END] <= cycle:
        state[CA2_OUT] = 1
        state[CA2_PULSE_END] = NEVER_HERE
    if state[CB2_PULSE_END] <= cycle:
        state[CB2_OUT] = 1
        state[CB2_PULSE_END] = NEVER_HERE


@shared_kernel
def _next_flag(state: memoryview[int]) -> int:
    """Return the cycle in which an enabled flag is set if nothing is accessed, or `NEVER_HERE`."""
    found = NEVER_HERE
    enabled = state[IER]
    if enabled & _T1_FLAG and (state[T1_ARMED] or state[ACR] & _FREE_RUN):
        found = state[T1_START] + state[T1_TOP] + 1
    if enabled & _T2_FLAG and state[T2_ARMED] and not state[ACR] & _PULSES:
        found = min(found, state[T2_START] + state[T2_TOP] + 1)
    if enabled & _SR_FLAG and state[SR_NEXT] < NEVER_HERE and shift_mode(state) != _OUT_FREE:
        edges = LAST_EDGE - state[SR_EDGES]
        # An edge is due in SR_NEXT, unless it is the flag itself.
        last = state[SR_NEXT] + (edges - 1) * _edge_cycles(state) + 1 if edges else state[SR_NEXT]
        found = min(found, last)
    return found


@shared_kernel
def _plan(state: memoryview[int], before: int, cycle: int, from_cycle: int) -> int:
    """Work out from when on the interrupt output is active; return whether that has changed.

    Args:
        before: what was known of it.
        cycle: the present one.
        from_cycle: from when on a change of now is effective.
    """
    if state[IFR] & state[IER] & _ALL_FLAGS:
        state[LINE] = before if before <= cycle else from_cycle
    else:
        state[LINE] = _next_flag(state)
    return 1 if state[LINE] != before else 0


@shared_kernel
def random_bits(seed: int, cycle: int) -> int:
    """Return eight random bits, a function of seed and cycle.

    Source: the xorshift32 of `busplay.core.host_port`, over the two.
    """
    mixed = (seed + cycle * 0x9E3779B1) & 0xFFFFFFFF
    for _ in range(3):
        mixed ^= mixed << 13 & 0xFFFFFFFF
        mixed ^= mixed >> 17
        mixed ^= mixed << 5 & 0xFFFFFFFF
    return mixed >> 8 & 0xFF


@shared_kernel
def _inputs(state: memoryview[int], port: int, cycle: int) -> int:
    """Return the levels at the pins of port A (0) or B (1) that the port does not drive itself."""
    undriven = state[HELD_A + port] if state[HOLDS] else 0xFF
    driven = state[DRIVEN_A + port]
    levels = state[PINS_A + port] & driven | undriven & ~driven
    chance = state[RANDOM_A + port]
    if chance:
        levels = levels & ~chance | random_bits(state[SEED] + port, cycle) & chance
    return levels & 0xFF


@shared_kernel
def port_levels(state: memoryview[int], port: int, cycle: int) -> int:
    """Return the levels at the eight pins of port A (0) or B (1)."""
    drives = state[DDRA] if port == 0 else state[DDRB]
    output = state[ORA] if port == 0 else state[ORB]
    levels = output & drives | _inputs(state, port, cycle) & ~drives
    if port == 1 and state[ACR] & _PB7_ENABLED:
        levels = levels & 0x7F | state[PB7] << 7
    return levels & 0xFF


@shared_kernel
def _note_held(state: memoryview[int], cycle: int) -> None:
    """Keep the pins' levels, which a CMOS part holds when nobody drives them any more."""
    for port in range(2):
        state[HELD_A + port] = port_levels(state, port, cycle)


@shared_kernel
def _handshake(state: memoryview[int], is_port_b: int, is_write: int, cycle: int) -> None:
    """Clear a port's flags after an access to its register, and signal it on CA2 or CB2."""
    control = state[PCR] >> 4 if is_port_b else state[PCR]
    mode = control >> 1 & 7
    state[IFR] &= ~(_CB1_FLAG if is_port_b else _CA1_FLAG)
    if mode not in (1, 3):
        state[IFR] &= ~(_CB2_FLAG if is_port_b else _CA2_FLAG)
    if mode not in (4, 5) or (is_port_b and not is_write):
        return
    end = cycle + 2 if mode == 5 else NEVER_HERE
    if is_port_b:
        state[CB2_OUT] = 0
        state[CB2_PULSE_END] = end
    else:
        state[CA2_OUT] = 0
        state[CA2_PULSE_END] = end


@shared_kernel
def _t1_counter(state: memoryview[int], cycle: int) -> int:
    if cycle < state[T1_START]:
        # The cycle of a time-out, before the latches are loaded.
        return 0xFFFF
    return (state[T1_TOP] - (cycle - state[T1_START])) & 0xFFFF


@shared_kernel
def _t2_counter(state: memoryview[int], cycle: int) -> int:
    if state[ACR] & _PULSES:
        return state[T2_TOP] & 0xFFFF
    return (state[T2_TOP] - (cycle - state[T2_START])) & 0xFFFF


@shared_kernel
def _read(state: memoryview[int], offset: int, cycle: int) -> int:
    if offset == 0:
        levels = port_levels(state, 1, cycle)
        if state[ACR] & _LATCHES_B and state[IFR] & _CB1_FLAG:
            levels = levels & state[DDRB] | state[LATCHED_B] & ~state[DDRB]
        _handshake(state, 1, 0, cycle)
        return levels & 0xFF
    if offset in (1, 15):
        levels = port_levels(state, 0, cycle)
        if state[ACR] & _LATCHES_A and state[IFR] & _CA1_FLAG:
            levels = state[LATCHED_A]
        if offset == 1:
            _handshake(state, 0, 0, cycle)
        return levels
    if offset == 4:
        state[IFR] &= ~_T1_FLAG
        return _t1_counter(state, cycle) & 0xFF
    if offset == 5:
        return _t1_counter(state, cycle) >> 8
    if offset == 6:
        return state[T1_LATCH] & 0xFF
    if offset == 7:
        return state[T1_LATCH] >> 8
    if offset == 8:
        state[IFR] &= ~_T2_FLAG
        return _t2_counter(state, cycle) & 0xFF
    if offset == 9:
        return _t2_counter(state, cycle) >> 8
    if offset == 10:
        byte = state[SR]
        _start_shift(state, cycle)
        return byte
    if offset == 13:
        flags = state[IFR] & _ALL_FLAGS
        return flags | (0x80 if flags & state[IER] else 0)
    if offset == 14:
        return state[IER] | 0x80
    if offset == 2:
        return state[DDRB]
    if offset == 3:
        return state[DDRA]
    return state[ACR] if offset == 11 else state[PCR]


@shared_kernel
def _write_acr(state: memoryview[int], data: int, cycle: int) -> None:
    old_mode = shift_mode(state)
    counter = _t2_counter(state, cycle)
    if (state[ACR] ^ data) & _PULSES:
        state[T2_TOP] = counter
        state[T2_START] = cycle
    state[ACR] = data
    mode = shift_mode(state)
    if mode != old_mode:
        state[SR_EDGES] = IDLE_EDGES
        state[SR_NEXT] = NEVER_HERE
        state[CB1_CLOCK] = 1
        if mode == _OUT_FREE:
            state[SR_EDGES] = 0
            state[SR_NEXT] = cycle + 1 + _edge_cycles(state)
        elif mode in (_IN_EXTERNAL, _OUT_EXTERNAL):
            state[SR_EDGES] = 0


@shared_kernel
def _write_pcr(state: memoryview[int], data: int) -> None:
    state[PCR] = data
    # CA2 and CB2 as outputs: fixed levels, or high until the next handshake.
    mode = data >> 1 & 7
    if mode >= 4:
        state[CA2_OUT] = 0 if mode == 6 else 1
        state[CA2_PULSE_END] = NEVER_HERE
    mode = data >> 5 & 7
    if mode >= 4:
        state[CB2_OUT] = 0 if mode == 6 else 1
        state[CB2_PULSE_END] = NEVER_HERE


@shared_kernel
def _write(state: memoryview[int], offset: int, data: int, cycle: int) -> None:
    if offset == 0:
        state[ORB] = data
        _handshake(state, 1, 1, cycle)
    elif offset in (1, 15):
        state[ORA] = data
        if offset == 1:
            _handshake(state, 0, 1, cycle)
    elif offset == 2:
        state[DDRB] = data
    elif offset == 3:
        state[DDRA] = data
    elif offset in (4, 6):
        state[T1_LATCH] = state[T1_LATCH] & 0xFF00 | data
    elif offset in (5, 7):
        state[T1_LATCH] = state[T1_LATCH] & 0xFF | data << 8
        state[IFR] &= ~_T1_FLAG
        if offset == 5:
            state[T1_TOP] = state[T1_LATCH]
            state[T1_START] = cycle + 1
            state[T1_ARMED] = 1
            state[PB7] = 0
    elif offset == 8:
        state[T2_LATCH] = data
    elif offset == 9:
        state[T2_TOP] = data << 8 | state[T2_LATCH]
        state[T2_START] = cycle + 1
        state[T2_ARMED] = 1
        state[IFR] &= ~_T2_FLAG
    elif offset == 10:
        state[SR] = data
        _start_shift(state, cycle)
    elif offset == 11:
        _write_acr(state, data, cycle)
    elif offset == 12:
        _write_pcr(state, data)
    elif offset == 13:
        state[IFR] &= ~data
    elif data & 0x80:
        state[IER] |= data & _ALL_FLAGS
    else:
        state[IER] &= ~data
    _note_held(state, cycle)


@shared_kernel
def via_access(state: memoryview[int], operation: int, offset: int, data: int, cycle: int) -> int:
    """Read, write, or advance to a cycle.

    Args:
        state: the numbers of a 6522, `STATE_NUMBERS` of 64 bits; see `via_state`.
        operation: `READ`, `WRITE` or `ADVANCE`.
        offset: of the register, 0 to 15.
        data: the byte to write.
        cycle: of the access, not before that of the last.

    Returns:
        The byte read, or 0; with `CHANGED` if `LINE` has changed.
    """
    before = state[LINE]
    _advance(state, cycle)
    byte = 0
    from_cycle = cycle + 1
    if operation == READ:
        byte = _read(state, offset, cycle)
    elif operation == ADVANCE:
        from_cycle = cycle
    else:
        _write(state, offset, data, cycle)
    return byte | (CHANGED if _plan(state, before, cycle, from_cycle) else 0)


# Inputs, which change between accesses.


@shared_kernel
def _note_edge(state: memoryview[int], flag: int, level: int, is_rising_active: int) -> int:
    """Set a flag if an edge is the active one; return whether it is."""
    if level == is_rising_active:
        state[IFR] |= flag
        return 1
    return 0


@shared_kernel
def set_control_input(state: memoryview[int], pin: int, level: int, cycle: int) -> None:
    """Set the level of CA1, CA2, CB1 or CB2 (their places in the state) from `cycle` on."""
    before = state[LINE]
    _advance(state, cycle)
    if state[pin] != level:
        state[pin] = level
        control = state[PCR]
        if pin == CA1 and _note_edge(state, _CA1_FLAG, level, control & 1):
            state[LATCHED_A] = port_levels(state, 0, cycle)
            if control >> 1 & 7 == 4:
                state[CA2_OUT] = 1
        elif pin == CB1:
            if _note_edge(state, _CB1_FLAG, level, control >> 4 & 1):
                state[LATCHED_B] = port_levels(state, 1, cycle)
                if control >> 5 & 7 == 4:
                    state[CB2_OUT] = 1
            _shift_by_cb1(state, level)
        elif pin == CA2 and control & 0x08 == 0:
            _note_edge(state, _CA2_FLAG, level, control >> 2 & 1)
        elif pin == CB2 and control & 0x80 == 0:
            _note_edge(state, _CB2_FLAG, level, control >> 6 & 1)
    _plan(state, before, cycle, cycle)


@shared_kernel
def _shift_by_cb1(state: memoryview[int], level: int) -> None:
    if shift_mode(state) not in (_IN_EXTERNAL, _OUT_EXTERNAL):
        return
    _shift(state, level)
    if level and state[SR_EDGES] != IDLE_EDGES:
        state[SR_EDGES] += 2
        if state[SR_EDGES] >= LAST_EDGE:
            state[IFR] |= _SR_FLAG
            # It goes on shifting; the counter only counts.
            state[SR_EDGES] = 0


@shared_kernel
def set_port_inputs(state: memoryview[int], port: int, levels: int, cycle: int) -> None:
    """Set the levels that others drive onto the pins of port A (0) or B (1) from `cycle` on."""
    before = state[LINE]
    _advance(state, cycle)
    fallen = state[PINS_A + port] & ~levels & state[DRIVEN_A + port]
    state[PINS_A + port] = levels
    if port == 1 and fallen & 0x40 and state[ACR] & _PULSES:
        state[T2_TOP] = (state[T2_TOP] - 1) & 0xFFFF
        if state[T2_TOP] == 0xFFFF and state[T2_ARMED]:
            state[IFR] |= _T2_FLAG
            state[T2_ARMED] = 0
    _note_held(state, cycle)
    _plan(state, before, cycle, cycle)


@shared_kernel
def next_output(state: memoryview[int]) -> int:
    """Return the cycle in which an output may change by itself, or `NEVER_HERE`."""
    found = min(state[CA2_PULSE_END], state[CB2_PULSE_END])
    if state[ACR] & _PB7_ENABLED and (state[T1_ARMED] or state[ACR] & _FREE_RUN):
        found = min(found, state[T1_START] + state[T1_TOP] + 1)
    return min(found, state[SR_NEXT])
