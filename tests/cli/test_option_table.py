"""One name of an option has one meaning in all commands: one type, one metavar, one help text."""

from __future__ import annotations

from collections import defaultdict

import click
import pytest

from busplay.cli.main import COMMANDS, group

# What differs with reason: the option, and the commands that have their own.
OWN_KIND = {
    # A folder, where the other is a time.
    ("--to", "emit"),
    # The rates at which the layout is judged, and not a fault that is injected.
    ("--ber", "check"),
    # Searches with several.
    ("--clock-rate", "plan"),
    # Draws with no library that writes .pdf.
    ("--plot", "plan"),
    # Lists the programs, where the other lists differences.
    ("--list", "demo"),
    # What arrived of the trace, where the other shows the two side by side.
    ("--against", "why"),
}
OWN_HELP = OWN_KIND | {
    ("--board", "convert"),
    ("--csv", "profile"),
    ("--cycles", "profile"),
    ("--cycles", "replay"),
    ("--cycles", "stress"),
    ("--frames", "plan"),
    ("--jitter", "plan"),
    ("--labels", "compare"),
    ("--labels", "decode"),
    ("--link", "convert"),
    ("--link", "decode"),
    ("--link", "new"),
    ("--link", "why"),
    ("--output", "report"),
    ("--output", "share"),
    ("--against", "report"),
    ("--board", "report"),
    ("--link", "report"),
    ("--program", "report"),
    ("--program", "why"),
    ("--program", "profile"),
    ("--skew", "plan"),
    ("--scale", "convert"),
    ("--snapshot", "decode"),
    ("--unit", "convert"),
}


def options() -> dict[str, dict[str, click.Option]]:
    table: dict[str, dict[str, click.Option]] = defaultdict(dict)
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        for param in command.params:
            if isinstance(param, click.Option) and not param.hidden:
                table[max(param.opts, key=len)][name] = param
    return table


SHARED = {name: found for name, found in options().items() if len(found) > 1}


def kind(command: str, option: click.Option) -> tuple[object, ...]:
    metavar = option.make_metavar(click.Context(click.Command(command)))
    return type(option.type).__name__, option.is_flag, option.multiple, metavar


@pytest.mark.parametrize("name", sorted(SHARED))
def test_one_name_has_one_kind_of_value(name: str) -> None:
    kinds = {
        kind(command, option)
        for command, option in SHARED[name].items()
        if (name, command) not in OWN_KIND
    }
    assert len(kinds) == 1


@pytest.mark.parametrize("name", sorted(SHARED))
def test_one_name_has_one_help_text(name: str) -> None:
    texts = {
        option.help for command, option in SHARED[name].items() if (name, command) not in OWN_HELP
    }
    assert len(texts) == 1


def test_every_help_text_is_a_sentence() -> None:
    for name, found in options().items():
        for command, option in found.items():
            text = (option.help or "").partition("  [default")[0]
            assert text[:1].isupper(), (command, name, text)
            assert text.endswith("."), (command, name, text)
            assert "May be repeated" not in text, (command, name, text)


def test_own_texts_are_of_options_that_exist() -> None:
    for name, command in OWN_HELP:
        assert command in options()[name], (name, command)


def test_every_old_name_leads_to_an_option_of_the_command() -> None:
    context = click.Context(group)
    checked = 0
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        found = [one for one in command.params if isinstance(one, click.Option)]
        shown = {text for one in found if not one.hidden for text in one.opts}
        for old in [one.opts[0] for one in found if one.hidden]:
            with pytest.raises(click.UsageError) as refused:
                command.make_context(name, [old, "1"])
            said, _, new = refused.value.message.partition(" is now ")
            assert said == old
            assert new.split()[0] in shown, (name, new)
            checked += 1
    assert checked > 20
