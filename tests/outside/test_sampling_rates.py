"""The planner's sample rates against the trade's rules, and against the decoder's report."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from busplay.analysis.sampling.sampling import Sampling
from busplay.analysis.sampling.visibility import can_it_see
from busplay.cli.convert_command import command as convert
from busplay.cli.decode_command import command as decode
from busplay.link.load import load_link

PRACTICE = "common practice, no source"
MHZ = 1_000_000
TRACE = Path(__file__).parent.parent.parent / "traces" / "fill.trace"


def asked(rate_hz: int) -> Sampling:
    return Sampling(load_link("guarded"), 8 * MHZ, rate_hz)


@pytest.mark.source(PRACTICE, part="24 MS/s on an 8 MHz clock: three samples a cycle, 1.5 an edge")
def test_24_ms_on_8_mhz_are_three_samples_a_cycle_and_one_and_a_half_an_edge() -> None:
    report = can_it_see("guarded", 24 * MHZ, frames=100)
    assert report.samples_per_cycle == 3
    assert report.samples_per_edge == Fraction(3, 2)


@pytest.mark.source(PRACTICE, part="a level is seen if the sample period is shorter")
@pytest.mark.source(PRACTICE, part="four samples a clock level")
def test_levels_of_8_mhz_need_over_16_ms_and_four_samples_each_are_64_ms() -> None:
    assert asked(1).every_level_hz == 16 * MHZ
    assert asked(1).usual_hz == 64 * MHZ
    # The other way round: at 24 MS/s, four samples an edge are 6 million symbols a second.
    both_edges = Sampling(load_link("guarded"), 3 * MHZ, 24 * MHZ)
    assert both_edges.usual_hz == 24 * MHZ
    assert both_edges.clock_hz * 2 == 6 * MHZ


@pytest.mark.source(PRACTICE, part="an edge is seen within one sample period")
def test_an_edge_is_as_late_as_a_sample_period_at_most(tmp_path: Path) -> None:
    exact, seen = tmp_path / "exact.csv", tmp_path / "seen.csv"
    for target, more in ((exact, ["--as", "wires"]), (seen, ["--out-rate", "24MHz"])):
        words = [str(TRACE), str(target), "--out-to", "200us", *more]
        assert CliRunner().invoke(convert, words, standalone_mode=False).exception is None

    def edges(path: Path) -> list[Fraction]:
        rows = [line.split(",") for line in path.read_text().splitlines() if line[:1].isdigit()]
        times = [(Fraction(row[0]), row[1]) for row in rows]
        return [
            time
            for (time, level), (_, before) in zip(times[1:], times[:-1], strict=True)
            if level != before
        ]

    there, here = edges(exact), edges(seen)
    assert len(here) in (len(there), len(there) - 1)
    period = Fraction(1, 24 * MHZ)
    late = [one - other for one, other in zip(here, there, strict=False)]
    unit = Fraction(1, 10**9)  # times are rounded to the file's unit
    assert min(late) >= -unit
    assert max(late) <= period + unit


@pytest.mark.thorough
@pytest.mark.source(PRACTICE, part="24 MS/s on an 8 MHz clock: what a decoder then doubts")
def test_the_trial_doubts_what_decode_doubts_of_such_a_capture(tmp_path: Path) -> None:
    capture = tmp_path / "seen.sr"
    words = [str(TRACE), str(capture), "--out-rate", "24024000Hz"]
    assert CliRunner().invoke(convert, words, standalone_mode=False).exception is None
    words = [str(capture), "--link", "guarded", "--json"]
    decoded = json.loads(CliRunner().invoke(decode, words, standalone_mode=False).stdout)
    tried = can_it_see("guarded", 24_000_000, trace=TRACE, frames=4_000).trial
    sampling = decoded["health"]["sampling"]
    share = sampling["symbols_in_doubt"] / sampling["symbols"]
    assert 0 < share < 1
    assert tried is not None
    # The trial takes the frames from the first on; the trace has idle time before them.
    assert tried.in_doubt_ratio == pytest.approx(share, abs=0.15)
