"""Shells complete commands, options, shipped names and files, by click's scripts for them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from busplay.cli.main import COMMANDS, group
from busplay.guide import guide_text
from tests.documents import PROJECT

# What completes a line in each shell: the script that a user's start file loads, then the line.
BASH = """
eval "$(_BUSPLAY_COMPLETE=bash_source busplay)"
compopt() {{ local IFS=" "; echo "compopt $*"; }}
COMP_WORDS=({words}) COMP_CWORD={last}
_busplay_completion busplay
printf '%s\\n' "${{COMPREPLY[@]}}"
"""
# Without a terminal zsh has no completion widgets; these functions stand in for its own.
ZSH = """
compdef() {{ }}
compadd() {{ local name=$@[-1]; print -rl -- "${{(@P)name}}" }}
_describe() {{ for one in "${{(@P)3}}"; do print -r -- "${{one%%:*}}"; done }}
_path_files() {{ print -r -- "files $*" }}
eval "$(_BUSPLAY_COMPLETE=zsh_source busplay)"
words=({words}) CURRENT={last}+1
_busplay_completion
"""
FISH = """
_BUSPLAY_COMPLETE=fish_source busplay | source
complete --do-complete "{line}"
"""


@pytest.fixture
def path(tmp_path: Path) -> str:
    """A search path that begins with our command."""
    command = tmp_path / "bin" / "busplay"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nPYTHONPATH={PROJECT} exec {sys.executable} -m busplay "$@"\n')
    command.chmod(0o755)
    return f"{command.parent}:{os.environ['PATH']}"


def completed(shell: str, line: str, *, path: str, folder: Path) -> list[str]:
    """Return what a shell offers for the last word of a line."""
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed; CI installs it")
    words = line.split(" ")
    script = {"bash": BASH, "zsh": ZSH, "fish": FISH}[shell].format(
        words=" ".join(f"'{word}'" for word in words), last=len(words) - 1, line=line
    )
    bare = {"bash": ["--norc"], "zsh": ["-f"], "fish": ["--no-config"]}[shell]
    done = subprocess.run(
        [shell, *bare, "-c", script],
        cwd=folder,
        env={"PATH": path, "HOME": str(folder), "TERM": "dumb", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        text=True,
    )
    assert not done.stderr, done.stderr
    # fish adds the description behind a tab.
    return [one.partition("\t")[0] for one in done.stdout.splitlines() if one]


@pytest.mark.thorough
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_completes_commands_options_names_and_files(
    shell: str, path: str, tmp_path: Path
) -> None:
    def offered(line: str) -> list[str]:
        return completed(shell, line, path=path, folder=tmp_path)

    (tmp_path / "mine.toml").write_text("")
    assert set(COMMANDS) <= set(offered("busplay "))
    assert "profile" in offered("busplay pr")
    assert "replay" not in offered("busplay pr")
    assert "--until-exit" in offered("busplay run dunlin --unt")
    assert {"guarded", "lean"} <= set(offered("busplay run dunlin --link "))
    assert "dunlin" not in offered("busplay run dunlin --link ")
    assert "waves" in offered("busplay demo w")
    assert "reference" in offered("busplay run dunlin --core r")
    assert "window" in offered("busplay guide w")
    files = offered("busplay run m")
    # bash and zsh complete the files themselves once they are told to.
    told = {"bash": "compopt -o default", "zsh": "files -f", "fish": "mine.toml"}
    assert told[shell] in files, files


def complete_by_click(line: str) -> list[str]:
    """Return what our command answers to bash."""
    words = line.split(" ")
    done = subprocess.run(
        [sys.executable, "-m", "busplay"],
        env={
            **os.environ,
            "PYTHONPATH": str(PROJECT),
            "_BUSPLAY_COMPLETE": "bash_complete",
            "COMP_WORDS": line,
            "COMP_CWORD": str(len(words) - 1),
        },
        capture_output=True,
        text=True,
    )
    assert not done.stderr
    return done.stdout.split()


def test_line_that_would_be_refused_is_completed_all_the_same() -> None:
    line = "busplay run no_such.toml --record no/such/folder/a.trace --cyc"
    assert complete_by_click(line) == ["plain,--cycles"]
    assert complete_by_click("busplay replay a.trace --sec") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_line_that_the_guide_has_prints_a_script_for_the_shell(shell: str) -> None:
    from click.shell_completion import get_completion_class

    assert f"_BUSPLAY_COMPLETE={shell}_source busplay" in guide_text("start")
    kind = get_completion_class(shell)
    assert kind is not None
    script = kind(group, {}, "busplay", "_BUSPLAY_COMPLETE").source()
    assert f"_BUSPLAY_COMPLETE={shell}_complete" in script
