"""Which signal is which wire: by name, by the user's word, and refused with the way out."""

from __future__ import annotations

import pytest

from busplay.capture.lane_map import default_map, parse_map
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.link.load import load_link

LEAN = load_link("lean")
SERIAL = load_link("serial")


@pytest.mark.parametrize(
    "signals",
    [
        ["clk", "d0", "d1", "d2", "d3"],
        ["top.bus.clock", "top.bus.lane0", "top.bus.lane1", "top.bus.lane2", "top.bus.lane3"],
        ["LCLK", "LAD0", "LAD1", "LAD2", "LAD3"],
        ["SCK", "data[0]", "data[1]", "data[2]", "data[3]"],
    ],
)
def test_plain_names_are_found(signals: list[str]) -> None:
    found = default_map(link=LEAN, signals=signals)
    assert [probe.index for probe in (found.clock, *found.lanes)] == [0, 1, 2, 3, 4]


def test_marks_of_polarity_and_a_lane_that_is_alone_are_found() -> None:
    found = default_map(link=SERIAL, signals=["MISO", "MOSI", "CLK", "CS#"])
    assert str(found) == "clock=CLK,lane0=MOSI,strobe=CS#"


def test_map_names_wires_in_any_order_and_marks_inverted_probes() -> None:
    signals = ["CH0", "CH1", "CH2", "CH3", "CH4"]
    text = "lane1=!CH0, clk=CH4, lane0=ch1,lane3=CH2,lane2=CH3"
    found = parse_map(text, link=LEAN, signals=signals)
    assert str(found) == "clock=CH4,lane0=CH1,lane1=!CH0,lane2=CH3,lane3=CH2"
    assert str(parse_map(str(found), link=LEAN, signals=signals)) == str(found)


def test_wires_that_the_map_leaves_out_go_by_name() -> None:
    found = parse_map("lane2=x", link=LEAN, signals=["clk", "d0", "d1", "d2", "d3", "x"])
    assert str(found) == "clock=clk,lane0=d0,lane1=d1,lane2=x,lane3=d3"


@pytest.mark.parametrize(
    ("link", "text", "signals", "message"),
    [
        (
            LEAN,
            "clock=A,lane9=B",
            ["A", "B"],
            "--map: found 'lane9=B'; write WIRE=SIGNAL with the wires clock, lane0, lane1, lane2,"
            " lane3 of link lean",
        ),
        (LEAN, "clock=A,clk=B", ["A", "B"], "--map: found clock twice; name each wire once"),
        (
            LEAN,
            "clock=Z",
            ["A", "B"],
            "--map: found no signal named 'Z'; the capture has the signals A, B; give a full name",
        ),
        (
            LEAN,
            "clock=a.x",
            ["a.x", "b.x", "c", "d", "e"],
            "--map: found the signals a.x, b.x, c, d, e, none of which is named as lane0, lane1,"
            " lane2, lane3; say which is which (--map lane0=b.x,lane1=c,lane2=d,lane3=e), or"
            " let --find-map try",
        ),
        (
            LEAN,
            "clock=x",
            ["a.x", "b.x"],
            "--map: found 2 signals named 'x'; the capture has the signals a.x, b.x; give a full"
            " name",
        ),
        (
            SERIAL,
            "clock=A,lane0=A,strobe=B",
            ["A", "B", "C"],
            "--map: found signal A on two wires; each wire has a signal of its own",
        ),
    ],
)
def test_maps_that_cannot_be_are_refused(
    link: Link, text: str, signals: list[str], message: str
) -> None:
    with pytest.raises(InputError) as failure:
        parse_map(text, link=link, signals=signals)
    assert str(failure.value) == message


def test_a_single_wire_is_reported_as_no_clocked_link() -> None:
    with pytest.raises(InputError) as failure:
        default_map(link=SERIAL, signals=["TX"])
    assert str(failure.value) == (
        "signals: found the signal TX, none of which is named as clock, lane0, strobe; link serial"
        " has 3 wires, one of them a clock; a single wire with no clock is an asynchronous serial"
        " line (a UART), which is decoded by its baud rate and not by a link"
    )
