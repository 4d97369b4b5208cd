from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from busplay.core.make import core_for_board, core_kinds, find_core_class, make_core
from busplay.core.reference import ReferenceCore
from busplay.errors import InputError
from busplay.link.load import load_board


def test_core_of_a_board_has_its_processor_map_and_port() -> None:
    board = load_board("dunlin")
    core = core_for_board(board)
    assert core.kind == "compiled"
    assert core.processor == board.processor == "65c02"
    assert board.host_port is not None
    assert core.host_port is not None
    assert core.host_port.first_address == board.host_port.first_address
    assert core.memory_map.windows == board.windows


def test_reference_core_is_made_by_name() -> None:
    core = core_for_board(load_board("dunlin"), kind="reference")
    assert isinstance(core, ReferenceCore)


def test_unknown_core_is_refused_with_the_known_ones() -> None:
    with pytest.raises(InputError) as caught:
        make_core("swift", "6502")
    assert str(caught.value) == f"found core 'swift'; there is {', '.join(core_kinds())}"


def test_processor_that_a_core_lacks_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        make_core("reference", "6809")
    assert str(caught.value) == "found processor '6809'; the reference core is one of 6502, 65c02"


def test_undocumented_instructions_run_if_the_board_says_so() -> None:
    board = replace(load_board("dunlin"), processor="6502", undocumented="run")
    core = core_for_board(board)
    core.memory[0x0200:0x0202] = [0xA7, 0x10]
    core.pc = 0x0200
    assert core.step() == 3
    core = core_for_board(replace(board, undocumented="stop"))
    core.memory[0x0200:0x0202] = [0xA7, 0x10]
    core.pc = 0x0200
    assert core.step() == 0


def test_core_that_cannot_run_undocumented_instructions_is_refused() -> None:
    board = replace(load_board("dunlin"), undocumented="run", file="harbour.toml")
    with pytest.raises(InputError) as caught:
        core_for_board(board, kind="reference")
    assert str(caught.value) == (
        'harbour.toml: undocumented: found "run"; the reference core stops at undocumented'
        ' instructions, so take the compiled core or say "stop"'
    )
    with pytest.raises(InputError) as caught:
        make_core("reference", "6502", undocumented="run")
    assert caught.value.file is None


@pytest.fixture
def other_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An installed package with two cores, of which one does not load."""
    (tmp_path / "harbour_core.py").write_text(
        "from busplay.core.reference import ReferenceCore\n"
        "class HarbourCore(ReferenceCore):\n"
        "    kind = 'harbour'\n"
    )
    info = tmp_path / "harbour-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: harbour\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[busplay.cores]\nharbour = harbour_core:HarbourCore\nbroken = harbour_core:Nothing\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    yield tmp_path
    sys.modules.pop("harbour_core", None)


def test_core_of_another_package_is_found_by_its_entry_point(other_package: Path) -> None:
    assert core_kinds()[-2:] == ("broken", "harbour")
    assert "reference" in core_kinds()[:-2]
    core = make_core("harbour", "6502")
    assert core.kind == "harbour"
    assert find_core_class("harbour") is type(core)
    # It lacks undocumented instructions, which is checked before it is made.
    with pytest.raises(InputError) as caught:
        make_core("harbour", "6502", undocumented="run")
    assert str(caught.value) == (
        'undocumented: found "run"; the harbour core stops at undocumented instructions, so take'
        ' the compiled core or say "stop"'
    )


def test_package_that_does_not_load_is_named(other_package: Path) -> None:
    with pytest.raises(InputError) as caught:
        make_core("broken", "6502")
    assert str(caught.value) == (
        "core 'broken' (harbour_core:Nothing) does not load: module 'harbour_core' has no"
        " attribute 'Nothing'; repair or remove its package"
    )
