"""`why` against what is known beforehand: stores stepped one by one, frames, captures."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

import busplay
from busplay.chain.report import PixelReport, StoreFound
from busplay.core.interface import Registers
from busplay.demo.programs import shipped_file
from busplay.description.write_link import link_toml
from busplay.errors import InputError
from busplay.link.load import load_board
from tests.cli.command import run_busplay
from tests.naive.layout import frame_bits, symbols_of_bits

CYCLES = 130_000
PIXEL = ("--unit", "panel", "--pixel", "120,40")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short recording of tides, its program beside it."""
    folder = tmp_path_factory.mktemp("why")
    for name in ("tides.bin", "tides.lbl"):
        shutil.copy(shipped_file("roms", name), folder)
    with busplay.Session(
        "dunlin", program=folder / "tides.bin", record=folder / "tides.trace"
    ) as session:
        session.run(cycles=CYCLES)
    return folder / "tides.trace"


@pytest.fixture(scope="module")
def stepped() -> dict[int, list[tuple[int, int, Registers]]]:
    """All stores by address: cycle, data, and registers before their instructions."""
    session = busplay.Session("dunlin", program="tides.bin")
    stores: dict[int, list[tuple[int, int, Registers]]] = {}
    while session.cycle < CYCLES:
        registers = session.registers
        session.core.step()
        made = session.core.take_stores()
        for cycle, address, data in zip(
            made.cycle.tolist(), made.address.tolist(), made.data.tolist(), strict=True
        ):
            stores.setdefault(address, []).append((cycle, data, registers))
    return stores


PIXELS = [(0, 0), (64, 3), (120, 40), (121, 40), (255, 191), (17, 60)]


@pytest.mark.parametrize(("x", "y"), PIXELS)
def test_store_is_the_one_that_stepping_the_program_finds(
    recorded: Path, stepped: dict[int, list[tuple[int, int, Registers]]], x: int, y: int
) -> None:
    found = busplay.why(recorded, unit="panel", pixel=(x, y), history=3)
    address = 0x4000 + y * 128 + x // 2
    stores = stepped.get(address, [])
    assert found.byte.writes == len(stores)
    assert found.program == recorded.with_name("tides.bin")
    if not stores:
        assert (found.store, found.frame, found.byte.value) == (None, None, 0)
        return
    cycle, data, registers = stores[-1]
    store = found.store
    assert store is not None
    assert (store.cycle, store.cycle_is_exact, store.address) == (cycle, True, address)
    assert (store.data, store.registers, store.program_counter) == (data, registers, registers.pc)
    assert [one.cycle for one in found.history] == [one[0] for one in stores[-1:-4:-1]]
    assert found.byte.value == data
    assert found.colour.index == (data >> (4 if x % 2 == 0 else 0)) & 15


def test_palette_entry_is_named_with_its_three_stores(
    recorded: Path, stepped: dict[int, list[tuple[int, int, Registers]]]
) -> None:
    found = busplay.why(recorded, unit="panel", pixel=(120, 40))
    palette, colour = found.palette, found.colour
    assert palette.store is not None
    assert palette.red_store is not None
    assert palette.green_store is not None
    stores = (palette.red_store, palette.green_store, palette.store)
    assert tuple(one.data for one in stores) == (colour.red, colour.green, colour.blue)
    # The program sets PALETTE_INDEX once, so the entry's number counts its stores to BLUE.
    ((_, first, _),) = stepped[0xA304]
    blue = stepped[0xA307][(palette.index - first) % 16]
    assert palette.store.cycle == blue[0]


