"""`busplay decode` from outside: report, exit status, comparison, refusals, files it leaves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Busplay

CAPTURES = Path(__file__).parent.parent / "data" / "sigrok_dumps"
LINKS = Path(__file__).parent.parent / "data" / "links_for_captures"
TRACE = Path(__file__).parent.parent.parent / "traces" / "stars.trace"


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record what a program sends in twelve thousandths of a second."""
    from tests.cli.command import run_busplay

    path = tmp_path_factory.mktemp("sent") / "stars.trace"
    assert run_busplay("demo", "stars", "--headless", "--cycles", "96000", "--record", path) == 0
    return path


def capture_of(busplay: Busplay, sent: Path, path: Path, *options: str) -> Path:
    assert busplay("convert", sent, path, "--out-rate", "100MHz", *options).status == 0
    return path


def test_a_clean_capture_gives_the_trace_and_the_picture(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    capture = capture_of(busplay, sent, tmp_path / "run.sr")
    picture, again = tmp_path / "sign.png", tmp_path / "again.png"
    out = tmp_path / "decoded.trace"
    outcome = busplay(
        "decode",
        capture,
        "--board",
        "dunlin",
        "-o",
        out,
        "--snapshot",
        f"{picture}@panel",
        "--json",
    )
    assert outcome.status == 0
    figures = outcome.figures
    health = figures["health"]
    assert health["is_clean"] is True
    assert health["frames_damaged"] == health["receiver"]["syncs_lost"] == 0
    assert figures["trace"] == str(out)
    assert busplay("compare", sent, out).status == 0
    assert busplay("replay", out, "--headless", "--snapshot", f"{again}@panel").status == 0
    assert picture.read_bytes() == again.read_bytes()
    assert outcome.err == ""  # no bar where there is no terminal


def test_expect_names_each_damaged_write_with_time_address_and_store(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    options = ["--out-from", "3ms", "--glitch-ppm", "40", "--seed", "5"]
    capture = capture_of(busplay, sent, tmp_path / "run.sr", *options)
    outcome = busplay("decode", capture, "--board", "dunlin", "--expect", sent, "--json")
    assert outcome.status == 1
    figures = outcome.figures
    found = figures["expected"]
    assert found["is_equal"] is False
    assert found["frames_expected"] == found["same"] + found["missing"]
    assert found["missing_at_start"] >= found["missing_outside_capture"] > 0
    inside = found["missing"] - found["missing_outside_capture"]
    rows = found["differences"][:inside]
    damaged = [row for row in rows if row["kind"] == "damaged"]
    assert len(damaged) == found["missing_damaged"] > 0
    health = figures["health"]
    broken = health["health"]["damaged"]
    by_time = {one["time_ps"]: one for one in broken}
    for row in rows:
        assert row["address"] >= 0x4000
        assert row["stored"] is not None
        assert row["arrived"] is None
        # The capture begins 3 ms into the run, and a cycle takes 125 ns.
        assert row["time_ps"] == pytest.approx(row["cycle"] * 125_000 - 3 * 10**9, abs=30 * 10**6)
    for row in damaged:
        near = min(by_time, key=lambda time_ps: abs(time_ps - row["time_ps"]))
        assert abs(near - row["time_ps"]) <= 125_000
        assert by_time[near]["lanes"] == row["lanes"]
    shown = busplay("decode", capture, "--board", "dunlin", "--expect", sent)
    assert shown.status == 1
    assert "of the missing came, but failed their check" in shown.out
    assert "lie outside the capture: before the first frame in sync" in shown.out


def test_a_capture_of_a_part_that_lost_nothing_is_as_expected(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    capture = capture_of(busplay, sent, tmp_path / "run.sr", "--out-from", "3ms")
    outcome = busplay("decode", capture, "--board", "dunlin", "--expect", sent, "--json")
    found = outcome.figures["expected"]
    assert found["missing"] == found["missing_outside_capture"] > 0
    assert found["is_equal_in_capture"] is True
    assert found["is_equal"] is False
    assert outcome.status == 0


@pytest.mark.thorough
def test_full_lists_what_expect_finds_one_by_one(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    capture = capture_of(busplay, sent, tmp_path / "run.sr", "--glitch-ppm", "400")
    words = ["decode", capture, "--board", "dunlin", "--expect", sent]
    found = busplay(*words, "--full", "--json").figures["expected"]
    count = found["missing"] + found["changed"] + found["added"] + found["out_of_order"]
    assert len(found["differences"]) == count > 10
    shown = busplay(*words, "--full").out.splitlines()
    kinds = ("  missing  ", "  damaged  ", "  changed  ", "  added  ", "  out of order  ")
    assert sum(line.startswith(kinds) for line in shown) == count
    shown = busplay(*words).out.splitlines()
    assert sum(line.startswith(kinds) for line in shown) == 5


def test_a_found_map_decodes_and_is_printed_as_map_takes_it(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    capture = capture_of(
        busplay, sent, tmp_path / "run.bin", "--swap", "lane1=lane3", "--invert", "lane0"
    )
    read = ["--in-rate", "100MHz", "--in-bits", "0-5", "--link", "guarded"]
    outcome = busplay("decode", capture, *read, "--find-map", "--json")
    assert outcome.status == 0
    found = outcome.figures["found_map"]
    wires = dict(part.split("=") for part in found["map"].split(","))
    assert wires | {"clock": ""} == {
        "clock": "", "lane0": "!D1", "lane1": "D4", "lane2": "D3", "lane3": "D2", "lane4": "D5"
    }  # fmt: skip
    assert found["runner_up"] is not None
    assert busplay("decode", capture, *read, "--map", found["map"]).status == 0


def test_a_link_that_is_not_on_the_wires_is_reported(
    busplay: Busplay, sent: Path, tmp_path: Path
) -> None:
    capture = capture_of(busplay, sent, tmp_path / "run.sr")
    outcome = busplay("decode", capture, "--link", "lean")
    assert outcome.status == 1
    assert "hardly a frame is valid" in outcome.out


def test_eyes_are_drawn_and_nothing_else_is_left(busplay: Busplay, tmp_path: Path) -> None:
    capture, link = CAPTURES / "power9_lpc_io_write.vcd", LINKS / "lpc_io_write.toml"
    for name in ("eye.png", "eye.svg"):
        assert busplay("decode", capture, "--link", link, "--eye", tmp_path / name).status == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["eye.png", "eye.svg"]
    assert "Eyes of" in (tmp_path / "eye.svg").read_text()


def test_json_and_text_say_the_same_of_a_real_capture(busplay: Busplay) -> None:
    capture, link = CAPTURES / "power9_lpc_io_write.csv", LINKS / "lpc_io_write.toml"
    figures = json.loads(busplay("decode", capture, "--link", link, "--json").out)
    text = busplay("decode", capture, "--link", link).out
    health = figures["health"]
    assert health["receiver"]["frames_received"] == 1
    assert "CLEAN, 1 frame\n" in text
    assert "frames    1 valid, 0 idle, 0 damaged" in text
    assert health["clock"]["edges_used"] == 47
    assert "94 edges, 47 used, one every 30.00 ns" in text
    assert len(health["lanes"][0]["histogram"]) == 256


@pytest.mark.parametrize(
    ("noise", "is_expected", "verdict"),
    [
        pytest.param((), False, "CLEAN, 14,637 frames", marks=pytest.mark.thorough),
        pytest.param(("--glitch-ppm", "400"), False, "DAMAGED: ", marks=pytest.mark.thorough),
        (("--glitch-ppm", "400"), True, "DIFFERS from what was sent in "),
    ],
)
def test_a_report_begins_with_its_verdict_and_fits_a_screen(
    busplay: Busplay,
    sent: Path,
    tmp_path: Path,
    noise: tuple[str, ...],
    is_expected: bool,
    verdict: str,
) -> None:
    capture = capture_of(busplay, sent, tmp_path / "run.sr", *noise)
    words = ["decode", capture, "--board", "dunlin", *(["--expect", sent] if is_expected else [])]
    lines = busplay(*words).out.splitlines()
    assert lines[0].startswith(f"{capture} with link guarded: {verdict}")
    assert len(lines) <= 26
    assert lines[-1] == "--full lists eyes, gaps, and every damaged frame"
    full = busplay(*words, "--full").out.splitlines()
    assert full[0] == lines[0]
    assert len(full) > len(lines)


def test_ctrl_c_reports_what_was_decoded_until_then(
    busplay: Busplay, sent: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from busplay.conversion.decode import DecodeWatch

    capture = capture_of(busplay, sent, tmp_path / "run.sr")

    def moved(self: DecodeWatch, decoder: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("busplay.cli.decode_progress._DecodeProgress.moved", moved)
    outcome = busplay("decode", capture, "--board", "dunlin", "-o", tmp_path / "a.trace")
    assert outcome.status == 130
    assert outcome.err == "busplay: interrupted\n"
    assert "interrupted: the figures are of what was read until then" in outcome.out
    assert (tmp_path / "a.trace").exists()
