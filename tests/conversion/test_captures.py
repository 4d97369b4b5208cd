"""A trace sampled into any file format, and decoded from it, is the trace again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.capture.lane_map import wires_of
from busplay.capture.synthetic import Analyser
from busplay.conversion.carried_header import with_clock
from busplay.conversion.decode import decode
from busplay.conversion.wires import write_capture, write_wires
from busplay.description.link import Link
from busplay.link.layout import FrameLayout
from busplay.trace.header import TraceHeader
from busplay.trace.reader import TraceReader
from tests.capture.captures import edges_per_second, frames_on_grid
from tests.strategies import links
from tests.trace.cases import pairs_in, write_trace


def write_some(path: Path, link: Link, data: st.DataObject) -> None:
    count, seed = data.draw(st.integers(1, 12)), data.draw(st.integers(0, 9))
    frames = frames_on_grid(FrameLayout(link), count, np.random.default_rng(seed))
    write_trace(path, frames, TraceHeader(link=link))


def decode_file(path: Path, target: Path, link: Link, map_text: str, **reading: object) -> bool:
    """Decode a capture file to a trace; return whether nothing in it was damaged."""
    health = decode(path, link=link, output=target, lane_map=map_text, **reading).health  # type: ignore[arg-type]
    assert health.is_complete
    return health.is_clean


@given(st.data())
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_any_link_comes_back_from_any_format_that_an_analyser_writes(
    tmp_path: Path, data: st.DataObject
) -> None:
    link = data.draw(links())
    levels = edges_per_second(link) * (1 if link.edges == "both" else 2)
    trace, again = tmp_path / "a.trace", tmp_path / "again.trace"
    write_some(trace, link, data)
    names = wires_of(link)
    analyser = Analyser(
        rate_hz=int(levels * data.draw(st.floats(4.2, 9))),
        phase_ps=data.draw(st.integers(0, 3000)),
        channels=tuple(data.draw(st.permutations(range(len(names))))),
        inverted=frozenset(data.draw(st.sets(st.sampled_from(names), max_size=2))),
        seed=data.draw(st.integers(0, 99)),
    )
    path = tmp_path / f"a{data.draw(st.sampled_from(('.vcd', '.csv', '.sr', '.bin')))}"
    with TraceReader(trace) as reader:
        reader.header = with_clock(reader.header, 8_000_000)
        _, injected = write_capture(reader, path, analyser=analyser)
    map_text = injected.map
    reading: dict[str, object] = {}
    if path.suffix == ".bin":
        reading = {"rate_hz": analyser.rate_hz, "bits": f"0-{len(names) - 1}"}
        for channel, name in sorted(enumerate(names), reverse=True):
            map_text = ",".join(
                f"{wire}={'!' if '!' in signal else ''}D{channel}"
                if signal.removeprefix("!") == name
                else f"{wire}={signal}"
                for wire, _, signal in (part.partition("=") for part in map_text.split(","))
            )
    assert decode_file(path, again, link, map_text, **reading)
    assert pairs_in(again) == pairs_in(trace)


@given(st.data())
@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_any_link_comes_back_from_its_wires_as_drawn(tmp_path: Path, data: st.DataObject) -> None:
    link = data.draw(links())
    trace, again = tmp_path / "a.trace", tmp_path / "again.trace"
    write_some(trace, link, data)
    path = tmp_path / f"a{data.draw(st.sampled_from(('.vcd', '.csv')))}"
    with TraceReader(trace) as reader:
        reader.header = with_clock(reader.header, 8_000_000)
        write_wires(reader, path, texts=data.draw(st.booleans()))
    map_text = ",".join(f"{wire}={wire}" for wire in wires_of(link))
    assert decode_file(path, again, link, map_text)
    assert pairs_in(again) == pairs_in(trace)
