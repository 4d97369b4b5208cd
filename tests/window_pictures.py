"""Take the four pictures of the window that README.md shows: `python -m tests.window_pictures`."""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import TemporaryDirectory

from busplay.cli.held_against import HeldAgainst, differences_between
from busplay.description.faults import Faults
from busplay.history.history import open_history
from busplay.history.program_history import ProgramHistory
from busplay.history.program_inspector import KnownProgram
from busplay.history.trace_inspector import TraceInspector
from busplay.player.marks import Marks
from busplay.player.player import Player
from busplay.png import write_png
from busplay.program.labels import read_labels
from busplay.run.replay import Replay
from busplay.run.session import Session
from busplay.view import screen
from busplay.view.instrument.state import Kept, Overlay, Pixel, Tab
from busplay.view.window import PlayerWindow

PICTURES = Path(__file__).parent.parent / "busplay" / "demo" / "pictures"
LABELS = Path(__file__).parent.parent / "roms" / "tides.lbl"
CYCLES = 8_000_000
SHOWN_CYCLE = 5_333_333
SIZE = (1280, 720)


def window_of(replay: Replay, folder: Path, against: Replay | None = None) -> PlayerWindow:
    """Open a window on a recording, its program and perhaps another recording beside it."""
    reader = replay.reader
    labels = read_labels(LABELS)
    found = () if against is None else differences_between(reader, against.reader, labels)
    program = ProgramHistory.of_trace(reader, labels=LABELS)
    inspector = TraceInspector(
        replay,
        open_history(reader),
        KnownProgram(labels, program),
        against=against,
        differences=found,
    )
    marks = Marks()
    marks.add(700_000, "the water is laid")
    marks.add(4_000_000, "the swell")
    now_ns = 0
    played = replay if against is None else HeldAgainst(replay, inspector)
    window = PlayerWindow(
        Player(played, lambda: now_ns, whole_pictures=True),
        title="pictures",
        clock=lambda: now_ns,
        scale=None,
        stacked=False,
        fullscreen=False,
        picture_folder=folder,
        picture_stem="picture",
        inspector=inspector,
        marks=marks if against is None else None,
        kept=Kept(tab=Tab.FRAMES, width_px=SIZE[0], height_px=SIZE[1]),
    )
    # A driver that draws to nowhere has a small desktop.
    window._window.resize(SIZE)
    window._player.seek_to(SHOWN_CYCLE)
    window.paint()
    return window


def take(window: PlayerWindow, name: str) -> None:
    """Write what the window shows."""
    window.paint()
    write_png(PICTURES / f"{name}.png", window._window_picture())


def main() -> None:
    """Take all pictures."""
    os.environ.setdefault("SDL_VIDEODRIVER", "dummy")
    with TemporaryDirectory() as name, screen.open_screen():
        folder = Path(name)
        sent, received = folder / "sent.trace", folder / "received.trace"
        with Session("dunlin", program="tides.bin", record=sent) as session:
            session.run(CYCLES - session.cycle)
        with Replay(sent, faults=Faults(ber=1e-4), record_received=received) as noisy:
            noisy.run(noisy.end_cycle)
        with Replay(sent) as replay:
            window = window_of(replay, folder)
            take(window, "window")
            state = window.instrument.state
            state.kept.tab, state.overlay = Tab.PIXEL, Overlay.AGE
            state.pinned = Pixel("panel", 128, 60)
            take(window, "pixel")
            state.pinned, state.overlay = None, Overlay.NONE
            state.kept.tab, state.kept.below_permille = Tab.PROGRAM, 300
            window._player.seek_to(149_973)
            here = window.instrument.here_edge
            view = window.instrument.state.view
            assert view is not None
            state.view = view.on(here, here + 82)
            take(window, "lanes")
        with Replay(sent) as replay, Replay(received) as other:
            take(window_of(replay, folder, other), "against")


if __name__ == "__main__":
    main()
