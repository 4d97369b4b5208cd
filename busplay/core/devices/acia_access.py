"""What a 6551 does at an access, as a function of its state and the cycle; see `via_access`.

Cycles: a byte that is written in cycle w, with the shift register empty, is in that from w + 1 on
and gone a character later; a second one waits in its register, and the transmit-empty flag is clear
until it moves on. A byte is received when its stop bits are over. While CTS is high, or the
command register has the transmitter off or sends a break, a byte stays in its register.

# Follows: Rockwell R6551 data sheet; for the stuck flag and where the parts differ at CTS, DCD and
#          DSR, Western Design Center W65C51N data sheet
# Read in: from memory; what the W65C51N's sheet says of its flag in a restatement
# Departs: the other end always has the programmed rate and format, so it damages nothing, and waits
#          while DTR or DCD is high; the transmitter starts at once, not at the next sixteenth of a
#          bit; a character that CTS cuts short keeps its time on the line
"""

from __future__ import annotations

from busplay.core.devices.acia_state import (
    CHARACTER_CYCLES,
    CMOS,
    COMMAND,
    COMMAND_REGISTER,
    CONTROL,
    CTS,
    DATA,
    DCD,
    DCD_BIT,
    DCD_SEEN,
    DSR,
    DSR_BIT,
    DSR_SEEN,
    EMPTY_BIT,
    ENABLED,
    IRQ,
    IRQ_BIT,
    LINE,
    MODEM_CHANGED,
    NEVER_HERE,
    OVERRUN,
    OVERRUN_BIT,
    RECEIVED,
    RECEIVED_BIT,
    RECEIVED_FULL,
    RECEIVER_MASKED,
    SENDS_BREAK,
    SENT_COUNT,
    SENT_FIRST,
    SHIFT_END,
    SHIFTED,
    STATUS,
    TO_SEND,
    TO_SEND_FULL,
    TRANSMIT_CONTROL,
    TRANSMIT_INTERRUPT,
    TRANSMITTER_OFF,
)
from busplay.core.devices.via_state import CHANGED, READ, WRITE
from busplay.jit import shared_kernel


@shared_kernel
def interrupts_on_empty(state: memoryview[int]) -> int:
    """Return whether an empty transmit register interrupts."""
    command = state[COMMAND]
    enabled = command & ENABLED and command & TRANSMIT_CONTROL == TRANSMIT_INTERRUPT
    return 1 if enabled else 0


@shared_kernel
def interrupts_on_received(state: memoryview[int]) -> int:
    """Return whether a received byte interrupts."""
    return 1 if state[COMMAND] & (ENABLED | RECEIVER_MASKED) == ENABLED else 0


@shared_kernel
def _interrupts_on_modem(state: memoryview[int]) -> int:
    """Return whether a change of DCD or DSR interrupts; only the CMOS part can mask that alone."""
    masks = ENABLED | RECEIVER_MASKED if state[CMOS] else ENABLED
    return 1 if state[COMMAND] & masks == ENABLED else 0


@shared_kernel
def holds_transmitter(state: memoryview[int]) -> int:
    """Return whether no further byte is sent."""
    control = state[COMMAND] & TRANSMIT_CONTROL
    return 1 if state[CTS] or control in (TRANSMITTER_OFF, SENDS_BREAK) else 0


@shared_kernel
def _look_at_modem(state: memoryview[int]) -> None:
    """Bring the status bits to the levels of DCD and DSR, unless a change waits to be read."""
    if state[MODEM_CHANGED] or (state[DCD_SEEN] == state[DCD] and state[DSR_SEEN] == state[DSR]):
        return
    state[DCD_SEEN] = state[DCD]
    state[DSR_SEEN] = state[DSR]
    if _interrupts_on_modem(state):
        state[MODEM_CHANGED] = 1
        state[IRQ] = 1


@shared_kernel
def _begin(state: memoryview[int], cycle: int) -> None:
    """Begin to send the byte that waits, if there is one and nothing holds it."""
    if state[TO_SEND_FULL] and state[SHIFT_END] == NEVER_HERE and not holds_transmitter(state):
        state[SHIFTED] = state[TO_SEND]
        state[TO_SEND_FULL] = 0
        state[SHIFT_END] = cycle + state[CHARACTER_CYCLES]
        if interrupts_on_empty(state):
            state[IRQ] = 1


@shared_kernel
def _finish(state: memoryview[int], cycle: int) -> None:
    """Finish the characters that are gone by a cycle."""
    while state[SHIFT_END] <= cycle:
        state[SENT_FIRST + state[SENT_COUNT]] = state[SHIFTED]
        state[SENT_COUNT] += 1
        end = state[SHIFT_END]
        state[SHIFT_END] = NEVER_HERE
        _begin(state, end)


@shared_kernel
def _plan(state: memoryview[int], before: int, cycle: int, from_cycle: int) -> int:
    """Work out from when on the interrupt output is active; return whether that has changed."""
    if state[IRQ] or (state[CMOS] and interrupts_on_empty(state)):
        state[LINE] = before if before <= cycle else from_cycle
    elif state[TO_SEND_FULL] and interrupts_on_empty(state) and not holds_transmitter(state):
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
        status = EMPTY_BIT if state[CMOS] or not state[TO_SEND_FULL] else 0
        if state[RECEIVED_FULL]:
            status |= RECEIVED_BIT
        if state[OVERRUN]:
            status |= OVERRUN_BIT
        if state[DCD_SEEN]:
            status |= DCD_BIT
        if state[DSR_SEEN]:
            status |= DSR_BIT
        if state[IRQ] or (state[CMOS] and interrupts_on_empty(state)):
            status |= IRQ_BIT
        state[IRQ] = 0
        state[MODEM_CHANGED] = 0
        # A change in the meantime interrupts at once.
        _look_at_modem(state)
        return status
    return state[COMMAND] if offset == COMMAND_REGISTER else state[CONTROL]


@shared_kernel
def _send(state: memoryview[int], data: int, cycle: int) -> None:
    if state[CMOS] and state[SHIFT_END] != NEVER_HERE and not holds_transmitter(state):
        # It loads both registers at once: what was being shifted is lost.
        state[SHIFTED] = data
        state[SHIFT_END] = cycle + 1 + state[CHARACTER_CYCLES]
        if interrupts_on_empty(state):
            state[IRQ] = 1
    else:
        state[TO_SEND] = data
        state[TO_SEND_FULL] = 1
        _begin(state, cycle + 1)


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
        if not data & ENABLED:
            state[IRQ] = 0
        _begin(state, cycle + 1)
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
def receive(state: memoryview[int], byte: int, cycle: int) -> int:
    """Take a byte from the line in a cycle; return 0 if it is lost, as the last was not read."""
    before = state[LINE]
    _finish(state, cycle)
    is_lost = state[RECEIVED_FULL]
    if is_lost:
        state[OVERRUN] = 1
    else:
        state[RECEIVED] = byte
        state[RECEIVED_FULL] = 1
    if interrupts_on_received(state):
        state[IRQ] = 1
    _plan(state, before, cycle, cycle)
    return 1 - is_lost


@shared_kernel
def set_modem_input(state: memoryview[int], place: int, level: int, cycle: int) -> None:
    """Set the level of CTS, DCD or DSR (their places in the state) from a cycle on."""
    before = state[LINE]
    _finish(state, cycle)
    state[place] = level
    _look_at_modem(state)
    _begin(state, cycle)
    _plan(state, before, cycle, cycle)
