"""The tables in which the parser looks ids up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplay.errors import InputError
from busplay.formats.vcd.changes import add_long, long_key

_SHORT_PLACES = 1 << 16


class IdTable:
    """Ids of a dump and the variable each stands for.

    Attributes:
        short: int32[65536]; variable of each id of one or two characters, or -1.
        wires: int32[65536]; the same, of variables of one bit only.
        long_keys, long_places: hash table of longer ids.

    Raises:
        InputError: two ids share a hash, which takes a crafted file.
    """

    def __init__(self, ids: Sequence[bytes], bits: Sequence[int], *, file: str) -> None:
        self.short = np.full(_SHORT_PLACES, -1, np.int32)
        self.wires = np.full(_SHORT_PLACES, -1, np.int32)
        long_ids = [(place, code) for place, code in enumerate(ids) if len(code) > 2]
        size = 2
        while size < 2 * len(long_ids) + 1:
            size *= 2
        self.long_keys = np.zeros(size, np.uint64)
        self.long_places = np.zeros(size, np.int32)
        for place, code in enumerate(ids):
            if len(code) <= 2:
                index = int.from_bytes(code, "little")
                self.short[index] = place
                if bits[place] == 1:
                    self.wires[index] = place
        known: dict[int, bytes] = {}
        for place, code in long_ids:
            key = long_key(np.frombuffer(code, np.uint8), 0, len(code))
            other = known.setdefault(int(key), code)
            if other != code:
                raise InputError(
                    found=f"the ids {other[:40]!r} and {code[:40]!r}, which share one hash",
                    wanted="give one of them another id",
                    file=file,
                )
            add_long(np.uint64(key), place, self.long_keys, self.long_places)
