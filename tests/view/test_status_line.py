from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pygame
import pytest

from busplay.player.playable import Status
from busplay.player.player import Player
from busplay.units import Ratio
from busplay.view import theme
from busplay.view.status_line import StatusLine, permille_text, status_cells, time_text
from busplay.view.text import Texts
from busplay.view.theme import Sizes
from tests.player.fakes import FakePlayable, HandClock

STATUS = Status(
    cycle=10_666_666,
    clock_hz=8_000_000,
    frames=1_234_567,
    frames_in_last_span=372,
    slots_in_last_span=1000,
)


def cells_of(player: Player, status: Status = STATUS, *, held: bool = False) -> dict[str, str]:
    return {
        cell.label: f"{cell.value} {cell.more}".strip()
        for cell in status_cells(player, status, held=held)
    }


def player_of(**options) -> tuple[Player, FakePlayable, HandClock]:
    clock = HandClock()
    playable = FakePlayable(clock, **options)
    return Player(playable, clock), playable, clock


@pytest.mark.parametrize(
    ("cycle", "clock_hz", "text"),
    [
        (0, 8_000_000, "0:00.000"),
        (7_999, 8_000_000, "0:00.000"),
        (8_000, 8_000_000, "0:00.001"),
        (479_999_999, 8_000_000, "0:59.999"),
        (480_000_000, 8_000_000, "1:00.000"),
        (8_000_000 * 3661, 8_000_000, "1:01:01.000"),
        (1, 3, "0:00.333"),
    ],
)
def test_time_is_rounded_down_to_a_thousandth(cycle: int, clock_hz: int, text: str) -> None:
    assert time_text(cycle, clock_hz) == text


def test_permille_is_a_percentage_with_one_decimal() -> None:
    assert [permille_text(n) for n in (0, 5, 372, 1000)] == ["0.0 %", "0.5 %", "37.2 %", "100.0 %"]


def test_line_tells_state_time_cycles_link_use_frames_errors_and_speed() -> None:
    player, _, _ = player_of()
    player.play()
    assert cells_of(player) == {
        "state": "running",
        "time": "0:01.333",
        "processor cycles": "10,666,666",
        "link use": "37.2 %",
        "frames": "1,234,567",
        "errors": "0",
        "speed": "1×",
        "F1": "help",
    }


def test_state_tells_why_it_does_not_run() -> None:
    player, playable, clock = player_of(clock_hz=1000, end_cycle=10)
    assert cells_of(player)["state"] == "paused"
    player.step()
    assert cells_of(player)["state"] == "one picture"
    player.play()
    assert cells_of(player, held=True)["state"] == "held"
    clock.pass_ns(10**9)
    player.tick()
    assert playable.ended
    assert cells_of(player)["state"] == "ended"
    stopped = replace(STATUS, state_text="stopped at $C123: opcode $02")
    assert cells_of(player, stopped)["state"] == "ended"
    assert cells_of(player, stopped)["ended by"] == "stopped at $C123: opcode $02"


def test_what_grows_moves_nothing() -> None:
    """Causes of errors pushed the speed to and fro, and the end of a trace all the rest."""
    player, _, clock = player_of(clock_hz=1000, end_cycle=10)
    player.play()
    before = [cell.label for cell in status_cells(player, STATUS)]
    clock.pass_ns(10**9)
    player.tick()
    status = replace(STATUS, errors=12, error_text="9 lost, 3 late", state_text="end of trace")
    after = status_cells(player, status)
    grown = [i for i, cell in enumerate(after) if cell.more]
    assert [after[i].label for i in grown] == ["errors", "ended by"]
    assert [cell.label for cell in after[: grown[0] + 1]] == before[: grown[0] + 1]


def test_errors_are_told_with_their_causes_and_in_another_colour() -> None:
    player, _, _ = player_of()
    status = replace(STATUS, errors=1_012, error_text="9 checks failed, 1,003 frames missed")
    cell = next(cell for cell in status_cells(player, status) if cell.label == "errors")
    assert f"{cell.value} {cell.more}" == "1,012: 9 checks failed, 1,003 frames missed"
    assert cell.colour == theme.ERROR


@pytest.mark.parametrize(
    ("errors", "error_text", "told"),
    [
        (7, "7 lost", "7 lost"),
        (7, "", "7"),
        (17, "7 lost, 10 served late", "17: 7 lost, 10 served late"),
        (0, "", "0"),
    ],
)
def test_a_single_cause_s_number_is_told_once(errors: int, error_text: str, told: str) -> None:
    player, _, _ = player_of()
    status = replace(STATUS, errors=errors, error_text=error_text)
    assert cells_of(player, status)["errors"] == told


def test_state_tells_of_a_loop_while_it_plays() -> None:
    player, _, _ = player_of(clock_hz=1000, end_cycle=1000, can_seek=True)
    player.seek_to(100)
    player.mark_begin()
    assert cells_of(player)["state"] == "paused"
    player.play()
    assert cells_of(player)["state"] == "looping"
    player.pause()
    player.seek_to(500)
    player.mark_end()
    player.seek_to(600)
    player.play()
    assert cells_of(player)["state"] == "running"  # behind the loop's end


