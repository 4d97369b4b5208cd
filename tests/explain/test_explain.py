"""What descriptions mean: facts held against the layout that encodes, texts held whole."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busplay.cli.json_output import to_json
from busplay.description.board import Board, BusyTime, HostPort, ReceiverEnd, Sender, Window
from busplay.description.link import Field, Link, StrobeFraming
from busplay.description.shipped_files import shipped_links
from busplay.explain import board_facts, board_summary, board_text, link_facts, link_text
from busplay.explain.link import LinkFacts
from busplay.explain.link_facts import polynomial_text
from busplay.explain.text_layout import table
from busplay.link.layout import FrameLayout
from busplay.link.load import load_board, load_link, parse_board, parse_link
from busplay.wording import exact, hertz
from tests.description.writing import BARE_LINK, BOARD, edited
from tests.strategies import links

LINE_CHARACTERS = 80

GUARDED = """\
Link guarded, from guarded.toml
  Five lanes, both edges; a strong check that also finds the frames, and a count
  of them.

  wires    a clock, 5 lanes; sampled on both edges of the clock
  clock    the processor's
  frame    40 bits in 8 symbols of 5 bits; a symbol's first bit is on the
           highest lane
  slot     8 symbols, 4 processor cycles
  start    on the grid of slots
  framing  by the check: in sync after 1 + 6 valid frames in a row, loses sync
           after 7 invalid frames in a row
  check    hec_i432: x^8+x^2+x+1, initial 00, XOR 55, over space, unit,
           sequence, address, data
  idle     frame 0000000055

Fields, first one first
  field     bits  shown as   carries
  space        2  s0 to s1   0 idle, 1 memory, 2 registers, 3 reserved
  unit         2  u0 to u1   which display is meant
  sequence     4  q0 to q3   counts frames that are not idle
  address     16  a0 to a15  offset within the space
  data         8  d0 to d7   the byte
  check        8  c0 to c7   the check

What each wire carries: a column is one edge, symbol 0 comes first
  symbol   0   1   2   3   4   5   6   7
  lane 4  s1  q2 a13  a8  a3  d6  d1  c4
  lane 3  s0  q1 a12  a7  a2  d5  d0  c3
  lane 2  u1  q0 a11  a6  a1  d4  c7  c2
  lane 1  u0 a15 a10  a5  a0  d3  c6  c1
  lane 0  q3 a14  a9  a4  d7  d2  c5  c0"""

DUNLIN_MAP = """\
Memory map
  addresses     bytes  read from  a store goes to
  $0000-$3FFF  16,384  RAM        RAM
  $4000-$9FFF  24,576  RAM        RAM and link (panel memory)
  $A000-$A1FF     512  RAM        RAM and link (sign memory)
  $A200-$A2FF     256  -          -
  $A300-$A307       8  -          link (panel registers)
  $A308-$A30F       8  -          -
  $A310-$A317       8  -          link (sign registers)
  $A318-$A3FF     232  -          -
  $A400-$A40F      16  host port  host port
  $A410-$BFFF   7,152  -          -
  $C000-$FFFF  16,384  ROM        -

Windows: stores that go out on the link
  addresses    unit   space      offsets      name
  $4000-$9FFF  panel  memory     $0000-$5FFF  panel memory
  $A000-$A1FF  sign   memory     $0000-$01FF  sign memory
  $A300-$A307  panel  registers  $0000-$0007  panel registers
  $A310-$A317  sign   registers  $0000-$0007  sign registers
