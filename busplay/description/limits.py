"""The range of every whole number in a description: one table for all readers.

TOML files, the plain form that traces carry, and the guide's table of keys go by it. Ranges that
depend on other values of the same file (a field's value and its bits, a busy time and its period)
are narrowed where they are read. An attribute that is not listed has up to 64 bits.
"""

from __future__ import annotations

from busplay.description.banks import Bank
from busplay.description.board import (
    HOST_PORT_REGISTERS,
    Board,
    BusyTime,
    Font,
    HostPort,
    Image,
    Memory,
    ReceiverEnd,
    Sender,
    Unit,
    Window,
)
from busplay.description.devices import Acia6551, CustomDevice, Via6522
from busplay.description.faults import (
    BitFlips,
    EarlyLane,
    ExtraEdges,
    Faults,
    LateLane,
    LostEdges,
    Span,
    Stalls,
    StuckLane,
)
from busplay.description.link import (
    WORD_BITS,
    CheckFraming,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.units import NS_PER_S

INTEGER_MAX = (1 << 64) - 1
ADDRESS_MAX = 0xFFFF
# As many bytes as the widest address field reaches.
MEMORY_BYTES_MAX = 1 << 24
# All units together: what a key frame of a trace holds.
ALL_MEMORY_BYTES_MAX = 1 << 26
# The port, and devices, must leave the processor's vectors readable.
VECTORS_FIRST_ADDRESS = 0xFFFA
LANES_MAX = 16
# All pages of all banks together.
BANKED_BYTES_MAX = 1 << 22

_ADDRESS = (0, ADDRESS_MAX)
_OFFSET = (0, MEMORY_BYTES_MAX - 1)
# Edges are worked out as 64-bit products of two clocks; a gigahertz keeps them exact.
_CLOCK_HZ = (1, 1_000_000_000)
_FRAMES_RUNNING = (1, 255)
_FIFO_DEPTH = (1, 1 << 20)
_EDGE = (0, 1 << 56)
# The strobe is numbered after the last lane.
_LANE = (0, LANES_MAX)

LIMITS: dict[tuple[type, str], tuple[int, int]] = {
    (Link, "lanes"): (1, LANES_MAX),
    (Link, "clock_hz"): _CLOCK_HZ,
    # An idle slot in more would be no more than a comment.
    (Link, "idle_every"): (2, 65_535),
    (Field, "bits"): (1, WORD_BITS),
    (StrobeFraming, "gap_symbols"): (0, 4_096),
    (MarkerFraming, "symbols"): (0, (1 << LANES_MAX) - 1),
    (MarkerFraming, "confirm_frames"): _FRAMES_RUNNING,
    (MarkerFraming, "release_frames"): _FRAMES_RUNNING,
    (CheckFraming, "confirm_frames"): _FRAMES_RUNNING,
    (CheckFraming, "release_frames"): _FRAMES_RUNNING,
    (Board, "clock_hz"): _CLOCK_HZ,
    (Board, "unmapped_read"): (0, 0xFF),
    (Board, "program_load_address"): _ADDRESS,
    (Image, "load_address"): _ADDRESS,
    (Memory, "first_address"): _ADDRESS,
    (Memory, "last_address"): _ADDRESS,
    (Bank, "first_address"): _ADDRESS,
    (Bank, "last_address"): _ADDRESS,
    (Bank, "pages"): (1, 65_536),
    (Bank, "latch_address"): _ADDRESS,
    (Bank, "off_address"): _ADDRESS,
    (Window, "first_address"): _ADDRESS,
    (Window, "last_address"): _ADDRESS,
    (Window, "first_offset"): _OFFSET,
    (Window, "page"): (0, 65_535),
    (HostPort, "first_address"): (0, VECTORS_FIRST_ADDRESS - HOST_PORT_REGISTERS),
    (HostPort, "refresh_hz"): (1, 10_000),
    (HostPort, "random_seed"): (1, 0xFFFF_FFFF),
    **{
        (kind, f"{end}_address"): (0, VECTORS_FIRST_ADDRESS - 1)
        for kind in (Via6522, Acia6551, CustomDevice)
        for end in ("first", "last")
    },
    (Acia6551, "crystal_hz"): (1_000, 100_000_000),
    (Sender, "fifo_depth"): _FIFO_DEPTH,
    (Sender, "lead_frames"): (0, 65_536),
    (ReceiverEnd, "fifo_depth"): _FIFO_DEPTH,
    (ReceiverEnd, "service_ns"): (0, NS_PER_S),
    (ReceiverEnd, "deadline_ns"): (1, NS_PER_S),
    (BusyTime, "period_ns"): (2, NS_PER_S),
    (BusyTime, "length_ns"): (1, NS_PER_S - 1),
    (BusyTime, "phase_ns"): (0, NS_PER_S - 1),
    (BusyTime, "jitter_ns"): (0, NS_PER_S - 1),
    (Unit, "number"): (0, 255),
    (Unit, "width_px"): (1, 4_096),
    (Unit, "height_px"): (1, 4_096),
    (Unit, "bits_per_pixel"): (1, 8),
    (Unit, "stride_bytes"): (0, 65_536),
    (Unit, "base_offset"): _OFFSET,
    (Unit, "memory_bytes"): (1, MEMORY_BYTES_MAX),
    (Unit, "border_px"): (0, 512),
    (Unit, "border_index"): (0, 255),
    (Unit, "palette"): (0, 255),
    (Unit, "columns"): (1, 512),
    (Unit, "rows"): (1, 512),
    (Unit, "cell_bytes"): (1, 2),
    (Unit, "font_offset"): _OFFSET,
    (Unit, "pages"): (1, 256),
    (Unit, "page_bytes"): (1, MEMORY_BYTES_MAX),
    (Font, "width_px"): (1, 8),
    (Font, "height_px"): (1, 32),
    (Faults, "seed"): (0, (1 << 63) - 1),
    (BitFlips, "lanes"): _LANE,
    (BitFlips, "burst_edges"): (1, 4_096),
    (StuckLane, "lane"): _LANE,
    (StuckLane, "level"): (0, 1),
    (LateLane, "lane"): _LANE,
    (EarlyLane, "lane"): _LANE,
    (LostEdges, "count"): (1, 65_536),
    (LostEdges, "at_edges"): _EDGE,
    (ExtraEdges, "at_edges"): _EDGE,
    (Stalls, "period_ns"): (2, NS_PER_S),
    (Stalls, "length_ns"): (1, NS_PER_S - 1),
    (Span, "first_ns"): (0, 1 << 60),
    (Span, "stop_ns"): (1, 1 << 60),
}
