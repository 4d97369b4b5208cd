"""No output of a command replaces one of its inputs or another output."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from busplay.cli.files import Described, InFile, OutFile, OutFolder, file_id
from busplay.cli.main import COMMANDS, group
from busplay.cli.options import SnapshotParam
from busplay.demo.programs import find_demo
from tests.cli.conftest import Busplay


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one file of every kind that a command reads."""
    shipped = Path(__file__).parents[2] / "busplay" / "description" / "shipped"
    monkeypatch.chdir(tmp_path)
    shutil.copy(shipped / "dunlin.toml", "board.toml")
    shutil.copy(shipped / "lean.toml", "link.toml")
    board = Path("board.toml").read_text(encoding="utf-8")
    board = board.replace('link = "guarded"', 'link = "link.toml"')
    board = board.replace('kind = "rom"', 'kind = "rom"\nimage = "rom.bin"')
    Path("board.toml").write_text(board, encoding="utf-8")
    shutil.copy(find_demo("fill").image_path, "rom.bin")
    shutil.copy(find_demo("tides").image_path, "prog.bin")
    Path("prog.lbl").write_text("al 00C000 .start\n", encoding="utf-8")
    Path("keys.csv").write_text("cycle,code\n10,65\n", encoding="utf-8")
    Path("stores.csv").write_text("cycle,address,data\n100,0x4000,1\n", encoding="utf-8")
    Path("faults.toml").write_text("seed = 1\n", encoding="utf-8")
    for name in ("run.trace", "run.vcd"):
        # Never parsed: the command is refused before it opens one.
        Path(name).write_bytes(name.encode())
    return tmp_path


RUN = ("run", "board.toml", "prog.bin", "--headless", "--cycles", 100)

INTO_INPUTS = [
    ("run.trace", ("replay", "run.trace", "--record-received", "{}")),
    ("run.trace", ("replay", "run.trace", "--losses", "{}")),
    ("prog.bin", (*RUN, "--record", "{}")),
    ("prog.bin", (*RUN, "--losses", "{}")),
    ("prog.lbl", (*RUN, "--record", "{}")),
    ("board.toml", (*RUN, "--record", "{}")),
    ("link.toml", (*RUN, "--record", "{}")),
    ("rom.bin", (*RUN, "--record", "{}")),
    ("keys.csv", (*RUN, "--keys", "keys.csv", "--losses", "{}")),
    ("faults.toml", (*RUN, "--faults", "faults.toml", "--record-received", "{}")),
    ("stores.csv", ("run", "board.toml", "--stores", "stores.csv", "--losses", "{}")),
    ("run.vcd", ("decode", "run.vcd", "--link", "link.toml", "-o", "{}")),
    ("run.trace", ("decode", "run.vcd", "--link", "lean", "--expect", "run.trace", "-o", "{}")),
    ("link.toml", ("decode", "run.vcd", "--link", "link.toml", "-o", "{}")),
    ("run.trace", ("stress", "board.toml", "run.trace", "--csv", "{}")),
    ("run.trace", ("stress", "board.toml", "run.trace", "--state", "{}")),
    ("link.toml", ("stress", "board.toml", "run.trace", "--csv", "{}")),
    ("run.trace", ("convert", "run.trace", "{}")),
    ("link.toml", ("convert", "run.vcd", "{}", "--link", "link.toml")),
]


def _alias(kind: str, name: str, folder: Path) -> str:
    """Lead to a file by another name."""
    alias = folder / f"alias-{name}"
    if kind == "same":
        return name
    if kind == "dotted":
        return f"./../{folder.name}/{name}"
    if kind == "symbolic":
        alias.symlink_to(folder / name)
    else:
        os.link(folder / name, alias)
    return alias.name


def _digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


@pytest.mark.parametrize("alias", ["same", "dotted", "symbolic", "hard"])
@pytest.mark.parametrize(("victim", "words"), INTO_INPUTS)
def test_output_that_is_an_input_is_refused(
    busplay: Busplay, desk: Path, victim: str, words: tuple[object, ...], alias: str
) -> None:
    target = _alias(alias, victim, desk)
    before = _digests(desk)
    found = busplay(*(target if word == "{}" else word for word in words))
    assert found.status == 2
    assert "so that nothing is lost" in found.err
    assert str(Path(target)) in found.err
    assert _digests(desk) == before


