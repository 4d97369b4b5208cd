"""Profiles, held against counting step by step on the reference core."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.analysis.profile.collector import ProfileCollector
from busplay.analysis.profile.exports import callgrind_of, csv_of
from busplay.analysis.profile.profile import profile, profile_run
from busplay.analysis.profile.report import ProfileReport
from busplay.analysis.profile.routines import Routines
from busplay.analysis.profile.rows import BurstProfile
from busplay.cli.profile_text import profile_verdict
from busplay.demo.programs import shipped_file
from busplay.description.board import Board, Memory
from busplay.errors import InputError
from busplay.history.walk import ProgramWalk
from busplay.link.load import load_board
from busplay.program.labels import Labels, labels_for
from busplay.program.symbols import ProgramSymbols
from busplay.run.program_start import ProgramStart
from tests.history.programs import programs, small_board, written
from tests.naive.profile import NaiveProfile, profile_by_steps

DUNLIN = load_board("dunlin")


def collected(start: ProgramStart, routines: Routines, stop_cycle: int) -> ProfileCollector:
    walk = ProgramWalk(start, limit_bytes=1, spacing_cycles=500, on_progress=None)
    collector = ProfileCollector(start.board, routines)
    for log in walk.logs(stop_cycle):
        collector.feed(
            log.instructions, log.stores, stop_cycle=walk.core.cycle, next_pc=walk.core.pc
        )
    return collector


def assert_alike(collector: ProfileCollector, naive: NaiveProfile) -> None:
    for name, ours in (
        ("cycles", collector.cycles),
        ("stores", collector.stores),
        ("unchanged", collector.unchanged),
        ("over", collector.replaced),
    ):
        found = {place: int(ours[place]) for place in np.flatnonzero(ours).tolist()}
        assert found == {place: n for place, n in getattr(naive, name).items() if n}, name
    ranked = sorted(naive.bursts, key=lambda one: (-one[2], one[0]))
    assert [
        (one.first_cycle, one.stores, one.frames_waiting_max, one.program_counter)
        for one in collector.bursts()
    ] == ranked[:5]
    assert collector.waiting_cycles == naive.waiting
    assert collector.interrupts == naive.interrupts
    rows = collector.refreshes()
    assert sum(row.cycles for row in rows) == int(collector.cycles.sum())
    assert sum(row.waiting_cycles for row in rows) == naive.waiting
    assert [row.stores for row in rows if row.stores] == [
        naive.refresh_stores[number] for number in sorted(naive.refresh_stores)
    ]


def assert_report_alike(report: ProfileReport, naive: NaiveProfile) -> None:
    assert {row.address: row.cycles_with_callees for row in report.routines} == dict(
        naive.inclusive
    )
    assert report.interrupt_cycles == naive.interrupt_cycles
    assert_calls_alike(report, naive)
    assert report.cycles == sum(naive.cycles.values())
    for name in ("cycles", "stores", "stores_unchanged", "stores_replaced"):
        assert sum(getattr(row, name) for row in report.routines) == getattr(report, name)
    assert sum(row.cycles_ratio for row in report.routines) == pytest.approx(1)


def assert_calls_alike(report: ProfileReport, naive: NaiveProfile) -> None:
    pairs = {(row.caller_address, row.callee_address): row for row in report.calls}
    calls = {pair: row.calls for pair, row in pairs.items() if row.calls}
    assert calls == {pair: count for pair, count in naive.calls.items() if count}
    entries = {pair: row.entries for pair, row in pairs.items() if row.entries}
    assert entries == {pair: n for pair, n in naive.entries.items() if pair[0] is not None}
    of_routine: Counter[int] = Counter()
    for (_, address), count in naive.entries.items():
        of_routine[address] += count
    assert {row.address: row.entries for row in report.routines if row.entries} == of_routine


@pytest.mark.thorough
@pytest.mark.parametrize("program", ["tides", "fill", "keys"])
def test_profile_of_a_program_is_what_steps_give(program: str) -> None:
    start = ProgramStart(DUNLIN, f"{program}.bin")
    labels = labels_for(None, start.path)
    routines = Routines(labels, regions=DUNLIN.memory)
    stepped = ProgramStart(DUNLIN, f"{program}.bin", core="reference").make_core()
    naive = profile_by_steps(stepped, DUNLIN, 300_000, routines.starts.tolist())
    assert_alike(collected(start, routines, 300_000), naive)
    report = profile(DUNLIN, f"{program}.bin", stop_cycle=300_000)
    assert_report_alike(report, naive)
    assert report.routines == profile(DUNLIN, start.path, stop_cycle=300_000).routines


@settings(max_examples=60)
@given(drawn=st.data(), processor=st.sampled_from(["6502", "65c02"]), has_labels=st.booleans())
def test_profiles_of_drawn_programs_are_what_steps_give(
    drawn: st.DataObject,
    processor: str,
    has_labels: bool,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    board = small_board(processor)
    path = written(tmp_path_factory.mktemp("drawn"), drawn.draw(programs(processor)))
    labels: Labels = {0xC000: ("main",), 0xC400: ("inner",), 0xC500: ("outer",), 0xC600: ("irq",)}
    if has_labels and drawn.draw(st.booleans()):
        labels = {**labels, 0xC010: ("within",)}
    first_cycle = drawn.draw(st.sampled_from([0, 0, 500]))
    start = ProgramStart(board, path)
    report = profile_run(
        start,
        first_cycle=first_cycle,
        stop_cycle=2_500,
        symbols=ProgramSymbols(labels if has_labels else {}),
    )
    stepped = ProgramStart(board, path, core="reference").make_core()
    naive = profile_by_steps(
        stepped,
        board,
        2_500,
        report.routine_names.starts.tolist(),
        first_cycle=first_cycle,
    )
    if not first_cycle:
        assert_report_alike(report, naive)
        assert_alike(collected(start, report.routine_names, 2_500), naive)
    else:
        # The run is cut at a boundary that both agree on, behind the cycle.
        assert_calls_alike(report, naive)
        assert report.cycles == sum(naive.cycles.values())
        assert report.stores == sum(naive.stores.values())
        assert report.stores_unchanged == sum(naive.unchanged.values())


def test_a_trace_has_the_profile_of_its_run(tmp_path: Path) -> None:
    report = profile(shipped_file("traces", "tides.trace"), stop_cycle=1_000_000)
    assert report.routines == profile("dunlin", "tides", stop_cycle=1_000_000).routines
    assert report.program == "tides.bin"
    with pytest.raises(InputError, match="found nothing between cycles 900 and 800"):
        profile("dunlin", "tides", first_cycle=900, stop_cycle=800)


def rom_with(code: str) -> bytes:
    rom = bytearray(b"\xea" * 0x4000)
    data = bytes.fromhex(code)
    rom[: len(data)] = data
    rom[0x3FFC:] = bytes.fromhex("00C0 00C0")
    return bytes(rom)


def profiled(tmp_path: Path, code: str, cycles: int, **symbols: object) -> ProfileReport:
    (tmp_path / "code.bin").write_bytes(rom_with(code))
    return profile("dunlin", tmp_path / "code.bin", stop_cycle=cycles)


def test_stores_that_change_nothing_and_those_that_are_replaced(tmp_path: Path) -> None:
    # STZ $4000; LDA #5, STA $4000, STA $4000, STA $4001; for ever.
    report = profiled(tmp_path, "9C0040 A905 8D0040 8D0040 8D0140 80FE", 100)
    assert (report.stores, report.stores_unchanged) == (4, 2)
    # Of three to $4000 the last stays.
    assert report.stores_replaced == 2
    (most,) = report.replaced_most
    assert (most.address, most.stores, most.stores_replaced) == (0x4000, 3, 2)
    assert [one.address for one in report.written_most] == [0x4000, 0x4001]


def test_stores_in_different_refreshes_replace_none(tmp_path: Path) -> None:
    # LDX, wait some 133,333 cycles, STX $4000, INX; one store a refresh or less.
    wait = "A0D0 A900 1A D0FD 88 D0F8"
    report = profiled(tmp_path, f"A200 {wait} 8E0040 E8 4C02C0", 1_500_000)
    assert report.stores >= 5
    assert report.stores_replaced == 0


def test_stores_to_registers_always_change_something(tmp_path: Path) -> None:
    report = profiled(tmp_path, "9C00A3 9C00A3 9C00A3 80FE", 60)
    assert (report.stores, report.stores_unchanged, report.stores_replaced) == (3, 0, 0)


def test_refresh_that_has_just_begun_uses_the_whole_link_at_most(tmp_path: Path) -> None:
    """A store in the last 3 cycles was said to take 133.3 % of them."""
    report = profiled(tmp_path, "8D0040" * 2 + "4C00C0", 133_335)
    rows = report.refreshes
    assert len(rows) == 2
    assert rows[1].cycles < 15
    assert max(one.link_use_ratio for one in rows) <= 1


def test_a_burst_is_stores_faster_than_the_link(tmp_path: Path) -> None:
    # A slot of guarded takes 4 cycles, as long as STA abs: none waits for another.
    quiet = profiled(tmp_path, "8D0040" * 12 + "80FE", 90)
    assert quiet.bursts == ()
    # A stack in a window would be faster; here the 6502's INC abs, which writes twice in a row.
    (tmp_path / "code.bin").write_bytes(rom_with("EE0040" * 3 + "4C09C0"))
    board = replace(DUNLIN, processor="6502")
    fast = profile(board, tmp_path / "code.bin", stop_cycle=60)
    assert fast.stores == 6
    # The first two take the slots that come; then the link is never free again.
    assert fast.bursts == (BurstProfile("$C000", 0xC003, None, 17, 4, 2),)


def test_recursion_and_dropped_return_addresses_are_followed(tmp_path: Path) -> None:
    # $C000: LDX #3, JSR $C010, JMP $C000; $C010: DEX, BEQ out, JSR $C010, out: RTS.
    code = bytearray(bytes.fromhex("A203 2010C0 4C00C0").ljust(16, b"\xea"))
    code += bytes.fromhex("CA F003 2010C0 60")
    report = profiled(tmp_path, code.hex(), 6_000)
    main, inner = (
        next(row for row in report.routines if row.address == at) for at in (0xC000, 0xC010)
    )
    assert main.name == "$C000"
    assert main.cycles_with_callees == report.cycles
    assert inner.cycles_with_callees == inner.cycles == report.cycles - main.cycles
    # PLA, PLA drop the address; the caller's caller goes on.
    code = bytearray(bytes.fromhex("2010C0 4C00C0").ljust(16, b"\xea"))
    code += bytes.fromhex("2020C0 60").ljust(16, b"\xea") + bytes.fromhex("68 68 60")
    report = profiled(tmp_path, code.hex(), 6_000)
    assert {(row.caller, row.callee) for row in report.calls} == {
        ("$C000", "$C010"),
        ("$C010", "$C020"),
    }


def test_routine_that_is_fallen_into_or_jumped_to_is_entered_not_called(tmp_path: Path) -> None:
    """It had no calls at all, and one in the file for callgrind."""
    # start: JSR draw, JSR flip, JMP start; draw: INX, falls into row: INX, RTS; flip: JMP row.
    code = bytearray(bytes.fromhex("2010C0 2020C0 4C00C0").ljust(16, b"\xea"))
    code += bytes.fromhex("E8").ljust(8, b"\xea") + bytes.fromhex("E8 60").ljust(8, b"\xea")
    code += bytes.fromhex("4C18C0")
    names = {0xC000: "start", 0xC010: "draw", 0xC018: "row", 0xC020: "flip"}
    listed = "".join(f"{name} = ${address:04X}\n" for address, name in names.items())
    (tmp_path / "code.lbl").write_text(listed)
    rounds = 50
    # 3 + 6 + 8 * 2 + 2 + 6 + 6 + 3 + 2 + 6 cycles a round, behind the reset.
    report = profiled(tmp_path, code.hex(), 7 + 50 * rounds)
    rows = {row.name: (row.calls, row.entries) for row in report.routines}
    assert rows["start"] == (0, 1)
    assert rows["draw"] == (rounds, 0)
    assert rows["flip"] == (rounds, 0)
    assert rows["row"] == (0, 2 * rounds)
    text = callgrind_of(report)
    assert f"cfn=row\ncalls={2 * rounds} 0\n" in text
    assert f"cfn=draw\ncalls={rounds} 0\n" in text
    table = [one for one in csv_of(report).splitlines() if one.startswith("routine,row,")]
    assert table[0].split(",")[6:8] == ["0", str(2 * rounds)]


def test_calls_before_the_passage_are_not_counted(tmp_path: Path) -> None:
    # JSR $C010, loop: JMP loop; $C010: INX, RTS.
    code = bytearray(bytes.fromhex("2010C0 4C03C0").ljust(16, b"\xea")) + bytes.fromhex("E8 60")
    (tmp_path / "rom.bin").write_bytes(rom_with(code.hex()))
    report = profile(DUNLIN, tmp_path / "rom.bin", first_cycle=1_000, stop_cycle=2_000)
    assert [(row.calls, row.entries) for row in report.routines] == [(0, 1)]


# Which code is a routine.


def names_of(routines: Routines, *addresses: int) -> list[str]:
    return [routines.name(routines.start_of(address)) for address in addresses]


def test_routine_goes_from_its_label_up_to_the_next() -> None:
    routines = Routines({0xC000: ("start",), 0xC010: ("draw", "draw_again"), 0xC100: ("never",)})
    found = names_of(routines, 0xC000, 0xC00F, 0xC010, 0xC0FF, 0xFFFF)
    assert found == ["start", "start", "draw", "draw", "never"]


def test_code_before_the_first_label_of_a_region_has_no_label() -> None:
    """7 % of the cycles of a program were once put down to a variable in the zero page."""
    labels = {0x10: ("pointer",), 0x8347: ("main",)}
    regions = (Memory("ram", 0, 0x7FFF), Memory("rom", 0x8000, 0x9FFF))
    found = names_of(Routines(labels, regions=regions), 0x90, 0x8000, 0x8346, 0x8347, 0xA000)
    empty = "$8000–$8346"
    assert found == ["pointer", empty, empty, "main", "$A000–$FFFF"]


def test_labels_within_a_routine_begin_none() -> None:
    labels = {0x0200: ("L0012", "_main"), 0x0210: ("L0034",), 0x0220: ("@loop",)}
    assert names_of(Routines(labels), 0x0230) == ["_main"]
    assert Routines.are_named_by(labels)
    assert not Routines.are_named_by({0x0210: ("L0034",), 0x0220: ("@loop",)})


def test_without_labels_what_is_called_is_a_routine() -> None:
    routines = Routines({}, entries=[0xC000, 0xC010])
    assert names_of(routines, 0xC00F, 0xC010) == ["$C000", "$C010"]


def test_advice_has_figures_of_the_core() -> None:
    report = profile("dunlin", "tides", stop_cycle=4_000_000)
    over = next(one for one in report.advice if one.kind == "replaced")
    row = next(one for one in report.routines if one.name == over.routine)
    assert over.frames_saved == row.stores_replaced
    assert f"{row.cycles / row.stores:.1f} cycles a store" in over.text
    fill = profile("dunlin", "fill", stop_cycle=400_000)
    slow = next(one for one in fill.advice if one.kind == "slow_stores")
    # The eight-fold loop of budget's table takes 5.625 cycles a byte and some to begin.
    assert (
        "clear_byte_by_byte: 11.0 cycles a store; eight STA abs,X in a loop take 5.6" in slow.text
    )


def test_waiting_programs_are_told_that_they_are_fast_enough(tmp_path: Path) -> None:
    # LDA #1, STA REFRESH, WAI, STA REFRESH_ACK, BRA: I is set, so WAI just goes on.
    report = profiled(tmp_path, "A901 8D08A4 CB 8D09A4 80FA", 2_000_000)
    assert report.waiting_cycles > 0.9 * report.cycles
    assert [one.kind for one in report.advice] == ["waits"]
    assert report.advice[0].text.startswith("the program waits in WAI for 100.0% of its")


def test_a_routine_that_waits_is_not_said_to_take_the_cycles(tmp_path: Path) -> None:
    """The verdict named the main loop, whose cycles were all in WAI."""
    # LDA #1, STA REFRESH; WAI, STA REFRESH_ACK, JSR $C010, BRA; $C010: LDX #0, STA $4000,X...
    code = "A901 8D08A4 CB 8D09A4 2010C0 80F7 0000 A200 9D0040 CA D0FA 60"
    report = profiled(tmp_path, code, 2_000_000)
    rows = {row.name: row for row in report.routines}
    main, draw = rows["$C000"], rows["$C010"]
    assert main.cycles > 0.9 * report.cycles
    assert (draw.waiting_cycles, main.waiting_cycles) == (0, report.waiting_cycles)
    verdict = profile_verdict(report)
    busy = report.cycles - report.waiting_cycles
    assert verdict.endswith(f", {draw.cycles / busy:.1%} of busy cycles in $C010")


def test_board_type_is_taken_as_well() -> None:
    assert isinstance(DUNLIN, Board)
    assert profile(DUNLIN, "tides", stop_cycle=10_000).board == "Dunlin"