def test_frame_is_spelled_as_it_goes_over_the_wires(recorded: Path) -> None:
    frame = busplay.why(recorded, unit="panel", pixel=(120, 40)).frame
    assert frame is not None
    link = busplay.load_link("guarded")
    bits = frame_bits(link, {**frame.fields})
    symbols = symbols_of_bits(link, bits)
    assert frame.word == f"{int(''.join(map(str, bits)), 2):010X}"
    assert [lane.wire for lane in frame.lanes] == ["lane4", "lane3", "lane2", "lane1", "lane0"]
    for number, lane in zip((4, 3, 2, 1, 0), frame.lanes, strict=True):
        assert list(lane.levels) == [symbol >> number & 1 for symbol in symbols]
        for level, name in zip(lane.levels, lane.bits, strict=True):
            field, bit = name.split(".")
            assert frame.fields[field] >> int(bit) & 1 == level


def test_moment_before_a_write_shows_what_was_there(
    recorded: Path, stepped: dict[int, list[tuple[int, int, Registers]]]
) -> None:
    cycle = stepped[0x4000 + 40 * 128 + 60][-1][0]
    at_ps = cycle * 125_000
    found = busplay.why(recorded, unit="panel", pixel=(120, 40), at_ps=at_ps - 10_000_000)
    assert found.store is None
    assert found.byte.writes == 0
    after = busplay.why(recorded, unit="panel", pixel=(120, 40), at_ps=at_ps + 10_000_000)
    assert after.store is not None
    assert after.store.cycle == cycle


def test_program_that_is_not_there_leaves_the_instruction_out(
    recorded: Path, tmp_path: Path
) -> None:
    header = busplay.TraceReader(recorded).header
    other = replace(header, program_sha256="00" * 32)
    with (
        busplay.TraceReader(recorded) as reader,
        busplay.TraceWriter(tmp_path / "a.trace", header=other) as writer,
    ):
        for frames in reader.chunks():
            writer.write(frames, stop_edge=int(frames.edge[-1]) + 1)
    found = busplay.why(tmp_path / "a.trace", unit="panel", pixel=(120, 40))
    assert found.store is not None
    assert (found.store.cycle_is_exact, found.store.program_counter) == (False, None)
    exact = busplay.why(recorded, unit="panel", pixel=(120, 40)).store
    assert exact is not None
    assert exact.cycle is not None
    assert found.store.cycle is not None
    assert exact.cycle <= found.store.cycle <= exact.cycle + 4
    assert found.notes[0].startswith("the instructions are not known")


# -- losses


def sent_and_received(
    folder: Path, faults: busplay.Faults | None = None, **board: object
) -> tuple[Path, Path, busplay.Session]:
    described = replace(load_board("dunlin"), **board)  # type: ignore[arg-type]
    session = busplay.Session(
        described,
        program="tides.bin",
        faults=faults,
        record=folder / "sent.trace",
        record_received=folder / "received.trace",
    )
    with session:
        session.run(cycles=400_000)
    return folder / "sent.trace", folder / "received.trace", session


def pixel_of(address: int) -> tuple[int, int]:
    return (address - 0x4000) % 128 * 2, (address - 0x4000) // 128


def lost_on_panel(session: busplay.Session) -> list[tuple[int, int, str]]:
    """Cycle, address and cause of the losses that are the last stores to their bytes."""
    losses = session.pipeline.losses
    rows = zip(losses.cycle.tolist(), losses.address.tolist(), losses.cause.tolist(), strict=True)
    return [(c, a, str(cause)) for c, a, cause in rows if 0x4000 <= a < 0xA000]


def explain_loss(
    session: busplay.Session, source: Path, against: Path | None
) -> tuple[PixelReport, int, int]:
    """Explain a pixel whose last store was lost, by the accounts of the run."""
    for cycle, address, _ in lost_on_panel(session)[::-1]:
        found = busplay.why(source, unit="panel", pixel=pixel_of(address), against=against)
        store = found.loss and found.loss.sent
        if isinstance(store, StoreFound) and store.cycle == cycle:
            return found, cycle, address
    raise AssertionError("no loss was explained")


