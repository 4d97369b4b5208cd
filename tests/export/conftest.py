"""Recordings that are shared as pages."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.documents import PROJECT
from tests.export.films import moving, record, small_board

TIDES = PROJECT / "traces" / "tides.trace"


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(60), moving(200_000))


@pytest.fixture
def tides(tmp_path: Path) -> Path:
    path = tmp_path / "tides.trace"
    path.write_bytes(TIDES.read_bytes())
    return path
