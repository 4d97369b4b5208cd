"""The history of what was sent, against going through frames of which none is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.board import ReceiverEnd
from busplay.history.as_sent import SentHistory
from busplay.history.history import open_history
from busplay.trace.reader import TraceReader
from busplay.write_index import builder, marking
from tests.history.cases import Case, cases, naive_of, record
from tests.history.test_history import hold_pixel, hold_writes

FATES = {"SERVED": marking.REACHED, "OVERRUN": marking.FIFO_FULL, "LATE": marking.LATE}


@pytest.mark.thorough
@given(case=cases(), data=st.data())
@settings(max_examples=40)
def test_history_of_what_was_sent_knows_of_no_loss(case: Case, data: st.DataObject) -> None:
    lossless = replace(case.board, receiver=ReceiverEnd())
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(builder, "STRETCH_CHUNKS", data.draw(st.sampled_from((1, 2, 64))))
        patch.setattr(builder, "SHORT_BLOCKS", 0)
        path = Path(folder) / "a.trace"
        record(path, case, chunk_frames=data.draw(st.sampled_from((None, 1, 5))))
        with TraceReader(path) as reader:
            history = open_history(reader)
            sent = SentHistory(history)
            fates = naive_of(reader, case.board).fates
            assert [sent.fate_of(frame) for frame in range(reader.frames)] == [
                FATES[one] for one in fates
            ]
            assert sent.is_as_received == (set(fates) <= {"SERVED"})
            lost = [int(sent.edge_of_frame(at)) for at, one in enumerate(fates) if one != "SERVED"]
            assert sorted(sent.lost_edges().tolist()) == lost
            naive = naive_of(reader, lossless)
            hold_writes(sent, naive, data)
            hold_pixel(sent, naive, data)
