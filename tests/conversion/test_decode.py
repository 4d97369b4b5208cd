"""`decode` as the library has it: one way from a capture to trace, displays and report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from busplay.batch import ChangeBatch
from busplay.conversion.analyser_view import AnalyserView
from busplay.conversion.convert import convert
from busplay.conversion.decode import DecodeWatch, decode
from busplay.errors import InputError
from busplay.formats.capture import Capture
from busplay.link.load import load_board, load_link
from busplay.run.replay import Replay
from busplay.trace.reader import TraceReader
from tests.conversion.test_frames_and_stores import pairs_in

SHIPPED = Path(__file__).parents[2] / "traces"


@pytest.fixture(scope="module")
def dump(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first 20 ms of a shipped program's wires."""
    path = tmp_path_factory.mktemp("dump") / "fill.vcd"
    convert(SHIPPED / "fill.trace", path, stop_ps=20 * 10**9)
    return path


def test_frames_health_and_pictures_come_back_without_any_file_named(dump: Path) -> None:
    decoded = decode(dump, link="guarded", board=load_board("dunlin"))
    assert decoded.health.is_clean
    with TraceReader(SHIPPED / "fill.trace") as reader:
        sent = [pair for batch in reader.chunks() for pair in zip(*columns(batch), strict=True)]
    received = decoded.health.receiver.frames_received
    assert decoded.trace.frames == received > 1000
    assert pairs_in(decoded.path) == sent[:received]
    picture = decoded.displays["panel"].image()
    assert len(np.unique(picture)) > 1
    with Replay(decoded.path) as replay:
        replay.run(replay.end_cycle)
        assert np.array_equal(replay.display("panel").image(), picture)


def columns(batch: object) -> tuple[list[int], list[int]]:
    return batch.edge.tolist(), batch.word.tolist()  # type: ignore[attr-defined]


def test_a_decoded_capture_is_saved_whole_and_its_own_file_goes(dump: Path, tmp_path: Path) -> None:
    decoded = decode(dump, link=load_link("guarded"))
    own = decoded.path
    decoded.save(tmp_path / "saved.trace")
    assert pairs_in(tmp_path / "saved.trace") == pairs_in(own)
    del decoded
    assert not own.exists()


def test_decode_and_convert_make_the_same_trace(dump: Path, tmp_path: Path) -> None:
    decode(dump, board="dunlin", output=tmp_path / "a.trace")
    convert(dump, tmp_path / "b.trace", board="dunlin")
    assert (tmp_path / "a.trace").read_bytes() == (tmp_path / "b.trace").read_bytes()


def test_what_was_sent_is_held_against_what_came(dump: Path, tmp_path: Path) -> None:
    sampled = tmp_path / "run.sr"
    analyser = AnalyserView(rate_hz=100_000_000, glitch_ppm=300, first_ps=10**9, seed=3)
    report = convert(SHIPPED / "fill.trace", sampled, stop_ps=5 * 10**9, analyser=analyser)
    assert report.injected is not None
    assert report.injected.glitches > 0
    decoded = decode(sampled, board="dunlin", expect=SHIPPED / "fill.trace")
    assert decoded.expected is not None
    assert not decoded.expected.is_equal
    assert decoded.expected.different_in_capture > 0
    assert decoded.expected.differences[0].address is not None


class Interrupted(DecodeWatch):
    """Presses Ctrl-C after some batches."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, batches: int) -> None:
        self._monkeypatch = monkeypatch
        self._batches = batches

    def opened(self, capture: Capture) -> None:
        """Cut the capture to small batches, so that there is a middle."""
        whole = capture.batches

        def small() -> Iterator[ChangeBatch]:
            for batch in whole():
                for first in range(0, len(batch), 20_000):
                    yield batch[first : first + 20_000]

        self._monkeypatch.setattr(capture, "batches", small)

    def moved(self, decoder: object) -> None:
        """Count down."""
        self._batches -= 1
        if not self._batches:
            raise KeyboardInterrupt


def test_an_interrupted_decode_reports_what_was_read_and_keeps_the_old_trace(
    dump: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    output = tmp_path / "old.trace"
    decode(dump, link="guarded", output=output)
    before, whole = output.read_bytes(), pairs_in(output)
    watch = Interrupted(monkeypatch, 6)
    decoded = decode(dump, link="guarded", output=output, watch=watch, finish_on_interrupt=True)
    health = decoded.health
    assert (health.is_interrupted, health.is_clean, health.is_complete) == (True, False, False)
    assert output.read_bytes() == before
    part = pairs_in(decoded.path)
    assert 0 < len(part) == health.receiver.frames_received < len(whole)
    assert part == whole[: len(part)]
    with pytest.raises(KeyboardInterrupt):
        decode(dump, link="guarded", output=output, watch=Interrupted(monkeypatch, 6))
    assert output.read_bytes() == before


def test_arguments_that_do_not_go_together_are_refused(dump: Path) -> None:
    with pytest.raises(InputError, match="found no link"):
        decode(dump)
    with pytest.raises(InputError, match="found --map besides it"):
        decode(dump, link="guarded", lane_map="clock=clock", finds_map=True)
    with pytest.raises(InputError, match="found -1 ps; give a time of 0 or more"):
        decode(dump, link="guarded", glitch_filter_ps=-1)
    with pytest.raises(TypeError, match="open_capture has no option rate"):
        decode(dump, link="guarded", rate=1)  # type: ignore[call-arg]
