"""Time travel, held against a run that goes straight on, one position at a time."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.interface import Core
from busplay.core.memory_map import MemoryMap
from busplay.core.reference import ReferenceCore
from busplay.core.rewind import InstructionBatch, RewindableCore
from busplay.demo.programs import find_demo, shipped_file
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.history.breakpoints import AtAddress, Breakpoint, MemoryIs, RegisterIs, WriteTo
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.program_start import ProgramStart
from busplay.run.session import Session
from busplay.trace.reader import TraceReader
from tests.history.programs import programs, small_board, written
from tests.naive.straight_run import RETURNS, Moment, first_behind, last_before, straight_run

END_CYCLE = 4_000
DATA = Path(__file__).parents[1] / "data"


class Walked:
    """A history, and the straight run that it is judged by.

    Attributes:
        here: index of the moment at which the history should be.
    """

    def __init__(
        self, travel: ProgramHistory, moments: list[Moment], *, end_cycle: int = END_CYCLE
    ) -> None:
        self.travel = travel
        self.moments = moments
        self.here = 0
        # The moment at the end is where a search ends, and none of its finds.
        self.known = [one for one in moments if one.cycle < end_cycle]
        self.compare()

    def compare(self) -> None:
        moment = self.moments[self.here]
        state = self.travel.core_state
        if state.stop is not None and state.stop.kind == "opcode":
            # It was tried, in no time; as the straight run came to it, it was not yet.
            assert moment is self.moments[-1]
            state = replace(state, stop=None)
        assert state == moment.state
        assert self.travel.memory.tobytes() == moment.memory

    def moved(self, moved: bool, index: int) -> None:
        """Compare a search with the index that the naive one found, -1 for none."""
        assert moved == (index >= 0)
        if index >= 0:
            self.here = index
        self.compare()

    def go_to(self, cycle: int) -> None:
        self.travel.go_to(cycle)
        indices = [n for n, one in enumerate(self.moments) if one.cycle >= cycle]
        index = min(indices, default=len(self.moments) - 1)
        before = self.moments[index - 1] if index else None
        if before is not None and before.kind == "waiting" and self.moments[index].cycle > cycle:
            # In the middle of a wait: all is as at its beginning, but the cycle.
            registers, expected = self.travel.state.registers, before.registers
            assert registers.cycle == cycle
            assert (registers.pc, registers.s, registers.p) == (
                expected.pc, expected.s, expected.p,
            )  # fmt: skip
            self.travel.step_back()
            index -= 1
        self.here = index
        self.compare()

    def held(self, stop_at: Breakpoint) -> list[bool]:
        return [_holds(stop_at, one) for one in self.known]

    def must_end(self, stop_at: Breakpoint) -> bool:
        is_value = isinstance(stop_at, RegisterIs | MemoryIs)
        return is_value and _holds(stop_at, self.moments[self.here])


def _holds(stop_at: Breakpoint, moment: Moment) -> bool:
    match stop_at:
        case AtAddress(addresses):
            return moment.kind == "instruction" and moment.registers.pc in addresses
        case WriteTo(first, last):
            return any(first <= address <= last for address in moment.writes)
        case RegisterIs(register, value):
            return bool(getattr(moment.registers, register) == value)
        case MemoryIs(address, value):
            return moment.memory[address] == value


def walked(
    tmp_path: Path,
    rom: bytes,
    *,
    processor: str,
    kind: str,
    presses: list[tuple[int, int]],
    resets: list[int],
    memory_mb: int = 128,
    spacing_cycles: int = 300,
) -> Walked:
    board, path = small_board(processor), written(tmp_path, rom)
    start = ProgramStart(board, path, core="reference")
    core = start.make_core()
    assert isinstance(core, RewindableCore)
    assert core.host_port is not None
    for cycle, code in presses:
        core.host_port.press(code, cycle=cycle)
    # A reset comes between two instructions.
    plain = straight_run(core, END_CYCLE, reset=start.reset)
    cycles = sorted({plain[n % len(plain)].cycle for n in resets} - {plain[-1].cycle})
    moments = plain
    if cycles:
        core = start.make_core()
        assert isinstance(core, RewindableCore)
        assert core.host_port is not None
        for cycle, code in presses:
            core.host_port.press(code, cycle=cycle)
        cycles = cycles[:1]  # the ones behind would fall between other instructions
        moments = straight_run(core, END_CYCLE, resets=cycles, reset=start.reset)
    travel = ProgramHistory(
        board,
        path,
        core=kind,
        key_presses=presses,
        resets=cycles,
        end_cycle=END_CYCLE,
        memory_mb=memory_mb,
        spacing_cycles=spacing_cycles,
    )
    return Walked(travel, moments)


@settings(max_examples=120)
@given(drawn=st.data(), processor=st.sampled_from(["6502", "65c02"]))
def test_every_move_goes_where_a_straight_run_was(
    drawn: st.DataObject, processor: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    one = walked(
        tmp_path_factory.mktemp("drawn"),
        drawn.draw(programs(processor)),
        processor=processor,
        kind=drawn.draw(st.sampled_from(["compiled", "compiled", "reference"])),
        presses=[(cycle, 65) for cycle in sorted(drawn.draw(st.lists(st.integers(7, 3000))))],
        resets=drawn.draw(st.lists(st.integers(1, 1 << 20), max_size=1)),
        spacing_cycles=drawn.draw(st.sampled_from([50, 300, 10_000])),
    )
    moves = ["go", "step", "back", "store", "before", "return", "to", "back to", "store of", "go"]
    for move in drawn.draw(st.lists(st.sampled_from(moves), min_size=3, max_size=12)):
        make_move(one, move, drawn)


@pytest.mark.parametrize("kind", ["compiled", "reference"])
def test_wait_that_begins_where_a_piece_of_the_search_ends_is_a_position(
    tmp_path: Path, kind: str
) -> None:
    """A search runs piece by piece, here of 50 cycles; the wait begins in cycle 2035."""
    rom = bytearray(b"\xea" * 0x4000)
    for offset, code in (
        (0x0000, "A2FF9A A901 8D08A4 58 E610 CB 2000C5 E610 4C09C0"),
        (0x0500, "CB AD04A4 8512 60"),
        (0x0600, "48 8D09A4 68 40"),
        (0x3FFA, "00C6 00C0 00C6"),
    ):
        rom[offset : offset + len(bytes.fromhex(code))] = bytes.fromhex(code)
    one = walked(
        tmp_path,
        bytes(rom),
        processor="65c02",
        kind=kind,
        presses=[],
        resets=[85_323],
        spacing_cycles=50,
    )
    waits = [moment.cycle for moment in one.moments if moment.kind == "waiting"]
    assert 2_035 in waits
    one.go_to(2_316)


def test_search_logs_instructions_only_near_a_store_or_an_address(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To log all of a long run takes the core five times as long as to run it."""
    travel = ProgramHistory("dunlin", shipped_file("roms", "waves.bin"), end_cycle=8_000_000)
    logged = 0
    take = type(travel._walk.core).take_instructions

    def counted(core: object) -> InstructionBatch:
        nonlocal logged
        found: InstructionBatch = take(core)
        logged += len(found)
        return found

    monkeypatch.setattr(type(travel._walk.core), "take_instructions", counted)
    travel.go_to(100)
    for stop_at in (WriteTo(0x2FFF, 0x2FFF), MemoryIs(0x2FFF, 77), AtAddress({0x2FFF})):
        assert not travel.run_to(stop_at)
        assert not travel.run_back_to(stop_at)
    assert logged == 0
    # A value that is there already must end first; here it never does.
    assert travel.memory[0x2FFF] == 0
    travel.go_to(7_000_000)
    assert not travel.run_back_to(MemoryIs(0x2FFF, 0))
    assert not travel.run_to(MemoryIs(0x2FFF, 0))
    assert logged == 0
    assert travel.store_after()
    assert 0 < logged < 500_000


