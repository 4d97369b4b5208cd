"""Flashes of a trace: what a film of it says, whatever is skipped on the way."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from busplay.analysis.flash_watch import FlashWatch, flash_report, refreshes_of
from busplay.analysis.flashes import FlashMeter
from busplay.description.faults import Faults
from busplay.errors import InputError
from busplay.export.film_pictures import FilmPictures
from busplay.run.replay import Replay
from tests.export.films import flashing, moving, record, small_board


@pytest.fixture
def flashing_trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), flashing())


@pytest.mark.parametrize("unit", [None, "panel", "sign"])
def test_trace_is_watched_as_a_film_of_it_is(unit: str | None, tmp_path: Path) -> None:
    stores = sorted([*flashing(), *moving(2_500_000)])
    trace = record(tmp_path / "a.trace", small_board(60), stores)
    with Replay(trace) as replay:
        pictures = FilmPictures(replay, unit=unit)
        for _ in pictures:
            pass
    report = flash_report(trace, unit=unit)
    assert report == pictures.meter.report()
    assert report.pictures == len(pictures)
    if unit == "sign":
        assert not report.is_below


def test_seconds_count_from_the_recording_start(flashing_trace: Path) -> None:
    (whole,) = flash_report(flashing_trace, unit="sign").general
    (part,) = flash_report(flashing_trace, unit="sign", first_cycle=1_700_000).general
    assert whole.start_s < part.start_s == Fraction(102, 60)
    assert whole.stop_s == part.stop_s


def test_picture_that_did_not_change_is_not_drawn(
    flashing_trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fed = []
    feed = FlashMeter.feed
    monkeypatch.setattr(FlashMeter, "feed", lambda *given: fed.append(feed(*given)))
    report = flash_report(flashing_trace)
    # At the start, at each of 16 stores to the sign, and at the one to the panel.
    assert len(fed) == 18 < report.pictures == 212


def test_what_the_wire_damages_is_not_what_flashes(flashing_trace: Path) -> None:
    assert flash_report(flashing_trace, faults=Faults(ber=0.2, seed=2)).is_below


def test_blank_border_and_base_make_another_picture(tmp_path: Path) -> None:
    """Each alone flashes with memory and palette as they are."""
    for register, values in ((4, (1, 0)), (3, (5, 0)), (0, (10, 0))):
        stores = [(100 + byte, 0x4000 + byte, 0xFF) for byte in range(40)]
        stores += [
            (1_000_000 + 62_500 * number, 0xA300 + register, values[number % 2])
            for number in range(16)
        ]
        board = small_board(60)
        board = replace(board, units=(replace(board.units[0], width_px=20, border_px=20),))
        board = replace(board, windows=tuple(w for w in board.windows if w.unit == "panel"))
        trace = record(tmp_path / f"{register}.trace", board, stores)
        with Replay(trace) as replay:
            watch = FlashWatch(replay.displays.values(), rate_hz=60)
            pictures = set()
            for refresh in refreshes_of(board, first_cycle=0, stop_cycle=replay.end_cycle):
                replay.run(max(0, refresh * 1_000_000 // 60 - replay.cycle))
                watch.look()
                pictures.add(replay.display("panel").image().tobytes())
        assert len(pictures) > 1 or register == 3
        assert watch.report() == flash_report(trace)


def test_unknown_unit_cycle_and_board_are_refused(flashing_trace: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        flash_report(flashing_trace, unit="none")
    assert str(caught.value) == (
        f"{flashing_trace}: found no unit 'none'; the units are panel, sign"
    )
    with pytest.raises(InputError, match=r"found no cycle 9,000,000; it goes from 0 to 3,500,0"):
        flash_report(flashing_trace, first_cycle=9_000_000)
