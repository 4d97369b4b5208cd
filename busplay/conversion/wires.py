"""A trace drawn as wires, exact or as an analyser would see them, into a capture file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from busplay.batch import ChangeBatch
from busplay.capture.synthetic import Analyser, InjectedFaults, SyntheticCapture
from busplay.capture.wires import SymbolStretch, WireDrawer, spelled_stretches
from busplay.conversion.carried_header import header_comment, require_edges_per_second
from busplay.conversion.frame_texts import FrameTexts
from busplay.conversion.from_trace import CarriedCount
from busplay.link.layout import FrameLayout
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S
from busplay.whole_file import open_whole_file

# Idle slots behind the last frame, so that a drawing ends with the link at rest.
TAIL_SLOTS = 4


def drawer_for(reader: TraceReader) -> WireDrawer:
    """Make the drawer of a trace's link.

    Raises:
        InputError: nothing states the rate of the link's clock.
    """
    rate = require_edges_per_second(reader.header, file=str(reader.path))
    return WireDrawer(FrameLayout(reader.header.link), rate)


def write_wires(
    reader: TraceReader,
    target: Path,
    *,
    stop_ps: int | None = None,
    texts: bool = True,
    tick_ps: int | None = None,
    on_edge: Callable[[int], None] | None = None,
) -> CarriedCount:
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
            return CarriedCount(frames, reader.frames - frames)
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
    return CarriedCount(frames, reader.frames - frames)


def write_capture(
    reader: TraceReader,
    target: Path,
    *,
    analyser: Analyser,
    stop_ps: int | None = None,
    on_edge: Callable[[int], None] | None = None,
) -> tuple[CarriedCount, InjectedFaults]:
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
        elif suffix in (".bin", ".raw"):
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
            samples = np.array([capture.injected.samples], np.int64)
            dump.close(stop_ps=int(capture.sample_ps(samples)[0]))
    return CarriedCount(frames, reader.frames - frames), capture.injected


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
    """Report how far each stretch goes, once it is taken."""
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
