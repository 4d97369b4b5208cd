"""Links and boards made in code, so that a stage's test needs no file.

`GUARDED` and `LEAN` are the design's; `board_with` puts the made-up Dunlin's two displays
behind any link.
"""

from __future__ import annotations

from dataclasses import replace

from busplay.description.board import Board, Memory, ReceiverEnd, Sender, Unit, Window
from busplay.description.link import Check, CheckFraming, Field, Link

GUARDED = Link(
    name="guarded",
    lanes=5,
    edges="both",
    fields=(
        Field("space", 2),
        Field("unit", 2),
        Field("sequence", 4),
        Field("address", 16),
        Field("data", 8),
        Field("check", 8),
    ),
    framing=CheckFraming(),
    check=Check(
        field="check",
        kind="hec_i432",
        polynomial=0x07,
        initial=0,
        xor=0x55,
        covers=("space", "unit", "sequence", "address", "data"),
    ),
)

LEAN = Link(
    name="lean",
    lanes=4,
    edges="both",
    fields=(
        Field("space", 2),
        Field("unit", 2),
        Field("address", 16),
        Field("data", 8),
        Field("check", 4),
    ),
    framing=CheckFraming(),
    check=Check(
        field="check",
        kind="custom",
        polynomial=0x3,
        initial=0,
        xor=0x5,
        covers=("space", "unit", "address", "data"),
    ),
)


def with_xor(link: Link, xor: int) -> Link:
    """Return a link whose check has another XOR."""
    assert link.check is not None
    return replace(link, check=replace(link.check, xor=xor))


PANEL = Unit(
    name="panel",
    number=0,
    width_px=256,
    height_px=192,
    bits_per_pixel=4,
    palette=tuple((17 * i, 17 * i, 17 * i) for i in range(16)),
    pixel_order="high_first",
    stride_bytes=128,
    base_offset=0,
    memory_bytes=24_576,
)

SIGN = Unit(
    name="sign",
    number=1,
    width_px=128,
    height_px=32,
    bits_per_pixel=1,
    palette=((0, 0, 0), (255, 255, 255)),
    pixel_order="high_first",
    stride_bytes=16,
    base_offset=0,
    memory_bytes=512,
)

WINDOWS = (
    Window("panel memory", 0x4000, 0x9FFF, "panel", "memory", lands_in_ram=True),
    Window("sign memory", 0xA000, 0xA1FF, "sign", "memory", lands_in_ram=True),
    Window("panel registers", 0xA300, 0xA307, "panel", "registers"),
    Window("sign registers", 0xA310, 0xA317, "sign", "registers"),
)


def board_with(
    link: Link,
    *,
    clock_hz: int = 8_000_000,
    windows: tuple[Window, ...] = WINDOWS,
    sender: Sender = Sender(),  # noqa: B008 - frozen
    receiver: ReceiverEnd = ReceiverEnd(),  # noqa: B008 - frozen
) -> Board:
    """Make a board of two displays behind a link."""
    return Board(
        name="dunlin",
        processor="65c02",
        clock_hz=clock_hz,
        link=link,
        memory=(Memory("ram", 0x0000, 0xA1FF), Memory("rom", 0xC000, 0xFFFF)),
        windows=windows,
        units=(PANEL, SIGN),
        sender=sender,
        receiver=receiver,
    )