def make_move(one: Walked, move: str, drawn: st.DataObject) -> None:
    travel, here, known = one.travel, one.here, one.known
    if here >= len(known):
        # At the end: a step would find nothing.
        assert not travel.step()
        one.here = here
        if travel.state.stop is not None:
            one.go_to(known[-1].cycle)
            return
    match move:
        case "go":
            one.go_to(drawn.draw(st.integers(7, END_CYCLE)))
        case "step":
            moves_on = here + 1 < len(one.moments)
            assert travel.step() == moves_on
            one.here = here + moves_on
            if moves_on:
                one.compare()
            else:
                one.go_to(one.moments[here].cycle)
        case "back":
            one.moved(travel.step_back(), here - 1)
        case "store":
            tapped = [moment.tapped for moment in known]
            one.moved(travel.store_after(), first_behind(known, here, tapped, must_end=False))
        case "before":
            tapped = [moment.tapped for moment in known]
            one.moved(travel.store_before(), last_before(here, tapped, must_end=False))
        case "return":
            index = _return_of(one)
            one.moved(travel.run_to_return(), index)
        case "store of":
            moment = drawn.draw(st.sampled_from(known))
            moved = travel.go_to_store(moment.cycle + 1)
            inside = [n for n, other in enumerate(one.moments) if other.cycle <= moment.cycle + 1]
            assert moved == (inside[-1] != here)
            one.moved(True, inside[-1])
        case _:
            stop_at = drawn.draw(breakpoints(one))
            held, must_end = one.held(stop_at), one.must_end(stop_at)
            if move == "to":
                index = first_behind(known, here, held, must_end=must_end)
                one.moved(travel.run_to(stop_at), index)
            else:
                one.moved(travel.run_back_to(stop_at), last_before(here, held, must_end=must_end))


