from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.formats import text_reader
from busplay.formats.capture import open_capture
from tests.formats.reading import Row, read, rows_of

TEXT = """$timescale 1 us $end $var wire 1 ! a $end $var wire 1 " b $end $enddefinitions $end
#0 0! 0"
#5 1!
#10 1"
#15 0!
#20 0"
#30
"""
US = 10**6
ROWS: list[Row] = [
    (0, 0, 0), (5 * US, 1, 0), (10 * US, 3, 0), (15 * US, 2, 0), (20 * US, 0, 0),
]  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "one.vcd"
    file.write_text(TEXT)
    return file


@pytest.mark.parametrize(
    ("options", "rows", "span_us"),
    [
        ({}, ROWS, (0, 30)),
        ({"from_ps": 0}, ROWS, (0, 30)),
        ({"from_ps": 7 * US}, [(7 * US, 1, 0), *ROWS[2:]], (7, 30)),
        ({"from_ps": 10 * US}, ROWS[2:], (10, 30)),
        ({"from_ps": 25 * US}, [(25 * US, 0, 0)], (25, 30)),
        ({"from_ps": 31 * US}, [], (31, 31)),
        ({"to_ps": 15 * US}, ROWS[:3], (0, 15)),
        ({"to_ps": 0}, [], (0, 0)),
        ({"to_ps": 99 * US}, ROWS, (0, 30)),
        ({"from_ps": 6 * US, "to_ps": 8 * US}, [(6 * US, 1, 0)], (6, 8)),
        ({"max_changes": 2}, ROWS[:2], (0, 5)),
        ({"from_ps": 7 * US, "max_changes": 2}, [(7 * US, 1, 0), ROWS[2]], (7, 10)),
        (
            {"from_ps": 7 * US, "to_ps": 16 * US, "max_changes": 9},
            [(7 * US, 1, 0), *ROWS[2:4]],
            (7, 16),
        ),
    ],
)
def test_part_begins_with_the_state_at_its_start(
    path: Path, options: dict[str, int], rows: list[Row], span_us: tuple[int, int]
) -> None:
    found, info = read(path, **options)
    assert found == rows
    assert (info.start_ps, info.stop_ps) == (span_us[0] * US, span_us[1] * US)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    from_us=st.none() | st.integers(0, 32),
    to_us=st.none() | st.integers(0, 32),
    first=st.none() | st.integers(1, 6),
    block_bytes=st.sampled_from((8, 30, 1 << 18)),
)
def test_part_counts_what_is_in_it(
    path: Path, from_us: int | None, to_us: int | None, first: int | None, block_bytes: int
) -> None:
    before = text_reader.BLOCK_BYTES
    text_reader.BLOCK_BYTES = block_bytes
    try:
        rows, info = read(
            path,
            from_ps=None if from_us is None else from_us * US,
            to_ps=None if to_us is None else to_us * US,
            max_changes=first,
        )
    finally:
        text_reader.BLOCK_BYTES = before
    start = 0 if from_us is None else from_us * US
    stop = 31 * US if to_us is None else to_us * US
    wanted = [row for row in ROWS if start <= row[0] < stop]
    earlier = [row for row in ROWS if row[0] < start]
    if earlier and start <= 30 * US and start < stop and not any(r[0] == start for r in wanted):
        wanted.insert(0, (start, *earlier[-1][1:]))
    wanted = wanted[:first]
    assert rows == wanted
    for index, signal in enumerate(info.signals):
        levels = [level >> index & 1 for _, level, _ in wanted]
        runs = sum(n == 0 or levels[n - 1] != level for n, level in enumerate(levels))
        assert signal.changes == runs
    gaps = [after[0] - before[0] for before, after in pairwise(wanted)]
    assert info.least_gap_ps == (min(gaps) if gaps else 0)


def test_batches_can_be_read_again_and_signals_chosen(path: Path) -> None:
    with open_capture(path, signals=["b"]) as capture:
        once = rows_of(capture.batches())
        again = rows_of(capture.batches())
        assert capture.bytes_read == capture.bytes_total == path.stat().st_size
    assert once == again == [(0, 0, 0), (10 * US, 1, 0), (20 * US, 0, 0)]
    assert capture.signals == ("b",)
