"""A trace played for its report: when its screens change, and the moments that matter."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from busplay.analysis.flash_watch import flash_report
from busplay.analysis.flashes import SCREEN_PX
from busplay.description.board import ReceiverEnd
from busplay.display.arrangement import compose
from busplay.reporting.played import find_moments, play_through
from busplay.run.replay import Replay
from tests.export.films import flashing, moving, record, screens, small_board


def test_pixels_changed_are_those_between_the_screens_of_two_refreshes(tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), moving(400_000))
    shown = screens(trace)
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=SCREEN_PX, progress=lambda done, total: None)
    expected = [int((now != before).any(axis=2).sum()) for before, now in pairwise(shown)]
    assert found.changed_px.tolist() == [0, *expected]
    assert found.flashes == flash_report(trace)


def test_moments_are_the_first_picture_the_most_changed_and_the_end(tmp_path: Path) -> None:
    stores = [(500_000, 0x4000, 0xFF)]
    stores += [(1_000_000 + 4 * byte, 0x4000 + byte, 0xFF) for byte in range(60)]
    stores += [(1_500_000, 0xA000, 0xFF)]
    trace = record(tmp_path / "a.trace", small_board(50), stores)
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=SCREEN_PX, progress=lambda done, total: None)
        moments = find_moments(replay, found)
        assert [(one.titles, one.cycle) for one in moments] == [
            # A byte is two pixels; at 50 Hz a refresh is every 20,000 cycles.
            (("first picture",), 520_000),
            (("most changed: 118 pixels since the refresh before",), 1_020_000),
            (("end",), replay.end_cycle),
        ]
        for one in moments:
            replay.seek(one.cycle)
            np.testing.assert_array_equal(one.image, compose(replay.displays.values()))


def test_first_picture_is_the_first_that_is_drawn_whole(tmp_path: Path) -> None:
    """A refresh at 50 Hz is 20,000 cycles, in which 20 bytes of two pixels each are drawn."""
    stores = [(105_000 + 1_000 * byte, 0x4000 + byte, 0xFF) for byte in range(60)]
    stores += [(900_000, 0x4000, 0)]
    trace = record(tmp_path / "a.trace", small_board(50), stores)
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=SCREEN_PX, progress=lambda done, total: None)
        titles = {one.cycle: one.titles for one in find_moments(replay, found)}
    assert found.pixels == 48 * 10
    assert found.changed_px[[6, 7, 8, 9]].tolist() == [30, 40, 40, 10]
    assert titles[200_000] == ("first picture",)


def test_moments_of_errors_are_the_first_and_the_most(tmp_path: Path) -> None:
    board = replace(small_board(50), receiver=ReceiverEnd(fifo_depth=1, service_ns=100_000))
    stores = [(100_000 + 4 * number, 0x4000 + number, 1) for number in range(3)]
    stores += [(600_000 + 4 * number, 0x4000 + number, 2) for number in range(20)]
    stores += [(1_500_000, 0x4000, 3)]
    trace = record(tmp_path / "a.trace", board, stores)
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=SCREEN_PX, progress=lambda done, total: None)
        assert found.counters.accounts.frames.lost_at_receiver == len(found.losses)
        assert (np.diff(found.loss_cycles) >= 0).all()
        titles = {one.cycle: one.titles for one in find_moments(replay, found)}
    first = titles[120_000]
    assert "first store lost or damaged" in first
    assert any(one.startswith("most errors: ") for one in titles[620_000])


def test_recording_in_which_nothing_is_drawn_has_its_end_alone(tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(50), [(100_000, 0x4000, 0)])
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=SCREEN_PX, progress=lambda done, total: None)
        assert [one.titles for one in find_moments(replay, found)] == [("end",)]


def test_what_flashes_is_found_on_the_screen_that_is_named(tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), flashing())
    with Replay(trace) as replay:
        found = play_through(replay, screen_px=(64, 48), progress=lambda done, total: None)
    assert found.flashes == flash_report(trace, screen_px=(64, 48))
