"""Attributes from a class's docstring, for references generated from the code."""

from __future__ import annotations

import inspect
import re

_ENTRY = re.compile(r"(?P<names>[a-z_][\w, ]*): (?P<text>.*)")


def attribute_meanings(kind: type) -> dict[str, str]:
    """Return the text of each attribute under `Attributes:` in a class's docstring.

    >>> from busplay.description.board import Sender
    >>> attribute_meanings(Sender)["lead_frames"]
    "idle slots that are sent before the processor's cycle 0."
    """
    lines = inspect.cleandoc(kind.__doc__ or "").partition("\nAttributes:\n")[2].splitlines()
    meanings: dict[str, str] = {}
    names: list[str] = []
    for line in lines:
        if line and not line.startswith(" "):
            break
        entry = _ENTRY.fullmatch(line[4:]) if line[4:5] not in ("", " ") else None
        if entry:
            names = entry["names"].replace(" ", "").split(",")
            meanings |= dict.fromkeys(names, entry["text"])
        else:
            for name in names if line.strip() else ():
                meanings[name] += f" {line.strip()}"
    return meanings
