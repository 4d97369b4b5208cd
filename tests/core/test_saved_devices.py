"""The states of devices as bytes: what is written is read back, and nothing else is taken."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplay.core.devices.bus import DeviceBusState
from busplay.core.devices.make import devices_of_board
from busplay.core.saved_devices import (
    SNAPSHOTS_BYTES_MAX,
    NotPlainError,
    pack_devices,
    parse_devices,
)
from busplay.description.board import Board
from busplay.errors import InputError
from busplay.link.load import load_board
from tests.description.writing import BOARD
from tests.fuzz.own import DEVICES_BOARD

OWN = (
    BOARD
    + """
[[devices]]
kind = "own.py:Own"
name = "own"
first_address = 0xA800
last_address = 0xA80F
"""
)
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
    | st.binary(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.lists(inner, max_size=4).map(tuple)
        | st.dictionaries(st.text() | st.integers(), inner, max_size=4)
    ),
    max_leaves=20,
)  # fmt: skip


def board_of(tmp_path: Path, text: str) -> Board:
    (tmp_path / "own.py").touch()
    path = tmp_path / "board.toml"
    path.write_text(text)
    return load_board(path)


def own_state(snapshot: object) -> DeviceBusState:
    return DeviceBusState(7, False, 1 << 62, (), (1 << 62,), (snapshot,))


@given(snapshot=PLAIN)
def test_snapshot_of_plain_data_is_read_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, snapshot: object
) -> None:
    board = board_of(tmp_path_factory.mktemp("own"), OWN)
    packed = pack_devices(own_state(snapshot))
    found = parse_devices(packed, board=board, keys=0)
    assert found == own_state(snapshot)
    assert repr(found.snapshots) == repr((snapshot,))


@pytest.mark.parametrize(
    "snapshot",
    [
        object(),
        {1, 2},
        bytearray(b"a"),
        [lambda: None],
        "a" * SNAPSHOTS_BYTES_MAX,
        10**5000,
        json.loads("[" * 30 + "]" * 30),
        type("Own", (tuple,), {})((1, 2)),
    ],
    ids=["object", "set", "bytearray", "function", "long", "digits", "deep", "subclass"],
)
def test_other_snapshots_are_not_kept(snapshot: object) -> None:
    with pytest.raises(NotPlainError):
        pack_devices(own_state(snapshot))


def test_states_of_ours_are_read_back_and_go_on_alike(tmp_path: Path) -> None:
    board = board_of(tmp_path, DEVICES_BOARD)
    first, second = devices_of_board(board), devices_of_board(board)
    assert first is not None
    assert second is not None
    for bus in (first, second):
        bus.press(97, cycle=30)
        bus.press(98, cycle=900)
    for cycle, address, data in (
        (10, 0xA80B, 0xC0), (14, 0xA804, 50), (18, 0xA805, 0), (22, 0xA80E, 0xC2),
        (26, 0xA823, 0x1F), (40, 0xA822, 0x09), (44, 0xA820, 0x41),
    ):  # fmt: skip
        first.write(address, data, cycle)
    first.advance(500)
    first.settle(500)
    second.restore(parse_devices(pack_devices(first.state), board=board, keys=2))
    assert second.state == first.state
    for cycle in range(600, 3_000, 77):
        for bus in (first, second):
            bus.begin()
            bus.advance(cycle)
        assert first.read(0xA800 + cycle % 16, cycle) == second.read(0xA800 + cycle % 16, cycle)
        assert first.read(0xA820 + cycle % 4, cycle + 1) == second.read(
            0xA820 + cycle % 4, cycle + 1
        )
        first.settle(cycle + 1)
        second.settle(cycle + 1)
        assert first.state == second.state


Change = Callable[[dict[str, Any]], object]


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda c: c.pop("now"), "a table without now, nmi_is_active, nmi_from, levels,"),
        (lambda c: c.update(more=1), "a table without now"),
        (lambda c: c.update(now=-1), "a number that is not from 0 to 4,611,686,018,427,387,904"),
        (lambda c: c.update(nmi_is_active=1), "a level of NMI that is neither true nor false"),
        (lambda c: c["levels"].pop(), "a list that does not have 2"),
        (lambda c: c["snapshots"].pop(), "a list that does not have 2"),
        (lambda c: c["snapshots"][0]["numbers"].pop(), "a list that does not have 43"),
        (lambda c: c["snapshots"][0]["numbers"].__setitem__(19, 50), "edge 50 of a shift"),
        (lambda c: c["snapshots"][0]["numbers"].__setitem__(0, 256), "a number that is not fr"),
        (lambda c: c["snapshots"][0]["numbers"].__setitem__(0, True), "a number that is not fr"),
        (lambda c: c["snapshots"][0]["keys"].__setitem__(0, 3), "a number that is not from 0 to 2"),
        (lambda c: c["snapshots"][1]["numbers"].__setitem__(11, 1), "a number that is not from 0"),
        (lambda c: c["snapshots"][1]["numbers"].__setitem__(10, 0), "a character of no cycles"),
        (lambda c: c["snapshots"][1]["numbers"].__setitem__(14, 1), "another part"),
        (lambda c: c["snapshots"][1].update(line=[0, 0]), "a list that does not have 3"),
    ],
)  # fmt: skip
def test_impossible_states_are_refused(tmp_path: Path, change: Change, found: str) -> None:
    board = board_of(tmp_path, DEVICES_BOARD)
    bus = devices_of_board(board)
    assert bus is not None
    content = json.loads(pack_devices(bus.state))
    change(content)
    with pytest.raises(InputError, match="the state of another run") as refused:
        parse_devices(json.dumps(content).encode(), board=board, keys=2)
    assert str(refused.value.found).startswith(found)


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"[" * 30_000, b"1" * 20_000, b"\xff", b'{"now":NaN}', b" " * 40_000]
)
def test_bytes_that_are_no_state_are_refused(tmp_path: Path, payload: bytes) -> None:
    board = board_of(tmp_path, DEVICES_BOARD)
    with pytest.raises(InputError):
        parse_devices(payload, board=board, keys=0)
