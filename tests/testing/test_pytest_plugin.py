"""The plug-in in runs of pytest of its own: fixtures, pictures, assertions, and what is said."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import busplay
from busplay.png import encode_png
from busplay.testing.pictures import read_picture
from tests.documents import PROJECT
from tests.testing.conftest import RunTests, picture

pytest_plugins = ["pytester"]

HEAD = 'import busplay\nimport pytest\n\npytestmark = pytest.mark.busplay(board="dunlin"'
FILL = HEAD + ', program="fill.bin")\n'
TIDES = HEAD + ', program="tides.bin")\n'

# -- runs


@pytest.mark.thorough
def test_runs_go_for_cycles_until_exit_a_label_an_address_or_a_still_screen(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    # It waits for a key, and stores its code in the first byte of the panel.
    code = "AD00A4 F0FB AD01A4 8D0040 80F3"
    (pytester.path / "key.bin").write_bytes(bytes.fromhex(code))
    result = run_tests(
        TIDES
        + """
def test_cycles(machine):
    assert machine.run(1000) >= 1000

def test_label_and_address(machine):
    machine.run_until(label="main_loop")
    assert machine.registers.pc == machine.address_of("main_loop")
    machine.run_until(address=machine.address_of("main_loop"))

@pytest.mark.busplay(program="fill.bin")
def test_exit(machine, screen):
    machine.run_until(exit=True)
    assert machine.stop.exit_status == 0
    assert screen.unit == "panel"

@pytest.mark.busplay(program="key.bin", load_address=0x0300)
def test_still(machine):
    assert machine.run_until_still(refreshes=4) >= 4 * machine.clock_hz // 60
    before = machine.screen().image()
    machine.run_refreshes(4)
    assert (machine.screen().image() == before).all()
    machine.press("a")
    machine.screen().assert_redraws(within_refreshes=20)
    assert (machine.screen().image() != before).any()
    assert machine.display("panel").memory[0] == ord("a")
    assert machine.key_presses[0][1] == ord("a")
"""
    )
    result.assert_outcomes(passed=4)


@pytest.mark.thorough
def test_runs_that_do_not_get_there_fail_with_the_reason(run_tests: RunTests) -> None:
    result = run_tests(
        TIDES
        + """
def test_never_still(machine):
    machine.run_until_still(within_cycles=3_000_000)

def test_label_is_missing(machine):
    machine.run_until(label="main_lop")

def test_key_without_effect(machine, screen):
    machine.run_until(label="main_loop")
    screen.assert_redraws(within_refreshes=2)
"""
    )
    result.assert_outcomes(failed=3)
    result.stdout.fnmatch_lines_random(
        [
            "*a picture that stands still was not reached in 3,*",
            "*found label 'main_lop'; there is main_loop*",
            "*panel is still being drawn after 2 refreshes, in cycle*",
        ]
    )
    # What a user can cause is shown at the user's line.
    result.stdout.fnmatch_lines(['>       machine.run_until(label="main_lop")'])
    result.stdout.no_fnmatch_line("*busplay/run/*")
    result.stdout.no_fnmatch_line("*busplay/testing/*")


def test_wrong_marks_boards_and_files_are_refused_in_a_line(run_tests: RunTests) -> None:
    result = run_tests(
        """
import pytest

def test_no_board(machine): pass

@pytest.mark.busplay(bord="dunlin")
def test_unknown(machine): pass

@pytest.mark.busplay(board="dunlin", program="nothing.bin")
def test_no_program(machine): pass

@pytest.mark.busplay(board="dunlin")
def test_argument(make_machine):
    make_machine(programme="fill.bin")
