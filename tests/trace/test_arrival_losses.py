"""Losses in a trace of what arrived: whatever cannot be is refused."""

from __future__ import annotations

import numpy as np
import pytest

from busplay.errors import InputError
from busplay.trace.arrival_losses import LOSSES_MAX, pack_losses, parse_losses
from busplay.trace.container import Where

HERE = Where("a.trace", "chunk 3 at byte 90")


def test_losses_come_back_up_to_the_most() -> None:
    edge = np.arange(LOSSES_MAX + 5, dtype=np.uint64) * np.uint64(8)
    cause = (np.arange(LOSSES_MAX + 5) % 5 + 1).astype(np.uint8)
    found = parse_losses(memoryview(pack_losses(edge, cause)), where=HERE)
    assert found[0].tolist() == edge[:LOSSES_MAX].tolist()
    assert found[1].tolist() == cause[:LOSSES_MAX].tolist()


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        (b"\1", "found 1 bytes; losses begin with 4"),
        (bytes(4), "found 0 losses; a chunk has 1 to 65,536"),
        (pack_losses(np.array([1 << 62], np.uint64), np.array([1], np.uint8)), "found edge"),
        (pack_losses(np.array([8], np.uint64), np.array([6], np.uint8)), "found an unknown cause; causes are 1 to 5"),  # noqa: E501
        (pack_losses(np.array([8], np.uint64), np.array([1], np.uint8)) + b"x", "found 1 bytes after the losses"),  # noqa: E501
    ],
)  # fmt: skip
def test_impossible_losses_are_refused(payload: bytes, message: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_losses(memoryview(payload), where=HERE)
    assert str(refused.value).startswith(f"a.trace: chunk 3 at byte 90: {message}")
