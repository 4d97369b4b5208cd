"""Our packets in a network analyser, and our wires in other programs."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.capture.synthetic import Analyser
from busplay.conversion.from_trace import edge_ns, trace_to_pcapng
from busplay.conversion.wires import write_capture, write_wires
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from busplay.trace.writer import TraceFileWriter
from tests.capture.captures import frames_on_grid

needs_tshark = pytest.mark.skipif(
    shutil.which("tshark") is None, reason="tshark is not installed; CI installs it"
)
needs_sigrok = pytest.mark.skipif(
    shutil.which("sigrok-cli") is None, reason="sigrok-cli is not installed; CI installs it"
)
DUNLIN = load_board("dunlin")
LAYOUT = FrameLayout(DUNLIN.link)


def output_of(*words: str | Path) -> str:
    """Run a program and return its output."""
    done = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, check=True, timeout=120
    )
    return done.stdout


@pytest.fixture
def trace(tmp_path: Path) -> tuple[Path, FrameBatch]:
    """A trace of some hundred frames, one of them an example of the design page's."""
    frames = frames_on_grid(LAYOUT, 300, np.random.default_rng(1))
    words = frames.word.copy()
    words[0] = 0x41123456A4
    path = tmp_path / "a.trace"
    with TraceFileWriter(path, header=TraceHeader(link=DUNLIN.link, board=DUNLIN)) as writer:
        writer.write(FrameBatch(frames.edge, words), stop_edge=int(frames.edge[-1]) + 8)
    return path, FrameBatch(frames.edge, words)


@needs_tshark
@pytest.mark.source("Wireshark, tshark", part="reads pcapng of link type USER0", kind="library")
@pytest.mark.source(
    "pcapng, IETF draft", part="LINKTYPE_USER0 = 147, if_tsresol 9", kind="from memory"
)
def test_a_network_analyser_lists_the_same_frames_at_the_same_times(
    trace: tuple[Path, FrameBatch], tmp_path: Path
) -> None:
    path, frames = trace
    target = tmp_path / "a.pcapng"
    with TraceReader(path) as reader:
        trace_to_pcapng(reader, target)
    fields = ("frame.time_epoch", "frame.encap_type", "frame.len", "data")
    words = [word for field in fields for word in ("-e", field)]
    lines = output_of("tshark", "-r", target, "-T", "fields", *words).splitlines()
    assert len(lines) == len(frames)
    rows = [line.split("\t") for line in lines]
    assert rows[0][3] == "41123456a4"
    assert [int(row[3], 16) for row in rows] == frames.word.tolist()
    assert {row[2] for row in rows} == {"5"}
    # Wireshark's own number for USER 0 is 45.
    assert {row[1] for row in rows} == {"45"}
    seconds = [row[0].split(".") for row in rows]
    found = [int(whole) * 10**9 + int(part[:9].ljust(9, "0")) for whole, part in seconds]
    assert found == edge_ns(frames.edge, 16_000_000).tolist()


@pytest.mark.thorough
@needs_sigrok
@pytest.mark.source("sigrok-cli 0.7.2", part="reads our VCD", kind="library")
def test_another_program_reads_the_same_levels_from_our_dump(
    trace: tuple[Path, FrameBatch], tmp_path: Path
) -> None:
    path, _ = trace
    target = tmp_path / "a.vcd"
    with TraceReader(path) as reader:
        write_wires(reader, target, tick_ps=1_000, texts=False, stop_ps=20_000_000)
    from busplay.formats.capture import open_capture

    printed = output_of("sigrok-cli", "-I", "vcd", "-i", target, "-O", "csv").splitlines()
    rows = [line for line in printed if line[:1] in "01"]
    theirs = np.array([[int(cell) for cell in row.split(",")] for row in rows])
    with open_capture(target) as capture:
        assert [name.rpartition(".")[2] for name in capture.signals] == [
            "clock", "lane0", "lane1", "lane2", "lane3", "lane4",
        ]  # fmt: skip
        batches = list(capture.batches())
    times = np.concatenate([one.time_ps for one in batches]).astype(np.int64) // 1000
    levels = np.concatenate([one.level for one in batches])
    at = np.searchsorted(times, np.arange(len(theirs)), side="right") - 1
    ours = levels[at][:, None] >> np.arange(6, dtype=np.uint64) & np.uint64(1)
    assert len(theirs) >= 19_900
    assert np.array_equal(ours.astype(int), theirs)


@needs_sigrok
@pytest.mark.source("sigrok-cli 0.7.2", part="reads our session file", kind="library")
def test_another_program_reads_the_same_samples_from_our_session(
    trace: tuple[Path, FrameBatch], tmp_path: Path
) -> None:
    path, _ = trace
    session, raw = tmp_path / "a.sr", tmp_path / "a.bin"
    analyser = Analyser(rate_hz=50_000_000, glitch_ppm=300, seed=3)
    for target in (session, raw):
        with TraceReader(path) as reader:
            write_capture(reader, target, analyser=analyser, stop_ps=40_000_000)
    shown = output_of("sigrok-cli", "-i", session, "--show")
    assert "Samplerate: 50000000" in shown
    assert [line[2:] for line in shown.splitlines() if line.startswith("- ")][:6] == [
        "clock: logic", "lane0: logic", "lane1: logic", "lane2: logic", "lane3: logic",
        "lane4: logic",
    ]  # fmt: skip
    printed = output_of("sigrok-cli", "-i", session, "-O", "csv:header=false:label=off")
    rows = [line for line in printed.splitlines() if line[:1] in ("0", "1")]
    theirs = [sum(int(cell) << n for n, cell in enumerate(row.split(","))) for row in rows]
    assert len(theirs) > 1900
    assert theirs == list(raw.read_bytes())


@pytest.mark.source("pywellen 0.25.7", part="reads our VCD, texts too", kind="library")
def test_a_waveform_reader_finds_wires_and_texts(
    trace: tuple[Path, FrameBatch], tmp_path: Path
) -> None:
    pywellen = pytest.importorskip("pywellen", reason="pywellen is a test dependency")
    path, frames = trace
    target = tmp_path / "a.vcd"
    with TraceReader(path) as reader:
        write_wires(reader, target)
    variables = {one.full_name: one for one in pywellen.Waveform(str(target)).all_vars()}
    assert {"link.clock", "link.lane0", "link.lane4", "link.frame", "link.state"} <= set(variables)
    shown = [str(text) for _, text in variables["link.frame"].tv if str(text) != "-"]
    assert len(shown) == len(frames)
    assert shown[0] == "panel+$1234=$56 #1"
    assert len(variables["link.clock"].tv) >= int(frames.edge[-1])
