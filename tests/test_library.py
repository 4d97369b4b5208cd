"""The library: complete, typed, and every public name documented with an example that runs."""

from __future__ import annotations

import doctest
import inspect
import re
import shutil
import subprocess
import sys
import textwrap
from dataclasses import FrozenInstanceError, fields
from pathlib import Path

import pytest

import busplay
from busplay.demo.programs import shipped_file
from busplay.guide import FOLDER
from busplay.guide.attributes import attribute_meanings
from busplay.png import encode_png
from tests.documents import prepare

PROJECT = Path(__file__).parent.parent
PARTS = [name for name in busplay.__all__ if not name.startswith("__")]
README = (PROJECT / "README.md").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the files that the examples read."""
    for name in ("tides", "fill", "keys"):
        shutil.copy(shipped_file("traces", f"{name}.trace"), tmp_path)
    shutil.copy(tmp_path / "tides.trace", tmp_path / "sent.trace")
    monkeypatch.chdir(tmp_path)
    prepare(README, tmp_path)
    # A copy without labels would have priority over the shipped program.
    (tmp_path / "tides.bin").unlink()
    with busplay.Replay("sent.trace", faults=NOISE, record_received="received.trace") as replay:
        replay.run(replay.end_cycle)
    busplay.convert("fill.trace", "run3.vcd", stop_ps=2_000_000_000)
    Path("noise.toml").write_text("seed = 3\nbit_flips = [{ratio = 1e-4}]\n", encoding="utf-8")
    return tmp_path


NOISE = busplay.Faults(ber=1e-4, seed=3)


def test_every_name_exists_and_loads_its_module_when_used() -> None:
    assert dir(busplay) == busplay.__all__ == sorted(busplay.__all__)
    assert set(busplay._HOME) == set(PARTS)
    for name, home in busplay._HOME.items():
        found = getattr(busplay, name)
        assert found.__name__ == name
        assert found.__module__ == home
    with pytest.raises(AttributeError, match=r"^module 'busplay' has no attribute 'nothing'$"):
        busplay.nothing  # noqa: B018
    code = "import sys, busplay; print(*sorted(m for m in sys.modules if m.startswith('busplay')))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout
    assert loaded.split() == ["busplay", "busplay.version"]


def test_no_folder_of_the_package_has_the_name_of_a_verb() -> None:
    """`busplay.convert` became the folder's module as soon as anything imported from it."""
    taken = {path.stem for path in (PROJECT / "busplay").iterdir()}
    assert not taken & set(PARTS)


def test_example_of_the_package_runs(folder: Path) -> None:
    lines = (busplay.__doc__ or "").splitlines()
    block = "\n".join(line for line in lines if line.startswith("    ") or not line)
    names: dict[str, object] = {}
    exec(compile(textwrap.dedent(block), "busplay", "exec"), names)
    session, report, found, trace = (names[one] for one in ("session", "report", "found", "trace"))
    assert isinstance(session, busplay.Session)
    assert session.registers.pc == session.address_of("main_loop")
    assert session.counters().receiver.checks_failed > 0
    assert Path("screen.png").read_bytes() == encode_png(session.display("panel").image())
    assert report.is_sound  # type: ignore[attr-defined]
    assert found.frames_missing > 0  # type: ignore[attr-defined]
    assert trace.trace.frames == 618  # type: ignore[attr-defined]
    assert Path("tides.vcd").stat().st_size > 1_000_000


def test_verbs_return_frozen_dataclasses(folder: Path) -> None:
    results = [
        busplay.check("strobed"),
        busplay.plan("lean"),
        busplay.compare("sent.trace", "received.trace"),
        busplay.decode("run3.vcd", link="guarded"),
        busplay.convert("fill.trace", "fill.csv"),
        busplay.info("fill.trace"),
        busplay.info("run3.vcd"),
        busplay.stress("dunlin", "fill.trace", sweeps={"ber": [1e-4]}, frames=500, jobs=1),
    ]
    for result in results:
        first = fields(result)[0].name
        with pytest.raises(FrozenInstanceError):
            setattr(result, first, None)
        assert attribute_meanings(type(result))[first]


def test_python_of_the_library_guide_runs(folder: Path) -> None:
    guide = (FOLDER / "library.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", guide, re.MULTILINE | re.DOTALL)
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "library.md", "exec"), names)
    written = re.findall(r'"([\w.]+\.(?:png|vcd|trace))"', "".join(blocks))
    assert len(set(written)) == 6
    assert all((folder / name).stat().st_size for name in written)


@pytest.mark.parametrize("name", PARTS)
def test_every_name_has_an_example_that_runs(name: str, folder: Path) -> None:
    part = getattr(busplay, name)
    tests = doctest.DocTestFinder(recurse=False).find(part, name, globs={})
    examples = [test for test in tests if test.examples]
    assert examples, f"{name} has no example"
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
    for test in examples:
        runner.run(test)
    assert not runner.failures


@pytest.mark.parametrize("name", PARTS)
def test_every_public_signature_is_typed(name: str) -> None:
    part = getattr(busplay, name)
    members = [part]
    if inspect.isclass(part):
        members += [one for key, one in vars(part).items() if not key.startswith("_")]
    for member in members:
        function = getattr(member, "__func__", member)
        if not inspect.isfunction(function):
            continue
        for parameter in list(inspect.signature(function).parameters.values()):
            if parameter.name not in ("self", "cls"):
                assert parameter.annotation is not inspect.Parameter.empty, (name, function)
                assert "Any" not in str(parameter.annotation), (name, function)


def test_a_link_or_board_is_taken_as_an_object_or_by_its_name_or_path(folder: Path) -> None:
    board = busplay.load_board("dunlin")
    for given in (board, "dunlin"):
        assert busplay.Session(given, program="tides").board == board
        assert busplay.ProgramHistory(given, "tides").start.board == board
        with busplay.Tap(given) as tap:
            assert tap.board == board
        with busplay.TraceWriter("board.trace", board=given) as writer:
            assert writer.header.board == board
    for path in ("my_board.toml", folder / "my_board.toml"):
        assert busplay.Tap(path).board.name == "Bench board"
    link = busplay.load_link("my_link.toml")
    for given in (link, "my_link.toml", folder / "my_link.toml"):
        with busplay.TraceWriter("link.trace", link=given) as writer:
            assert writer.header.link.fields == link.fields
    for wrong in ({}, {"board": board, "link": link}):
        with pytest.raises(ValueError, match=r"^give one of board, link and header$"):
            busplay.TraceWriter("wrong.trace", **wrong)


def test_an_open_trace_is_taken_as_its_file(folder: Path) -> None:
    with busplay.TraceReader("tides.trace") as reader:
        assert busplay.info(reader) == busplay.info("tides.trace")
        with busplay.Replay(reader) as replay:
            assert replay.end_cycle == reader.cycles
        assert busplay.convert(reader, "a.csv").carried == reader.frames


def test_faults_are_taken_as_an_object_or_a_file(folder: Path) -> None:
    counts = []
    for given in (NOISE, "noise.toml", Path("noise.toml")):
        with busplay.Replay("tides.trace", faults=given) as replay:
            replay.run(replay.end_cycle)
            counts.append(replay.pipeline.counters().errors)
    assert counts[0] > 0
    assert len(set(counts)) == 1
