"""Run 6502 programs, send their stores over a one-way link, and show what arrives.

    import busplay

    board = busplay.load_board("dunlin")
    session = busplay.Session(board, program="tides.bin", faults=busplay.Faults(ber=1e-5, seed=1))
    session.run(cycles=400_000)
    session.run_until(label="main_loop")
    session.registers, session.memory[0x200:0x300]
    session.display("panel").save("screen.png")

    report = busplay.check("guarded")  # the command's report, as data
    found = busplay.compare("sent.trace", "received.trace")
    cause = busplay.why("tides.trace", unit="panel", pixel=(120, 40))
    trace = busplay.decode("run3.vcd", link="guarded", board="dunlin")
    busplay.convert("tides.trace", "tides.vcd")
    busplay.share("tides.trace", "tides.html")

There is one function a command; `run`, `demo` and `replay` are `Session` and `Replay`. Boards,
links, faults, traces and captures are taken as objects or as the names or paths of their files.
Functions return frozen dataclasses whose docstrings document every attribute.

Every name loads its module when first used, so that `import busplay` is quick.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from busplay.version import VERSION

__version__ = VERSION


if TYPE_CHECKING:
    from busplay.analysis.compare.compare import compare
    from busplay.analysis.flash_watch import FlashWatch, flash_report
    from busplay.analysis.flashes import FlashMeter
    from busplay.analysis.plan import plan
    from busplay.analysis.profile.profile import profile
    from busplay.analysis.soundness.report import check
    from busplay.analysis.stress.stress import stress
    from busplay.batch import FrameBatch, StoreBatch
    from busplay.chain.why import why
    from busplay.conversion.convert import convert
    from busplay.conversion.decode import decode
    from busplay.conversion.info import info
    from busplay.core.devices.make import trust_board_code
    from busplay.description.board import Board
    from busplay.description.faults import Faults
    from busplay.description.link import Link
    from busplay.display.display import Display
    from busplay.emission.emit import emit
    from busplay.errors import (
        BusplayError,
        CoreStoppedError,
        DescriptionError,
        FieldError,
        InputError,
        NoScreenError,
        NotReachedError,
        OutputError,
    )
    from busplay.export.page.share import share
    from busplay.history.history import open_history
    from busplay.history.places import Place
    from busplay.history.program_history import ProgramHistory
    from busplay.link.layout import FrameLayout
    from busplay.link.load import load_board, load_link, parse_board, parse_link
    from busplay.reporting.report import report
    from busplay.run.replay import Replay
    from busplay.run.session import Session
    from busplay.run.tap import Tap, attach
    from busplay.run.trace_writer import TraceWriter
    from busplay.starter.new import new
    from busplay.trace.reader import TraceReader

_HOME = {
    "Board": "busplay.description.board",
    "BusplayError": "busplay.errors",
    "CoreStoppedError": "busplay.errors",
    "DescriptionError": "busplay.errors",
    "Display": "busplay.display.display",
    "Faults": "busplay.description.faults",
    "FieldError": "busplay.errors",
    "FlashMeter": "busplay.analysis.flashes",
    "FlashWatch": "busplay.analysis.flash_watch",
    "FrameBatch": "busplay.batch",
    "FrameLayout": "busplay.link.layout",
    "InputError": "busplay.errors",
    "Link": "busplay.description.link",
    "NoScreenError": "busplay.errors",
    "NotReachedError": "busplay.errors",
    "OutputError": "busplay.errors",
    "Place": "busplay.history.places",
    "ProgramHistory": "busplay.history.program_history",
    "Replay": "busplay.run.replay",
    "Session": "busplay.run.session",
    "StoreBatch": "busplay.batch",
    "Tap": "busplay.run.tap",
    "TraceReader": "busplay.trace.reader",
    "TraceWriter": "busplay.run.trace_writer",
    "attach": "busplay.run.tap",
    "check": "busplay.analysis.soundness.report",
    "compare": "busplay.analysis.compare.compare",
    "convert": "busplay.conversion.convert",
    "decode": "busplay.conversion.decode",
    "emit": "busplay.emission.emit",
    "flash_report": "busplay.analysis.flash_watch",
    "info": "busplay.conversion.info",
    "load_board": "busplay.link.load",
    "load_link": "busplay.link.load",
    "new": "busplay.starter.new",
    "open_history": "busplay.history.history",
    "parse_board": "busplay.link.load",
    "parse_link": "busplay.link.load",
    "plan": "busplay.analysis.plan",
    "profile": "busplay.analysis.profile.profile",
    "report": "busplay.reporting.report",
    "share": "busplay.export.page.share",
    "stress": "busplay.analysis.stress.stress",
    "trust_board_code": "busplay.core.devices.make",
    "why": "busplay.chain.why",
}

__all__ = [
    "Board",
    "BusplayError",
    "CoreStoppedError",
    "DescriptionError",
    "Display",
    "Faults",
    "FieldError",
    "FlashMeter",
    "FlashWatch",
    "FrameBatch",
    "FrameLayout",
    "InputError",
    "Link",
    "NoScreenError",
    "NotReachedError",
    "OutputError",
    "Place",
    "ProgramHistory",
    "Replay",
    "Session",
    "StoreBatch",
    "Tap",
    "TraceReader",
    "TraceWriter",
    "__version__",
    "attach",
    "check",
    "compare",
    "convert",
    "decode",
    "emit",
    "flash_report",
    "info",
    "load_board",
    "load_link",
    "new",
    "open_history",
    "parse_board",
    "parse_link",
    "plan",
    "profile",
    "report",
    "share",
    "stress",
    "trust_board_code",
    "why",
]


def __getattr__(name: str) -> object:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'busplay' has no attribute {name!r}")
    return getattr(importlib.import_module(home), name)


def __dir__() -> list[str]:
    return __all__
