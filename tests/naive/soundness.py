"""Soundness by trying everything: every frame, every error, every pair and row of frames.

For small links only. Frames are made by `tests.naive.layout` and held right if they are among the
frames that it makes, so that no rank and no syndrome is in the way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from busplay.description.link import Link, MarkerFraming, StrobeFraming
from tests.naive import layout as naive

FILLED = ("space", "unit", "sequence", "address", "data")


def field_values(
    link: Link, *, with_spare: bool, fixed: dict[str, int]
) -> Iterator[dict[str, int]]:
    """Return every combination of the fields that can have more than one value."""
    check_name = link.check.field if link.check else None
    free = [
        one
        for one in link.fields
        if one.value is None and one.name != check_name and (with_spare or one.name in FILLED)
    ]
    choices = [[fixed[one.name]] if one.name in fixed else range(1 << one.bits) for one in free]
    for values in product(*choices):
        yield {one.name: value for one, value in zip(free, values, strict=True)}


def words(
    link: Link, *, with_spare: bool = False, fixed: dict[str, int] | None = None
) -> list[int]:
    """List the words of all frames that a sender can send; with spare fields, all valid ones."""
    return [
        naive.word_of_bits(naive.frame_bits(link, values))
        for values in field_values(link, with_spare=with_spare, fixed=fixed or {})
    ]


def idle_word(link: Link) -> int:
    return naive.word_of_bits(naive.bits_of_symbols(link, naive.idle_slot(link)))


def valid_words(link: Link) -> set[int]:
    """All words that look valid to a receiver."""
    found = set(words(link, with_spare=True))
    if not isinstance(link.framing, StrobeFraming):
        found.add(idle_word(link))
    return found


def undetected_patterns(link: Link) -> list[int]:
    """Every error that turns one valid frame into another."""
    all_words = words(link, with_spare=True)
    return [all_words[0] ^ other for other in all_words]


def bits_of(word: int, link: Link) -> list[int]:
    return [int(bit) for bit in f"{word:0{link.frame_bits}b}"]


def cut(link: Link, both: Sequence[int], offset: int) -> int:
    """Read one word `offset` symbols into the bits of two."""
    start = offset * link.lanes
    return naive.word_of_bits(list(both[start : start + link.frame_bits]))


def window(link: Link, first: int, second: int, offset: int) -> int:
    return cut(link, bits_of(first, link) + bits_of(second, link), offset)


def shows_marker(link: Link, word: int) -> bool:
    framing = link.framing
    if not isinstance(framing, MarkerFraming):
        return True
    symbols = naive.symbols_of_bits(link, bits_of(word, link))
    return tuple(symbols[: len(framing.symbols)]) == framing.symbols


def runs_that_pass(link: Link, offset: int, windows: int) -> tuple[list[int], list[int]]:
    """Count rows of frames whose first 1, 2, ... windows are valid, by their last frame.

    Returns:
        One count for each number of windows, and how many rows of that length there are.
    """
    right = valid_words(link)
    frames = words(link)
    ways = dict.fromkeys(frames, 1)
    counts = []
    for index in range(windows):
        longer = dict.fromkeys(frames, 0)
        for first, second in product(frames, repeat=2):
            read = window(link, first, second, offset)
            if read in right and (index > 0 or shows_marker(link, read)):
                longer[second] += ways[first]
        ways = longer
        counts.append(sum(ways.values()))
    return counts, [len(frames) ** (index + 2) for index in range(windows)]
