"""The examples of README.md and the guides, run as they stand.

A document's TOML and Python blocks whose first line is a comment `# name.toml` or `# name.py` are
files; its shell blocks run line by line in a folder with these, `my_program.bin` and `tides.bin`; a
text block right behind a shell block is what that prints, up to a last line `...`.
`python -m tests.documents` writes those texts anew.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from busplay.guide import FOLDER

PROJECT = Path(__file__).parent.parent
DOCUMENTS = [PROJECT / "README.md", *sorted(FOLDER.glob("*.md"))]
_BLOCK = re.compile(r"^```(?P<kind>\w*)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)
MORE = "...\n"
# How long a window must stay open.
WINDOW_S = 3
# Waits for nobody: LDA #$FF, STA $6000, LDA #0, STA $D00A (the exit register), then a loop.
PROGRAM = bytes([0xA9, 0xFF, 0x8D, 0x00, 0x60, 0xA9, 0x00, 0x8D, 0x0A, 0xD0, 0x4C, 0x0A, 0xE0])


class Example(NamedTuple):
    """A shell block and the text block behind it, with its place in the document."""

    shell: str
    output: str | None
    output_start: int
    output_stop: int


def examples(document: str) -> list[Example]:
    """Return the shell blocks of a document, those that install something left out."""
    blocks = list(_BLOCK.finditer(document))
    found = []
    for index, block in enumerate(blocks):
        if block["kind"] != "sh" or "-m venv" in block["text"]:
            continue
        after = blocks[index + 1] if index + 1 < len(blocks) else None
        follows = after is not None and not document[block.end() : after.start()].strip()
        if after is None or not follows or after["kind"] != "text":
            found.append(Example(block["text"], None, 0, 0))
        else:
            found.append(Example(block["text"], after["text"], *after.span("text")))
    return found


def is_output(found: str, expected: str) -> bool:
    """Return whether a block prints what its document says; a last line `...` stands for more."""
    return shortened(found, expected) == expected


def shortened(found: str, expected: str) -> str:
    """Return as much of an output as a document shows of it."""
    lines = expected.splitlines(keepends=True)
    if not lines or lines[-1] != MORE:
        return found
    return "".join([*found.splitlines(keepends=True)[: len(lines) - 1], MORE])


def prepare(document: str, folder: Path) -> None:
    """Write the files that a document's examples read."""
    for block in _BLOCK.finditer(document):
        name = re.match(r"# (\S+\.(?:toml|py))[:\n]", block["text"])
        if block["kind"] in ("toml", "python") and name:
            (folder / name[1]).write_text(block["text"], encoding="utf-8")
    shutil.copy(PROJECT / "roms" / "tides.bin", folder)
    vectors = b"\x00\xe0\x00\xe0"
    (folder / "my_program.bin").write_bytes(PROGRAM.ljust(0x1FFC, b"\xea") + vectors)


def run_shell(shell: str, folder: Path) -> str:
    """Run a block's lines one by one and return what they print.

    Raises:
        AssertionError: a line's exit status is not 0 (1 where its comment says so).
    """
    windows: list[Window] = []
    try:
        lines = [line for line in shell.splitlines() if line.strip()]
        printed = "".join(_run_line(line, folder, windows) for line in lines)
        for window in windows:
            window.require_open()
    finally:
        for window in windows:
            window.child.terminate()
            window.child.communicate()
    return printed


class Window:
    """A command that opened a window, which stays open while the lines after it run."""

    def __init__(self, line: str, child: subprocess.Popen[bytes]) -> None:
        self.line, self.child = line, child
        self._started_s = time.monotonic()

    def require_open(self) -> None:
        """Wait until it has been open for WINDOW_S."""
        time.sleep(max(0, self._started_s + WINDOW_S - time.monotonic()))
        assert self.child.poll() is None, (self.line, self.child.communicate()[1])


def _run_line(line: str, folder: Path, windows: list[Window]) -> str:
    here = {**os.environ, "SDL_VIDEODRIVER": "dummy", "PYTHONPATH": str(PROJECT), "COLUMNS": "80"}
    # An entry point that is installed too would load it twice.
    here |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTEST_PLUGINS": "busplay.pytest_plugin"}
    here.pop("CI", None)
    ours = re.sub(
        r"\b(busplay|pytest)\b(?= )", rf"{shlex.quote(sys.executable)} -m \1", line, count=1
    )
    if needs_window(line):
        child = subprocess.Popen(
            shlex.split(ours, comments=True), cwd=folder, env=here, stderr=subprocess.PIPE
        )
        windows.append(Window(line, child))
        return ""
    done = subprocess.run(
        ["bash", "-c", ours], cwd=folder, env=here, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == int("exit status 1:" in line), (line, done.stdout, done.stderr)
    return done.stdout


def needs_window(line: str) -> bool:
    """Return whether a command opens a window."""
    words = shlex.split(line, comments=True)
    return (
        words[:1] == ["busplay"]
        and words[1] in {"demo", "run", "replay"}
        and not ({"--headless", "--list"} & set(words))
    )


def main() -> None:
    """Write the outputs of all documents anew."""
    for path in DOCUMENTS:
        document = path.read_text(encoding="utf-8")
        with tempfile.TemporaryDirectory() as name:
            prepare(document, Path(name))
            made = [(one, run_shell(one.shell, Path(name))) for one in examples(document)]
        for one, output in reversed(made):
            if one.output is not None:
                shown = shortened(output, one.output)
                document = document[: one.output_start] + shown + document[one.output_stop :]
        path.write_text(document, encoding="utf-8")


if __name__ == "__main__":
    main()
