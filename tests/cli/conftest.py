from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from busplay.cli.main import main


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
    """Call the command line in this process; gives exit status and what was printed."""

    def call(*words: object) -> Outcome:
        with pytest.raises(SystemExit) as left:
            main([str(word) for word in words])
        printed = capfd.readouterr()
        code = left.value.code
        assert "Traceback" not in printed.err
        return Outcome(code if isinstance(code, int) else 0, printed.out, printed.err)

    return call
