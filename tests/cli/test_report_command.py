"""`busplay report` as it is called: what is said, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busplay.link.load import load_link
from busplay.reporting.report import report
from busplay.run.session import Session
from busplay.trace.header import TraceHeader
from tests.cli.conftest import Busplay
from tests.export.films import moving, record, small_board
from tests.trace.cases import joined, write_trace


@pytest.mark.thorough
def test_verdict_file_and_figures_are_said(busplay: Busplay, tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), moving(20_000))
    target = tmp_path / "a.html"
    outcome = busplay("report", trace, "-o", target)
    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out == (
        "a.trace on dunlin: all 20 stores received as sent\n"
        f"  report    {target}, 11 sections, 5 figures\n"
    )
    figures = busplay("report", trace, "-o", target, "--json").figures
    size = target.stat().st_size
    assert (figures["kind"], figures["figures"], figures["file_bytes"]) == ("trace", 5, size)
    # The page names files, not the folders of who made it.
    assert str(tmp_path) not in target.read_text(encoding="utf-8")


def test_what_does_not_go_with_the_file_is_refused(tmp_path: Path, busplay: Busplay) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), moving(20_000))
    target = tmp_path / "a.html"
    empty = tmp_path / "empty.trace"
    empty.touch()
    state = tmp_path / "a.state"
    state.write_text(json.dumps({"format": "busplay stress 2", "run": "0"}) + "\n")
    for words, told in (
        ((trace, "--link", "guarded"), "--link: found {0}, a trace; it is for captures"),
        ((state, "--board", "dunlin"), "--board: found {0}, a sweep; it is for captures"),
        ((state, "--against", trace), "--against: found {0}, a sweep; it is for traces and"),
        ((trace, "--from", "1ms"), "{0}: found a trace, and options of a capture; leave out those"),
        ((tmp_path / "none.trace",), "{0}: "),
        ((tmp_path,), "{0}"),
        ((empty,), "{0}: found an empty file; give a trace, a capture, or a file of stress"),
    ):
        outcome = busplay("report", *words, "-o", target)
        assert outcome.status == 2
        assert told.format(words[0]) in outcome.err
        assert "Traceback" not in outcome.err
        assert not target.exists()


@pytest.mark.thorough
@pytest.mark.parametrize("step", ["playing", "planning", "profiling"])
def test_interrupted_report_writes_nothing(tmp_path: Path, step: str) -> None:
    """Some steps return what they have when they are interrupted; a page is whole or not there."""
    trace = tmp_path / "fill.trace"
    with Session("dunlin", program="fill.bin", record=trace) as session:
        session.run(400_000)

    def interrupt(what: str, done: int, total: int) -> None:
        if what == step:
            raise KeyboardInterrupt

    target = tmp_path / "a.html"
    with pytest.raises(KeyboardInterrupt):
        report(trace, target, progress=interrupt)
    assert not target.exists()


def test_report_never_replaces_what_it_is_made_from(tmp_path: Path, busplay: Busplay) -> None:
    trace = record(tmp_path / "a.html", small_board(60), moving(20_000))
    before = trace.read_bytes()
    outcome = busplay("report", trace, "-o", trace)
    assert outcome.status == 2
    assert "so that nothing is lost" in outcome.err
    assert trace.read_bytes() == before


@pytest.mark.parametrize("tail", [b"", b"{}\n", b'{"point": 0, "result": {}}\n'])
def test_damaged_state_leaves_an_old_report_alone(
    tmp_path: Path, busplay: Busplay, tail: bytes
) -> None:
    state, target = tmp_path / "a.state", tmp_path / "a.html"
    state.write_bytes(b'{"format": "busplay stress 2", "run": 7}\n' + tail)
    target.write_text("old")
    outcome = busplay("report", state, "-o", target)
    assert outcome.status == 2
    assert str(state) in outcome.err
    assert target.read_text() == "old"


def test_trace_without_a_board_is_refused(tmp_path: Path, busplay: Busplay) -> None:
    link = load_link("guarded")
    write_trace(tmp_path / "a.trace", joined([]), TraceHeader(link=link))
    outcome = busplay("report", tmp_path / "a.trace", "-o", tmp_path / "a.html")
    assert outcome.status == 2
    assert "found a trace without a board; record it with a board" in outcome.err
