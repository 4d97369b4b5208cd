"""The one judgement of a frame: is it valid, is it idle, and how many were missed before it.

Both speeds use it: word by word, and at a frame's last symbol.
"""

from __future__ import annotations

import numpy as np

from busplay.jit import kernel
from busplay.receiver.rules import Rules

FAILS, IS_IDLE, IS_DATA = range(3)


@kernel
def read(word: np.uint64, rules: Rules) -> np.uint64:
    """Return a word's syndrome and, above it, its sequence number: both XORs of tables.

    Unrolled: a loop over the bytes that a link uses takes twice as long.
    """
    tables, byte = rules.reading_tables, np.uint64(0xFF)
    reading = (
        tables[word & byte]
        ^ tables[np.uint64(256) + (word >> np.uint64(8) & byte)]
        ^ tables[np.uint64(512) + (word >> np.uint64(16) & byte)]
        ^ tables[np.uint64(768) + (word >> np.uint64(24) & byte)]
    )
    if rules.shape.frame_bits > 32:
        reading ^= tables[np.uint64(1024) + (word >> np.uint64(32) & byte)]
        if rules.shape.frame_bits > 40:
            reading ^= (
                tables[np.uint64(1280) + (word >> np.uint64(40) & byte)]
                ^ tables[np.uint64(1536) + (word >> np.uint64(48) & byte)]
                ^ tables[np.uint64(1792) + (word >> np.uint64(56) & byte)]
            )
    return np.uint64(reading)


@kernel
def judge(word: np.uint64, reading: np.uint64, rules: Rules) -> int:
    """Return whether a word is invalid, idle, or valid and not idle."""
    is_idle_word = word == rules.shape.idle_word
    if reading & rules.syndrome_mask != np.uint64(0) and not is_idle_word:
        return FAILS
    if (is_idle_word and rules.idle_counts) or word & rules.space_mask == rules.space_idle:
        return IS_IDLE
    return IS_DATA


@kernel
def is_next(word: np.uint64, wanted: np.uint64, mask: np.uint64, rules: Rules) -> bool:
    """Return whether a word is valid, not idle, and reads as wanted: has the next number.

    What `judge` and `missed_before` say of such a word is known with that.
    """
    reads_so = (read(word, rules) ^ wanted) & mask == np.uint64(0)
    is_idle = word == rules.shape.idle_word or word & rules.space_mask == rules.space_idle
    return reads_so and not is_idle


@kernel
def is_valid(word: np.uint64, rules: Rules) -> bool:
    """Return whether a word's check and constants hold."""
    return judge(word, read(word, rules), rules) != FAILS


@kernel
def next_number(reading: np.uint64, rules: Rules) -> int:
    """Return the sequence number that follows a word's."""
    number = reading >> rules.sequence_shift
    return int(np.int64(number + np.uint64(1) & rules.sequence_mask))


@kernel
def missed_before(reading: np.uint64, expected: int, rules: Rules) -> int:
    """Return how many frames were missed before a word, from the sequence number expected."""
    if expected < 0:
        return 0
    number = reading >> rules.sequence_shift
    return int(np.int64(number - np.uint64(expected) & rules.sequence_mask))


@kernel
def corrected(word: np.uint64, reading: np.uint64, rules: Rules) -> np.uint64:
    """Return an invalid word with its one invalid bit corrected, else unchanged."""
    bits = len(rules.bit_syndromes)
    for bit in range(bits):
        if rules.bit_syndromes[bit] == reading & rules.syndrome_mask:
            return np.uint64(word ^ np.uint64(1) << np.uint64(bits - 1 - bit))
    return word


@kernel
def may_show_marker(before: np.uint64, word: np.uint64, rules: Rules) -> bool:
    """Return whether a marker begins within the first of two adjacent words."""
    for symbols in range(1, rules.shape.frame_symbols):
        shift = symbols * rules.shape.lanes
        seen = before << np.uint64(shift) | word >> np.uint64(rules.shape.frame_bits - shift)
        if seen & rules.marker_mask == rules.marker_word:
            return True
    return False
