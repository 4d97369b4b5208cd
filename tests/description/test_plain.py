"""Descriptions as plain dicts: nothing lost, nothing of the place, anything foreign refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.description.banks import Bank
from busplay.description.board import (
    Board,
    BusyTime,
    HostPort,
    Image,
    Memory,
    ReceiverEnd,
    Sender,
)
from busplay.description.devices import Acia6551, CustomDevice, Via6522
from busplay.description.link import Link
from busplay.description.plain import (
    board_from_plain,
    board_to_plain,
    link_from_plain,
    link_to_plain,
)
from busplay.description.shipped_files import shipped_links
from busplay.errors import InputError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.boards import GUARDED, board_with
from tests.strategies import links


def through_json(plain: object) -> object:
    return json.loads(json.dumps(plain))


@pytest.mark.parametrize("name", shipped_links())
def test_shipped_links_come_back(name: str) -> None:
    link = load_link(name)
    assert link_from_plain(through_json(link_to_plain(link)), file=link.file) == link


@settings(max_examples=100, deadline=None)
@given(link=links())
def test_any_link_comes_back_with_the_same_layout(link: Link) -> None:
    back = link_from_plain(through_json(link_to_plain(link)), file=link.file)
    assert back == link
    assert FrameLayout(back).idle_word == FrameLayout(link).idle_word


FULL_BOARD = replace(
    board_with(GUARDED, sender=Sender(5, 7)),
    memory=(
        Memory("ram", 0, 0xA1FF),
        Memory("rom", 0xC000, 0xFFFF, Image(Path("/somewhere/else/stars.bin"), "raw", 0xC000)),
    ),
    receiver=ReceiverEnd(32, 250, 900, True, (BusyTime(63_556, 10_000, 5), BusyTime(7, 3))),
    host_port=HostPort(0xA400, 50, 99),
    devices=(
        Via6522(name="ports", first_address=0xB000, last_address=0xB00F, pins={"pa0": "key a"}),
        Acia6551(
            name="serial",
            first_address=0xB010,
            last_address=0xB013,
            line="file",
            input=Path("/somewhere/keys.txt"),
        ),
        CustomDevice(
            kind="clock.py:Clock",
            name="clock",
            first_address=0xB020,
            last_address=0xB02F,
            options={"alarm": -3, "loud": True, "zone": "sea"},
        ),
    ),
    program_load_address=0xC000,
    banks=(
        Bank(
            "work", "ram", 0xA200, 0xA2FF, 4, latch_address=0xB030, select=("latch 1", "ports.pb0")
        ),
        Bank("boot", "rom", 0xFF00, 0xFFFF, 1, image=Path("/somewhere/b.bin"), off_address=0xB031),
    ),
    undocumented="run",
    description="zwei Anzeigen, größer",
    file="/somewhere/dunlin.toml",
)


def test_board_comes_back_but_for_where_its_files_lay() -> None:
    plain = board_to_plain(FULL_BOARD)
    assert "somewhere" not in json.dumps(plain)
    back = board_from_plain(through_json(plain), file="a.trace")
    rom = replace(FULL_BOARD.memory[1], image=Image(Path("stars.bin"), "raw", 0xC000))
    serial = replace(FULL_BOARD.devices[1], input=Path("keys.txt"))  # type: ignore[call-arg]
    boot = replace(FULL_BOARD.banks[1], image=Path("b.bin"))
    assert back == replace(
        FULL_BOARD,
        banks=(FULL_BOARD.banks[0], boot),
        devices=(FULL_BOARD.devices[0], serial, FULL_BOARD.devices[2]),
        memory=(FULL_BOARD.memory[0], rom),
        file="a.trace",
        link=replace(FULL_BOARD.link, file="a.trace"),
    )


def test_same_board_from_another_folder_is_the_same_dict() -> None:
    other = replace(FULL_BOARD, file="elsewhere/dunlin.toml")
    assert board_to_plain(other) == board_to_plain(FULL_BOARD)


def test_key_that_is_missing_takes_the_default_of_older_traces() -> None:
    plain = board_to_plain(FULL_BOARD)
    del plain["sender"]
    del plain["host_port"]
    back = board_from_plain(through_json(plain))
    assert back.sender == Sender()
    assert back.host_port is None


def test_attribute_younger_than_traces_is_left_out_where_it_says_nothing() -> None:
    plain = board_to_plain(FULL_BOARD)["link"]
    assert isinstance(plain, dict)
    assert "idle_every" not in plain
    bare = board_to_plain(replace(FULL_BOARD, devices=(), banks=()))
    assert not {"devices", "banks"} & set(bare)
    link = replace(FULL_BOARD.link, idle_every=8)
    assert link_to_plain(link)["idle_every"] == 8
    assert link_from_plain(through_json(link_to_plain(link))).idle_every == 8


Change = Callable[[dict], object]  # type: ignore[type-arg]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda b: b.update(extra=1), 'board: found the key "extra"; this version of busplay does not know it; a later one may'),  # noqa: E501
        (lambda b: b.pop("units"), "board: found no units; it belongs here"),
        (lambda b: b.update(units={}), "board.units: found a table; an array belongs here"),
        (lambda b: b.update(name=7), "board.name: found 7; a string of up to 10,000 letters belongs here"),  # noqa: E501
        (lambda b: b.update(clock_hz=0), "board.clock_hz: found 0; 1 to 1,000,000,000 belongs here"),  # noqa: E501
        (lambda b: b.update(clock_hz=True), "board.clock_hz: found true, a boolean; a whole number belongs here"),  # noqa: E501
        (lambda b: b.update(clock_hz=8e6), "board.clock_hz: found 8000000.0, a float; a whole number belongs here"),  # noqa: E501
        (lambda b: b.update(processor="z80"), 'board.processor: found "z80", a string; one of "6502" or "65c02" belongs here'),  # noqa: E501
        (lambda b: b["units"][1].update(name="panel"), "board.units: found two of one name; each has its own name"),  # noqa: E501
        (lambda b: b["units"][1].update(bits_per_pixel=3), "board.units[1].bits_per_pixel: found 3; 1, 2, 4 or 8 belongs here"),  # noqa: E501
        (lambda b: b["units"][0]["palette"].pop(), "board.units[0].palette: found 15 colours; 16 belong here"),  # noqa: E501
        (lambda b: b["units"][0]["palette"][3].append(1), "board.units[0].palette[3]: found an array of 4; an array of 3 belongs here"),  # noqa: E501
        (lambda b: b["units"][0]["palette"][3].__setitem__(0, 256), "board.units[0].palette[3][0]: found 256; 0 to 255 belongs here"),  # noqa: E501
        (lambda b: b["units"][0].update(memory_bytes=1 << 60), "board.units[0].memory_bytes: found 1152921504606846976; 1 to 16,777,216 belongs here"),  # noqa: E501
        (lambda b: b["receiver"].update(fifo_depth=1 << 32), "board.receiver.fifo_depth: found 4294967296; 1 to 1,048,576 belongs here"),  # noqa: E501
        (lambda b: b.update(units=[b["units"][0] | {"name": f"u{i}", "memory_bytes": 1 << 24} for i in range(5)]), "board.units: found 83,886,080 bytes of display memory; up to 67,108,864 together belong here"),  # noqa: E501
        (lambda b: b["windows"][0].update(unit="mural"), 'board.windows[0].unit: found "mural"; one of "panel" or "sign" belongs here'),  # noqa: E501
        (lambda b: b["devices"][1].update(name="ports"), "board.devices: found two of one name; each has its own name"),  # noqa: E501
        (lambda b: b["devices"][0].update(first_address=0x4000), "board.devices[0]: found $4000-$B00F, which overlaps windows[0] ($4000-$9FFF); ranges lie apart"),  # noqa: E501
        (lambda b: b["devices"][0].update(part="z80"), 'board.devices[0].part: found "z80", a string; one of "r6522" or "w65c22" belongs here'),  # noqa: E501
        (lambda b: b["devices"][0]["pins"].update(pa1=1), "board.devices[0].pins.pa1: found 1; a string belongs here"),  # noqa: E501
        (lambda b: b["devices"][0]["pins"].update(pz1="low"), 'board.devices[0].pins: found "pz1"; no via_6522 has such a pin'),  # noqa: E501
        (lambda b: b["devices"][0]["pins"].update(pa1="a.pb1"), 'board.devices[0].pins.pa1: found "a.pb1"; no device with pins has that name'),  # noqa: E501
        (lambda b: b["devices"][2]["options"].update(x=None), "board.devices[2].options.x: found nothing; a whole number belongs here"),  # noqa: E501
        (lambda b: b["banks"][0].update(last_address=0xA1FF), "board.banks[0]: found $A200-$A1FF; the last address is the first or above"),  # noqa: E501
        (lambda b: b["banks"][0].update(select=["latch 9"]), 'board.banks[0].select: found "latch 9"; a latch has the bits 0 to 7'),  # noqa: E501
        (lambda b: b["banks"][0].update(select=["prots.pa0"]), 'board.banks[0].select: found "prots.pa0"; nothing has that bit'),  # noqa: E501
        (lambda b: b["banks"][0].update(latch_address=None), 'board.banks[0].select: found "latch 1"; nothing has that bit'),  # noqa: E501
        (lambda b: b["banks"][0].update(select=["latch 0"] * 17), "board.banks[0].select: found 17; up to 16 belong here"),  # noqa: E501
        (lambda b: b["banks"][0].update(pages=20_000), "board.banks: found 5,120,256 bytes; up to 4,194,304"),  # noqa: E501
        (lambda b: b["windows"][0].update(page=1), "board.windows[0].page: found 1; no bank under it has that page"),  # noqa: E501
        (lambda b: b["banks"][1].update(pages=2), "board.banks[1]: found 2 pages of rom; an overlay is 1 of rom"),  # noqa: E501
        (lambda b: b["banks"][1].update(first_address=0xA280), "board.banks[1]: found $A280-$FFFF, which overlaps banks[0] ($A200-$A2FF); ranges lie apart"),  # noqa: E501
        (lambda b: b["devices"][2].pop("kind"), "board.devices[2]: found no kind; it belongs here"),
        (lambda b: b["windows"][0].update(last_address=0), "board.windows[0]: found $4000-$0000; the last address is the first or above"),  # noqa: E501
        (lambda b: b["memory"][1].update(first_address=0), "board.memory[1]: found $0000-$FFFF, which overlaps memory[0] ($0000-$A1FF); ranges lie apart"),  # noqa: E501
        (lambda b: b["memory"][1]["image"].update(path="../x.bin"), 'board.memory[1].image.path: found "../x.bin", a string; a bare file name belongs here'),  # noqa: E501
        (lambda b: b["receiver"].update(correct_one_bit=1), "board.receiver.correct_one_bit: found 1; true or false belongs here"),  # noqa: E501
        (lambda b: b["link"]["fields"][3].update(value=4), "board.link.fields[3].value: found a constant; the sender fills address"),  # noqa: E501
        (lambda b: b["link"]["fields"][4].update(bits=3), "board.link.fields[4].bits: found 3; 8 to 8, as a store carries 8 bits"),  # noqa: E501
        (lambda b: b["link"].update(lanes=17), "board.link.lanes: found 17; 1 to 16 belongs here"),
        (lambda b: b["link"].update(lanes=7), "board.link.fields: found 40 bits; 1 to 64 that fill whole symbols of 7 bits belong here"),  # noqa: E501
        (lambda b: b["link"]["fields"].append({"name": "check", "bits": 5}), 'board.link.fields: found two named "check"; each has its own name'),  # noqa: E501
        (lambda b: b["link"]["fields"][0].update(value=4), "board.link.fields[0].value: found 4; it has 2 bits"),  # noqa: E501
        (lambda b: b["link"]["check"].update(field="hec"), 'board.link.check.field: found "hec"; a field of that name is missing'),  # noqa: E501
        (lambda b: b["link"]["fields"][5].update(value=4), 'board.link.check.field: found "check"; a constant cannot be the check'),  # noqa: E501
        (lambda b: b["link"]["check"].update(polynomial=256), "board.link.check.polynomial: found 256; the check has 8 bits"),  # noqa: E501
        (lambda b: b["link"]["check"].update(covers=["space", "check"]), "board.link.check.covers: found space, check; other fields, each once"),  # noqa: E501
        (lambda b: b["link"].update(idle={"data": 256}), "board.link.idle.data: found 256; it has 8 bits"),  # noqa: E501
        (lambda b: b["link"].update(idle={"x": 1}), 'board.link.idle: found "x"; a field other than the check belongs here'),  # noqa: E501
        (lambda b: b["link"].update(framing={"method": "guess"}), 'board.link.framing.method: found "guess", a string; one of "strobe", "marker" or "check" belongs here'),  # noqa: E501
        (lambda b: b["link"].update(framing={"method": "marker", "symbols": [1] * 9}), "board.link.framing.symbols: found 9 symbols; 1 to 8 belong here"),  # noqa: E501
        (lambda b: b["link"].update(framing={"method": "marker", "symbols": [1, 32]}), "board.link.framing.symbols: found 32; a symbol has 5 bits"),  # noqa: E501
    ],
)  # fmt: skip
def test_dict_that_cannot_be_is_refused_with_its_place(change: Change, message: str) -> None:
    plain = through_json(board_to_plain(FULL_BOARD))
    change(plain)
    with pytest.raises(InputError) as refused:
        board_from_plain(plain, file="a.trace")
    assert str(refused.value) == f"a.trace: {message}"


def test_half_a_surrogate_pair_is_refused() -> None:
    plain = link_to_plain(GUARDED)
    plain["name"] = "\ud800"
    with pytest.raises(InputError) as refused:
        link_from_plain(plain)
    assert str(refused.value) == (
        "link.name: found half of a surrogate pair; a string that can be printed"
    )


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(1 << 70), 1 << 70)
    | st.floats(allow_nan=False)
    | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_any_json_is_a_board_or_an_input_error(data: st.DataObject) -> None:
    plain = through_json(board_to_plain(FULL_BOARD))
    # Walk to some place within the dict and put something foreign there.
    for _ in range(data.draw(st.integers(1, 3))):
        node = plain
        while True:
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = data.draw(st.sampled_from(keys))
            if isinstance(node[key], dict | list) and data.draw(st.booleans()):
                node = node[key]
                continue
            node[key] = data.draw(JSON)
            break
    try:
        board = board_from_plain(plain)
    except InputError:
        return
    assert isinstance(board, Board)
    FrameLayout(board.link)


@settings(max_examples=100, deadline=None)
@given(plain=JSON)
def test_json_that_is_no_link_is_refused(plain: object) -> None:
    with pytest.raises(InputError):
        link_from_plain(plain)