"""

SERIAL_PICTURE = """\
  symbol   0   1   2   3   4   5   6   7   8   9  10  11  12  13  14  15  16  17
  strobe  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo
  lane 0  s1  s0  u1  u0 a15 a14 a13 a12 a11 a10  a9  a8  a7  a6  a5  a4  a3  a2

  symbol  18  19  20  21  22  23  24  25  26  27  28  29  30  31  32  33
  strobe  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  lo  hi  hi
  lane 0  a1  a0  d7  d6  d5  d4  d3  d2  d1  d0  c3  c2  c1  c0   -   -
  - the lane rests low, for 2 symbols"""


def symbols_from_facts(facts: LinkFacts, values: dict[str, int]) -> list[int]:
    """Place each bit of each field where the facts say that it travels."""
    symbols = [0] * facts.slot_symbols
    for field in facts.fields:
        for wire in field.wire:
            bit = values[field.name] >> wire.bit & 1
            symbols[wire.symbol] |= bit << wire.lane
    for index, level in enumerate(facts.framing.strobe_levels or ()):
        symbols[index] |= level << facts.lanes
    return symbols


@given(link=links(), draw=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_wire_positions_are_those_that_the_encoder_uses(link: Link, draw: st.DataObject) -> None:
    layout = FrameLayout(link)
    word = draw.draw(st.integers(0, (1 << layout.frame_bits) - 1))
    words = np.array([word], np.uint64)
    values = {name: int(column[0]) for name, column in layout.unpack(words).items()}
    symbols = symbols_from_facts(link_facts(link), values)
    assert symbols == layout.to_symbols(words).tolist()


@given(link=links())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_facts_are_json_and_codes_tell_fields_apart(link: Link) -> None:
    facts = link_facts(link)
    assert json.loads(json.dumps(to_json(facts)))["name"] == link.name
    codes = [field.code for field in facts.fields]
    assert len(set(codes)) == len(codes)
    assert sum(field.bits for field in facts.fields) == facts.frame_bits


@given(link=links())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_text_of_any_link_fits_a_terminal_and_shows_every_bit(link: Link) -> None:
    text = link_text(link)
    assert max(len(line) for line in text.splitlines()) <= LINE_CHARACTERS
    shown = text.partition("What each wire carries")[2].split()
    for field in link_facts(link).fields:
        for bit in range(field.bits):
            assert shown.count(f"{field.code}{bit}") == 1


def test_text_of_guarded() -> None:
    assert link_text(load_link("guarded")) == GUARDED


def test_idle_slots_that_the_link_asks_for_stand_in_its_text_and_facts() -> None:
    link = replace(load_link("lean"), idle_every=8)
    assert "  idle     frame 00000005; one slot in 8 at least\n" in link_text(link)
    assert link_facts(link).idle_every == 8


def test_text_of_a_held_strobe_shows_the_gap() -> None:
    assert link_text(load_link("serial")).endswith(SERIAL_PICTURE)


def test_long_gap_is_named_and_not_drawn() -> None:
    link = load_link("serial")
    framing = replace(link.framing, gap_symbols=4_096)
    lines = link_text(replace(link, framing=framing)).splitlines()
    assert lines[-1] == "  - the lane rests low, for 4,096 symbols"
    assert lines[-4].split()[-1] == "35"


def test_text_says_how_each_shipped_link_is_framed() -> None:
    lines = {
        name: " ".join(
            link_text(load_link(name)).split("framing  ")[1].split("  check  ")[0].split()
        )
        for name in shipped_links()
    }
    check = (
        "by the check: in sync after 1 + 6 valid frames in a row, loses sync after 7 invalid "
        "frames in a row"
    )
    assert lines == {
        "guarded": check,
        "lean": check,
        "strobed": "by strobe, high with a frame's first symbol",
        "marked": "by marker 80 FF FF FF: in sync where it is found; loses sync after 7 invalid "
        "frames in a row",
        "serial": "by strobe, low for the whole frame, then at rest for 2 symbols",
    }


def test_sixty_four_fields_of_one_bit_have_codes_of_their_own() -> None:
    link = Link(
        name="wide",
        lanes=1,
        edges="both",
        fields=tuple(Field(f"field{index}", 1, value=0) for index in range(64)),
        framing=load_link("strobed").framing,
    )
    codes = [field.code for field in link_facts(link).fields]
    assert len(set(codes)) == 64
    assert max(len(line) for line in link_text(link).splitlines()) <= LINE_CHARACTERS


def test_field_that_tells_idle_frames_is_explained_by_both_values() -> None:
    meanings = {one.name: one.meaning for one in link_facts(load_link("marked")).fields}
    assert meanings["flag"] == "0 in a store's frame, 1 in an idle one"


def test_field_with_bits_in_another_order_says_so() -> None:
    text = edited(BARE_LINK, ('name = "spare"\nbits = 4', 'name = "spare"\nbits = 4\nvalue = 5'))
    fields = link_facts(parse_link(text, file="x.toml")).fields
    assert [one.meaning for one in fields] == [
        "offset within the space; lowest bit first",
        "always 5",
        "the byte",
    ]


# -- times


@pytest.mark.parametrize(
    ("name", "link_cycles", "processor_cycles", "ns"),
    [
        ("guarded", 4, 4, 500),
        ("lean", 4, 4, 500),
        ("strobed", 5, 5, 625),
        ("marked", 4, 4, 500),
        ("serial", 34, Fraction(34, 5), 850),
    ],
)
def test_slot_time_at_8_mhz(
    name: str, link_cycles: int, processor_cycles: Fraction, ns: int
) -> None:
    facts = link_facts(load_link(name), processor_hz=8_000_000)
    assert facts.slot_link_cycles == link_cycles
    assert facts.slot_processor_cycles == processor_cycles
    assert facts.slot_ns == ns


def test_time_of_the_processors_clock_is_unknown_without_a_board() -> None:
    facts = link_facts(load_link("guarded"))
    assert (facts.clock, facts.clock_hz, facts.slot_ns) == ("processor", None, None)
    assert facts.slot_processor_cycles == 4


def test_own_clock_is_known_without_a_board() -> None:
    facts = link_facts(load_link("serial"))
    assert (facts.clock, facts.clock_hz) == ("own", 40_000_000)
    assert facts.slot_ns == 850
    assert facts.slot_processor_cycles is None


def test_time_that_is_no_whole_number_stays_exact() -> None:
    facts = link_facts(load_link("guarded"), processor_hz=3_000_000)
    assert facts.slot_ns == Fraction(4_000, 3)
    assert "4 processor cycles, about 1,333.333 ns" in link_text(
        load_link("guarded"), processor_hz=3_000_000
    )


@pytest.mark.parametrize(
    ("value_hz", "shown"),
    [
        (1, "1 Hz"),
        (32_768, "32.768 kHz"),
        (1_000_000, "1 MHz"),
        (1_022_727, "1.022727 MHz"),
        (8_000_000, "8 MHz"),
        (1_500_000_000, "1.5 GHz"),
    ],
)
def test_frequency_is_written_exactly(value_hz: int, shown: str) -> None:
    assert hertz(value_hz) == shown


def test_fraction_says_when_it_is_rounded() -> None:
    assert [exact(Fraction(*one)) for one in ((4, 1), (5, 2), (1, 8), (2, 3), (9999, 10000))] == [
        "4",
        "2.5",
        "0.125",
        "about 0.667",
        "about 1",
    ]


@pytest.mark.parametrize(
    ("polynomial", "bits", "text"),
    [
        (0b1, 1, "x+1"),
        (0b0011, 4, "x^4+x+1"),
        (0x07, 8, "x^8+x^2+x+1"),
        (0x31, 8, "x^8+x^5+x^4+1"),
    ],
)
def test_polynomial_is_written_out(polynomial: int, bits: int, text: str) -> None:
    assert polynomial_text(polynomial, bits) == text


# -- boards


def plain_answer(board: Board, address: int) -> tuple[str, tuple[str, ...], str | None]:
    """Return for one address what reads give and where stores go, from the design's words."""
    kind = "unmapped"
    for memory in board.memory:
        if memory.first_address <= address <= memory.last_address:
            kind = memory.kind
    window = None
    for one in board.windows:
        if one.first_address <= address <= one.last_address:
            window = one
    store = []
    if board.host_port and 0 <= address - board.host_port.first_address < 16:
        kind = "host port"
        store = ["host port"]
    if kind == "ram" and (window is None or window.lands_in_ram):
        store = ["ram"]
    if window is not None:
        store = [*store, "link"]
    return kind, tuple(store), window.name if window else None


