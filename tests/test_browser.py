"""The watched browser itself: a page that is not silent is noticed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser import Watched

NOISY = """<!doctype html><html lang=en><title>t</title><body><img src="other.png">
<script>console.log("said"); setTimeout(() => { throw new Error("thrown"); });</script>"""
SILENT = """<!doctype html><html lang=en><title>t</title><main><h1>t</h1></main>"""


@pytest.mark.thorough
def test_messages_errors_requests_and_what_axe_finds_are_noticed(
    tab: Watched, tmp_path: Path
) -> None:
    (tmp_path / "noisy.html").write_text(NOISY)
    tab.open(tmp_path / "noisy.html").wait_for_timeout(50)
    assert "said" in tab.messages
    assert any("thrown" in one for one in tab.messages)
    assert tab.requests == [(tmp_path / "other.png").as_uri()]
    assert any("image-alt" in one for one in tab.grave_violations())
    with pytest.raises(AssertionError):
        tab.require_silent()


@pytest.mark.thorough
def test_silent_page_is_silent(tab: Watched, tmp_path: Path) -> None:
    (tmp_path / "silent.html").write_text(SILENT)
    tab.open(tmp_path / "silent.html")
    tab.require_silent()
    assert tab.grave_violations() == []
