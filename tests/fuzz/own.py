"""Parse functions over bytes for descriptions, programs, labels and traces."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import get_args

import numpy as np

from busplay.core.interface import bus_of
from busplay.core.make import core_for_board
from busplay.core.memory_map import MemoryMap
from busplay.core.rewind import RewindableCore
from busplay.core.saved_devices import pack_devices, parse_devices
from busplay.core.saved_state import parse_core
from busplay.description.board import ImageFormat
from busplay.description.read_faults import load_faults
from busplay.description.read_font import read_font
from busplay.description.read_palette import parse_palette
from busplay.description.toml_reader import read_description_file
from busplay.errors import InputError
from busplay.explain import board_text, link_text
from busplay.history.history import open_history
from busplay.history.places import Place
from busplay.link.load import load_board, load_link
from busplay.link.rules import find_faults
from busplay.pipeline.pipeline import Pipeline
from busplay.player.marks import Marks
from busplay.program.debug_file import parse_debug_file
from busplay.program.image import parse_image
from busplay.program.labels import parse_labels
from busplay.run.replay import Replay
from busplay.trace.container import Where
from busplay.trace.header import parse_header
from busplay.trace.info import trace_info
from busplay.trace.reader import TraceReader
from busplay.view.kept import parse_layout
from tests.description.writing import BOARD
from tests.fuzz.formats import with_file
from tests.trace.cases import sealed

_CYCLES_MOST = 100_000
DEVICES_BOARD = (
    BOARD
    + """
[[devices]]
kind = "via_6522"
name = "ports"
first_address = 0xA800
irq = true
pins = {pa = "code", ca1 = "strobe", pb6 = "ports.pb7"}

[[devices]]
kind = "acia_6551"
name = "serial"
first_address = 0xA820
irq = true
pins = {cts = "ports.pb0", dcd = "key a"}
"""
)


def parse_link_file(content: bytes) -> None:
    """Read a link file, judge its frames and say what it means."""
    link = load_link(with_file(content, "link.toml"), must_be_sound=False)
    find_faults(link)
    link_text(link)


def parse_board_file(content: bytes) -> None:
    """Read a board file and say what it means."""
    board_text(load_board(with_file(content, "board.toml")))


def parse_faults_file(content: bytes) -> None:
    """Read faults of a link with a strobe, which has the most wires."""
    load_faults(with_file(content, "faults.toml"), load_link("strobed"))


def parse_marks_file(content: bytes) -> None:
    """Read the marks beside a trace."""
    Marks(with_file(content, "a.trace.marks.toml"))


def parse_layout_file(content: bytes) -> None:
    """Read the layout of the window."""
    path = with_file(content, "window.toml")
    parse_layout(read_description_file(path), file=str(path))


def parse_palette_file(content: bytes) -> None:
    """Read a palette file."""
    parse_palette(content.decode("latin-1"), file="input.pal")


def parse_font_file(content: bytes) -> None:
    """Read a font as what its bytes look like."""
    font = read_font(with_file(content, "input.font"))
    assert len(font.rows) == 256 * font.height_px


def parse_image_file(content: bytes) -> None:
    """Read a program as each format, and as what its bytes look like."""
    for image_format in get_args(ImageFormat):
        with suppress(InputError):
            image = parse_image(content, file="input", format=image_format, load_address=0x8000)
            assert image.segments
    parse_image(content, file="input", load_address=0x8000)


def parse_labels_file(content: bytes) -> None:
    """Read a list of labels."""
    labels = parse_labels(content, file="input.lbl")
    assert all(0 <= address <= 0xFFFF and names for address, names in labels.items())


def parse_ld65_debug_file(content: bytes) -> None:
    """Read a debug file, and ask for the lines of some addresses."""
    info = parse_debug_file(content, file="input.dbg")
    for address in (0, 0x1234, 0xC000, 0xFFFF):
        line = info.line_of(address)
        assert line is None or line in info.lines_of(address)
    for line in info.lines[:3]:
        with suppress(InputError):
            addresses = info.addresses_of(line.file, line.line)
            assert all(0 <= address <= 0xFFFF for address in addresses)


def parse_trace(content: bytes) -> None:
    """Read a trace as it is, whole and as far as it goes."""
    path = with_file(content, "input.trace")
    for keep_going in (True, False):
        with TraceReader(path, keep_going=keep_going) as reader:
            trace_info(reader)
            reader.verify()
            edges = np.concatenate([[0], *(frames.edge for frames in reader.chunks())])
            assert len(edges) == reader.frames + 1
            assert not (edges[1:] < edges[:-1]).any()
            reader.seek(reader.stop_edge // 2)


def parse_sealed_trace(content: bytes) -> None:
    """Read and play a trace whose checksums are made right, so that the damage gets further."""
    path = with_file(sealed(content), "sealed.trace")
    with Replay(path) as replay:
        _play(replay)
        _go_on_from_states(replay)


def _go_on_from_states(replay: Replay) -> None:
    """Run the processor from the states that a trace keeps."""
    keys = replay.reader.key_presses()
    for _, state, _ in replay.reader.core_states():
        saved = parse_core(state, board=replay.board, keys=len(keys))
        core = core_for_board(replay.board, kind="compiled")
        assert isinstance(core, RewindableCore)
        if core.host_port is not None:
            for press in keys:
                core.host_port.press(press.code, cycle=press.cycle)
        core.restore(saved.state)
        core.memory[:] = saved.memory
        core.run(2_000)


def _play(replay: Replay) -> None:
    replay.run(min(replay.end_cycle, _CYCLES_MOST))
    replay.seek(replay.end_cycle // 2)
    replay.run(_CYCLES_MOST)
    for display in replay.displays.values():
        display.image()


def parse_device_states(content: bytes) -> None:
    """Read the states of devices, and run on with them."""
    board = load_board(with_file(DEVICES_BOARD.encode(), "board.toml"))
    core = core_for_board(board, kind="compiled")
    bus = bus_of(core)
    assert bus is not None
    assert isinstance(core, RewindableCore)
    for code in (65, 66):
        bus.press(code, cycle=1_000)
    state = parse_devices(content, board=board, keys=2)
    core.restore(replace(core.state, devices=state))
    core.memory[0x0200:0x0206] = list(bytes.fromhex("EE00A8 EE21A8"))
    core.memory[0x0206:0x0209] = list(bytes.fromhex("4C0002"))
    core.pc = 0x0200
    core.run(2_000)
    assert len(pack_devices(core.state.devices or state)) > 100


def parse_history(content: bytes) -> None:
    """Open the history of a trace whose checksums are made right, and ask it."""
    with TraceReader(with_file(sealed(content), "history.trace")) as reader:
        history = open_history(reader)
        unit = history.board.units[0]
        place = Place(unit.name, "memory", 0, unit.memory_bytes)
        history.count_writes(place)
        history.list_writes(place, history.frames // 2, 20)
        history.causes(unit.name, 0, 0)
        history.timeline(0, reader.stop_edge + 1, 100)


def parse_trace_header(content: bytes) -> None:
    """Read a trace's header and set up what it describes."""
    header = parse_header(memoryview(content), where=Where("input.trace", "chunk 1"))
    if header.board is not None:
        Pipeline(header.board)
        MemoryMap.of_board(header.board)
