"""Manual pages: one a command, with all of its help, and nothing that roff would not print."""

from __future__ import annotations

import re
import shutil
import subprocess

import click
import pytest

from busplay.cli.main import COMMANDS
from busplay.guide.man_pages import man_pages
from busplay.guide.options import commands

PAGES = dict(man_pages())


def test_every_command_has_a_page_that_the_first_one_names() -> None:
    assert list(PAGES) == ["busplay.1", *(f"busplay-{name}.1" for name in COMMANDS)]
    for name in COMMANDS:
        assert rf"\fBbusplay-{name}(1)\fP" in PAGES["busplay.1"]


@pytest.mark.parametrize(("name", "command"), list(commands()), ids=list(COMMANDS))
def test_page_has_every_option_and_the_example(name: str, command: click.Command) -> None:
    page = PAGES[f"busplay-{name}.1"]
    assert page.startswith(f'.TH "BUSPLAY {name.upper()}" "1" "" ')
    for option in command.params:
        if isinstance(option, click.Option):
            shown = re.escape(option.opts[-1].replace("-", r"\-"))
            found = re.search(rf"^\\fB.*{shown}(?![\\\w]*-)", page, re.MULTILINE)
            assert (found is None) is option.hidden, option
    example = (command.epilog or "").removeprefix("Example: ").replace("-", r"\-")
    assert f".SH EXAMPLE\n{example}\n" in page


@pytest.mark.thorough
@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed; CI installs it")
@pytest.mark.parametrize("name", PAGES)
def test_page_prints_without_a_warning_and_options_can_be_copied(name: str) -> None:
    done = subprocess.run(
        ["groff", "-k", "-man", "-Tutf8", "-P-cbou", "-ww"],
        input=PAGES[name],
        capture_output=True,
        text=True,
        check=True,
        env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"},
    )
    assert done.stderr == ""
    assert "--help" in done.stdout
    assert "\\" not in done.stdout


def test_every_page_has_both_names_of_help_whatever_was_called_before() -> None:
    # click keeps a command's help option, with the names of the first context that asked for it.
    assert all(r"\-h" in page and r"\-\-help" in page for page in PAGES.values())
