"""A trace as one HTML file that replays it in a browser, without a server or anything from outside.

How to think about it. The page holds the trace byte for byte, so nothing of it can be lost, and
anybody can take it out again. Beside it stand facts that only Python knows (`facts`): which frames
the receiver delivered, which instruction made each store, the board in words. Names and notes are
in the facts, as data; the player writes them as text, so they are never markup.
"""

from __future__ import annotations

import json
import re
import zlib
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from hashlib import sha256
from html import escape
from importlib.resources import files
from os import PathLike
from pathlib import Path

from busplay.analysis.flash_watch import flash_report
from busplay.analysis.flashes import SCREEN_PX, FlashReport
from busplay.batch import FrameBatch
from busplay.errors import InputError, printable
from busplay.export.page.deliveries import Deliveries
from busplay.export.page.facts import page_facts
from busplay.export.page.origins import Origins, find_origins, packed_origins
from busplay.export.page.page_text import text_of_bytes
from busplay.export.page.page_turns import page_turns
from busplay.history.history import open_history
from busplay.player.marks import Marks
from busplay.run.replay import Replay
from busplay.whole_file import require_other_file, write_whole_file

# Each takes some 25 bytes in the browser.
FRAMES_MAX = 20_000_000
SCRIPTS = ("decoder.js", "timeline.js", "player.js")
_INDENTATION = re.compile(r"^\t+", re.MULTILINE)
_LINE_COMMENT = re.compile(r"^\s*//.*\n", re.MULTILINE)
_PLACE = re.compile(r"\{\{(\w+)\}\}")


@dataclass(frozen=True, slots=True)
class PageReport:
    """A page that was written.

    Attributes:
        file: the page.
        page_bytes: its size.
        trace_bytes: size of the trace in it.
        frames: frames of the trace.
        frames_not_shown: frames of them that did not reach their unit.
        duration_s: how long the recording lasts.
        marks: notes beside the trace that are in the page.
        instructions: distinct instructions that the stores come from; 0: not known.
        origins_unknown: why the instructions are not known; empty: they are.
        flashes: flashes in its pictures, being shown on a screen of 1024 by 768 pixels.
        cut_reason: why the trace is read up to its last whole chunk only; empty: it is complete.
    """

    file: Path
    page_bytes: int
    trace_bytes: int
    frames: int
    frames_not_shown: int
    duration_s: Fraction
    marks: int
    instructions: int
    origins_unknown: str
    flashes: FlashReport
    cut_reason: str


def share(
    trace: str | PathLike[str],
    output: str | PathLike[str],
    *,
    screen_px: tuple[int, int] = SCREEN_PX,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> PageReport:
    """Write a trace as one HTML file that replays it in any current browser.

    Labels and source lines are in it if the recorded program is beside the trace, and so are the
    marks kept there.

    Args:
        trace: a trace with a board and units.
        output: the page.
        screen_px: size of the screen on which flashes are looked at.
        progress: called with how much is done, and of how much.

    Raises:
        InputError: it is not a trace, is damaged, has no board, or is too long for a browser.
        OutputError: the page cannot be written; what was there before is still there.

    >>> import busplay
    >>> page = busplay.share("fill.trace", "fill.html")
    >>> page.frames, page.flashes.is_below
    (41563, True)
    """
    path, target = Path(trace), Path(output)
    require_other_file(target, path)
    with Replay(path) as replay:
        reader = replay.reader
        if reader.frames > FRAMES_MAX:
            raise InputError(
                file=str(path),
                found=f"{reader.frames:,} frames",
                wanted=f"a browser takes up to {FRAMES_MAX:,}: record fewer cycles",
            )
        history = open_history(reader)
        flashes = flash_report(
            path, screen_px=screen_px, progress=lambda done, total: progress(done, 2 * total)
        )
        marks = Marks.beside(path).all
        deliveries = Deliveries(replay.pipeline, reader.frames)
        replay.run(replay.end_cycle)
        sent = FrameBatch.joined(list(reader.chunks()))
        spurious = deliveries.spurious(sent)
        turns = page_turns(replay.pipeline, sent, deliveries.fates, spurious)
        origins = find_origins(
            reader, sent, progress=lambda done, total: progress(total + done, 2 * total)
        )
        fates = deliveries.fates.tobytes() if deliveries.fates.any() else b""
        facts = page_facts(
            reader,
            history,
            replay.pipeline,
            flashes=flashes,
            marks=marks,
            others=sorted((*spurious, *turns), key=lambda one: one[:2]),
            origins=origins,
            fates_bytes=len(fates),
        )
        packed = packed_origins(origins) if isinstance(origins, Origins) else b""
        page = _page(printable(path.name), facts, fates + packed, path.read_bytes())
    write_whole_file(target, page)
    known = isinstance(origins, Origins)
    return PageReport(
        file=target,
        page_bytes=len(page),
        trace_bytes=reader.file_bytes,
        frames=reader.frames,
        frames_not_shown=int((deliveries.fates != 0).sum()),
        duration_s=Fraction(reader.cycles, replay.clock_hz),
        marks=len(marks),
        instructions=len(origins.addresses) if isinstance(origins, Origins) else 0,
        origins_unknown="" if known else str(origins),
        flashes=flashes,
        cut_reason=reader.cut_reason or "",
    )


def _page(title: str, facts: dict[str, object], columns: bytes, trace: bytes) -> bytes:
    """Fill in the template."""
    told = json.dumps(facts, separators=(",", ":")).encode()
    packs = {"facts": len(told).to_bytes(4, "little") + told + columns, "trace": trace}
    script = "\n".join(_asset(name) for name in SCRIPTS)
    style = _asset("player.css")
    parts = {
        "title": escape(title),
        "style_hash": _digest(style),
        "script_hash": _digest(script),
        "style": style,
        "script": script,
    }
    for name, content in packs.items():
        packed = _deflated(content)
        parts[name] = text_of_bytes(packed)
        parts[f"{name}_bytes"] = str(len(packed))
    # In one pass, so that nothing is replaced within what was put in.
    text = _PLACE.sub(lambda place: parts[place[1]], _asset("page.html"))
    return text.encode()


def _asset(name: str) -> str:
    """Return a file of this folder without indentation and comments of a line, which are 4 kB."""
    text = files(__package__).joinpath(name).read_text(encoding="utf-8")
    if name in SCRIPTS:
        text = _LINE_COMMENT.sub("", text)
    return _INDENTATION.sub("", text).rstrip("\n")


def _deflated(content: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
    return packer.compress(content) + packer.flush()


def _digest(text: str) -> str:
    """Return what a Content-Security-Policy calls a text."""
    return "sha256-" + b64encode(sha256(text.encode()).digest()).decode()
