"""Running until a label, an address, a cycle or the exit; registers and memory there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busplay.core.interface import Registers
from busplay.core.make import core_for_board
from busplay.demo.programs import find_demo
from busplay.errors import InputError, NotReachedError
from busplay.link.load import load_board
from busplay.run.session import Session
from tests.boards import GUARDED, board_with

# $C000 LDA #1, INC $4001, PHA, WAI, LDX #2, JMP $C000
LOOP = bytes.fromhex("A901 EE0140 48 CB A202 4C00C0")
LABELS = "al 00C000 .again\nal 00C007 .after_wait\nal 00C009 .twice\nal 00C00C .twice\n"


@pytest.fixture
def program(tmp_path: Path) -> Path:
    path = tmp_path / "loop.bin"
    path.write_bytes(LOOP.ljust(0x3FFC, b"\xea") + b"\x00\xc0\x00\xc0")
    path.with_suffix(".lbl").write_text(LABELS)
    return path


@pytest.mark.parametrize("core", ["compiled", "reference"])
def test_label_is_reached_each_time_that_it_is_next(program: Path, core: str) -> None:
    session = Session("dunlin", program=program, core=core)
    session.core.irq = True  # ends the wait; I is set, so no interrupt is taken
    # Within one pass: LDA 2, INC 6, PHA 3, WAI 3 and the wait, LDX 2, JMP 3 cycles.
    first = session.run_until(label="again")
    assert session.registers.pc == 0xC000
    assert session.run_until(label="again") == first
    assert session.run_until(address=0xC006) == 11
    assert session.registers.a == 1
    assert session.memory[0x4001] == 3


@pytest.mark.parametrize("core", ["compiled", "reference"])
def test_label_behind_a_wait_is_reached_when_the_wait_is_over(program: Path, core: str) -> None:
    session = Session("dunlin", program=program, core=core)
    session.run(1_000)
    with pytest.raises(NotReachedError):
        session.run_until(label="after_wait", within_cycles=5_000)
    session.core.irq = True
    session.run_until(label="after_wait", within_cycles=5_000)
    assert session.registers.pc == 0xC007
    assert session.registers.x == 0


@pytest.mark.parametrize("address", [0xC0CA, 0xC0CC])
def test_both_cores_stop_at_the_same_place(address: int) -> None:
    """The loop of the tides, which spins until an interrupt."""
    stops = []
    for core in ("compiled", "reference"):
        session = Session("dunlin", program="tides.bin", core=core)
        session.run(800_000)
        stops.append([(session.run_until(address=address), session.registers) for _ in range(3)])
    assert stops[0] == stops[1]


def test_run_that_is_cut_by_stops_sends_the_same(tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole.trace", tmp_path / "cut.trace"
    with Session("dunlin", program="tides", record=cut) as session:
        for _ in range(3):
            session.run_until(label="main_loop")
        end = session.cycle
    with Session("dunlin", program="tides", record=whole) as session:
        session.run_until(cycle=end)
    assert whole.read_bytes() == cut.read_bytes()


def test_cycle_is_reached_with_the_instruction_that_passes_it(program: Path) -> None:
    session = Session("dunlin", program=find_demo("tides").image_path)
    done = session.run_until(cycle=100_000)
    assert 0 <= session.cycle - 100_000 < 7
    assert done == session.cycle - 7  # after the reset
    assert session.run_until(cycle=session.cycle) == 0
    with pytest.raises(ValueError, match=r"^cycle 99,999 has passed; it is cycle 100,00\d$"):
        session.run_until(cycle=99_999)


def test_exit_is_reached_with_its_status() -> None:
    session = Session("dunlin", program="fill.bin")
    session.run_until(exit=True)
    assert session.stop is not None
    assert session.stop.kind == "exit"
    assert session.run_until(exit=True) == 0


def test_unreached_condition_says_why(program: Path) -> None:
    session = Session("dunlin", program=program)
    message = (
        r"^label after_wait, \$C007, was not reached in 1,00\d cycles; the instruction at \$C007"
        " is next$"
    )
    with pytest.raises(NotReachedError, match=message):
        session.run_until(label="after_wait", within_cycles=1_000)
    with pytest.raises(NotReachedError, match=r"^the program's exit was not reached in 5\d\d? cyc"):
        session.run_until(exit=True, within_cycles=50)
    with pytest.raises(NotReachedError, match=r"^cycle 999,999 was not reached in 5\d cycles"):
        session.run_until(cycle=999_999, within_cycles=50)
    program.write_bytes(b"\xdb".ljust(0x3FFC, b"\xea") + b"\x00\xc0\x00\xc0")
    session = Session("dunlin", program=program)
    message = (
        r"^address \$C003 was not reached: \$C000: opcode \$DB \(STP\) stopped the processor until"
        " a reset$"
    )
    with pytest.raises(NotReachedError, match=message):
        session.run_until(address=0xC003)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({}, "give one of label, address, cycle and exit"),
        ({"label": "again", "exit": True}, "give one of label, address, cycle and exit"),
        ({"address": -1}, "address is -1; it must be 0 to 65535"),
    ],
)
def test_impossible_condition_is_refused(program: Path, asked, message: str) -> None:
    session = Session("dunlin", program=program)
    with pytest.raises(ValueError, match=f"^{message}$"):
        session.run_until(**asked)
    assert session.cycle == 7


def test_unknown_label_is_refused_with_similar_ones(program: Path) -> None:
    session = Session("dunlin", program=program)
    for label, message in {
        "agian": "found label 'agian'; there is again",
        "nothing_like_it": "found label 'nothing_like_it'; the program has 3 others",
        "twice": "found label twice at $C009, $C00C; give the address",
    }.items():
        with pytest.raises(InputError) as caught:
            session.run_until(label=label)
        assert str(caught.value) == message
    program.with_suffix(".lbl").unlink()
    with pytest.raises(InputError) as caught:
        Session("dunlin", program=program).run_until(label="again")
    assert str(caught.value) == (
        "found label 'again'; the program has no labels; give labels=, or NAME.lbl beside it"
    )


def test_labels_are_those_given_or_those_beside_the_program(program: Path, tmp_path: Path) -> None:
    assert Session("dunlin", program=program).address_of("again") == 0xC000
    other = tmp_path / "other.labels"
    other.write_text("start = $C123\n")
    for given in (other, str(other), {0xC123: ("start",)}):
        session = Session("dunlin", program=program, labels=given)
        assert session.labels == {0xC123: ("start",)}
        assert session.address_of("start") == 0xC123


def test_board_without_a_host_port_has_no_exit(program: Path) -> None:
    session = Session(board_with(GUARDED), program=program, load_address=0x2000)
    with pytest.raises(InputError, match=r"^found no host port, so no program can exit; run unt"):
        session.run_until(exit=True)


def test_bare_program_name_is_a_file_or_else_a_shipped_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    shipped = Session("dunlin", program="tides.bin").program
    assert shipped == Session("dunlin", program="tides").program
    assert shipped == Session("dunlin", program=find_demo("tides").image_path).program
    program.rename("tides.bin")
    assert Session("dunlin", program="tides.bin").program.sha256 != shipped.sha256
    with pytest.raises(InputError, match=r"nowhere.*tides\.bin"):
        Session("dunlin", program=tmp_path / "nowhere" / "tides.bin")


def test_registers_are_a_core_s_and_write_themselves_as_a_monitor_does() -> None:
    core = core_for_board(load_board("dunlin"), kind="reference")
    core.a, core.x, core.y, core.s, core.p, core.pc = 1, 2, 3, 0xFD, 0xA5, 0xC123
    registers = Registers.of(core)
    assert registers == Registers(a=1, x=2, y=3, s=0xFD, p=0xB5, pc=0xC123, cycle=0)
    assert str(registers) == "PC $C123 A $01 X $02 Y $03 S $FD P N.--.I.C cycle 0"


@pytest.mark.parametrize("core", ["compiled", "reference"])
def test_memory_view_has_no_side_effects_and_is_read_only(program: Path, core: str) -> None:
    session = Session("dunlin", program=program, core=core)
    session.press(ord("A"))
    session.run(1_000)
    memory = session.memory
    assert memory.dtype == np.uint8
    assert memory.shape == (65536,)
    assert bytes(memory[0xC000:0xC00C]) == LOOP
    port = session.core.host_port
    assert port is not None
    before = port.read(0, cycle=session.cycle)
    # A waiting key stays.
    assert len(bytes(memory[0xA400:0xA410])) == 16
    assert port.read(0, cycle=session.cycle) == before == 0x81
    with pytest.raises(ValueError, match="read-only"):
        memory[0x0200] = 1
    kept = bytes(memory[0x4000:0x4010])
    session.core.memory[0x4002] = 77
    assert memory[0x4002] == 77
    assert bytes(memory[0x4000:0x4010]) != kept
