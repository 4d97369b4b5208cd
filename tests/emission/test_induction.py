"""The emitted receiver is proved equal to the table of states, and a wrong one is not."""

from __future__ import annotations

import re
import tempfile
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import busplay
from busplay.description.board import Board
from busplay.description.link import Link
from busplay.emission.emission import Emission
from busplay.emission.proof.induction import MUTATIONS, prove_receiver
from busplay.emission.proof.tools import Proof
from busplay.emission.verilog_files import no_verilog_reason, verilog_files
from busplay.link.layout import FrameLayout
from tests.boards import board_with
from tests.emission.firmware import correcting, missing, model_of
from tests.receiver.wires import can_correct
from tests.strategies import links

needs_yosys = pytest.mark.skipif(bool(missing("yosys")), reason=missing("yosys"))


def proofs_of(
    described: Link | Board, folder: Path, *, count: int = 2, old: str = "", new: str = ""
) -> list[Proof]:
    """Return the first proofs of a receiver, in which `old` stands once and is replaced."""
    model = model_of(described)
    for one in verilog_files(Emission(model, ())):
        text = one.content.decode("utf-8")
        if old and one.path.name.endswith("_receiver_core.v"):
            assert text.count(old) == 1
            text = text.replace(old, new)
        (folder / one.path.name).write_text(text, encoding="utf-8")
    return list(islice(prove_receiver(model, folder), count))


@pytest.mark.thorough
@needs_yosys
@pytest.mark.source("Yosys", part="sat -tempinduct", kind="library")
@pytest.mark.parametrize(
    ("name", "count"),
    [("guarded", 2), ("lean", 1), ("marked", 1), ("serial", 1), ("strobed", 1)],
)
def test_receiver_equals_the_table_of_states(name: str, count: int, tmp_path: Path) -> None:
    found = proofs_of(busplay.load_link(name), tmp_path, count=count)
    assert [one.status for one in found] == ["passed"] * count, found


@pytest.mark.thorough
@needs_yosys
def test_receiver_that_corrects_equals_the_table_of_states(tmp_path: Path) -> None:
    found = proofs_of(correcting("dunlin"), tmp_path, count=1)
    assert found == [
        Proof(
            "receiver equals the table of states, one symbol a clock",
            "yosys",
            "passed",
            "by induction over 1 clock, from any reset on, for all syndromes; mutants with a"
            " transition and with a limit changed are refuted within 11 clocks",
            is_exhaustive=True,
        )
    ]


@pytest.mark.thorough
@needs_yosys
@settings(max_examples=2)
@given(link=links(), corrects=st.booleans())
def test_receiver_of_any_link_equals_the_table_of_states(link: Link, corrects: bool) -> None:
    of: Link | Board = link
    if corrects and can_correct(FrameLayout(link)):
        of = correcting(board_with(link))
    if no_verilog_reason(model_of(of)) is not None:
        return
    with tempfile.TemporaryDirectory() as name:
        found = proofs_of(of, Path(name), count=1)
        assert [one.status for one in found] == ["passed"], found


@pytest.mark.thorough
@needs_yosys
@pytest.mark.parametrize(
    ("name", "old", "new", "detail"),
    [
        # A solver meets it within a frame.
        (
            "strobed",
            "CONFIRMED}: transition = {SYNC,",
            "CONFIRMED}: transition = {HUNT,",
            "it differs",
        ),
        # It would have to receive many frames first.
        ("marked", "RELEASE_FRAMES = 3'h7", "RELEASE_FRAMES = 3'h6", "induction"),
        # That name is not declared in it, so the next state is undefined.
        (
            "marked",
            "RELEASED}: transition = {HUNT,",
            "RELEASED}: transition = {PRESYNC,",
            "induction",
        ),
        # A counter, and the word whose syndrome is asked.
        ("strobed", "add_frames_idle + 8'd1", "add_frames_idle", "induction"),
        ("strobed", "seen = window;", "seen = 0;", "induction"),
    ],
)
def test_receiver_that_is_wrong_is_not_proved(
    name: str, old: str, new: str, detail: str, tmp_path: Path
) -> None:
    found = proofs_of(busplay.load_link(name), tmp_path, old=old, new=new)
    assert [one.status for one in found] == ["failed"]
    assert found[0].detail.startswith(detail), found


@pytest.mark.thorough
@needs_yosys
def test_proof_whose_mutants_pass_proves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    harmless = MUTATIONS[0].__class__("nothing", r"// States: (what)", lambda word: word)
    monkeypatch.setattr("busplay.emission.proof.induction.MUTATIONS", (harmless,))
    found = proofs_of(busplay.load_link("strobed"), tmp_path)
    assert found[0].status == "failed"
    assert found[0].detail == "a mutant with nothing changed is not refuted, so it proves nothing"


@pytest.mark.parametrize("name", ["guarded", "marked", "strobed"])
def test_mutants_are_made_of_one_place_each(name: str, tmp_path: Path) -> None:
    model = model_of(busplay.load_link(name))
    files = {one.path.name: one.content.decode() for one in verilog_files(Emission(model, ()))}
    text = files[f"{name}_receiver_core.v"]
    for mutation in MUTATIONS:
        mutant = mutation.applied(text)
        assert mutant is not None
        lines = zip(text.splitlines(), mutant.splitlines(), strict=True)
        changed = [(old, new) for old, new in lines if old != new]
        assert len(changed) == 1
        assert re.search(r"transition = |FRAME_SYMBOLS = ", changed[0][1])
        assert mutation.applied(text + text) is None
