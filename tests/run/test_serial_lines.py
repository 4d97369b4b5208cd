"""Serial lines of a running program: console, file, pseudo-terminal."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from busplay.description.devices import Acia6551
from busplay.description.shipped_files import shipped_boards
from busplay.errors import OutputError
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.session import Session
from busplay.trace.reader import TraceReader
from tests.cli.command import run_busplay

# 19,200 Bd, DTR, no interrupts. Then: wait for a byte, send it back, store it into the window; a
# return ends the program.
ECHO = bytes.fromhex(
    "A91F 8D03A8 A90B 8D02A8 A200"  # $C000
    "AD01A8 2908 F0F9"  # $C00C wait for RDRF
    "AD00A8 8D00A8 9D0040 E8 C90D D0EB"  # $C013
    "8D0AA4"  # $C021 EXIT
)


def board_text(folder: Path, more: str) -> Path:
    text = shipped_boards()["dunlin"].read_text(encoding="utf-8")
    path = folder / "board.toml"
    path.write_text(
        text + '[[devices]]\nkind = "acia_6551"\nname = "serial"\nfirst_address = 0xA800\n' + more
    )
    (folder / "echo.bin").write_bytes(ECHO.ljust(0x3FFC, b"\xea") + bytes.fromhex("00C000C0"))
    return path


def test_console_line_prints_and_takes_keys(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    board = board_text(tmp_path, "")
    keys = tmp_path / "keys.csv"
    keys.write_text(
        "cycle,code\n" + "".join(f"{5000 * n},{code}\n" for n, code in enumerate(b"tide\r", 1))
    )
    trace = tmp_path / "run.trace"
    words: list[object] = [
        "run",
        board,
        tmp_path / "echo.bin",
        "--headless",
        "--until-exit",
        "--json",
    ]
    words += ["--keys", keys, "--record", trace, "--cycles", "1000000"]
    assert run_busplay(*words) == 13
    printed = capfd.readouterr()
    assert "tide\r" in printed.err
    assert json.loads(printed.out)["exit_status"] == 13
    # The recorded run does the same again, backwards too.
    with TraceReader(trace) as reader:
        history = ProgramHistory.of_trace(reader, tmp_path / "echo.bin")
        history.go_to(reader.cycles)
        assert history.memory[0x4000:0x4005].tobytes() == b"tide\r"
        assert history.last_write_of(0x4002)
        assert history.memory[0x4000:0x4004].tobytes() == b"ti\0\0"


def test_file_line_reads_and_writes_files(tmp_path: Path) -> None:
    (tmp_path / "in.txt").write_bytes(b"gulls\r")
    board = board_text(tmp_path, 'line = "file"\ninput = "in.txt"\noutput = "out.txt"\n')
    with Session(load_board(board), program=tmp_path / "echo.bin") as session:
        session.run_until(exit=True, within_cycles=1_000_000)
    assert (tmp_path / "out.txt").read_bytes() == b"gulls\r"


def test_file_line_does_not_write_over_its_input(tmp_path: Path) -> None:
    (tmp_path / "in.txt").write_bytes(b"gulls\r")
    board = load_board(board_text(tmp_path, 'line = "file"\ninput = "in.txt"\noutput = "in.txt"\n'))
    with pytest.raises(OutputError, match="found an input file"):
        Session(board, program=tmp_path / "echo.bin")
    serial = board.devices[0]
    assert isinstance(serial, Acia6551)
    over_program = replace(serial, output=tmp_path / "echo.bin")
    with pytest.raises(OutputError, match="found an input file"):
        Session(replace(board, devices=(over_program,)), program=tmp_path / "echo.bin")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_what_comes_in_over_a_pseudo_terminal_stands_in_the_trace(tmp_path: Path) -> None:
    board = load_board(board_text(tmp_path, 'line = "pty"\n'))
    trace = tmp_path / "run.trace"
    with Session(board, program=tmp_path / "echo.bin", record=trace) as session:
        other_end = os.open(session.serial_lines.terminals["serial"], os.O_RDWR | os.O_NOCTTY)
        os.write(other_end, b"buoy\r")
        session.run_until(exit=True, within_cycles=80_000_000)
        deadline, answer = time.monotonic() + 10, b""
        while len(answer) < 5 and time.monotonic() < deadline:
            answer += os.read(other_end, 5)
        os.close(other_end)
    assert answer == b"buoy\r"
    with TraceReader(trace) as reader:
        assert bytes(press.code for press in reader.key_presses()) == b"buoy\r"


def test_typed_text_comes_in_over_the_console_line_of_a_headless_run(tmp_path: Path) -> None:
    board = board_text(tmp_path, "")
    words = [sys.executable, "-m", "busplay", "run", board, tmp_path / "echo.bin", "--headless"]
    done = subprocess.run(
        [*map(str, words), "--until-exit", "--cycles", "80000000"],
        input=b"reed\n", capture_output=True, check=False, timeout=60,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 13, done.stderr
    assert done.stdout.startswith(b"reed\r")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_terminal_gives_each_key_at_once_and_is_as_it_was_in_the_end(tmp_path: Path) -> None:
    import termios

    board = load_board(board_text(tmp_path, ""))
    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    with Session(board, program=tmp_path / "echo.bin") as session:
        session.serial_lines.attach_terminal(slave)
        assert not termios.tcgetattr(slave)[3] & termios.ICANON
        os.write(master, b"ebb\r")
        session.run_until(exit=True, within_cycles=80_000_000)
        assert session.take_console() == b"ebb\r"
    assert termios.tcgetattr(slave) == before
    os.close(master)
    os.close(slave)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_bytes_that_nobody_reads_are_dropped_and_counted(tmp_path: Path) -> None:
    board = load_board(board_text(tmp_path, 'line = "pty"\n'))
    with Session(board, program=tmp_path / "echo.bin") as session:
        lines = session.serial_lines
        assert lines.send({"serial": b"x" * 1_000_000}) == b""
        assert 0 < lines.bytes_dropped < 1_000_000
        # The others arrive; the kernel may have had room for a few more in the meantime.
        lines.send({"serial": b"yz"})
        arrived, expected = 0, 1_000_002 - lines.bytes_dropped
        terminal = os.open(lines.terminals["serial"], os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        while arrived < expected:
            assert select.select([terminal], [], [], 5)[0], (arrived, expected)
            arrived += len(os.read(terminal, 1 << 16))
        os.close(terminal)
        assert arrived == expected
