"""`run --watch`: what is shown after a change on disk, with and without a window."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest

from busplay.description.shipped_files import shipped_boards, shipped_links
from busplay.player.playable import Playable
from tests.cli.conftest import Busplay
from tests.documents import PROJECT

# Far longer than anything takes; a test that waits so long has failed.
PATIENCE_S = 60


def program(letter: str) -> bytes:
    """Prints a letter; then shows each key on the panel's first byte, and prints it."""
    return bytes.fromhex(f"A9{ord(letter):02X} 8D02A4 AD00A4 10FB AD01A4 8D02A4 8D0040 4C05C0")


def save(path: Path, content: bytes) -> None:
    """Save as editors do: under another name, then renamed."""
    beside = path.with_name(f"{path.name}~")
    beside.write_bytes(content)
    beside.replace(path)


class FakeWindow:
    """Plays without pygame; keeps what it is told to show."""

    def __init__(self, playable: Playable, on_picture: Callable[[FakeWindow], None]) -> None:
        self.playable = playable
        self.message = ""
        self.titles: list[str] = []
        self._on_picture = on_picture

    def show_message(self, text: str) -> None:
        self.message = text

    def replace(self, playable: Playable, *, title: str, **_: object) -> None:
        self.playable = playable
        self.titles.append(title)

    def look_until(self, is_so: Callable[[], bool]) -> None:
        """Show picture after picture, in which time stands still, until something is so."""
        deadline = time.monotonic() + PATIENCE_S
        while not is_so():
            assert time.monotonic() < deadline, self.message
            self._on_picture(self)
            time.sleep(0.01)


@pytest.fixture
def in_window(busplay: Busplay, monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str]]:
    """Call `run --watch` with a function that does what a user does; return status and output."""

    def call(user: Callable[[FakeWindow], None], *words: object) -> tuple[int, str]:
        def open_window(playable: Playable, *, on_picture: Any, **_: object) -> None:
            user(FakeWindow(playable, on_picture))

        monkeypatch.setattr("busplay.view.window.open_window", open_window)
        found = busplay("run", *words, "--watch")
        return found.status, found.out + found.err

    return call


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A Dunlin with its link in files of their own."""
    text = shipped_boards()["dunlin"].read_text(encoding="utf-8")
    path = tmp_path / "board.toml"
    path.write_text(text.replace('link = "guarded"', 'link = "link.toml"'), encoding="utf-8")
    link = shipped_links()["guarded"].read_text(encoding="utf-8")
    (tmp_path / "link.toml").write_text(link, encoding="utf-8")
    (tmp_path / "it.bin").write_bytes(program("A"))
    return path


InWindow = Callable[..., tuple[int, str]]


@pytest.mark.thorough
def test_program_board_or_link_that_changes_runs_again_in_the_window(
    in_window: InWindow, board: Path, tmp_path: Path
) -> None:
    def user(window: FakeWindow) -> None:
        window.playable.run(100_000)
        save(tmp_path / "it.bin", program("B"))
        window.look_until(lambda: len(window.titles) == 1)
        assert window.playable.cycle < 100
        window.playable.run(1_000)
        save(board, board.read_bytes().replace(b"8_000_000", b"4_000_000"))
        window.look_until(lambda: len(window.titles) == 2)
        assert window.playable.clock_hz == 4_000_000
        link = tmp_path / "link.toml"
        save(link, link.read_bytes().replace(b'name = "guarded"', b'name = "other"'))
        window.look_until(lambda: len(window.titles) == 3)
        window.playable.run(1_000)
        assert set(window.titles) == {"it.bin on Dunlin"}

    assert in_window(user, board, tmp_path / "it.bin") == (0, "ABB")


def test_error_stands_over_the_old_picture_until_it_is_mended(
    in_window: InWindow, board: Path, tmp_path: Path
) -> None:
    def user(window: FakeWindow) -> None:
        first = window.playable
        text = board.read_bytes()
        save(board, text.replace(b"8_000_000", b"0"))
        window.look_until(lambda: bool(window.message))
        assert window.message.startswith(f"It cannot run\n{board}: clock_hz: found 0; give ")
        (tmp_path / "it.bin").unlink()
        save(board, text)
        window.look_until(lambda: "it.bin: cannot be read" in window.message)
        assert window.playable is first
        save(tmp_path / "it.bin", program("B"))
        window.look_until(lambda: len(window.titles) == 1 and not window.message)

    assert in_window(user, board, tmp_path / "it.bin")[0] == 0


OWN_DEVICE = """
class Own:
    irq = False

    def read(self, offset, cycle):
        return 1 // 0

    def write(self, offset, data, cycle):
        pass

    def next_event_cycle(self):
        return None

    def advance(self, cycle):
        pass

    def snapshot(self):
        return 0

    def restore(self, snapshot):
        pass
