"""What the window says of pictures that flash."""

from __future__ import annotations

from busplay.player.flash_guard import FlashWarning


def flash_text(warning: FlashWarning | None, *, is_held: bool) -> str:
    """Return a line for flashes over the thresholds; empty if there are none.

    Args:
        warning: what flashes.
        is_held: the picture stands still.
    """
    if warning is None:
        return "Held by --calm" if is_held else ""
    head = "Held by --calm" if is_held else "Caution"
    what = "red flashes" if warning.is_red else "flashes"
    area = " and ".join(warning.units)
    if len(warning.units) == 1 and warning.width_px and warning.height_px:
        right = warning.left_px + warning.width_px - 1
        bottom = warning.top_px + warning.height_px - 1
        area += f" from {warning.left_px}, {warning.top_px} to {right}, {bottom}"
    count = f"{warning.flashes} {what} a second"
    return f"{head}: {count}, {warning.field_ratio:.0%} of a field of 10°, {area}"
