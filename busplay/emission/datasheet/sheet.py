"""The whole data sheet, as one HTML file and as Markdown with its drawings beside it."""

from __future__ import annotations

from collections.abc import Iterator

from busplay.analysis.plan import PlanReport, plan
from busplay.analysis.soundness.report import check
from busplay.display.registers import NOTES, REGISTERS, power_on_values, registers_of
from busplay.emission.datasheet.blocks import (
    Block,
    Grid,
    Paragraph,
    Section,
    SheetFigure,
    pair_grid,
)
from busplay.emission.datasheet.figures import (
    budget_section,
    firmware_section,
    logic_section,
    soundness_section,
)
from busplay.emission.datasheet.frame import example_sections, frame_sections
from busplay.emission.datasheet.wires import pins_section, times_section
from busplay.emission.emission import Emission
from busplay.emission.model import LinkModel
from busplay.emission.rendering import RenderedFile, comment, finished, head_lines, render
from busplay.emission.units import (
    UnitModel,
    no_stores_reason,
    register_addresses,
    unit_models,
)
from busplay.emission.verilog_files import no_verilog_reason
from busplay.explain.link import link_rows
from busplay.explain.link_facts import link_facts
from busplay.wording import counted


def sheet_files(emission: Emission) -> Iterator[RenderedFile]:
    """Return the data sheet's files."""
    model = emission.model
    sections = tuple(_sections(emission))
    name = f"datasheet/{model.ident}"
    owner = model.board.name if model.board else ""
    values: dict[str, object] = {
        "sections": sections,
        "title": f"Link {model.link.name}",
        "board": owner,
    }
    yield finished(f"{name}.html", render("datasheet/sheet.html.j2", model, values))
    yield finished(f"{name}.md", render("datasheet/sheet.md.j2", model, values))
    for section in sections:
        for block in section.blocks:
            if isinstance(block, SheetFigure):
                yield finished(f"{name}_{block.name}.svg", _svg_file(model, block))


def _svg_file(model: LinkModel, figure: SheetFigure) -> str:
    lines = "\n".join(comment(line) for line in head_lines(model))
    return f"<!--\n{lines}\n-->\n{figure.svg}"


def _sections(emission: Emission) -> Iterator[Section]:
    model = emission.model
    yield _purpose(model)
    yield pins_section(model)
    yield from frame_sections(model)
    planned: PlanReport | None = None
    if no_stores_reason(model) is None:
        planned = plan(model.board or model.link)
    yield times_section(model, planned)
    yield soundness_section(check(model.board or model.link, with_advice=False))
    if planned is not None:
        yield budget_section(planned)
    yield from example_sections(model)
    if no_stores_reason(model) is None:
        yield from _units(model)
    yield firmware_section(model, emission.firmware)
    if no_verilog_reason(model) is None:
        yield logic_section(model, emission.logic)


def _purpose(model: LinkModel) -> Section:
    link = model.link
    blocks: list[Block] = []
    if link.description:
        blocks.append(Paragraph(link.description))
    blocks.append(
        Paragraph(
            "The link is one way: every store of the processor into a window of its address space"
            " leaves as one frame; the receiver keeps display memory and draws it. There are no"
            " reads, no acknowledgement and no flow control, so both ends must keep to this sheet."
        )
    )
    board = model.board
    if board is not None:
        units = " and ".join(f"unit {one.name}" for one in board.units)
        text = f"Here it leads from board {board.name} to {units}."
        blocks.append(Paragraph(f"{text} {board.description}".strip()))
    blocks.append(Grid(("", ""), tuple(link_rows(link, link_facts(link)))))
    return Section("Purpose", tuple(blocks))


def _units(model: LinkModel) -> Iterator[Section]:
    """Return each unit with its registers; a link alone has what every unit has."""
    blocks: list[Block] = [Paragraph("The link has no field space, so it reaches memory only.")]
    if model.space_mask:
        blocks = [Paragraph(" ".join(NOTES))]
        if model.board is None:
            every = [one for one in REGISTERS if one.units == "every"]
            rows = tuple((str(one.offset), one.name, one.on_write) for one in every)
            blocks.insert(0, Grid(("offset", "register", "a write"), rows, frozenset({0})))
    yield Section("Units and their registers", tuple(blocks))
    for one in unit_models(model):
        yield _unit(model, one)


def _unit(model: LinkModel, one: UnitModel) -> Section:
    unit, board = one.unit, model.board
    assert board is not None
    bits = counted(unit.bits_per_pixel, "bit")
    order = "highest" if unit.pixel_order == "high_first" else "lowest"
    facts = [
        ("number", str(unit.number)),
        ("picture", f"{unit.width_px} x {unit.height_px} pixels, {one.colours} colours"),
    ]
    if unit.is_text:
        cells = f"{unit.columns} x {unit.rows} cells of {counted(unit.cell_bytes, 'byte')}"
        font = unit.font
        assert font is not None
        place = "in ROM"
        if unit.font_offset is not None:
            place = f"in display memory from offset {unit.font_offset:,}"
        facts += [
            ("text", cells),
            ("font", f"{font.name}, {font.width_px} x {font.height_px} pixels, {place}"),
        ]
    else:
        facts.append(("pixels", f"{bits} each, the left one in a byte's {order} bits"))
    facts += [
        ("row", f"{unit.stride_bytes:,} bytes from one to the next"),
        ("memory", f"{unit.memory_bytes:,} bytes; the picture begins at {unit.base_offset:,}"),
    ]
    if unit.pages > 1:
        facts.append(("pages", f"{unit.pages}, each {unit.page_bytes:,} bytes behind the last"))
    windows = [window for window in board.windows if window.unit == unit.name]
    rows = tuple(
        (
            window.name,
            f"${window.first_address:04X}-${window.last_address:04X}",
            window.space,
            f"${window.first_offset:04X}",
        )
        for window in windows
    )
    head = ("window", "processor addresses", "space", "first offset")
    blocks = [pair_grid(facts), Grid(head, rows)]
    if model.space_mask:
        addresses, values = register_addresses(unit, windows), power_on_values(unit)
        registers = tuple(
            (
                str(register.offset),
                f"${addresses[register.name]:04X}" if register.name in addresses else "none",
                register.name,
                f"${values[register.name]:02X}",
                register.on_write,
            )
            for register in registers_of(unit)
        )
        columns = ("offset", "address", "register", "power-on", "a write")
        blocks.append(Grid(columns, registers, frozenset({0})))
    return Section(f"Unit {unit.name}", tuple(blocks), level=3)