def test_store_lost_on_the_wire_is_found_against_what_arrived(tmp_path: Path) -> None:
    sent, received, session = sent_and_received(tmp_path, busplay.Faults(ber=3e-4, seed=3))
    found, _, address = explain_loss(session, sent, received)
    assert found.loss is not None
    assert (found.loss.state, found.loss.place, found.loss.came) == ("lost", "wire", None)
    assert found.loss.causes[0] == "lost on the wire"
    assert found.loss.sent.address == address
    assert found.loss.sent_frame is not None
    assert found.against is not None
    assert found.against.store is None or found.against.store.edge < found.loss.sent.edge
    intact = busplay.why(sent, unit="panel", pixel=(120, 40), against=sent)
    assert intact.loss is None
    assert intact.against is not None
    assert intact.against.colour == intact.colour


@pytest.mark.thorough
def test_recording_of_what_arrived_names_the_stores_of_intact_bursts(tmp_path: Path) -> None:
    sent, received, _ = sent_and_received(tmp_path, busplay.Faults(ber=3e-4, seed=3))
    exact = 0
    for y in range(0, 60, 6):
        found = busplay.why(received, unit="panel", pixel=(120, y))
        store = found.store
        if store is None or not store.cycle_is_exact:
            assert store is None or "a run that sends another frame" in " ".join(found.notes)
            continue
        there = busplay.why(sent, unit="panel", pixel=(120, y), history=9).history
        assert (store.cycle, store.program_counter) in [
            (one.cycle, one.program_counter) for one in there
        ]
        exact += 1
    assert exact > 2


def test_another_program_that_is_given_is_refused(recorded: Path, tmp_path: Path) -> None:
    with busplay.TraceReader(recorded) as reader:
        header = replace(reader.header, program_sha256=None)
        with busplay.TraceWriter(tmp_path / "a.trace", header=header) as writer:
            for frames in reader.chunks():
                writer.write(frames, stop_edge=int(frames.edge[-1]) + 1)
    with pytest.raises(InputError, match="a run that sends another frame at link edge"):
        busplay.why(tmp_path / "a.trace", unit="panel", pixel=(120, 40), program="waves.bin")


def test_damaged_store_is_shown_as_it_was_sent_and_as_it_came(tmp_path: Path) -> None:
    with_weak_check = link_toml(busplay.load_link("lean"))
    (tmp_path / "weak.toml").write_text(with_weak_check, encoding="utf-8")
    board = load_board("dunlin")
    weak = replace(board, link=busplay.load_link(tmp_path / "weak.toml"))
    session = busplay.Session(
        weak,
        program="fill.bin",
        faults=busplay.Faults(ber=2e-2, seed=5),
        record=tmp_path / "sent.trace",
        record_received=tmp_path / "received.trace",
    )
    with session:
        session.run(cycles=400_000)
    losses = session.pipeline.losses
    damaged = [
        (cycle, address)
        for cycle, address, cause in zip(
            losses.cycle.tolist(), losses.address.tolist(), losses.cause.tolist(), strict=True
        )
        if cause == 5 and 0x4000 <= address < 0xA000
    ]
    assert damaged
    for cycle, address in damaged:
        found = busplay.why(
            tmp_path / "sent.trace",
            unit="panel",
            pixel=pixel_of(address),
            at_ps=(cycle + 40) * 125_000,
            against=tmp_path / "received.trace",
        )
        if found.loss is not None and found.loss.state == "damaged":
            assert found.loss.sent.cycle == cycle
            assert found.loss.came is not None
            assert found.loss.sent_frame is not None
            assert found.loss.came.word != found.loss.sent_frame.word
            return
    raise AssertionError("no damaged store was explained")


def test_store_that_the_receivers_fifo_lost_is_found_without_another_recording(
    tmp_path: Path,
) -> None:
    receiver = replace(load_board("dunlin").receiver, fifo_depth=2, service_ns=3_000)
    sent, _, session = sent_and_received(tmp_path, receiver=receiver)
    found, _, _ = explain_loss(session, sent, None)
    assert found.loss is not None
    assert (found.loss.state, found.loss.place) == ("lost", "receiver")
    assert found.loss.causes == ("receiver FIFO full",)


