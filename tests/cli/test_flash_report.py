"""Flashes as `run` and `replay` say them: which seconds, which area, how many."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from busplay.analysis.flash_watch import flash_report
from busplay.cli.json_output import to_json
from busplay.cli.shown_flashes import ShownFlashes
from busplay.display.arrangement import IndexedPicture
from busplay.player.bounded import BoundedPlayable
from busplay.player.flash_guard import FlashGuard
from busplay.units import NS_PER_S
from tests.cli.conftest import Busplay
from tests.export.films import record, small_board
from tests.player.fakes import FakePlayable, HandClock

CAUTION = (
    "  caution: 4 flashes a second from 0.9 s to about 3.017 s, on 50.0% of a field of 10 degrees,"
    " within 20 x 6 pixels from 2, 2; WCAG 2.2 allows 3"
)
NO_MEDICAL_TEST = "  No medical test: pictures below these thresholds can harm people, too."


def flashing_panel() -> Iterator[tuple[int, int, int]]:
    """Return stores that change the whole small panel 16 times, eight times a second."""
    for number in range(16):
        for byte in range(60):
            yield 1_000_000 + 125_000 * number + 8 * byte, 0x4000 + byte, 255 * (1 - number % 2)
    yield 3_500_000, 0xA000, 1


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), flashing_panel())


def test_replay_says_which_seconds_flash_where_and_how_often(busplay: Busplay, trace: Path) -> None:
    screen = ("--screen", "200x150")
    outcome = busplay("replay", trace, "--headless", *screen)
    assert outcome.status == 0
    assert outcome.out.splitlines()[-3:] == [
        CAUTION,
        CAUTION.replace("flashes", "red flashes"),
        NO_MEDICAL_TEST,
    ]
    figures = busplay("replay", trace, "--headless", *screen, "--json").figures["flashes"]
    assert figures == to_json(flash_report(trace, screen_px=(200, 150)))
    assert [one["field_ratio"] for one in figures["general"]] == [0.5]


def test_what_is_left_out_is_not_looked_at(busplay: Busplay, trace: Path) -> None:
    part = ("--from", "1.7s", "--to", "2.8s")
    (span,) = busplay("replay", trace, "--headless", *part, "--json").figures["flashes"]["general"]
    assert (span["start_s"], span["stop_s"]) == (1.7, pytest.approx(169 / 60))
    calm = busplay("replay", trace, "--headless", "--to", "0.9s", "--json").figures["flashes"]
    assert (calm["pictures"], calm["general"]) == (55, [])


@pytest.mark.parametrize(
    ("cycles", "pictures"),
    [(12_010_000, 92), pytest.param(12_000_000, 92, marks=pytest.mark.thorough)],
)
def test_run_looks_at_the_pictures_that_a_replay_of_it_shows(
    cycles: int, pictures: int, busplay: Busplay, tmp_path: Path
) -> None:
    """A run up to refresh 90 ends a few cycles behind it: with a picture more, as its trace."""
    # Palette entry 0 is black or white in turn, with a wait of some 330,000 cycles.
    code = "A900 A200 8E04A3 49FF 8D05A3 8D06A3 8D07A3 A000 A200 CAD0FD 88D0FA 80E6"
    program = tmp_path / "flash.bin"
    program.write_bytes(bytes.fromhex(code))
    trace = tmp_path / "flash.trace"
    ran = busplay(
        "run", "dunlin", program, "--load", "0x0300", "--headless", "--cycles", cycles,
        "--record", trace, "--json",
    ).figures  # fmt: skip
    (span,) = ran["flashes"]["general"]
    assert span["flashes"] > 3
    assert ran["flashes"]["pictures"] == pictures
    assert ran["flashes"] == busplay("replay", trace, "--headless", "--json").figures["flashes"]


def test_bounded_playable_looks_at_each_refresh_and_at_the_end() -> None:
    def looked_at(step: int) -> list[int]:
        inner = FakePlayable(HandClock(), clock_hz=6_000, end_cycle=1_050, instruction_cycles=3)
        looked: list[int] = []
        bounded = BoundedPlayable(
            inner,
            stop_cycle=None,
            at_refresh=lambda: looked.append(inner.cycle),
            refresh_hz=60,
        )
        while not bounded.ended:
            bounded.run(step)
        assert looked[-1] == inner.cycle
        return looked

    for step in (1, 7, 400, 10_000):
        # Each in the instruction that reaches it; the last one is how it ends.
        assert [cycle // 100 for cycle in looked_at(step)] == [*range(11), 10]


def test_run_that_ends_in_the_instruction_of_a_refresh_is_looked_at_twice() -> None:
    """It had one picture less than its trace, whose replay stops at the refresh itself."""
    inner = FakePlayable(HandClock(), clock_hz=6_000, end_cycle=9_000, instruction_cycles=3)
    looked: list[int] = []
    bounded = BoundedPlayable(
        inner, stop_cycle=500, at_refresh=lambda: looked.append(inner.cycle), refresh_hz=60
    )
    while not bounded.ended:
        bounded.run(70)
    assert inner.cycle == 501
    assert [cycle // 100 for cycle in looked] == [0, 1, 2, 3, 4, 5, 5]


def test_window_names_the_seconds_of_the_board(trace: Path) -> None:
    """Shown at a quarter of the speed, it flashes four times a second, and 16 times in all."""
    playable = FakePlayable(HandClock(), clock_hz=8_000)
    shown = ShownFlashes(playable, screen_px=(1024, 768))
    meter = shown.make_meter(16, 16, can_take_back=False)
    held = shown.make_meter(16, 16, can_take_back=True)
    palette = np.array([(0, 0, 0), (255, 255, 255)], np.uint8)
    for number in range(1_000, 1_120):
        playable.cycle = 16_000 + 2_000 * (number - 1_000) // 60
        picture = IndexedPicture(np.full((16, 16), number // 7 % 2, np.uint32), palette)
        meter.feed(picture, number=number)
        held.feed(picture, number=number)
    report = shown.report()
    (span,) = report.general
    assert report.pictures == 120
    assert span.start_s == 2
    assert span.stop_s == Fraction(16_000 + 2_000 * 119 // 60, 8_000)
    assert span.flashes == 4


def test_window_that_closes_leaves_its_cautions(
    busplay: Busplay, trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A window whose clock is moved by hand plays at half the speed, and is closed."""

    def play_slowly(playable: BoundedPlayable, *, flashes: FlashGuard, **_: object) -> None:
        for number in range(240):
            playable.run(1_000_000 // 120)
            flashes.look([playable.displays], number * NS_PER_S // 60, key=number)

    def play_at_speed(playable: BoundedPlayable, *, flashes: FlashGuard, **_: object) -> None:
        for number in range(120):
            playable.run(1_000_000 // 60)
            flashes.look([playable.displays], number * NS_PER_S // 60, key=number)

    monkeypatch.setattr("busplay.view.window.open_window", play_slowly)
    assert "caution" not in busplay("replay", trace, "--from", "0.9s").out
    monkeypatch.setattr("busplay.view.window.open_window", play_at_speed)
    outcome = busplay("replay", trace, "--from", "0.9s")
    assert outcome.status == 0
    assert outcome.out.splitlines()[0].startswith("  caution: 4 flashes a second from about 0.9")
    assert outcome.out.splitlines()[-1] == NO_MEDICAL_TEST
