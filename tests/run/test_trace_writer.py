"""Traces that are written through the library: with key frames wherever a board is known."""

from __future__ import annotations

from pathlib import Path

import pytest

import busplay
from busplay.demo.programs import shipped_file
from busplay.pipeline.pipeline import Pipeline


def test_trace_of_a_board_has_key_frames_so_that_a_jump_is_quick(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without them, a jump to the end played the whole trace.
    monkeypatch.setattr("busplay.trace.writer.KEY_FRAME_CHUNKS", 1)
    with busplay.TraceReader(shipped_file("traces", "fill.trace")) as source:
        board = source.header.board
        assert board is not None
        with busplay.TraceWriter(tmp_path / "copy.trace", board=board) as writer:
            for frames in source.chunks():
                writer.write(frames, stop_edge=int(frames.edge[-1]) + 1)
    with busplay.TraceReader(tmp_path / "copy.trace") as copy:
        point = copy.seek(copy.stop_edge)
        assert point.frames_before > copy.frames // 2
        played = Pipeline(board)
        for frames in copy.frames_between(0, point.edge):
            played.feed_frames(frames, stop_edge=int(frames.edge[-1]) + 1)
        played.feed_frames(busplay.FrameBatch.empty(), stop_edge=point.edge)
        assert played.states() == point.states
