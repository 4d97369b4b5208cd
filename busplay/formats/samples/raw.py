"""Raw samples: bytes without a head, so that the user says rate and bits."""

from __future__ import annotations

import re
from collections.abc import Sequence

from busplay.batch import CaptureInfo, SignalInfo
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.samples.reader import SampleForm, SampleReader
from busplay.formats.signal_choice import Variable, choose_signals

MAX_BIT = 63
_SPAN = re.compile(r"\s*([0-9]{1,3})\s*(?:-\s*([0-9]{1,3})\s*)?")


def parse_bits(text: str) -> tuple[int, ...]:
    """Read which bits of a sample are wires, such as `0-4`, `7,0-3`; in that order.

    Raises:
        InputError: it is no such list, a bit is named twice or is not 0 to 63.
    """
    bits: list[int] = []
    for part in text.split(","):
        match = _SPAN.fullmatch(part)
        if match is None:
            raise InputError(
                found=f"bits {text[:40]!r}", wanted="write bits and spans, such as 0-4 or 0,2,5-7"
            )
        first = int(match.group(1))
        last = first if match.group(2) is None else int(match.group(2))
        if max(first, last) > MAX_BIT:
            raise InputError(
                found=f"bit {max(first, last)}", wanted=f"a sample has bits 0 to {MAX_BIT}"
            )
        step = 1 if last >= first else -1
        bits += range(first, last + step, step)
    if len(set(bits)) < len(bits):
        raise InputError(found=f"bits {text[:40]!r}", wanted="name each bit once")
    return tuple(bits)


def sample_bytes_for(bits: Sequence[int]) -> int:
    """Give the bytes that a sample with these bits has: 1, 2, 4 or 8."""
    return next(size for size in (1, 2, 4, 8) if max(bits) < 8 * size)


def read_raw(
    source: ByteSource,
    *,
    rate_hz: int | None,
    bits: str | None,
    signals: Sequence[str] | None,
) -> SampleReader:
    """Read raw samples; wire k is called `Dk` after its bit.

    Args:
        source: the file.
        rate_hz: samples in a second.
        bits: as `parse_bits`; None: all eight of a byte. The highest one tells how many bytes
            a sample has: 1, 2, 4 or 8, low byte first.
        signals: as `open_capture`.

    Raises:
        InputError: there is no rate, or bits or signals are none.
    """
    if rate_hz is None:
        raise InputError(
            file=source.file,
            found="raw samples without a rate",
            wanted="say how many there are in a second: --rate 24MHz",
        )
    places = parse_bits(bits) if bits is not None else tuple(range(8))
    form = SampleForm(sample_bytes_for(places), rate_hz)
    variables = [Variable(f"D{bit}", 1, "channel", place) for place, bit in enumerate(places)]
    chosen = choose_signals(variables, signals, file=source.file)
    return SampleReader(
        source,
        form,
        chosen=[type(one)(one.name, one.place, places[one.place]) for one in chosen],
        info=CaptureInfo(
            file=source.file,
            format="raw",
            compression=source.compression,
            signals=tuple(SignalInfo(one.name, 1, one.kind) for one in variables),
            sample_rate_hz=rate_hz,
            tick="1 sample",
        ),
        places=places,
    )
