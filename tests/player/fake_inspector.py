"""A recording made by rule, so that whatever a window asks of it can be worked out by hand.

Frame n starts at edge 16 + 80 n and writes n to byte n of the first unit; every tenth is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from busplay.display.display import Display
from busplay.errors import InputError
from busplay.player.inspector import (
    ErrorRow,
    FrameRow,
    InstructionFacts,
    MachineFacts,
    PixelCause,
    PixelFacts,
    ReceiverFacts,
    RoutineFacts,
    TimeSums,
    WriteSums,
)
from tests.player.fakes import FakePlayable

FIRST_EDGE, STEP_EDGES, SLOT_EDGES, EDGES_PER_CYCLE = 16, 80, 8, 2
LOST_EVERY = 10
ERRORS_WITHIN = 1000


class FakeInspector:
    """Answers about a `FakePlayable` of so many frames."""

    def __init__(
        self,
        playable: FakePlayable,
        *,
        frames: int = 1000,
        first_frame: int = 0,
        beside: Mapping[str, Display] | None = None,
    ) -> None:
        self.playable = playable
        self.frames = frames
        self.first_frame = first_frame
        self.trouble = ""
        self.begin_edge = 0
        self.version = 0
        self.on_search: Callable[[int], None] | None = None
        self.refreshed = 0
        self.slot_edges = SLOT_EDGES
        self.lane_names = ("lane 0", "lane 1")
        self.asked_rows: list[tuple[int, int]] = []
        self.asked_sums: list[tuple[int, int, int]] = []
        self.asked_errors = 0
        self._beside = beside

    def refresh(self, now_ns: int, *, playing: bool) -> None:
        self.refreshed += 1

    @property
    def end_edge(self) -> int:
        return FIRST_EDGE + self.frames * STEP_EDGES

    @property
    def shown_frames(self) -> int:
        return self.frame_at(self.edge_at(self.playable.cycle) + 1)

    def edge_at(self, cycle: int) -> int:
        return FIRST_EDGE + cycle * EDGES_PER_CYCLE

    def cycle_at(self, edge: int) -> int:
        return max(0, edge - FIRST_EDGE) // EDGES_PER_CYCLE

    def cycle_showing(self, frame: int) -> int:
        return frame * STEP_EDGES // EDGES_PER_CYCLE

    def frame_at(self, edge: int) -> int:
        return min(max(0, -(-(edge - FIRST_EDGE) // STEP_EDGES)), self.frames)

    def rows(self, first: int, stop: int) -> Sequence[FrameRow]:
        self.asked_rows.append((first, stop))
        return [
            FrameRow(
                index=n,
                edge=FIRST_EDGE + n * STEP_EDGES,
                cycle=self.cycle_showing(n),
                unit="panel",
                space="memory",
                offset=n,
                address=0x4000 + n,
                address_label=f"row+{n}",
                data=n & 0xFF,
                fields=(("address", f"{n:04X}"), ("data", f"{n & 255:02X}")),
                bits=f"{n:016b}",
                lanes=tuple(tuple(n >> bit & 1 for bit in range(SLOT_EDGES)) for _ in range(2)),
                fate="" if n % LOST_EVERY else "lost on the wire",
                code_label="put_byte+3",
            )
            for n in range(max(self.first_frame, first), min(stop, self.frames))
        ]

    def find(self, text: str, frame: int, *, back: bool) -> int | None:
        wanted = int(text.removeprefix("$"), 16) - 0x4000
        found = wanted < frame if back else wanted > frame
        return wanted if found and 0 <= wanted < self.frames else None

    def sums(self, first_edge: int, stop_edge: int, columns: int) -> TimeSums:
        self.asked_sums.append((first_edge, stop_edge, columns))
        ramp = np.linspace(0, 1, columns)
        none = np.zeros(columns)
        return TimeSums(ramp, ramp * 100, ramp * 200, {"lost on the wire": ramp}, none, none)

    def pixel(self, unit: str, x: int, y: int, *, deep: bool = False) -> PixelFacts:
        cause = PixelCause("byte", "$11", 7, self.cycle_showing(7), 0x4007, "row+7")
        if not deep:
            return PixelFacts(unit, x, y, 7, 0x4007, 0x11, 1, (1, 254, 7), (cause,))
        made = InstructionFacts(0xC0DE, "sta $4007", "put_byte+3", "", "A $11 X $00 Y $00", 275)
        cause = replace(cause, cycle=278, instruction=made)
        (row,) = self.rows(7, 8)
        return PixelFacts(unit, x, y, 7, 0x4007, 0x11, 1, (1, 254, 7), (cause,), row)

    def write_beside(self, unit: str, x: int, y: int, frame: int, *, back: bool) -> int | None:
        writes = [n for n in range(7, self.frames, 100) if (n < frame) == back]
        return (writes[-1] if back else writes[0]) if writes else None

    @property
    def has_program(self) -> bool:
        return True

    def machine(self) -> MachineFacts | None:
        here = self.playable.cycle // 2
        code = tuple(
            InstructionFacts(here + 2 * n, "lda #$01", "loop" if n == 0 else "", "", "")
            for n in range(-5, 20)
        )
        return MachineFacts((("PC", f"${here:04X}"), ("flags", "NV--DIZC")), "C0 12", code, 5)

    def routines(self, first_cycle: int, stop_cycle: int) -> Sequence[RoutineFacts] | None:
        return [RoutineFacts("draw", 0xC000, 0xC100, 0.75, 12, 340, 40, 0.125)]

    def routine_sums(
        self, unit: str, routine: RoutineFacts, first_cycle: int, stop_cycle: int
    ) -> WriteSums | None:
        return self.write_sums(unit, self.edge_at(first_cycle))

    def find_code(self, text: str, *, back: bool) -> int | None:
        return self.playable.cycle + (-500 if back else 500) if text == "draw" else None

    def run_to(self, text: str, *, back: bool) -> int | None:
        if text == "nonsense":
            raise InputError(place="breakpoint", found=repr(text), wanted="give a label")
        if self.on_search is not None:
            self.on_search(self.playable.cycle)
        here = self.playable.cycle + (-1000 if back else 1000)
        return here if here >= 0 else None

    def call_return(self) -> int | None:
        return self.playable.cycle + 60

    def instruction_beside(self, *, back: bool) -> int | None:
        return max(0, self.playable.cycle + (-2 if back else 2))

    def write_sums(self, unit: str, first_edge: int, *, unchanged: bool = False) -> WriteSums:
        described = self.playable.displays[unit].unit
        size = described.memory_bytes
        writes = np.arange(size, dtype=np.uint32) % 5
        last = np.where(writes > 0, first_edge + np.arange(size), -1)
        return WriteSums(
            described, first_edge, first_edge + size, writes, writes // 2, last, writes // 4
        )

    def errors(self) -> Sequence[ErrorRow]:
        self.asked_errors += 1
        return [
            ErrorRow(row.edge, row.cycle, row.fate, row.address, row.address_label, row.data)
            for row in self.rows(0, min(self.frames, ERRORS_WITHIN))
            if row.fate
        ]

    def error_beside(self, edge: int, *, back: bool) -> int | None:
        edges = [
            one.edge for one in self.errors() if (one.edge < edge if back else one.edge > edge)
        ]
        return (edges[-1] if back else edges[0]) if edges else None

    def differences(self) -> Sequence[tuple[int, str]]:
        return ()

    def receiver(self) -> ReceiverFacts:
        return ReceiverFacts("sync", 16, 2, 5, 120.0, (("frames received", 12), ("syncs lost", 0)))

    def beside(self) -> Mapping[str, Display] | None:
        return self._beside