"""


@pytest.mark.thorough
def test_device_that_fails_stands_over_the_picture_until_it_is_mended(
    in_window: InWindow, board: Path, tmp_path: Path
) -> None:
    """It ended the command."""
    own = tmp_path / "own.py"
    own.write_text(OWN_DEVICE)
    board.write_text(
        board.read_text() + '[[devices]]\nkind = "own.py:Own"\nname = "own"\n'
        "first_address = 0xA800\nlast_address = 0xA800\n"
    )
    # STA $4000, LDA $A800, again.
    (tmp_path / "it.bin").write_bytes(bytes.fromhex("A941 8D0040 AD00A8 4C02C0"))

    def user(window: FakeWindow) -> None:
        window.playable.run(10_000)
        assert window.playable.ended
        assert window.playable.run(10_000) == 0
        window.look_until(lambda: bool(window.message))
        assert window.message.startswith("It cannot go on\ndevice own: read in cycle ")
        assert window.playable.displays["panel"].memory[0] == 0x41
        save(own, OWN_DEVICE.replace("1 // 0", "1").encode())
        window.look_until(lambda: len(window.titles) == 1 and not window.message)
        assert window.playable.run(10_000) >= 10_000

    found = in_window(user, board, tmp_path / "it.bin", "--trust-board-code")
    assert found[0] == 0, found[1]


@pytest.mark.thorough
def test_build_that_fails_shows_what_it_prints(
    in_window: InWindow, board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    source = tmp_path / "source"
    source.write_bytes(program("A"))
    (tmp_path / "build.sh").write_text(
        "grep -q BROKEN source && { printf 'source:1: \\033[1mno\\n'; exit 3; }\ncp source it.bin\n"
    )
    (tmp_path / "it.bin").unlink()

    def user(window: FakeWindow) -> None:
        window.playable.run(1_000)
        first = window.playable
        save(source, b"BROKEN")
        window.look_until(lambda: bool(window.message))
        assert window.message == "sh build.sh failed, exit status 3\nsource:1: \\x1b[1mno"
        save(source, program("A"))
        window.look_until(lambda: not window.message)
        assert window.playable is first
        save(source, program("B"))
        window.look_until(lambda: len(window.titles) == 1)
        window.playable.run(1_000)

    assert in_window(user, board, "it.bin", "--build", "sh build.sh") == (0, "AB")


def test_keep_time_goes_on_from_the_same_moment_with_the_same_keys(
    in_window: InWindow, board: Path, tmp_path: Path
) -> None:
    (tmp_path / "keys.csv").write_text("cycle,code\n400000,120\n3000000,121\n")

    def user(window: FakeWindow) -> None:
        window.playable.run(1_000_000)
        window.playable.press(ord("k"))
        window.playable.run(1_000_000)
        before = window.playable.cycle
        save(tmp_path / "it.bin", program("B"))
        window.look_until(lambda: len(window.titles) == 1)
        assert before <= window.playable.cycle < before + 100
        assert window.playable.displays["panel"].memory[0] == ord("k")
        # It can go back, too, and forward to the key of the file that is still to come.
        window.playable.seek(500_000)
        assert window.playable.displays["panel"].memory[0] == ord("x")
        window.playable.seek(before)
        window.playable.run(2_000_000)
        assert window.playable.displays["panel"].memory[0] == ord("y")
        # From a moment in the past: what was pressed later is not pressed again.
        window.playable.seek(600_000)
        save(board, board.read_bytes().replace(b"8_000_000", b"4_000_000"))
        window.look_until(lambda: len(window.titles) == 2)
        assert 300_000 <= window.playable.cycle < 300_100
        assert window.playable.displays["panel"].memory[0] == ord("x")

    words = (board, tmp_path / "it.bin", "--keep-time", "--keys", tmp_path / "keys.csv")
    assert in_window(user, *words) == (0, "AxkBxkyBx")


@pytest.mark.thorough
def test_recordings_and_pictures_are_those_of_the_last_run(
    in_window: InWindow, board: Path, busplay: Busplay, tmp_path: Path
) -> None:
    trace, lost = tmp_path / "it.trace", tmp_path / "lost.csv"

    def user(window: FakeWindow) -> None:
        window.playable.run(50_000)
        save(tmp_path / "it.bin", program("B"))
        window.look_until(lambda: len(window.titles) == 1)
        window.playable.press(ord("k"))
        window.playable.run(20_000)

    words = ("--record", trace, "--losses", lost, "--fail-on-loss", "--stuck", "0=1")
    assert in_window(user, board, tmp_path / "it.bin", *words)[0] == 1
    assert busplay("info", trace, "--json").figures["stores"] == 1
    assert len(lost.read_text().splitlines()) == 2
    assert not list(tmp_path.glob("*.part*"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--build", "make"], "--build is for --watch; give that too"),
        (["--keep-time"], "--keep-time is for --watch; give that too"),
        (["--watch", "--stores", "-"], "--watch runs a program again; --stores has none"),
        (
            ["--watch", "--keep-time", "--headless", "--cycles", "9"],
            "--keep-time is for the window, and --headless opens none",
        ),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, list) else "",
)
def test_options_that_have_nothing_to_do_are_refused(
    busplay: Busplay, words: list[str], said: str
) -> None:
    found = busplay("run", "dunlin", *words)
    assert found.status == 2
    assert found.err.endswith(f"Error: {said}\n")


# -- the whole command


class Child:
    """A `run --watch` of its own process."""

    def __init__(self, folder: Path, *words: str) -> None:
        here = {**os.environ, "PYTHONPATH": str(PROJECT), "SDL_VIDEODRIVER": "dummy"}
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-m", "busplay", "run", *words, "--watch"],
            cwd=folder,
            env=here,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            # A shell's background jobs ignore Ctrl-C, and their children would too.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )

    def read_until(self, stream: IO[bytes] | None, wanted: bytes) -> bytes:
        assert stream is not None
        found = b""
        while wanted not in found:
            piece = stream.read(1)
            assert piece, found
            found += piece
        return found

    def interrupt(self) -> tuple[int, bytes]:
        self.process.send_signal(signal.SIGINT)
        _, told = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, told


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="interrupts by signals")
def test_window_runs_again_and_ctrl_c_ends_it(board: Path, tmp_path: Path) -> None:
    child = Child(tmp_path, "board.toml", "it.bin")
    out = child.process.stdout
    assert child.read_until(out, b"A") == b"A"
    save(tmp_path / "it.bin", program("B"))
    assert child.read_until(out, b"B") == b"B"
    status, told = child.interrupt()
    assert status == 130
    assert told.endswith(b"busplay: interrupted\n")
    assert b"Traceback" not in told


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="interrupts by signals")
def test_each_headless_run_prints_its_report(board: Path, tmp_path: Path) -> None:
    (tmp_path / "it.bin").unlink()
    child = Child(tmp_path, "board.toml", "it.bin", "--headless", "--cycles", "5000")
    err = child.process.stderr
    told = child.read_until(err, b"waiting for a change\n")
    assert b"busplay: it.bin: cannot be read" in told
    save(tmp_path / "it.bin", program("A"))
    assert b"cannot" not in child.read_until(err, b"waiting for a change\n")
    save(tmp_path / "it.bin", program("B"))
    child.read_until(err, b"waiting for a change\n")
    child.process.send_signal(signal.SIGINT)
    out, told = child.process.communicate(timeout=PATIENCE_S)
    assert child.process.returncode == 130
    assert told.endswith(b"busplay: interrupted\n")
    assert out.startswith(b"Ait.bin: ")
    assert out.count(b"ran       5,001 cycles") == out.count(b"it.bin: ") == 2
    assert b"\nBit.bin: " in out
