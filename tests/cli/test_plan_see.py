"""`busplay plan LINK --can-it-see RATE` as a user asks it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click import UsageError

from busplay.errors import InputError
from tests.cli.command import Plan

PROJECT = Path(__file__).parent.parent.parent


def test_three_samples_a_cycle_are_answered_in_words_beside_a_trial(plan: Plan) -> None:
    result = plan("guarded", "--can-it-see", "24MHz")
    assert result.exception is None
    assert result.return_value == 0
    lines = result.stdout.splitlines()
    assert lines[:2] == [
        "Can an analyser at 24 MHz see link guarded?",
        "  Only with a steady clock and the check. Every level of the clock is seen, but",
    ]
    rows = {" ".join(line.split()) for line in lines}
    assert rows >= {
        "samples one every 41.667 ns: 3 a cycle, 1.5 an edge",
        "channels 6 wires, so 6 channels, and ground",
        "frames right 4,000 4,000",
        "frames damaged 0 0",
        "frames nobody sent 0 0",
        "over 16 MHz every edge of the clock is seen",
        "from 48 MHz no symbol is in doubt, if the decoder can follow a steady clock",
    }
    assert max(len(line) for line in lines) <= 80


def test_link_and_rate_may_stand_the_other_way_round(plan: Plan) -> None:
    words = ["--frames", 0, "--json"]
    one = plan("guarded", "--can-it-see", "24MHz", *words)
    other = plan("--can-it-see", "guarded", "--rate", "24MHz", *words)
    assert one.return_value == other.return_value == 0
    assert one.stdout == other.stdout


def test_plan_without_a_link_is_refused(plan: Plan) -> None:
    missing = plan()
    assert isinstance(missing.exception, UsageError)
    assert missing.exception.message == "Missing argument 'LINK-or-BOARD'."
    both = plan("guarded", "--can-it-see", "lean", "--rate", "24MHz")
    assert isinstance(both.exception, UsageError)
    assert both.exception.message == (
        "with --rate the link stands behind --can-it-see, and 'guarded' is one too many"
    )
    neither = plan("--can-it-see", "24MHz")
    assert isinstance(neither.exception, UsageError)
    assert neither.exception.message == (
        "--can-it-see wants a link and a rate: LINK --can-it-see 24MHz, or --can-it-see LINK"
        " --rate 24MHz"
    )


def test_json_holds_what_is_expected_beside_what_was_measured(plan: Plan) -> None:
    figures = json.loads(plan("guarded", "--can-it-see", "24MS/s", "--json").stdout)
    assert figures["answer"] == "only with a steady clock and the check"
    assert figures["samples_per_edge"] == {"numerator": 3, "denominator": 2}
    assert figures["every_edge_seen"] is True
    assert figures["order_seen"] is False
    expected, tried = figures["expected"], figures["tried"]
    assert expected["in_doubt_ratio"] == pytest.approx(tried["in_doubt_ratio"], abs=0.05)
    assert (tried["frames"], tried["frames_right"]) == (4_000, 4_000)
    assert figures["enough_hz"] == {
        "every_edge_above": 16_000_000,
        "order_from": 32_000_000,
        "no_doubt_from": 48_000_000,
        "usual_from": 64_000_000,
    }


def test_an_analyser_that_cannot_gives_status_1_and_the_reasons(plan: Plan) -> None:
    words = ["marked", "--processor-hz", "1M", "--can-it-see", "1.5MHz", "--analyser-channels", 8]
    result = plan(*words, "--frames", 300, "--json")
    assert result.return_value == 1
    figures = json.loads(result.stdout)
    assert figures["answer"] == "no"
    assert figures["reasons"] == [
        "The link has 9 wires, the analyser 8 channels.",
        "A level of the clock can be as short as 500 ns and fall between two samples, which are"
        " 666.67 ns apart.",
        "Symbols are in doubt, and the link has no check that tells which were read wrong.",
        "Tried, 300 of 300 frames did not come out as they were sent.",
    ]
    assert plan(*words).return_value == 1


def test_frames_of_a_trace_stand_in_for_random_ones(plan: Plan) -> None:
    trace = PROJECT / "traces" / "fill.trace"
    result = plan("dunlin", "--can-it-see", "24MHz", "--trace", trace, "--frames", 800, "--json")
    assert result.return_value == 0
    figures = json.loads(result.stdout)
    assert figures["traffic"] == "frames of fill.trace"
    assert figures["tried"]["frames_right"] == 800
    assert figures["expected"]["in_doubt_ratio"] == pytest.approx(
        figures["tried"]["in_doubt_ratio"], abs=0.05
    )


def test_only_worked_out_where_no_frames_are_to_be_tried(plan: Plan) -> None:
    assert (
        json.loads(plan("lean", "--can-it-see", "24MHz", "--frames", 0, "--json").stdout)["tried"]
        is None
    )
    output = plan("lean", "--can-it-see", "900GHz").stdout
    assert "not tried (worked out for random frames, as so many samples a" in output


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["--can-it-see", "fast"],
            "found --can-it-see 'fast'; write a number and Hz, kHz, MHz or GHz, such as 24MHz",
        ),
        (
            ["--can-it-see", "24MHz", "--skew", "clock=1ns"],
            "--skew: found wire 'clock'; skew is against the clock, so the wires are lane0, lane1,"
            " lane2, lane3",
        ),
        (
            ["--can-it-see", "24MHz", "--skew", "lane0"],
            "--skew: found lane0; a wire and a time, such as lane0=2ns",
        ),
        (
            ["--can-it-see", "24MHz", "--skew", "lane0=70ns"],
            "--skew: found lane0=70ns; less than a symbol, which takes 62.5 ns",
        ),
        (
            ["--can-it-see", "24MHz", "--jitter", "-1ns"],
            "--jitter: found -1ns; a time that is not negative",
        ),
        (
            ["--can-it-see", "24MHz", "--trace", PROJECT / "traces" / "fill.trace"],
            f"{PROJECT / 'traces' / 'fill.trace'}: found frames of link guarded; a trace of link"
            " lean, which is asked about",
        ),
        (["--jitter", "1ns"], "what is said of an analyser goes with --can-it-see RATE"),
        (
            ["--can-it-see", "24MHz", "--explore"],
            "--can-it-see is a question of its own; with it go --processor-hz, --trace and what"
            " is said of the analyser",
        ),
    ],
)
def test_wrong_use_is_told(plan: Plan, words: list[object], message: str) -> None:
    result = plan("lean", *words)
    assert result.exception is not None
    error = result.exception
    assert (error.message if isinstance(error, UsageError) else str(error)) == message
    assert isinstance(error, (InputError, UsageError))
