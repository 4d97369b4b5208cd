"""Stores and instructions in banked memory are named with their page, everywhere."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

import busplay
from busplay.analysis.profile.exports import callgrind_of, csv_of
from busplay.chain.text import chain_text
from busplay.cli.profile_text import profile_text
from busplay.core.interface import full_address_of
from busplay.description.faults import Faults
from busplay.description.full_address import full_address
from busplay.errors import InputError, NotReachedError
from busplay.history.frame_rows import FrameRows
from busplay.link.load import load_board
from busplay.losses.lost_stores import LossNames
from busplay.program.labels import parse_labels
from busplay.program.pages import FullAddresses
from busplay.program.places import PlaceNames
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.testing.machine import MachineUnderTest
from busplay.testing.pictures import ExpectedPictures
from busplay.trace.reader import TraceReader
from tests.history.test_banked_searches import program_of
from tests.road import banked

KINDS = ["compiled", pytest.param("reference", marks=pytest.mark.thorough)]
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


def recorded(folder: Path, kind: str = "compiled", **options: object) -> Path:
    """Record the program's run; return the trace, which has no program beside it."""
    trace = folder / "traces" / "run.trace"
    trace.parent.mkdir()
    with Session(
        folder / "board.toml",
        program=folder / "program.bin",
        core=kind,
        record=trace,
        **options,  # type: ignore[arg-type]
    ) as session:
        session.run(cycles=CYCLES)
    return trace


@pytest.mark.parametrize("kind", KINDS)
def test_a_trace_names_the_pages_of_stores_without_a_rerun_and_a_rerun_names_the_same(
    folder: Path, kind: str
) -> None:
    trace = recorded(folder, kind)
    for offset, pages in ((0x10, [2, 0]), (0x11, [1, 1]), (0x12, [3]), (0x20, [1, 2, 3, 1, 0])):
        pixel = (2 * offset, 0)
        known = busplay.why(trace, pixel=pixel, history=9)
        assert [one.page for one in known.history] == pages
        assert {one.program_counter for one in known.history} == {None}
        again = busplay.why(trace, pixel=pixel, history=9, program=folder / "program.bin")
        assert [one.page for one in again.history] == pages
        assert None not in {one.program_counter for one in again.history}


def test_changes_of_pages_that_no_store_follows_are_not_recorded(folder: Path) -> None:
    # Forty changes, and a store into page 0, over and over.
    (folder / "program.bin").write_bytes(program_of([("gap", 0)] * 20 + [("store", 1)]))
    with TraceReader(recorded(folder)) as reader:
        changes = reader.shown_pages.all()
        assert reader.frames == 1
    assert (changes.bank.tolist(), changes.page.tolist()) == ([0], [0])


def test_windows_of_one_page_are_named_with_it(folder: Path) -> None:
    board = (folder / "board.toml").read_text(encoding="utf-8")
    first, rest = board.split("[units.panel]")
    window = "[[windows]]" + first.split("[[windows]]")[1]
    other = window.replace('"screen"', '"other"') + "page = 3\nfirst_offset = 2048\n"
    text = first.replace(window, f"{window}page = 1\n{other}") + "[units.panel]" + rest
    text = text.replace("last_address = 0x4FFF", "last_address = 0x47FF")
    (folder / "board.toml").write_text(text, encoding="utf-8")
    sent = [one for one in STORES if one[0] in (1, 3)]
    with TraceReader(recorded(folder)) as reader:
        rows = FrameRows(reader, {}).rows(0, 9)
        assert [one.address for one in rows] == [full_address(one[1], one[0]) for one in sent]
    # Without the pages of the recording, as in a capture, the window tells them.
    places = PlaceNames(load_board(folder / "board.toml"))
    assert places.address_of_frame(0, 1, 16, edge=0) == full_address(0x4010, 1)
    assert places.address_of_frame(0, 1, 2048 + 16, edge=0) == full_address(0x4010, 3)
    with Replay(folder / "traces" / "run.trace", faults=ALL_LOST) as replay:
        replay.run(CYCLES)
        full = FullAddresses(replay.board.banks, replay.reader.shown_pages)
        names = LossNames(replay.pipeline, by_edge=full)
        lost = list(names.describe(replay.pipeline.losses))
    assert [(one.page, one.address) for one in lost] == [one[:2] for one in sent]


