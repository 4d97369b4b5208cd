"""A slow, obvious receiver, written from the design: lists of bits, one symbol at a time.

It divides for every check, expands every gap, and keeps all symbols. It imports
the description's types and nothing else, so it shares no table with the receiver it judges.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from busplay.description.link import Field, Link, MarkerFraming, StrobeFraming

Bits = list[int]


def divide(bits: Bits, *, polynomial: int, check_bits: int, initial: int) -> int:
    """Divide by the polynomial, a bit at a time, as on paper."""
    register = [initial >> place & 1 for place in reversed(range(check_bits))]
    divisor = [polynomial >> place & 1 for place in reversed(range(check_bits))]
    for bit in bits:
        out = register[0] ^ bit
        register = [*register[1:], 0]
        if out:
            register = [a ^ b for a, b in zip(register, divisor, strict=True)]
    return number(register)


def number(bits: Bits) -> int:
    """Read bits as a number, highest first."""
    return int("".join(map(str, bits)), 2) if bits else 0


def in_wire_order(value: int, one: Field, lanes: int) -> Bits:
    """Return a field's value as bits in wire order."""
    high_first = [value >> place & 1 for place in reversed(range(one.bits))]
    if one.order == "high_first":
        return high_first
    if one.order == "low_first":
        return high_first[::-1]
    digits = [high_first[first : first + lanes] for first in range(0, one.bits, lanes)]
    return [bit for digit in reversed(digits) for bit in digit]


def from_wire_order(bits: Bits, one: Field, lanes: int) -> int:
    """Find the value that goes out as these bits: by trying what each bit of it does."""
    value = 0
    for place in range(one.bits):
        if any(a & b for a, b in zip(in_wire_order(1 << place, one, lanes), bits, strict=True)):
            value |= 1 << place
    return value


class NaiveLink:
    """A link's frame, in bits."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.frame_symbols = link.frame_bits // link.lanes
        gap = link.framing.gap_symbols if isinstance(link.framing, StrobeFraming) else 0
        self.slot_symbols = self.frame_symbols + gap
        self.idle_bits = self._idle_bits()

    def fields(self, bits: Bits) -> dict[str, Bits]:
        parts = {}
        first = 0
        for one in self.link.fields:
            parts[one.name] = bits[first : first + one.bits]
            first += one.bits
        return parts

    def value(self, bits: Bits, name: str) -> int:
        one = next(one for one in self.link.fields if one.name == name)
        return from_wire_order(self.fields(bits)[name], one, self.link.lanes)

    def check_value(self, bits: Bits) -> int:
        check = self.link.check
        assert check is not None
        parts = self.fields(bits)
        covered = [bit for name, part in parts.items() if name in check.covers for bit in part]
        size = len(parts[check.field])
        found = divide(covered, polynomial=check.polynomial, check_bits=size, initial=check.initial)
        return found ^ check.xor

    def holds(self, bits: Bits) -> bool:
        """Whether the check and every constant hold."""
        for one in self.link.fields:
            if one.value is not None and self.value(bits, one.name) != one.value:
                return False
        check = self.link.check
        return check is None or self.value(bits, check.field) == self.check_value(bits)

    def is_right(self, bits: Bits) -> bool:
        return self.holds(bits) or bits == self.idle_bits

    def is_idle(self, bits: Bits) -> bool:
        if any(one.name == "space" for one in self.link.fields) and self.value(bits, "space") == 0:
            return True
        return bits == self.idle_bits and not isinstance(self.link.framing, StrobeFraming)

    def with_check(self, bits: Bits) -> Bits:
        check = self.link.check
        if check is None:
            return bits
        parts = self.fields(bits)
        one = next(one for one in self.link.fields if one.name == check.field)
        parts[check.field] = in_wire_order(self.check_value(bits), one, self.link.lanes)
        return [bit for part in parts.values() for bit in part]

    def frame(self, **values: int) -> Bits:
        """Make a frame of field values; constants and the check are filled in."""
        bits: Bits = []
        for one in self.link.fields:
            value = values.get(one.name, one.value or 0)
            bits += in_wire_order(value, one, self.link.lanes)
        return self.with_check(bits)

    def _idle_bits(self) -> Bits:
        bits = self.frame(**self.link.idle)
        framing = self.link.framing
        if isinstance(framing, MarkerFraming):
            marker = [bit for symbol in framing.symbols for bit in self.bits_of(symbol)]
            bits = self.with_check(marker + bits[len(marker) :])
        return bits

    def bits_of(self, symbol: int) -> Bits:
        """The bits of a symbol's lanes, first one first."""
        lanes = [symbol >> lane & 1 for lane in range(self.link.lanes)]
        return lanes[::-1] if self.link.first_bit_lane == "highest" else lanes

    def symbols(self, bits: Bits) -> list[int]:
        """Expand a frame to its slot, strobe and gap included."""
        lanes = self.link.lanes
        out = []
        for first in range(0, len(bits), lanes):
            part = bits[first : first + lanes]
            out.append(number(part if self.link.first_bit_lane == "highest" else part[::-1]))
        framing = self.link.framing
        if isinstance(framing, StrobeFraming):
            held = framing.span == "frame"
            active = [held or index == 0 for index in range(len(out))]
            out += [0] * framing.gap_symbols
            active += [False] * framing.gap_symbols
            high = framing.active == "high"
            out = [
                symbol | (is_on == high) << lanes for symbol, is_on in zip(out, active, strict=True)
            ]
        return out

    def idle_slot(self) -> list[int]:
        framing = self.link.framing
        if isinstance(framing, StrobeFraming):
            return [(framing.active == "low") << self.link.lanes] * self.slot_symbols
        return self.symbols(self.idle_bits)


