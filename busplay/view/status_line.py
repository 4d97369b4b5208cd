"""The status line: what is worth telling at each moment, as cells of a label and a value.

What goes into the cells is worked out without a screen; drawing leaves cells out, least
needed first, until the rest fits the window.
"""

from __future__ import annotations

from dataclasses import dataclass

import pygame

from busplay.player.playable import Status
from busplay.player.player import Player
from busplay.player.speed import StoreRate, speed_text
from busplay.view import theme
from busplay.view.instrument.actions import Do
from busplay.view.keys import Command, keys_of
from busplay.view.text import Texts
from busplay.view.theme import Colour, Sizes
from busplay.view.widgets.box import Box
from busplay.view.widgets.drawing import Hot

# Below this part of the asked speed, the line says what is really reached.
REACHES_PERMILLE = 950
WIDEST_STATE = "one picture"


@dataclass(frozen=True, slots=True)
class StatusCell:
    """One piece of the status line.

    Attributes:
        label: small, above the value.
        value: what is told.
        widest: room is kept for this text, so that numbers do not push their neighbours.
        need: cells of lower need are left out first.
        colour: of the value.
        more: told behind the value if there is room.
        widest_more: room is kept for this text behind the value, if there is any to spare.
        dot: the value stands behind a dot of its colour.
        command: what a click does, or None.
    """

    label: str
    value: str
    widest: str = ""
    need: int = 0
    colour: Colour = theme.TEXT
    more: str = ""
    dot: bool = False
    widest_more: str = ""
    command: Command | None = None


