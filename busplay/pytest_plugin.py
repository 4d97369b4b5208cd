"""Fixtures and options for tests of graphics programs; pytest loads this by its entry point.

`busplay guide testing` has an example. Everything but these lines loads when a fixture is used, so
a test run without one pays a millisecond.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from busplay.description.board import Board
    from busplay.description.faults import Faults
    from busplay.description.link import Link
    from busplay.testing.machine import MachineUnderTest, ScreenUnderTest
    from busplay.testing.pictures import PictureCheck

    MakeMachine = Callable[..., MachineUnderTest]

# What the mark takes.
_MARKED = (
    "board",
    "program",
    "link",
    "core",
    "faults",
    "labels",
    "load_address",
    "program_format",
)
_FILES = ("board", "program", "link", "faults", "labels")
_SENT_BY_WORKER = "busplay_checks"


class _Run:
    """What one process's tests have found.

    Attributes:
        checks: comparisons that did not find what was expected, those of xdist's workers too.
        written: as for `ExpectedPictures`.
    """

    def __init__(self) -> None:
        self.checks: list[PictureCheck] = []
        self.written: dict[Path, str] = {}


_RUN = pytest.StashKey[_Run]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options."""
    group = parser.getgroup("busplay", "screens of 6502 programs (busplay)")
    group.addoption(
        "--busplay-update",
        action="store_true",
        help="write expected pictures that are missing or differ; refused where CI is set",
    )
    group.addoption(
        "--busplay-pictures",
        metavar="FOLDER",
        help="write expected, actual and difference of screens that differ, and index.html, in"
        " place of those of an earlier run",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Register the mark; refuse to write expected pictures in CI; clear what was gathered."""
    config.addinivalue_line(
        "markers",
        f"busplay({', '.join(f'{one}=...' for one in _MARKED)}): what the fixture `machine` runs;"
        " files are relative to the test's folder",
    )
    if config.getoption("--busplay-update") and os.environ.get("CI"):
        raise pytest.UsageError("--busplay-update is refused where CI is set; run it at home")
    gather = config.getoption("--busplay-pictures")
    # Workers of xdist write to the folder that their controller has cleared.
    if gather is not None and not (hasattr(config, "workerinput") or config.option.collectonly):
        from busplay.errors import OutputError
        from busplay.testing.gathered import remove_gathered

        try:
            remove_gathered(config.invocation_params.dir / gather)
        except OutputError as error:
            raise pytest.UsageError(str(error)) from None
    config.stash[_RUN] = _Run()


# -- fixtures


def _failure(message: str) -> BaseException:
    """Return a failure that is shown without our lines."""
    return pytest.fail.Exception(message, pytrace=False)


def _marked(request: pytest.FixtureRequest) -> dict[str, Any]:
    """Return what the test's marks say; the mark nearest to the test comes first."""
    said: dict[str, Any] = {}
    for mark in request.node.iter_markers("busplay"):
        unknown = [repr(one) for one in mark.args] + sorted(set(mark.kwargs) - set(_MARKED))
        if unknown:
            raise _failure(
                f"the mark busplay has {unknown[0]}; it takes {', '.join(_MARKED)}, each by name"
            )
        said = {**mark.kwargs, **said}
    return said


@pytest.fixture
def busplay_board(request: pytest.FixtureRequest) -> Board | str | Path:
    """Board, or name or path of one: from the mark, a parametrisation, or your own fixture."""
    said = _marked(request).get("board")
    if said is None:
        raise _failure(
            "no board; write @pytest.mark.busplay(board=...),"
            " or a fixture busplay_board that returns one"
        )
    board: Board | str | Path = said
    return board


@pytest.fixture
def busplay_program(request: pytest.FixtureRequest) -> str | Path | None:
    """Program's file, or a shipped one; None: only the board's images run."""
    program: str | Path | None = _marked(request).get("program")
    return program


@pytest.fixture
def busplay_link(request: pytest.FixtureRequest) -> Link | str | Path | None:
    """Link instead of the board's; None: the board's."""
    link: Link | str | Path | None = _marked(request).get("link")
    return link


@pytest.fixture
def busplay_core(request: pytest.FixtureRequest) -> str:
    """Name of the core: `compiled` or `reference`, or one of another package."""
    return str(_marked(request).get("core", "compiled"))


@pytest.fixture
def busplay_faults(request: pytest.FixtureRequest) -> Faults | str | Path | None:
    """Faults to inject, or their file; None: none."""
    faults: Faults | str | Path | None = _marked(request).get("faults")
    return faults


@pytest.fixture
def make_machine(
    request: pytest.FixtureRequest,
    busplay_board: Board | str | Path,
    busplay_program: str | Path | None,
    busplay_link: Link | str | Path | None,
    busplay_core: str,
    busplay_faults: Faults | str | Path | None,
) -> Iterator[MakeMachine]:
    """Return a function that makes machines; its arguments, as the mark's, change what they run."""
    from dataclasses import replace

    from busplay.errors import BusplayError
    from busplay.link.board_fit import require_link_fits
    from busplay.link.load import as_board, as_link
    from busplay.testing.machine import MachineUnderTest
    from busplay.testing.pictures import FOLDER, ExpectedPictures

    config, beside = request.config, request.path.parent
    gather = config.getoption("--busplay-pictures")
    pictures = ExpectedPictures(
        test=request.node.nodeid,
        folder=beside / FOLDER,
        root=config.rootpath,
        update=config.getoption("--busplay-update"),
        gather=None if gather is None else config.invocation_params.dir / gather,
        report=config.stash[_RUN].checks.append,
        written=config.stash[_RUN].written,
    )
    usual = {
        **_marked(request),
        "board": busplay_board,
        "program": busplay_program,
        "link": busplay_link,
        "core": busplay_core,
        "faults": busplay_faults,
    }
    with ExitStack() as machines:

        def make(**changes: Any) -> MachineUnderTest:
            if unknown := sorted(set(changes) - set(_MARKED)):
                raise TypeError(f"{unknown[0]}: a machine takes {', '.join(_MARKED)}")
            given = {**usual, **changes}
            for name in _FILES:
                given[name] = _located(given.get(name), beside)
            try:
                board, link = as_board(given.pop("board")), given.pop("link")
                if link is not None:
                    board = require_link_fits(replace(board, link=as_link(link)))
                machine = MachineUnderTest(board, pictures=pictures, **given)
            except BusplayError as error:
                # It names file, place and remedy; our own lines would add nothing.
                raise _failure(str(error)) from None
            machines.callback(machine.close)
            return machine

        yield make


def _located(said: Any, folder: Path) -> Any:
    """Return the path of a file in the test's folder; anything else as it is."""
    if isinstance(said, str | Path) and (folder / said).is_file():
        return folder / said
    return said


@pytest.fixture
def machine(make_machine: MakeMachine) -> MachineUnderTest:
    """Return the machine that the mark describes, before its first cycle."""
    return make_machine()


@pytest.fixture
def screen(machine: MachineUnderTest) -> ScreenUnderTest:
    """Return the screen of the machine's first unit."""
    return machine.screen()


# -- what is said


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> None:
    """Show an error of ours at the line of the test that met it; it names file, place, remedy."""
    del item
    # By name, so that a run without fixtures loads nothing.
    if call.excinfo is None or type(call.excinfo.value).__module__ != "busplay.errors":
        return
    ours = Path(__file__).parent
    for entry in call.excinfo.traceback:
        if ours in Path(entry.path).parents:
            # What pytest looks for in a function's names, and in those of its module.
            entry.frame.f_globals["__tracebackhide__"] = True


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """Take over what an xdist worker has found."""
    del error
    # A worker that has crashed sends nothing.
    if sent := getattr(node, "workeroutput", {}).get(_SENT_BY_WORKER):
        from busplay.testing.pictures import PictureCheck

        node.config.stash[_RUN].checks += [PictureCheck(**one) for one in sent]


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Send what was found to xdist's controller, or write the page."""
    config = session.config
    checks, gather = config.stash[_RUN].checks, config.getoption("--busplay-pictures")
    if hasattr(config, "workeroutput"):
        if checks:
            from dataclasses import asdict

            config.workeroutput[_SENT_BY_WORKER] = [asdict(one) for one in checks]
    elif gather is not None and any(one.actual for one in checks):
        from busplay.testing.page import write_page

        write_page(config.invocation_params.dir / gather, checks)


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    """Print which expected pictures are new or changed, and where the others were gathered."""
    checks = sorted(config.stash[_RUN].checks, key=lambda one: (one.state, one.picture))
    if not checks:
        return
    terminalreporter.section("busplay pictures")
    for one in checks:
        terminalreporter.line(f"{one.state}: {one}")
    gather = config.getoption("--busplay-pictures")
    if gather is not None and any(one.actual for one in checks):
        terminalreporter.line(f"gathered in {config.invocation_params.dir / gather / 'index.html'}")
