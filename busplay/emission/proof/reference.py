"""A receiver in Verilog that shares no text with the emitted one, to prove that one against.

How to think about it. It is made from the receiver's own table of states (`TRANSITIONS`), its rules
and the layout, in another style than the template's: nothing but wires, a set for each symbol of a
clock, each with the events of that symbol, up to three one after the other, as the framings cause
them (`busplay.receiver.states`, `busplay.receiver.machine`). Registers are wider than they need to
be. A word's syndrome is an input, for the word that `asked` shows; so what is proved holds for
every check.

`in_range` says which values the registers have. Without it an induction would start from states
that no symbols lead to, where two right receivers may differ.
"""

from __future__ import annotations

from collections.abc import Iterator

from busplay.description.link import StrobeFraming
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.receiver.registers import FIRST_COUNTER
from busplay.receiver.states import TRANSITIONS, Event, State

SYMBOLS_BITS = 7
RUN_BITS = 16
COUNTER_BITS = 32
# An event's number has fewer bits; this is none of them.
_EVENT_BITS = 4
_NONE = f"{_EVENT_BITS}'d{1 << _EVENT_BITS - 1}"


def reference_module(model: LinkModel, *, symbols: int) -> str:
    """Return the source of a module named `reference`.

    Args:
        model: the link.
        symbols: how many a clock takes.
    """
    return "\n".join(_lines(model, symbols)) + "\n"


def reference_registers(model: LinkModel) -> dict[str, int]:
    """Return a receiver's registers, counters aside, and their widths here."""
    layout = model.layout
    return {
        "state": 2,
        "window": layout.frame_bits,
        "position": SYMBOLS_BITS,
        "filled": SYMBOLS_BITS,
        "valid_run": RUN_BITS,
        "invalid_run": RUN_BITS,
        "may_correct": 1,
        "expects": 1,
        "expected": max(1, model.sequence_bits),
        "was_active": 1,
        "first": COUNTER_BITS,
    }


class _Symbol:
    """The wires of one symbol of a clock.

    Args:
        at: which symbol, from 0.
    """

    def __init__(self, at: int) -> None:
        self.at = at
        self.lines: list[str] = []
        self.state = self.now("state")
        # Conditions: an event has led to another state, to SYNC, and made a counter go up.
        self.changes: list[str] = []
        self.entries: list[str] = []
        # What is added to each counter: the sum of such terms.
        self.ups: dict[str, list[str]] = {}

    def now(self, register: str) -> str:
        """Return a register's value before the symbol."""
        return f"{register}_{self.at}"

    def wire(self, name: str, bits: int, value: str) -> str:
        """Declare a wire; return its name."""
        self.lines.append(f"    wire [{bits - 1}:0] {name}_{self.at} = {value};")
        return f"{name}_{self.at}"

    def count(self, counter: str, up: str) -> None:
        """Add a number to a counter."""
        self.ups.setdefault(counter, []).append(f"({up})")

    def enter(self, event: str) -> None:
        """Change state as the table has it for an event."""
        number = len(self.changes)
        cause = self.wire(f"event{number}", _EVENT_BITS, event)
        before, following = self.state, self.state
        for state, of, then, counter, _ in reversed(TRANSITIONS):
            row = f"{before} == {int(state)} && {cause} == {int(of)}"
            following = f"({row}) ? {int(then)} : {following}"
            if counter is not None:
                self.count(COUNTERS[counter - FIRST_COUNTER], row)
        self.state = self.wire(f"following{number}", 2, following)
        self.changes.append(f"{self.state} != {before}")
        self.entries.append(f"({self.state} != {before} && {self.state} == {int(State.SYNC)})")


