"""Where a 6522's state is kept: one array of numbers, shared by both cores."""

from __future__ import annotations

(
    ORB,
    ORA,
    DDRB,
    DDRA,
    ACR,
    PCR,
    IFR,
    IER,
    T1_LATCH,
    T1_TOP,
    T1_START,
    T1_ARMED,
    PB7,
    T2_LATCH,
    T2_TOP,
    T2_START,
    T2_ARMED,
    SR,
    SR_NEXT,
    SR_EDGES,
    CB1_CLOCK,
    CB2_DATA,
    CA2_OUT,
    CB2_OUT,
    CA2_PULSE_END,
    CB2_PULSE_END,
    PINS_A,
    PINS_B,
    DRIVEN_A,
    DRIVEN_B,
    RANDOM_A,
    RANDOM_B,
    HELD_A,
    HELD_B,
    LATCHED_A,
    LATCHED_B,
    CA1,
    CA2,
    CB1,
    CB2,
    SEED,
    HOLDS,
    LINE,
) = range(43)
"""By number: the registers; counters as the value `TOP` that they read in cycle `START`; the shift
register's next clock edge and edges since its start (`IDLE_EDGES`: none to come); levels of
outputs; levels that others drive (`PINS`) and which of them are driven or random; the levels that
pins hold and that were latched; levels of the control inputs; the cycle from which the interrupt
output is active (`LINE`)."""

STATE_NUMBERS = 43
IDLE_EDGES = 99
LAST_EDGE = 16
NEVER_HERE = 1 << 62
"""A cycle that is never reached, within 64 bits."""

# The operations of `access`.
READ, WRITE, ADVANCE = 0, 1, 2
CHANGED = 0x100
"""Added to a result: the interrupt output, or when it will be active, has changed."""
