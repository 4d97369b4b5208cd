"""Letters of a known size, so that widgets are tested without a font."""

from __future__ import annotations

from busplay.view.theme import Sizes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Drawing, Hot, Look, Words


class FixedMeasure:
    """Every letter is half as wide as it is high."""

    def width(self, text: str, size_px: int) -> int:
        return len(text) * size_px // 2

    def fixed_width(self, text: str, size_px: int) -> int:
        return len(text) * (size_px // 2 + 1)

    def height(self, size_px: int) -> int:
        return size_px

    def shortened(self, text: str, size_px: int, room_px: int) -> str:
        if self.width(text, size_px) <= room_px:
            return text
        letters = max(0, room_px * 2 // size_px - 1)
        return text[:letters] + "…" if letters else ""

    def wrapped(self, text: str, size_px: int, room_px: int) -> list[str]:
        most = max(1, room_px * 2 // size_px)
        return [text[i : i + most] for i in range(0, len(text), most)]


LOOK = Look(FixedMeasure(), Sizes(text_px=20, small_px=14, pad_px=8, margin_px=8, line_px=1))


def texts(drawing: Drawing) -> list[str]:
    return [one.text for one in drawing.commands if isinstance(one, Words)]


def words_box(words: Words) -> Box:
    """Return the box that a line of text covers."""
    measure = LOOK.measure
    width = (measure.fixed_width if words.fixed else measure.width)(words.text, words.size_px)
    left = words.left_px - {"left": 0, "right": width, "centre": width // 2}[words.align]
    return Box(left, words.top_px, width, measure.height(words.size_px))


def overlapping(drawing: Drawing) -> list[tuple[str, str]]:
    """Return the pairs of texts that lie over each other."""
    boxes = [(one.text, words_box(one)) for one in drawing.commands if isinstance(one, Words)]
    found = []
    for i, (text, box) in enumerate(boxes):
        for other, second in boxes[i + 1 :]:
            if (
                box.left < second.right
                and second.left < box.right
                and box.top < second.bottom
                and second.top < box.bottom
            ):
                found.append((text, other))
    return found


def hot_of(drawing: Drawing, action: object) -> Hot:
    (found,) = [hot for hot in drawing.hots if hot.action == action]
    return found
