"""The latest losses against a plain list of all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.losses import latest
from busplay.losses.latest import LatestLosses
from busplay.losses.losses import Losses


def losses(edges: range) -> Losses:
    count = len(edges)
    none8 = np.zeros(count, np.uint8)
    edge = np.array(edges, np.uint64)
    return Losses(none8, edge, edge, np.zeros(count, np.uint16), edge, none8)


@given(
    sizes=st.lists(st.integers(0, 12), max_size=20),
    most=st.integers(1, 20),
    asked=st.integers(0, 150),
)
def test_latest_losses_are_those_of_the_list(sizes: list[int], most: int, asked: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(latest, "LOSSES_MAX", most)
        kept, count = LatestLosses(), 0
        for size in sizes:
            kept.add(losses(range(count, count + size)))
            count += size
        assert kept.stop == count
        assert count - kept.first >= min(count, most)
        assert count - kept.first < most + 12
        assert kept.since(asked).edge.tolist() == list(range(max(asked, kept.first), count))
