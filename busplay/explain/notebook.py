"""Reports as HTML, for notebooks: the verdict, and below it the screenful that a terminal shows."""

from __future__ import annotations

from html import escape


def report_html(verdict: str, text: str, *, is_fine: bool) -> str:
    """Return a report as HTML; names in it are text, never markup.

    Args:
        verdict: one line.
        text: in lines of 80 columns.
        is_fine: gives the verdict a tick, else a cross.
    """
    mark = "✓" if is_fine else "✗"
    return (
        f"<div><p><strong>{mark} {escape(verdict)}</strong></p>"
        f'<pre style="line-height: 1.3">{escape(text)}</pre></div>'
    )
