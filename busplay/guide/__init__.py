"""Guides for people, and references generated from the code, for `busplay guide`.

A topic's text is Markdown: a file beside this one, or generated on demand, so that a reference is
always current. A line `{{name}}` in a file stands for a generated table.
"""

from __future__ import annotations

import importlib
import re
from pathlib import Path

# Topic, and its line in `busplay guide`, in reading order.
TOPICS = {
    "start": "Getting started.",
    "window": "The window: time line, pixel look-up, steps, overlays, lists.",
    "links": "Describe a link: fields, framing, check; is it sound, what can it carry?",
    "boards": "Describe a board: memory, windows, units, both ends; run programs on it.",
    "devices": "Timers, ports, serial lines, devices of your own on the processor's bus.",
    "banks": "Banked memory: pages of RAM and ROM, latches, boot overlays.",
    "registers": "Display registers and the host port.",
    "faults": "Inject faults, name lost stores, find what breaks the link.",
    "captures": "Decode what a logic analyser recorded.",
    "analysis": "Check, plan, stress, compare, profile.",
    "hardware": "Firmware, test vectors, headers and a data sheet from the description.",
    "library": "Use busplay from Python.",
    "testing": "Test your own programs with pytest: screens, link use, losses.",
    "formats": "Files: programs, labels, stores, keys, frames, traces, captures.",
    "keys": "Every key of link, board and faults files.",
    "options": "Every option of every command.",
    "json": "Every key that --json prints.",
}
_MADE = {
    "keys": ("busplay.guide.keys", "keys_text"),
    "options": ("busplay.guide.options", "options_text"),
    "json": ("busplay.guide.json_keys", "json_text"),
    "display_registers": ("busplay.display.registers", "markdown_table"),
    "commands": ("busplay.guide.options", "commands_table"),
    "public_names": ("busplay.guide.names", "names_table"),
}
FOLDER = Path(__file__).parent


def guide_text(topic: str) -> str:
    """Return a topic's text as Markdown.

    Raises:
        KeyError: there is no such topic.
    """
    if topic not in TOPICS:
        raise KeyError(topic)
    if topic in _MADE:
        return _made(topic)
    text = (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
    return re.sub(r"^\{\{(\w+)\}\}$", lambda found: _made(found[1]).strip(), text, flags=re.M)


def _made(name: str) -> str:
    module, function = _MADE[name]
    return str(getattr(importlib.import_module(module), function)())
