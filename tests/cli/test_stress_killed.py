"""A sweep that is really killed goes on where it was, and gives what it would have given."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli.command import run_busplay
from tests.cli.test_faults import FILL

WORDS = ("dunlin", str(FILL), "--cycles", "400_000", "--max-frames", "60_000", "--json")
SWEEPS = ("--sweep-ber", "1e-5..1e-2/8", "--sweep-service", "100ns..900ns/5")


def sweep(*words: object) -> list[str]:
    return [sys.executable, "-m", "busplay", "stress", *WORDS, *SWEEPS, *map(str, words)]


@pytest.mark.thorough
@pytest.mark.skipif(not hasattr(os, "killpg"), reason="there are no process groups here")
def test_sweep_that_is_killed_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    state = tmp_path / "sweep.state"
    words = sweep("--state", state, "--jobs", 2)
    # Killed with all its workers: nobody has a chance to tidy up.
    with subprocess.Popen(words, start_new_session=True, stdout=subprocess.PIPE) as process:
        give_up = time.monotonic() + 120
        while time.monotonic() < give_up and process.poll() is None:
            if state.exists() and state.read_bytes().count(b"\n") >= 4:
                break
            time.sleep(0.005)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    kept = state.read_bytes()
    kept = kept[: kept.rfind(b"\n") + 1]
    assert 4 <= kept.count(b"\n") <= 14
    again = subprocess.run(words, capture_output=True, check=False)
    assert again.returncode == 0, again.stderr
    assert state.read_bytes().startswith(kept)
    assert state.read_bytes().count(b"\n") == 15
    assert run_busplay("stress", *WORDS, *SWEEPS, "--jobs", 1) == 0
    assert json.loads(again.stdout) == json.loads(capsys.readouterr().out)
