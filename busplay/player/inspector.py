"""A window's queries on a recording: frames, sums, writes, errors.

Time is in link edges; `edge_at` and `cycle_at` convert from and to processor cycles. A position is
a count of frames: those shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busplay.description.board import Unit
from busplay.display.display import Display


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One frame, as text.

    Attributes:
        index: its number, from 0.
        edge: at which it starts.
        cycle: by which its store was made.
        unit: name of the unit, or its number if the board has none.
        space: `memory`, `registers` or `space 3`.
        offset: within the space.
        address: full address of the store (`description.full_address`); None if no window makes
            such a frame.
        address_label: the label at or before that, or empty.
        data: the byte.
        fields: name and value of each field, as hex.
        bits: all bits, in wire order.
        lanes: level of each lane for each symbol of the slot; the strobe last.
        fate: what became of it, as text; empty: received as sent.
        code_label: the routine of the storing instruction, or its address; empty: not known.
    """

    index: int
    edge: int
    cycle: int
    unit: str
    space: str
    offset: int
    address: int | None
    address_label: str
    data: int
    fields: tuple[tuple[str, str], ...]
    bits: str
    lanes: tuple[tuple[int, ...], ...]
    fate: str = ""
    code_label: str = ""

    @property
    def word(self) -> str:
        """All bits as hex, the first on the wire highest."""
        return f"{int(self.bits, 2):0{-(-len(self.bits) // 4)}X}"


@dataclass(frozen=True, slots=True, eq=False)
class TimeSums:
    """Sums over equal parts of a stretch of a recording; columns of equal length.

    Attributes:
        use_ratio: float64[columns]; slots that carried a frame, 0 to 1.
        changed_bytes: float64[columns]; writes that changed something.
        frames: float64[columns].
        losses: float64[columns] by cause as text; causes without losses are left out.
        fifo_frames: float64[columns]; the most that the receiver's FIFO held.
        keys: float64[columns]; key presses.
    """

    use_ratio: NDArray[np.float64]
    changed_bytes: NDArray[np.float64]
    frames: NDArray[np.float64]
    losses: Mapping[str, NDArray[np.float64]]
    fifo_frames: NDArray[np.float64]
    keys: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """A store that was not received as sent.

    Attributes:
        edge: of its frame.
        cycle: of the store, or the latest possible one.
        cause: as text.
        address: full address, or None.
        address_label: the label at or before that, or empty.
        data: the byte.
    """

    edge: int
    cycle: int
    cause: str
    address: int | None
    address_label: str
    data: int


@dataclass(frozen=True, slots=True)
class InstructionFacts:
    """An instruction of the program.

    Attributes:
        address: full address of its first byte.
        text: in assembler syntax.
        label: the label at or before it, or empty.
        source: file and line, or empty.
        registers: the processor's at its start, as text.
        cycle: at its start; None: it is no moment of the run.
    """

    address: int
    text: str
    label: str
    source: str
    registers: str
    cycle: int | None = None


