"""The logic: Verilog-2005 sources of a link's sender and receiver, and a test bench.

How to think about it. One module does the work of a receiver, and one that of a sender, for as
many symbols in a clock as a parameter says: one, or two where both edges carry symbols. Around each
stand small modules with the pins. Each module has a file of its own, with its name.
"""

from __future__ import annotations

from collections.abc import Iterator

from busplay.description.link import StrobeFraming
from busplay.emission.bits import Run
from busplay.emission.c_files import FIFO_DEPTH_ASSUMED
from busplay.emission.emission import Emission
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.emission.rendering import RenderedFile, finished, render
from busplay.emission.vectors import encoded_frames
from busplay.emission.verilog_text import TOPS, sized
from busplay.link.framing.strobe import idle_level
from busplay.link.layout import FrameLayout
from busplay.receiver.states import Event, State

_MARK = "// "


def no_verilog_reason(model: LinkModel) -> str | None:
    """Return why a link has no sender and receiver of one clock; None: it has."""
    if model.link.edges == "both" and model.layout.frame_symbols == 1:
        return (
            f"link {model.link.name} has frames of one symbol on both edges, so two of them end"
            " within a clock cycle"
        )
    return None


def verilog_files(emission: Emission) -> Iterator[RenderedFile]:
    """Return the Verilog sources and two test benches.

    Modules of a doubled clock are there where both edges carry symbols.
    """
    model = emission.model
    facts = _facts(model)
    names = ["encoder", "fifo", "receiver_core", "receiver", "sender_core", "sender"]
    if model.check:
        names.append("check")
    if model.can_fail:
        names.append("syndrome")
    if model.link.edges == "both":
        names += ["receiver_2x", "sender_2x"]
    for name in names:
        text = render(f"verilog/{name}.v.j2", model, facts, mark=_MARK)
        yield finished(f"verilog/{model.ident}_{name}.v", text)
    values = {**facts, **_bench(emission)}
    text = render("verilog/test.v.j2", model, values, mark=_MARK)
    yield finished(f"verilog/{model.ident}_test.v", text)
    text = render("verilog/cocotb.py.j2", model, facts)
    yield finished(f"verilog/{model.ident}_cocotb.py", text)


def _facts(model: LinkModel) -> dict[str, object]:
    layout, framing = model.layout, model.framing
    frame_bits, lanes = layout.frame_bits, layout.lanes
    strobe = model.link.framing
    rest = idle_level(strobe) if isinstance(strobe, StrobeFraming) else 0
    takes_part = [row for row in model.transitions if row.can_happen]
    counted = [name for name in COUNTERS if any(row.counter == name for row in takes_part)]
    grid = model.link.edges_per_cycle if model.link.start == "cycle" else 1
    slot = -(-layout.slot_symbols // grid) * grid
    idle_every = model.link.idle_every or 0
    return {
        "counters": COUNTERS,
        "counted": counted,
        "counted_bits": {
            row: sized(
                sum(1 << at for at, name in enumerate(counted) if name == row.counter),
                len(counted),
            )
            for row in takes_part
        },
        "takes_part": takes_part,
        "used_events": {row.event for row in takes_part},
        "registers": receiver_registers(model),
        "idle_terms": _idle_terms(model),
        "states": list(State),
        "events": list(Event),
        "sync_state": int(State.SYNC),
        "tops": [top for top in TOPS if model.link.edges == "both" or not top.endswith("_2x")],
        "sender_fields": [field.name for field in model.inputs if field.name != "sequence"],
        "both": model.link.edges == "both",
        "falling": model.link.edges == "falling",
        "frame_bits": frame_bits,
        "lanes": lanes,
        "symbol_bits": model.symbol_bits,
        "position_bits": layout.frame_symbols.bit_length(),
        "valid_run_bits": framing.confirm_frames.bit_length(),
        "invalid_run_bits": framing.release_frames.bit_length(),
        # What is left of a window when a symbol is shifted in.
        "kept_top": frame_bits - lanes - 1,
        "turned_runs": tuple(Run(lanes - 1 - lane, lane, 1) for lane in range(lanes)),
        "sequence_runs": model.sequence.runs if model.sequence else (),
        "syndrome_bits": layout.syndrome_bits,
        "corrections": _corrections(layout) if model.corrects else (),
        "grid": grid if model.link.start == "cycle" else slot,
        "slot": slot,
        "slot_bits": slot.bit_length(),
        "on_cycles": model.link.start == "cycle",
        "halves": model.link.start == "cycle" and model.link.edges == "both",
        "busy_max": idle_every - 1,
        "busy_bits": idle_every.bit_length(),
        "rest": rest,
        "held": framing.is_held,
        "counts_sequence": model.sequence is not None and model.sequence.is_input,
        "fifo_depth": model.time.fifo_depth or FIFO_DEPTH_ASSUMED,
    }


def receiver_registers(model: LinkModel) -> list[tuple[str, int, str]]:
    """Return a receiver's registers that only some links need: name, width and meaning."""
    framing = model.framing
    rows = []
    if framing.confirm_frames:
        bits = framing.confirm_frames.bit_length()
        rows.append(("valid_run", bits, "consecutive valid frames in PRESYNC"))
    if framing.release_frames and model.can_fail:
        bits = framing.release_frames.bit_length()
        rows.append(("invalid_run", bits, "consecutive invalid frames in SYNC"))
    if model.corrects:
        rows.append(("may_correct", 1, "the last frame in SYNC was valid"))
    if model.sequence_bits:
        rows.append(("expects", 1, "a sequence number was received"))
        rows.append(("expected", model.sequence_bits, "the next sequence number"))
    if framing.is_held:
        rows.append(("was_active", 1, "the strobe was active, or is unknown"))
    return rows


def _idle_terms(model: LinkModel) -> list[str]:
    """Return by what a valid word is idle."""
    terms = ["word == IDLE_WORD"] if model.rules.idle_counts else []
    if model.space_mask:
        mask = sized(model.space_mask, model.layout.frame_bits)
        terms.append(f"(word & {mask}) == 0")
    return terms


def _corrections(layout: FrameLayout) -> list[tuple[str, str]]:
    """Return the syndrome of each invalid bit, and that bit."""
    return [
        (sized(column, layout.syndrome_bits), sized(1 << place, layout.frame_bits))
        for place, column in enumerate(reversed(layout.syndrome_columns))
    ]


def _bench(emission: Emission) -> dict[str, object]:
    model = emission.model
    encoded = encoded_frames(model)
    input_bits = sum(field.bits for field in model.inputs)
    return {
        "symbols_count": sum(len(one.symbols) for one in emission.vectors),
        "frames_count": sum(len(one.frames) for one in emission.vectors),
        "vectors_count": len(emission.vectors),
        "encoded_count": len(encoded),
        "input_bits": input_bits,
        "edges_a_frame": model.layout.slot_symbols * 4,
    }
