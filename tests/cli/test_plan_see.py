"""`busplay plan LINK --can-it-see RATE` as a user asks it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click import UsageError

from tests.cli.command import Plan

PROJECT = Path(__file__).parent.parent.parent


def test_three_samples_a_cycle_are_answered_beside_a_trial_and_the_rules(plan: Plan) -> None:
    result = plan("guarded", "--can-it-see", "24MHz")
    assert result.exception is None
    assert result.return_value == 0
    lines = result.stdout.splitlines()
    assert lines[0] == "Only with a steady clock and the check: link guarded, sampled at 24 MHz"
    rows = {" ".join(line.split()) for line in lines}
    assert rows >= {
        "samples one every 41.667 ns: 3 a clock cycle, 1.5 an edge",
        "channels 6 wires",
        "frames intact 4,000",
        "checks failed 0",
        "spurious frames 0",
        "over 16 MHz every edge of the clock is seen",
        "from 64 MHz the usual advice: any clock, steady or not",
    }
    assert max(len(line) for line in lines) <= 80
    assert len(lines) <= 24


def test_json_holds_the_trial_and_the_rules(plan: Plan) -> None:
    figures = json.loads(plan("guarded", "--can-it-see", "24MS/s", "--json").stdout)
    assert figures["answer"] == "steady_clock_and_check"
    assert figures["samples_per_edge"] == 1.5
    trial = figures["trial"]
    assert (trial["frames"], trial["intact"], trial["lost"]) == (4_000, 4_000, 0)
    rules = ("every_edge_above_hz", "order_from_hz", "usual_from_hz")
    assert [figures[one] for one in rules] == [16_000_000, 32_000_000, 64_000_000]


def test_an_analyser_that_cannot_gives_status_1_and_the_reasons(plan: Plan) -> None:
    words = ["marked", "--processor-clock", "1MHz", "--can-it-see", "1.5MHz"]
    result = plan(*words, "--frames", 300, "--json")
    assert result.return_value == 1
    figures = json.loads(result.stdout)
    assert figures["answer"] == "no"
    assert figures["reasons"] == [
        "300 of 300 frames do not come out as sent.",
        "A level of the clock can fall between two samples.",
    ]
    assert plan(*words, "--analyser-channels", 8).return_value == 1


def test_frames_of_a_trace_stand_in_for_random_ones(plan: Plan) -> None:
    trace = PROJECT / "traces" / "fill.trace"
    result = plan("dunlin", "--can-it-see", "24MHz", "--trace", trace, "--frames", 800, "--json")
    assert result.return_value == 0
    figures = json.loads(result.stdout)
    assert figures["traffic"] == "frames of fill.trace"
    assert figures["trial"]["intact"] == 800


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["--can-it-see", "fast"],
            "rate 'fast'; write a number and Hz, kHz, MHz or GHz, such as 24MHz",
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
            "--skew: found 70ns; less than a symbol, which takes 62.5 ns",
        ),
        (["--can-it-see", "24MHz", "--jitter", "-1ns"], "-1ns is negative"),
        (["--can-it-see", "24MHz", "--frames", "0"], "0 is not between 1 and 1,000,000"),
        (
            ["--can-it-see", "24MHz", "--trace", PROJECT / "traces" / "fill.trace"],
            f"{PROJECT / 'traces' / 'fill.trace'}: found frames of link guarded; a trace of link"
            " lean, which is asked about",
        ),
        (["--jitter", "1ns"], "what is said of an analyser goes with --can-it-see RATE"),
        (["--rate", "24MHz"], "--rate is now --can-it-see RATE"),
        (
            ["--can-it-see", "24MHz", "--explore"],
            "--can-it-see is a question of its own; with it go --processor-clock, --trace and what"
            " is said of the analyser",
        ),
    ],
)
def test_wrong_use_is_reported(plan: Plan, words: list[object], message: str) -> None:
    error = plan("lean", *words).exception
    assert error is not None
    assert message in (error.message if isinstance(error, UsageError) else str(error))
