"""Traces that our recorders do not make: replayed if possible, else refused with the place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busplay.batch import FrameBatch
from busplay.errors import InputError
from busplay.run.replay import Replay
from tests.boards import GUARDED
from tests.trace.cases import header_for, stream, write_trace


@pytest.mark.parametrize(("moved", "edge"), [(1, 185), (-8, 176)])
def test_frame_without_a_slot_of_its_own_is_refused(tmp_path: Path, moved: int, edge: int) -> None:
    """The symbol expander raised ValueError where the last frame left the slot grid."""
    frames = stream(GUARDED, 4)
    edges = np.array([168, 176, 184, 192], np.int64)
    edges[2:] += moved
    path = tmp_path / "foreign.trace"
    write_trace(path, FrameBatch(edges.astype(np.uint64), frames.word), header_for())
    with Replay(path) as replay, pytest.raises(InputError) as refused:
        replay.run(replay.end_cycle)
    assert str(refused.value) == (
        f"{path}: edge {edge}: found a frame that starts there on link guarded; its frames start "
        "at multiples of 8 edges and take 8, so this trace cannot be replayed"
    )
