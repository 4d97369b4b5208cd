"""`why` under a fault of each kind, on several links, against the accounts of the run."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest

import busplay
from busplay.chain.report import PixelReport
from busplay.description.board import Board
from busplay.history.history import open_history
from busplay.history.index_losses import frames_missed
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link
from busplay.losses.losses import Cause
from tests.cli.command import run_busplay

CYCLES = 150_000
# Entry 3 of the palette, the base offset 1, and the byte there.
REGISTER_STORES = (
    (0xA304, 3),
    (0xA305, 0x20),
    (0xA306, 0x40),
    (0xA307, 0xFF),
    (0xA300, 1),
    (0xA301, 0),
    (0x4001, 0x37),
)
LINKS = (
    "guarded",
    "lean",
    *(pytest.param(name, marks=pytest.mark.thorough) for name in ("strobed", "marked", "serial")),
)


@cache
def board_on(link: str) -> Board:
    return require_link_fits(replace(load_board("dunlin"), link=load_link(link)))


def run_with(
    folder: Path, board: Board, faults: busplay.Faults | None = None, *, cycles: int = CYCLES
) -> busplay.Session:
    with busplay.Session(
        board,
        program="fill.bin",
        faults=faults,
        record=folder / "sent.trace",
        record_received=folder / "received.trace",
    ) as session:
        session.run(cycles)
    return session


def pixel_of(address: int) -> tuple[int, int]:
    return (address - 0x4000) % 128 * 2, (address - 0x4000) // 128


def losses_on_panel(session: busplay.Session, cause: Cause) -> list[tuple[int, int]]:
    """Cycle and address of the stores to the panel's memory that were lost so."""
    losses = session.pipeline.losses
    rows = zip(losses.cycle.tolist(), losses.address.tolist(), losses.cause.tolist(), strict=True)
    return [(at, where) for at, where, why in rows if why == cause and 0x4000 <= where < 0xA000]


def explained(folder: Path, cycle: int, address: int, *, against: bool = True) -> PixelReport:
    """Explain a pixel a little after a store to it."""
    return busplay.why(
        folder / "sent.trace",
        unit="panel",
        pixel=pixel_of(address),
        at_ps=(cycle + 300) * 125_000,
        against=folder / "received.trace" if against else None,
    )


@pytest.mark.parametrize("link", LINKS)
def test_store_damaged_on_the_wire_is_explained_on_every_link(link: str, tmp_path: Path) -> None:
    """A check detects it, and it is lost; without a check it arrives changed."""
    session = run_with(tmp_path, board_on(link), busplay.Faults(ber=2e-3, seed=4))
    lost = losses_on_panel(session, Cause.WIRE)
    changed = losses_on_panel(session, Cause.DAMAGED)
    assert len(lost) + len(changed) > 10
    for cycle, address in lost[:3]:
        loss = explained(tmp_path, cycle, address).loss
        assert loss is not None
        assert (loss.state, loss.place, loss.came) == ("lost", "wire", None)
        assert loss.causes == ("lost on the wire",)
        assert (loss.sent.cycle, loss.sent.address) == (cycle, address)
        assert loss.sent.program_counter is not None
    for cycle, address in changed[:3]:
        loss = explained(tmp_path, cycle, address).loss
        assert loss is not None
        assert (loss.state, loss.sent.cycle) == ("damaged", cycle)
        assert loss.came is not None
        assert loss.sent_frame is not None
        assert loss.came.word != loss.sent_frame.word


def test_store_lost_while_the_receiver_resynchronised_is_explained(tmp_path: Path) -> None:
    faults = busplay.Faults(lost_edges=2e-4, seed=2)
    session = run_with(tmp_path, board_on("guarded"), faults)
    assert session.counters().receiver.syncs_lost > 0
    lost = losses_on_panel(session, Cause.OUT_OF_SYNC)
    assert lost
    for cycle, address in lost[:3]:
        loss = explained(tmp_path, cycle, address).loss
        assert loss is not None
        assert (loss.state, loss.place) == ("lost", "wire")
        assert loss.causes == ("receiver out of sync",)
        assert loss.sent.cycle == cycle