def boards() -> list[Board]:
    shadowing = edited(BOARD, ("lands_in_ram = true\n", ""))
    touching = edited(BOARD, ("0x5FFF", "0x9FFF"), ("0xA100", "0xA008"))
    texts = [BOARD, shadowing, touching]
    parsed = [parse_board(text, file="x.toml", folder=Path("/no/such")) for text in texts]
    bare = replace(parsed[0], memory=(), host_port=None)
    top = replace(bare, windows=(Window("all", 0, 0xFFFF, "panel", "memory"),))
    return [load_board("dunlin"), *parsed, bare, top]


@pytest.mark.parametrize("board", boards())
def test_memory_map_answers_for_every_address(board: Board) -> None:
    runs = board_facts(board).memory_map
    assert runs[0].first_address == 0
    assert runs[-1].last_address == 0xFFFF
    answers = []
    for run in runs:
        length = run.last_address - run.first_address + 1
        assert run.length_bytes == length > 0
        answers += [(run.read, run.store, run.window)] * length
    assert answers == [plain_answer(board, address) for address in range(0x10000)]


@pytest.mark.parametrize("board", boards())
def test_neighbouring_runs_of_the_map_differ(board: Board) -> None:
    runs = board_facts(board).memory_map
    for one, other in pairwise(runs):
        assert one.last_address + 1 == other.first_address
        assert (one.read, one.store, one.window) != (
            other.read,
            other.store,
            other.window,
        )


