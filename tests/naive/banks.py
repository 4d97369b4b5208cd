"""Banked memory without exchanging anything: every access looks its page up."""

from __future__ import annotations

from py65.devices import mpu65c02, mpu6502

from busplay.description.board import Board


class PagedMemory:
    """A board's memory for py65: banks with latches, overlays; no devices.

    Args:
        board: the board.
        images: contents of banks, by their index.
    """

    def __init__(
        self, board: Board, images: dict[int, bytes], *, via_address: int | None = None
    ) -> None:
        self.board = board
        # Of an NMOS 6522: output and data direction registers; an input reads 1.
        self.via_address = via_address
        self.outputs, self.directions = {"a": 0, "b": 0}, {"a": 0, "b": 0}
        self.plain = bytearray(0x10000)
        self.pages = [
            [bytearray(bank.page_bytes) for _ in range(bank.pages)] for bank in board.banks
        ]
        for index, content in images.items():
            size = board.banks[index].page_bytes
            for page in range(board.banks[index].pages):
                piece = content[page * size : (page + 1) * size]
                self.pages[index][page][: len(piece)] = piece
        self.latches = {one.latch_address: 0 for one in board.banks if one.latch_address}
        self.overlays = {index for index, one in enumerate(board.banks) if one.is_overlay}
        self.changes: list[tuple[int, int]] = []
        self.tapped = 0
        self.sent: dict[int, int] = {}

    def page(self, index: int) -> int:
        bank = self.board.banks[index]
        latch = self.latches.get(bank.latch_address, 0)
        number = 0
        for text in bank.select:
            if "." in text:
                port, bit = text[-2], int(text[-1])
                driven = self.directions[port] >> bit & 1
                level = self.outputs[port] >> bit & 1 if driven else 1
            else:
                level = latch >> int(text.split()[1]) & 1
            number = 2 * number + level
        return number

    def via_register(self, address: int) -> tuple[dict[str, int], str] | None:
        if self.via_address is None or not 0 <= address - self.via_address < 16:
            return None
        offset = address - self.via_address
        return {
            0: (self.outputs, "b"),
            1: (self.outputs, "a"),
            2: (self.directions, "b"),
            3: (self.directions, "a"),
            15: (self.outputs, "a"),
        }.get(offset)

    def is_protected(self, index: int) -> bool:
        bank = self.board.banks[index]
        if not bank.write_protect:
            return False
        return bool(self.latches[bank.latch_address] >> int(bank.write_protect.split()[1]) & 1)

    def holder(self, address: int, *, over: bool = True) -> int | None:
        for index, bank in enumerate(self.board.banks):
            if bank.first_address <= address <= bank.last_address:
                if bank.is_overlay and over and index in self.overlays:
                    return index
                if not bank.is_overlay:
                    return index
        return None

    def __getitem__(self, address: int) -> int:
        register = self.via_register(address)
        if register is not None:
            values, port = register
            if values is self.directions:
                return values[port]
            driven = self.directions[port]
            return self.outputs[port] & driven | 0xFF & ~driven
        index = self.holder(address)
        if index is None:
            if not any(
                one.first_address <= address <= one.last_address for one in self.board.memory
            ):
                return self.board.unmapped_read
            return self.plain[address]
        bank = self.board.banks[index]
        page = 0 if bank.is_overlay else self.page(index)
        if page >= bank.pages:
            return self.board.unmapped_read
        return self.pages[index][page][address - bank.first_address]

    def __setitem__(self, address: int, byte: int) -> None:
        register = self.via_register(address)
        if register is not None:
            register[0][register[1]] = byte
            return
        if address in self.latches or any(one.off_address == address for one in self.board.banks):
            before = [self.page(i) for i in range(len(self.pages)) if i not in self._all_overlays()]
            if address in self.latches:
                self.latches[address] = byte
            after = [self.page(i) for i in range(len(self.pages)) if i not in self._all_overlays()]
            self.changes += [
                (place, new)
                for place, (old, new) in enumerate(zip(before, after, strict=True))
                if old != new
            ]
            self.overlays -= {
                i for i, one in enumerate(self.board.banks) if one.off_address == address
            }
            return
        index = self.holder(address, over=False)
        for window in self.board.windows:
            if not window.first_address <= address <= window.last_address:
                continue
            if window.page is not None and (index is None or window.page != self.page(index)):
                continue
            self.tapped += 1
            if window.space == "memory":
                self.sent[window.first_offset + address - window.first_address] = byte
            if not window.lands_in_ram:
                return
        if index is None:
            if any(
                one.kind == "ram" and one.first_address <= address <= one.last_address
                for one in self.board.memory
            ):
                self.plain[address] = byte
            return
        bank = self.board.banks[index]
        if bank.kind == "ram" and self.page(index) < bank.pages and not self.is_protected(index):
            self.pages[index][self.page(index)][address - bank.first_address] = byte

    def _all_overlays(self) -> set[int]:
        return {index for index, one in enumerate(self.board.banks) if one.is_overlay}


def run_paged(board: Board, memory: PagedMemory, *, start: int, stop: int) -> None:
    """Run py65 from one address until it is at another."""
    classes = {"6502": mpu6502.MPU, "65c02": mpu65c02.MPU}
    mpu = classes[board.processor](memory=memory)
    mpu.pc, mpu.sp = start, 0xFD
    for _ in range(100_000):
        if mpu.pc == stop:
            return
        mpu.step()
    raise AssertionError("the program did not come to its end")
