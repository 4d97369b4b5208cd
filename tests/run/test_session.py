from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import busplay
from busplay.demo.programs import find_demo
from busplay.errors import OutputError
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.trace.reader import TraceReader

DUNLIN = busplay.load_board("dunlin")
TIDES = find_demo("tides").image_path
KEYS = find_demo("keys").image_path


def test_pieces_of_a_run_change_nothing(tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole.trace", tmp_path / "cut.trace"
    with Session(DUNLIN, program=TIDES, record=whole) as session:
        session.run(cycles=300_000)
        end = session.cycle
    with Session(DUNLIN, program=TIDES, record=cut) as pieces:
        random = np.random.default_rng(4)
        while pieces.cycle < end:
            pieces.run(cycles=min(int(random.integers(1, 20_000)), end - pieces.cycle))
    assert pieces.cycle == end
    assert np.array_equal(session.display("panel").image(), pieces.display("panel").image())
    assert whole.read_bytes() == cut.read_bytes()


def test_every_store_has_arrived_when_run_returns() -> None:
    session = Session(DUNLIN, program=TIDES)
    for _ in range(20):
        session.run(cycles=1_003)
        counters = session.counters()
        assert counters.receiver.frames_received + counters.frames_overrun == counters.stores
    # The window lands in RAM on this board, so memory and display memory are the same bytes.
    assert np.array_equal(session.core.memory[0x4000:0xA000], session.display("panel").memory)


def test_replay_shows_every_cycle_as_the_run_did(tmp_path: Path) -> None:
    trace = tmp_path / "t.trace"
    moments: dict[int, bytes] = {}
    with Session(DUNLIN, program=TIDES, record=trace) as session:
        for _ in range(8):
            session.run(cycles=100_000)
            moments[session.cycle] = session.display("panel").image().tobytes()
    with Replay(trace) as replay:
        end = replay.end_cycle
        assert end == session.cycle
        forward = {}
        for cycle in moments:
            replay.run(cycle - replay.cycle)
            forward[cycle] = replay.display("panel").image().tobytes()
        assert replay.ended
        # Only frames waiting in the FIFO could make a difference;
        # this program leaves none waiting.
        assert forward == moments
        for cycle in reversed(list(moments)):
            replay.seek(cycle)
            assert replay.cycle == cycle
            assert replay.display("panel").image().tobytes() == moments[cycle]
        replay.reset()
        assert replay.cycle == 0
        assert not replay.display("panel").memory.any()
        replay.run(end)
        assert replay.display("panel").image().tobytes() == moments[end]
        assert replay.status().frames == replay.reader.frames


def test_keys_reach_the_program_and_the_trace(tmp_path: Path) -> None:
    trace = tmp_path / "k.trace"
    with Session(DUNLIN, program=KEYS, record=trace) as session:
        session.run(cycles=200_000)
        before = session.display("panel").image()
        session.press(ord("A"))
        pressed_cycle = session.cycle
        session.run(cycles=200_000)
        assert not np.array_equal(before, session.display("panel").image())
    with busplay.TraceReader(trace) as reader:
        assert [(p.cycle, p.code) for p in reader.key_presses()] == [(pressed_cycle, 65)]


# Prints each key as soon as the processor can see it, with the low byte of the cycle counter.
ECHO = bytes.fromhex("AD00A4 10FB AD01A4 8D02A4 AD04A4 8D02A4 4C00C0")


def test_key_can_be_pressed_while_a_later_one_is_still_to_come(tmp_path: Path) -> None:
    """It ended in a ValueError, in the window too."""
    (tmp_path / "echo.bin").write_bytes(ECHO)
    trace = tmp_path / "echo.trace"
    ahead = [(40_000, 65), (90_000, 66)]
    with Session(
        "dunlin", program=tmp_path / "echo.bin", key_presses=ahead, record=trace
    ) as session:
        session.run(60_000)
        assert session.key_presses == ((40_000, 65),)
        session.press(67)
        pressed_cycle = session.cycle
        session.run(60_000)
        printed = session.take_console()
    assert printed[::2] == b"ACB"
    with TraceReader(trace) as reader:
        pressed = [(one.cycle, one.code) for one in reader.key_presses()]
    assert pressed == [(40_000, 65), (pressed_cycle, 67), (90_000, 66)]
    # Where a run is cut changes nothing, just before and after a key neither.
    for cuts in (range(39_980, 40_020), range(89_990, 90_010, 3), ()):
        again = Session("dunlin", program=tmp_path / "echo.bin", key_presses=pressed)
        for cycle in [*cuts, 120_000]:
            again.run(max(0, cycle - again.cycle))
        assert again.take_console() == printed


@pytest.mark.parametrize(
    ("presses", "message"),
    [
        ([(5, 0)], "code is 0; a key code is 1 to 255"),
        ([(5, 65), (4, 65)], "cycle is 4, before the last key's 5"),
    ],
    ids=["code", "order"],
)
def test_keys_that_cannot_be_are_refused_before_anything_runs(
    presses: list[tuple[int, int]], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Session("dunlin", program="keys", key_presses=presses)


def test_program_counters_are_found_only_for_cycles_of_stores() -> None:
    """A cycle without a store was given the address of some instruction near it."""
    session = Session(DUNLIN, program=TIDES, core="reference")
    stores = []
    take_stores = session.core.take_stores

    def keep_stores() -> busplay.StoreBatch:
        stores.append(take_stores())
        return stores[-1]

    session.core.take_stores = keep_stores  # type: ignore[method-assign]
    session.run(cycles=60_000)
    cycles = stores[0].cycle.tolist()
    found = session.program_counters(cycles)
    assert set(found) == set(cycles)
    assert all(address >= 0xC000 for address in found.values())
    between = next(cycle for cycle in range(cycles[0], cycles[-1]) if cycle not in found)
    with pytest.raises(ValueError, match=f"^cycle {between:,}: nothing was stored into a window"):
        session.program_counters([*cycles, between])
    end = session.cycle
    message = f"^cycle {end:,}: the run has only reached cycle {end:,}$"
    with pytest.raises(ValueError, match=message):
        session.program_counters([cycles[0], end])


def test_reset_starts_the_program_again_and_time_goes_on() -> None:
    session = Session(DUNLIN, program=TIDES)
    session.run(cycles=100_000)
    session.reset()
    cycle = session.cycle
    assert cycle > 100_000
    assert session.core.pc == int.from_bytes(session.core.memory[0xFFFC:0xFFFE], "little")
    session.run(cycles=100_000)
    assert session.counters().errors == 0


def test_program_without_a_reset_vector_starts_at_its_first_byte(tmp_path: Path) -> None:
    program = tmp_path / "ram.bin"
    program.write_bytes(bytes([0xA9, 0x77, 0x8D, 0x00, 0x40, 0x80, 0xFE]))
    session = Session(DUNLIN, program=program, load_address=0x0300)
    session.run(cycles=100)
    assert session.display("panel").memory[0] == 0x77


def test_program_outside_memory_is_refused(tmp_path: Path) -> None:
    program = tmp_path / "lost.bin"
    program.write_bytes(b"\xea" * 16)
    with pytest.raises(busplay.InputError) as caught:
        Session(DUNLIN, program=program, load_address=0xB000)
    assert str(caught.value) == (
        f"{program}: found bytes for $B000-$B00F; board Dunlin has RAM $0000-$A1FF, "
        "ROM $C000-$FFFF and its host port at $A400-$A40F"
    )


def test_full_sender_fifo_loses_stores_and_reports_it(tmp_path: Path) -> None:
    """A store every 4 cycles, and the strobed link takes 5 for a frame.

    Backlog grows by one frame in 20 cycles; of 200 stores the FIFO of 16 cannot keep all.
    """
    program = tmp_path / "burst.bin"
    code = bytes([0x8D, 0x00, 0x40]) * 200 + bytes([0x80, 0xFE])
    program.write_bytes(code.ljust(0x3FFC, b"\xea") + b"\x00\xc0\x00\xc0")
    board = replace(DUNLIN, link=busplay.load_link("strobed"))
    session = Session(board, program=program)
    session.run(cycles=2_000)
    counters = session.counters()
    assert counters.stores == 200
    # 800 cycles of stores carry 160 frames, and 16 more wait in the FIFO.
    assert counters.frames_sent == pytest.approx(176, abs=2)
    assert counters.frames_sent + counters.frames_overrun == 200
    assert counters.receiver.frames_received == counters.frames_sent
    assert "lost at the full sender FIFO" in session.status().error_text


def test_public_names_all_load() -> None:
    assert set(busplay.__all__) == {*busplay._HOME, "__version__"}
    for name in busplay.__all__:
        assert getattr(busplay, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = busplay.nothing


def test_recording_never_replaces_what_is_read(tmp_path: Path) -> None:
    program = tmp_path / "tides.bin"
    program.write_bytes(TIDES.read_bytes())
    (tmp_path / "link").symlink_to(program)
    for option in ("record", "record_received"):
        with pytest.raises(OutputError, match="an input file; give another file"):
            Session(DUNLIN, program=program, **{option: tmp_path / "link"})  # type: ignore[arg-type]
    assert program.read_bytes() == TIDES.read_bytes()
    trace = tmp_path / "a.trace"
    with Session(DUNLIN, program=program, record=trace) as session:
        session.run(cycles=10_000)
    with pytest.raises(OutputError, match="an input file; give another file"):
        Replay(trace, record_received=trace)


def test_failed_session_leaves_an_existing_trace(tmp_path: Path) -> None:
    trace = tmp_path / "a.trace"
    trace.write_bytes(b"old")

    def fail() -> None:
        with Session(DUNLIN, program=TIDES, record=trace) as session:
            session.run(cycles=100_000)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert trace.read_bytes() == b"old"
    with TraceReader(tmp_path / "a.trace.part") as reader:
        assert reader.complete


def test_session_that_fails_before_it_runs_leaves_no_trace(tmp_path: Path) -> None:
    trace, old = tmp_path / "a.trace", tmp_path / "b.trace"
    old.write_bytes(b"old")

    def fail() -> None:
        with Session(DUNLIN, program=TIDES, record=trace, record_received=old):
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert [path.name for path in tmp_path.iterdir()] == ["b.trace"]
    assert old.read_bytes() == b"old"
