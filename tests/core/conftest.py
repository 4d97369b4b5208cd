from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.core import programs


@pytest.fixture(scope="module", params=["reference", "compiled"])
def core_kind(request: pytest.FixtureRequest) -> Iterator[str]:
    """Run the module's tests on each core."""
    before, programs.KIND = programs.KIND, request.param
    yield request.param
    programs.KIND = before