def _lines(model: LinkModel, symbols: int) -> Iterator[str]:
    layout = model.layout
    registers = reference_registers(model)
    counters = dict.fromkeys(COUNTERS, COUNTER_BITS)
    word = f"[{layout.frame_bits - 1}:0]"
    syndrome_bits = max(1, layout.syndrome_bits)
    yield "module reference ("
    yield "    input wire clock, input wire reset,"
    yield f"    input wire [{symbols - 1}:0] take,"
    yield f"    input wire [{symbols * model.symbol_bits - 1}:0] symbols,"
    yield f"    input wire [{symbols * syndrome_bits - 1}:0] syndromes,"
    yield f"    output wire [{symbols * layout.frame_bits - 1}:0] asked,"
    yield f"    output wire [{symbols - 1}:0] asks,"
    yield f"    output reg frame_valid, output reg {word} frame_word,"
    yield f"    output reg [{COUNTER_BITS - 1}:0] frame_first,"
    for name, bits in (registers | counters).items():
        yield f"    output reg [{bits - 1}:0] {name},"
    yield "    output wire in_range);"
    for name, bits in registers.items():
        yield f"    wire [{bits - 1}:0] {name}_0 = {name};"
    for at in range(symbols):
        one, place = _Symbol(at), symbols - 1 - at
        one.wire("taken", 1, f"take[{place}]")
        fed = f"fed_{at - 1} + taken_{at - 1}" if at else "symbols_fed"
        one.wire("fed", COUNTER_BITS, fed)
        one.wire("symbol", model.symbol_bits, _part("symbols", place, model.symbol_bits))
        one.wire("syndrome", syndrome_bits, _part("syndromes", place, syndrome_bits))
        _take(one, model)
        yield from one.lines
        yield f"    assign {_part('asked', place, layout.frame_bits)} = seen_{at};"
        yield f"    assign asks[{place}] = taken_{at} && needed_{at};"
    yield from _in_range(model)
    yield from _at_clock(registers, symbols)
    yield "endmodule"


def _part(vector: str, place: int, bits: int) -> str:
    return f"{vector}[{place * bits} +: {bits}]"


def _at_clock(registers: dict[str, int], symbols: int) -> Iterator[str]:
    yield "    always @(posedge clock) begin"
    for name in registers:
        start = 1 if name == "was_active" else 0
        yield f"        {name} <= reset ? {start} : {name}_{symbols};"
    for name in COUNTERS:
        added = " + ".join(f"added_{name}_{at}" for at in range(symbols))
        yield f"        {name} <= reset ? 0 : {name} + ({added});"
    delivered = [f"taken_{at} && has_data_{at}" for at in range(symbols)]
    yield f"        frame_valid <= !reset && ({' || '.join(delivered)});"
    for at in range(symbols):
        yield f"        if ({delivered[at]}) frame_word <= word_{at};"
        yield f"        if ({delivered[at]}) frame_first <= first_{at + 1};"
    yield "    end"


def _take(one: _Symbol, model: LinkModel) -> None:
    """Declare what a symbol does: its bits, the frame that ends, the events, the next registers."""
    layout = model.layout
    lanes = [f"{one.now('symbol')}[{lane}]" for lane in range(layout.lanes)]
    if layout.link.first_bit_lane == "highest":
        lanes.reverse()
    one.wire("bits", layout.lanes, "{" + ", ".join(lanes) + "}")
    then = _take_with_strobe(one, model) if model.rules.is_strobe else _search(one, model)
    changed, entered = " || ".join(one.changes), " || ".join(one.entries)
    judged, fails = one.now("judged"), one.now("fails")
    release = model.rules.release_frames
    failed_run = f"{one.now('invalid_run')} + {1 if release else 0}"
    confirmed = f"{one.now('confirming')} && !{fails}" if not model.rules.is_strobe else "1'b0"
    then |= {
        "state": one.state,
        "valid_run": f"({changed}) ? 0 : {one.now('valid_run')} + ({confirmed})",
        "invalid_run": f"({changed}) ? 0 : !{judged} ? {one.now('invalid_run')}"
        f" : {fails} ? {failed_run} : 0",
        "may_correct": f"{judged} ? !{fails} : (({entered}) || {one.now('may_correct')})",
        **_delivered(one, model),
    }
    one.count("symbols_fed", "1'b1")
    for counter in COUNTERS:
        bits = COUNTER_BITS if counter == "frames_missed" else SYMBOLS_BITS + 1
        added = " + ".join(one.ups.get(counter, ["1'b0"]))
        one.wire(f"added_{counter}", bits, f"{one.now('taken')} ? ({added}) : 0")
    for name, bits in reference_registers(model).items():
        value = then.get(name, one.now(name))
        kept = f"{one.now('taken')} ? ({value}) : {one.now(name)}"
        one.lines.append(f"    wire [{bits - 1}:0] {name}_{one.at + 1} = {kept};")