def _return_of(one: Walked) -> int:
    """Return the moment behind the RTS or RTI that leaves the routine that is under way."""
    if one.here >= len(one.known):
        return -1
    s = one.moments[one.here].registers.s
    for index in range(one.here, len(one.known)):
        moment = one.known[index]
        above = (moment.registers.s - s) & 0xFF < 0x80
        if moment.kind == "instruction" and moment.opcode in RETURNS and above:
            return index + 1
    return -1


def breakpoints(one: Walked) -> st.SearchStrategy[Breakpoint]:
    moments = st.sampled_from(one.known)
    registers = st.sampled_from(["a", "x", "y", "s", "p"])
    addresses = st.sampled_from([0x10, 0x11, 0x13, 0x4000, 0x4001, 0x01FF, 0xA300, 0xC000, 0xA402])
    return st.one_of(
        st.sets(moments.map(lambda one: one.registers.pc), min_size=1, max_size=2).map(AtAddress),
        addresses.map(lambda address: WriteTo(address, address)),
        st.sampled_from([WriteTo(0x4000, 0x9FFF), WriteTo(0x0100, 0x01FF), WriteTo(0, 0xFFFF)]),
        st.builds(
            lambda name, moment: RegisterIs(name, getattr(moment.registers, name)),
            registers,
            moments,
        ),
        st.builds(RegisterIs, registers, st.integers(0, 255)),
        st.builds(lambda at, moment: MemoryIs(at, moment.memory[at]), addresses, moments),
    )


@pytest.mark.parametrize("kind", ["compiled", "reference"])
def test_stepping_back_through_a_whole_run_and_on_again(kind: str, tmp_path: Path) -> None:
    # LDA #1, STA REFRESH, CLI; loop: INC $10, JSR, WAI, JMP; the handler acknowledges.
    rom = bytearray(b"\xea" * 0x4000)
    rom[:18] = bytes.fromhex("A901 8D08A4 58 E610 200001 CB 4C06C0".replace("0001", "00C1"))[:18]
    rom[0x100:0x104] = bytes.fromhex("8D0040 60")
    rom[0x600:0x604] = bytes.fromhex("8D09A4 40")
    rom[0x3FFA:] = bytes.fromhex("00C6 00C0 00C6")
    one = walked(
        tmp_path, bytes(rom), processor="65c02", kind=kind, presses=[], resets=[20],
    )  # fmt: skip
    assert len(one.moments) > 30
    one.go_to(END_CYCLE)
    # The last moment lies in a wait, which the end cuts off.
    for index in range(one.here - 1, -1, -1):
        assert one.travel.step_back()
        one.here = index
        one.compare()
    assert not one.travel.step_back()
    for index in range(1, len(one.moments)):
        assert one.travel.step()
        one.here = index
        one.compare()
    assert not one.travel.step()


