"""Description files for tests: small right ones, edits of them, and what is refused."""

from __future__ import annotations

from pathlib import Path

LINK = """\
name = "small"
lanes = 4
edges = "both"

[[fields]]
name = "space"
bits = 2

[[fields]]
name = "unit"
bits = 2

[[fields]]
name = "address"
bits = 16

[[fields]]
name = "data"
bits = 8

[[fields]]
name = "flag"
bits = 4
value = 9

[[fields]]
name = "check"
bits = 8

[check]
field = "check"
kind = "hec_i432"

[framing]
method = "check"
"""

# No field for space, unit or sequence: everything goes to the memory of one unit.
BARE_LINK = """\
name = "bare"
lanes = 8
edges = "rising"

[[fields]]
name = "address"
bits = 12
order = "low_first"

[[fields]]
name = "spare"
bits = 4

[[fields]]
name = "data"
bits = 8

[framing]
method = "strobe"
"""

MARKED_LINK = """\
name = "marked"
lanes = 8
edges = "rising"

[[fields]]
name = "flag"
bits = 2
value = 0

[[fields]]
name = "space"
bits = 2

[[fields]]
name = "unit"
bits = 4

[[fields]]
name = "address"
bits = 16

[[fields]]
name = "data"
bits = 8

[[fields]]
name = "check"
bits = 8

[check]
field = "check"
kind = "crc8_smbus"

[framing]
method = "marker"
symbols = [0xC5]
rule = "confirm"
"""

BOARD = """\
name = "small"
processor = "6502"
clock_hz = 1_000_000
link = "guarded"

[[memory]]
kind = "ram"
first_address = 0x0000
last_address = 0x9FFF

[[memory]]
kind = "rom"
first_address = 0xC000
last_address = 0xFFFF

[[windows]]
name = "pixels"
first_address = 0x4000
last_address = 0x5FFF
unit = "panel"
space = "memory"
lands_in_ram = true

[[windows]]
name = "controls"
first_address = 0xA000
last_address = 0xA007
unit = "panel"
space = "registers"

[units.panel]
width_px = 256
height_px = 192
bits_per_pixel = 4

[host_port]
first_address = 0xA100
"""

TEXTS = {"LINK": LINK, "BARE_LINK": BARE_LINK, "MARKED_LINK": MARKED_LINK, "BOARD": BOARD}


def edited(text: str, *edits: tuple[str, str]) -> str:
    """Replace the one place where each old text stands; an edit that misses is a test's mistake."""
    for old, new in edits:
        if text.count(old) != 1:
            raise ValueError(f"{old!r} stands {text.count(old)} times in the text")
        text = text.replace(old, new)
    return text


def refusals(file: str) -> list[tuple[str, str, str]]:
    """Return name, text and message of each case of a table of refusals beside this file."""
    lines = (Path(__file__).parent / file).read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if not line.startswith(";")]
    cases = []
    for head, message in zip(rows[::2], rows[1::2], strict=True):
        name, _, content = head.partition(": ")
        text = ""
        for part in content.replace("\\n", "\n").split(" | "):
            if part in TEXTS:
                text = TEXTS[part]
            elif part.startswith("+ "):
                text += part[2:]
            else:
                old, _, new = part.partition(" =>")
                text = edited(text, (old, new[1:]))
        cases.append((name, text, message.removeprefix("    ")))
    return cases