def test_program_found_beside_a_trace_is_not_replaced(
    busplay: Busplay, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It, its labels and its source lines were: the command line names only the trace."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(find_demo("fill").image_path, "gull.bin")
    Path("gull.lbl").write_text("al 00C000 .start\n", encoding="utf-8")
    Path("gull.dbg").write_text("version\tmajor=2,minor=0\n", encoding="utf-8")
    run = ("run", "dunlin", "gull.bin", "--cycles", 7, "--headless", "--record", "run.trace")
    assert busplay(*run).status == 0
    before = _digests(tmp_path)
    for command, option in (("share", "-o"), ("report", "-o"), ("profile", "--csv")):
        for victim in ("gull.bin", "gull.lbl", "gull.dbg"):
            found = busplay(command, "run.trace", option, victim)
            assert found.status == 2
            assert found.err.endswith(
                f"found {victim}, the file of TRACE's program; give another file, so that nothing"
                " is lost\n"
            )
            assert _digests(tmp_path) == before


def test_picture_of_a_link_does_not_replace_it(busplay: Busplay, desk: Path) -> None:
    (desk / "link.toml").rename(desk / "link.svg")
    before = _digests(desk)
    found = busplay("check", "link.svg", "--svg", "link.svg")
    assert found.status == 2
    assert found.err == (
        "busplay: --svg: found link.svg, the file of LINK-or-BOARD; give another file,"
        " so that nothing is lost\n"
    )
    assert _digests(desk) == before


@pytest.mark.parametrize(
    "words",
    [
        (*RUN, "--record", "x.png", "--snapshot", "x.png"),
        (*RUN, "--record", "x", "--record-received", "./x"),
        (*RUN, "--snapshot", "x.png@panel", "--snapshot", "x.png@sign"),
        (*RUN, "--record", "x", "--losses", "link-to-x"),
        ("stress", "board.toml", "prog.bin", "--state", "x", "--csv", "x"),
        ("stress", "board.toml", "prog.bin", "--plot", "x.svg", "--csv", "sub/../x.svg"),
    ],
)
def test_two_outputs_of_one_file_are_refused(
    busplay: Busplay, desk: Path, words: tuple[object, ...]
) -> None:
    (desk / "sub").mkdir()
    (desk / "link-to-x").symlink_to("x")
    before = sorted(desk.iterdir())
    found = busplay(*words)
    assert found.status == 2
    assert "writes; give another file" in found.err
    assert sorted(desk.iterdir()) == before


def test_device_takes_two_outputs(busplay: Busplay, desk: Path) -> None:
    found = busplay(*RUN, "--losses", os.devnull, "--record", os.devnull)
    assert found.status == 0


@pytest.mark.parametrize(
    "words",
    [
        (*RUN, "--record", "old"),
        (*RUN, "--losses", "old"),
        (*RUN, "--snapshot", "old.png"),
        ("check", "lean", "--svg", "old.svg"),
    ],
)
def test_write_protected_file_is_not_replaced(
    busplay: Busplay, desk: Path, words: tuple[object, ...]
) -> None:
    old = desk / str(words[-1])
    old.write_bytes(b"old")
    old.chmod(0o444)
    found = busplay(*words)
    assert found.status == 2
    assert f"{words[-1]}: found a write-protected file" in found.err
    assert old.read_bytes() == b"old"


def test_folder_is_no_output(busplay: Busplay, desk: Path) -> None:
    (desk / "sub").mkdir()
    found = busplay(*RUN, "--record", "sub")
    assert found.status == 2
    assert "--record: found sub, a folder; give a file's name" in found.err


def test_files_on_a_file_system_without_capitals_are_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert file_id(tmp_path / "x.trace") != file_id(tmp_path / "X.trace")
    monkeypatch.setattr("busplay.cli.files._ignores_case", lambda folder: True)
    assert file_id(tmp_path / "x.trace") == file_id(tmp_path / "X.trace")


def test_file_in_the_root_folder_has_an_identity() -> None:
    root = Path(Path.cwd().anchor)
    assert file_id(root / "nothing.trace") == file_id(root / "NOTHING.trace")
    assert file_id(root / "nothing.trace") != file_id(root / "other.trace")


# -- nothing is forgotten

# Parameters that hold a text which is no file's name.
PLAIN_TEXT = {
    "--analyser-channels",
    "--as",
    "--build",
    "--can-it-see",
    "--clock-recovery",
    "--core",
    "--dask",
    "--edges",
    "--framing",
    "--in-bits",
    "--in-timescale",
    "--invert",
    "--jitter",
    "--rate",
    "--glitch",
    "--clock",
    "--map",
    "--need",
    "--skew",
    "--swap",
    "--unit",
    "NAME",
}
FILE_TYPES = (InFile, OutFile, OutFolder, Described, SnapshotParam)


def parameters() -> Iterator[tuple[str, str, click.Parameter]]:
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        for param in command.params:
            yield name, max(param.opts, key=len), param


def test_every_parameter_that_names_a_file_is_entered_in_the_register() -> None:
    for command, name, param in parameters():
        assert not isinstance(param.type, click.Path | click.File), (command, name)
        if not isinstance(param.type, click.types.StringParamType) or getattr(
            param, "hidden", False
        ):
            continue
        label = name if name.startswith("-") else param.human_readable_name.strip("[]")
        assert label in PLAIN_TEXT, f"{command} {label}: name the type, from busplay.cli.files"


def test_there_are_files_among_the_parameters() -> None:
    assert sum(isinstance(param.type, FILE_TYPES) for *_, param in parameters()) > 30
