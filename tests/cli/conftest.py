from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from busplay.cli.plan_command import command as plan_command
from busplay.description.shipped_files import shipped_boards
from tests.cli.command import Plan, run_busplay


@dataclass
class Outcome:
    status: int
    out: str
    err: str

    @property
    def figures(self) -> dict[str, Any]:
        """What the command printed as JSON."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


Busplay = Callable[..., Outcome]


BUSY = "[[receiver.busy]]\nperiod_ns = 64_000\nlength_ns = 12_000\n"


def edited_dunlin(path: Path, *edits: tuple[str, str]) -> Path:
    """Write the Dunlin with a shallow receiver FIFO and edits."""
    text = shipped_boards()["dunlin"].read_text(encoding="utf-8")
    for old, new in (("\nfifo_depth = 64\n", "\nfifo_depth = 8\n"), *edits):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def slow_board(tmp_path: Path) -> Path:
    """A Dunlin whose receiver is too slow while its video side has the memory."""
    service = ("service_ns = 250\n", f"service_ns = 400\n{BUSY}")
    return edited_dunlin(tmp_path / "slow.toml", service)


@pytest.fixture
def busplay(capfd: pytest.CaptureFixture[str]) -> Busplay:
    """Call the command line in this process; returns exit status and what was printed."""

    def call(*words: object) -> Outcome:
        status = run_busplay(*words)
        printed = capfd.readouterr()
        assert "Traceback" not in printed.err
        return Outcome(status, printed.out, printed.err)

    return call


@pytest.fixture
def plan() -> Plan:
    """Call `busplay plan`; errors of ours come through, as `busplay` itself reports them."""

    def call(*words: object) -> Result:
        runner = CliRunner()
        return runner.invoke(plan_command, [str(word) for word in words], standalone_mode=False)

    return call
