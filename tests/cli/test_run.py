from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

from busplay.demo.programs import DEMO_PROGRAMS, find_demo
from busplay.description.shipped_files import shipped_boards
from busplay.trace.reader import TraceReader
from tests.cli.conftest import Busplay

TIDES = find_demo("tides").image_path
FILL = find_demo("fill").image_path

# LDA #$2A, STA $4000 (panel), then the exit register gets 3.
EXIT_3 = bytes([0xA9, 0x2A, 0x8D, 0x00, 0x40, 0xA9, 0x03, 0x8D, 0x0A, 0xA4, 0x80, 0xFE])


def rom(code: bytes) -> bytes:
    """16 KiB from $C000 that start with the code."""
    return code.ljust(0x3FFC, b"\xea") + b"\x00\xc0\x00\xc0"


@pytest.fixture
def exit_3(tmp_path: Path) -> Path:
    path = tmp_path / "exit3.bin"
    path.write_bytes(rom(EXIT_3))
    return path


def test_run_hands_on_the_exit_register(busplay: Busplay, exit_3: Path) -> None:
    found = busplay("run", "dunlin", exit_3, "--headless", "--until-exit", "--json")
    assert found.status == 3
    assert found.figures["exit_status"] == 3
    assert found.figures["frames_sent"] == 1


@pytest.mark.parametrize("ber", ["1e-3", "0"])
def test_window_that_closes_after_losses_prints_the_summary(busplay: Busplay, ber: str) -> None:
    words = ("demo", "fill", "--cycles", 60_000, "--ber", ber)
    found = busplay(*words)
    assert found.status == 0
    assert found.out == ("" if ber == "0" else busplay(*words, "--headless").out)


@pytest.mark.parametrize(
    ("words", "cycles"),
    [(("--cycles", "200_000"), 200_000), (("--duration", "25ms"), 200_000)],
)
def test_run_stops_at_the_first_instruction_at_or_after(
    busplay: Busplay, words: tuple[str, ...], cycles: int
) -> None:
    found = busplay("run", "dunlin", TIDES, "--headless", *words, "--json")
    assert found.status == 0
    ran = found.figures["cycles"]
    assert cycles <= ran < cycles + 10


def test_unknown_opcode_is_reported_with_its_address(busplay: Busplay, tmp_path: Path) -> None:
    # $0F is BBR0, which the reference core lacks.
    program = tmp_path / "bbr.bin"
    program.write_bytes(rom(b"\xea\x0f\x00\x00"))
    found = busplay("run", "dunlin", program, "--core", "reference", "--headless", "--cycles", 1000)
    assert found.status == 2
    assert "$C001" in found.err
    assert "$0F" in found.err


def test_stopped_run_prints_one_json_object(busplay: Busplay, tmp_path: Path) -> None:
    program = tmp_path / "bbr.bin"
    program.write_bytes(rom(b"\x0f\x00\x00"))
    found = busplay(
        *("run", "dunlin", program, "--core", "reference"), "--headless", "--cycles", 9, "--json"
    )
    assert found.status == 2
    assert "$C000" in str(found.figures["stopped"])


def test_snapshot_of_one_unit_is_part_of_that_of_all(busplay: Busplay, tmp_path: Path) -> None:
    """One had no border, and several had."""
    names = [str(tmp_path / name) for name in ("panel.png", "sign.png", "all.png")]
    busplay(
        *("demo", "--headless", "--cycles", 300_000, "--snapshot", f"{names[0]}@panel"),
        *("--snapshot", f"{names[1]}@sign", "--snapshot", names[2]),
    )
    panel, sign, both = (Image.open(name).convert("RGB") for name in names)
    assert (panel.size, sign.size) == ((256, 192), (128, 32))
    assert both.crop((0, 0, *panel.size)).tobytes() == panel.tobytes()
    left = both.width - sign.width
    assert left > panel.width
    assert both.crop((left, 0, both.width, sign.height)).tobytes() == sign.tobytes()
    assert len(panel.getcolors() or []) > 4


def test_errors_are_json_too(busplay: Busplay) -> None:
    found = busplay("run", "dunlin", "no-such.bin", "--headless", "--cycles", "1", "--json")
    assert found.status == 2
    assert found.figures["file"] == "no-such.bin"


@pytest.mark.parametrize("name", DEMO_PROGRAMS)
def test_every_demo_runs_and_shows_something(busplay: Busplay, name: str, tmp_path: Path) -> None:
    picture = tmp_path / "panel.png"
    found = busplay(
        *("demo", name, "--headless", "--cycles", 600_000, "--json"),
        *("--snapshot", f"{picture}@panel"),
    )
    assert found.status == 0
    assert found.figures["frames_received"] == found.figures["stores"]
    assert len(Image.open(picture).convert("RGB").getcolors() or []) > 1


