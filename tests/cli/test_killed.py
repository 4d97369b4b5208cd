"""Whatever writes a file may be killed at any moment: the file that was there stays, or the new
one is whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.command import run_busplay

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and signals")

# 50 take a minute and a half over all writers.
KILLS = 50 if os.environ.get("CI") else 5

# The command runs once to load all and to time it; then each copy of this process runs it again
# and is killed at a random moment.
KILLER = """
import json, os, pathlib, random, signal, sys, time
from busplay.cli.main import main
target, words, kills = pathlib.Path(sys.argv[1]), json.loads(sys.argv[2]), int(sys.argv[3])

def run():
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        main(words)
    except SystemExit as left:
        return left.code or 0

old = target.read_bytes()
child = os.fork()
if child == 0:
    os._exit(run())
assert os.waitpid(child, 0)[1] == 0
whole = target.read_bytes()
keep = os.dup(1)
run()
begun = time.perf_counter()
run()
took = time.perf_counter() - begun
seen = {"old": 0, "new": 0, "killed": 0, "other": 0, "same": whole == old}
for kill in range(kills):
    target.write_bytes(old)
    child = os.fork()
    if child == 0:
        os._exit(run())
    time.sleep(random.Random(kill).random() * took * 1.5)
    os.kill(child, signal.SIGKILL)
    seen["killed"] += os.WIFSIGNALED(os.waitpid(child, 0)[1])
    found = target.read_bytes()
    seen["old" if found == old else "new" if found == whole else "other"] += 1
    for part in target.parent.glob(target.name + ".part*"):
        part.unlink()
os.write(keep, json.dumps(seen).encode())
"""

RUN = ("demo", "tides", "--headless", "--cycles", "1000000")
NOISY = (*RUN, "--ber", "1e-4")

WRITERS = {
    "what is sent": (*RUN, "--record", "{}.trace"),
    "what arrives": (*NOISY, "--record-received", "{}.trace"),
    "losses": (*NOISY, "--losses", "{}.csv"),
    "picture": (*RUN, "--snapshot", "{}.png"),
    "arrivals of a replay": ("replay", "sent.trace", "--headless", "--record-received", "{}.trace"),
    "decoded": ("decode", "sent.vcd", "--link", "guarded", "--board", "dunlin", "-o", "{}.trace"),
    "converted to a trace": ("convert", "sent.pcapng", "{}.trace"),
    "converted to wires": ("convert", "sent.trace", "{}.vcd"),
    "converted to packets": ("convert", "sent.trace", "{}.pcapng"),
    "converted to rows": ("convert", "sent.trace", "{}.csv"),
    "converted to stores": ("convert", "sent.trace", "{}.stores"),
    "written anew": ("convert", "sent.trace", "{}.trace"),
    "session of samples": ("convert", "sent.trace", "{}.sr", "--out-rate", "100MHz"),
    "raw samples": ("convert", "sent.trace", "{}.bin", "--out-rate", "100MHz"),
}

KILLED_EVERYWHERE = ("what is sent", "picture")


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("killed")
    sent = folder / "sent.trace"
    assert run_busplay("demo", "tides", "--headless", "--cycles", 30_000, "--record", sent) == 0
    for name in ("sent.vcd", "sent.pcapng"):
        assert run_busplay("convert", sent, folder / name) == 0
    return folder


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=() if kind in KILLED_EVERYWHERE else pytest.mark.thorough)
        for kind in WRITERS
    ],
)
def test_killed_writer_leaves_the_old_file_or_the_whole_new_one(kind: str, sources: Path) -> None:
    words = [word.replace("{}", "target") for word in WRITERS[kind]]
    target = sources / next(word for word in words if word.startswith("target"))
    target.write_bytes(b"old")
    ran = subprocess.run(
        [sys.executable, "-c", KILLER, str(target), json.dumps(words), str(KILLS)],
        cwd=sources,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    seen = json.loads(ran.stdout)
    assert not seen["same"]
    assert seen["other"] == 0
    assert seen["old"] + seen["new"] == KILLS
    assert seen["killed"] > 0
