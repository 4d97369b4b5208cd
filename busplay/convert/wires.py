"""A trace drawn as wires, exact or as an analyser would see them, into a capture file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from busplay.batch import ChangeBatch, FrameBatch
from busplay.capture.synthetic import Analyser, InjectedFaults, SyntheticCapture
from busplay.capture.wires import SymbolStretch, WireDrawer, spelled_stretches
from busplay.convert.traces import Losses, header_comment
from busplay.description.board import Board
from busplay.description.link import SPACE_IDLE, SPACE_MEMORY, SPACE_REGISTERS
from busplay.errors import InputError
from busplay.formats.writing.vcd import TextBatch
from busplay.link.layout import FrameLayout
from busplay.receiver.receiver import Receiver
from busplay.receiver.states import Event
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S
from busplay.whole_file import open_whole_file

SAMPLE_SUFFIXES = (".sr", ".bin", ".raw")
FRAME_TEXT, STATE_TEXT = 0, 1
NOTHING = "-"
# Idle slots behind the last frame, so that a drawing ends with the link at rest.
TAIL_SLOTS = 4


def drawer_for(reader: TraceReader) -> WireDrawer:
    """Make the drawer of a trace's link.

    Raises:
        InputError: nothing tells how fast the link's clock is.
    """
    header = reader.header
    rate = header.edges_per_second
    if rate is None:
        raise InputError(
            file=str(reader.path),
            found="a link on the processor's clock, and no board that tells it",
            wanted="give --board, or the clock with --clock",
        )
    return WireDrawer(FrameLayout(header.link), rate)


def write_wires(
    reader: TraceReader,
    target: Path,
    *,
    stop_ps: int | None = None,
    texts: bool = True,
    tick_ps: int | None = None,
    on_edge: Callable[[int], None] | None = None,
) -> Losses:
    """Draw a trace's wires, exactly as its link says, as VCD or CSV.

    Args:
        stop_ps: leave out what comes later.
        texts: in a VCD, write frames and the receiver's state as readable texts too.
        tick_ps: unit of a VCD's times, to which they are rounded down; None: exact.
        on_edge: called with the link edge up to which wires were drawn, for a progress bar.
    """
    drawer = drawer_for(reader)
    stretches, frames = _stretches(reader, drawer, stop_ps)
    stretches = _told(stretches, on_edge)
    with open_whole_file(target) as stream:
        if target.suffix.lower() == ".csv":
            from busplay.formats.writing.csv import CsvWriter

            rows = CsvWriter(stream, wires=drawer.wires)
            for stretch in stretches:
                rows.write(drawer.draw(stretch))
            return Losses(frames, reader.frames - frames)
        from busplay.formats.writing.vcd import VcdWriter

        dump = VcdWriter(
            stream,
            wires=drawer.wires,
            texts=("frame", "state") if texts else (),
            tick_ps=tick_ps or _tick_ps(drawer),
            comment=header_comment(reader.header),
        )
        teller = FrameTexts(reader, drawer) if texts else None
        stop_ps = 0
        for stretch in stretches:
            changes = drawer.draw(stretch)
            dump.write(changes, None if teller is None else teller.texts(stretch))
            stop_ps = int(drawer.half_step_ps(np.array([2 * stretch.stop_edge], np.int64))[0])
        if teller is not None:
            dump.write(ChangeBatch.empty(), teller.rest())
        dump.close(stop_ps=stop_ps)
    return Losses(frames, reader.frames - frames)


def write_capture(
    reader: TraceReader,
    target: Path,
    *,
    analyser: Analyser,
    stop_ps: int | None = None,
    on_edge: Callable[[int], None] | None = None,
) -> tuple[Losses, InjectedFaults]:
    """Sample a trace's wires as an analyser would: VCD, CSV, a session file or raw samples.

    Args:
        analyser: what it does to the wires.
        stop_ps, on_edge: as `write_wires`.
    """
    drawer = drawer_for(reader)
    capture = SyntheticCapture(drawer, analyser)
    stretches, frames = _stretches(reader, drawer, stop_ps)
    stretches = _told(stretches, on_edge)
    suffix = target.suffix.lower()
    with open_whole_file(target) as stream:
        if suffix == ".sr":
            from busplay.formats.writing.samples import write_session

            write_session(
                stream, capture.samples(stretches), names=capture.names, rate_hz=analyser.rate_hz
            )
        elif suffix in SAMPLE_SUFFIXES:
            from busplay.formats.writing.samples import write_raw

            write_raw(stream, capture.samples(stretches), wires=len(capture.names))
        elif suffix == ".csv":
            from busplay.formats.writing.csv import CsvWriter

            rows = CsvWriter(stream, wires=capture.names)
            for changes in capture.changes(stretches):
                rows.write(changes)
        else:
            from busplay.formats.writing.vcd import VcdWriter

            dump = VcdWriter(
                stream,
                wires=capture.names,
                scope="capture",
                comment=f"samplerate {analyser.rate_hz} Hz, made from a trace",
            )
            for changes in capture.changes(stretches):
                dump.write(changes)
            samples = np.array([capture.put_in.samples], np.int64)
            dump.close(stop_ps=int(capture.sample_ps(samples)[0]))
    return Losses(frames, reader.frames - frames), capture.put_in


def _stretches(
    reader: TraceReader, drawer: WireDrawer, stop_ps: int | None
) -> tuple[Iterator[SymbolStretch], int]:
    """Return the symbols up to a time, and how many frames are in them."""
    slot = drawer.layout.slot_symbols
    stop_edge = reader.stop_edge + TAIL_SLOTS * slot
    if stop_ps is not None:
        stop_edge = min(stop_edge, stop_ps * drawer.edges_per_second // PS_PER_S // slot * slot)
        frames = reader.frames_between(0, max(0, stop_edge - slot + 1))
        count = sum(len(one) for one in reader.frames_between(0, max(0, stop_edge - slot + 1)))
        return spelled_stretches(frames, drawer.layout, stop_edge=stop_edge), count
    return spelled_stretches(reader.chunks(), drawer.layout, stop_edge=stop_edge), reader.frames


def _told(
    stretches: Iterator[SymbolStretch], on_edge: Callable[[int], None] | None
) -> Iterator[SymbolStretch]:
    """Tell how far each stretch goes, once it is taken."""
    for stretch in stretches:
        yield stretch
        if on_edge is not None:
            on_edge(stretch.stop_edge)


def _tick_ps(drawer: WireDrawer) -> int:
    """Return the coarsest unit of time in which every half step is whole, or 1 ps."""
    steps = drawer.half_step_ps(np.arange(1, 1001, dtype=np.int64))
    exact = drawer.half_step_ps(np.array([2 * drawer.edges_per_second], np.int64))
    ticks = [int(10**power) for power in range(12, -1, -1)]
    for tick in ticks:
        if not (steps % tick).any() and not int(exact[0]) % tick:
            return tick
    return 1


class FrameTexts:
    """Says in words what the wires carry, for a waveform viewer.

    Args:
        reader: of the trace; its board names units.
        drawer: of the link.
    """

    def __init__(self, reader: TraceReader, drawer: WireDrawer) -> None:
        self._layout = drawer.layout
        self._drawer = drawer
        self._board = reader.header.board
        self._receiver = Receiver(self._layout)
        self._receiver.keeps_log = True
        self._frames = reader.chunks()
        self._waiting = FrameBatch.empty()
        self._end_edge = -1  # where the frame that is shown ends
        self._is_begun = False
        self._is_last = False

    def texts(self, stretch: SymbolStretch) -> TextBatch:
        """Return the texts of a stretch: each frame at its first symbol, and changes of state."""
        found: list[tuple[int, int, str]] = []
        if not self._is_begun:
            self._is_begun = True
            found += [(0, FRAME_TEXT, NOTHING), (0, STATE_TEXT, "HUNT")]
        for edge, text in self._frame_texts(stretch.stop_edge):
            found.append((2 * edge, FRAME_TEXT, text))
        self._receiver.feed_symbols(stretch.symbols, stretch.first_edge)
        log = self._receiver.take_log()
        for kind, edge in zip(log.kind.tolist(), log.edge.tolist(), strict=True):
            if kind in (Event.GAINED, Event.LOST):
                # Known with the last edge of the frame that decided it.
                step = max(2 * edge - 1, 2 * stretch.first_edge)
                found.append((step, STATE_TEXT, "SYNC" if kind == Event.GAINED else "HUNT"))
        return self._batch(found)

    def rest(self) -> TextBatch:
        """Return what comes behind the last stretch."""
        if self._end_edge < 0:
            return TextBatch.empty()
        end, self._end_edge = self._end_edge, -1
        return self._batch([(2 * end, FRAME_TEXT, NOTHING)])

    def _batch(self, found: list[tuple[int, int, str]]) -> TextBatch:
        found.sort(key=lambda one: one[0])
        steps = np.array([step for step, _, _ in found], np.int64)
        return TextBatch(
            self._drawer.half_step_ps(steps).astype(np.uint64),
            np.array([place for _, place, _ in found], np.int64),
            [text for _, _, text in found],
        )

    def _frame_texts(self, stop_edge: int) -> Iterator[tuple[int, str]]:
        frames = self._frames_until(stop_edge)
        for edge, text in zip(frames.edge.tolist(), self._words(frames), strict=True):
            if 0 <= self._end_edge < edge:
                yield self._end_edge, NOTHING
            yield edge, text
            self._end_edge = edge + self._layout.frame_symbols
        if 0 <= self._end_edge < stop_edge:
            yield self._end_edge, NOTHING
            self._end_edge = -1

    def _frames_until(self, stop_edge: int) -> FrameBatch:
        parts = [self._waiting]
        while not self._is_last and (not len(parts[-1]) or int(parts[-1].edge[-1]) < stop_edge):
            following = next(self._frames, None)
            if following is None:
                self._is_last = True
                break
            parts.append(following)
        edge = np.concatenate([part.edge for part in parts])
        word = np.concatenate([part.word for part in parts])
        count = int(np.searchsorted(edge, np.uint64(stop_edge)))
        self._waiting = FrameBatch(edge[count:], word[count:])
        return FrameBatch(edge[:count], word[:count])

    def _words(self, frames: FrameBatch) -> list[str]:
        return frame_texts(frames, self._layout, self._board)


def frame_texts(frames: FrameBatch, layout: FrameLayout, board: Board | None) -> list[str]:
    """Say what each frame is, in one short line."""
    fields = {name: column.tolist() for name, column in layout.unpack(frames.word).items()}
    right = layout.is_right(frames.word).tolist()
    count = len(frames)
    if "address" not in fields or "data" not in fields:
        names = [one.name for one in layout.link.fields if one.value is None]
        texts = [
            " ".join(f"{name}={fields[name][row]:X}" for name in names) for row in range(count)
        ]
    else:
        spaces = fields.get("space", [SPACE_MEMORY] * count)
        units = fields.get("unit", [0] * count)
        numbers = {} if board is None else {unit.number: unit.name for unit in board.units}
        sequence = fields.get("sequence")
        texts = []
        for row in range(count):
            space = {SPACE_IDLE: "idle", SPACE_MEMORY: "", SPACE_REGISTERS: "register "}.get(
                spaces[row], f"space {spaces[row]} "
            )
            unit = numbers.get(units[row], f"unit {units[row]}")
            text = f"{space}{unit}+${fields['address'][row]:04X}=${fields['data'][row]:02X}"
            texts.append(text if sequence is None else f"{text} #{sequence[row]}")
    return [text if ok else f"DAMAGED {text}" for text, ok in zip(texts, right, strict=True)]