@pytest.mark.parametrize("link", ["guarded", "lean", "strobed", "marked", "serial"])
def test_every_shipped_link_shows_the_same_picture(
    busplay: Busplay, link: str, tmp_path: Path
) -> None:
    pictures = []
    for name in ("guarded", link):
        picture = tmp_path / f"{name}.png"
        found = busplay(
            *("demo", "tides", "--headless", "--cycles", 600_000, "--link", name),
            *("--snapshot", picture, "--json"),
        )
        assert found.figures["frames_overrun"] == 0
        assert found.figures["link"] == name
        pictures.append(picture.read_bytes())
    assert pictures[0] == pictures[1]


def test_same_program_and_keys_give_the_same_trace(busplay: Busplay, tmp_path: Path) -> None:
    keys = tmp_path / "keys.csv"
    keys.write_text("cycle,code\n200000,65\n260000,66\n", encoding="utf-8")
    program = find_demo("keys").image_path
    traces = [tmp_path / "a.trace", tmp_path / "b.trace"]
    for trace in traces:
        busplay(
            *("run", "dunlin", program, "--headless", "--cycles", 400_000),
            *("--keys", keys, "--record", trace),
        )
    assert traces[0].read_bytes() == traces[1].read_bytes()
    with TraceReader(traces[0]) as reader:
        presses = [(press.cycle, press.code) for press in reader.key_presses()]
    assert presses == [(200_000, 65), (260_000, 66)]
    without = tmp_path / "c.trace"
    busplay("run", "dunlin", program, "--headless", "--cycles", 400_000, "--record", without)
    assert without.read_bytes() != traces[0].read_bytes()


def test_console_bytes_go_to_the_terminal(busplay: Busplay, tmp_path: Path) -> None:
    code = b"".join(bytes([0xA9, char, 0x8D, 0x02, 0xA4]) for char in b"hello\n")
    program = tmp_path / "hello.bin"
    program.write_bytes(rom(code + bytes([0x9C, 0x0A, 0xA4, 0x80, 0xFE])))
    found = busplay("run", "dunlin", program, "--headless", "--until-exit")
    assert found.status == 0
    assert found.out.startswith("hello\n")


# -- stores from elsewhere


CSV = "cycle,address,data\n100,0x4000,0x12\n108,$9FFF,255\n116,0xA000,0x80\n120,0x0200,1\n"


def test_stores_from_csv_reach_the_screen(busplay: Busplay, tmp_path: Path) -> None:
    stores = tmp_path / "stores.csv"
    stores.write_text(CSV, encoding="utf-8")
    picture = tmp_path / "a.png"
    found = busplay(
        *("run", "dunlin", "--stores", stores, "--headless", "--json"),
        *("--snapshot", f"{picture}@panel"),
    )
    assert found.status == 0
    assert found.figures["frames_sent"] == 3
    image = Image.open(picture).convert("RGB")
    # Palette entries 1 and 2 of HTML 4.01 (silver, gray), then 15 (aqua) at the far corner.
    assert image.getpixel((0, 0)) == (0xC0, 0xC0, 0xC0)
    assert image.getpixel((1, 0)) == (0x80, 0x80, 0x80)
    assert image.getpixel((255, 191)) == (0x00, 0xFF, 0xFF)


def test_stores_that_go_back_in_time_are_reported_by_line(busplay: Busplay, tmp_path: Path) -> None:
    stores = tmp_path / "stores.csv"
    stores.write_text("cycle,address,data\n100,0x4000,1\n99,0x4001,1\n", encoding="utf-8")
    found = busplay("run", "dunlin", "--stores", stores, "--headless")
    assert found.status == 2
    assert f"{stores}: line 3: found cycle 99 after cycle 100" in found.err