def test_text_of_the_dunlins_map_and_windows() -> None:
    assert DUNLIN_MAP in board_text(load_board("dunlin"))


def test_text_of_a_board_ends_with_its_link_at_its_clock() -> None:
    board = load_board("dunlin")
    text = board_text(board)
    assert text.endswith("\n\n" + link_text(board.link, processor_hz=8_000_000))
    assert "8 symbols, 4 processor cycles, 500 ns" in text


def test_board_facts_are_json_and_repeat_what_the_file_says() -> None:
    board = load_board("dunlin")
    facts = board_facts(board)
    assert json.loads(json.dumps(to_json(facts)))["cycle_ns"] == 125
    assert (facts.kind, facts.name, facts.clock_hz) == ("board", "Dunlin", 8_000_000)
    assert facts.cycle_ns == 125
    assert [(one.name, one.first_offset, one.last_offset) for one in facts.windows] == [
        ("panel memory", 0, 0x5FFF),
        ("sign memory", 0, 0x01FF),
        ("panel registers", 0, 7),
        ("sign registers", 0, 7),
    ]
    assert [(one.name, one.picture_bytes, one.palette[1]) for one in facts.units] == [
        ("panel", 24_576, (0xC0, 0xC0, 0xC0)),
        ("sign", 512, (0xFF, 0xB0, 0x20)),
    ]
    assert facts.sender == Sender(fifo_depth=16, lead_frames=16)
    assert facts.receiver.service_ns == 250
    assert facts.host_port == HostPort(first_address=0xA400, refresh_hz=60, random_seed=1)
    assert facts.remarks == ()
    assert facts.link == link_facts(board.link, processor_hz=8_000_000)


def test_board_text_names_times_images_and_what_is_missing(tmp_path: Path) -> None:
    (tmp_path / "rom.bin").write_bytes(bytes(16))
    text = edited(
        BOARD,
        ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\n'),
        ("[host_port]\nfirst_address = 0xA100\n", ""),
        ("bits_per_pixel = 4", "bits_per_pixel = 8"),
    )
    board = parse_board(text, file="x.toml", folder=tmp_path)
    busy = (BusyTime(64_000, 12_000, 500),)
    board = replace(board, receiver=ReceiverEnd(8, 300, 900, True, busy))
    shown = " ".join(board_text(board).split())
    assert "rom.bin in ROM at $C000-$FFFF" in shown
    assert "host port none" in shown
    assert "programs must carry their addresses" in shown
    assert (
        "receiver FIFO of 8 frames; service 300 ns; deadline 900 ns; correction of one bit error "
        "on; busy 12,000 of every 64,000 ns from 500 ns on" in shown
    )
    assert "and 240 more" in shown


def test_board_text_speaks_of_undocumented_instructions_only_if_they_run() -> None:
    board = load_board("dunlin")
    assert "undocumented" not in board_text(board)
    running = replace(board, undocumented="run")
    shown = " ".join(board_text(running).split())
    assert "undocumented instructions run, as far as every chip does the same link" in shown
    assert [board_facts(one).undocumented for one in (board, running)] == ["stop", "run"]


def test_board_text_fits_a_terminal_whatever_the_names() -> None:
    text = edited(
        BOARD,
        ('name = "pixels"', f'name = "{"wide " * 8}"'),
        ('name = "small"', 'name = "small"\ndescription = "' + "many words " * 40 + '"'),
        ("[units.panel]", f"[units.{'p' * 24}]"),
    ).replace('"panel"', f'"{"p" * 24}"')
    board = parse_board(text, file="x.toml", folder=Path("/no/such"))
    assert max(len(line) for line in board_text(board).splitlines()) <= LINE_CHARACTERS


