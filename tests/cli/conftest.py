from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from click.testing import CliRunner, Result

from busplay.cli.plan_command import command as plan_command
from tests.cli.command import Plan, run_busplay


@dataclass
class Outcome:
    status: int
    out: str
    err: str

    @property
    def figures(self) -> dict[str, object]:
        """What the command printed as JSON."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


@pytest.fixture
def busplay(capfd: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
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