def test_a_small_memory_keeps_few_snapshots_and_goes_everywhere() -> None:
    board = load_board("dunlin")
    travel = ProgramHistory(
        board, "tides.bin", memory_mb=1, spacing_cycles=20_000, end_cycle=8_000_000
    )
    travel.go_to(8_000_000)
    assert travel.snapshots.used_bytes <= 1_000_000
    assert 20 < len(travel.snapshots) < 200
    straight = ProgramStart(board, "tides.bin").make_core()
    for cycle in (7, 777_777, 3_333_333, 7_999_990):
        straight.run(cycle - straight.cycle)
        travel.go_to(cycle)
        assert travel.state.registers.cycle == straight.cycle
        assert travel.memory.tobytes() == straight.memory.tobytes()


def test_a_move_that_is_ended_leaves_all_where_it_was() -> None:
    class EndedError(Exception):
        pass

    def end(cycle: int) -> None:
        if cycle > limit:
            raise EndedError

    limit = 1 << 62
    travel = ProgramHistory(
        load_board("dunlin"),
        "tides.bin",
        spacing_cycles=10_000,
        end_cycle=1_000_000,
        on_progress=end,
    )
    travel.go_to(400_000)
    state, memory = travel.core_state, travel.memory.tobytes()
    limit = 0
    for move in (
        lambda: travel.go_to(900_000),
        lambda: travel.run_to(AtAddress({0x0002})),
        lambda: travel.run_back_to(AtAddress({0x0002})),
        lambda: travel.last_write_of(0x7777),
    ):
        with pytest.raises(EndedError):
            move()
        assert travel.core_state == state
        assert travel.memory.tobytes() == memory


def test_a_recording_cut_before_the_reset_ended_has_no_stores() -> None:
    travel = ProgramHistory("dunlin", "tides.bin", end_cycle=0)
    stores, _, by = travel.stores_between(0, 0)
    assert (len(stores), len(by)) == (0, 0)
    assert travel.cycle == 7


def test_snapshots_of_a_live_run_spare_running_it_again() -> None:
    board = load_board("dunlin")
    live = ProgramStart(board, "tides.bin").make_core()
    travel = ProgramHistory(board, "tides.bin", spacing_cycles=50_000, end_cycle=7)
    for _ in range(10):
        live.run(60_000)
        live.take_stores()
        travel.take_snapshot(live)
        travel.extend_to(live.cycle)
    assert len(travel.snapshots) == 11
    looked: list[int] = []
    travel._walk.on_progress = looked.append
    travel.go_to(live.cycle)
    assert travel.memory.tobytes() == live.memory.tobytes()
    assert looked == []
    travel.go_to(live.cycle - 30_000)
    assert min(looked) > live.cycle - 60_100


def test_snapshots_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="memory_mb is -1; it must be 0 or more"):
        ProgramHistory("dunlin", "tides.bin", memory_mb=-1)
    with pytest.raises(ValueError, match="spacing_cycles is 0; it must be 1 or more"):
        ProgramHistory("dunlin", "tides.bin", spacing_cycles=0)


def test_breakpoints_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="address is -1; it must be 0 to 65535"):
        AtAddress({-1})
    with pytest.raises(ValueError, match=r"the range \$4001-\$4000 goes backwards"):
        WriteTo(0x4001, 0x4000)
    with pytest.raises(ValueError, match="value is 256; it must be 0 to 255"):
        MemoryIs(0, 256)
    travel = ProgramHistory(load_board("dunlin"), "tides.bin")
    with pytest.raises(ValueError, match="cycle is 3; the program begins in cycle 7"):
        travel.go_to(3)