def test_store_that_the_senders_fifo_lost_is_found_by_running_the_program(tmp_path: Path) -> None:
    board = load_board("dunlin")
    slow = replace(board.link, clock_hz=1_000_000)
    sent, _, session = sent_and_received(
        tmp_path, link=slow, sender=replace(board.sender, fifo_depth=1)
    )
    found, cycle, address = explain_loss(session, sent, None)
    assert found.loss is not None
    assert (found.loss.place, found.loss.sent_frame) == ("sender", None)
    assert found.loss.sent.frame is None
    assert found.loss.sent.registers is not None
    assert (found.loss.sent.cycle, found.loss.sent.address) == (cycle, address)


# -- captures


@pytest.fixture(scope="module")
def capture(recorded: Path) -> Path:
    """A capture of the recording, a lane of it 10 ns late."""
    path = recorded.with_name("run.vcd")
    assert run_busplay("convert", recorded, path, "--out-rate", "1GHz", "--skew", "lane2=10ns") == 0
    return path


def test_capture_gives_the_times_of_the_edges_and_each_wires_margin(
    recorded: Path, capture: Path
) -> None:
    of_trace = busplay.why(recorded, unit="panel", pixel=(120, 40))
    found = busplay.why(capture, unit="panel", pixel=(120, 40), board="dunlin")
    assert found.capture is not None
    assert found.frame is not None
    assert of_trace.frame is not None
    assert found.frame.word == of_trace.frame.word
    edges = found.capture.edges_ps
    assert len(edges) == 8
    assert all(abs(after - before - 62_500) <= 1_000 for before, after in pairwise(edges))
    assert of_trace.frame.time_s is not None
    lead_ps = 16 * 8 * 62_500
    start_ps = round(of_trace.frame.time_s * 1e12) + lead_ps
    assert abs(edges[0] - start_ps) <= 62_500
    for wire, lane in zip(found.capture.wires, found.frame.lanes, strict=True):
        assert (wire.wire, wire.levels) == (lane.wire, lane.levels)
    # Data change half an edge before and behind the clock; the late lane 10 ns later.
    for wire in found.capture.wires:
        late_ps = 10_000 if wire.wire == "lane2" else 0
        before_ps = wire.sample_at_ps + 31_250 - late_ps
        assert wire.margin_ps is not None
        assert abs(wire.margin_ps - min(before_ps, 62_500 - before_ps)) <= 1_000
    assert found.store is not None
    assert found.store.cycle is None