def test_stores_come_live_from_a_pipe(tmp_path: Path) -> None:
    """A picture of what has come so far exists while the pipe is still open."""
    trace = tmp_path / "live.trace"
    words = ["run", "dunlin", "--stores", "-", "--headless", "--record", str(trace)]
    child = subprocess.Popen(
        [sys.executable, "-m", "busplay", *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert child.stdin is not None
    # Two seconds of link time pass, so a chunk must reach the file while we hold the pipe.
    child.stdin.write(b"cycle,address,data\n100,0x4000,1\n16000000,0x4001,1\n32000000,0x4002,1\n")
    child.stdin.flush()
    deadline = time.monotonic() + 60
    frames = 0
    while frames == 0 and time.monotonic() < deadline:
        if trace.exists() and trace.stat().st_size:
            with TraceReader(trace) as reader:
                frames = reader.frames
        time.sleep(0.05)
    assert frames > 0
    out, _ = child.communicate(b"32000010,0x4003,1\n", timeout=60)
    assert child.returncode == 0
    assert b"4 frames" in out


# -- recording that is cut off


def test_killed_recording_reads_up_to_its_last_chunk(busplay: Busplay, tmp_path: Path) -> None:
    trace = tmp_path / "killed.trace"
    words = ["demo", "tides", "--headless", "--cycles", "1000000000000", "--record", str(trace)]
    child = subprocess.Popen([sys.executable, "-m", "busplay", *words])
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline and not (trace.exists() and trace.stat().st_size > 15_000):
        time.sleep(0.05)
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    found = busplay("info", trace, "--json")
    assert found.status == 0
    assert found.figures["complete"] is False
    assert found.figures["cut_reason"]
    frames, cycles = found.figures["frames"], found.figures["cycles"]
    assert frames > 1000
    assert cycles > 100_000
    said = busplay("info", trace)
    assert "CUT" in said.out
    again = busplay("replay", trace, "--headless", "--json")
    assert again.status == 0
    assert again.figures["frames_received"] == frames


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device /dev/full")
def test_full_disk_is_a_clear_error(busplay: Busplay) -> None:
    found = busplay("demo", "tides", "--headless", "--cycles", 100_000, "--record", "/dev/full")
    assert found.status == 2
    assert "/dev/full" in found.err


def test_profile_names_routines_and_sums_to_the_run(busplay: Busplay) -> None:
    words = ("demo", "tides", "--headless", "--cycles", 2_000_000)
    found = busplay(*words, "--profile", "--json")
    profile = found.figures["profile"]
    assert isinstance(profile, dict)
    rows = profile["routines"]
    # The 7 cycles of reset belong to no instruction.
    assert sum(row["cycles"] for row in rows) + 7 == found.figures["cycles"]
    assert sum(row["stores"] for row in rows) == found.figures["stores"]
    assert not rows[0]["name"].startswith("$")
    said = busplay(*words, "--profile")
    assert rows[0]["name"][:18] in said.out
    short = ("demo", "tides", "--headless", "--cycles", 20_000, "--profile", "--json")
    both = [
        busplay(*short, "--core", core).figures["profile"] for core in ("compiled", "reference")
    ]
    assert both[0] == both[1]


@pytest.mark.thorough
def test_first_run_on_a_machine_says_that_it_compiles(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "busplay", "demo", "--headless", "--cycles", "1000"]
    environment = {**os.environ, "BUSPLAY_CACHE_DIR": str(tmp_path)}
    said = [
        subprocess.run(words, env=environment, capture_output=True, text=True, check=True).stderr
        for _ in range(2)
    ]
    assert said == ["busplay: compiling for this machine; only the first run waits for it\n", ""]


# -- ends


def bare_board(folder: Path) -> Path:
    """A Dunlin without its host port."""
    text = shipped_boards()["dunlin"].read_text(encoding="utf-8")
    before, found, after = text.partition("[host_port]")
    assert found
    board = folder / "bare.toml"
    board.write_text(before + after.partition("\n[")[2], encoding="utf-8")
    return board


def test_until_exit_is_refused_where_no_program_can_exit(busplay: Busplay, tmp_path: Path) -> None:
    found = busplay("run", bare_board(tmp_path), TIDES, "--headless", "--until-exit")
    assert found.status == 2
    assert found.err == (
        "busplay: --until-exit: found board Dunlin without a host port; no program can exit on it;"
        " add a [host_port] table, or give --cycles COUNT or --duration TIME\n"
    )


def test_run_that_ends_early_says_why(busplay: Busplay, exit_3: Path) -> None:
    words = ("--headless", "--until-exit", "--cycles", 50_000)
    exited = busplay("run", "dunlin", exit_3, *words)
    assert exited.status == 3
    assert "  exit      3, at cycle 19\n" in exited.out
    cut = busplay("run", "dunlin", TIDES, *words)
    assert cut.status == 1
    assert "  stopped   the program has not exited by cycle 50,00" in cut.out


@pytest.mark.parametrize(("ber", "status"), [("1e-3", 1), ("0", 0)])
def test_fail_on_loss_is_status_1_if_a_store_was_lost(
    busplay: Busplay, tmp_path: Path, ber: str, status: int
) -> None:
    trace = tmp_path / "a.trace"
    words = ("--headless", "--cycles", 100_000, "--fail-on-loss", "--ber", ber)
    assert busplay("run", "dunlin", TIDES, *words, "--record", trace).status == status
    assert busplay("demo", "tides", *words).status == status
    assert busplay("replay", trace, *words).status == status


def test_stores_to_rom_and_to_nothing_are_shown(busplay: Busplay, tmp_path: Path) -> None:
    # STA $C100 twice, STA $B000, then the exit register gets 0.
    code = bytes([0x8D, 0x00, 0xC1, 0x8D, 0x00, 0xC1, 0x8D, 0x00, 0xB0, 0x9C, 0x0A, 0xA4])
    program = tmp_path / "stray.bin"
    program.write_bytes(rom(code))
    words = ("run", "dunlin", program, "--headless", "--until-exit")
    figures = busplay(*words, "--json").figures
    assert (figures["stores_to_rom"], figures["stores_to_nothing"]) == (2, 1)
    said = busplay(*words).out
    assert said.startswith("stray.bin: no store in a window\n")
    assert "  ignored   2 stores to ROM, 1 to nothing\n" in said


def test_part_of_a_replay_has_sums_that_agree(busplay: Busplay, tmp_path: Path) -> None:
    trace = tmp_path / "a.trace"
    busplay("demo", "fill", "--headless", "--cycles", 400_000, "--record", trace)
    part = busplay("replay", trace, "--headless", "--to", "20ms", "--json").figures
    assert part["stores"] == part["frames_sent"] == part["frames_received"]
    assert part["cycles"] == 160_000
