"""The firmware: C99 sources of a link's sender and receiver, its display, a port, and a test."""

from __future__ import annotations

from collections.abc import Iterator

from busplay.description.link import StrobeFraming
from busplay.display.registers import POWER_ON_TEXT_COLOURS, REGISTERS
from busplay.emission.bits import Run
from busplay.emission.emission import Emission
from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.emission.rendering import RenderedFile, finished, render
from busplay.emission.units import no_stores_reason, unit_models
from busplay.emission.vectors import encoded_frames
from busplay.link.framing.strobe import idle_level
from busplay.receiver.states import Event, State

_MARK = " * "
FIFO_DEPTH_ASSUMED = 64


def c_files(emission: Emission) -> Iterator[RenderedFile]:
    """Return the C sources; those of the display only where a link can carry stores."""
    model = emission.model
    name = f"c/{model.ident}"
    facts = _link_facts(model)
    yield finished(f"{name}_link.h", render("c/link.h.j2", model, facts, mark=_MARK))
    yield finished(f"{name}_link.c", render("c/link.c.j2", model, facts, mark=_MARK))
    values = {"vectors": emission.vectors, "encoded": encoded_frames(model), "counters": COUNTERS}
    yield finished(f"{name}_test.c", render("c/test.c.j2", model, values, mark=_MARK))
    yield finished(f"{name}_port.c", render("c/port.c.j2", model, _port(model), mark=_MARK))
    if no_stores_reason(model) is None:
        units = {
            "registers": REGISTERS,
            "text_colours": f"0x{POWER_ON_TEXT_COLOURS:02X}u",
            "units": unit_models(model),
            "spaces": model.space_mask != 0,
        }
        yield finished(f"{name}_display.h", render("c/display.h.j2", model, units, mark=_MARK))
        yield finished(f"{name}_display.c", render("c/display.c.j2", model, units, mark=_MARK))


def _link_facts(model: LinkModel) -> dict[str, object]:
    framing = model.link.framing
    name = model.ident.upper()
    rest = 0
    if isinstance(framing, StrobeFraming):
        rest = idle_level(framing) * model.framing.strobe_mask
    valid = []
    if model.constant_mask:
        valid.append(f"(word & {name}_CONSTANT_MASK) == {name}_CONSTANT_WORD")
    if model.check:
        valid.append("syndrome(word) == 0")
    idle = []
    if model.rules.idle_counts:
        idle.append(f"word == {name}_IDLE_WORD")
    if model.space_mask:
        idle.append(f"(word & {name}_FIELD_SPACE_MASK) == 0")
    lanes = model.layout.lanes
    return {
        "counters": COUNTERS,
        "states": [state.name for state in State],
        "events": [event.name for event in Event],
        "rest": rest,
        "valid_terms": valid,
        "idle_terms": idle,
        "lane_mask": (1 << lanes) - 1,
        "sequence_mask": (1 << model.sequence_bits) - 1,
        "turned_runs": tuple(Run(lanes - 1 - lane, lane, 1) for lane in range(lanes)),
    }


def _port(model: LinkModel) -> dict[str, object]:
    depth = model.time.fifo_depth or FIFO_DEPTH_ASSUMED
    pins = [("clock", "in, every transition that samples: " + model.link.edges)]
    pins += [(f"lane {lane}", "in") for lane in range(model.layout.lanes)]
    if model.framing.strobe_mask:
        level = "high" if model.framing.active_high else "low"
        pins.append(("strobe", f"in, active {level}"))
    ring = 1 << (depth - 1).bit_length()
    return {
        "pins": pins,
        "fifo_depth": depth,
        # A power of 2, so that indexes may wrap round.
        "ring": ring,
        # More than the ring, to tell a full FIFO from an empty one.
        "index_bits": 8 if ring < 1 << 8 else 16 if ring < 1 << 16 else 32,
        "frame_hz": f"{float(model.time.budget.frame_hz):,.0f}",
        "fifo_assumed": model.time.fifo_depth is None,
    }
