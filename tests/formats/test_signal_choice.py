from __future__ import annotations

import pytest

from busplay.errors import InputError
from busplay.formats.signal_choice import Variable, choose_signals, signal_masks

VARIABLES = [
    Variable("top.clk", 1, "wire", 0),
    Variable("top.a.en", 1, "wire", 1),
    Variable("top.b.en", 1, "wire", 2),
    Variable("top.data", 4, "wire", 3, 7, 4),
    Variable("top.up", 3, "reg", 4, 0, 2),
    Variable("top.count", 8, "integer", 5),
    Variable("top.lane", 1, "wire", 6, 1),
    Variable("top.lane", 1, "wire", 7, 0),
    Variable("top.\\odd[3]", 1, "wire", 8),
    Variable("top.volts", 0, "real", 9),
    Variable("top.clock_again", 1, "wire", 0),
]


def chosen(*names: str) -> list[tuple[int, int]]:
    return [(one.place, one.bit) for one in choose_signals(VARIABLES, names, file="one.vcd")]


@pytest.mark.parametrize(
    ("name", "bits"),
    [
        ("top.clk", [(0, 0)]),
        ("clk", [(0, 0)]),
        ("clock_again", [(0, 0)]),
        ("a.en", [(1, 0)]),
        ("top.data[7:4]", [(3, 0), (3, 1), (3, 2), (3, 3)]),
        ("data", [(3, 0), (3, 1), (3, 2), (3, 3)]),
        ("data[4]", [(3, 0)]),
        ("data[6:5]", [(3, 1), (3, 2)]),
        ("data [7]", [(3, 3)]),
        ("up[2]", [(4, 0)]),
        ("up[0]", [(4, 2)]),
        ("count[7]", [(5, 7)]),
        ("lane[1]", [(6, 0)]),
        ("lane", [(7, 0), (6, 0)]),
        ("odd[3]", [(8, 0)]),
    ],
)
def test_names_find_wires(name: str, bits: list[tuple[int, int]]) -> None:
    assert chosen(name) == bits


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (
            ["en"],
            "one.vcd: found signal 'en', which 2 signals are called; give more of the name:"
            " top.a.en, top.b.en",
        ),
        (
            ["top.cont"],
            "one.vcd: found signal 'top.cont', which is not in the capture; did you mean"
            " top.count or top.clk or top.b.en?",
        ),
        (
            ["zzzzzzzz"],
            "one.vcd: found signal 'zzzzzzzz', which is not in the capture; it has top.clk,"
            " top.a.en, top.b.en, top.data[7:4], top.up[0:2], top.count, top.lane[1], top.lane[0]"
            " and 2 more",
        ),
        (["clk", "clock_again"], "one.vcd: found signal 'clock_again' twice; name each wire once"),
        (
            ["data[3]"],
            "one.vcd: found signal 'data[3]'; top.data[7:4] has bits top.data[4] to top.data[7]",
        ),
        (
            ["volts"],
            "one.vcd: found signal 'volts', which is not in the capture; it has top.clk, top.a.en,"
            " top.b.en, top.data[7:4], top.up[0:2], top.count, top.lane[1], top.lane[0] and 2 more",
        ),
    ],
)
def test_names_that_find_no_one_wire_are_refused(names: list[str], message: str) -> None:
    with pytest.raises(InputError) as error:
        chosen(*names)
    assert str(error.value) == message


def test_more_than_64_wires_are_refused_and_the_first_64_taken_by_default() -> None:
    variables = [Variable(f"w{n}", 10, "wire", n, 9, 0) for n in range(7)]
    assert len(choose_signals(variables, None, file="x")) == 60
    with pytest.raises(InputError) as error:
        choose_signals(variables, [f"w{n}" for n in range(7)], file="x")
    assert str(error.value) == "x: found more than 64 wires chosen; 64 can be read at a time"


def test_masks_show_which_bits_a_signal_has() -> None:
    picked = choose_signals(VARIABLES, ["data[5]", "clk", "data[7]"], file="x")
    assert signal_masks(VARIABLES, picked) == (2, 0, 0, 5, 0, 0, 0, 0, 0, 0, 2)
