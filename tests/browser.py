"""A headless Chromium for tests of pages: one browser a session, a new tab a test.

A tab is watched: what it logs, each error, and each request that is not for the file opened. A page
of ours causes none of these, so `Watched.require_silent` fails where there is one.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = "chromium"
# Violations that a person who cannot see or use a pointer is stopped by, in axe-core's words.
GRAVE = {"serious", "critical"}


@dataclass(slots=True)
class Watched:
    """A tab, and what it did.

    Attributes:
        page: Playwright's.
        messages: console messages and errors that nobody caught.
        requests: addresses asked for, those of the page's own file left out.
    """

    page: Page
    messages: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def open(self, path: Path, fragment: str = "") -> Page:
        """Open a file of ours."""
        address = path.as_uri()
        self.page.goto(address + fragment)
        self.requests = [one for one in self.requests if one.partition("#")[0] != address]
        return self.page

    def require_silent(self) -> None:
        """Fail if it logged anything, or asked for anything but its own file."""
        assert self.messages == []
        outside = [one for one in self.requests if not one.startswith(("blob:", "data:"))]
        assert outside == []

    def grave_violations(self) -> list[str]:
        """Return what axe-core finds serious or critical, with the elements."""
        from axe_playwright_python.sync_playwright import Axe

        found: list[dict[str, Any]] = Axe().run(self.page).response["violations"]
        return [
            f"{one['id']}: {one['help']}: {node['html']}"
            for one in found
            if one["impact"] in GRAVE
            for node in one["nodes"]
        ]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start Debian's Chromium, without a window; Playwright brings none along."""
    found = shutil.which(CHROMIUM)
    if found is None:
        pytest.skip("chromium is not installed; CI installs it")
    from playwright.sync_api import sync_playwright

    # Its sandbox refuses to run as root.
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=found, args=options)
        yield running
        running.close()


OpenTab = Callable[..., Watched]


@pytest.fixture
def new_tab(browser: Browser) -> Iterator[OpenTab]:
    """Return a function that opens a watched tab; options are those of Playwright's contexts."""
    with ExitStack() as stack:

        def make(**options: Any) -> Watched:
            context = browser.new_context(**options)
            stack.callback(context.close)
            watched = Watched(context.new_page())
            page = watched.page
            page.on("console", lambda told: watched.messages.append(told.text))
            page.on("pageerror", lambda error: watched.messages.append(str(error)))
            page.on("request", lambda asked: watched.requests.append(asked.url))
            return watched

        yield make


@pytest.fixture
def tab(new_tab: OpenTab) -> Watched:
    """Return a watched tab of 1280 by 720 pixels."""
    return new_tab(viewport={"width": 1280, "height": 720})
