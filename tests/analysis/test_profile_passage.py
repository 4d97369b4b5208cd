"""A passage that is profiled from shortly before has the figures of the whole run's profile."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from busplay.analysis.profile.passage import can_begin_anywhere, profile_passage
from busplay.analysis.profile.profile import profile
from busplay.analysis.profile.report import ProfileReport
from busplay.cli.window_profile import PROFILED_CYCLES_MAX, profile_of_run
from busplay.history.program_history import ProgramHistory
from busplay.link.load import load_board
from busplay.run.inputs import RunInputs

DUNLIN = load_board("dunlin")


def figures(report: ProfileReport) -> object:
    """All figures but calls, which may have begun before."""
    rows = [
        replace(row, calls=0, cycles_with_callees=0, is_interrupt=False)
        for row in report.routines
        # The others are callers that ran nothing themselves.
        if row.cycles
    ]
    return (
        report.cycles,
        report.stores,
        report.stores_unchanged,
        report.stores_replaced,
        report.link_use_ratio,
        rows,
        report.refreshes,
        report.written_most,
        report.replaced_most,
    )


@pytest.mark.parametrize(
    ("program", "first", "stop"),
    [
        ("tides.bin", 1_000_000, 1_400_003),
        ("stars.bin", 700_001, 1_300_000),
        ("fill.bin", 333_333, 600_000),
        ("fill.bin", 7, 100_000),
        pytest.param("waves.bin", 2_000_000, 2_600_000, marks=pytest.mark.thorough),
        pytest.param("rule30.bin", 3_000_000, 3_500_000, marks=pytest.mark.thorough),
    ],
)
def test_passage_has_the_figures_of_the_whole_run(program: str, first: int, stop: int) -> None:
    travel = ProgramHistory(DUNLIN, program, end_cycle=4_000_000, spacing_cycles=100_000)
    travel.go_to(stop + 500_000)
    here = travel.cycle
    assert can_begin_anywhere(travel)
    passage = profile_passage(travel, first_cycle=first, stop_cycle=stop)
    assert travel.cycle == here
    assert figures(passage) == figures(profile(DUNLIN, program, first_cycle=first, stop_cycle=stop))
    assert sum(row.calls for row in passage.routines) > 0


def test_window_has_the_routines_of_a_late_passage(tmp_path: Path) -> None:
    """It had none behind the first 20 s of a recording at 8 MHz."""
    late = PROFILED_CYCLES_MAX + 5_000_000
    # LDX #0, STA $4000,X, INX, BNE, JSR $C010, BRA; $C010: INC $4100, RTS
    code = "A200 9D0040 E8 D0FA 2010C0 80F3 000000 EE0041 60"
    rom = bytes.fromhex(code).ljust(0x3FFC, b"\0") + bytes.fromhex("00C0 0000")
    (tmp_path / "rom.bin").write_bytes(rom)
    program = ProgramHistory(DUNLIN, tmp_path / "rom.bin", end_cycle=late, spacing_cycles=1 << 24)
    routines_of = profile_of_run(program, RunInputs)
    found = routines_of(late - 100_000, late)
    assert found is not None
    assert [row.name for row in found] == ["$C000", "$C010"]
    assert found[1].calls == pytest.approx(100_000 / 2_582, abs=2)
    assert routines_of(0, late) is None


def test_board_whose_windows_do_not_land_in_ram_is_profiled_from_its_beginning() -> None:
    windows = tuple(replace(one, lands_in_ram=False) for one in DUNLIN.windows)
    board = replace(DUNLIN, windows=windows)
    program = ProgramHistory(board, "fill.bin", end_cycle=1_000_000)
    assert not can_begin_anywhere(program)
    found = profile_of_run(program, RunInputs)(300_000, 500_000)
    assert found is not None
    whole = profile(board, "fill.bin", first_cycle=300_000, stop_cycle=500_000)
    assert [(row.name, row.stores_unchanged) for row in found] == [
        (row.name, row.stores_unchanged) for row in whole.routines
    ]
