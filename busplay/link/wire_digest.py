"""The digest of a link's wire format: what goes over the wires, and what each bit means there.

How to think about it. A link file also holds a name, comments and texts, and says the same thing in
several ways: a check by name or spelled out, a constant of eight bits or two of four, any order of
the bits of a one-bit field. So the digest is not of the file but of what follows from it: the
symbols of each bit of a word, the place of each field with a meaning, the constants, the check as a
sum of bits, the idle slot, how a frame's first symbol is found, the clock.

Not in it: how many valid or invalid frames a receiver waits for, and whether a marker needs such a
confirmation. Two receivers may differ in these on the same wires.
"""

from __future__ import annotations

import json
from hashlib import sha256

import numpy as np

from busplay.description.link import Link, MarkerFraming, StrobeFraming
from busplay.description.read_link import KNOWN_WIDTHS
from busplay.link.layout import FrameLayout

# Files carry the digest: a change of what it covers needs another version.
_VERSION = "busplay wire format 1"
WIRE_DIGEST_DIGITS = 16


def wire_digest(link: Link) -> str:
    """Return the digest of a link's wire format.

    It is the same for links that differ only in names, comments, texts or the notation of the same
    thing, and in how long a receiver waits until it is in sync; any other difference changes it.

    Returns:
        The first 16 hex digits of a SHA-256, in lower case.

    Raises:
        ValueError: no frame can be laid out by the link.

    >>> import busplay
    >>> wire_digest(busplay.load_link("guarded"))
    'b040f2957dab965f'
    """
    text = json.dumps(_wire_format(FrameLayout(link)), sort_keys=True, separators=(",", ":"))
    return sha256(text.encode("ascii")).hexdigest()[:WIRE_DIGEST_DIGITS]


def _wire_format(layout: FrameLayout) -> dict[str, object]:
    """Return all that the digest covers, as plain values."""
    link, framing = layout.link, layout.link.framing
    check_name = link.check.field if link.check is not None else None
    bits = [1 << place for place in range(layout.frame_bits)]
    slots = layout.to_symbols(np.array([0, *bits], np.uint64)).reshape(-1, layout.slot_symbols)
    check_places = layout.bit_places(check_name) if check_name is not None else ()
    check_mask = sum(1 << place for place in check_places)
    has_idle = not isinstance(framing, StrobeFraming)
    return {
        "version": _VERSION,
        "lanes": layout.lanes,
        "edges": link.edges,
        "clock_hz": link.clock_hz,
        "start": link.start,
        "idle_every": link.idle_every,
        # Symbols of the word 0, and of each word of one bit, the lowest first.
        "slots": slots.tolist(),
        # Place in the word of each bit of a value, the lowest first.
        "fields": {
            one.name: layout.bit_places(one.name)
            for one in link.fields
            if one.name in KNOWN_WIDTHS and one.name != check_name
        },
        "constants": sorted(
            (place, one.value >> bit & 1)
            for one in link.fields
            if one.value is not None
            for bit, place in enumerate(layout.bit_places(one.name))
        ),
        "check": check_places,
        # The check of the word 0, and what each other bit changes in it.
        "checks": [
            layout.with_check(word) & check_mask for word in (0, *bits) if not word & check_mask
        ],
        "idle": [layout.idle_word, layout.idle_symbols.tolist()] if has_idle else None,
        "framing": type(framing).__name__,
        "marker": framing.symbols if isinstance(framing, MarkerFraming) else None,
    }