def test_speed_of_what_has_ended_is_the_one_asked_for() -> None:
    player, _, clock = player_of(clock_hz=1000, end_cycle=10)
    player.play()
    clock.pass_ns(10**9)
    player.tick()
    assert cells_of(player)["speed"] == "1×"


def test_replay_tells_how_long_it_is() -> None:
    player, _, _ = player_of(can_seek=True, end_cycle=8_000_000 * 80)
    assert cells_of(player)["time"] == "0:01.333 of 1:20.000"


@pytest.mark.parametrize(
    ("speed", "permille", "text"),
    [
        (Ratio.of(1, 1), None, "1×"),
        (Ratio.of(1, 1), 1000, "1×"),
        (Ratio.of(1, 1), 950, "1×"),
        (Ratio.of(1, 1), 949, "0.95× of 1×"),
        (Ratio.of(2, 1), 1001, "1.00× of 2×"),
        (Ratio.of(1, 4), 250, "1/4×"),
        (None, 12_345, "12.35× as fast as possible"),
        (None, None, "as fast as possible"),
    ],
)
def test_speed_tells_what_is_reached_if_that_is_less(speed, permille, text) -> None:
    player, _, _ = player_of()
    player.set_speed(speed)
    player._achieved_permille = permille
    assert cells_of(player)["speed"] == text


@pytest.mark.parametrize("width", [40, 200, 320, 500, 640, 800, 1024, 1920])
def test_cells_stay_inside_the_window_and_apart(opened: None, width: int) -> None:
    player, _, _ = player_of(can_seek=True, end_cycle=8_000_000 * 80)
    status = replace(STATUS, errors=12, error_text="9 checks failed, 3 frames missed")
    drawn: list[pygame.Rect] = []

    class WatchedTexts(Texts):
        def draw(self, target, text, place, *, size_px, colour):
            wide = super().draw(target, text, place, size_px=size_px, colour=colour)
            if text:
                drawn.append(pygame.Rect(*place, wide, self.height(size_px)))
            return wide

    texts = WatchedTexts()
    line = StatusLine(texts)
    sizes = Sizes.for_window(width, 768)
    target = pygame.Surface((width, 768), depth=32)
    line.draw(target, status_cells(player, status), sizes)
    assert drawn
    if width >= 200:
        assert all(target.get_rect().contains(rect) for rect in drawn)
    for i, one in enumerate(drawn):
        # Lines of text may touch; their letters do not.
        others = [rect.inflate(0, -rect.height // 2) for rect in drawn[i + 1 :]]
        assert not any(one.inflate(0, -one.height // 2).colliderect(other) for other in others)


def test_cells_stand_still_whatever_the_state_and_wherever_one_is(opened: None) -> None:
    """A run that was gone back in moved all cells, and so did playing it backwards."""
    player, playable, _ = player_of(can_seek=True, hears_keys=True, end_cycle=8_000_000)
    lefts = set()
    for cycle in (8_000_000, 4_000_000):
        for is_back in (False, True):
            playable.cycle, player.playing, player.is_back = cycle, True, is_back
            line = StatusLine(Texts())
            sizes = Sizes.for_instrument(1280, 720, big=False)
            cells = status_cells(player, STATUS)
            wide = [line._cell_width(cell, sizes) for cell in cells]
            mores = line._mores_that_fit(cells, sizes, 500)
            number = [cell.label for cell in cells].index("errors")
            lefts.add(sum(wide[:number]) + sum(mores[:number]))
    assert len(lefts) == 1


def test_length_of_a_recording_is_told_whole_or_not_at_all(opened: None) -> None:
    """A window of 400 pixels said `of 0:01...`."""
    player, _, _ = player_of(can_seek=True, end_cycle=8_000_000 * 80)
    line, sizes = StatusLine(Texts()), Sizes.for_instrument(400, 900, big=False)
    cells = [cell for cell in status_cells(player, STATUS) if cell.label == "time"]
    whole = line._mores_that_fit(cells, sizes, 1000)[0]
    for spare in range(0, whole + 1, 7):
        assert line._mores_that_fit(cells, sizes, spare) == [whole if spare >= whole else 0]


def test_least_needed_cells_go_first(opened: None) -> None:
    player, _, _ = player_of()
    line = StatusLine(Texts())
    sizes = Sizes.for_window(640, 480)
    cells = status_cells(player, STATUS)
    shown = []
    for room in (2000, 500, 300, 1):
        labels = [cell.label for cell in line._that_fit(cells, sizes, room, 20)]
        shown.append(labels)
    assert shown[0] == [cell.label for cell in cells]
    assert shown[-1] == ["state"]
    for wide, narrow in pairwise(shown):
        assert set(narrow) < set(wide)
    assert "processor cycles" not in shown[1]
    assert line.width(cells, sizes) > sum(len(cell.value) for cell in cells)


def test_each_led_has_a_cell_with_its_name_and_whether_it_is_lit() -> None:
    player, _, _ = player_of()
    status = replace(STATUS, leds=(("lookout", True), ("log", False)))
    found = cells_of(player, status)
    assert (found["lookout"], found["log"]) == ("on", "off")
