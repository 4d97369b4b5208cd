"""When a frame of one recording is a frame of the other: equal words, or equal but for the count.

A frame lost at the sender moves the sequence numbers of all that follow, and their checks with
them. `shift` is by how much, `strict` asks for words that fit it.
"""

from __future__ import annotations

import numpy as np

from busplay.analysis.compare.streams import AlignmentRules, Streams
from busplay.jit import kernel

_U0 = np.uint64(0)
_BYTE = np.uint64(0xFF)


@kernel
def _sequence(word: np.uint64, rules: AlignmentRules) -> np.uint64:
    """Gather a word's sequence number."""
    number = _U0
    for bit in range(len(rules.sequence_places)):
        number |= ((word >> np.uint64(rules.sequence_places[bit])) & np.uint64(1)) << np.uint64(bit)
    return number


@kernel
def moved_on(word: np.uint64, shift: int, rules: AlignmentRules) -> np.uint64:
    """Return the word that it would be with its sequence number moved on, check included."""
    bits = len(rules.sequence_places)
    if shift == 0 or bits == 0:
        return word
    before = _sequence(word, rules)
    after = before + np.uint64(shift)
    if bits < 64:
        after &= (np.uint64(1) << np.uint64(bits)) - np.uint64(1)
    for byte in range(len(rules.sequence_tables)):
        place = np.uint64(8 * byte)
        word ^= rules.sequence_tables[byte, (before >> place) & _BYTE]
        word ^= rules.sequence_tables[byte, (after >> place) & _BYTE]
    return word


@kernel
def shift_between(s: Streams, rules: AlignmentRules, i: int, j: int) -> int:
    """Return how much further the actual sequence number is, from 0 to one less than a round."""
    apart = _sequence(s.actual_word[j], rules) - _sequence(s.expected_word[i], rules)
    if len(rules.sequence_places) < 64:
        apart &= (np.uint64(1) << np.uint64(len(rules.sequence_places))) - np.uint64(1)
    return int(np.int64(apart))


@kernel
def are_equal(s: Streams, rules: AlignmentRules, i: int, j: int, shift: int, strict: bool) -> bool:
    if strict:
        return bool(s.actual_word[j] == moved_on(s.expected_word[i], shift, rules))
    if (s.actual_word[j] ^ s.expected_word[i]) & rules.content != _U0:
        return False
    # A moved sequence number brings its own check with it; a check or a number that fits
    # neither is damage, also where no frame behind it tells.
    fitting = moved_on(s.expected_word[i], shift_between(s, rules, i, j), rules)
    return bool(s.actual_word[j] == fitting)
