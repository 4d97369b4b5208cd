from __future__ import annotations

import click
import pytest
from click.testing import CliRunner

from busplay.cli.renamed import renamed
from busplay.cli.style import heading, verdict


@click.command("decode")
@click.argument("capture")
@click.option("--correct", is_flag=True)
@renamed("--mend", "--correct")
@renamed("--glitch", "--glitch-filter")
def decode(capture: str, correct: bool) -> None:
    click.echo(f"{capture} {correct}")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["a.vcd", "--mend"], "--mend is now --correct"),
        (["--mend", "a.vcd"], "--mend is now --correct"),
        (["a.vcd", "--glitch", "5ns"], "--glitch is now --glitch-filter"),
        (["--glitch=5ns"], "--glitch is now --glitch-filter"),
    ],
)
def test_old_name_is_refused_with_the_new_one(words: list[str], said: str) -> None:
    found = CliRunner().invoke(decode, words)
    assert found.exit_code == 2
    assert said in found.output


def test_new_name_works_and_help_lists_no_old_one() -> None:
    assert CliRunner().invoke(decode, ["a.vcd", "--correct"]).output == "a.vcd True\n"
    assert "--mend" not in CliRunner().invoke(decode, ["--help"]).output


def test_colour_is_for_terminals_that_want_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert verdict("sound", ok=True) == "\x1b[32m\x1b[1msound\x1b[0m"
    assert heading("Check") == "\x1b[1mCheck\x1b[0m"
    monkeypatch.setenv("NO_COLOR", "1")
    assert verdict("sound", ok=False) == "sound"