def test_lost_stores_to_palette_and_base_are_explained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Only the byte's own store was looked at, though its colour had another cause."""
    rows = [f"{100 + 100 * at},{where},{data}" for at, (where, data) in enumerate(REGISTER_STORES)]
    stores = tmp_path / "stores.csv"
    stores.write_text("\n".join(["cycle,address,data", *rows]) + "\n", encoding="utf-8")
    sent, received = tmp_path / "sent.trace", tmp_path / "received.trace"
    assert run_busplay("run", "dunlin", "--stores", stores, "--headless", "--record", sent) == 0
    lost = {3: "PALETTE_BLUE", 5: "BASE_HIGH"}
    with busplay.TraceReader(sent) as reader:
        (frames,) = reader.chunks()
        keep = [at for at in range(len(frames.edge)) if at not in lost]
        with busplay.TraceWriter(received, header=reader.header) as writer:
            kept = busplay.FrameBatch(frames.edge[keep], frames.word[keep])
            writer.write(kept, stop_edge=reader.stop_edge)
    found = busplay.why(sent, unit="panel", pixel=(0, 0), against=received)
    assert found.loss is None
    assert [(one.register, one.state, one.sent.frame) for one in found.other_losses] == [
        (name, "lost", frame) for frame, name in lost.items()
    ]
    assert not found.is_as_sent
    capsys.readouterr()
    words = ("why", sent, "--against", received, "--unit", "panel", "--pixel", "0,0")
    assert run_busplay(*words) == 1
    text = capsys.readouterr().out
    assert text.splitlines()[1] == "2 stores behind its colour were not received as sent"
    assert "  lost      PALETTE_BLUE: $FF to $A307" in text


def test_store_served_after_its_deadline_is_late(tmp_path: Path) -> None:
    board = load_board("dunlin")
    receiver = replace(board.receiver, fifo_depth=64, service_ns=1_600, deadline_ns=2_000)
    session = run_with(tmp_path, replace(board, receiver=receiver))
    late = losses_on_panel(session, Cause.DEADLINE)
    assert late
    for cycle, address in late[:3]:
        loss = explained(tmp_path, cycle, address, against=False).loss
        assert loss is not None
        assert (loss.state, loss.place, loss.sent.cycle) == ("late", "receiver", cycle)


