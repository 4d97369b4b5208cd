"""Inputs made from a corpus by small damages: the fuzzer where Atheris does not install.

The damages are those that files meet (bytes changed, cut, doubled, moved) and those that find
bugs in parsers: numbers at the edges of their ranges, words of the same file at other places.
"""

from __future__ import annotations

import random
import re
from collections.abc import Sequence

from tests.fuzz.limits import INPUT_BYTES_MOST

_NUMBERS = (
    b"0", b"-1", b"255", b"65536", b"2147483648", b"4294967296", b"9223372036854775807",
    b"18446744073709551616", b"99999999999999999999999", b"1e308", b"1e-308", b"nan", b"0x",
)  # fmt: skip
_BYTES = (b"\0", b"\xff", b"\n", b'"', b",", b"$", b"#", b"\x1b", b"\xc3", b"\xed\xa0\x80")
_WORD = re.compile(rb"[0-9A-Za-z_$#.+-]+")


def mutated(seeds: Sequence[bytes], draw: random.Random) -> bytes:
    """Return one of the seeds with one to eight damages, at most 64 kB long."""
    content = draw.choice(seeds)
    for _ in range(draw.randint(1, 8)):
        content = _damaged(content, seeds, draw)
    return content[:INPUT_BYTES_MOST]


def _damaged(content: bytes, seeds: Sequence[bytes], draw: random.Random) -> bytes:
    kind = draw.randrange(9)
    at = draw.randint(0, len(content))
    stop = min(len(content), at + draw.choice((1, 2, 4, 16, 64, 1024)))
    if kind == 0 and at < len(content):
        flipped = content[at] ^ 1 << draw.randrange(8)
        return content[:at] + bytes([flipped]) + content[at + 1 :]
    if kind == 1:
        return content[:at] + content[stop:]
    if kind == 2:
        return content[:at] + content[at:stop] * draw.choice((2, 3, 50)) + content[stop:]
    if kind == 3:
        return content[:at] + draw.choice(_BYTES) + content[at:]
    if kind == 4:
        return content[:at]
    if kind == 5:
        other = draw.choice(seeds)
        first = draw.randint(0, len(other))
        return content[:at] + other[first : first + draw.choice((4, 64, 1024))] + content[at:]
    if kind == 6:
        return content[:at] + draw.randbytes(stop - at) + content[stop:]
    words = list(_WORD.finditer(content))
    if not words:
        return content
    word = draw.choice(words)
    new = draw.choice(_NUMBERS) if kind == 7 else draw.choice(words).group()
    return content[: word.start()] + new + content[word.end() :]
