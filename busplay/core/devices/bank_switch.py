"""The banked memory of a board, and what chooses its pages.

How to think about it. The switch owns the pages that are not shown; the one that is shown lies in
the core's own 64 KiB (`bank_access`). Latches are devices on the bus, so a store to one is an
access like any other; outputs of a 6522 come over wires, as to another device's pins. What a write
does in a bank stands in the core's actions, and changes with the page: the switch puts the right
row there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from busplay.batch import Int64Column, PageChanges, StoreBatch, UInt8Column
from busplay.core.devices import bank_access as at
from busplay.core.devices.bank_actions import lay_out_actions, variants_of
from busplay.core.devices.interface import QuietDevice
from busplay.core.memory_map import ADDRESSES, Action, MemoryMap
from busplay.description.banks import Bank, bank_index, select_bit
from busplay.description.full_address import full_address

PAGE_MULTIPLE = 256
# Kept for `take_changes`; a piece of a run has fewer.
CHANGES_MOST = 1 << 19


@dataclass(frozen=True, slots=True)
class SwitchState:
    """What the switch depends on, without the contents of memory.

    Attributes:
        banks, bits: the numbers of `bank_access`.
    """

    banks: tuple[int, ...]
    bits: tuple[int, ...]


class BankSwitch(QuietDevice):
    """Chooses the pages of a board's banks.

    Args:
        banks: the board's.
        memory_map: the board's; it says what a write does in each bank that takes stores.

    Attributes:
        described: the banks.
        stored: the pages of all banks, RAM first; that of a page which is shown is out of date.
        ram_bytes: how many of these are RAM, or memory below an overlay.
        latch_addresses: addresses of the latches.
        pins: each bit that comes over a wire, as (device, pin, place among the bits).
    """

    def __init__(self, banks: tuple[Bank, ...], memory_map: MemoryMap) -> None:
        self.described = banks
        self._map = memory_map
        self._numbers = np.zeros(len(banks) * at.BANK_NUMBERS, np.int64)
        self._rows: list[tuple[int, ...]] = []
        self.latch_addresses: list[int] = []
        self.pins: list[tuple[str, str, int]] = []
        self.stored = np.zeros(self._lay_out(), np.uint8)
        self.bits = np.array([one for row in self._rows for one in row], np.int64)
        self.log = np.zeros(3 * at.LOG_ROWS, np.int64)
        self._changes: deque[Int64Column] = deque()
        self._kept_changes = 0
        self._action_rows = np.zeros(0, np.uint8)
        self._variants = np.zeros(0, np.uint8)
        self._page_changes: list[Int64Column] = []
        self._page_before = [0] * len(banks)
        self._memory = self._actions = np.zeros(0, np.uint8)

    def _lay_out(self) -> int:
        """Place every bank in storage, RAM first; return the bytes of all."""
        stop = 0
        order = sorted(
            range(len(self.described)),
            key=lambda index: not self._is_kept(self.described[index]),
        )
        self.ram_bytes = 0
        for index in order:
            bank = self.described[index]
            numbers = self._of(index)
            numbers[at.FIRST], numbers[at.BYTES] = bank.first_address, bank.page_bytes
            numbers[at.PAGES] = pages = 2 if bank.is_overlay else bank.pages
            numbers[at.STORED_AT] = stop
            numbers[at.IS_RAM] = bank.kind == "ram"
            numbers[at.IS_OVERLAY] = bank.is_overlay
            numbers[at.PAGE] = numbers[at.SHOWN] = at.BELOW_PAGE if bank.is_overlay else 0
            numbers[at.ROW] = -1
            stop += pages * bank.page_bytes
            stop += -stop % PAGE_MULTIPLE
            if self._is_kept(bank):
                self.ram_bytes = stop
        for index, bank in enumerate(self.described):
            self._add_bits(index, bank)
        return stop

    @staticmethod
    def _is_kept(bank: Bank) -> bool:
        """Return whether its pages change: RAM, or memory below an overlay."""
        return bank.kind == "ram" or bank.is_overlay

    def _of(self, index: int) -> Int64Column:
        return self._numbers[index * at.BANK_NUMBERS :][: at.BANK_NUMBERS]

    def _add_bits(self, index: int, bank: Bank) -> None:
        latch = -1
        if bank.latch_address is not None:
            if bank.latch_address not in self.latch_addresses:
                self.latch_addresses.append(bank.latch_address)
            latch = self.latch_addresses.index(bank.latch_address)
        places = [*reversed(range(len(bank.select))), at.PROTECT_PLACE]
        for text, place in zip(bank.bits, places, strict=False):
            bit = select_bit(text)
            if bit.device:
                self.pins.append((bit.device, bit.pin, len(self._rows)))
            of = -1 if bit.device else latch
            self._rows.append((index, place, of, bit.latch_bit, 0))

    # The core's side.

    def attach(self, memory: UInt8Column, actions: UInt8Column) -> None:
        """Take a core's memory and its actions, both to change; called once.

        Args:
            memory: uint8[65536], or more: the first bytes again.
            actions: uint8[65536], with the core's own bits.
        """
        self._memory, self._actions = memory, actions
        self._action_rows = lay_out_actions(self.described, self._map.windows, actions.copy())
        self._variants = variants_of(self._map.windows)
        for index, bank in enumerate(self.described):
            if not bank.is_overlay:
                self._of(index)[at.SHOWN] = -1
            self._show(index)
        for address in self.addresses:
            if not self._map.has_memory[address]:
                memory[address] = self._map.unmapped_read

    @property
    def addresses(self) -> list[int]:
        """Addresses of the latches, and those that remove overlays."""
        return sorted({address for one in self.described for address in one.latches})

    @property
    def action_rows(self) -> UInt8Column:
        """uint8[rows, 65536] of what writes do, for bits that a core adds."""
        return self._action_rows.reshape(-1, ADDRESSES)

    @property
    def rows(self) -> tuple[int, ...]:
        """The row of the actions that holds in each bank."""
        return tuple(self._numbers[at.ROW :: at.BANK_NUMBERS].tolist())

    def load(self, index: int, content: bytes) -> None:
        """Set the pages of a bank, from page 0 on, before the start."""
        numbers = self._of(index)
        begin = int(numbers[at.STORED_AT])
        self.stored[begin : begin + len(content)] = np.frombuffer(content, np.uint8)
        if not numbers[at.IS_OVERLAY]:
            numbers[at.SHOWN] = -1
            self._show(index)

    def settle(self) -> None:
        """Take what a program's loader wrote to the shown pages; put the boot overlays there."""
        for index in range(len(self.described)):
            numbers = self._of(index)
            page = int(numbers[at.SHOWN])
            if page < numbers[at.PAGES]:
                first, span = int(numbers[at.FIRST]), int(numbers[at.BYTES])
                begin = int(numbers[at.STORED_AT]) + page * span
                self.stored[begin : begin + span] = self._memory[first : first + span]
        self._choose_overlays()
        for index in range(len(self.described)):
            self._show(index)
        self._forget_changes()
        for index in range(len(self.described)):
            self._note(0, index)
        self._begin_pages()

    def _show(self, index: int) -> int:
        return at.show(index, self.paged)

    def _choose_overlays(self) -> None:
        for index, bank in enumerate(self.described):
            if bank.is_overlay:
                self._of(index)[at.PAGE] = at.OVERLAY_PAGE

    def remove_overlays(self, address: int, cycle: int) -> None:
        """Remove the overlays that a store to an address removes."""
        for index, bank in enumerate(self.described):
            if bank.off_address == address:
                self._of(index)[at.PAGE] = at.BELOW_PAGE
                if self._show(index):
                    self._note(cycle + 1, index)

    def write_below(self, address: int, data: int) -> None:
        """Do a store to the memory below an overlay."""
        rows = self.action_rows
        for index, bank in enumerate(self.described):
            if bank.is_overlay and bank.first_address <= address <= bank.last_address:
                if rows[at.WRITABLE][address] & Action.LANDS:
                    numbers = self._of(index)
                    offset = address - bank.first_address
                    self.stored[int(numbers[at.STORED_AT]) + bank.page_bytes + offset] = data
                return

    # Which pages are shown.

    @property
    def pages(self) -> tuple[int, ...]:
        """The page that each bank shows."""
        return tuple(int(self._of(index)[at.SHOWN]) for index in range(len(self.described)))

    def full_address(self, address: int) -> int:
        """Return the full address of what the processor sees at an address."""
        index = bank_index(address, self.described)
        return full_address(address, None if index is None else int(self._of(index)[at.SHOWN]))

    def with_pages(self, stores: StoreBatch) -> StoreBatch:
        """Return stores with the page of each: all stores since the last call."""
        self.make_room()
        changes = _page_changes(self._page_changes)
        self._page_changes.clear()
        page = np.zeros(len(stores), np.uint16)
        for index, bank in enumerate(self.described):
            before, self._page_before[index] = self._page_before[index], self.pages[index]
            if not bank.is_overlay:
                here = (stores.address >= bank.first_address) & (
                    stores.address <= bank.last_address
                )
                shown = changes.pages_at(index, stores.cycle[here])
                page[here] = np.where(shown < 0, before, shown)
        return StoreBatch(stores.cycle, stores.address, stores.data, page)

    def bytes_at(self, address: int) -> UInt8Column:
        """Return the byte at an address in each page of its bank; none without a bank."""
        index = bank_index(address, self.described)
        if index is None:
            return np.empty(0, np.uint8)
        bank, numbers = self.described[index], self._of(index)
        first = int(numbers[at.STORED_AT]) + address - bank.first_address
        found = self.stored[first :: bank.page_bytes][: bank.pages].copy()
        if int(numbers[at.SHOWN]) < bank.pages:
            found[int(numbers[at.SHOWN])] = self._memory[address]
        return found

    def take_changes(self) -> PageChanges:
        """Return the changes of pages since the last call; the first ones are those at power-on.

        Of more than `CHANGES_MOST`, the oldest are lost.
        """
        self.make_room()
        changes = _page_changes(self._changes)
        self._forget_changes()
        return changes

    def make_room(self) -> None:
        """Empty the log, so that it has room for more changes."""
        count = int(self.log[at.COUNT])
        if count:
            self._changes.append(self.log[3 : 3 * (count + 1)].reshape(-1, 3).copy())
            self._page_changes.append(self._changes[-1])
            self.log[at.COUNT] = 0
            self._kept_changes += count
            while self._kept_changes > CHANGES_MOST:
                self._kept_changes -= len(self._changes.popleft())

    def _begin_pages(self) -> None:
        """Take the pages that are shown as those of the stores to come."""
        self._page_changes.clear()
        self._page_before = list(self.pages)

    def _forget_changes(self) -> None:
        self.log[at.COUNT] = self._kept_changes = 0
        self._changes.clear()

    def _note(self, cycle: int, index: int) -> None:
        self.make_room()
        page = int(self._of(index)[at.SHOWN])
        self._changes.append(np.array([[cycle, index, page]], np.int64))
        self._page_changes.append(self._changes[-1])
        self._kept_changes += 1

    # A device on the bus, without registers.

    def read(self, offset: int, cycle: int) -> int:
        """See `BusDevice`; nothing calls it."""
        raise AssertionError(f"offset {offset} of a switch, which has no registers, in {cycle}")

    def write(self, offset: int, data: int, cycle: int) -> None:
        """See `BusDevice`; nothing calls it."""
        raise AssertionError(f"{data} to offset {offset} of a switch, in {cycle}")

    def reset(self, cycle: int) -> None:
        """See `HasReset`: clears the latches, and shows the overlays."""
        bits = self.bits.reshape(-1, at.BIT_NUMBERS)
        bits[bits[:, at.LATCH] >= 0, at.LEVEL] = 0
        self._choose_overlays()
        for index in range(len(self.described)):
            self._look(index, cycle + 1)

    def _look(self, index: int, cycle: int) -> None:
        """Show what a bank's bits choose, from a cycle on."""
        if not self.described[index].is_overlay:
            at.choose_page(index, self._numbers, self.bits)
        if self._show(index):
            self._note(cycle, index)

    def output_level(self, pin: str, cycle: int) -> int:
        """See `HasPins`; a switch has no outputs."""
        raise AssertionError(f"output {pin} of a switch, which has none, in {cycle}")

    def set_input(self, pin: str, level: int, cycle: int) -> None:
        """See `HasPins`: a pin is named by its bit's place."""
        row = int(pin) * at.BIT_NUMBERS
        self.bits[row + at.LEVEL] = level
        if len(self._memory):
            self._look(int(self.bits[row + at.BANK]), cycle)
        else:
            # Before a core has it.
            index = int(self.bits[row + at.BANK])
            at.choose_page(index, self._numbers, self.bits)
            self._of(index)[at.SHOWN] = self._of(index)[at.PAGE]

    def snapshot(self) -> object:
        """See `BusDevice`; the core's owner keeps the contents of memory."""
        return SwitchState(tuple(self._numbers.tolist()), tuple(self.bits.tolist()))

    def restore(self, snapshot: object) -> None:
        """See `BusDevice`."""
        if not isinstance(snapshot, SwitchState):
            raise TypeError(f"{snapshot!r} is no state of a switch")
        self._numbers[:], self.bits[:] = snapshot.banks, snapshot.bits
        self._forget_changes()
        self._begin_pages()
        for index in range(len(self.described)):
            # The same page again, so that only the actions change.
            self._of(index)[at.ROW] = -1
            self._show(index)

    # For its latches.

    @property
    def paged(self) -> at.PagedMemory:
        """What `latch_access` works on; its arrays stay the same once a core has it."""
        return at.PagedMemory(
            self._numbers,
            self.bits,
            self.log,
            self.stored,
            self._memory,
            self._actions,
            self._action_rows,
            self._variants,
            self._map.unmapped_read,
        )

    def write_to_latch(self, latch: Int64Column, data: int, cycle: int) -> None:
        """Do a store to a latch."""
        self.make_room()
        at.write_latch(latch, data, cycle, self.paged)

    def memory_at(self, address: int) -> int:
        """Return the byte of memory at an address."""
        return int(self._memory[address])


def _page_changes(rows: Iterable[Int64Column]) -> PageChanges:
    columns = np.concatenate([np.zeros((0, 3), np.int64), *rows])
    return PageChanges(
        columns[:, 0].astype(np.uint64),
        columns[:, 1].astype(np.uint8),
        columns[:, 2].astype(np.uint16),
    )
