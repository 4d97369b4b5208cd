from __future__ import annotations

import sys

import pytest

from busplay.cli import progress
from busplay.cli.progress import late_bar


def show_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress, "QUICK_S", 0)
    monkeypatch.setattr(progress, "REDRAW_S", 0)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)


def test_bar_shows_how_far_it_is(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    show_at_once(monkeypatch)
    with late_bar(200, label="losses") as move_to:
        move_to(50)
        move_to(100)
    assert "losses  [######------]   50%" in capsys.readouterr().err


def test_work_without_a_known_end_shows_its_text(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    show_at_once(monkeypatch)
    with late_bar(None, label="running", text=lambda: "1.5 s of the board's time") as move_to:
        move_to(12_000_000)
    err = capsys.readouterr().err
    assert "running  1.5 s of the board's time" in err
    assert "%" not in err


def test_pipe_gets_no_bar(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(progress, "QUICK_S", 0)
    with late_bar(200, label="losses") as move_to:
        move_to(100)
    assert capsys.readouterr().err == ""
