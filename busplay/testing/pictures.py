"""Expected pictures beside a test, and what became of each comparison.

The picture `title` of a test in `tests/test_screens.py` is `tests/pictures/title.png`: any PNG file
with the screen's pixels, at scale 1 and without border.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busplay.errors import InputError
from busplay.export.difference import difference_image, pixels_different
from busplay.png import encode_png
from busplay.testing.gathered import SOFTWARE
from busplay.whole_file import no_way_to_write, write_whole_file

Image = NDArray[np.uint8]
State = Literal["new", "changed", "missing", "different"]

FOLDER = "pictures"
_NAME = re.compile(r"\w[\w.+-]*")
_SLUG_MOST = 80


@dataclass(frozen=True, slots=True)
class PictureCheck:
    """A comparison that did not find what was expected.

    Attributes:
        test: id of the test.
        picture: the expected picture's file, as shown to people.
        state: `new` or `changed`: it was written; `missing` or `different`: the test fails.
        pixels_different: pixels with another colour; None: the sizes differ, or nothing was there.
        pixels: of the screen.
        expected, actual, difference: names of the pictures gathered; empty: there is none.
    """

    test: str
    picture: str
    state: State
    pixels_different: int | None
    pixels: int
    expected: str = ""
    actual: str = ""
    difference: str = ""

    def __str__(self) -> str:
        if self.state in ("new", "missing"):
            return self.picture
        if self.pixels_different is None:
            return f"{self.picture} (another size)"
        return f"{self.picture} ({self.pixels_different:,} of {self.pixels:,} pixels)"


@dataclass(frozen=True, slots=True)
class ExpectedPictures:
    """The expected pictures of one test.

    Args:
        test: id of the test.
        folder: with the pictures.
        root: folder to which names are relative in messages.
        update: write pictures that are missing or differ, instead of failing.
        gather: folder for the pictures that differ; None: nowhere.
        report: takes each comparison that did not find what was expected.
        written: digest of the pixels written in this run, by file; shared by all tests.
    """

    test: str
    folder: Path
    root: Path
    update: bool
    gather: Path | None
    report: Callable[[PictureCheck], object]
    written: dict[Path, str]

    def check(self, name: str, actual: Image, explain: Callable[[int, int], str]) -> str | None:
        """Compare a screen with the picture of a name.

        Args:
            name: letters, digits, `_`, `-`, `.` and `+`.
            actual: uint8[rows, columns, 3].
            explain: returns why a pixel, x and y, has its colour.

        Returns:
            What is wrong, for people; None: nothing is, or the picture was written.

        Raises:
            InputError: the picture cannot be read, or two tests write it differently.
            OutputError: a picture cannot be written.
            ValueError: no picture has such a name.
        """
        if not _NAME.fullmatch(name):
            raise ValueError(
                f"{name!r} is no name for a picture; use letters, digits, '_', '-', '.' and '+'"
            )
        path = self.folder / f"{name}.png"
        expected = read_picture(path) if path.is_file() else None
        is_same = expected is not None and np.array_equal(expected, actual)
        if self.update:
            self._require_one_picture(path, actual)
        if is_same:
            return None
        state: State = "missing" if expected is None else "different"
        if self.update:
            state = "new" if expected is None else "changed"
            _make_folder(path.parent)
            write_whole_file(path, encode_png(actual))
        check = self._make_check(state, path, expected, actual)
        if self.gather is not None:
            files = self._gather(self.gather, name, expected, actual)
            check = replace(
                check,
                expected=files.get("expected", ""),
                actual=files["actual"],
                difference=files.get("difference", ""),
            )
        self.report(check)
        return None if self.update else _failure_text(check, expected, actual, explain)

    def _require_one_picture(self, path: Path, actual: Image) -> None:
        digest = hashlib.sha256(repr(actual.shape).encode() + actual.tobytes()).hexdigest()
        if self.written.setdefault(path, digest) != digest:
            raise InputError(
                file=str(path),
                found="two screens in this run with the same picture's name, and other pixels",
                wanted="give each picture a name of its own",
            )

    def _make_check(
        self, state: State, path: Path, expected: Image | None, actual: Image
    ) -> PictureCheck:
        count = None
        if expected is not None and expected.shape == actual.shape:
            count = pixels_different(expected, actual)
        shown = path.relative_to(self.root) if path.is_relative_to(self.root) else path
        return PictureCheck(self.test, str(shown), state, count, actual.shape[0] * actual.shape[1])

    def _gather(
        self, folder: Path, name: str, expected: Image | None, actual: Image
    ) -> dict[str, str]:
        """Write expected, actual and difference; return their files' names."""
        _make_folder(folder)
        digest = hashlib.sha256(f"{self.test}\n{name}".encode()).hexdigest()[:8]
        slug = re.sub(r"[^\w.+-]+", "-", self.test.rpartition("::")[2])[:_SLUG_MOST]
        images = {"expected": expected, "actual": actual, "difference": None}
        if expected is not None and expected.shape == actual.shape:
            images["difference"] = difference_image(expected, actual)
        files = {}
        for kind, image in images.items():
            if image is not None:
                files[kind] = f"{slug}-{name}-{digest}-{kind}.png"
                write_whole_file(folder / files[kind], encode_png(image, software=SOFTWARE))
        return files


def read_picture(path: Path) -> Image:
    """Read a picture as uint8[rows, columns, 3].

    Raises:
        InputError: Pillow is not installed, or the file is no picture that it can read.
    """
    try:
        from PIL import Image as PillowImage
    except ImportError:
        raise InputError(
            file=str(path),
            found="no Pillow, which reads the picture",
            wanted="install it: pip install 'busplay[pytest]'",
        ) from None
    try:
        with PillowImage.open(path, formats=("PNG",)) as opened:
            return np.array(opened.convert("RGB"), np.uint8)
    except (OSError, ValueError, SyntaxError, PillowImage.DecompressionBombError) as error:
        raise InputError(
            file=str(path), found=f"no picture: {error}", wanted="a PNG file belongs here"
        ) from None


def _failure_text(
    check: PictureCheck,
    expected: Image | None,
    actual: Image,
    explain: Callable[[int, int], str],
) -> str:
    remedy = "--busplay-update writes the picture as it is now"
    if expected is None:
        return f"there is no picture {check.picture}\n{remedy}"
    if check.pixels_different is None:
        (high, wide), (rows, columns) = expected.shape[:2], actual.shape[:2]
        return (
            f"{check.picture} has {wide} by {high} pixels, the screen {columns} by {rows}\n{remedy}"
        )
    y, x = (int(one) for one in np.argwhere((expected != actual).any(axis=2))[0])
    return "\n".join(
        (
            f"the screen differs from {check.picture} in {check.pixels_different:,} of"
            f" {check.pixels:,} pixels",
            f"first at {x},{y}: expected {_colour(expected[y, x])}, found {_colour(actual[y, x])}",
            explain(x, y),
            remedy,
        )
    )


def _colour(pixel: Image) -> str:
    return "#" + "".join(f"{part:02X}" for part in pixel.tolist())


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise no_way_to_write(folder, error) from error
