"""`busplay plan` as a user tries it."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import Result

from busplay.description.link import Link
from busplay.description.plain import link_from_plain
from busplay.description.write_link import link_toml
from busplay.errors import InputError
from busplay.link.board_fit import require_link_fits
from busplay.link.load import load_board, load_link
from tests.cli.command import Plan

PROJECT = Path(__file__).parent.parent.parent


def status(result: Result) -> object:
    assert result.exception is None, result.exception
    return result.return_value


def test_plan_answers_in_a_screenful(plan: Plan) -> None:
    lines = plan("dunlin", "--trace", PROJECT / "traces" / "fill.trace").output.splitlines()
    assert lines[0] == "board Dunlin, link guarded: loses none of the loops' stores"
    assert len(lines) <= 24
    assert max(len(line) for line in lines) <= 80
    assert lines[-1].startswith("--full shows")


def test_full_plan_of_the_shipped_board_shows_budget_bursts_loops_and_buses(plan: Plan) -> None:
    result = plan("dunlin", "--full")
    assert status(result) == 0
    lines = result.output.splitlines()
    rows = {" ".join(line.split()) for line in lines}
    assert rows >= {
        "slot 8 symbols, 4 processor cycles, 500 ns",
        "payload 16 Mbit/s of data, 48 Mbit/s with the address",
        "STA absolute 4 2 M - 1 1 1 any",
        "STA zero page * 3 2.667 M 1 in 12 5 17 65 65",
        "straight 98,304 4.00 12.288 ms 1 0 STA abs for each",
        "SPI 4 40 80 MHz 8 MHz 200 k/s 122.88 ms",
        "overhead: 40.0%",
    }
    assert max(len(line) for line in lines) <= 100


def test_link_alone_is_planned_at_8_mhz_and_says_so(plan: Plan) -> None:
    result = plan("lean")
    assert status(result) == 0
    assert "  processor  8 MHz (assumed; --processor-clock sets it)" in result.output.splitlines()
    stated = plan("lean", "--processor-clock", "2MHz").output.splitlines()
    assert "  processor  2 MHz" in stated
    assert "  slot       8 symbols, 4 processor cycles, 2,000 ns" in stated


def test_json_has_plain_numbers(plan: Plan) -> None:
    words = ["serial", "--json", "--burst-stores", 64, "--receivers", 3, "--uart-rate", "9600Hz"]
    result = plan(*words)
    assert status(result) == 0
    figures = json.loads(result.output)
    assert figures["budget"]["slot_cycles"] == 6.8
    assert "link" not in figures["budget"]
    bursts = {(one["name"], tuple(one["processors"])): one for one in figures["bursts"]}
    nmos, cmos = (bursts["INC absolute", (one,)]["pattern"] for one in ("6502", "65c02"))
    assert nmos == {"period_cycles": 6, "offset_cycles": [0, 1]}
    assert cmos == {"period_cycles": 6, "offset_cycles": [0]}
    assert bursts["STA absolute", ("6502", "65c02")]["depths"] == [
        {"stores": 64, "fifo_depth": 27, "fifo_depth_with_register": 26}
    ]
    buses = {one["name"]: one for one in figures["buses"]}
    assert buses["SPI"]["pins"] == 5
    assert buses["UART 8N1"]["usual_hz"] == 9600
    assert figures["trace"] is None
    assert figures["needs"] == []


def test_needs_that_are_not_met_give_status_1_and_their_reason(plan: Plan) -> None:
    result = plan("serial", "--need", "unrolled", "--need", "byte", "--need", "2_000_000")
    assert status(result) == 1
    lines = result.output.splitlines()
    assert lines[0] == "link serial: 2 of 3 needs NOT MET"
    assert lines[-10:-2] == [
        "Needs",
        "  loop unrolled            NOT MET: a sender FIFO of 16 and an output register",
        "                           lose 1,400 of 8,192 stores; FIFO depth 1,417 (with an",
        "                           output register: 1,416) loses none",
        "  loop byte                met: a sender FIFO of 16 and an output register lose",
        "                           nothing",
        "  2000000 stores a second  NOT MET: the link carries 1,176,470 stores a second,",
        "                           2,000,000 are needed",
    ]
    assert status(plan("serial", "--need", "unrolled", "--sender-fifo", 1416)) == 0
    assert status(plan("serial", "--need", "unrolled", "--sender-fifo", 1415)) == 1
    assert status(plan("dunlin", "--need", "2000000", "--need", "straight")) == 0


def test_trace_is_put_on_the_link(plan: Plan) -> None:
    trace = PROJECT / "traces" / "fill.trace"
    result = plan("dunlin", "--trace", trace, "--need", "trace", "--json")
    assert status(result) == 0
    load = json.loads(result.output)["trace"]
    assert load["stores_lost_when_recorded"] == 0
    assert load["stores_lost"] == 0
    peak = load["peaks"][0]
    # Unrolled stores in the midst, or a little less: 100 us are 800 cycles.
    assert peak["window_ns"] == 100_000
    assert 100 <= peak["stores"] <= 200
    words = ["serial", "--processor-clock", "8MHz", "--trace", trace, "--need", "trace"]
    slow = plan(*words, "--sender-fifo", 0)
    assert status(slow) == 1
    assert "  trace  NOT MET: a sender FIFO of 0 and an output register lose " in slow.output


def test_ctrl_c_while_a_trace_is_read_leaves_the_rest_of_the_plan(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("busplay.analysis.plan.read_trace_load", interrupted)
    trace = PROJECT / "traces" / "fill.trace"
    result = plan("dunlin", "--trace", trace, "--need", "trace", "--need", "straight")
    assert status(result) == 130
    assert "all needs met" in result.output
    assert "interrupted" in result.output


def test_explore_prints_the_front_draws_it_and_writes_links_that_load(
    plan: Plan, tmp_path: Path
) -> None:
    pytest.importorskip("matplotlib", reason="the extra `analysis` is not installed")
    plot, folder = tmp_path / "front.png", tmp_path / "links"
    words = ["dunlin", "--explore", "--max-pins", 6, "--plot", plot, "--write", folder]
    result = plan(*words)
    assert status(result) == 0
    assert plot.read_bytes().startswith(b"\x89PNG")
    files = sorted(folder.iterdir())
    links = [load_link(path) for path in files]
    assert all(isinstance(link, Link) for link in links)
    assert [link.name for link in links] == [path.stem for path in files]
    assert f"written  {len(files)} link files to {folder}" in result.output
    # Again: the same files, so nothing is in the way.
    assert status(plan(*words)) == 0
    figures = json.loads(plan(*words, "--json").output)
    assert [one["name"] for one in figures["front"]] == [
        Path(path).stem for path in figures["written"]
    ]
    assert all(one["pins"] <= 6 for one in figures["front"])


def test_explore_tries_doubled_clocks_where_wires_may_be_that_fast(plan: Plan) -> None:
    figures = json.loads(
        plan("lean", "--explore", "--max-pins", 3, "--max-wire-rate", "40MHz", "--json").output
    )
    assert {one["clock_hz"] for one in figures["front"]} == {16_000_000, 32_000_000}
    own = plan(
        "lean", "--explore", "--max-pins", 3, "--max-wire-rate", "40MHz", "--clock-rate", "20MHz"
    )
    assert status(own) == 0
    assert " 20M " in own.output
    assert " 32M " not in own.output
    assert status(plan("lean", "--explore", "--max-pins", 3, "--max-wire-rate", "8MHz")) == 1


def test_write_wants_a_folder(plan: Plan, tmp_path: Path) -> None:
    file = tmp_path / "links"
    file.write_text("mine")
    result = plan("lean", "--explore", "--max-pins", 5, "--write", file)
    assert str(result.exception) == f"--write: found {file}, a file; give a folder's name"
    assert file.read_text() == "mine"


def test_plot_without_matplotlib_names_the_extra_to_install(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    result = plan("lean", "--explore", "--max-pins", 5, "--plot", "front.png")
    assert str(result.exception) == (
        "--plot needs Matplotlib; install it with: pip install 'busplay[analysis]'"
    )


def test_links_that_are_found_for_a_board_carry_its_stores(plan: Plan) -> None:
    board = load_board("dunlin")
    figures = json.loads(plan("dunlin", "--explore", "--max-pins", 7, "--json").output)
    assert figures["payload"] == {"space_bits": 2, "unit_bits": 1, "address_bits": 15}
    for one in figures["front"]:
        require_link_fits(replace(board, link=link_from_plain(one["link"])))


def test_explore_does_not_write_over_another_file(plan: Plan, tmp_path: Path) -> None:
    words = ["lean", "--explore", "--max-pins", 5, "--write", tmp_path]
    assert status(plan(*words)) == 0
    first = sorted(tmp_path.iterdir())[0]
    first.write_text("mine", encoding="utf-8")
    result = plan(*words)
    assert str(result.exception) == (
        f"{first}: found another file of that name; move it away or give another --write folder"
    )
    assert first.read_text(encoding="utf-8") == "mine"


def test_explore_that_finds_nothing_gives_status_1(plan: Plan) -> None:
    result = plan("lean", "--explore", "--max-pins", 3)
    assert status(result) == 1
    assert result.output.splitlines()[-1] == (
        "  No link keeps to these limits; give it more pins, cycles or a faster clock."
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["lean", "--plot", "a.png"], "the limits, --plot and --write go with --explore"),
        (["lean", "--explore", "--plot", "a.pdf"], "found a.pdf; end its name in .png, .svg"),
        (["lean", "--need", "trace"], "--need trace goes with --trace"),
        (
            ["lean", "--need", "quick"],
            "--need 'quick' is neither a number of stores a second nor one of byte,"
            " self-modifying, unrolled, straight, trace",
        ),
        (
            ["lean", "--explore", "--need", "byte"],
            "--need 'byte' does not go with --explore; give stores a second, or --max-slot-cycles",
        ),
        (["lean", "--explore", "--trace", "x"], "--trace does not go with --explore"),
        (
            ["lean", "--processor-clock", "fast"],
            "rate 'fast'; write a number and Hz, kHz, MHz or GHz, such as 24MHz",
        ),
        (
            ["lean", "--processor-clock", "0.5Hz"],
            "rate '0.5Hz'; write a number and Hz, kHz, MHz or GHz, such as 24MHz",
        ),
        (["lean", "--processor-clock", "8"], "rate '8'; give a unit, such as 8MHz"),
        (["lean", "--receivers", "0"], "0 is not between 1 and 256"),
        (["lean", "--burst-stores", "1_000_000_000"], "1,000,000,000 is not between 1"),
        (["lean", "--sender-fifo", "99999999"], "99,999,999 is not between 0 and 16,777,216"),
        (["lean", "--processor-hz", "8M"], "--processor-hz is now --processor-clock"),
        (["lean", "--fifo", "8"], "--fifo is now --sender-fifo"),
        (["lean", "--burst", "8"], "--burst is now --burst-stores"),
        (["lean", "--uart-hz", "8"], "--uart-hz is now --uart-rate"),
        (["lean", "--max-wire-hz", "8"], "--max-wire-hz is now --max-wire-rate"),
        (["lean", "--clock-hz", "8"], "--clock-hz is now --clock-rate"),
    ],
)
def test_wrong_use_is_refused_with_the_way_out(plan: Plan, words: list[str], message: str) -> None:
    result = plan(*words)
    assert message in str(getattr(result.exception, "message", result.exception))


@pytest.mark.parametrize(
    ("text", "hz"), [("8000000Hz", 8_000_000), ("8 MHz", 8_000_000), ("32.768kHz", 32_768)]
)
def test_frequencies_are_read_exactly(plan: Plan, text: str, hz: int) -> None:
    figures = json.loads(plan("lean", "--processor-clock", text, "--json").output)
    assert figures["processor_hz"] == hz
    assert figures["processor_hz_assumed"] is False


def test_link_without_an_address_is_refused(plan: Plan, tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(
        'name = "bare"\nlanes = 8\nedges = "rising"\n[[fields]]\nname = "data"\nbits = 8\n'
        '[framing]\nmethod = "strobe"\n',
        encoding="utf-8",
    )
    result = plan(path)
    assert isinstance(result.exception, InputError)
    assert str(result.exception) == (
        f"{path}: fields: found no field named address; a store has an address and 8 bits of"
        " data; without them there is nothing to plan"
    )


def test_slots_kept_idle_are_in_the_budget(plan: Plan, tmp_path: Path) -> None:
    path = tmp_path / "calm.toml"
    link = replace(load_link("guarded"), idle_every=8)
    path.write_text(link_toml(link), encoding="utf-8")
    result = plan(path, "--json")
    assert status(result) == 0
    budget = json.loads(result.output)["budget"]
    assert budget["frame_hz"] == 1_750_000
    assert budget["costs"][-1]["name"] == "idle"
    text = plan(path).output
    assert "  idle       one slot in 8 at least, so a frame takes about 4.571 cycles in the" in text
