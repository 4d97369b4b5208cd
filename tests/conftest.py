"""The register of outside sources, and settings of all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import is_hypothesis_test, settings

from tests.browser import browser, new_tab, tab  # noqa: F401

ON_CI = bool(os.environ.get("CI"))

# Numba compiles inside the first example of a property, so no example has a deadline.
# On CI examples are the same each time; elsewhere they are new each time, and fewer.
settings.register_profile("busplay", deadline=None, derandomize=ON_CI)
settings.load_profile("busplay")
HOME_SHARE, HOME_LEAST = 1 / 8, 2

os.environ.setdefault("SDL_VIDEODRIVER", "dummy")
os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
# The layout of the window of whoever runs the tests is neither read nor written.
os.environ["XDG_CONFIG_HOME"] = os.devnull

KINDS = {"standard", "data sheet", "open data", "library", "computed", "from memory"}
OUTSIDE = Path(__file__).parent / "outside"
BENCH = Path(__file__).parent / "bench"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--sources", action="store_true", help="list the outside sources of the tests and stop"
    )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """One worker a processor; none where output or timing would suffer."""
    if config.getoption("--sources") or config.getoption("benchmark_enable"):
        return 0
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def draw_fewer(items: list[pytest.Item]) -> None:
    """Reduce each property to a share of the examples that it asks for."""
    functions = {
        getattr(item.obj, "__func__", item.obj)
        for item in items
        if isinstance(item, pytest.Function)
    }
    for function in filter(is_hypothesis_test, functions):
        # Hypothesis has no public way to change a test's own settings.
        asked = function._hypothesis_internal_use_settings
        drawn = min(asked.max_examples, max(HOME_LEAST, round(HOME_SHARE * asked.max_examples)))
        function._hypothesis_internal_use_settings = settings(asked, max_examples=drawn)


def leave_out(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect what only CI runs: cases marked `thorough`, and benchmarks that measure nothing."""
    measures = config.getoption("benchmark_enable")
    left_out = [
        item
        for item in items
        if item.get_closest_marker("thorough") or (BENCH in item.path.parents and not measures)
    ]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not ON_CI:
        draw_fewer(items)
        leave_out(config, items)
    rows: dict[tuple[str, str, str], int] = {}
    for item in items:
        marks = list(item.iter_markers("source"))
        if OUTSIDE in item.path.parents and not marks:
            raise pytest.UsageError(f"{item.nodeid}: a check in tests/outside names no source")
        for mark in marks:
            kind = mark.kwargs.get("kind", "")
            # A fact of the trade without a source says so in its title.
            if kind not in KINDS and mark.args[0] != "common practice, no source":
                raise pytest.UsageError(f"{item.nodeid}: source kind {kind!r} is none of {KINDS}")
            row = (mark.args[0], mark.kwargs.get("part", ""), kind)
            rows[row] = rows.get(row, 0) + 1
    if config.getoption("--sources"):
        for (title, part, kind), count in sorted(rows.items()):
            print(f"{kind:12}  {title}  |  {part}  |  {count} tests")
        items.clear()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """On CI everything that a test can need is installed, so a skipped test is a failure."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if not ON_CI or reporter is None:
        return
    skipped = reporter.stats.get("skipped", [])
    if skipped and session.exitstatus == pytest.ExitCode.OK:
        for report in skipped:
            reporter.write_line(f"skipped on CI: {report.nodeid}: {report.longrepr}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
