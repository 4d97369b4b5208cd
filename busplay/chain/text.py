"""The chain as text, a line for each link, for `busplay why`."""

from __future__ import annotations

import textwrap

from busplay.chain.report import (
    CapturedFrame,
    FrameOnWires,
    PixelAgainst,
    PixelReport,
    StoreForeign,
    StoreFound,
    StoreLost,
    TextCell,
)
from busplay.description.full_address import address_text
from busplay.errors import printable
from busplay.explain.text_layout import INDENT, LINE_CHARACTERS, pairs
from busplay.wording import counted


def verdict_text(found: PixelReport) -> str:
    """Return the first lines: the pixel's colour, and a loss of its last store."""
    pixel, colour = found.pixel, found.colour
    where = f"{pixel.unit} {pixel.x},{pixel.y}{_at(pixel.at_s)}"
    shows = f"shows colour {colour.index}, #{colour.red:02X}{colour.green:02X}{colour.blue:02X}"
    lines = [f"{where} {shows}"]
    if found.loss is not None:
        lines.append(f"the last store to it {_state(found.loss)}")
        return "\n".join(lines)
    if found.against is not None and found.against.origin not in ("sent", None):
        lines.append(f"in {printable(found.against.file)} {_origin(found.against.origin)} drew it")
    if len(found.other_losses) == 1:
        only = found.other_losses[0]
        lines.append(f"a store to {_written(only)} behind its colour {_state(only)}")
    elif found.other_losses:
        count = len(found.other_losses)
        lines.append(f"{count} stores behind its colour were not received as sent")
    if found.against is not None and found.against.other_stores:
        lines.append(_foreign_verdict(found.against))
    return "\n".join(lines)


def _foreign_verdict(other: PixelAgainst) -> str:
    foreign = other.other_stores
    here = f"in {printable(other.file)}"
    if len(foreign) == 1:
        return f"{here} {_origin(foreign[0].origin)} set {foreign[0].register or 'display memory'}"
    return f"{here} {len(foreign)} frames behind its colour were not sent so"


def chain_text(found: PixelReport, *, wires: bool = True) -> str:
    """Return the links of the chain, from the colour to the edges; `wires` False: no frame."""
    lines = pairs(_colour_rows(found))
    if wires and found.frame is not None:
        lines += ["", *_frame_lines(found.frame, found.capture)]
    rows = [] if found.loss is None else _loss_rows(found.loss)
    for one in found.other_losses:
        rows += _loss_rows(one)
    if found.against is not None:
        rows.append(("shown", _against(found.against)))
        rows += [(one.origin, _foreign(one)) for one in found.against.other_stores]
    if rows:
        lines += ["", *pairs(rows)]
    if found.history:
        count = counted(len(found.history), "store") if len(found.history) > 1 else "store"
        lines += ["", f"last {count} to the byte", *_history(found)]
    for note in found.notes:
        text = textwrap.wrap(f"note: {note}", LINE_CHARACTERS, subsequent_indent=INDENT)
        lines += ["", *text]
    return "\n".join(lines)


def _colour_rows(found: PixelReport) -> list[tuple[str, str]]:
    colour, palette, picture, byte = found.colour, found.palette, found.picture, found.byte
    rows = []
    if colour.is_blank:
        rows.append(("blank", "the picture is blank: the border's colour stands everywhere"))
        rows.append(("", f"BLANK set by {_store(picture.blank_store)}"))
        rows.append(("border", f"palette entry {colour.index}, {_set_by(picture.border_store)}"))
    parts = f"red {colour.red}, green {colour.green}, blue {colour.blue}"
    rows.append(("colour", f"{parts}: palette entry {palette.index}, {_set_by(palette.store)}"))
    if picture.base_store is not None:
        rows.append(
            ("base", f"offset {picture.base_offset:,}, set by {_store(picture.base_store)}")
        )
    if picture.page_store is not None:
        rows.append(("page", f"{picture.page}, set by {_store(picture.page_store)}"))
    if found.cell is not None:
        rows += _cell_rows(found.cell, byte.value)
    bits = f"bit {byte.last_bit}"
    if byte.first_bit != byte.last_bit:
        bits = f"bits {byte.first_bit} to {byte.last_bit}"
    written = f"written {counted(byte.writes, 'time')}" if byte.writes else "never written"
    rows.append(("byte", f"offset {byte.offset:,} holds ${byte.value:02X}, {bits}; {written}"))
    store = found.store
    if store is None:
        return rows
    rows.append(("store", _store(store)))
    if store.program_counter is not None:
        rows.append(("code", _code(store)))
    if store.registers is not None:
        rows.append(("", str(store.registers)))
    return rows


def _cell_rows(cell: TextCell, code: int) -> list[tuple[str, str]]:
    shown = f" {cell.character}" if cell.character.strip() else ""
    what = "ink" if cell.is_ink else "paper"
    rows = [("character", f"${code:02X}{shown}; the pixel is {what} of ${cell.colours:02X}")]
    if cell.colours_store is not None:
        rows.append(("colours", f"${cell.colours:02X}, set by {_store(cell.colours_store)}"))
    if cell.glyph_store is not None:
        rows.append(("glyph", f"row ${cell.glyph_bits:02X}, set by {_store(cell.glyph_store)}"))
    if cell.is_cursor:
        rows.append(("cursor", f"changes the pixel; placed by {_store(cell.cursor_store)}"))
        rows.append(("", f"shape set by {_store(cell.cursor_shape_store)}"))
    return rows