@dataclass(frozen=True, slots=True)
class MachineFacts:
    """The processor at the present position.

    Attributes:
        registers: name and value of each, as text; the flags last.
        stack: bytes, the last one pushed first, as text.
        code: instructions around the next one.
        here: index of the next one in these.
        leds: the board's LEDs: name, and whether it is lit.
    """

    registers: tuple[tuple[str, str], ...]
    stack: str
    code: tuple[InstructionFacts, ...]
    here: int
    leds: tuple[tuple[str, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class RoutineFacts:
    """A routine's share of a passage.

    Attributes:
        name: its label, or its address.
        address: full address at which it begins.
        stop_address: where the next one begins.
        cycles_ratio: its own share of all cycles, 0 to 1.
        calls: how often it was called.
        stores: stores in windows that it made.
        stores_unchanged: those of them that changed nothing.
        link_use_ratio: share of the link's slots that its stores took.
    """

    name: str
    address: int
    stop_address: int
    cycles_ratio: float
    calls: int
    stores: int
    stores_unchanged: int
    link_use_ratio: float


@dataclass(frozen=True, slots=True)
class PixelCause:
    """One write that determines a pixel.

    Attributes:
        role: `byte`, `palette`, `base`, `border` or `blank`.
        value: the value written, as text.
        frame: number of the frame that wrote it; None: as at power-on.
        cycle: of the store, or the latest possible one.
        address: full address of the store, or None.
        label: the label at or before that address, or empty.
        instruction: the instruction that made the store; None if the program is not known.
    """

    role: str
    value: str
    frame: int | None = None
    cycle: int | None = None
    address: int | None = None
    label: str = ""
    instruction: InstructionFacts | None = None


@dataclass(frozen=True, slots=True)
class PixelFacts:
    """What a pixel shows, and why.

    Attributes:
        unit: its name.
        x, y: column and row.
        offset: of its byte in display memory.
        address: full address of the last store to the byte, else the byte's address; or None.
        value: the byte.
        index: the palette index, the byte's bits for this pixel.
        rgb: the colour.
        causes: the writes that determine it, the byte's first.
        frame: the frame that wrote the byte; None: none did, or it was not asked for.
    """

    unit: str
    x: int
    y: int
    offset: int
    address: int | None
    value: int
    index: int
    rgb: tuple[int, int, int]
    causes: tuple[PixelCause, ...]
    frame: FrameRow | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WriteSums:
    """Writes to each byte of a unit's memory in a passage.

    Attributes:
        unit: name of the unit.
        first_edge, stop_edge: the passage.
        writes: uint32[bytes]; count of writes.
        unchanged: uint32[bytes]; count of writes of the value already there.
        last_edge: int64[bytes]; edge of the last write, -1 if none.
        lost: uint32[bytes]; count of writes that were lost or received damaged.
    """

    unit: Unit
    first_edge: int
    stop_edge: int
    writes: NDArray[np.uint32]
    unchanged: NDArray[np.uint32]
    last_edge: NDArray[np.int64]
    lost: NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class ReceiverFacts:
    """The receiver's present state.

    Attributes:
        state: `hunt`, `presync` or `sync`.
        fifo_depth: depth of its FIFO.
        held: frames in it as the last one arrived; None if it cannot lose any.
        held_max: most frames in the FIFO so far; None if it cannot lose anything.
        mean_wait_ns: mean wait of a frame; None likewise.
        rows: counters as text, with their values.
    """

    state: str
    fifo_depth: int
    held: int | None
    held_max: int | None
    mean_wait_ns: float | None
    rows: tuple[tuple[str, int], ...]


class Inspector(Protocol):
    """Queries on a recording and on the present position, for a window.

    Attributes:
        version: grows when there is more of the recording than before.
        on_search: called now and then, with the cycle, while the program is searched; an exception
            from it ends the search.
    """

    version: int
    on_search: Callable[[int], None] | None

    def refresh(self, now_ns: int, *, playing: bool) -> None:
        """Take up what has happened since the last picture; it may wait while it plays."""

    @property
    def begin_edge(self) -> int:
        """Where the recording begins; above 0 once a live run's beginning was dropped."""

    @property
    def end_edge(self) -> int:
        """Where the recording ends."""

    @property
    def trouble(self) -> str:
        """Why no more of a live run is kept; empty if it is."""

    @property
    def first_frame(self) -> int:
        """Number of its first frame; above 0 once a live run's beginning was dropped."""

    @property
    def frames(self) -> int:
        """Number behind its last frame."""

    @property
    def slot_edges(self) -> int:
        """Edges of a slot."""

    @property
    def lane_names(self) -> tuple[str, ...]:
        """Names of the lanes of a frame's symbols."""

    @property
    def shown_frames(self) -> int:
        """Frames shown at the present position."""

    def edge_at(self, cycle: int) -> int:
        """Return the link edge at which a processor cycle begins."""

    def cycle_at(self, edge: int) -> int:
        """Return the processor cycle completed by a link edge."""

    def cycle_showing(self, frame: int) -> int:
        """Return the first cycle at which a frame, by its number, has been shown."""

    def frame_at(self, edge: int) -> int:
        """Count the frames that start before an edge."""

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        """Return frames by their numbers."""

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        """Return the nearest frame, after or before one, with an address, label or value.

        Args:
            text: the search text: `$4000`, `main_loop`, `=7F`.
            frame: the search begins next to it.
            back: search backwards.

        Raises:
            InputError: the text is not an address, label or value.
        """

    def sums(self, first_edge: int, stop_edge: int, columns: int) -> TimeSums:
        """Return the sums of equal parts of a stretch."""

    def pixel(self, unit: str, x: int, y: int, *, deep: bool = False) -> PixelFacts:
        """Return what a pixel shows at the present position, and why.

        Args:
            unit, x, y: the pixel.
            deep: find the instructions of the writes and the byte's frame too, which takes longer.
        """

    def write_beside(self, unit: str, x: int, y: int, frame: int, *, back: bool) -> int | None:
        """Return the number of the nearest frame that writes a pixel's byte, or None.

        Args:
            unit, x, y: the pixel, at the present position.
            frame: where the search begins.
            back: return the last write before that frame, else the first from it on.
        """

    @property
    def has_program(self) -> bool:
        """Whether there is a program, so that single instructions are known."""

    def machine(self) -> MachineFacts | None:
        """Return the processor at the present position; None without a program."""

    def routines(self, first_cycle: int, stop_cycle: int) -> Sequence[RoutineFacts] | None:
        """Return the routines of a passage, the most cycles first.

        None: the program is not there, or the passage lies too far into the run to be run again
        while somebody waits.
        """

    def routine_sums(
        self, unit: str, routine: RoutineFacts, first_cycle: int, stop_cycle: int
    ) -> WriteSums | None:
        """Return what a routine wrote to a unit in a passage; None as for `routines`."""

    def find_code(self, text: str, *, back: bool) -> int | None:
        """Return the next cycle, or the last, at which a label's instruction is due, or None.

        None also where the text is no label of the program's code, or the program is not there.
        """

    def run_to(self, text: str, *, back: bool) -> int | None:
        """Return the next cycle, or the last, at which the program comes to a breakpoint, or None.

        Args:
            text: the breakpoint, as `busplay.history.breakpoint_text` has it.
            back: the last before the present position.

        Raises:
            InputError: the text is no breakpoint.
        """

    def call_return(self) -> int | None:
        """Return the cycle at which the present routine has returned to its caller, or None."""

    def instruction_beside(self, *, back: bool) -> int | None:
        """Return the cycle of the next instruction, or of the previous one, or None."""

    def write_sums(self, unit: str, first_edge: int, *, unchanged: bool = False) -> WriteSums:
        """Return the writes to a unit from an edge up to the present position.

        Args:
            unit: its name.
            first_edge: where the passage begins.
            unchanged: count writes that change nothing too, which takes longer; else they are 0.
        """

    def errors(self) -> Sequence[ErrorRow]:
        """Return the stores that were not received as sent so far, in order."""

    def error_beside(self, edge: int, *, back: bool) -> int | None:
        """Return the edge of the nearest error after an edge, or before it, or None.

        A difference from the expected recording is one too. It may move the present position, to
        which the caller goes on.

        Args:
            edge: where the search begins.
            back: before that edge, else after it.
        """

    def differences(self) -> Sequence[tuple[int, str]]:
        """Return the differences from the expected recording: edge, and text."""

    def receiver(self) -> ReceiverFacts:
        """Return the receiver's present state."""

    def beside(self) -> Mapping[str, Display] | None:
        """Return the displays of the recording compared with this one, or None."""
