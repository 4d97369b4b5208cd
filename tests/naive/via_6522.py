"""A 6522 that is ticked: every cycle runs, as the data sheets' timing figures are read.

`tick` begins a cycle: counters count, time-outs and shift clock edges happen. Then comes at most
one access. The interrupt output is looked at between the two.
"""

from __future__ import annotations

CA2, CA1, SR, CB2, CB1, T2, T1 = (1 << bit for bit in range(7))


class NaiveVia:
    def __init__(self, *, holds: bool) -> None:
        self.holds = holds
        self.orb = self.ora = self.ddrb = self.ddra = self.acr = self.pcr = self.ifr = self.ier = 0
        self.t1_latch = self.t1 = self.t2 = 0xFFFF
        self.t2_latch = 0
        self.t1_fresh = self.t2_fresh = True
        self.t1_reload: int | None = None
        self.t1_armed = self.t2_armed = False
        self.pb7 = self.ca2_out = self.cb2_out = self.cb2_data = 1
        self.ca2_pulse = self.cb2_pulse = 0
        self.sr = 0
        self.sr_wait = 0
        self.sr_edge: int | None = None
        self.pulses = 0
        self.driven = {"a": 0, "b": 0}
        self.pins = {"a": 0, "b": 0}
        self.held = {"a": 0xFF, "b": 0xFF}
        self.latched = {"a": 0, "b": 0}
        self.control = {"ca1": 1, "ca2": 1, "cb1": 1, "cb2": 1}

    @property
    def irq(self) -> bool:
        return bool(self.ifr & self.ier & 0x7F)

    @property
    def mode(self) -> int:
        return self.acr >> 2 & 7

    @property
    def edge_cycles(self) -> int:
        return 1 if self.mode in (2, 6) else self.t2_latch + 2

    # Time.

    def tick(self) -> None:
        self._tick_t1()
        if self.t2_fresh:
            self.t2_fresh = False
        elif not self.acr & 0x20:
            self._count_t2()
        self._tick_shift()
        for name in ("ca2", "cb2"):
            left = getattr(self, f"{name}_pulse")
            if left:
                setattr(self, f"{name}_pulse", left - 1)
                if left == 1:
                    setattr(self, f"{name}_out", 1)

    def _tick_t1(self) -> None:
        if self.t1_fresh:
            self.t1_fresh = False
        elif self.t1_reload is not None:
            self.t1, self.t1_reload = self.t1_reload, None
        else:
            self.t1 = (self.t1 - 1) & 0xFFFF
            if self.t1 == 0xFFFF:
                self.t1_reload = self.t1_latch
                if self.acr & 0x40:
                    self.ifr |= T1
                    self.pb7 ^= 1
                elif self.t1_armed:
                    self.ifr |= T1
                    self.pb7 = 1
                self.t1_armed = False

    def _count_t2(self) -> None:
        self.t2 = (self.t2 - 1) & 0xFFFF
        if self.t2 == 0xFFFF and self.t2_armed:
            self.ifr |= T2
            self.t2_armed = False

    def _tick_shift(self) -> None:
        if self.sr_edge is None:
            return
        self.sr_wait -= 1
        if self.sr_wait:
            return
        if self.sr_edge == 16:
            self.ifr |= SR
            self.sr_edge = None
            return
        self.sr_edge += 1
        self._shift(rises=self.sr_edge % 2 == 0)
        if self.mode == 4:
            self.sr_edge %= 16
        self.sr_wait = 1 if self.sr_edge == 16 else self.edge_cycles

    def _shift(self, *, rises: bool) -> None:
        if self.mode >= 4 and not rises:
            self.cb2_data = self.sr >> 7
            self.sr = (self.sr << 1 & 0xFF) | self.cb2_data
        if self.mode in (1, 2, 3) and rises:
            self.sr = (self.sr << 1 & 0xFF) | self.control["cb2"]

    def _start_shift(self) -> None:
        self.ifr &= ~SR
        self.pulses = 0
        if self.mode in (1, 2, 5, 6):
            self.sr_edge = 0
            self.sr_wait = self.edge_cycles + 1

    # Pins.

    def levels(self, port: str) -> int:
        drives = self.ddra if port == "a" else self.ddrb
        output = self.ora if port == "a" else self.orb
        idle = self.held[port] if self.holds else 0xFF
        found = 0
        for bit in range(8):
            mask = 1 << bit
            if port == "b" and bit == 7 and self.acr & 0x80:
                level = self.pb7
            elif drives & mask:
                level = output >> bit & 1
            elif self.driven[port] & mask:
                level = self.pins[port] >> bit & 1
            else:
                level = idle >> bit & 1
            found |= level << bit
        return found

    def set_port(self, port: str, levels: int) -> None:
        fallen = self.pins[port] & ~levels & self.driven[port]
        self.pins[port] = levels
        if port == "b" and fallen & 0x40 and self.acr & 0x20:
            self._count_t2()
        self._hold()

    def set_control(self, pin: str, level: int) -> None:
        if self.control[pin] == level:
            return
        self.control[pin] = level
        port = pin[1]
        mode = self.pcr >> 1 & 7 if port == "a" else self.pcr >> 5 & 7
        if pin in ("ca1", "cb1"):
            if level == (self.pcr & 1 if port == "a" else self.pcr >> 4 & 1):
                self.ifr |= CA1 if port == "a" else CB1
                self.latched[port] = self.levels(port)
                if mode == 4:
                    setattr(self, f"c{port}2_out", 1)
            if pin == "cb1" and self.mode in (3, 7):
                self._shift(rises=bool(level))
                if level:
                    self.pulses += 1
                    if self.pulses == 8:
                        self.ifr |= SR
                        self.pulses = 0
        elif mode < 4 and level == (mode >= 2):
            self.ifr |= CA2 if port == "a" else CB2

    def _hold(self) -> None:
        for port in "ab":
            self.held[port] = self.levels(port)

    def _handshake(self, port: str, *, writes: bool) -> None:
        mode = self.pcr >> 1 & 7 if port == "a" else self.pcr >> 5 & 7
        self.ifr &= ~(CA1 if port == "a" else CB1)
        if mode not in (1, 3):
            self.ifr &= ~(CA2 if port == "a" else CB2)
        if mode in (4, 5) and (port == "a" or writes):
            setattr(self, f"c{port}2_out", 0)
            setattr(self, f"c{port}2_pulse", 2 if mode == 5 else 0)

    # Accesses.

    def read(self, offset: int) -> int:
        match offset:
            case 0:
                found = self.levels("b")
                if self.acr & 2 and self.ifr & CB1:
                    found = found & self.ddrb | self.latched["b"] & ~self.ddrb
                self._handshake("b", writes=False)
                return found & 0xFF
            case 1 | 15:
                latches = self.acr & 1 and self.ifr & CA1
                found = self.latched["a"] if latches else self.levels("a")
                if offset == 1:
                    self._handshake("a", writes=False)
                return found
            case 4:
                self.ifr &= ~T1
                return self.t1 & 0xFF
            case 8:
                self.ifr &= ~T2
                return self.t2 & 0xFF
            case 10:
                found = self.sr
                self._start_shift()
                return found
            case 13:
                return self.ifr | (0x80 if self.irq else 0)
        return {
            2: self.ddrb, 3: self.ddra, 5: self.t1 >> 8, 6: self.t1_latch & 0xFF,
            7: self.t1_latch >> 8, 9: self.t2 >> 8, 11: self.acr, 12: self.pcr,
            14: self.ier | 0x80,
        }[offset]  # fmt: skip

    def write(self, offset: int, data: int) -> None:
        match offset:
            case 0:
                self.orb = data
                self._handshake("b", writes=True)
            case 1 | 15:
                self.ora = data
                if offset == 1:
                    self._handshake("a", writes=True)
            case 2:
                self.ddrb = data
            case 3:
                self.ddra = data
            case 4 | 6:
                self.t1_latch = self.t1_latch & 0xFF00 | data
            case 5 | 7:
                self.t1_latch = self.t1_latch & 0xFF | data << 8
                self.ifr &= ~T1
                if offset == 5:
                    self.t1, self.t1_fresh, self.t1_reload = self.t1_latch, True, None
                    self.t1_armed, self.pb7 = True, 0
            case 8:
                self.t2_latch = data
            case 9:
                self.t2, self.t2_fresh, self.t2_armed = data << 8 | self.t2_latch, True, True
                self.ifr &= ~T2
            case 10:
                self.sr = data
                self._start_shift()
            case 11:
                before, self.acr = self.mode, data
                if self.mode != before:
                    self.sr_edge, self.pulses = None, 0
                    if self.mode == 4:
                        self.sr_edge, self.sr_wait = 0, self.edge_cycles + 1
                if data & 0x20:
                    # A load that no cycle has shown yet is over.
                    self.t2_fresh = False
            case 12:
                self.pcr = data
                for name, mode in (("ca2", data >> 1 & 7), ("cb2", data >> 5 & 7)):
                    if mode >= 4:
                        setattr(self, f"{name}_out", int(mode != 6))
                        setattr(self, f"{name}_pulse", 0)
            case 13:
                self.ifr &= ~data
            case 14:
                if data & 0x80:
                    self.ier |= data & 0x7F
                else:
                    self.ier &= ~data & 0x7F
        self._hold()
