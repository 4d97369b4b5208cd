"""What a window asks about a trace, held against going through all of its frames."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplay.chain.why import why
from busplay.cli.window_profile import profile_of_run
from busplay.description.faults import Faults
from busplay.errors import InputError
from busplay.history.breakpoints import AtAddress, MemoryIs, RegisterIs, WriteTo
from busplay.history.history import open_history
from busplay.history.places import Place
from busplay.history.program_history import ProgramHistory
from busplay.history.program_inspector import KnownProgram
from busplay.history.trace_inspector import TraceInspector
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board
from busplay.program.labels import read_labels
from busplay.run.inputs import RunInputs
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.trace.reader import TraceReader

TRACES = Path(__file__).parents[2] / "traces"
TIDES = TRACES / "tides.trace"
LABELS = read_labels(TRACES.parent / "roms" / "tides.lbl")


@pytest.fixture(scope="module")
def frames() -> tuple[list[int], list[int], dict[str, list[int]]]:
    with TraceReader(TIDES) as reader:
        layout = FrameLayout(reader.header.link)
        parts = list(reader.chunks())
        word = np.concatenate([part.word for part in parts])
        fields = {name: column.tolist() for name, column in layout.unpack(word).items()}
        edges = np.concatenate([part.edge for part in parts]).tolist()
        return edges, word.tolist(), fields


@pytest.fixture
def tides() -> TraceInspector:
    return inspector_of(Replay(TIDES))


def inspector_of(replay: Replay, program=None, profile_of=None, **options) -> TraceInspector:
    known = KnownProgram(LABELS, program, profile_of)
    return TraceInspector(replay, open_history(replay.reader), known, **options)


def test_frames_are_counted_and_found_by_edge_and_number(tides, frames) -> None:
    edges, _, _ = frames
    assert tides.frames == len(edges)
    for number in (0, 1, 777, len(edges) - 1):
        assert tides.frame_at(edges[number]) == number
        assert tides.frame_at(edges[number] + 1) == number + 1
        assert tides.rows(number, number + 1)[0].edge == edges[number]
    assert tides.frame_at(0) == 0
    assert tides.frame_at(tides.end_edge + 99) == len(edges)


def test_row_tells_where_a_frame_goes_and_its_bits_on_the_lanes(tides, frames) -> None:
    edges, words, fields = frames
    for row in tides.rows(500, 540):
        n = row.index
        assert row.edge == edges[n]
        assert int(row.bits, 2) == words[n]
        assert row.data == fields["data"][n]
        assert row.offset == fields["address"][n]
        assert row.unit == {0: "panel", 1: "sign"}[fields["unit"][n]]
        assert dict(row.fields)["address"] == f"{fields['address'][n]:04X}"
        layout = FrameLayout(tides.board.link)
        symbols = layout.to_symbols(np.array([words[n]], np.uint64)).tolist()
        assert [sum(lane[i] << k for k, lane in enumerate(row.lanes)) for i in range(8)] == symbols
    assert tides.rows(len(edges) + 5, len(edges) + 9) == []


def test_cycle_showing_a_frame_is_the_first_that_shows_it(tides) -> None:
    replay = tides._replay
    for number in (0, 1, 2, 999, 20_000):
        cycle = tides.cycle_showing(number)
        replay.seek(cycle)
        assert replay.pipeline.frames_carried == number + 1
        replay.seek(cycle - 1)
        assert replay.pipeline.frames_carried == number


@pytest.mark.parametrize(
    ("text", "column", "values"),
    [
        ("$4000", "address", range(1)),
        ("$6000-$60FF", "address", range(0x2000, 0x2100)),
        ("=11", "data", range(0x11, 0x12)),
    ],
)
def test_search_finds_the_nearest_on_each_side(tides, frames, text, column, values) -> None:
    _, _, fields = frames

    def hits(n: int) -> bool:
        to_panel = fields["unit"][n] == 0 and fields["space"][n] == 1
        return fields[column][n] in values and (column == "data" or to_panel)

    found = [n for n in range(len(fields["data"])) if hits(n)]
    for here in (0, 5_000, 20_000, len(fields["data"]) - 1):
        after = next((n for n in found if n > here), None)
        before = next((n for n in reversed(found) if n < here), None)
        assert tides.find(text, here, back=False) == after
        assert tides.find(text, here, back=True) == before


def test_search_for_what_is_nothing_says_what_can_be(tides) -> None:
    with pytest.raises(InputError) as caught:
        tides.find("nowhere", 0, back=False)
    assert str(caught.value) == (
        "search: found 'nowhere'; an address $4000 or $4000-$40FF (3:$4000 in a page of banked"
        " memory), a value =7F, or a label"
    )


def test_pixel_names_its_byte_and_the_last_and_next_writes(tides, frames) -> None:
    _, _, fields = frames
    replay = tides._replay
    replay.seek(700_000)
    shown = tides.shown_frames
    for x, y in ((0, 0), (100, 90), (255, 191)):
        facts = tides.pixel("panel", x, y)
        writes = [
            n
            for n in range(len(fields["data"]))
            if (fields["space"][n], fields["unit"][n], fields["address"][n]) == (1, 0, facts.offset)
        ]
        last = max((n for n in writes if n < shown), default=None)
        following = min((n for n in writes if n >= shown), default=None)
        assert tides.write_beside("panel", x, y, shown, back=True) == last
        assert tides.write_beside("panel", x, y, shown, back=False) == following
        assert facts.rgb == tuple(replay.displays["panel"].image()[y, x].tolist())
        assert facts.address == 0x4000 + facts.offset
        (byte,) = [cause for cause in facts.causes if cause.role == "byte"]
        assert byte.frame == last
        if last is not None:
            assert facts.value == fields["data"][last]


def test_sums_of_writes_are_those_of_every_frame(tides, frames) -> None:
    edges, _, fields = frames
    tides._replay.seek(700_000)
    first_edge = tides.edge_at(300_000)
    first, shown = tides.frame_at(first_edge), tides.shown_frames
    sums = tides.write_sums("panel", first_edge, unchanged=True)
    writes, unchanged = np.zeros(24_576, int), np.zeros(24_576, int)
    last = np.full(24_576, -1)
    memory = [0] * 24_576
    for n in range(shown):
        if fields["space"][n] == 1 and fields["unit"][n] == 0:
            offset = fields["address"][n]
            if n >= first:
                writes[offset] += 1
                unchanged[offset] += memory[offset] == fields["data"][n]
                last[offset] = edges[n]
            memory[offset] = fields["data"][n]
    assert (sums.writes == writes).all()
    assert (sums.unchanged == unchanged).all()
    assert unchanged.any()
    assert not tides.write_sums("panel", first_edge).unchanged.any()
    assert (sums.last_edge == last).all()
    assert not sums.lost.any()


def test_errors_have_cause_address_and_their_place_in_lists_and_sums() -> None:
    replay = Replay(TIDES, faults=Faults(ber=1e-4, seed=3))
    inspector = inspector_of(replay)
    assert inspector.errors() == []
    replay.run(800_000)
    errors = inspector.errors()
    lost = replay.pipeline.counters().accounts.frames.lost
    assert len(errors) == lost > 50
    assert [one.edge for one in errors] == sorted(one.edge for one in errors)
    number = inspector.frame_at(errors[10].edge)
    row = inspector.rows(number, number + 1)[0]
    assert (row.edge, row.fate) == (errors[10].edge, errors[10].cause)
    sums = inspector.sums(0, inspector.end_edge, 500)
    assert sum(column.sum() for column in sums.losses.values()) == lost
    # Those within the passage of the overlay, at the units' memory.
    total = sum(int(inspector.write_sums(unit, 0).lost.sum()) for unit in ("panel", "sign"))
    assert lost - 20 <= total <= lost


def test_program_is_at_the_present_position_and_steps_by_instructions() -> None:
    replay = Replay(TIDES)
    program = ProgramHistory.of_trace(replay.reader)
    inspector = inspector_of(replay, program=program)
    assert inspector.has_program
    replay.seek(400_000)
    straight = Session("dunlin", program="tides.bin")
    straight.run(400_000 - straight.cycle)
    for _ in range(5):
        facts = inspector.machine()
        assert facts is not None
        registers = dict(facts.registers)
        assert registers["PC"] == f"${straight.registers.pc:04X}"
        assert registers["A"] == f"${straight.registers.a:02X}"
        assert facts.code[facts.here].address == straight.registers.pc
        straight.run(1)
        assert inspector.instruction_beside(back=False) == straight.cycle
        replay.seek(straight.cycle)
    assert inspector.instruction_beside(back=True) < straight.cycle


def test_label_of_code_is_found_on_both_sides() -> None:
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    replay.seek(1_200_000)
    following = inspector.find_code("draw_sprite", back=False)
    last = inspector.find_code("draw_sprite", back=True)
    assert following is not None
    assert last is not None
    assert last < 1_200_000 < following
    address = next(address for address, names in LABELS.items() if "draw_sprite" in names)
    for cycle in (last, following):
        replay.seek(cycle)
        facts = inspector.machine()
        assert facts is not None
        assert dict(facts.registers)["PC"] == f"${address:04X}"
    assert inspector.find_code("nowhere", back=False) is None


@pytest.mark.parametrize(
    ("text", "stop_at"),
    [
        ("$C0CC", AtAddress({0xC0CC})),
        ("draw_sprite", AtAddress({at for at, names in LABELS.items() if "draw_sprite" in names})),
        ("store $A300-$A307", WriteTo(0xA300, 0xA307)),
        ("x=00", RegisterIs("x", 0)),
        ("$16 = $04", MemoryIs(0x16, 4)),
    ],
)
def test_run_to_a_typed_breakpoint_goes_where_the_programs_own_run_goes(text, stop_at) -> None:
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    own = ProgramHistory.of_trace(replay.reader)
    replay.seek(600_000)
    for back in (False, True):
        own.go_to(600_000)
        found = own.run_back_to(stop_at) if back else own.run_to(stop_at)
        assert inspector.run_to(text, back=back) == (own.cycle if found else None)


def test_run_from_within_an_instruction_stops_at_the_very_next_one() -> None:
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    own = ProgramHistory.of_trace(replay.reader)
    own.go_to(600_000)
    own.step()
    replay.seek(own.cycle - 1)
    text = f"${own.state.registers.pc:04X}"
    assert inspector.run_to(text, back=False) == own.cycle


def test_search_that_is_cancelled_stays_where_it_was() -> None:
    class EnoughError(Exception):
        pass

    def cancel(cycle: int) -> None:
        raise EnoughError

    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    replay.seek(600_000)
    before = inspector.machine()
    inspector.on_search = cancel
    with pytest.raises(EnoughError):
        inspector.run_to("$FFF0", back=False)
    assert inspector.machine() == before


def test_pixel_names_the_instruction_that_stored_its_byte() -> None:
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    replay.seek(700_000)
    session = Session("dunlin", program="tides.bin")
    session.run(1_000_000)
    for x, y in ((100, 90), (3, 100), (200, 20)):
        (byte,) = [c for c in inspector.pixel("panel", x, y, deep=True).causes if c.role == "byte"]
        assert byte.instruction is not None
        assert byte.cycle is not None
        # One of the cycles in which it can have been has a store, which this instruction made.
        counters = {}
        for cycle in range(byte.cycle, byte.cycle - 8, -1):
            try:
                counters = session.program_counters([cycle])
                break
            except ValueError:
                continue
        assert list(counters.values()) == [byte.instruction.address]
        assert byte.instruction.text.startswith(("sta", "stx", "sty", "stz"))
        assert byte.instruction.label
    # Registers are written one right after the other, and each has its own instruction.
    causes = inspector.pixel("panel", 3, 3, deep=True).causes
    made = {cause.role: cause.instruction for cause in causes}
    assert made["base"] is not None
    assert made["base"].text == "stz $A301"
    assert made["palette"] is not None
    assert made["palette"].text == "sta $A307"


def test_routine_s_writes_are_those_of_its_instructions() -> None:
    replay = Replay(TIDES)
    program = ProgramHistory.of_trace(replay.reader)
    profile_of = profile_of_run(program, RunInputs)
    inspector = inspector_of(replay, program=program, profile_of=profile_of)
    replay.seek(800_000)
    routines = inspector.routines(0, 800_000)
    assert routines is not None
    session = Session("dunlin", program="tides.bin")
    session.run(800_000 - session.cycle)
    assert sum(one.stores for one in routines) == session.pipeline.encoder.counters.stores_offered
    total = 0
    for routine in routines:
        for unit in ("panel", "sign"):
            sums = inspector.routine_sums(unit, routine, 0, 800_000)
            assert sums is not None
            total += int(sums.writes.sum())
    registers = sum(
        history.count_writes(Place(unit, "registers", 0, 8), 0, inspector.shown_frames)
        for history in (open_history(replay.reader),)
        for unit in ("panel", "sign")
    )
    assert total + registers == session.pipeline.encoder.counters.stores_offered
    assert inspector.routines(0, 10**12) is None


def test_other_recording_moves_along(tmp_path: Path) -> None:
    received = tmp_path / "received.trace"
    with Replay(TIDES, faults=Faults(ber=1e-4), record_received=received) as noisy:
        noisy.run(900_000)
    with Replay(TIDES) as replay, Replay(received) as other:
        inspector = inspector_of(replay, against=other)
        for cycle in (100_000, 300_000, 50_000, 880_000):
            replay.seek(cycle)
            beside = inspector.beside()
            assert beside is not None
            assert other.cycle == cycle
        expected = replay.displays["panel"].image()
        assert 0 < (beside["panel"].image() != expected).any(axis=2).sum() < 1000


def test_receiver_tells_its_state_and_counters(tides) -> None:
    tides._replay.run(200_000)
    facts = tides.receiver()
    assert facts.state == "sync"
    received = tides._replay.pipeline.receiver.counters.frames_received
    assert dict(facts.rows)["frames received"] == received


def test_sums_add_up_to_all_frames_at_any_zoom(tides, frames) -> None:
    edges, _, _ = frames
    for columns in (1, 7, 1000):
        assert tides.sums(0, tides.end_edge, columns).frames.sum() == len(edges)
    part = tides.sums(edges[100], edges[200], 20)
    assert part.frames.sum() == 100


def test_trace_of_no_frames_has_answers_too(tmp_path: Path) -> None:
    from busplay import TraceWriter
    from busplay.link.load import load_board

    path = tmp_path / "empty.trace"
    with TraceWriter(path, board=load_board("dunlin")):
        pass
    inspector = inspector_of(Replay(path))
    assert inspector.frames == 0
    assert inspector.rows(0, 10) == []
    assert inspector.find("$4000", 0, back=False) is None
    assert inspector.pixel("panel", 3, 3).causes[0].frame is None
    assert inspector.sums(0, inspector.end_edge + 16, 10).frames.sum() == 0
    assert not inspector.write_sums("panel", 0).writes.any()


def test_pinned_pixel_has_the_chain_that_why_prints() -> None:
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    replay.seek(replay.end_cycle)
    found = why(TIDES, unit="panel", pixel=(120, 40))
    facts = inspector.pixel("panel", 120, 40, deep=True)
    byte, row, store, frame = facts.causes[0], facts.frame, found.store, found.frame
    assert row is not None
    assert store is not None
    assert frame is not None
    assert (byte.cycle, byte.address) == (store.cycle, store.address)
    assert byte.instruction is not None
    assert byte.instruction.address == store.program_counter
    assert byte.instruction.label == store.label
    assert store.registers is not None
    assert byte.instruction.cycle == store.registers.cycle
    assert (row.index, row.edge, row.word) == (frame.number, frame.edge, frame.word)
    assert {name: int(value, 16) for name, value in row.fields} == frame.fields
    assert list(reversed(row.lanes)) == [lane.levels for lane in frame.lanes]


@pytest.mark.parametrize("playing", [False, True])
def test_frames_name_the_storing_instruction(
    monkeypatch: pytest.MonkeyPatch, playing: bool
) -> None:
    replay = Replay(TIDES)
    program = ProgramHistory.of_trace(replay.reader)
    inspector = inspector_of(replay, program=program)
    replay.seek(700_000)
    session = Session("dunlin", program="tides.bin")
    session.run(1_000_000)
    inspector.refresh(0, playing=playing)
    with monkeypatch.context() as patch:
        # As where the program would have to run from long ago: pictures do not wait for it.
        patch.setattr("busplay.history.program_inspector.NEAR_CYCLES", -1)
        names = {row.code_label for row in inspector.rows(500, 540)}
        assert (names == {""}) == playing
    rows = inspector.rows(500, 540)
    for row in rows:
        counters = []
        for cycle in range(row.cycle, row.cycle - 8, -1):
            try:
                counters += session.program_counters([cycle]).values()
            except ValueError:
                continue
        assert row.code_label in [program.symbols.routine_of(one) for one in counters]


def test_frames_are_listed_while_it_plays_from_the_very_beginning() -> None:
    """The window of a replay ended in an IndexError with its first picture."""
    replay = Replay(TIDES)
    inspector = inspector_of(replay, program=ProgramHistory.of_trace(replay.reader))
    replay.seek(0)
    inspector.refresh(0, playing=True)
    assert len(inspector.rows(0, 20)) == 20


@pytest.fixture(scope="module")
def overrun(tmp_path_factory) -> tuple[Path, list[int]]:
    """Return a trace of a board whose receiver is too slow, and the edges of its losses."""
    board = load_board("dunlin")
    slow = replace(board, receiver=replace(board.receiver, fifo_depth=6, service_ns=2200))
    path = tmp_path_factory.mktemp("overrun") / "overrun.trace"
    with Session(slow, program="tides.bin", record=path) as session:
        session.run(24_000_000)
    with Replay(path) as straight:
        inspector = inspector_of(straight)
        edges: set[int] = set()
        # In pieces: the latest are kept.
        while not straight.ended:
            edges.update(one.edge for one in inspector.errors())
            straight.run(1_000_000)
        edges.update(one.edge for one in inspector.errors())
        return path, sorted(edges)


@pytest.mark.thorough
def test_status_after_a_jump_counts_all_errors_so_far(overrun) -> None:
    """It counted those since the key frame before, so the same moment had several numbers."""
    path, _ = overrun
    with Replay(path) as straight, Replay(path) as jumping:
        straight.run(20_000_000)
        jumping.seek(20_000_000)
        assert jumping.status().errors == straight.status().errors > 0
        assert jumping.status().error_text == straight.status().error_text


@pytest.mark.thorough
def test_errors_are_found_from_anywhere_though_only_the_last_stretch_was_played(overrun) -> None:
    """Those before the key frame of the last jump were not found, nor any ahead."""
    path, edges = overrun
    assert len(edges) > 1000
    with Replay(path) as replay:
        inspector = inspector_of(replay)
        for at in (
            0,
            edges[0],
            edges[500],
            edges[500] + 1,
            edges[-2],
            edges[-1],
            inspector.end_edge,
        ):
            for cycle in (0, 23_000_000):
                replay.seek(cycle)
                before = [one for one in edges if one < at]
                after = [one for one in edges if one > at]
                assert inspector.error_beside(at, back=True) == (before[-1] if before else None)
                assert inspector.error_beside(at, back=False) == (after[0] if after else None)


@pytest.mark.thorough
def test_search_for_an_error_that_is_not_there_leaves_the_position(overrun) -> None:
    path, edges = overrun
    with Replay(path) as replay:
        inspector = inspector_of(replay)
        replay.seek(12_345_678)
        assert inspector.error_beside(edges[-1], back=False) is None
        assert replay.cycle == 12_345_678


def test_next_error_of_injected_faults_is_played_to() -> None:
    with Replay(TIDES, faults=Faults(ber=1e-5, seed=3)) as straight:
        own = inspector_of(straight)
        straight.run(straight.end_cycle)
        edges = [one.edge for one in own.errors()]
    with Replay(TIDES, faults=Faults(ber=1e-5, seed=3)) as replay:
        inspector = inspector_of(replay)
        assert inspector.error_beside(0, back=False) == edges[0]
        replay.seek(0)
        assert inspector.error_beside(edges[-1], back=False) is None
        assert replay.cycle == 0