@dataclass
class NaiveReceiver:
    """The receiver of the design: hunt, presync, sync; strobe, marker, check."""

    link: Link
    correct_one_bit: bool = False
    state: str = "HUNT"
    counts: dict[str, int] = field(default_factory=dict)
    frames: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.naive = NaiveLink(self.link)
        self.seen: list[Bits] = []  # bits of every symbol
        self.frame: list[Bits] = []  # symbols of the incomplete frame
        self.frame_edge = 0
        self.right_run = 0
        self.wrong_run = 0
        self.may_correct = True
        self.next_sequence: int | None = None
        self.was_active = True
        # What happened to which of the symbols fed, from 0: (what, first, stop).
        self.log: list[tuple[str, int, int]] = []

    def note(self, what: str, symbols: int, *, more: int = 0) -> None:
        stop = self.counts["symbols_fed"]
        self.log.append((what, stop - symbols - more, stop))

    def count(self, name: str, by: int = 1) -> None:
        self.counts[name] = self.counts.get(name, 0) + by

    def feed(self, symbols: list[int], first_edge: int) -> None:
        for edge, symbol in enumerate(symbols, first_edge):
            self.count("symbols_fed")
            if isinstance(self.link.framing, StrobeFraming):
                self._take_with_strobe(self.link.framing, symbol, edge)
            else:
                self._take(symbol, edge)
        pending = len(self.frame) if self.state == "SYNC" else 0
        self.counts["pending_symbols"] = pending

    # -- check and marker

    def _window(self) -> Bits | None:
        size = self.naive.frame_symbols
        if len(self.seen) < size:
            return None
        return [bit for bits in self.seen[-size:] for bit in bits]

    def _is_candidate(self, window: Bits | None) -> bool:
        if window is None:
            return False
        framing = self.link.framing
        if isinstance(framing, MarkerFraming):
            size = len(framing.symbols) * self.link.lanes
            marker = [bit for symbol in framing.symbols for bit in self.naive.bits_of(symbol)]
            if window[:size] != marker:
                return False
        return self.naive.is_right(window)

    def _lock(self) -> None:
        self.state = "SYNC"
        self.wrong_run = 0
        self.may_correct = True
        self.count("syncs_gained")

    def _take(self, symbol: int, edge: int) -> None:
        framing = self.link.framing
        assert not isinstance(framing, StrobeFraming)
        unique = isinstance(framing, MarkerFraming) and framing.rule == "unique"
        self.seen.append(self.naive.bits_of(symbol))
        window = self._window()
        if self.state == "HUNT":
            self.count("symbols_skipped")
            if self._is_candidate(window):
                self.frame = []
                self.right_run = 0
                self.state = "PRESYNC"
                if unique or framing.confirm_frames == 0:
                    self._lock()
            return
        if not self.frame:
            self.frame_edge = edge
        self.frame.append(self.seen[-1])
        whole = len(self.frame) == self.naive.frame_symbols
        if self.state == "PRESYNC":
            self.count("symbols_skipped")
            if whole:
                assert window is not None
                self.frame = []
                if not self.naive.is_right(window):
                    self.state = "HUNT"
                else:
                    self.right_run += 1
                    if self.right_run == framing.confirm_frames:
                        self._lock()
            return
        if whole:
            self._judge()
        elif unique and self._is_candidate(window):
            self.count("symbols_skipped", len(self.frame))
            self.count("frames_aborted")
            self.count("syncs_lost")
            self.note("aborted", len(self.frame))
            self.note("lost", len(self.frame))
            self.frame = []
            self._lock()

    # -- strobe

    def _take_with_strobe(self, framing: StrobeFraming, symbol: int, edge: int) -> None:
        level = symbol >> self.link.lanes & 1
        active = level == (1 if framing.active == "high" else 0)
        begins = active and (framing.span == "first" or not self.was_active)
        dropped = framing.span == "frame" and not active
        self.was_active = active
        if self.frame and (begins or dropped):
            self.count("symbols_skipped", len(self.frame))
            self.count("frames_aborted")
            # The symbol that ends it belongs to it too.
            self.note("aborted", len(self.frame), more=1)
            self.frame = []
        if begins:
            if self.state == "HUNT":
                self.state = "SYNC"
                self.count("syncs_gained")
            self.frame_edge = edge
        if begins or self.frame:
            self.frame.append(self.naive.bits_of(symbol))
            if len(self.frame) == self.naive.frame_symbols:
                self._judge()
        elif self.state == "HUNT" or active:
            self.count("symbols_skipped")
        else:
            self.count("symbols_idle")

    # -- a frame in sync

    def _judge(self) -> None:
        bits = [bit for part in self.frame for bit in part]
        self.frame = []
        if self.naive.is_right(bits):
            self.wrong_run = 0
            self.may_correct = True
        else:
            corrected = self._correct(bits) if self.correct_one_bit and self.may_correct else None
            self.may_correct = False
            self.wrong_run += 1
            framing = self.link.framing
            self.note("failed" if corrected is None else "corrected", self.naive.frame_symbols)
            if not isinstance(framing, StrobeFraming) and self.wrong_run == framing.release_frames:
                self.state = "HUNT"
                self.count("syncs_lost")
                self.note("lost", self.naive.frame_symbols * framing.release_frames)
            if corrected is None:
                self.count("checks_failed")
                return
            self.count("frames_corrected")
            bits = corrected
        if self.naive.is_idle(bits):
            self.count("frames_idle")
            return
        sequence = self.link.field_named("sequence")
        if sequence is not None:
            got = self.naive.value(bits, "sequence")
            if self.next_sequence is not None:
                self.count("frames_missed", (got - self.next_sequence) % 2**sequence.bits)
            self.next_sequence = (got + 1) % 2**sequence.bits
        self.count("frames_received")
        self.frames.append((self.frame_edge, number(bits)))

    def _correct(self, bits: Bits) -> Bits | None:
        for index in range(len(bits)):
            flipped = bits.copy()
            flipped[index] ^= 1
            if self.naive.holds(flipped):
                return flipped
        return None
