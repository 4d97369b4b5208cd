"""Bytes as text within a page: seven bits a character, so a seventh longer than the bytes.

Base64 makes bytes a third longer. A page is UTF-8, whose first 128 characters take a byte each; the
few of them that HTML, or a terminal, takes amiss stand in one character of two bytes together with
the seven bits that follow, which costs nothing. `decoder.js` has the inverse.
"""

from __future__ import annotations

import re

import numpy as np

BITS = 7
# NUL and CR do not survive HTML, `<` could end the element; the others upset terminals and editors.
BARRED = bytes([0x00, 0x07, 0x08, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x1A, 0x1B, 0x3C, 0x7F])
# Behind the control characters of Latin-1.
PAIRS_FROM = 0xA0
# Whole characters; a bit takes a byte on the way.
_PART_BYTES = BITS << 17
_PAIR = re.compile(b"([" + re.escape(BARRED) + b"])(.?)", re.DOTALL)


def text_of_bytes(data: bytes) -> str:
    """Return bytes as a text that HTML leaves as it is, without `<`."""
    parts = (
        _sevens(data[first : first + _PART_BYTES]) for first in range(0, len(data), _PART_BYTES)
    )
    return _PAIR.sub(_pair, b"".join(parts)).decode("utf-8")


def _sevens(data: bytes) -> bytes:
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    rows = np.pad(bits, (0, -len(bits) % BITS)).reshape(-1, BITS)
    return np.packbits(np.pad(rows, ((0, 0), (1, 0))), axis=1).tobytes()


def _pair(found: re.Match[bytes]) -> bytes:
    barred, following = found.groups()
    code = PAIRS_FROM + (BARRED.index(barred) << BITS) + (following[0] if following else 0)
    return chr(code).encode("utf-8")