"""
    )
    result.assert_outcomes(errors=3, failed=1)
    result.stdout.fnmatch_lines_random(
        [
            "no board; write @pytest.mark.busplay(board=...)*",
            "the mark busplay has bord; it takes board, program, link,*",
            "nothing.bin: cannot be read: No such file or directory",
            "*programme: a machine takes board,*",
        ]
    )
    result.stdout.no_fnmatch_line("*Errno*")


# -- pictures


@pytest.mark.thorough
def test_update_writes_new_and_changed_pictures_and_says_which(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    text = FILL + "\ndef test_it(machine, screen):\n    machine.run(150_000)\n"
    text += "    screen.assert_matches('title')\n"
    missing = run_tests(text)
    missing.assert_outcomes(failed=1)
    missing.stdout.fnmatch_lines(["*there is no picture pictures/title.png", "missing: pictures*"])
    assert not picture(pytester).exists()
    new = run_tests(text, "--busplay-update")
    new.assert_outcomes(passed=1)
    new.stdout.fnmatch_lines(["new: pictures/title.png"])
    session = busplay.Session("dunlin", program="fill.bin")
    session.run(150_000)
    image = session.display("panel").image()
    assert np.array_equal(read_picture(picture(pytester)), image)
    same = run_tests(text)
    same.assert_outcomes(passed=1)
    same.stdout.no_fnmatch_line("*busplay pictures*")
    wrong = image.copy()
    wrong[7, 5] ^= 255
    wrong[9, 1] ^= 255
    picture(pytester).write_bytes(encode_png(wrong))
    changed = run_tests(text, "--busplay-update")
    changed.assert_outcomes(passed=1)
    changed.stdout.fnmatch_lines(["changed: pictures/title.png (2 of 49,152 pixels)"])
    assert np.array_equal(read_picture(picture(pytester)), image)


def test_update_is_refused_in_ci(
    run_tests: RunTests, pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "true")
    result = run_tests(FILL + "\ndef test_it(machine):\n    pass\n", "--busplay-update")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["*--busplay-update is refused where CI is set*"])


@pytest.mark.thorough
def test_difference_is_named_by_its_first_pixel_store_and_instruction(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    session = busplay.Session("dunlin", program="tides.bin")
    session.run(2_000_000)
    wrong = session.display("panel").image()
    wrong[40, 120] = (1, 2, 3)
    wrong[41, 0] = (1, 2, 3)
    picture(pytester).parent.mkdir()
    picture(pytester).write_bytes(encode_png(wrong))
    text = TIDES + "\ndef test_it(machine, screen):\n    machine.run(2_000_000)\n"
    result = run_tests(text + "    screen.assert_matches('title')\n")
    result.assert_outcomes(failed=1)
    red, green, blue = session.display("panel").image()[40, 120].tolist()
    result.stdout.fnmatch_lines(
        [
            "*the screen differs from pictures/title.png in 2 of 49,152 pixels",
            f"*first at 120,40: expected #010203, found #{red:02X}{green:02X}{blue:02X}",
            "*panel 120,40*shows colour*",
            "*store*to $543C*cycle *",
            "*code*$C* *",
        ]
    )
    # The page of a picture is of the test that failed, and nothing of ours is in the way.
    result.stdout.no_fnmatch_line("*busplay/testing*")


@pytest.mark.thorough
def test_source_line_of_the_store_is_named(run_tests: RunTests, pytester: pytest.Pytester) -> None:
    shutil.copy(PROJECT / "tests/data/fuzz/debug_file/tiny.dbg", pytester.path)
    # The program of tiny.dbg, at $C000: it stores 5 to $4000 for ever.
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C00C0") + b"hello, \0"
    rom = code.ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")
    (pytester.path / "tiny.bin").write_bytes(rom)
    picture(pytester).parent.mkdir()
    picture(pytester).write_bytes(encode_png(np.zeros((192, 256, 3), np.uint8)))
    text = HEAD + ', program="tiny.bin")\n\ndef test_it(machine, screen):\n    machine.run(1000)\n'
    result = run_tests(text + "    screen.assert_matches('title')\n")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        ["*first at *,0: expected #000000*", "*store*$05 to $4000*", "*code*$C004*tiny.s:10*"]
    )


@pytest.mark.thorough
def test_gathered_pictures_have_a_page_with_names_as_text(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    picture(pytester).parent.mkdir()
    picture(pytester).write_bytes(encode_png(np.zeros((192, 256, 3), np.uint8)))
    picture(pytester, "small").write_bytes(encode_png(np.zeros((2, 3, 3), np.uint8)))
    text = (
        FILL
        + """
@pytest.mark.parametrize("name", ["title", "small", "missing"], ids=["<b>&'", "s", "m"])
def test_it(machine, screen, name):
    machine.run(150_000)
    screen.assert_matches(name)
