"""What a FIFO of a stated depth loses of given stores, by the sender itself.

`budget_queue` computes which depth is enough. Here the encoder takes the stores, at every phase
that they can have to the slot grid, and the worst of them counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from busplay.analysis.budget import LinkBudget
from busplay.analysis.budget_queue import DepthMeter
from busplay.batch import StoreBatch, UInt64Column
from busplay.description.board import Board, Sender, Unit, Window
from busplay.description.link import Link
from busplay.errors import InputError
from busplay.sender.encoder import Encoder

STORE_ADDRESS = 0x4000
# Of more phases than these, as many are tried, evenly apart; up to 256 if there are few stores.
PHASES_MAX = 64
FEW_STORES_PHASES_MAX = 256
PHASES_STORES_MAX = 2_000_000
ENDLESS_FIFO = 1 << 24


@dataclass(frozen=True, slots=True)
class SenderLoad:
    """What given stores ask of the sender.

    Attributes:
        stores: how many.
        depth: FIFO depth with which none is lost, at any phase of the slot grid, as
            `sender.fifo_depth` counts it: besides an output register.
        depth_without_register: the same without that register.
        depth_exact: one less would lose some at some phase; else it may be one too deep.
        fifo_depth: the FIFO that was tried, and
        stores_lost: what it loses of them at the worst phase that was tried.
    """

    stores: int
    depth: int
    depth_without_register: int
    depth_exact: bool
    fifo_depth: int
    stores_lost: int


def require_store_fields(link: Link) -> None:
    """Refuse a link that cannot carry a processor's stores.

    Raises:
        InputError: a field named address or data is missing.
    """
    for name in ("address", "data"):
        if link.field_named(name) is None:
            raise InputError(
                file=link.file or None,
                place="fields",
                found=f"no field named {name}",
                wanted="a store has an address and 8 bits of data; without them there is nothing"
                " to plan",
            )


def planning_board(link: Link, *, processor_hz: int, fifo_depth: int) -> Board:
    """Make a board that has nothing but a link, a window of one byte, and a FIFO."""
    unit = Unit(
        name="plan",
        number=0,
        width_px=8,
        height_px=1,
        bits_per_pixel=1,
        palette=((0, 0, 0), (255, 255, 255)),
        pixel_order="high_first",
        stride_bytes=1,
        base_offset=0,
        memory_bytes=1,
    )
    return Board(
        name="plan",
        processor="65c02",
        clock_hz=processor_hz,
        link=link,
        memory=(),
        windows=(Window("plan", STORE_ADDRESS, STORE_ADDRESS, "plan", "memory"),),
        units=(unit,),
        sender=Sender(fifo_depth=fifo_depth, lead_frames=0),
        file=link.file,
    )


def stores_at(cycles: UInt64Column) -> StoreBatch:
    """Make stores at these cycles into the planning board's window."""
    count = len(cycles)
    return StoreBatch(cycles, np.full(count, STORE_ADDRESS, np.uint16), np.zeros(count, np.uint8))


def sender_load(cycles: UInt64Column, budget: LinkBudget, *, fifo_depth: int) -> SenderLoad:
    """Send stores at these cycles, never falling, and say what FIFO they need and what is lost."""
    if not len(cycles):
        return SenderLoad(0, 0, 0, True, fifo_depth, 0)
    moved = cycles - cycles[0]
    most = max(PHASES_MAX, min(FEW_STORES_PHASES_MAX, PHASES_STORES_MAX // len(cycles)))
    shifts, all_phases = phases(budget.slot_cycles, most=most)
    meter = DepthMeter(budget.frame_cycles)
    meter.feed(moved)
    depth, exact = meter.depth, True
    if budget.idle_every is not None and depth:
        found = max(_depth_at(moved + np.uint64(shift), budget) for shift in shifts)
        exact = all_phases or found == depth
        depth = found if exact else depth
    # With that depth nothing is lost at any phase, so there is nothing to try.
    lost = 0
    if depth > fifo_depth or not exact:
        senders = [PhasedSender(budget, fifo_depth, shift=shift) for shift in shifts]
        for sender in senders:
            sender.feed(moved)
        lost = max(sender.lost() for sender in senders)
    without_register = meter.depth_without_register(budget) - (meter.depth - depth)
    return SenderLoad(len(cycles), depth, without_register, exact, fifo_depth, lost)


class PhasedSender:
    """The planned link's sender, fed piece by piece; stores of one cycle may fall in two.

    Args:
        shift: cycles by which every store comes later, so that it has another phase to the grid.
    """

    def __init__(self, budget: LinkBudget, fifo_depth: int, *, shift: int) -> None:
        self._shift = np.uint64(shift)
        self._encoder = Encoder(
            planning_board(budget.link, processor_hz=budget.processor_hz, fifo_depth=fifo_depth)
        )
        self._held: UInt64Column = np.empty(0, np.uint64)

    def feed(self, cycles: UInt64Column) -> None:
        """Take more stores, in the order of their cycles."""
        together = np.concatenate([self._held, cycles + self._shift])
        done = int(np.searchsorted(together, together[-1]))
        self._encoder.feed(stores_at(together[:done]), stop_cycle=int(together[-1]))
        self._held = together[done:]

    def lost(self) -> int:
        """Count the stores lost, once all have come."""
        if len(self._held):
            self._encoder.feed(stores_at(self._held), stop_cycle=int(self._held[-1]) + 1)
            self._held = self._held[:0]
        return self._encoder.counters.frames_overrun


def phases(slot_cycles: Fraction, *, most: int) -> tuple[list[int], bool]:
    """List cycles by which to move the stores; and whether these are all phases that there are."""
    count = slot_cycles.numerator
    if count <= most:
        return list(range(count)), True
    return [index * count // most for index in range(most)], False


def _depth_at(cycles: UInt64Column, budget: LinkBudget) -> int:
    """Return the most frames that ever wait when nothing is lost, the one that comes included."""
    board = planning_board(budget.link, processor_hz=budget.processor_hz, fifo_depth=ENDLESS_FIFO)
    encoder = Encoder(board)
    start = encoder.feed(stores_at(cycles), stop_cycle=int(cycles[-1]) + 1).edge
    if encoder.counters.frames_overrun:
        return ENDLESS_FIFO
    grid = np.uint64(encoder.grid_edges)
    whole = encoder.edges_per_cycle.ceil_column(cycles + np.uint64(1))
    earliest = (whole + np.uint64(encoder.lead_edges) + grid - np.uint64(1)) // grid * grid
    gone = np.searchsorted(start, earliest, side="right")
    return max(0, int((np.arange(len(start)) - gone + 1).max()))
