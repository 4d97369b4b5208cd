"""Vectors: complete, the same in every form, and true by a slow receiver that knows no tables."""

from __future__ import annotations

import csv
import io
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from vcdvcd import VCDVCD

import busplay
from busplay.batch import FrameBatch, WireBatch
from busplay.emission.framing_model import COUNTERS, possible_events
from busplay.emission.vectors import Vector, spelled_out, vectors
from busplay.wire.faulty import FaultKind, FaultyWire
from tests.emission.firmware import correcting, model_of
from tests.naive.receiver import NaiveReceiver
from tests.receiver.wires import every_symbol
from tests.strategies import links

MOSTLY_THOROUGH = [
    "strobed",
    "marked",
    *(pytest.param(name, marks=pytest.mark.thorough) for name in ("guarded", "lean", "serial")),
    pytest.param("corrected", marks=pytest.mark.thorough),
]


def taken(made: tuple[Vector, ...]) -> set[object]:
    return {one for vector in made for one in vector.taken}


@pytest.mark.parametrize("name", MOSTLY_THOROUGH[:-1])
def test_vectors_take_every_transition_that_the_link_can_take(name: str) -> None:
    model = model_of(busplay.load_link(name))
    possible = possible_events(model.framing, can_fail=model.can_fail, corrects=False)
    assert taken(vectors(model)) == possible


@pytest.mark.thorough
def test_vectors_of_a_receiver_that_corrects_take_its_transitions_too() -> None:
    model = model_of(correcting("dunlin"))
    possible = possible_events(model.framing, can_fail=True, corrects=True)
    assert taken(vectors(model)) == possible


@pytest.mark.parametrize("name", MOSTLY_THOROUGH)
def test_vectors_hold_what_a_slow_receiver_says(name: str) -> None:
    corrects = name == "corrected"
    model = model_of(correcting("dunlin") if corrects else busplay.load_link(name))
    for vector in vectors(model):
        naive = NaiveReceiver(model.link, correct_one_bit=corrects)
        states = []
        for edge, symbol in enumerate(vector.symbols):
            naive.feed([symbol], edge)
            states.append(naive.state)
        assert states == [state.name for state in vector.states]
        assert naive.frames == [(one.first_symbol, one.word) for one in vector.frames]
        for counter in COUNTERS:
            assert vector.counters[counter] == naive.counts.get(counter, 0)


@pytest.mark.thorough
@settings(max_examples=8)
@given(link=links())
def test_every_kind_of_fault_hits_the_vectors_of_any_link(link: busplay.Link) -> None:
    model = model_of(link)
    made = {vector.name: vector for vector in vectors(model)}
    assert len(made) == len(vectors(model))
    clean = made["clean"]
    assert clean.counters["frames_received"] == 12
    assert clean.counters["checks_failed"] == 0
    for name in ("flipped", "stuck_low", "late", "early", "lost_edge", "extra_edge"):
        assert made[name].kind == "fault"
        assert len(made[name].symbols) > 40 * model.layout.frame_symbols / 2


@pytest.mark.thorough
def test_every_kind_of_fault_has_a_vector() -> None:
    kinds = {"flipped", "stuck", "late", "early", "lost_edge", "extra_edge"}
    assert kinds == {kind.name.lower() for kind in FaultKind}
    names = {vector.name for vector in vectors(model_of(busplay.load_link("lean")))}
    assert {one for one in kinds if any(name.startswith(one) for name in names)} == kinds


@settings(max_examples=30)
@given(link=links())
def test_stretches_after_faults_are_spelled_out_as_by_hand(link: busplay.Link) -> None:
    layout = model_of(link).layout
    words = layout.pack(address=np.arange(9, dtype=np.uint64), data=7)
    edges = np.array([0, 1, 2, 5, 6, 9, 10, 30, 31], np.uint64) * np.uint64(layout.slot_symbols)
    batch = WireBatch.of_words(
        FrameBatch(edges, words), first_edge=0, stop_edge=40 * layout.slot_symbols
    )
    plan = busplay.Faults(ber=0.01, lost_edges=0.02, extra_edges=0.02, seed=3)
    parts = FaultyWire(layout, plan, edge_hz=1_000_000).feed(batch)
    by_hand = np.concatenate([every_symbol(part, layout) for part in parts])
    assert spelled_out(parts, layout).tolist() == by_hand.tolist()


@pytest.fixture(scope="module")
def emitted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("vectors")
    busplay.emit("strobed", folder, only=["vectors"])
    return folder / "vectors"


def test_json_and_csv_hold_the_same_vectors(emitted: Path) -> None:
    made = vectors(model_of(busplay.load_link("strobed")))
    found = json.loads((emitted / "strobed_vectors.json").read_text())
    assert [one["name"] for one in found["vectors"]] == [one.name for one in made]
    text = (emitted / "strobed_vectors.csv").read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(io.StringIO("\n".join(lines))))
    at = 0
    for vector, listed in zip(made, found["vectors"], strict=True):
        assert tuple(listed["symbols"]) == vector.symbols
        assert listed["counters"] == vector.counters
        assert listed["states"] == [state.name.lower() for state in vector.states]
        part = rows[at : at + len(vector.symbols)]
        at += len(part)
        assert [int(row["symbol"]) for row in part] == list(vector.symbols)
        assert [row["state"] for row in part] == listed["states"]
        frames = [
            {"symbol": int(row["index"]), "first_symbol": int(row["first_symbol"])}
            | {"word": int(row["word"], 16)}
            for row in part
            if row["word"]
        ]
        assert frames == listed["frames"]
    assert at == len(rows)


def test_memory_files_hold_symbols_frames_and_counters(emitted: Path) -> None:
    made = vectors(model_of(busplay.load_link("strobed")))

    def rows(part: str) -> list[int]:
        lines = (emitted / f"strobed_{part}.hex").read_text().splitlines()
        return [int(line, 16) for line in lines if not line.startswith("//")]

    symbols = rows("symbols")
    assert [row & 0x7F for row in symbols] == [one for vector in made for one in vector.symbols]
    assert [row >> 7 & 3 for row in symbols] == [one for vector in made for one in vector.states]
    assert sum(row >> 9 & 1 for row in symbols) == len(rows("frames"))
    assert sum(row >> 11 for row in symbols) == len(made)
    assert rows("frames") == [frame.word for vector in made for frame in vector.frames]
    assert rows("counters") == [vector.counters[one] for vector in made for one in COUNTERS]


@pytest.mark.source("vcdvcd 2.6.0", part="reads the dump of the vectors", kind="library")
def test_dump_shows_the_symbols_at_the_edges_that_sample(emitted: Path) -> None:
    made = vectors(model_of(busplay.load_link("strobed")))
    dump = VCDVCD(str(emitted / "strobed_vectors.vcd"))
    wires = [dump[f"strobed.lane{lane}"] for lane in range(6)] + [dump["strobed.strobe"]]
    clock = dump["strobed.clock"].tv
    rises = [
        time for (_, before), (time, after) in pairwise(clock) if (before, after) == ("0", "1")
    ]
    symbols = [sum(int(wire[time]) << bit for bit, wire in enumerate(wires)) for time in rises]
    assert symbols == [one for vector in made for one in vector.symbols]
