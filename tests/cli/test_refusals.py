"""Wrong use, from `refused.txt`: status 2, the remedy by name, and no file made or changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from busplay.demo.programs import find_demo
from tests.cli.command import run_busplay
from tests.cli.conftest import Busplay

DATA = Path(__file__).parent.parent / "data"
CAPTURES = DATA / "sigrok_dumps"
NAMES = {
    "tides": find_demo("tides").image_path,
    "vcd": CAPTURES / "power9_lpc_io_read.vcd",
    "sr": CAPTURES / "power9_lpc_io_write.sr",
    "lpc": DATA / "links_for_captures" / "lpc_io_write.toml",
    "short": "--headless --cycles 10",
    "sampled": "--out-rate 1MHz",
}
TABLE = Path(__file__).with_name("refused.txt").read_text(encoding="utf-8").splitlines()


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sent") / "run.trace"
    words = ("--headless", "--cycles", 100_000, "--record", path)
    assert run_busplay("demo", "tides", *words) == 0
    return path


@pytest.mark.parametrize("line", [line for line in TABLE if not line.startswith(";")])
def test_wrong_use_is_refused_with_what_would_be_right(
    busplay: Busplay,
    sent: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(sent, tmp_path)
    words, _, message = line.partition(" => ")
    outcome = busplay(*words.format(**NAMES).split())
    assert outcome.status == 2
    assert message.format(**NAMES) in " ".join(outcome.err.split())
    assert [one.name for one in tmp_path.iterdir()] == ["run.trace"]
    assert (tmp_path / "run.trace").read_bytes() == sent.read_bytes()