def test_a_trace_has_the_history_of_its_run(tmp_path: Path) -> None:
    trace = Path(shutil.copy(shipped_file("traces", "keys.trace"), tmp_path))
    with TraceReader(trace) as reader:
        travel = ProgramHistory.of_trace(reader)
        session = Session(
            load_board("dunlin"),
            program="keys.bin",
            key_presses=[(press.cycle, press.code) for press in reader.key_presses()],
        )
        assert travel.end_cycle == reader.cycles
    session.run(reader.cycles // 2 - session.cycle)
    travel.go_to(reader.cycles)
    assert travel.core_state.host_port is not None
    assert travel.core_state.host_port.keys_taken == 3  # the program reads few keys a second
    travel.go_to(session.cycle)
    assert travel.memory.tobytes() == session.memory.tobytes()
    assert travel.state.registers == session.registers


def test_a_trace_whose_program_is_not_there_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "mine.bin"
    image.write_bytes(find_demo("tides").image_path.read_bytes()[:-8] + bytes(8))
    with Session(load_board("dunlin"), program="tides", record=tmp_path / "t.trace") as session:
        session.run(10_000)
    with TraceReader(tmp_path / "t.trace") as reader:
        with pytest.raises(
            InputError, match=r"mine\.bin: found a program other than the recorded one"
        ):
            ProgramHistory.of_trace(reader, image)
        header = replace(reader.header, program_sha256="0" * 64)
        reader.header = header
        with pytest.raises(InputError) as refused:
            ProgramHistory.of_trace(reader)
    assert str(refused.value) == (
        f"{tmp_path / 't.trace'}: found no tides.bin beside the trace that has its digest;"
        " give the program that was recorded"
    )


def test_where_the_program_is_has_names_lines_and_code(tmp_path: Path) -> None:
    travel = ProgramHistory("dunlin", "tides.bin", end_cycle=8_000_000)
    assert travel.run_to(travel.at_label("main_loop"))
    assert travel.symbols.name_of(travel.state.registers.pc) == "main_loop"
    assert travel.source_line is None
    lines = travel.disassembly(before=3, after=3)
    assert [line.address for line in lines].index(travel.state.registers.pc) == 3
    with pytest.raises(InputError, match="found label 'main_lop'; there is main_loop"):
        travel.at_label("main_lop")
    with pytest.raises(InputError, match=r"link it with ld65 --dbgfile NAME\.dbg"):
        travel.at_line("tides.s", 5)


def test_lines_of_a_debug_file_beside_the_program(tmp_path: Path) -> None:
    shutil.copy(DATA / "fuzz/debug_file/tiny.dbg", tmp_path)
    # The program of tiny.dbg, as tests/data has it from ca65, at $C000.
    code = bytes.fromhex("A200 A905 8D0040 E8 D0F8 4C00C0") + b"hello, \0"
    rom = code.ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")
    (tmp_path / "tiny.bin").write_bytes(rom)
    travel = ProgramHistory("dunlin", tmp_path / "tiny.bin", end_cycle=10_000)
    assert str(travel.source_line) == "tiny.s:9"
    assert travel.run_to(travel.at_line("tiny.s", 12))
    assert travel.state.registers.pc == 0xC008
    assert travel.symbols.name_of(0xC008) == "start@loop+6"
    assert travel.store_before()
    assert str(travel.source_line) == "tiny.s:10"


def test_a_trace_knows_where_its_program_was_loaded(tmp_path: Path) -> None:
    """A program that `--load` had put elsewhere once ran again at the board's own address."""
    # LDA #5, STA $4000, STA $4001; for ever.
    (tmp_path / "ram.bin").write_bytes(bytes.fromhex("A905 8D0040 8D0140 80F8"))
    trace = tmp_path / "ram.trace"
    with Session("dunlin", program=tmp_path / "ram.bin", load_address=0x0300, record=trace) as one:
        one.run(20_000)
    with TraceReader(trace) as reader:
        travel = ProgramHistory.of_trace(reader)
    travel.go_to(one.cycle)
    assert travel.state.registers == one.registers
    assert travel.store_before()
    assert 0x0300 <= travel.state.registers.pc < 0x0310


def test_a_core_that_cannot_go_back_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    class OneWayCore(ReferenceCore):
        """A core of another package, that knows nothing of states and logs."""

        kind = "one_way"
        restore = None  # type: ignore[assignment]

    def make(board: Board, *, kind: str) -> Core:
        return OneWayCore("65c02", MemoryMap.of_board(board), None)

    monkeypatch.setattr("busplay.run.program_start.core_for_board", make)
    board = replace(load_board("dunlin"), host_port=None)
    with pytest.raises(InputError) as refused:
        ProgramHistory(board, "tides.bin", core="one_way")
    assert str(refused.value) == (
        "found a step back on the one_way core; use the compiled or the reference core"
    )
