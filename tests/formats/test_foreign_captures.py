"""Any options and any tables give a result or an InputError; damaged files are in tests/fuzz."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.errors import InputError
from busplay.formats.capture import open_capture
from tests.formats.reading import rows_of


def read_or_refuse(path: Path, **options: object) -> None:
    """Read a capture whole, twice; nothing but an InputError may come of it."""
    with suppress(InputError), open_capture(path, **options) as capture:  # type: ignore[arg-type]
        rows = rows_of(capture.batches())
        assert capture.info.duration_ps >= 0
        assert rows_of(capture.batches()) == rows
        assert capture.info.changes >= 0


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.binary(max_size=300),
    suffix=st.sampled_from((".vcd", ".csv", ".sr", "")),
    rate_hz=st.none() | st.integers(1, 10**12),
    timescale=st.none() | st.text(max_size=8) | st.sampled_from(("1ns", "244 ns", "1s", "1fs")),
    bits=st.none() | st.text("0123456789,-", max_size=6),
    signals=st.none() | st.lists(st.text(max_size=9), max_size=3),
    from_ps=st.none() | st.integers(-(10**18), 10**18),
    max_changes=st.none() | st.integers(1, 9),
)
def test_any_bytes_and_options_are_read_or_refused(
    tmp_path: Path, content: bytes, suffix: str, **options: object
) -> None:
    path = tmp_path / f"one{suffix}"
    path.write_bytes(content)
    read_or_refuse(path, **options)


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        open_capture(tmp_path / "none.vcd")
    assert str(error.value) == f"{tmp_path / 'none.vcd'}: cannot be read: No such file or directory"
    with pytest.raises(InputError) as error:
        open_capture(tmp_path)
    assert str(error.value) == f"{tmp_path}: cannot be read: Is a directory"
