"""Read the keys of a unit that shows text: cells, and the font or the name of a shipped one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from busplay.description.attributes import read_key
from busplay.description.board import GLYPHS, Font, Unit
from busplay.description.limits import LIMITS
from busplay.description.read_font import SHIPPED_FONTS, read_font, shipped_font
from busplay.description.toml_reader import (
    NoSuchFileError,
    Table,
    did_you_mean,
    one_of,
    show_string,
    show_value,
)
from busplay.errors import DescriptionError
from busplay.wording import counted

# A cell's colours are two palette indexes in one byte.
DEPTHS = (1, 2, 4)
TEXT_KEYS = ("columns", "rows", "cell_bytes", "font", "font_offset")
BITMAP_KEYS = ("width_px", "height_px", "pixel_order")


@dataclass(frozen=True, slots=True)
class CellKeys:
    """What the keys of a text unit say; attributes as in `Unit`."""

    columns: int
    rows: int
    cell_bytes: int
    font: Font
    font_offset: int | None
    bits_per_pixel: int

    @property
    def font_stop(self) -> int:
        """End of the font in display memory; 0: it is in ROM."""
        if self.font_offset is None:
            return 0
        return self.font_offset + GLYPHS * self.font.height_px


def refuse_text_keys(table: Table) -> None:
    """Refuse keys of text in a bitmap's table.

    Raises:
        DescriptionError: there is one.
    """
    for key in TEXT_KEYS:
        if key in table:
            raise table.error(
                key, found="a key of text", wanted='give mode = "text" too, or take it out'
            )


def read_cells(table: Table, folder: Path) -> CellKeys:
    """Read the cells of a unit that shows text.

    Raises:
        DescriptionError: a key is wrong, or belongs to a bitmap; or the font cannot be read.
    """
    for key in BITMAP_KEYS:
        if key in table:
            raise table.error(
                key,
                found="a key of a bitmap",
                wanted="columns, rows and the font say it in text mode, so take it out",
            )
    bits_per_pixel = table.integer(
        "bits_per_pixel", 1, 4, default=4, replace_wanted="give 1, 2 or 4 in text mode"
    )
    if bits_per_pixel not in DEPTHS:
        raise table.error(
            "bits_per_pixel", found=show_value(bits_per_pixel), wanted="give 1, 2 or 4 in text mode"
        )
    font = _read_font(table, folder)
    columns = _read_count(table, "columns", font.width_px)
    rows = _read_count(table, "rows", font.height_px)
    font_offset = read_key(table, Unit, "font_offset") if "font_offset" in table else None
    cell_bytes = read_key(table, Unit, "cell_bytes")
    return CellKeys(columns, rows, cell_bytes, font, font_offset, bits_per_pixel)


def _read_count(table: Table, key: str, cell_px: int) -> int:
    first, last = LIMITS[Unit, key]
    most_px = LIMITS[Unit, "width_px"][1]
    count = table.integer(key, first, last)
    if count * cell_px > most_px:
        raise table.error(
            key,
            found=f"{count} of {counted(cell_px, 'pixel')}",
            wanted=f"a picture has up to {most_px:,} pixels, so give {most_px // cell_px} or less",
        )
    return count


def _read_font(table: Table, folder: Path) -> Font:
    text = table.text(
        "font", default=SHIPPED_FONTS[0], wanted=f"give {one_of(SHIPPED_FONTS)}, or a font's file"
    )
    if text.lower() in SHIPPED_FONTS:
        return shipped_font(text.lower())
    try:
        return read_font(folder / text)
    except NoSuchFileError:
        names = f"fonts with a name: {', '.join(SHIPPED_FONTS)}"
        raise table.error(
            "font",
            found=show_string(text),
            wanted="no font and no file (relative to the board file) has that name; "
            f"{did_you_mean(text, SHIPPED_FONTS, otherwise=names)}",
        ) from None
    except DescriptionError as error:
        # Of the font's file alone it would not be known which board and unit want it.
        where = f"{show_string(text)}, {error.place}" if error.place else show_string(text)
        raise table.error(
            "font", found=f"{where}: {error.found}", wanted=error.wanted or ""
        ) from None
