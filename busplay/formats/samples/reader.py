"""Read samples taken at a steady rate: each sample is a few bytes, each wire one of its bits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import gcd
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busplay.batch import CaptureInfo, ChangeBatch, UInt8Column, UInt64Column
from busplay.errors import InputError
from busplay.formats.samples import changes
from busplay.formats.signal_choice import ChosenBit
from busplay.units import PS_PER_S

# A batch's columns have at most this many rows each. Twice as many cost half of the speed (298
# million samples a second for 701, at three a symbol): the allocator then gives such memory
# back and gets fresh pages for each batch.
BLOCK_BYTES = 1 << 17
MAX_TABLED_DEN = 64
_WIDE = {1: "<u1", 2: "<u2", 4: "<u4", 8: "<u8"}


class SampleSource(Protocol):
    """Where sample bytes come from."""

    file: str
    cut_reason: str

    def restart(self) -> None:
        """Go back to the first sample."""

    def read_into(self, target: memoryview) -> int:
        """Fill a stretch of memory as far as there are bytes; 0 at the end only."""


@dataclass(frozen=True, slots=True)
class SampleForm:
    """How samples lie in their bytes.

    Attributes:
        sample_bytes: bytes of one, lowest first.
        rate_hz: samples in a second.
    """

    sample_bytes: int
    rate_hz: int


class SampleTimes:
    """Picoseconds of samples, exactly: index * 10^12 / rate, rounded down.

    Attributes:
        den: remainders are below it.
        quotient, remainder: uint64[65]; of k samples, k from 0 to 64.
        places: uint64[den, 64]; what k samples add to a time with each remainder; None where
            that would be a large table.
    """

    def __init__(self, rate_hz: int) -> None:
        common = gcd(PS_PER_S, rate_hz)
        self.num, self.den = PS_PER_S // common, rate_hz // common
        times = [divmod(index * self.num, self.den) for index in range(changes.GROUP + 1)]
        self.quotient = np.array([whole for whole, _ in times], np.uint64)
        self.remainder = np.array([rest for _, rest in times], np.uint64)
        self.places: UInt64Column | None = None
        if self.den <= MAX_TABLED_DEN:
            self.places = np.array(
                [
                    [(rest + index * self.num) // self.den for index in range(changes.GROUP)]
                    for rest in range(self.den)
                ],
                np.uint64,
            )

    def of(self, index: int) -> int:
        """Time of one sample."""
        return index * self.num // self.den

    @property
    def last_index(self) -> int:
        """The last sample whose time fits 64 bits."""
        return ((1 << 64) - 1) * self.den // self.num - 1


class SampleReader:
    """Samples as changes.

    Args:
        source: the bytes.
        form: width and rate.
        chosen: the wires wanted; `bit` is the bit of a sample.
        info: what is known of the capture; its signals are in the order of `places`.
        places: bit of a sample of each of the capture's signals.
    """

    def __init__(
        self,
        source: SampleSource,
        form: SampleForm,
        *,
        chosen: Sequence[ChosenBit],
        info: CaptureInfo,
        places: Sequence[int],
    ) -> None:
        self._source, self._form, self._info = source, form, info
        self.signals = tuple(bit.name for bit in chosen)
        self._bits = [bit.bit for bit in chosen]
        self.signal_masks = tuple(
            1 << self._bits.index(place) if place in self._bits else 0 for place in places
        )
        self.wire_count = len(places)
        self._places = places
        self._times = SampleTimes(form.rate_hz)
        self._mask = sum(1 << bit for bit in self._bits)
        self._levels = _level_tables(self._bits, form.sample_bytes)
        self._zeros = np.zeros(BLOCK_BYTES, np.uint64)
        self._zeros.flags.writeable = False
        self._begin()

    @property
    def wires(self) -> tuple[str, ...]:
        """Names of all wires."""
        return tuple(signal.name for signal in self._info.signals)

    def _begin(self) -> None:
        self._samples_read = 0
        self._state = np.zeros(changes.STATE_SIZE, np.uint64)
        self._counts = np.zeros(64, np.uint64)
        self._cut_reason = ""

    def info(self) -> CaptureInfo:
        """Return what is known so far."""
        first = 1 if self._samples_read else 0
        changes = {
            bit: first + int(count)
            for bit, count in zip(self._bits, self._counts.tolist(), strict=False)
        }
        return replace(
            self._info,
            signals=tuple(
                replace(signal, changes=changes.get(place, 0))
                for signal, place in zip(self._info.signals, self._places, strict=True)
            ),
            stop_ps=self._times.of(self._samples_read),
            complete=not self._cut_reason,
            cut_reason=self._cut_reason,
        )

    def rows(self) -> Iterator[ChangeBatch]:
        """Return all changes from the start.

        Raises:
            InputError: reading fails, or the bytes are damaged; everything before was returned.
        """
        self._begin()
        source = self._source
        source.restart()
        size = self._form.sample_bytes
        block_bytes = BLOCK_BYTES // (size * changes.GROUP) * size * changes.GROUP
        memory = bytearray(block_bytes)
        buffer = np.frombuffer(memory, np.uint8)
        while True:
            filled, damage = _fill(source, memoryview(memory))
            count = filled // size
            if self._samples_read + count > self._times.last_index:
                raise InputError(
                    found=f"more than {self._times.last_index:,} samples",
                    wanted=f"at {self._form.rate_hz} Hz they do not fit 64 bits of picoseconds;"
                    " give the right --in-rate",
                    file=source.file,
                )
            yield from self._changes(buffer[: count * size], count)
            if damage is not None:
                raise damage
            if filled < block_bytes:
                if filled % size:
                    self._cut_reason = (
                        f"it ends in the middle of a sample of {size} bytes: the file was cut off"
                    )
                self._cut_reason = source.cut_reason or self._cut_reason
                return

    def _changes(self, block: UInt8Column, count: int) -> Iterator[ChangeBatch]:
        if not count:
            return
        # Fresh memory for each batch: what was given is not written again. The allocator
        # hands the same pages out again, which is faster than a copy.
        times, levels = np.empty(count, np.uint64), np.empty(count, np.uint64)
        rows = 0
        groups = 0
        state, exact = self._state, self._times
        if self._form.sample_bytes == 1 and exact.places is not None and state[changes.HAS_ROW]:
            groups = count // changes.GROUP
            rows = changes.find_changes_in_bytes(
                block[: groups * changes.GROUP].view(np.uint64),
                block,
                groups,
                state,
                np.uint64(self._mask * 0x0101010101010101),
                self._levels[0],
                exact.places,
                exact.quotient[changes.GROUP],
                exact.remainder[changes.GROUP],
                self._counts,
                times,
                levels,
            )
        done = groups * changes.GROUP
        if done < count:
            rows += changes.find_changes(
                _as_numbers(block, self._form.sample_bytes)[done:],
                count - done,
                state,
                np.uint64(self._mask),
                self._levels,
                exact.quotient,
                exact.remainder,
                np.uint64(exact.den),
                self._counts,
                times[rows:],
                levels[rows:],
            )
        self._samples_read += count
        if not rows:
            return
        if rows * 4 < count:
            # Do not hold a block's memory for a few rows.
            times, levels = times[:rows].copy(), levels[:rows].copy()
        yield ChangeBatch(times[:rows], levels[:rows], self._zeros[:rows])


def _fill(source: SampleSource, target: memoryview) -> tuple[int, InputError | None]:
    """Fill memory unless the end or damage comes before; return how many bytes, and the damage."""
    filled = 0
    while filled < len(target):
        try:
            count = source.read_into(target[filled:])
        except InputError as error:
            return filled, error
        if not count:
            break
        filled += count
    return filled, None


def _level_tables(bits: Sequence[int], sample_bytes: int) -> UInt64Column:
    """Make the part of the level that each value of each byte of a sample has."""
    tables = np.zeros((sample_bytes, 256), np.uint64)
    values = np.arange(256, dtype=np.uint64)
    for index, bit in enumerate(bits):
        set_bits = values >> np.uint64(bit % 8) & np.uint64(1)
        tables[bit // 8] |= set_bits << np.uint64(index)
    return tables


def _as_numbers(block: UInt8Column, sample_bytes: int) -> NDArray[np.unsignedinteger]:
    """View samples as unsigned numbers; widths that no number has are widened."""
    if sample_bytes in _WIDE:
        return block.view(_WIDE[sample_bytes])
    wide_bytes = 4 if sample_bytes == 3 else 8
    wide = np.zeros((len(block) // sample_bytes, wide_bytes), np.uint8)
    wide[:, :sample_bytes] = block.reshape(-1, sample_bytes)
    return wide.reshape(-1).view(_WIDE[wide_bytes])