def test_last_column_of_a_table_goes_on_below_itself() -> None:
    lines = table([("a", "b", "c"), ("1", "22", "word " * 20)], right=frozenset({1}))
    assert lines == [
        "  a   b  c",
        "  1  22  word word word word word word word word word word word word word word",
        "         word word word word word word",
    ]


SUMMARY = """\
small: 6502 at 1 MHz; link guarded, a frame every 4 processor cycles
  addresses     bytes  read from              a store goes to
  $0000-$3FFF  16,384  RAM                    RAM
  $4000-$5FFF   8,192  RAM                    RAM and panel memory $0000-$1FFF
  $6000-$9FFF  16,384  RAM                    RAM
  $A000-$A007       8  -                      panel registers $0000-$0007
  $A008-$A0FF     248  -                      -
  $A100-$A10F      16  host port              host port
  $A110-$BFFF   7,920  -                      -
  $C000-$FFFF  16,384  ROM, rom.bin, vectors  -
  unit 0 panel: 256 x 192, 16 colours, 24,576 of 24,576 bytes
  Remark: no window reaches 16,384 bytes of the 24,576 of panel's memory, the
  first at offset $2000."""


def test_summary_of_a_board_shows_its_map_in_order_and_what_no_window_reaches(
    tmp_path: Path,
) -> None:
    (tmp_path / "rom.bin").write_bytes(bytes(16))
    text = edited(BOARD, ("last_address = 0xFFFF\n", 'last_address = 0xFFFF\nimage = "rom.bin"\n'))
    assert board_summary(parse_board(text, file="x.toml", folder=tmp_path)) == SUMMARY


def test_summary_of_the_largest_board_fits_a_screen() -> None:
    board = load_board("dunlin")
    windows = tuple(
        replace(
            board.windows[0],
            name=f"w{i}",
            first_address=2 * i,
            last_address=2 * i,
            unit="unit_000000000000000000",
        )
        for i in range(100)
    )
    units = tuple(replace(board.units[0], name=f"unit_{i:018d}", number=i) for i in range(50))
    lines = board_summary(replace(board, windows=windows, units=units)).splitlines()
    assert len(lines) == 30
    assert max(len(line) for line in lines) <= LINE_CHARACTERS
    assert "  and 290 more ranges (--full)" in lines
    assert "  and 46 more units (--full)" in lines


@pytest.mark.parametrize(
    ("change", "remark"),
    [
        ({"windows": ()}, "no window reaches panel, so it stays dark"),
        (
            {"windows": (Window("controls", 0xA000, 0xA007, "panel", "registers"),)},
            "no window reaches the memory of panel, so its picture cannot change",
        ),
        ({"memory": ()}, "no RAM at $0000, where the zero page is"),
        ({"memory": ()}, "no memory at $FFFA-$FFFF, where the processor's vectors are"),
    ],
)
def test_what_a_board_leaves_out_is_remarked(change: dict[str, object], remark: str) -> None:
    board = parse_board(BOARD, file="x.toml", folder=Path("/no/such"))
    facts = board_facts(replace(board, **change))  # type: ignore[arg-type]
    assert remark in facts.remarks
    assert remark in " ".join(board_text(replace(board, **change)).split())  # type: ignore[arg-type]


def test_link_without_the_fields_of_a_store_says_what_it_is_for() -> None:
    link = load_link("guarded")
    fields = tuple(one for one in link.fields if one.name not in ("address", "data"))
    bare = replace(link, fields=fields, lanes=1, check=None, framing=StrobeFraming())
    assert link_facts(bare).remarks == (
        "no fields named address and data, so no board can use this link; captures of it decode "
        "to frames",
    )
    assert link_facts(link).remarks == ()


def test_devices_stand_in_the_map_and_with_their_keys_in_the_full_text() -> None:
    board = load_board("dunlin_ports")
    assert "  $A500-$A53F      64  ports         ports" in board_summary(board).splitlines()
    text = " ".join(board_text(board).split())
    assert (
        "device ports, via_6522, $A500-$A53F on IRQ; part w65c22; pa code; ca1 strobe;"
        " pb0 led lookout; pb1 led log"
    ) in text
    assert (
        "device serial, acia_6551, $A540-$A543 on IRQ; part r6551; crystal 1.8432 MHz; line console"
    ) in text
    facts = board_facts(board)
    assert [(run.read, run.device) for run in facts.memory_map if run.device] == [
        ("device", "ports"),
        ("device", "serial"),
    ]
