"""What a 6551 does at an access, as a function of its state and the cycle; see `via_access`.

Cycles: a byte that is written in cycle w, with the shift register empty, is in that from w + 1 on
and gone a character later; a second one waits in its register, and the transmit-empty flag is clear
until it moves on. A byte is received when its stop bits are over.

# Follows: Rockwell R6551 data sheet; for the stuck flag, Western Design Center W65C51N data sheet
# Read in: from memory; what the W65C51N's sheet says of its flag in a restatement
# Departs: bytes are never damaged on the line, and the other end waits while DTR is inactive; the
#          transmitter starts at once, not at the next sixteenth of a bit; RTS does not hold it
"""

from __future__ import annotations

from busplay.core.devices.acia_state import (
    CHARACTER_CYCLES,
    COMMAND,
    COMMAND_REGISTER,
    CONTROL,
    DATA,
    EMPTY_BIT,
    IRQ,
    IRQ_BIT,
    LINE,
    NEVER_HERE,
    OVERRUN,
    OVERRUN_BIT,
    RECEIVED,
    RECEIVED_BIT,
    RECEIVED_FULL,
    SENT_COUNT,
    SENT_FIRST,
    SHIFT_END,
    SHIFTED,
    STATUS,
    STUCK,
    TO_SEND,
    TO_SEND_FULL,
)
from busplay.core.devices.via_state import CHANGED, READ, WRITE
from busplay.jit import shared_kernel

_ENABLED, _RECEIVER_MASKED, _TRANSMIT_CONTROL, _TRANSMIT_INTERRUPT = 0x01, 0x02, 0x0C, 0x04


@shared_kernel
def interrupts_on_empty(state: memoryview[int]) -> int:
    """Return whether an empty transmit register interrupts."""
    command = state[COMMAND]
    enabled = command & _ENABLED and command & _TRANSMIT_CONTROL == _TRANSMIT_INTERRUPT
    return 1 if enabled else 0


@shared_kernel
def interrupts_on_received(state: memoryview[int]) -> int:
    """Return whether a received byte interrupts."""
    return 1 if state[COMMAND] & (_ENABLED | _RECEIVER_MASKED) == _ENABLED else 0


@shared_kernel
def _finish(state: memoryview[int], cycle: int) -> None:
    """Finish the characters that are gone by a cycle."""
    while state[SHIFT_END] <= cycle:
        state[SENT_FIRST + state[SENT_COUNT]] = state[SHIFTED]
        state[SENT_COUNT] += 1
        if state[TO_SEND_FULL]:
            state[SHIFTED] = state[TO_SEND]
            state[TO_SEND_FULL] = 0
            state[SHIFT_END] += state[CHARACTER_CYCLES]
            if interrupts_on_empty(state):
                state[IRQ] = 1
        else:
            state[SHIFT_END] = NEVER_HERE


@shared_kernel
def _plan(state: memoryview[int], before: int, cycle: int, from_cycle: int) -> int:
    """Work out from when on the interrupt output is active; return whether that has changed."""
    if state[IRQ] or (state[STUCK] and interrupts_on_empty(state)):
        state[LINE] = before if before <= cycle else from_cycle
    elif state[TO_SEND_FULL] and interrupts_on_empty(state):
        state[LINE] = state[SHIFT_END]
    else:
        state[LINE] = NEVER_HERE
    return 1 if state[LINE] != before else 0


@shared_kernel
def _read(state: memoryview[int], offset: int) -> int:
    if offset == DATA:
        state[RECEIVED_FULL] = 0
        state[OVERRUN] = 0
        return state[RECEIVED]
    if offset == STATUS:
        status = EMPTY_BIT if state[STUCK] or not state[TO_SEND_FULL] else 0
        if state[RECEIVED_FULL]:
            status |= RECEIVED_BIT
        if state[OVERRUN]:
            status |= OVERRUN_BIT
        if state[IRQ] or (state[STUCK] and interrupts_on_empty(state)):
            status |= IRQ_BIT
        state[IRQ] = 0
        return status
    return state[COMMAND] if offset == COMMAND_REGISTER else state[CONTROL]


@shared_kernel
def _send(state: memoryview[int], data: int, cycle: int) -> None:
    if state[SHIFT_END] == NEVER_HERE or state[STUCK]:
        # A stuck part loads both registers at once: what was being shifted is lost.
        state[SHIFTED] = data
        state[SHIFT_END] = cycle + 1 + state[CHARACTER_CYCLES]
        if interrupts_on_empty(state):
            state[IRQ] = 1
    else:
        state[TO_SEND] = data
        state[TO_SEND_FULL] = 1


@shared_kernel
def _write(state: memoryview[int], offset: int, data: int, cycle: int) -> None:
    if offset == DATA:
        _send(state, data, cycle)
    elif offset == STATUS:
        # A programmed reset.
        state[COMMAND] &= 0xE0
        state[OVERRUN] = 0
        state[IRQ] = 0
    elif offset == COMMAND_REGISTER:
        had_interrupt = interrupts_on_empty(state)
        state[COMMAND] = data
        if interrupts_on_empty(state) and not had_interrupt and not state[TO_SEND_FULL]:
            state[IRQ] = 1
        if not data & _ENABLED:
            state[IRQ] = 0
    else:
        state[CONTROL] = data


@shared_kernel
def acia_access(state: memoryview[int], operation: int, offset: int, data: int, cycle: int) -> int:
    """Read, write, or advance to a cycle; as `via_access`, with the state of `acia_state`."""
    before = state[LINE]
    _finish(state, cycle)
    byte = 0
    from_cycle = cycle + 1
    if operation == READ:
        byte = _read(state, offset)
    elif operation == WRITE:
        _write(state, offset, data, cycle)
    else:
        from_cycle = cycle
    return byte | (CHANGED if _plan(state, before, cycle, from_cycle) else 0)


@shared_kernel
def receive(state: memoryview[int], byte: int, cycle: int) -> None:
    """Take a byte from the line in a cycle; it is lost if the one before was not read."""
    before = state[LINE]
    _finish(state, cycle)
    if state[RECEIVED_FULL]:
        state[OVERRUN] = 1
    else:
        state[RECEIVED] = byte
        state[RECEIVED_FULL] = 1
    if interrupts_on_received(state):
        state[IRQ] = 1
    _plan(state, before, cycle, cycle)
