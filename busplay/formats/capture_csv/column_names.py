"""What the names and units of columns say: time, its unit, a sample's number."""

from __future__ import annotations

import re
from fractions import Fraction

from busplay.formats.quantities import UNIT_PS

_UNIT_WORDS = UNIT_PS | {
    "seconds": UNIT_PS["s"],
    "milliseconds": UNIT_PS["ms"],
    "microseconds": UNIT_PS["us"],
    "nanoseconds": UNIT_PS["ns"],
    "picoseconds": UNIT_PS["ps"],
    "femtoseconds": UNIT_PS["fs"],
}
_OTHER_UNIT_WORDS = {"", "v", "mv", "volt", "volts", "logic", "unit", "units", "bit", "trigger"}
_OTHER_UNIT_WORDS |= {"hex", "bin", "dec", "digital", "binary", "sequence"}
_UNIT = "|".join(sorted(map(re.escape, _UNIT_WORDS), key=len, reverse=True))
_NAME_UNIT = re.compile(rf"[\s\[({{/_,:-]\s*(?:in\s+)?({_UNIT})\s*[\])}}]?\s*", re.IGNORECASE)
_TIME_NAME = re.compile(r"(?:.*\W)?(?:time|times|timestamp|zeit|t|x)(?:[\W_].*)?|time.*", re.I)
_INDEX_NAME = re.compile(
    r"(?:sample|samples|index|idx|no|nr|n|#|point|points|sequence|row)"
    r"(?:[ _.#]*(?:number|index|no|nr|count|id))?[.#]?",
    re.IGNORECASE,
)


def unit_word_ps(word: str) -> Fraction | None:
    """Return the picoseconds of a unit of time standing alone; None if it is none."""
    return _UNIT_WORDS.get(word.strip(" []()\"'").lower())


def is_unit_word(word: str) -> bool:
    """Return whether a cell of the head is a unit and not a name."""
    return unit_word_ps(word) is not None or word.strip(" []()").lower() in _OTHER_UNIT_WORDS


def find_name_unit_ps(name: str) -> Fraction | None:
    """Find the unit at the end of a name such as `Time [s]`, `time_us` or `t/ns`."""
    for match in _NAME_UNIT.finditer(name):
        if match.end() == len(name):
            return _UNIT_WORDS[match.group(1).lower()]
    return unit_word_ps(name)


def is_time_name(name: str) -> bool:
    """Return whether a column of that name holds times."""
    if unit_word_ps(name) is not None:
        return True
    return _TIME_NAME.fullmatch(name.strip()) is not None


def is_index_name(name: str) -> bool:
    """Return whether a column of that name holds sample numbers."""
    return _INDEX_NAME.fullmatch(name.strip()) is not None
