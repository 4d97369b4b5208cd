"""References generated from the code: complete for all that a user can write or read."""

from __future__ import annotations

import dataclasses
import json

import click
import pytest
from click.testing import CliRunner

from busplay.cli.main import group
from busplay.description import board, faults, link
from busplay.guide import TOPICS, guide_text
from busplay.guide.attributes import attribute_meanings
from busplay.guide.json_keys import REPORTS, json_keys, report_class
from busplay.guide.keys import FILES, key_rows
from busplay.guide.options import commands
from busplay.guide.terminal import terminal_text
from tests.documents import PROJECT

DESCRIPTIONS = [
    one
    for module in (board, faults, link)
    for one in vars(module).values()
    if isinstance(one, type) and dataclasses.is_dataclass(one)
]


@pytest.mark.parametrize("kind", DESCRIPTIONS, ids=lambda kind: kind.__name__)
def test_every_attribute_of_a_description_has_a_meaning(kind: type) -> None:
    assert {one.name for one in dataclasses.fields(kind)} == set(attribute_meanings(kind))


@pytest.mark.parametrize("name", FILES)
def test_every_key_of_a_file_is_documented(name: str) -> None:
    text = guide_text("keys")
    for table in FILES[name]:
        rows = list(key_rows(table))
        assert [row.name for row in rows] == list(table.keys)
        for row in rows:
            assert all(row), row
            assert f"- `{row.name}` ({row.type};" in text


def test_ranges_and_defaults_in_the_reference_of_keys_are_those_of_the_readers() -> None:
    text = guide_text("keys")
    for line in (
        "- `lanes` (whole number, 1 to 16; needed): data wires",
        "- `pixel_order` (`high_first` or `low_first`; default: `high_first`): where",
        "- `deadline_ns` (whole number, 1 to 1,000,000,000; default: none): a frame served later",
        "- `unmapped_read` (whole number, 0 to 255; default: 0xFF): byte",
        "- `burst_ratio` (probability, 0 to 1; default: 0.5): probability",
    ):
        assert line in text


def test_whole_number_of_a_default_is_written_out() -> None:
    """The crystal's was 1.8432e+06."""
    assert "default: 1,843,200" in guide_text("keys")


@pytest.mark.parametrize("command", [name for name, _ in commands()])
def test_every_option_is_in_the_reference_with_its_help(command: str) -> None:
    text = guide_text("options").partition(f"\n## {command}\n")[2].partition("\n## ")[0]
    found = dict(commands())[command]
    for parameter in found.params:
        if isinstance(parameter, click.Option) and not parameter.hidden:
            assert parameter.opts[0] in text
            assert (parameter.help or "").split("  ")[0].split("\n")[0][:30] in text


def test_every_command_that_prints_json_has_its_keys_in_the_reference() -> None:
    with_json = {
        name for name, one in commands() if any("--json" in param.opts for param in one.params)
    }
    assert with_json == set(REPORTS)


@pytest.mark.parametrize("command", REPORTS)
def test_every_json_key_has_a_meaning(command: str) -> None:
    for printed in REPORTS[command]:
        for _, key, meaning in json_keys(report_class(printed.place)):
            assert meaning, f"{printed.place}: {key}"


@pytest.mark.parametrize(
    "words",
    [
        ("info", "traces/tides.trace"),
        ("plan", "dunlin"),
        ("check", "lean"),
        ("check", "dunlin"),
        ("demo", "fill", "--headless", "--cycles", "9000"),
    ],
    ids=" ".join,
)
def test_every_printed_key_is_in_the_reference(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(PROJECT)
    printed = CliRunner().invoke(group, [*words, "--json"]).stdout
    keys: set[str] = set()
    json.loads(printed, object_hook=lambda one: keys.update(one) or one)
    text = guide_text("json")
    assert {key for key in keys if f"- `{key}`" not in text} <= MAPPED


# Keys of mappings, which are listed with the mapping's own key.
MAPPED = {"frame, frame", "frame, idle", "idle, frame", "idle, idle"}


def test_topics_are_listed_and_others_are_refused() -> None:
    listed = CliRunner().invoke(group, ["guide"])
    assert listed.exit_code == 0
    assert all(f"  {name} " in listed.stdout for name in TOPICS)
    refused = CliRunner().invoke(group, ["guide", "nothing"])
    assert refused.exit_code == 2


@pytest.mark.parametrize("topic", TOPICS)
def test_topic_is_markdown_in_a_pipe_and_fits_a_terminal(topic: str) -> None:
    piped = CliRunner().invoke(group, ["guide", topic]).stdout
    assert piped == guide_text(topic)
    assert piped.startswith("# ")
    assert "{{" not in piped
    shown = terminal_text(piped, heading=str.upper)
    prose = [line for line in shown.splitlines() if not line.startswith("    ")]
    assert max(len(line) for line in prose) <= 80
    assert "```" not in shown