@pytest.mark.thorough
def test_pixel_drawn_by_a_frame_that_was_not_sent_so_is_said_to_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A spurious frame, or one whose address was damaged, was not mentioned at all."""
    run_with(tmp_path, board_on("lean"), busplay.Faults(ber=2e-2, seed=6))
    sent, received = tmp_path / "sent.trace", tmp_path / "received.trace"
    with busplay.TraceReader(sent) as one, busplay.TraceReader(received) as other:
        there = np.concatenate([part.word for part in other.chunks()])
        known = np.concatenate([part.word for part in one.chunks()])
        layout = busplay.FrameLayout(one.header.link)
        fields = layout.unpack(there)
        foreign = ~np.isin(there, known) & (fields["space"] == 1) & (fields["unit"] == 0)
        offsets = fields["address"][foreign & (fields["address"] < 24_576)]
        assert len(offsets) > 3
        history = open_history(other)
        origins = set()
        for offset in offsets.tolist()[:8]:
            pixel = offset % 128 * 2, offset // 128
            found = busplay.why(sent, unit="panel", pixel=pixel, against=received)
            assert found.against is not None
            assert found.against.store is not None
            origin = found.against.origin
            origins.add(origin)
            word = history.word_of_frame(found.against.store.frame or 0)
            assert (word in known) or origin != "sent"
            if origin == "sent" or found.loss is not None:
                continue
            assert not found.is_as_sent
            assert (found.against.sent_frame is not None) == (origin == "damaged")
            pixel_text = f"{pixel[0]},{pixel[1]}"
            words = ("why", sent, "--against", received, "--unit", "panel", "--pixel", pixel_text)
            assert run_busplay(*words) == 1
            second = capsys.readouterr().out.splitlines()[1]
            assert second.startswith(f"in {received} a ")
            assert second.endswith("drew it")
    assert {"damaged", "spurious"} <= origins


def test_frames_missed_by_sequence_are_a_caution(tmp_path: Path) -> None:
    """In a recording of what arrived, nothing else says that a later store may be missing."""
    session = run_with(tmp_path, board_on("guarded"), busplay.Faults(ber=1e-3, seed=4))
    missed = session.counters().receiver.frames_missed
    assert missed > 3
    received = tmp_path / "received.trace"
    with busplay.TraceReader(received) as reader:
        history = open_history(reader)
        numbers = frames_missed(history, 0, reader.frames)
        assert numbers == missed
        cut = [0, 5, 1_024, 1_500, 3_000, reader.frames]
        parts = [frames_missed(history, a, b) for a, b in pairwise(cut)]
        assert sum(parts) == numbers
    found = busplay.why(received, unit="panel", pixel=(255, 191))
    since = " after that store" if found.store is not None else ""
    assert any(
        note.endswith(f"did not arrive{since}: a later store to the byte may be among them")
        for note in found.notes
    )
    of_sent = busplay.why(tmp_path / "sent.trace", unit="panel", pixel=(255, 191))
    assert not any("did not arrive" in note for note in of_sent.notes)


@pytest.fixture(scope="module")
def clean() -> Path:
    folder = Path(mkdtemp())
    run_with(folder, board_on("guarded"))
    return folder


def test_other_recording_that_ends_before_the_store_is_said_to(
    clean: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It said "lost: cause not known" of a store that the other recording could not have."""
    short = tmp_path / "short.trace"
    with busplay.Session(board_on("guarded"), program="fill.bin", record_received=short) as one:
        one.run(30_000)
    found = busplay.why(clean / "sent.trace", unit="panel", pixel=(120, 40), against=short)
    assert found.store is not None
    assert found.loss is None
    assert found.notes[-1] == (
        f"{short} ends at 0.003752 s, before the last store to the byte: whether that arrived is"
        " not known"
    )
    words = (
        "why",
        clean / "sent.trace",
        "--against",
        short,
        "--unit",
        "panel",
        "--pixel",
        "120,40",
    )
    assert run_busplay(*words) == 0
    printed = capsys.readouterr().out
    assert "ends at 0.003752 s" in " ".join(printed.split())


def test_unit_may_be_left_out_where_there_is_one(
    clean: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = board_on("guarded")
    panel = tuple(one for one in board.windows if one.unit == "panel")
    one_unit = replace(board, units=board.units[:1], windows=panel)
    run_with(tmp_path, one_unit, cycles=60_000)
    assert run_busplay("why", tmp_path / "sent.trace", "--pixel", "3,3") == 0
    assert capsys.readouterr().out.startswith("panel 3,3 at ")
    assert run_busplay("why", clean / "sent.trace", "--pixel", "3,3") == 2
    message = "--unit: found no name; several units have pixel 3,3; name one of panel, sign"
    assert message in capsys.readouterr().err
    # The sign has 32 rows.
    assert run_busplay("why", clean / "sent.trace", "--pixel", "120,40") == 0
    assert capsys.readouterr().out.startswith("panel 120,40 at ")
    assert run_busplay("why", clean / "sent.trace", "--pixel", "300,40") == 2
    assert "unit panel has pixels 0,0 to 255,191" in capsys.readouterr().err


def test_notes_fit_the_screen(clean: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A note of 118 characters was one line."""
    cut = clean / "cut.trace"
    cut.write_bytes((clean / "sent.trace").read_bytes()[:-10])
    assert run_busplay("why", cut, "--pixel", "120,40", "--history", "1") == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines if str(cut) not in line) <= 80
    assert any(line.startswith("note: the trace is cut") for line in lines)
    assert "last store to the byte" in lines
