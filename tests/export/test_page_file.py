"""Shared pages: what is in the file, and in the report on it."""

from __future__ import annotations

import hashlib
import re
import zlib
from base64 import b64encode
from pathlib import Path

import pytest

from busplay.description.faults import Faults
from busplay.errors import OutputError
from busplay.export.page.share import share
from busplay.player.marks import Marks
from busplay.run.replay import Replay
from tests.export.films import slow_receiver


def test_policy_allows_nothing_but_the_script_and_style_that_are_there(trace: Path) -> None:
    share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_text(encoding="utf-8")
    policy = re.search(r'Policy" content="([^"]*)"', text)
    assert policy is not None

    def digest(tag: str) -> str:
        content = re.search(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        assert content is not None
        return b64encode(hashlib.sha256(content[1].encode()).digest()).decode()

    assert policy[1] == (
        f"default-src 'none'; script-src 'sha256-{digest('script')}';"
        f" style-src 'sha256-{digest('style')}'; base-uri 'none'; form-action 'none'"
    )
    assert not re.search(r"https?:|@import|url\(|\bsrc=", text.partition("<main>")[0])


def test_report_says_what_is_in_the_page(trace: Path) -> None:
    Marks.beside(trace).add(1000, "here")
    report = share(trace, trace.with_suffix(".html"))
    assert report.page_bytes == trace.with_suffix(".html").stat().st_size
    assert (report.trace_bytes, report.frames) == (trace.stat().st_size, 201)
    assert (report.frames_not_shown, report.marks, report.instructions) == (0, 1, 0)
    assert report.origins_unknown == "no program is recorded with the trace"


def test_same_trace_makes_the_same_page(trace: Path, tmp_path: Path) -> None:
    share(trace, tmp_path / "1.html")
    share(trace, tmp_path / "2.html")
    assert (tmp_path / "1.html").read_bytes() == (tmp_path / "2.html").read_bytes()


def test_page_over_its_own_trace_is_refused(trace: Path) -> None:
    content = trace.read_bytes()
    with pytest.raises(OutputError, match="found an input file"):
        share(trace, trace)
    assert trace.read_bytes() == content


def test_frames_that_were_lost_are_counted(tmp_path: Path) -> None:
    path = slow_receiver(tmp_path)
    with Replay(path) as replay:
        replay.run(replay.end_cycle)
        lost = replay.pipeline.counters().accounts.frames.lost
    assert share(path, tmp_path / "a.html").frames_not_shown == lost > 100


def test_recording_of_what_arrived_says_why_instructions_are_not_known(
    tides: Path, tmp_path: Path
) -> None:
    received = tmp_path / "received.trace"
    faults = Faults(ber=1e-4)
    with Replay(tides, faults=faults, record_received=received) as replay:
        replay.run(200_000)
    report = share(received, tmp_path / "received.html")
    assert (report.instructions, report.origins_unknown) == (
        0,
        "tides.bin sends other frames than the recording has",
    )


def test_packed_parts_inflate_to_facts_and_trace(trace: Path) -> None:
    from tests.export.test_page_decoder import untexted

    share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_bytes().decode("utf-8")
    found = re.search(r'id="trace" data-bytes="(\d+)">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    packed = untexted(found[2])[: int(found[1])]
    assert zlib.decompress(packed, -15) == trace.read_bytes()


def test_player_takes_40_kb_and_a_page_little_more_than_its_trace(trace: Path) -> None:
    report = share(trace, trace.with_suffix(".html"))
    text = trace.with_suffix(".html").read_text(encoding="utf-8")
    packed = re.findall(r'<script type="text/plain"[^>]*>(.*?)</script>', text, re.DOTALL)
    data_bytes = sum(len(one.encode()) for one in packed)
    assert report.page_bytes - data_bytes <= 40_000
    # The facts are 3 kB.
    assert data_bytes <= report.trace_bytes * 8 / 7 + 4_000
