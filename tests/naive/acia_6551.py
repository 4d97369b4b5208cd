"""A 6551 that is ticked every cycle, written from the data sheet's words.

A bit of the line takes a whole number of cycles here; the wire itself is kept, level by level, and
the other end reads it in the middle of each bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class TickedAcia:
    """See `busplay.core.devices.acia_6551`; `tick` goes to the next cycle.

    Attributes:
        is_cmos: the W65C51N; else the R6551.
        bit_cycles: of the rate that is programmed at code 15.
        incoming: (cycle from which it can be sent, byte).
        far_end: bytes that the other end has read, each with the cycle of its last stop bit's end.
    """

    is_cmos: bool
    bit_cycles: int
    incoming: list[tuple[int, int]]
    cycle: int = 0
    far_end: list[tuple[int, int]] = field(default_factory=list)
    command: int = 0
    control: int = 0
    irq: bool = False
    cts: int = 0
    dcd: int = 0
    dsr: int = 0
    dcd_bit: int = 0
    dsr_bit: int = 0
    is_frozen: bool = False
    received: int = 0
    is_received_full: bool = False
    overrun: bool = False
    to_send: int | None = None
    # What is on the line: levels of the bits that are to come, after the cycles of the present one.
    bits: list[int] = field(default_factory=list)
    left: int = 0
    began: int = 0
    width: int = 8
    in_left: int = 0

    @property
    def data_bits(self) -> int:
        return 8 - (self.control >> 5 & 3)

    @property
    def has_parity(self) -> bool:
        return bool(self.command & 0x20)

    @property
    def half_stop_bits(self) -> int:
        if not self.control & 0x80:
            return 2
        if self.data_bits == 5 and not self.has_parity:
            return 3
        return 2 if self.data_bits == 8 and self.has_parity else 4

    @property
    def character_cycles(self) -> int:
        bits = 1 + self.data_bits + self.has_parity
        return bits * self.bit_cycles + self.half_stop_bits * self.bit_cycles // 2

    @property
    def is_enabled(self) -> bool:
        return bool(self.command & 1)

    @property
    def transmit_mode(self) -> int:
        return self.command >> 2 & 3

    @property
    def rts(self) -> int:
        return int(self.transmit_mode == 0 and not self.echoes)

    @property
    def dtr(self) -> int:
        return int(not self.is_enabled)

    @property
    def echoes(self) -> bool:
        return self.command & 0x1C == 0x10

    @property
    def interrupts_on_empty(self) -> bool:
        return self.is_enabled and self.transmit_mode == 1

    @property
    def line(self) -> bool:
        return self.irq or (self.is_cmos and self.interrupts_on_empty)

    @property
    def may_send(self) -> bool:
        return not self.cts and self.transmit_mode in (1, 2)

    def tick(self) -> None:
        self.cycle += 1
        if self.left:
            self.left -= 1
            if not self.left:
                self._character_gone()
        if self.in_left:
            self.in_left -= 1
            if not self.in_left:
                self._character_here()
        self._begin_receiving()

    def _begin_receiving(self) -> None:
        is_ready = self.is_enabled and not self.dcd
        if is_ready and not self.in_left and self.incoming and self.incoming[0][0] <= self.cycle:
            self.in_left = self.character_cycles

    def _character_here(self) -> None:
        _, byte = self.incoming.pop(0)
        byte &= (1 << self.data_bits) - 1
        if self.is_received_full:
            self.overrun = True
        else:
            self.received, self.is_received_full = byte, True
            if self.echoes and not self.cts:
                self.far_end.append((self.cycle, byte))
        if self.command & 3 == 1:
            self.irq = True

    def _begin_sending(self, cycles_ahead: int) -> None:
        if self.to_send is not None and not self.left and self.may_send:
            self.bits = [0, *(self.to_send >> bit & 1 for bit in range(self.data_bits))]
            self.to_send = None
            self.left = self.character_cycles + cycles_ahead
            self.began = self.cycle + cycles_ahead
            self.width = self.data_bits
            if self.interrupts_on_empty:
                self.irq = True

    def _character_gone(self) -> None:
        """The other end has read it: the start bit, then the data."""
        byte = sum(level << bit for bit, level in enumerate(self.bits[1:]))
        self.far_end.append((self.cycle, byte))
        self._begin_sending(0)

    def press(self, byte: int) -> None:
        self.incoming.append((self.cycle, byte))
        self._begin_receiving()

    def set_input(self, pin: str, level: int) -> None:
        was_low = not getattr(self, pin)
        setattr(self, pin, level)
        if pin == "cts" and level and was_low and self.left and not self.is_cmos:
            # The line is high from now on: at the middles of the bits to come, the end reads ones.
            for place in range(1 + self.width):
                middle = self.began + (2 * place + 1) * self.bit_cycles / 2
                if middle > self.cycle:
                    self.bits[place] = 1
            if self.bits[0]:
                self.left = 0
        self._look_at_modem()
        if self.dcd or not self.is_enabled:
            self.in_left = 0
        self._begin_receiving()
        self._begin_sending(0)

    def _look_at_modem(self) -> None:
        if self.is_frozen or (self.dcd_bit, self.dsr_bit) == (self.dcd, self.dsr):
            return
        self.dcd_bit, self.dsr_bit = self.dcd, self.dsr
        masked = self.is_cmos and self.command & 2
        if self.is_enabled and not masked:
            self.irq = self.is_frozen = True

    def read(self, offset: int) -> int:
        if offset == 0:
            self.is_received_full = self.overrun = False
            return self.received
        if offset == 1:
            empty = self.is_cmos or self.to_send is None
            status = self.overrun << 2 | self.is_received_full << 3 | empty << 4
            status |= self.dcd_bit << 5 | self.dsr_bit << 6 | self.line << 7
            self.irq = self.is_frozen = False
            self._look_at_modem()
            return status
        return self.command if offset == 2 else self.control

    def write(self, offset: int, data: int) -> None:
        if offset == 0:
            if self.is_cmos and self.left and self.may_send:
                self.left = 0
                had = self.interrupts_on_empty
                self.irq = self.irq or had
            self.to_send = data & (1 << self.data_bits) - 1
        elif offset == 1:
            self.command &= 0xE0
            self.overrun = self.irq = False
        elif offset == 2:
            had = self.interrupts_on_empty
            self.command = data
            if self.interrupts_on_empty and not had and self.to_send is None:
                self.irq = True
            if not self.is_enabled:
                self.irq = False
        else:
            self.control = data
        if not self.is_enabled:
            self.in_left = 0
        self._begin_sending(1)