def _search(one: _Symbol, model: LinkModel) -> dict[str, str]:
    """Declare the events of a link without a strobe; return what its registers become."""
    layout, rules = model.layout, model.rules
    frame_symbols = layout.frame_symbols
    state, fails = one.state, _judge_window(one, model, one.now("window"), needed="1'b1")
    hunts = one.wire("hunts", 1, f"{state} == {int(State.HUNT)}")
    is_full = f"{one.now('filled')} >= {frame_symbols}"
    filled = one.wire("filling", SYMBOLS_BITS, f"({hunts} && !({is_full})) + {one.now('filled')}")
    mask, marker = (
        _number(int(each), layout.frame_bits) for each in (rules.marker_mask, rules.marker_word)
    )
    marked = one.wire("marked", 1, f"({one.now('seen')} & {mask}) == {marker} && !{fails}")
    found = one.wire("found", 1, f"{hunts} && {filled} == {frame_symbols} && {marked}")
    position = one.wire("moved", SYMBOLS_BITS, f"{hunts} ? 0 : {one.now('position')} + 1")
    ends = one.wire("ends", 1, f"{position} == {frame_symbols}")
    confirming = one.wire("confirming", 1, f"{ends} && {state} == {int(State.PRESYNC)}")
    judged = one.wire("judged", 1, f"{ends} && {state} == {int(State.SYNC)}")
    watched = int(rules.is_watched)
    displaced = one.wire(
        "displaced", 1, f"{watched} && {state} == {int(State.SYNC)} && !{ends} && {marked}"
    )
    _correct(one, model, one.now("may_correct"))
    found_event = Event.FOUND if rules.confirm_frames else Event.CONFIRMED
    last = f"{one.now('valid_run')} + 1 == {rules.confirm_frames}"
    one.enter(
        f"{found} ? {int(found_event)} : {confirming} ? ({fails} ? {int(Event.INVALID)}"
        f" : {last} ? {int(Event.CONFIRMED)} : {int(Event.VALID)}) : {judged} && {fails} ?"
        f" {_failure(one)} : {displaced} ? {int(Event.ABORTED)} : {_NONE}"
    )
    released = f"{judged} && {fails} && {one.now('invalid_run')} + 1 == {rules.release_frames}"
    one.enter(
        f"{released} ? {int(Event.RELEASED)} : {displaced} ? {int(Event.DISPLACED)} : {_NONE}"
    )
    one.enter(f"{displaced} ? {int(Event.CONFIRMED)} : {_NONE}")
    skipped = f"{hunts} || {state} == {int(State.PRESYNC)}"
    one.count("symbols_skipped", f"{displaced} ? {position} : ({skipped})")
    begins = f"{one.now('position')} == 0 && !{hunts}"
    return {
        "window": one.now("seen"),
        "filled": filled,
        "position": f"({found} || {ends} || {displaced}) ? 0 : {position}",
        "first": f"({begins}) ? {one.now('fed')} : {one.now('first')}",
    }


def _take_with_strobe(one: _Symbol, model: LinkModel) -> dict[str, str]:
    """Declare the events of a link with a strobe; return what its registers become."""
    layout, framing = model.layout, model.layout.link.framing
    assert isinstance(framing, StrobeFraming)
    is_held = int(framing.span == "frame")
    level = int(framing.active == "high")
    active = one.wire("active", 1, f"{one.now('symbol')}[{layout.lanes}] == {level}")
    begins = one.wire("begins", 1, f"{active} && !({is_held} && {one.now('was_active')})")
    ended = f"{begins} || ({is_held} && !{active})"
    aborted = one.wire("aborted", 1, f"{one.now('position')} != 0 && ({ended})")
    position = one.wire("kept", SYMBOLS_BITS, f"{aborted} ? 0 : {one.now('position')}")
    window = one.wire("cleared", layout.frame_bits, f"{aborted} ? 0 : {one.now('window')}")
    one.enter(f"{aborted} ? {int(Event.ABORTED)} : {_NONE}")
    one.enter(f"{begins} ? {int(Event.CONFIRMED)} : {_NONE}")
    part = one.wire("is_part", 1, f"{begins} || {position} != 0")
    moved = one.wire("moved", SYMBOLS_BITS, f"{position} + {part}")
    judged = one.wire("judged", 1, f"{moved} == {layout.frame_symbols}")
    fails = _judge_window(one, model, window, needed=judged)
    _correct(one, model, f"({' || '.join(one.entries)} || {one.now('may_correct')})")
    in_sync = f"{one.state} == {int(State.SYNC)}"
    one.enter(f"{judged} && {fails} ? {_failure(one)} : {_NONE}")
    one.count("symbols_skipped", f"!{part} && ({active} || !({in_sync}))")
    one.count("symbols_skipped", f"{aborted} ? {one.now('position')} : 0")
    one.count("symbols_idle", f"!{part} && !{active} && {in_sync}")
    return {
        "window": f"{judged} ? 0 : {part} ? {one.now('seen')} : {window}",
        "position": f"{judged} ? 0 : {moved}",
        "was_active": active,
        "first": f"{begins} ? {one.now('fed')} : {one.now('first')}",
    }


