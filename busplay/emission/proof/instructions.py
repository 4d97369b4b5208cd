"""Cycles of the instructions that compilers use, as tables: facts, no logic.

Follows: Cortex-M0+ Technical Reference Manual, instruction timing without wait states; AVR
  Instruction Set Manual, cores with a 16-bit program counter (ATmega)
Read in: Cortex-M0+ Technical Reference Manual (DDI 0484C), table 3-1: moves, multiply, loads; the
  rest of it, and the AVR manual, from memory
"""

from __future__ import annotations

# Cortex-M0+: what is not listed takes one cycle. Loads and stores of several registers take one
# more for each, which is added where they are read.
CORTEX_LOADS = ("ldr", "str")
CORTEX_LOAD_CYCLES = 2
CORTEX_MANY = ("push", "pop", "ldm", "stm")
CORTEX_JUMP_CYCLES = 2
CORTEX_CALL_CYCLES = 3
CORTEX_POP_TO_PC_CYCLES = 3  # and one for each register, the PC among them
CORTEX_JUMP_TABLE = "<__gnu_thumb1_case"
CORTEX_MULTIPLY_CYCLES = 32  # with the small multiplier; 1 with the fast one
CORTEX_CONDITIONS = (
    "eq", "ne", "cs", "cc", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le",
)  # fmt: skip

# AVR: what is not listed takes one cycle. Branches that are taken take one more.
AVR_CYCLES = {
    **dict.fromkeys(("adiw", "sbiw", "mul", "muls", "mulsu", "fmul", "sbi", "cbi"), 2),
    **dict.fromkeys(("ld", "ldd", "lds", "st", "std", "sts", "push", "pop"), 2),
    **dict.fromkeys(("rjmp", "ijmp"), 2),
    **dict.fromkeys(("jmp", "lpm", "rcall", "icall"), 3),
    **dict.fromkeys(("call", "ret", "reti"), 4),
}
AVR_SKIPS = ("cpse", "sbrc", "sbrs", "sbic", "sbis")
# The cycles of a skip over an instruction of two words.
AVR_SKIP_CYCLES_MAX = 3
AVR_CALLS = ("call", "rcall", "icall")
AVR_JUMPS = ("jmp", "rjmp")
AVR_RETURNS = ("ret", "reti")
# What a loop that shifts a value, a bit each time, is made of: a move for each byte, and a count.
AVR_MOVES = ("lsr", "ror", "asr", "lsl", "rol", "add", "adc")
AVR_COUNTS = ("dec", "subi")
AVR_SHIFTS = (*AVR_MOVES, *AVR_COUNTS, "brne", "brpl")