"""
    )
    result = run_tests(text, "--busplay-pictures", "differ")
    result.assert_outcomes(failed=3)
    result.stdout.fnmatch_lines(
        [
            "*small.png has 3 by 2 pixels, the screen 256 by 192",
            "different: pictures/small.png (another size)",
            "gathered in */differ/index.html",
        ]
    )
    folder = pytester.path / "differ"
    page = (folder / "index.html").read_text()
    assert "<b>" not in page
    assert "&lt;b&gt;&amp;&#x27;" in page
    assert "http" not in page
    assert len(list(folder.glob("*.png"))) == 3 + 2 + 1
    for file in folder.glob("*.png"):
        assert f'src="{file.name}"' in page
    (difference,) = folder.glob("*-title-*-difference.png")
    assert read_picture(difference).shape == (192, 256, 3)


@pytest.mark.thorough
def test_pictures_of_an_earlier_run_are_removed_and_nothing_else(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    text = FILL + "\ndef test_it(machine, screen):\n    machine.run(150_000)\n"
    text += "    screen.assert_matches('title')\n"
    gather = ("--busplay-pictures", "differ")
    run_tests(text, "--busplay-update")
    right = picture(pytester).read_bytes()
    picture(pytester).write_bytes(encode_png(np.zeros((192, 256, 3), np.uint8)))
    run_tests(text, *gather).assert_outcomes(failed=1)
    folder = pytester.path / "differ"
    ours = {one.name for one in folder.iterdir()}
    assert len(ours) == 4
    (folder / "notes.txt").write_text("mine")
    (folder / "mine-title-01234567-actual.png").write_bytes(right)
    (folder / "folder-title-01234567-actual.png").mkdir()
    # What only looks at the tests leaves everything.
    run_tests(text, *gather, "--collect-only")
    assert ours < {one.name for one in folder.iterdir()}
    picture(pytester).write_bytes(right)
    run_tests(text, *gather, "-p", "xdist.plugin", "-n", "1").assert_outcomes(passed=1)
    assert {one.name for one in folder.iterdir()} == {
        "notes.txt",
        "mine-title-01234567-actual.png",
        "folder-title-01234567-actual.png",
    }
    (folder / "index.html").write_text("mine")
    refused = run_tests(text, *gather)
    assert refused.ret == pytest.ExitCode.USAGE_ERROR
    refused.stderr.fnmatch_lines(
        ["*index.html: found a page that busplay has not written; give --busplay-pictures another*"]
    )
    assert (folder / "index.html").read_text() == "mine"


@pytest.mark.thorough
def test_two_screens_of_one_name_are_not_written_over_each_other(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    result = run_tests(
        FILL
        + """
@pytest.mark.parametrize("cycles", [0, 200_000])
def test_it(machine, screen, cycles):
    machine.run(cycles)
    screen.assert_matches("title")
""",
        "--busplay-update",
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*give each picture a name of its own*"])


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["../title", "", ".hidden", "a/b", "a b"])
def test_picture_has_a_plain_name(
    run_tests: RunTests, pytester: pytest.Pytester, name: str
) -> None:
    result = run_tests(
        FILL + f"\ndef test_it(screen):\n    screen.assert_matches({name!r})\n", "--busplay-update"
    )
    result.assert_outcomes(failed=1)
    assert not list(pytester.path.rglob("*.png"))


@pytest.mark.thorough
def test_file_that_is_no_picture_is_refused(run_tests: RunTests, pytester: pytest.Pytester) -> None:
    picture(pytester).parent.mkdir()
    for content in (b"", b"GIF89a", encode_png(np.zeros((9, 9, 3), np.uint8))[:-30]):
        picture(pytester).write_bytes(content)
        result = run_tests(FILL + "\ndef test_it(screen):\n    screen.assert_matches('title')\n")
        result.assert_outcomes(failed=1)
        result.stdout.fnmatch_lines(["*title.png: found no picture*a PNG file belongs here*"])


# -- assertions


@pytest.mark.thorough
def test_assertions_hold_or_say_the_figures(run_tests: RunTests) -> None:
    text = (
        FILL
        + """
NOISE = busplay.Faults(ber=1e-4, seed=3)

@pytest.fixture
def done(machine):
    machine.run(400_000)
    return machine

def test_right(done, tmp_path):
    done.assert_link_use(at_most=0.9)
    done.assert_link_use(at_most=0.9, first_cycle=100_000)
    done.assert_routine_cycles("clear_byte_by_byte", at_most=300_000)
    done.assert_no_overruns()
    done.assert_lost_stores(0)
    done.assert_lost_stores(1000, faults=NOISE)
    done.record(tmp_path / "fill.trace")
    done.assert_sends(tmp_path / "fill.trace")

def test_link_use(done): done.assert_link_use(at_most=0.01)
def test_routine(done): done.assert_routine_cycles("clear_byte_by_byte", at_most=1000)
def test_not_called(done): done.assert_routine_cycles("from", at_most=1000)
def test_losses(done): done.assert_lost_stores(0, faults=NOISE)

@pytest.mark.busplay(faults=NOISE)
def test_own_losses(done): done.assert_lost_stores(0)

def test_other_program(make_machine, done, tmp_path):
    other = make_machine(program="tides.bin")
    other.run(400_000)
    other.record(tmp_path / "tides.trace")
    done.assert_sends(tmp_path / "tides.trace")
