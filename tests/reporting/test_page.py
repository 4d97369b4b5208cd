"""A report's page: text stays text, and nothing but its own style and images is allowed."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from busplay.reporting import page as pages
from busplay.reporting.figures import _plain, draw_addresses, draw_bars, draw_heat, screen_figure
from busplay.reporting.page import (
    CommandList,
    FactList,
    FigureRow,
    ReportPage,
    ReportPart,
    ReportProse,
    ReportSection,
    ReportTable,
    render,
    require_can_report,
)

HOSTILE = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "{{ 7 * 7 }}{% raw %}",
    "&lt;b&gt; & \u2028 \u202e $x$ \\frac{1}{2} ]]>",
)


class Read(HTMLParser):
    """Tags, attributes and texts of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        # Cells and paragraphs are apart.
        self.text += " "
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def whole_page(text: str) -> ReportPage:
    """Return a page that has a text everywhere."""
    picture = screen_figure(np.zeros((2, 3, 3), np.uint8), title=text, alt=text, note=text)
    parts: tuple[ReportPart, ...] = (
        FactList(((text, text),)),
        ReportTable(text, (text, text), ((text, text),), more=text),
        picture,
        FigureRow((picture, picture)),
        ReportProse(text),
        ReportProse(text, is_warning=True),
        CommandList(((text, text),)),
    )
    return ReportPage(text, text, is_fine=False, sections=(ReportSection("Section", parts),))


@pytest.mark.parametrize("text", HOSTILE)
def test_text_is_never_markup(text: str) -> None:
    plain, hostile = Read(render(whole_page("plain"))), Read(render(whole_page(text)))
    assert hostile.tags == plain.tags
    assert "script" not in hostile.tags
    assert [name for name, _ in hostile.attributes] == [name for name, _ in plain.attributes]
    assert hostile.text.count(text) == plain.text.count("plain") == 21
    assert whole_page(text).figures == 3


def test_policy_allows_the_style_by_its_digest_and_images_in_the_file_alone() -> None:
    text = render(whole_page("plain"))
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', text)
    (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none';"
        " form-action 'none'"
    )
    assert 'style="' not in text
    assert "url(" not in style
    assert "@import" not in style
    assert not re.findall(r'(?:src|href)="(?!data:image/|#)', text)


def test_missing_package_is_named_with_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "find_spec", lambda name: None)
    with pytest.raises(pages.BusplayError) as caught:
        require_can_report()
    assert str(caught.value) == (
        "report needs Matplotlib; install it with: pip install 'busplay[analysis]'"
    )


def test_names_in_figures_are_no_formulas() -> None:
    from matplotlib.cbook import is_math_text

    for name in (*HOSTILE, "$A000 $A", r"\$", "$", r"$\frac$", r"\\$$"):
        # What Matplotlib shows of a text that is none: its dollars without their backslashes.
        assert not is_math_text(_plain(name))
        assert _plain(name).replace(r"\$", "$") == name


@pytest.mark.thorough
def test_figures_are_the_same_each_time_whatever_the_names() -> None:
    names = [*HOSTILE, r"$\frac$ _x"]

    def sources() -> list[str]:
        counts = np.arange(12).reshape(3, 4)
        many = {f"${address:04X} {HOSTILE[0]}": 2 for address in range(40)}
        return [
            draw_bars(names, {"a": range(6), HOSTILE[4]: range(6)}, title="t", label="$l$").source,
            draw_heat(counts, title="t", alt="a", note="n", label="$x$").source,
            draw_addresses(many, range(40), title="t", label="$").source,
        ]

    first = sources()
    assert first == sources()
    for one in first:
        svg = base64.b64decode(one.removeprefix("data:image/svg+xml;base64,")).decode()
        assert "<dc:date>" not in svg
        assert "<text" not in svg
        assert "<script" not in svg
