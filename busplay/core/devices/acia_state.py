"""Where a 6551's state is kept: one array of numbers, shared by both cores."""

from __future__ import annotations

(
    COMMAND,
    CONTROL,
    IRQ,
    RECEIVED,
    RECEIVED_FULL,
    OVERRUN,
    TO_SEND,
    TO_SEND_FULL,
    SHIFTED,
    SHIFT_END,
    CHARACTER_CYCLES,
    SENT_COUNT,
    SENT_FIRST,
    SENT_SECOND,
    CMOS,
    CTS,
    DCD,
    DSR,
    DCD_SEEN,
    DSR_SEEN,
    MODEM_CHANGED,
    LINE,
) = range(22)
"""By number: the registers; whether the interrupt output is active; the byte received and the one
to send, and whether each register is full; the byte in the shift register, and when it is gone;
the cycles of a character; bytes sent since they were last taken, two at most; whether the part is
the CMOS one; levels of the modem inputs, what the status bits show of two of them, and whether a
change of these interrupted and was not read; the cycle from which the interrupt output is active
(`LINE`)."""

STATE_NUMBERS = 22
NEVER_HERE = 1 << 62
"""A cycle that is never reached, within 64 bits."""

# The registers, and the status bits.
DATA, STATUS, COMMAND_REGISTER, CONTROL_REGISTER = range(4)
OVERRUN_BIT, RECEIVED_BIT, EMPTY_BIT, DCD_BIT, DSR_BIT, IRQ_BIT = 0x04, 0x08, 0x10, 0x20, 0x40, 0x80
"""Not here: parity and framing errors, which this line never has."""

# The command register.
ENABLED, RECEIVER_MASKED, ECHOES = 0x01, 0x02, 0x10
TRANSMIT_CONTROL, TRANSMITTER_OFF, TRANSMIT_INTERRUPT, SENDS_BREAK = 0x0C, 0x00, 0x04, 0x0C