def _frame_lines(frame: FrameOnWires, capture: CapturedFrame | None) -> list[str]:
    head = f"{frame.word}, frame {frame.number:,} at edge {frame.edge:,}{_at(frame.time_s)}"
    rows = [("frame", head), ("fields", _fields(frame))]
    margins = {}
    if capture is not None:
        start = capture.edges_ps[0]
        steps = " ".join(f"{(one - start) / 1000:g}" for one in capture.edges_ps)
        rows.append(("edges", f"{start / 1e6:.6f} us in the capture; ns from there: {steps}"))
        margins = {one.wire: one for one in capture.wires}
    for lane in frame.lanes:
        text = " ".join(str(level) for level in lane.levels)
        captured = margins.get(lane.wire)
        if captured is not None:
            near = "no change near"
            if captured.margin_ps is not None:
                near = f"{captured.margin_ps / 1000:.1f} ns from a change"
                if capture is not None and captured.margin_ps < (capture.sample_ps or 0):
                    near += ", in doubt"
            text += f"   {captured.signal}: {near}"
        rows.append((lane.wire, text))
    return pairs(rows)


def _loss_rows(loss: StoreLost) -> list[tuple[str, str]]:
    register = "" if loss.register is None else f"{loss.register}: "
    rows = [("lost", f"{register}{_store(loss.sent)} {_state(loss)}")]
    if loss.sent.program_counter is not None:
        rows.append(("code", _code(loss.sent)))
    if loss.sent_frame is not None:
        rows.append(("sent", f"{loss.sent_frame.word}, {_fields(loss.sent_frame)}"))
    if loss.came is not None:
        rows.append(("received", f"{loss.came.word}, {_fields(loss.came)}"))
    elif loss.sent_frame is not None:
        rows.append(("received", "nothing" if loss.state == "lost" else "the same, too late"))
    return rows


def _written(loss: StoreLost) -> str:
    return loss.register or "display memory"


def _against(other: PixelAgainst) -> str:
    colour = other.colour
    text = f"#{colour.red:02X}{colour.green:02X}{colour.blue:02X}, from ${other.value:02X},"
    text += f" {_set_by(other.store)}, in {printable(other.file)}"
    if other.sent_frame is not None:
        text += f"; sent as {other.sent_frame.word}, {_fields(other.sent_frame)}"
    return text if other.origin in ("sent", None) else f"{text}; {_origin(other.origin)}"


def _foreign(one: StoreForeign) -> str:
    text = f"{one.register or 'display memory'}: {_store(one.store)}"
    if one.sent_frame is None:
        return f"{text}; never sent"
    return f"{text}; sent as {one.sent_frame.word}, {_fields(one.sent_frame)}"


def _origin(origin: str | None) -> str:
    if origin == "damaged":
        return "a frame that was damaged on the wire"
    return "a spurious frame, which was never sent,"


def _history(found: PixelReport) -> list[str]:
    rows = []
    for one in found.history:
        code = "" if one.program_counter is None else f", {_code(one)}"
        rows.append((_time(one.time_s), f"${one.data:02X}{_cycle(one)}{code}"))
    return pairs(rows)


def _state(loss: StoreLost) -> str:
    causes = " or ".join(loss.causes)
    if loss.state == "damaged":
        return "was received damaged"
    if loss.state == "late":
        return "was served after its deadline"
    if causes.startswith("lost "):
        return f"was {causes}"
    return f"was lost: {causes or 'cause not known'}"


def _set_by(store: StoreFound | None) -> str:
    return "as at power-on" if store is None else f"set by {_store(store)}"


def _store(store: StoreFound | None) -> str:
    if store is None:
        return "nothing"
    address = "an address in no window"
    if store.address is not None:
        address = address_text(store.address, store.page)
    label = f" ({store.address_label})" if store.address_label else ""
    return f"${store.data:02X} to {address}{label}{_cycle(store)}{_at(store.time_s)}"


def _cycle(store: StoreFound) -> str:
    if store.cycle is None:
        return ""
    return f", cycle {store.cycle:,}" + ("" if store.cycle_is_exact else " at the latest")


def _code(store: StoreFound) -> str:
    label = f" {store.label}" if store.label else ""
    line = f", {store.file}:{store.line}" if store.file else ""
    at = address_text(store.program_counter or 0, store.program_counter_page)
    return f"{at}{label}{line}"


def _fields(frame: FrameOnWires) -> str:
    return ", ".join(f"{name} {_hex(value)}" for name, value in frame.fields.items())


def _hex(value: int) -> str:
    return str(value) if value < 10 else f"${value:X}"


def _time(time_s: float | None) -> str:
    return "" if time_s is None else f"{time_s:.6f} s"


def _at(time_s: float | None) -> str:
    return "" if time_s is None else f" at {_time(time_s)}"