def _judge_window(one: _Symbol, model: LinkModel, window: str, *, needed: str) -> str:
    """Declare the window after the symbol, and whether it fails; return the latter's name."""
    layout = model.layout
    one.wire("needed", 1, needed if layout.syndrome_bits else "1'b0")
    seen = one.wire("seen", layout.frame_bits, f"{{{window}, {one.now('bits')}}}")
    idle = _number(layout.idle_word, layout.frame_bits)
    holds = f"{one.now('syndrome')} == 0" if layout.syndrome_bits else "1'b1"
    return one.wire("fails", 1, f"!({holds}) && {seen} != {idle}")


def _correct(one: _Symbol, model: LinkModel, may_correct: str) -> None:
    """Declare the word that a frame is taken for, and whether it was corrected."""
    layout = model.layout
    flips = "0"
    if model.rules.is_corrected:
        columns = [_number(column, layout.syndrome_bits) for column in layout.syndrome_columns]
        rows = ", ".join(f"{one.now('syndrome')} == {column}" for column in columns)
        flips = f"({one.now('fails')} && {may_correct}) ? {{{rows}}} : 0"
    flips = one.wire("flips", layout.frame_bits, flips)
    one.wire("corrected", 1, f"{flips} != 0")
    one.wire("word", layout.frame_bits, f"{one.now('seen')} ^ {flips}")


def _failure(one: _Symbol) -> str:
    return f"({one.now('corrected')} ? {int(Event.CORRECTED)} : {int(Event.INVALID)})"


def _delivered(one: _Symbol, model: LinkModel) -> dict[str, str]:
    """Declare whether a frame is delivered; return what the registers for its number become."""
    layout, rules = model.layout, model.rules
    word = one.now("word")
    space = f"({word} & {_number(int(rules.space_mask), layout.frame_bits)})"
    is_idle = f"{space} == {_number(int(rules.space_idle), layout.frame_bits)}"
    if rules.idle_counts:
        is_idle += f" || {word} == {_number(layout.idle_word, layout.frame_bits)}"
    idle = one.wire("is_idle", 1, is_idle)
    valid = f"{one.now('judged')} && (!{one.now('fails')} || {one.now('corrected')})"
    good = one.wire("is_good", 1, valid)
    data = one.wire("has_data", 1, f"{good} && !{idle}")
    one.count("frames_received", data)
    one.count("frames_idle", f"{good} && {idle}")
    then: dict[str, str] = {}
    if model.sequence_bits:
        places = layout.bit_places("sequence")[: model.sequence_bits]
        bits = ", ".join(f"{word}[{place}]" for place in reversed(places))
        number = one.wire("number", model.sequence_bits, f"{{{bits}}}")
        missed = one.wire("missed", model.sequence_bits, f"{number} - {one.now('expected')}")
        one.count("frames_missed", f"{data} && {one.now('expects')} ? {missed} : 0")
        then |= {
            "expects": f"{data} || {one.now('expects')}",
            "expected": f"{data} ? {number} + 1 : {one.now('expected')}",
        }
    return then


def _in_range(model: LinkModel) -> Iterator[str]:
    """Declare which values the registers have."""
    rules, frame_symbols = model.rules, model.layout.frame_symbols
    hunts = f"state == {int(State.HUNT)}"
    in_sync = f"state == {int(State.SYNC)}"
    terms = [
        f"position < {frame_symbols}",
        f"!({hunts} && position != 0)",
        "(position == 0 || first + position == symbols_fed)",
        f"(({in_sync} && invalid_run < {rules.release_frames}) || invalid_run == 0)",
    ]
    if rules.confirm_frames:
        presync = f"state == {int(State.PRESYNC)}"
        terms.append(f"({hunts} || {presync} || {in_sync})")
        terms.append(f"(({presync} && valid_run < {rules.confirm_frames}) || valid_run == 0)")
    else:
        terms.append(f"({hunts} || {in_sync})")
        terms.append("valid_run == 0")
    if rules.is_strobe:
        terms.append("(position != 0 || window == 0)")
    else:
        terms.append(f"filled <= {frame_symbols}")
        terms.append(f"({hunts} || filled == {frame_symbols})")
    yield f"    assign in_range = {' && '.join(terms)};"


def _number(value: int, bits: int) -> str:
    return f"{bits}'h{value:X}"