def test_capture_of_few_samples_says_which_wires_are_in_doubt(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "few.vcd"
    assert run_busplay("convert", recorded, path, "--out-rate", "24MHz") == 0
    capsys.readouterr()
    assert run_busplay("why", path, "--board", "dunlin", *PIXEL) == 0
    printed = capsys.readouterr().out
    found = busplay.why(path, unit="panel", pixel=(120, 40), board="dunlin")
    assert found.capture is not None
    sample_ps = found.capture.sample_ps
    assert sample_ps is not None
    assert abs(sample_ps - 41_667) <= 1
    doubted = [
        wire.wire
        for wire in found.capture.wires
        if wire.margin_ps is not None and wire.margin_ps < sample_ps
    ]
    lines = [line.split()[0] for line in printed.splitlines() if "in doubt" in line]
    assert lines == doubted
    assert doubted


# -- the command


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            ["--unit", "pannel", "--pixel", "1,2"],
            "tides.trace: found unit 'pannel'; the board's units are panel, sign",
        ),
        (
            ["--unit", "panel", "--pixel", "256,2"],
            "tides.trace: found pixel 256,2; unit panel has pixels 0,0 to 255,191",
        ),
        (
            ["--pixel", "256,2"],
            "tides.trace: found pixel 256,2; unit panel has pixels 0,0 to 255,191",
        ),
        (["--unit", "panel", "--pixel", "1;2"], "'1;2' is no pixel; give X,Y"),
        (["--unit", "panel", "--pixel", "1,2", "--at", "9s"], "the recording ends at 0.01625"),
        (["--unit", "panel", "--pixel", "1,2", "--board", "dunlin"], "a trace says that itself"),
        (["--unit", "panel", "--pixel", "1,2", "--to", "1ms"], "only captures are read so"),
        ([*PIXEL, "--labels", "nix.lbl"], "nix.lbl: cannot be read"),
        ([*PIXEL, "--dbgfile", "nix.dbg"], "nix.dbg: cannot be read"),
        ([*PIXEL, "--dbgfile", str(Path(__file__))], "a debug file is what ld65 writes"),
    ],
)
def test_wrong_use_is_refused(
    recorded: Path, options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_busplay("why", recorded, *options) == 2
    assert message in capsys.readouterr().err


def test_capture_refuses_what_belongs_to_traces(recorded: Path, capture: Path) -> None:
    with pytest.raises(InputError, match="a capture has no program beside it"):
        busplay.why(capture, unit="panel", pixel=(1, 2), board="dunlin", against=recorded)
    with pytest.raises(InputError, match="give the board, whose units show the pixels"):
        busplay.why(capture, unit="panel", pixel=(1, 2), link="guarded")


def test_json_has_all_of_the_chain(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_busplay("why", recorded, *PIXEL, "--history", "2", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    for keys, part in (
        ("pixel colour palette byte store frame capture loss history", found),
        ("unit offset value", found["byte"]),
        ("cycle address data program_counter label file line registers", found["store"]),
        ("edge word fields lanes", found["frame"]),
    ):
        assert set(keys.split()) <= part.keys()
    assert found["store"]["label"] == "every_other+26"


def test_report_begins_with_the_answer_and_fits_a_screen(
    recorded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_busplay("why", recorded, *PIXEL) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "panel 120,40 at 0.016251 s shows colour 3, #96A0CC"
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


def test_cut_trace_is_said_to_be_cut(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # It said "never written" of what may have been written behind the cut.
    cut = tmp_path / "cut.trace"
    cut.write_bytes(recorded.read_bytes()[:-10])
    capsys.readouterr()
    assert run_busplay("why", cut, "--unit", "panel", "--pixel", "1,1") == 0
    assert "\nnote: the trace is cut: chunk " in capsys.readouterr().out


GAPS = ("--lost-every", "60000", "--lost-samples", "50")


@pytest.mark.thorough
def test_capture_that_is_read_wrong_or_damaged_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Read with another link, a pixel was "never written", without a word on why."""
    sent, path, noisy = (tmp_path / name for name in ("a.trace", "a.vcd", "noisy.vcd"))
    with busplay.Session("dunlin", program="fill.bin", record=sent) as session:
        session.run(cycles=12_000)
    sampled = ("--out-rate", "200MHz")
    assert run_busplay("convert", sent, path, *sampled) == 0
    assert run_busplay("convert", sent, noisy, *sampled, *GAPS) == 0
    found = busplay.why(path, unit="panel", pixel=(0, 0), board="dunlin", link="lean")
    assert found.notes[0] == (
        "hardly a frame of the capture is valid: are the link and the map right? `busplay decode`"
        " says more"
    )
    capsys.readouterr()
    words = ("why", path, "--board", "dunlin", "--unit", "panel", "--pixel", "0,0")
    assert run_busplay(*words) == 0
    assert "note" not in capsys.readouterr().out
    damaged = busplay.decode(noisy, link="guarded").health.frames_damaged
    assert damaged > 1
    found = busplay.why(noisy, unit="panel", pixel=(0, 0), board="dunlin")
    assert found.notes[0] == (
        f"{damaged} frames of the capture are damaged: a later store to the byte may be among them"
    )