"""
    )
    result = run_tests(text)
    result.stdout.fnmatch_lines_random(
        [
            "*the stores took * of the link, over 1.0%, in cycles * most of it: *",
            "*no JSR or interrupt went to from, $0000",
            "*clear_byte_by_byte took *cycles on average of 1 call, over 1,000.0",
            "*stores lost of *, over 0",
            "*first: $* to $* in cycle *, made at $*",
            "*missing,*changed,*added",
            "*first *: frame * in cycle *, $*",
        ]
    )
    result.assert_outcomes(passed=1, failed=6)


@pytest.mark.thorough
def test_flashing_is_found_with_its_seconds(run_tests: RunTests, pytester: pytest.Pytester) -> None:
    # Palette entry 0 is black or white in turn, with a wait of some 330,000 cycles.
    code = "A900 A200 8E04A3 49FF 8D05A3 8D06A3 8D07A3 A000 A200 CAD0FD 88D0FA 80E6"
    (pytester.path / "flash.bin").write_bytes(bytes.fromhex(code))
    result = run_tests(
        TIDES
        + """
def test_calm(machine, screen):
    machine.run(4_000_000)
    screen.assert_no_flashing()

@pytest.mark.busplay(program="flash.bin", load_address=0x0300)
def test_flashing(machine, screen):
    machine.run(16_000_000)
    screen.assert_no_flashing(first_cycle=8_000_000)
"""
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        ["*panel flashes:", "*[0-9] flashes a second from * s to * s, on 100.0% of a field*"]
    )


# -- boards, links, cores; xdist; without the plug-in


@pytest.mark.thorough
def test_tests_are_parametrised_over_boards_links_and_cores(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    text = """
import pytest

@pytest.mark.busplay(program="fill.bin")
@pytest.mark.parametrize("busplay_core", ["compiled", "reference"])
@pytest.mark.parametrize("busplay_link", ["guarded", "lean"])
@pytest.mark.parametrize("busplay_board", ["dunlin"])
def test_it(machine, screen, busplay_link, busplay_core):
    machine.run(30_000)
    assert machine.board.link.name == busplay_link
    assert machine.core.kind == busplay_core
    screen.assert_matches("title")
"""
    run_tests(text, "--busplay-update").assert_outcomes(passed=4)
    run_tests(text).assert_outcomes(passed=4)


@pytest.mark.thorough
def test_workers_of_xdist_report_to_their_controller(
    run_tests: RunTests, pytester: pytest.Pytester
) -> None:
    text = (
        FILL
        + """
@pytest.mark.parametrize("name", ["one", "two", "three"])
def test_it(machine, screen, name):
    machine.run(100_000)
    screen.assert_matches(name)
"""
    )
    xdist = ("-p", "xdist.plugin", "-n", "2")
    result = run_tests(text, *xdist, "--busplay-pictures", "differ")
    result.assert_outcomes(failed=3)
    assert (pytester.path / "differ" / "index.html").read_text().count("<h2>") == 3
    result = run_tests(text, *xdist, "--busplay-update")
    result.assert_outcomes(passed=3)
    result.stdout.fnmatch_lines(["new: pictures/one.png", "*three.png", "*two.png"])


@pytest.mark.parametrize("without", [(), ("-p", "no:busplay")], ids=["with", "without"])
def test_entry_point_loads_the_plug_in_unless_told_not_to(
    tmp_path: Path, without: tuple[str, ...]
) -> None:
    installed = tmp_path / "installed" / "busplay-0.1.0.dist-info"
    installed.mkdir(parents=True)
    (installed / "METADATA").write_text("Metadata-Version: 2.1\nName: busplay\nVersion: 0.1.0\n")
    (installed / "RECORD").write_text("busplay/__init__.py,,\nbusplay/pytest_plugin.py,,\n")
    project = (PROJECT / "pyproject.toml").read_text(encoding="utf-8")
    assert '[project.entry-points.pytest11]\nbusplay = "busplay.pytest_plugin"\n' in project
    (installed / "entry_points.txt").write_text("[pytest11]\nbusplay = busplay.pytest_plugin\n")
    (tmp_path / "test_it.py").write_text(
        "import sys\n\ndef test_it():\n"
        f"    assert ('busplay.pytest_plugin' in sys.modules) is {not without}\n"
    )
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *without, "test_it.py"],
        cwd=tmp_path,
        env={"PYTHONPATH": f"{PROJECT}:{installed.parent}", "PATH": ""},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout


def test_plug_in_loads_nothing_but_itself() -> None:
    code = (
        "import sys, pytest; before = set(sys.modules); import busplay.pytest_plugin;"
        "print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["busplay", "busplay.pytest_plugin", "busplay.version"]
