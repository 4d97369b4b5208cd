from __future__ import annotations

import numpy as np
import pytest

from busplay.batch import FrameBatch, StoreBatch


def test_lists_become_columns() -> None:
    batch = StoreBatch.of([1, 2], [0x4000, 0xFFFF], [0, 255])
    assert (batch.cycle.dtype, batch.address.dtype, batch.data.dtype) == ("u8", "u2", "u1")
    assert batch.address.tolist() == [0x4000, 0xFFFF]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (([1], [0x10000], [0]), "address is 65536; it must be 0 to 65535"),
        (([1], [0], [256]), "data is 256; it must be 0 to 255"),
        (([-1], [0], [0]), f"cycle is -1; it must be 0 to {2**64 - 1}"),
    ],
)
def test_numbers_that_do_not_fit_are_refused(
    columns: tuple[list[int], list[int], list[int]], said: str
) -> None:
    with pytest.raises(ValueError, match="must be") as caught:
        StoreBatch.of(*columns)
    assert str(caught.value) == said


def test_columns_of_another_kind_are_refused() -> None:
    with pytest.raises(TypeError) as caught:
        FrameBatch(np.zeros(1, np.int64), np.zeros(1, np.uint64))  # type: ignore[arg-type]
    assert str(caught.value) == (
        "column edge is int64, 1 dimensions; it must be a NumPy column of uint64"
    )
    with pytest.raises(ValueError, match="differ in length"):
        FrameBatch(np.zeros(1, np.uint64), np.zeros(2, np.uint64))