def time_text(cycle: int, clock_hz: int) -> str:
    """Write board time as minutes, seconds and thousandths, rounded down: `2:05.040`."""
    milliseconds = cycle * 1000 // clock_hz
    minutes, rest = divmod(milliseconds, 60_000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest // 1000:02}.{rest % 1000:03}"
    return f"{hours}:{minutes:02}:{seconds}" if hours else f"{minutes}:{seconds}"


def permille_text(permille: int) -> str:
    """Write thousandths as a percentage with one decimal: `37.2 %`."""
    return f"{permille // 10}.{permille % 10} %"


def state_cell(player: Player, status: Status, *, held: bool) -> StatusCell:
    """Return whether it runs, and if not, why."""
    if player.playable.ended and not player.playing:
        return StatusCell("state", "ended", WIDEST_STATE, 9, theme.ENDED, dot=True)
    if held:
        return StatusCell("state", "held", WIDEST_STATE, 9, theme.PAUSED, dot=True)
    if player.stepping:
        return StatusCell("state", "one picture", WIDEST_STATE, 9, theme.PAUSED, dot=True)
    if player.playing:
        value = "looping" if player.looping else "backwards" if player.is_back else "running"
        return StatusCell("state", value, WIDEST_STATE, 9, theme.RUNNING, dot=True)
    return StatusCell("state", "paused", WIDEST_STATE, 9, theme.PAUSED, dot=True)


def end_cells(player: Player, status: Status) -> list[StatusCell]:
    """Return why it has ended: `exit 0`, `stopped at $C123: opcode $02`; none if it has not."""
    if not player.playable.ended or player.playing or not status.state_text:
        return []
    return [StatusCell("ended by", "", "exit 0", 8, theme.ENDED, status.state_text)]


def speed_cell(player: Player) -> StatusCell:
    """Return the speed that is asked for, and what is reached if that is less."""
    reached = player.achieved_permille
    speed = player.speed
    text = speed_text(speed)
    if reached is None or isinstance(speed, StoreRate):
        return StatusCell("speed", text, "1/8×", 5)
    reached_text = f"{_hundredths(reached)}×"
    if speed is None:
        return StatusCell(
            "speed", reached_text, "as fast as possible", 5, more="as fast as possible"
        )
    if reached * speed.denominator < REACHES_PERMILLE * speed.numerator:
        return StatusCell("speed", reached_text, "0.00×", 5, theme.PAUSED, more=f"of {text}")
    return StatusCell("speed", text, "1/8×", 5)


def _hundredths(permille: int) -> str:
    hundredths = (permille + 5) // 10
    return f"{hundredths // 100}.{hundredths % 100:02}"


def _led_cell(name: str, *, is_lit: bool) -> StatusCell:
    colour = theme.PAUSED if is_lit else theme.DIM
    return StatusCell(name, "on" if is_lit else "off", "off", 1, colour, dot=True)


def status_cells(
    player: Player, status: Status, *, held: bool = False, alone: bool = False
) -> list[StatusCell]:
    """Return all cells of the line, left to right.

    Args:
        player, status: what they tell.
        held: time stands still, whatever is played.
        alone: the screens are shown without the panels, whose buttons do the rest.
    """
    playable = player.playable
    time = time_text(status.cycle, status.clock_hz)
    whole = ""
    is_at_head = playable.hears_keys and playable.cycle == playable.end_cycle
    if playable.can_seek and playable.end_cycle is not None and not is_at_head:
        whole = f"of {time_text(playable.end_cycle, status.clock_hz)}"
    count, causes = f"{status.errors:,}", status.error_text if status.errors else ""
    if causes.startswith(f"{count} "):
        # One cause has them all, and its number stands there already.
        causes = causes.removeprefix(f"{count} ")
    elif causes:
        count += ":"
    colour = theme.ERROR if status.errors else theme.TEXT
    errors = StatusCell("errors", count, "000", 7, colour, causes)
    return [
        state_cell(player, status, held=held),
        StatusCell(
            "time",
            time,
            "00:00.000",
            8,
            more=whole,
            # Whoever goes back from the end of a run sees how long it is.
            widest_more="of 00:00.000" if playable.can_seek else "",
        ),
        StatusCell("processor cycles", f"{status.cycle:,}", "000,000,000", 2),
        StatusCell("link use", permille_text(status.link_use_permille), "100.0 %", 6),
        StatusCell("frames", f"{status.frames:,}", "0,000,000", 3),
        *(_led_cell(name, is_lit=is_lit) for name, is_lit in status.leds),
        speed_cell(player),
        # What grows stands last, so that it moves nothing.
        errors,
        *end_cells(player, status),
        *(_key_cell(Command.INSTRUMENT, "panels") for _ in range(alone)),
        _key_cell(Command.HELP, "help"),
    ]


def _key_cell(command: Command, text: str) -> StatusCell:
    keys = keys_of(command, hears_keys=False)
    return StatusCell(keys, text, text, 4, theme.ACCENT, command=command)


class StatusLine:
    """Draws the cells at the bottom of the window."""

    def __init__(self, texts: Texts) -> None:
        self._texts = texts

    def height(self, sizes: Sizes) -> int:
        """Return the height of the line."""
        return (
            self._texts.height(sizes.small_px)
            + self._texts.height(sizes.text_px)
            + sizes.pad_px
            + sizes.line_px
        )

    def width(self, cells: list[StatusCell], sizes: Sizes) -> int:
        """Return the width of a window that shows every cell."""
        gaps = 2 * sizes.pad_px * (len(cells) + 1)
        return gaps + sum(self._cell_width(cell, sizes) for cell in cells)

    def draw(self, target: pygame.Surface, cells: list[StatusCell], sizes: Sizes) -> list[Hot]:
        """Draw as many cells as fit; return those that can be clicked."""
        width, height = target.get_size()
        top = height - self.height(sizes)
        target.fill(theme.BAR, (0, top, width, height - top))
        target.fill(theme.LINE, (0, top, width, sizes.line_px))
        gap = 2 * sizes.pad_px
        shown = self._that_fit(cells, sizes, width - 2 * sizes.pad_px, gap)
        widths = [self._cell_width(cell, sizes) for cell in shown]
        spare = width - 2 * sizes.pad_px - sum(widths) - gap * max(0, len(shown) - 1)
        mores = self._mores_that_fit(shown, sizes, spare)
        spare -= sum(mores)
        left = sizes.pad_px
        hots = []
        for i, (cell, cell_width, more) in enumerate(zip(shown, widths, mores, strict=True)):
            if cell.command is not None and i > 0:
                left += max(0, spare)  # those that can be clicked stand at the right end
                spare = 0
            self._draw_cell(target, cell, left, top + sizes.pad_px // 2, more, sizes)
            if cell.command is not None:
                box = Box(left, top, cell_width + more, height - top)
                hots.append(Hot(box, Do(cell.command), f"{cell.value}  ({cell.label})"))
            left += cell_width + more + gap
        return hots

    def _that_fit(
        self, cells: list[StatusCell], sizes: Sizes, room_px: int, gap_px: int
    ) -> list[StatusCell]:
        shown = list(cells)
        while len(shown) > 1:
            needed = sum(self._cell_width(cell, sizes) for cell in shown)
            if needed + gap_px * (len(shown) - 1) <= room_px:
                break
            shown.remove(min(shown, key=lambda cell: cell.need))
        return shown

    def _mores_that_fit(self, cells: list[StatusCell], sizes: Sizes, spare_px: int) -> list[int]:
        """Share the spare room among what cells have more to tell, the most needed first."""
        mores = [0] * len(cells)
        space = self._texts.width(" ", sizes.text_px)
        for i in sorted(range(len(cells)), key=lambda i: -cells[i].need):
            texts = [one for one in (cells[i].more, cells[i].widest_more) if one]
            if not texts:
                continue
            whole = self._value_width(cells[i], sizes) + space
            whole += max(self._texts.width(one, sizes.text_px) for one in texts)
            wanted = max(0, whole - self._cell_width(cells[i], sizes))
            # Words may be cut, a figure may not.
            some = self._texts.width("of 0:00.0", sizes.text_px)
            least = wanted if cells[i].widest_more else min(wanted, some)
            if spare_px >= least:
                mores[i] = min(wanted, spare_px)
                spare_px -= mores[i]
        return mores

    def _value_width(self, cell: StatusCell, sizes: Sizes) -> int:
        dot = _dot_room(sizes) if cell.dot else 0
        return dot + self._texts.width(cell.value, sizes.text_px)

    def _cell_width(self, cell: StatusCell, sizes: Sizes) -> int:
        dot = _dot_room(sizes) if cell.dot else 0
        return max(
            self._texts.width(cell.label, sizes.small_px),
            dot + self._texts.width(cell.widest, sizes.text_px),
            self._value_width(cell, sizes),
        )

    def _draw_cell(
        self,
        target: pygame.Surface,
        cell: StatusCell,
        left: int,
        top: int,
        more_px: int,
        sizes: Sizes,
    ) -> None:
        texts = self._texts
        texts.draw(target, cell.label, (left, top), size_px=sizes.small_px, colour=theme.DIM)
        value_top = top + texts.height(sizes.small_px)
        room = self._cell_width(cell, sizes) + more_px
        value_left = left
        if cell.dot:
            side = sizes.text_px // 2
            dot_top = value_top + (texts.height(sizes.text_px) - side) // 2
            target.fill(cell.colour, (left, dot_top, side, side))
            value_left += _dot_room(sizes)
        # "12:" announces what there may be no room for.
        value = cell.value if more_px or not cell.more else cell.value.removesuffix(":")
        value_left += texts.draw(
            target, value, (value_left, value_top), size_px=sizes.text_px, colour=cell.colour
        )
        if cell.more and more_px:
            value_left += texts.width(" ", sizes.text_px) if cell.value else 0
            more = texts.shortened(cell.more, sizes.text_px, left + room - value_left)
            texts.draw(
                target, more, (value_left, value_top), size_px=sizes.text_px, colour=theme.DIM
            )


def _dot_room(sizes: Sizes) -> int:
    return sizes.text_px * 3 // 4