def test_the_window_s_frames_are_named_and_found_with_their_pages(folder: Path) -> None:
    trace = recorded(folder)
    labels = parse_labels(
        banked.LABELS.encode(), file="it", banks=load_board(folder / "board.toml").banks
    )
    with TraceReader(trace) as reader:
        rows = FrameRows(reader, labels)
        found = rows.rows(0, len(STORES))
        assert [(one.address, one.address_label) for one in found] == [
            (full_address(address, page), label) for page, address, label, _, _ in STORES
        ]
        # Forwards from each one that is found.
        for text, frames in {
            "$4020": [1, 3, 5, 7, 9],
            "1:$4020": [3, 9],
            "1:$4000-$4FFF": [2, 3, 8, 9],
            "3:$4010-$4012": [4],
        }.items():
            at, hits = -1, []
            while (at := rows.find(text, at, back=False)) is not None:  # type: ignore[assignment]
                hits.append(at)
            assert hits == frames, text
        with pytest.raises(InputError) as told:
            rows.find("4:$4000", -1, back=False)
        assert str(told.value) == "found 4:$4000; bank 'screens' has 4 pages, 0 to 3"


@pytest.mark.thorough
def test_comparisons_name_pages_and_differ_in_no_frame_for_them(folder: Path) -> None:
    trace = recorded(folder)
    # The same stores, from other pages: the frames are the same.
    other = banked.program(tuple(value ^ 2 for value in banked.LATCHED))
    (folder / "program.bin").write_bytes(other)
    with Session(
        folder / "board.toml", program=folder / "program.bin", record=folder / "other.trace"
    ) as session:
        session.run(cycles=CYCLES)
    assert busplay.compare(trace, folder / "other.trace").equal
    # A changed one has its page, and that of the other one where that says more.
    changed = banked.program((0x00, 0x21, 0x23, 0x02, 0x11))
    (folder / "program.bin").write_bytes(changed)
    with Session(
        folder / "board.toml", program=folder / "program.bin", record=folder / "changed.trace"
    ) as session:
        session.run(cycles=CYCLES)
    found = busplay.compare(trace, folder / "changed.trace", labels=folder / "program.lbl")
    sightings = [one.expected or one.actual for one in found.differences]
    assert sightings[0] is not None
    assert (sightings[0].page, sightings[0].address, sightings[0].label) == (1, 0x4011, "second+17")


@pytest.mark.parametrize("kind", KINDS)
def test_a_run_goes_to_a_page_s_instruction(folder: Path, kind: str) -> None:
    def started() -> Session:
        return Session(folder / "board.toml", program=folder / "program.bin", core=kind)

    session = started()
    session.run_until(label="mark")
    assert (session.core.pc, full_address_of(session.core, 0x8000)) == (
        0x8000,
        full_address(0x8000, 2),
    )
    by_address = started()
    by_address.run_until(address=full_address(0x8000, 2))
    assert by_address.cycle == session.cycle
    anywhere = started()
    anywhere.run_until(address=0x8000)
    assert anywhere.cycle < session.cycle
    with pytest.raises(NotReachedError) as told:
        anywhere.run_until(address=full_address(0x8001, 2), within_cycles=300)
    assert str(told.value).startswith("address 2:$8001 was not reached in 3")
    with pytest.raises(InputError) as refused:
        anywhere.run_until(address=full_address(0x8000, 3))
    assert str(refused.value) == "found 3:$8000; bank 'library' has 3 pages, 0 to 2"


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


def test_a_routine_s_cycles_are_asserted_in_its_page(folder: Path) -> None:
    """A label with a page was no routine's."""

    def run() -> MachineUnderTest:
        pictures = ExpectedPictures("it", folder, folder, False, None, lambda _: None, {})
        machine = MachineUnderTest(
            folder / "board.toml", program=folder / "program.bin", pictures=pictures
        )
        machine.run(CYCLES)
        return machine

    machine = run()
    machine.assert_routine_cycles("clear", at_most=14)
    with pytest.raises(AssertionError, match="clear"):
        machine.assert_routine_cycles("clear", at_most=13)
    (folder / "program.lbl").write_text("far = 2:$8000\nnear = $C000\n", encoding="utf-8")
    run().assert_routine_cycles("far", at_most=16)
    # The label of every page: five calls take 68 cycles.
    (folder / "program.lbl").write_text("far = $8000\nnear = $C000\n", encoding="utf-8")
    run().assert_routine_cycles("far", at_most=13.6)


def test_a_label_with_a_page_that_the_bank_has_not_is_refused(folder: Path) -> None:
    (folder / "program.lbl").write_text("start = $C000\nfar = 3:$8000\n", encoding="utf-8")
    with pytest.raises(InputError) as told:
        busplay.profile(folder / "board.toml", folder / "program.bin", stop_cycle=CYCLES)
    assert str(told.value) == (
        f"{folder / 'program.lbl'}: line 2: found 3:$8000; bank 'library' has 3 pages, 0 to 2"
    )
