"""Reports of traces, captures and sweeps: their figures, their refusals, and how they print."""

from __future__ import annotations

import html
import re
import shlex
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

import busplay
from busplay.conversion.analyser_view import AnalyserView
from busplay.demo.programs import shipped_file
from busplay.description.faults import Faults
from busplay.description.shipped_files import shipped_boards
from busplay.link.board_fit import require_link_fits
from busplay.run.replay import Replay
from busplay.run.tap import Tap
from tests.browser import Watched
from tests.cli.command import run_busplay
from tests.export.films import flashing, moving, record, small_board
from tests.reporting.test_page import HOSTILE, Read

ALL = (
    "What ran", "Screens", "Link use", "Errors", "Addresses", "Routines", "Flashes", "Plan",
    "Check", "Accounts", "How this was made",
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with recordings: sent, received with damage, captured, swept."""
    found = tmp_path_factory.mktemp("reports")
    for name in ("tides", "fill", "keys"):
        shutil.copy(shipped_file("traces", f"{name}.trace"), found)
    faults = Faults(ber=1e-4, seed=3)
    with Replay(found / "tides.trace", faults=faults, record_received=found / "got.trace") as one:
        one.run(one.end_cycle)
    # Without a check to fail, changed frames arrive.
    return found


def text_of(path: Path) -> str:
    return " ".join(Read(path.read_text(encoding="utf-8")).text.split())


@pytest.mark.thorough
def test_report_of_a_trace_has_the_figures_of_the_commands(folder: Path) -> None:
    trace, target = folder / "tides.trace", folder / "tides.html"
    found = busplay.report(trace, target)
    assert (found.kind, found.sections, found.is_fine) == ("trace", ALL, True)
    assert found.verdict == "all 37,420 stores received as sent"
    assert found.file_bytes == target.stat().st_size < 400_000
    text = text_of(target)
    info = busplay.info(trace)
    plan = busplay.plan(busplay.TraceReader(trace).header.board, trace=trace)
    profile = busplay.profile(trace)
    top = profile.routines[0]
    assert plan.trace is not None
    for figure in (
        info.program_sha256,
        f"{info.cycles:,} processor cycles",
        f"{top.name} {top.cycles:,}",
        f"{plan.trace.peaks[0].stores:,}",
        "Link guarded on board Dunlin is sound: no weaknesses found.",
        "None of the 13 pictures at the board's refreshes is over the thresholds of WCAG 2.2",
        "This is no medical test",
        "The accounts balance",
    ):
        assert str(figure) in text


@pytest.mark.thorough
def test_report_names_characters_and_the_page_that_is_shown(tmp_path: Path) -> None:
    busplay.report(shipped_file("traces", "notice.trace"), tmp_path / "notice.html")
    text = text_of(tmp_path / "notice.html")
    with Replay(shipped_file("traces", "notice.trace")) as replay:
        replay.run(replay.end_cycle)
        page = replay.displays["notice"].page
    for found in (
        "panel, 256 x 192 pixels of 4 bits; notice, 32 x 12 characters of 2 bytes, 2 pages",
        "panel: writes to each pixel's byte",
        "notice: writes to each character's code",
        f"White: never. Page {page} is shown.",
    ):
        assert found in text


@pytest.mark.thorough
def test_same_files_give_the_same_page(folder: Path) -> None:
    first, second = folder / "one.html", folder / "two.html"
    busplay.report(folder / "fill.trace", first, words="busplay report")
    busplay.report(folder / "fill.trace", second, words="busplay report")
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.thorough
def test_commands_of_the_page_repeat_its_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    target = folder / "again.html"
    assert run_busplay("report", folder / "tides.trace", "-o", target) == 0
    page = target.read_text(encoding="utf-8")
    commands = [html.unescape(one) for one in re.findall(r"<dt><code>(.*?)</code>", page)]
    assert commands[0] == "busplay report tides.trace -o again.html"
    assert commands[1].startswith("busplay run dunlin tides.bin --headless --cycles 1500")
    before = target.read_bytes()
    for command in commands:
        assert run_busplay(*shlex.split(command)[1:]) == 0, command
    assert target.read_bytes() == before


@pytest.mark.thorough
def test_against_another_recording_it_has_what_is_different(folder: Path) -> None:
    target = folder / "against.html"
    found = busplay.report(folder / "tides.trace", target, against=folder / "got.trace")
    compared = busplay.compare(folder / "tides.trace", folder / "got.trace")
    assert found.sections[:3] == ("What ran", "Screens", "Against the other recording")
    assert not found.is_fine
    assert found.verdict == "all 37,420 stores received as sent; different from got.trace"
    text = text_of(target)
    assert f"{compared.frames_missing:,} missing of 37,420 expected frames" in text
    assert "Errors by address" in text
    assert "Errors by time" in text
    # The other way round, what arrived is the actual one all the same.
    arrived = busplay.report(
        folder / "got.trace", folder / "got.html", against=folder / "tides.trace"
    )
    assert not arrived.is_fine
    frames = compared.frames_actual
    assert arrived.verdict == (
        f"a recording of what arrived: {frames:,} of 37,420 frames; different from tides.trace"
    )
    assert "busplay compare tides.trace got.trace --full" in text_of(folder / "got.html")
    assert (
        "This recording (actual) against tides.trace (expected): DIFFERENT:"
        f" {compared.frames_missing:,} missing of 37,420 expected frames"
    ) in text_of(folder / "got.html")


@pytest.mark.thorough
def test_changed_frames_are_told_by_lane(tmp_path: Path) -> None:
    """Frames of `lean` with two bit errors or more pass its check now and then."""
    board = busplay.load_board("dunlin")
    board = require_link_fits(replace(board, link=busplay.load_link("lean")))
    sent, got = tmp_path / "sent.trace", tmp_path / "got.trace"
    with Tap(board, record=sent) as tap:
        for number in range(3_000):
            tap.store(20_000 + 400 * number, 0x4000 + number, number & 255)
    with Replay(sent, faults=Faults(ber=2e-2, seed=1), record_received=got) as replay:
        replay.run(replay.end_cycle)
    compared = busplay.compare(sent, got)
    if not compared.frames_changed:
        pytest.fail("nothing was changed, so nothing is shown by lane")
    busplay.report(sent, tmp_path / "a.html", against=got)
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "Errors by lane" in page
    assert f"with a bit error on the lane: lane 0 {compared.changed_by_lane[0]:,}" in page


@pytest.mark.thorough
def test_losses_are_listed_by_cause_address_and_time(tmp_path: Path) -> None:
    board = (
        shipped_boards()["dunlin"]
        .read_text(encoding="utf-8")
        .replace("\nfifo_depth = 64\n", "\nfifo_depth = 8\n")
    )
    slow = tmp_path / "slow.toml"
    slow.write_text(board.replace("service_ns = 250\n", "service_ns = 2600\n"))
    trace, target = tmp_path / "slow.trace", tmp_path / "slow.html"
    with busplay.Session(slow, program="fill.bin", record=trace) as session:
        session.run(cycles=600_000)
    with Replay(trace) as replay:
        replay.run(replay.end_cycle)
        totals = replay.pipeline.counters().accounts.frames
    assert totals.lost_at_receiver > 1_000
    found = busplay.report(trace, target)
    assert found.verdict == f"{totals.lost:,} of {totals.stores:,} stores not received as sent"
    text = text_of(target)
    assert f"lost at the full receiver FIFO {totals.lost_at_receiver:,} 100.0%" in text
    assert "ost errors: " in text
    page = target.read_text(encoding="utf-8")
    assert f"{totals.lost:,} lost at the receiver FIFO." in page
    assert "The receiver FIFO held at most 8 frames." in page
    # Its board is not the shipped one.
    assert "busplay check BOARD.toml --full" in text


@pytest.mark.thorough
def test_flashes_and_unknown_programs_are_said(tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), sorted([*flashing(), *moving(900_000)]))
    found = busplay.report(trace, tmp_path / "a.html", screen_px=(64, 24))
    text = text_of(tmp_path / "a.html")
    assert "The trace names no program, so no routines are known." in text
    flashes = busplay.flash_report(trace, screen_px=(64, 24))
    assert not flashes.is_below
    assert flashes.cautions()[0] in text
    assert "the pictures flash over the thresholds of WCAG 2.2" in found.verdict


@pytest.mark.thorough
def test_names_in_a_recording_stay_text(tmp_path: Path) -> None:
    name = "".join(HOSTILE)
    board = small_board(60)
    board = replace(
        board,
        name=name,
        units=tuple(replace(one, name=f"{name}{i}") for i, one in enumerate(board.units)),
        windows=tuple(
            replace(one, name=name, unit=f"{name}{int(one.unit == 'sign')}")
            for one in board.windows
        ),
    )
    trace = record(tmp_path / "a.trace", board, moving(60_000))
    busplay.report(trace, tmp_path / "a.html")
    read = Read((tmp_path / "a.html").read_text(encoding="utf-8"))
    assert "script" not in read.tags
    assert not {key for key, _ in read.attributes if key.startswith("on")}
    assert name in read.text


@pytest.mark.thorough
def test_report_of_a_capture_has_clock_eyes_and_doubt(folder: Path) -> None:
    capture, target = folder / "run3.vcd", folder / "run3.html"
    busplay.convert(folder / "fill.trace", capture, stop_ps=20_000_000_000)
    found = busplay.report(capture, target, link="guarded", board="dunlin")
    assert found.kind == "capture"
    assert found.sections[:5] == (
        "What was captured", "Clock and eyes", "Doubt", "Damage", "Screens",
    )  # fmt: skip
    health = busplay.decode(capture, link="guarded").health
    text = text_of(target)
    for figure in (
        f"{health.receiver.frames_received:,} valid",
        f"{health.clock.edges:,} edges",
        f"0 of {health.sampling.symbols:,} (0.00%): a wire changed within a sample",
    ):
        assert figure in text
    held = busplay.report(
        capture, target, link="guarded", board="dunlin", against=folder / "fill.trace"
    )
    assert held.verdict == f"{found.verdict}; different from fill.trace"
    assert "This recording (actual) against fill.trace (expected)" in text_of(target)
    alone = busplay.report(capture, target, link="guarded")
    assert alone.sections == (
        "What was captured", "Clock and eyes", "Doubt", "Damage", "How this was made",
    )  # fmt: skip


@pytest.mark.thorough
def test_report_of_a_damaged_capture_has_lanes_and_times(folder: Path) -> None:
    capture, target = folder / "bad.vcd", folder / "bad.html"
    seen = AnalyserView(rate_hz=64_000_000, glitch_ppm=300, lost_every=200_000, seed=2)
    busplay.convert(folder / "fill.trace", capture, stop_ps=20_000_000_000, analyser=seen)
    found = busplay.report(capture, target, link="guarded")
    health = busplay.decode(capture, link="guarded").health
    assert health.frames_damaged
    assert not found.is_fine
    assert found.verdict.startswith(f"DAMAGED: {health.frames_damaged:,} frames damaged")
    page = target.read_text(encoding="utf-8")
    assert f"lane 0 {health.health.lane_errors[0]:,}" in page
    assert "Errors by time" in page
    busplay.report(capture, target, link="guarded", board="dunlin")
    text = text_of(target)
    missed = health.receiver.frames_missed
    assert f"The sequence field counts {missed:,} missing frames." in text
    assert "Every store was received as sent" not in text


@pytest.mark.thorough
def test_report_of_a_sweep_has_its_points(folder: Path) -> None:
    state, target = folder / "sweep.state", folder / "sweep.html"
    swept = busplay.stress(
        "dunlin", folder / "fill.trace", sweeps={"ber": [1e-4, 1e-3], "fifo_depth": [1, 8]},
        frames=2_000, max_frames=4_000, jobs=1, state=state,
    )  # fmt: skip
    found = busplay.report(state, target)
    assert (found.kind, found.figures, found.is_fine) == ("sweep", 2, True)
    assert found.verdict == "as it is, the board loses nothing"
    text = text_of(target)
    for point in swept.points:
        assert f"{point.value:g} {point.loss_ratio:.3g} {point.low_ratio:.3g}" in text
    lines = state.read_bytes().splitlines(keepends=True)
    state.write_bytes(b"".join(lines[:3]))
    part = busplay.report(state, target)
    assert (part.verdict, part.is_fine) == (
        "as it is, the board loses nothing; 3 points not done yet",
        False,
    )


# -- in a browser


@pytest.mark.thorough
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext; CI installs it")
def test_page_is_silent_accessible_and_prints_with_no_figure_cut(
    folder: Path, tab: Watched, tmp_path: Path
) -> None:
    target = folder / "shown.html"
    busplay.report(folder / "tides.trace", target, against=folder / "got.trace")
    page = tab.open(target)
    tab.require_silent()
    assert tab.grave_violations() == []
    assert page.evaluate("[...document.images].every(one => one.complete && one.naturalWidth)")
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    captions = page.locator("figcaption").all_inner_texts()
    notes = page.locator("figure .note").all_inner_texts()
    assert len(captions) == page.locator("figure").count() > 7
    assert len(notes) == len(captions)
    pdf = tmp_path / "page.pdf"
    page.pdf(path=pdf, prefer_css_page_size=True)
    sheets = [" ".join(one.split()) for one in _text(pdf).split("\f")]
    for caption, note in zip(captions, notes, strict=True):
        start = " ".join(note.split()[:2])
        assert any(caption in sheet and start in sheet.partition(caption)[2] for sheet in sheets), (
            caption,
            note,
        )
    # Printed without the links that lead within the page, and with every section.
    whole = " ".join(sheets)
    for title in ("What ran", "Link use", "Accounts", "How this was made"):
        assert title in whole
    assert not any(_is_cut(image) for image in _images(page))


def _text(pdf: Path) -> str:
    command = ["pdftotext", "-layout", str(pdf), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def _images(page: object) -> list[dict[str, float]]:
    """Return height of each image as it is laid out for print, on paper as wide as A4's inside."""
    page.emulate_media(media="print")  # type: ignore[attr-defined]
    page.set_viewport_size({"width": 688, "height": 1009})  # type: ignore[attr-defined]
    found: list[dict[str, float]] = page.evaluate(  # type: ignore[attr-defined]
        "[...document.images].map(one => {const box = one.getBoundingClientRect();"
        " return {width: box.width, height: box.height, right: box.right}})"
    )
    return found


def _is_cut(image: dict[str, float]) -> bool:
    """Return whether an image is larger than the inside of a sheet."""
    return image["height"] > 1009 or image["right"] > 688 + 1
