"""Ctrl-C: what was done so far is whole, the sums agree, and the status is 130."""

from __future__ import annotations

import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from busplay.cli.interrupt import hold_interrupt, uninterrupted
from busplay.trace.reader import TraceReader
from tests.cli.command import run_busplay

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")

MOMENTS = 12 if os.environ.get("CI") else 1
LONG = ("--headless", "--cycles", "1000000000000", "--json")
NOISE = ("--ber", "1e-4", "--lost-edges", "1e-5", "--seed", "3")


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sent") / "sent.trace"
    words = ("--headless", "--cycles", 40_000_000, "--record", path)
    assert run_busplay("demo", "fill", *words) == 0
    return path


def interrupted(*words: object, after_s: float, grown: Path | None = None) -> tuple[int, str, str]:
    """Run a command and press Ctrl-C that long after it began to write."""
    child = subprocess.Popen(
        [sys.executable, "-m", "busplay", *map(str, words)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell's background jobs ignore Ctrl-C, and their children would too.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 60
    while grown is not None and not (grown.exists() and grown.stat().st_size > 3_000):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    time.sleep(after_s)
    child.send_signal(signal.SIGINT)
    # The pipe to its standard input stays open: nothing may wait for its end.
    assert child.stdin is not None
    status = child.wait(timeout=60)
    assert child.stdout is not None
    assert child.stderr is not None
    out, err = child.stdout.read(), child.stderr.read()
    for stream in (child.stdin, child.stdout, child.stderr):
        stream.close()
    return status, out, err


def moments() -> list[float]:
    draw = random.Random(7)
    return [draw.uniform(0, 0.4) for _ in range(MOMENTS)]


@pytest.mark.thorough
def test_profile_that_is_interrupted_has_sums_that_agree(tmp_path: Path) -> None:
    words = ("profile", "dunlin", "tides.bin", "--to", "20000s", "--csv", tmp_path / "p.csv")
    status, out, err = interrupted(*words, after_s=4)
    assert status == 130
    assert err.endswith("busplay: interrupted\n")
    assert "  interrupted; the figures are those of the cycles that ran\n" in out
    rows = list(csv.DictReader((tmp_path / "p.csv").open(encoding="utf-8")))
    for name in ("cycles", "stores", "stores_unchanged", "stores_replaced"):
        routines, refreshes = (
            sum(int(row[name]) for row in rows if row["kind"] == kind)
            for kind in ("routine", "refresh")
        )
        assert routines == refreshes > 0, name


def require_sums(figures: dict[str, object]) -> None:
    accounts = figures["accounts"]
    assert isinstance(accounts, dict)
    frames = accounts["frames"]
    causes = ("lost_at_sender", "lost_on_wire", "lost_out_of_sync", "lost_at_receiver", "lost_late")
    parts = sum(frames[name] for name in (*causes, "received_intact", "received_damaged"))
    assert accounts["balanced"] is True
    assert frames["stores"] == parts + frames["in_flight"]
    received = figures["frames_received"]
    assert isinstance(received, int)
    assert received <= frames["stores"] + frames["spurious"] + frames["spurious_lost"]


@pytest.mark.parametrize("after_s", moments())
def test_interrupted_run_closes_its_accounts_and_traces(tmp_path: Path, after_s: float) -> None:
    trace, received, losses = (tmp_path / name for name in ("a.trace", "b.trace", "l.csv"))
    files = ("--record", trace, "--record-received", received, "--losses", losses)
    status, out, err = interrupted(
        "demo", "fill", *LONG, *NOISE, *files, after_s=after_s, grown=trace
    )
    assert status == 130
    assert err.splitlines()[-1] == "busplay: interrupted"
    figures = json.loads(out)
    assert figures["interrupted"] is True
    require_sums(figures)
    with TraceReader(trace) as sent, TraceReader(received) as arrived:
        assert sent.complete
        assert arrived.complete
        assert sent.frames == figures["frames_sent"]
        assert sent.cycles == arrived.cycles == figures["cycles"]
    lost = figures["accounts"]["frames"]
    rows = len(losses.read_text().splitlines()) - 1
    causes = ("lost_at_sender", "lost_on_wire", "lost_out_of_sync", "lost_at_receiver", "lost_late")
    assert rows == sum(lost[name] for name in (*causes, "received_damaged"))


@pytest.mark.parametrize("after_s", moments())
def test_interrupted_replay_keeps_the_trace_that_was_there(
    sent: Path, tmp_path: Path, after_s: float
) -> None:
    received = tmp_path / "b.trace"
    received.write_bytes(b"old")
    part = tmp_path / "b.trace.part"
    words = ("replay", sent, "--headless", "--speed", 1, "--json", *NOISE)
    status, out, _ = interrupted(*words, "--record-received", received, after_s=after_s, grown=part)
    assert status == 130
    figures = json.loads(out)
    require_sums(figures)
    assert figures["stores"] >= figures["frames_sent"] >= figures["accounts"]["frames"]["stores"]
    assert received.read_bytes() == b"old"
    assert figures["received_trace"] == str(part)
    with TraceReader(part) as arrived:
        assert arrived.complete
        assert arrived.cycles == figures["cycles"]


@pytest.mark.thorough
def test_interrupted_stream_does_not_wait_for_its_silent_pipe(tmp_path: Path) -> None:
    status, out, err = interrupted(
        "run", "dunlin", "--stores", "-", "--headless", "--json", after_s=4
    )
    assert (status, json.loads(out)["cycles"]) == (130, 0)
    assert err.splitlines()[-1] == "busplay: interrupted"


def test_window_is_interrupted_from_its_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    trace = tmp_path / "a.trace"
    status, out, err = interrupted(
        "demo", "fill", "--json", "--record", trace, after_s=0.3, grown=trace
    )
    assert status == 130
    figures = json.loads(out)
    require_sums(figures)
    with TraceReader(trace) as reader:
        assert reader.complete
        assert reader.cycles == figures["cycles"]
    assert "Traceback" not in err


def test_text_report_says_that_it_was_interrupted(tmp_path: Path) -> None:
    trace = tmp_path / "a.trace"
    words = ("demo", "tides", "--headless", "--cycles", 10**12, "--record", trace)
    status, out, err = interrupted(*words, after_s=0, grown=trace)
    assert status == 130
    assert out.splitlines()[0].startswith("tides.bin: all ")
    assert out.splitlines()[1] == "  interrupted; the figures are those of the cycles that ran"
    assert err.endswith("busplay: interrupted\n")


@pytest.mark.thorough
def test_interrupted_stress_reports_the_points_that_were_done(sent: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    words = ("stress", "dunlin", sent, "--state", state, "--frames", 5_000_000, "--json")
    status, out, err = interrupted(*words, after_s=0, grown=state)
    assert (status, err.splitlines()[-1]) == (130, "busplay: interrupted")
    report = json.loads(out)
    assert report["interrupted"] is True
    assert report["points_left"] > 0


def test_interrupted_check_still_explains_its_file(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("busplay.analysis.soundness.report.check", interrupt)
    assert run_busplay("check", "dunlin") == 130
    printed = capsys.readouterr()
    assert "$4000-$9FFF" in printed.out
    assert printed.err.endswith("busplay: interrupted\n")


EXEC_INTERRUPTED = """
try:
    exec("raise KeyboardInterrupt")
except KeyboardInterrupt:
    pass
from busplay.cli.interrupt import say_interrupted
raise SystemExit(say_interrupted())
"""


def test_interrupt_within_exec_leaves_the_exit_status(tmp_path: Path) -> None:
    # CPython 3.11 under `python -m` ended by the signal: status -2 of a child.
    (tmp_path / "interrupted_exec.py").write_text(EXEC_INTERRUPTED)
    child = subprocess.run(
        [sys.executable, "-m", "interrupted_exec"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])},
        capture_output=True,
        text=True,
    )
    assert (child.returncode, child.stderr) == (130, "busplay: interrupted\n")


READY = """
import sys
from busplay.__main__ import run
print("ready", file=sys.stderr, flush=True)
run()
"""


@pytest.mark.parametrize("after_s", [0, 0.05, 0.15, 0.3, 0.6, 1.0])
def test_command_that_is_interrupted_early_says_so(after_s: float) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", READY, "demo", "tides", *LONG],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert child.stderr is not None
    assert child.stderr.readline() == "ready\n"
    time.sleep(after_s)
    child.send_signal(signal.SIGINT)
    _, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert err.splitlines()[-1] == "busplay: interrupted"
    assert "Traceback" not in err


@pytest.fixture
def ctrl_c() -> Iterator[None]:
    """Hear Ctrl-C, which a shell's background jobs ignore."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def press() -> None:
    signal.raise_signal(signal.SIGINT)


@pytest.mark.usefixtures("ctrl_c")
def test_ctrl_c_is_held_until_the_block_is_done() -> None:
    done = []

    def work() -> None:
        with uninterrupted():
            press()
            done.append(True)

    with pytest.raises(KeyboardInterrupt):
        work()
    assert done
    with hold_interrupt() as held:
        press()
    assert held.pressed
    with pytest.raises(KeyboardInterrupt):
        press()


@pytest.mark.usefixtures("ctrl_c")
def test_second_ctrl_c_interrupts_at_once() -> None:
    done = []

    def work() -> None:
        with uninterrupted():
            press()
            press()
            done.append(True)

    with pytest.raises(KeyboardInterrupt):
        work()
    assert not done
