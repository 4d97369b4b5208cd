"""Description files for tests: small right ones, edits of them, and links written as TOML."""

from __future__ import annotations

from busplay.description.link import Link, MarkerFraming, StrobeFraming

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


def edited(text: str, *edits: tuple[str, str]) -> str:
    """Replace the one place where each old text stands; an edit that misses is a test's mistake."""
    for old, new in edits:
        if text.count(old) != 1:
            raise ValueError(f"{old!r} stands {text.count(old)} times in the text")
        text = text.replace(old, new)
    return text


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def link_toml(link: Link) -> str:
    """Write a link as the TOML that describes it."""
    lines = [
        f"name = {_quoted(link.name)}",
        f"description = {_quoted(link.description)}",
        f"lanes = {link.lanes}",
        f'edges = "{link.edges}"',
        f'start = "{link.start}"',
        f'first_bit_lane = "{link.first_bit_lane}"',
        'clock = "processor"' if link.clock_hz is None else f"clock_hz = {link.clock_hz}",
    ]
    if link.idle_every is not None:
        lines.append(f"idle_every = {link.idle_every}")
    for one in link.fields:
        lines += ["[[fields]]", f'name = "{one.name}"', f"bits = {one.bits}"]
        lines.append(f'order = "{one.order}"')
        if one.value is not None:
            lines.append(f"value = {one.value}")
    framing = link.framing
    lines.append("[framing]")
    if isinstance(framing, StrobeFraming):
        lines += [
            'method = "strobe"',
            f'span = "{framing.span}"',
            f'active = "{framing.active}"',
            f"gap_symbols = {framing.gap_symbols}",
        ]
    else:
        if isinstance(framing, MarkerFraming):
            symbols = ", ".join(hex(symbol) for symbol in framing.symbols)
            lines += [
                'method = "marker"',
                f"symbols = [{symbols}]",
                f'rule = "{framing.rule}"',
            ]
        else:
            lines.append('method = "check"')
        if not isinstance(framing, MarkerFraming) or framing.rule == "confirm":
            lines.append(f"confirm_frames = {framing.confirm_frames}")
        lines.append(f"release_frames = {framing.release_frames}")
    if link.check:
        check = link.check
        lines += ["[check]", f'field = "{check.field}"', f'kind = "{check.kind}"']
        if check.kind == "custom":
            lines.append(f"polynomial = {check.polynomial:#x}")
        covers = ", ".join(_quoted(name) for name in check.covers)
        lines += [
            f"initial = {check.initial:#x}",
            f"xor = {check.xor:#x}",
            f"covers = [{covers}]",
        ]
    if link.idle:
        lines.append("[idle]")
        lines += [f"{name} = {value}" for name, value in link.idle.items()]
    return "\n".join(lines) + "\n"
