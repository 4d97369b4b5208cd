"""Tools that judge emitted files, and what they say.

A tool that is missing is told of, never taken for a success.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from subprocess import CompletedProcess, TimeoutExpired
from typing import Literal

Status = Literal["passed", "failed", "not run"]

TIMEOUT_S = 120


@dataclass(frozen=True, slots=True)
class Proof:
    """What a tool says of emitted files.

    Attributes:
        name: what was tried.
        tool: with what.
        status: `passed`, `failed`, or `not run`.
        detail: why it failed or was not run; if it passed, what it rests on, or empty.
        is_exhaustive: it is about all inputs; False: about those that were tried.
    """

    name: str
    tool: str
    status: Status
    detail: str = ""
    is_exhaustive: bool = False


def run(words: Sequence[str | Path], folder: Path | None = None) -> CompletedProcess[str]:
    """Run a tool; one that cannot be run or takes too long has failed, too.

    Args:
        words: the command.
        folder: where it runs; None: where we are.
    """
    line = list(map(str, words))
    try:
        return subprocess.run(
            line,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=TIMEOUT_S,
            check=False,
            cwd=folder,
        )
    except TimeoutExpired:
        return CompletedProcess(line, 1, "", f"stopped after {TIMEOUT_S} s")
    except OSError as error:
        return CompletedProcess(line, 1, "", f"{line[0]}: {error.strerror}")


def judged(name: str, tool: str, done: CompletedProcess[str], *, may_warn: bool = True) -> Proof:
    """Return whether a tool was content, else with the first line of what it says.

    Args:
        name: what was tried.
        tool: with what.
        done: what came of it.
        may_warn: False: a warning is a failure, too.
    """
    if done.returncode == 0 and (may_warn or not done.stderr):
        return Proof(name, tool, "passed")
    lines = (done.stderr or done.stdout).strip().splitlines()
    detail = lines[0] if lines else f"exit status {done.returncode}"
    return Proof(name, tool, "failed", detail)
