"""`busplay convert` to films, as it is called: what is said, what can be filmed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busplay.link.load import load_link
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from tests.cli.conftest import Busplay
from tests.export.films import flashing, moving, read_film, record, screens, small_board
from tests.trace.cases import joined, write_trace


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), moving(200_000))


def test_what_was_filmed_is_said(busplay: Busplay, trace: Path) -> None:
    target = trace.with_name("a.gif")
    outcome = busplay("convert", trace, target, "--scale", 2, "--to", "100ms")
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out == (
        f"{trace} (trace) to {target} (film): 6 pictures\n"
        "  96 x 20 pixels, 0.1 s at 60 Hz\n"
        "  2 pictures of 1/100 s, which browsers show for 1/10 s; .apng and .webp play as fast as"
        " the board\n"
        "  not carried: frames: a film has what the screen shows at each refresh\n"
        "  not carried: board, link and program\n"
        "  not carried: keys pressed\n"
    )


def test_figures_of_a_film(busplay: Busplay, trace: Path) -> None:
    outcome = busplay("convert", trace, trace.with_name("a-%d.png"), "--unit", "sign", "--json")
    figures = outcome.figures
    assert figures["target_kind"] == "pictures"
    assert (figures["carried"], figures["left_out"]) == (13, 0)
    assert figures["film"] == {
        "width_px": 16,
        "height_px": 3,
        "refresh_hz": 60,
        "refreshes": 13,
        "pictures": 13,
        "left_out": 0,
        "brief": 0,
        "duration_s": pytest.approx(13 / 60),
        "flashes": {
            "pictures": 13,
            "field_width_px": 5,
            "field_height_px": 4,
            "general": [],
            "red": [],
        },
    }


def test_film_that_flashes_comes_with_a_caution(busplay: Busplay, tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), flashing())
    outcome = busplay("convert", trace, tmp_path / "a.apng", "--unit", "sign")
    assert outcome.status == 0
    assert outcome.out.splitlines()[2] == (
        "  caution: 4 flashes a second from 0.9 s to about 3.017 s, on 75.0% of a field of 10"
        " degrees, within 16 x 3 pixels from 0, 0; WCAG 2.2 allows 3"
    )
    words = ("--unit", "sign", "--screen", "1024x3072")
    assert "caution" not in busplay("convert", trace, tmp_path / "b.apng", *words).out


@pytest.mark.parametrize("between", ["a.pcapng", "a.sr"])
def test_any_recording_can_be_filmed(busplay: Busplay, tmp_path: Path, between: str) -> None:
    trace = tmp_path / "a.trace"
    busplay("demo", "tides", "--headless", "--cycles", 300_000, "--record", trace)
    sampled = ("--out-rate", "100MHz") if between == "a.sr" else ()
    assert busplay("convert", trace, tmp_path / between, *sampled).status == 0
    words = ("--board", "dunlin")
    outcome = busplay("convert", tmp_path / between, tmp_path / "a.apng", *words)
    assert outcome.status == 0, outcome.err
    pictures, _ = read_film(tmp_path / "a.apng")
    np.testing.assert_array_equal(pictures[-1], screens(trace)[-1])


def test_trace_without_a_board_takes_the_one_that_is_given(
    busplay: Busplay, trace: Path, tmp_path: Path
) -> None:
    bare, target = tmp_path / "bare.trace", tmp_path / "a.apng"
    with TraceReader(trace) as reader:
        frames = joined(list(reader.chunks()))
    write_trace(bare, frames, TraceHeader(link=load_link("guarded")))
    assert busplay("convert", bare, target).err == (
        f"busplay: {bare}: found a recording without a board; a film shows a board's units, so"
        " give --board\n"
    )
    outcome = busplay("convert", bare, target, "--board", "dunlin")
    assert outcome.status == 0, outcome.err
    assert read_film(target)[0][0].shape == (208, 416, 3)
