"""Runs of pytest with the plug-in, each in a process and a folder of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busplay.jit.code_cache import FOLDER_VARIABLE, named_folder, user_folder
from tests.documents import PROJECT

RunTests = Callable[..., pytest.RunResult]
# `pytester` changes the home folder; with a cache of its own each run would compile the kernels.
CACHE = named_folder() or user_folder("busplay")


@pytest.fixture
def run_tests(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> RunTests:
    """Run the tests of a text, with the plug-in, and others by name, and nothing else."""
    # Where the package is installed its entry point would load the plug-in a second time.
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setenv("PYTHONPATH", str(PROJECT))
    if CACHE is not None:
        monkeypatch.setenv(FOLDER_VARIABLE, str(CACHE))

    def run(text: str, *options: str) -> pytest.RunResult:
        pytester.makepyfile(test_screens=text)
        # A process of its own: `pytester` would take modules away from threads of this one.
        return pytester.runpytest_subprocess("-p", "busplay.pytest_plugin", *options)

    return run


def picture(pytester: pytest.Pytester, name: str = "title") -> Path:
    return pytester.path / "pictures" / f"{name}.png"
