"""The shipped traces equal what the commands in their README record, byte for byte."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import zstandard

from busplay.demo.programs import DEMO_PROGRAMS
from busplay.run.replay import Replay
from busplay.trace.header import pack_header
from busplay.trace.reader import TraceReader
from tests.cli.command import run_busplay

PROJECT = Path(__file__).parent.parent.parent
COMMANDS = [
    line.split()[1:]
    for line in (PROJECT / "traces" / "README.md").read_text(encoding="utf-8").splitlines()
    if line.startswith("busplay run dunlin")
]


def test_every_program_has_a_trace_and_a_command() -> None:
    recorded = [re.sub(r".*/|\.trace$", "", words[-1]) for words in COMMANDS]
    assert sorted(recorded) == sorted(DEMO_PROGRAMS)


@pytest.mark.parametrize(
    "core", ["compiled", pytest.param("reference", marks=pytest.mark.thorough)]
)
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: Path(words[-1]).stem)
def test_fresh_recording_equals_the_shipped_one(
    words: list[str], core: str, tmp_path: Path
) -> None:
    shipped = PROJECT / words[-1]
    fresh = tmp_path / shipped.name
    # The command, with other paths of program, keys and recording.
    moved = [str(PROJECT / word) if (PROJECT / word).is_file() else word for word in words[:-1]]
    run_busplay(*moved, str(fresh), "--core", core)
    if zstandard.ZSTD_VERSION[:2] == (1, 5):
        assert fresh.read_bytes() == shipped.read_bytes()
    # Another libzstd may compress differently; the contents must be the same.
    with TraceReader(fresh) as one, TraceReader(shipped) as other:
        assert pack_header(one.header) == pack_header(other.header)
        assert one.key_presses() == other.key_presses()
        for mine, theirs in zip(one.chunks(), other.chunks(), strict=True):
            assert mine.edge.tobytes() == theirs.edge.tobytes()
            assert mine.word.tobytes() == theirs.word.tobytes()


@pytest.mark.parametrize("name", DEMO_PROGRAMS)
def test_shipped_trace_replays_without_an_error(name: str) -> None:
    with Replay(PROJECT / "traces" / f"{name}.trace") as replay:
        replay.run(replay.end_cycle)
        assert replay.ended
        assert replay.status().errors == 0
        assert replay.display("panel").memory.any()
