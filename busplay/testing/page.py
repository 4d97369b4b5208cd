"""One HTML page for the pictures that differ, beside them; it needs nothing from outside."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from busplay.testing.gathered import GENERATOR, PAGE
from busplay.testing.pictures import PictureCheck
from busplay.whole_file import write_whole_file
from busplay.wording import counted

_HEAD = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
{GENERATOR}
<title>Screens that differ</title>
<style>
:root {{ color-scheme: light dark }}
body {{ font: 1rem/1.4 sans-serif; margin: 1rem }}
figure {{ display: inline-block; margin: 0 1rem 1rem 0; vertical-align: top }}
img {{ image-rendering: pixelated; max-width: 100%; min-width: 16rem; border: 1px solid }}
</style>
</head>
<body>
"""


def write_page(folder: Path, checks: Sequence[PictureCheck]) -> Path:
    """Write the page of the pictures gathered in a folder; return its path.

    Raises:
        OutputError: it cannot be written.
    """
    parts = [_HEAD, f"<h1>{counted(len(checks), 'screen')} not as expected</h1>\n"]
    for one in checks:
        parts.append(f"<h2>{escape(str(one))}, {one.state}</h2>\n<p>{escape(one.test)}</p>\n")
        for kind in ("expected", "actual", "difference"):
            if name := getattr(one, kind):
                parts.append(
                    f'<figure><img src="{quote(name)}" alt="{kind}">'
                    f"<figcaption>{kind}</figcaption></figure>\n"
                )
    parts.append("</body>\n</html>\n")
    path = folder / PAGE
    write_whole_file(path, "".join(parts).encode("utf-8", "backslashreplace"))
    return path
