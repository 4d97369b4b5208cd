"""Stores and instructions in banked memory are named with their page, everywhere."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

import busplay
from busplay.analysis.profile.exports import callgrind_of, csv_of
from busplay.chain.text import chain_text
from busplay.cli.profile_text import profile_text
from busplay.description.faults import Faults
from busplay.errors import InputError
from busplay.losses.lost_stores import LossNames
from busplay.run.session import Session
from tests.road import banked

KINDS = ["compiled", "reference"]
CYCLES = 400
ALL_LOST = Faults(ber=0.4)
# Each store of the program: page and address, its label, page and label of the instruction.
STORES = [
    (0, 0x4010, "screen+16", 0, "draw+2"),
    (0, 0x4020, "screen+32", None, "start+8"),
    (1, 0x4011, "second+17", 1, "clear+2"),
    (1, 0x4020, "second+32", None, "start+19"),
    (3, 0x4012, "screen+18", 2, "mark+2"),
    (3, 0x4020, "screen+32", None, "start+30"),
    (2, 0x4010, "screen+16", 0, "draw+2"),
    (2, 0x4020, "screen+32", None, "start+41"),
    (1, 0x4011, "second+17", 1, "clear+2"),
    (1, 0x4020, "second+32", None, "start+52"),
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    banked.write_files(tmp_path)
    return tmp_path


@pytest.mark.parametrize("kind", KINDS)
def test_lost_stores_are_named_with_their_pages(tmp_path: Path, kind: str) -> None:
    banked.write_files(tmp_path)
    with Session(
        tmp_path / "board.toml", program=tmp_path / "program.bin", core=kind, faults=ALL_LOST
    ) as session:
        session.run(cycles=CYCLES)
    finder = session.store_pc_finder()
    names = LossNames(
        session.pipeline,
        labels=session.labels,
        find_counters=finder.find,
        by_cycle=finder.full_addresses,
    )
    found = list(names.describe(session.pipeline.losses))
    assert [
        (one.page, one.address, one.address_label, one.pc_page, one.label) for one in found
    ] == STORES
    # Without a rerun the session knows the stores' pages.
    known = LossNames(
        session.pipeline, labels=session.labels, by_cycle=session.store_pages.full_addresses
    )
    found = list(known.describe(session.pipeline.losses))
    assert [(one.page, one.address, one.address_label) for one in found] == [
        one[:3] for one in STORES
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_why_names_store_and_instruction_with_their_pages(folder: Path, kind: str) -> None:
    with Session(
        folder / "board.toml",
        program=folder / "program.bin",
        core=kind,
        record=folder / "run.trace",
    ) as session:
        session.run(cycles=CYCLES)
    found = busplay.why(folder / "run.trace", pixel=(2 * 18, 0))
    assert found.store is not None
    assert (found.store.page, found.store.address) == (3, 0x4012)
    assert (found.store.address_label, found.store.label) == ("screen+18", "mark+2")
    assert (found.store.program_counter_page, found.store.program_counter) == (2, 0x8002)
    text = chain_text(busplay.why(folder / "run.trace", pixel=(2 * 17, 0), history=2))
    assert "$11 to 1:$4011 (second+17), cycle " in text
    assert "1:$8002 clear+2" in text
    # The last of five stores there, each from another page.
    last = busplay.why(folder / "run.trace", pixel=(2 * 32, 0), history=5)
    assert [one.page for one in last.history] == [1, 2, 3, 1, 0]


@pytest.mark.parametrize("kind", KINDS)
def test_profiles_keep_pages_apart(folder: Path, kind: str) -> None:
    report = busplay.profile(
        folder / "board.toml", folder / "program.bin", stop_cycle=CYCLES, core=kind
    )
    rows = {row.name: row for row in report.routines}
    # LDA, STA and RTS take 12 cycles, each NOP two; the calls are the caller's.
    assert {
        name: (row.page, row.address, row.calls, row.cycles, row.stores)
        for name, row in rows.items()
        if name != "start"
    } == {
        "draw": (0, 0x8000, 2, 2 * 12, 2),
        "clear": (1, 0x8000, 2, 2 * 14, 2),
        "mark": (2, 0x8000, 1, 16, 1),
    }
    assert (rows["start"].page, rows["start"].stores) == (None, 5)
    assert rows["start"].cycles_with_callees == report.cycles
    calls = {(one.caller, one.callee): (one.calls, one.callee_page) for one in report.calls}
    assert calls == {
        ("start", "draw"): (2, 0),
        ("start", "clear"): (2, 1),
        ("start", "mark"): (1, 2),
    }
    written = {(one.page, one.address): (one.stores, one.label) for one in report.written_most}
    assert written == {
        (page, address): (sum(one[:2] == (page, address) for one in STORES), label)
        for page, address, label, _, _ in STORES
    }
    # What a display shows does not depend on the page: $4010 and $4011 get the same byte again.
    assert sum(one.stores_unchanged for one in report.written_most) == report.stores_unchanged == 2
    assert "1:$4011 second+17" in "\n".join(profile_text(report, full=True))
    functions = [line for line in callgrind_of(report).splitlines() if line.startswith("fn=")]
    assert functions == ["fn=start", "fn=draw", "fn=clear", "fn=mark"]
    table = list(csv.DictReader(csv_of(report).splitlines()))
    assert {(row["name"], row["page"]) for row in table if row["kind"] == "routine"} == {
        ("start", ""), ("draw", "0"), ("clear", "1"), ("mark", "2"),
    }  # fmt: skip


def test_one_label_of_all_pages_names_a_routine_in_each(folder: Path) -> None:
    (folder / "program.lbl").write_text("al 00C000 .start\nal 008000 .entry\n", encoding="utf-8")
    report = busplay.profile(folder / "board.toml", folder / "program.bin", stop_cycle=CYCLES)
    assert {(row.name, row.cycles) for row in report.routines if row.name != "start"} == {
        ("0:entry", 24), ("1:entry", 28), ("2:entry", 16),
    }  # fmt: skip


def test_routines_without_labels_are_named_by_page_and_address(folder: Path) -> None:
    (folder / "program.lbl").unlink()
    report = busplay.profile(folder / "board.toml", folder / "program.bin", stop_cycle=CYCLES)
    assert {row.name for row in report.routines} == {"$C000", "0:$8000", "1:$8000", "2:$8000"}


def test_a_label_with_a_page_that_the_bank_has_not_is_refused(folder: Path) -> None:
    (folder / "program.lbl").write_text("start = $C000\nfar = 3:$8000\n", encoding="utf-8")
    with pytest.raises(InputError) as told:
        busplay.profile(folder / "board.toml", folder / "program.bin", stop_cycle=CYCLES)
    assert str(told.value) == (
        f"{folder / 'program.lbl'}: line 2: found 3:$8000; bank 'library' has 3 pages, 0 to 2"
    )
