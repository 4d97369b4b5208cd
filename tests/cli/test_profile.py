from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from busplay.demo.programs import find_demo, shipped_file
from tests.cli.conftest import Outcome

Busplay = Callable[..., Outcome]
DATA = Path(__file__).parents[1] / "data"


def test_verdict_comes_first_and_the_report_fits_a_screen(busplay: Busplay) -> None:
    said = busplay("profile", "dunlin", "fill.bin", "--cycles", 400_000)
    assert said.status == 0
    lines = said.out.splitlines()
    assert lines[0] == (
        "fill.bin: 1.8% of 31,798 stores for nothing, 67.8% of the cycles in clear_byte_by_byte"
    )
    assert lines[-1] == "--full lists all, with calls, addresses and refreshes"
    assert len(lines) <= 24
    assert max(map(len, lines[1:])) <= 80
    full = busplay("profile", "dunlin", "fill.bin", "--cycles", 400_000, "--full").out
    assert "Caller                 Callee" in full
    assert "Replaced within a refresh" in full
    assert max(map(len, full.splitlines()[1:])) <= 80


def test_json_has_all_of_it_and_sums_agree(busplay: Busplay) -> None:
    found = busplay("profile", "dunlin", "tides.bin", "--to", "0.25s", "--json").figures
    assert found["first_cycle"] == 7
    assert found["first_cycle"] + found["cycles"] == pytest.approx(2_000_000, abs=10)
    routines = found["routines"]
    assert sum(row["cycles"] for row in routines) == found["cycles"]
    assert sum(row["stores"] for row in routines) == found["stores"]
    assert sum(row["stores"] for row in found["refreshes"]) == found["stores"]
    assert {"calls", "advice", "bursts", "written_most", "replaced_most"} <= set(found)
    assert "nodes" not in found


def test_a_trace_is_profiled_with_the_program_beside_it(busplay: Busplay, tmp_path: Path) -> None:
    trace = Path(shutil.copy(shipped_file("traces", "keys.trace"), tmp_path))
    words = ("--to", "100ms", "--json")
    beside = busplay("profile", trace, *words).figures
    assert beside["program"] == "keys.bin"
    given = busplay("profile", trace, "--program", find_demo("keys").image_path, *words).figures
    assert given == beside
    wrong = busplay("profile", trace, "--program", find_demo("fill").image_path)
    assert wrong.status == 2
    assert "found a program other than the recorded one" in wrong.err


def test_what_is_earlier_is_left_out(busplay: Busplay) -> None:
    words = ("profile", "dunlin", "tides.bin", "--cycles", 400_000, "--json")
    late = busplay(*words, "--from", "25ms").figures
    assert late["first_cycle"] >= 200_000
    assert late["first_cycle"] + late["cycles"] == pytest.approx(400_000, abs=10)
    none = busplay(*words, "--from", "1s")
    assert none.status == 2
    assert "nothing between cycles 8,000,000 and 400,000" in none.err
    assert none.err.startswith("busplay: tides.bin: ")


def test_files_for_other_programs(busplay: Busplay, tmp_path: Path) -> None:
    shutil.copy(DATA / "fuzz/debug_file/tiny.dbg", tmp_path)
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C00C0").ljust(0x3FFC, b"\0")
    (tmp_path / "tiny.bin").write_bytes(code + bytes.fromhex("00C0 0000"))
    files = [tmp_path / name for name in ("p.csv", "p.json", "p.callgrind")]
    options = zip(("--csv", "--speedscope", "--callgrind"), files, strict=True)
    words = [word for pair in options for word in pair]
    said = busplay("profile", "dunlin", tmp_path / "tiny.bin", "--cycles", 20_000, *words)
    assert "tiny.s:10" in said.out
    assert files[0].read_text().startswith("kind,name,address,page,file,line,")
    assert json.loads(files[1].read_text())["shared"]["frames"][0]["file"] == "tiny.s"
    assert "fl=tiny.s\nfn=start\n" in files[2].read_text()
    clash = busplay("profile", "dunlin", tmp_path / "tiny.bin", "--csv", tmp_path / "tiny.bin")
    assert clash.status == 2


def test_cycles_of_code_without_lines_are_told(busplay: Busplay, tmp_path: Path) -> None:
    """A C program's library has none, and its cycles were in no row of the table."""
    shutil.copy(DATA / "fuzz/debug_file/tiny.dbg", tmp_path)
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C20C0").ljust(0x20, b"\0")
    code = (code + bytes.fromhex("8D0140 4C00C0")).ljust(0x3FFC, b"\0")
    (tmp_path / "tiny.bin").write_bytes(code + bytes.fromhex("00C0 0000"))
    words = ("profile", "dunlin", tmp_path / "tiny.bin", "--cycles", 10_000)
    figures = busplay(*words, "--json").figures
    cycles, stores = (
        figures[name] - sum(line[name] for line in figures["source_lines"])
        for name in ("cycles", "stores")
    )
    assert cycles == 7 * stores > 0
    said = busplay(*words).out
    row = next(line for line in said.splitlines() if line.startswith("of no known line "))
    assert row.split()[4:6] == [f"{cycles:,}", f"{stores:,}"]
    assert len(said.splitlines()) <= 24


def test_no_output_replaces_what_was_found_beside_an_input(
    busplay: Busplay, tmp_path: Path
) -> None:
    trace = Path(shutil.copy(shipped_file("traces", "keys.trace"), tmp_path))
    program = Path(shutil.copy(find_demo("keys").image_path, tmp_path / "keys.bin"))
    content = program.read_bytes()
    assert busplay("profile", trace, "--to", "10ms", "--csv", program).status == 2
    assert program.read_bytes() == content
    lines = Path(shutil.copy(DATA / "fuzz/debug_file/tiny.dbg", tmp_path / "keys.dbg"))
    assert busplay("profile", "dunlin", program, "--to", "10ms", "--csv", lines).status == 2
    assert lines.read_bytes() == (DATA / "fuzz/debug_file/tiny.dbg").read_bytes()


def test_keys_are_pressed(busplay: Busplay, tmp_path: Path) -> None:
    (tmp_path / "keys.csv").write_text("cycle,code\n100000,27\n")
    words = ("profile", "dunlin", "keys.bin", "--cycles", 3_000_000, "--json")
    ended = busplay(*words, "--keys", tmp_path / "keys.csv").figures
    assert "EXIT" in str(ended["stopped"])
    assert busplay(*words).figures["stopped"] is None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("dunlin", "tides.bin", "--program", "fill.bin"), "PROGRAM and --program are the same"),
        (("nothing.toml",), "nothing.toml: found no such file"),
        (("dunlin", "nothing.bin"), "nothing.bin: cannot be read"),
        (("dunlin",), "give a program to run"),
        (("dunlin", "tides.bin", "--to", "3"), "give a unit"),
    ],
)
def test_wrong_use_is_refused(busplay: Busplay, words: tuple[str, ...], said: str) -> None:
    outcome = busplay("profile", *words)
    assert outcome.status == 2
    assert said in outcome.err
    assert "Traceback" not in outcome.err


def test_names_that_are_cut_end_in_an_ellipsis(busplay: Busplay, tmp_path: Path) -> None:
    labels = tmp_path / "long.lbl"
    labels.write_text("al 00C000 .a_name_of_a_routine_without_end\n", encoding="utf-8")
    found = busplay("profile", "dunlin", "fill.bin", "--labels", labels, "--cycles", 2_000)
    assert found.status == 0
    assert "\na_name_of_a_routi… " in found.out
