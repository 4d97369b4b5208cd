"""Raw samples: bytes without a head, so the user gives the rate and the bits."""

from __future__ import annotations

import re

from busplay.batch import CaptureInfo, SignalInfo
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import FormatOptions
from busplay.formats.samples.reader import SampleForm, SampleReader
from busplay.formats.signal_choice import Variable, choose_signals

MAX_BIT = 63
_SPAN = re.compile(r"\s*([0-9]{1,3})\s*(?:-\s*([0-9]{1,3})\s*)?")


def parse_bits(text: str) -> tuple[tuple[int, ...], int]:
    """Read which bits of a sample are wires, such as `0-4`, `7,0-3` or `0-4/16`.

    Returns:
        the bits in the order given, and how many bytes a sample has: as many bits as stand
        behind the `/` (8, 16, 24, ... 64), else 1, 2, 4 or 8 bytes, whatever holds the
        highest bit.

    Raises:
        InputError: it is no such list, a bit is named twice or not in the sample.
    """
    listed, slash, width = text.partition("/")
    bits: list[int] = []
    for part in listed.split(","):
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
    if not slash:
        return tuple(bits), next(size for size in (1, 2, 4, 8) if max(bits) < 8 * size)
    if width.strip() not in {str(8 * size) for size in range(1, 9)}:
        raise InputError(
            found=f"samples of {width.strip()[:20]!r} bits", wanted="they have 8, 16, 24, ... 64"
        )
    if max(bits) >= int(width):
        raise InputError(
            found=f"bit {max(bits)}",
            wanted=f"a sample of {int(width)} bits has bits 0 to {int(width) - 1}",
        )
    return tuple(bits), int(width) // 8


def read_raw(source: ByteSource, options: FormatOptions) -> SampleReader:
    """Read raw samples; wire k is called `Dk` after its bit.

    Args:
        source: the file.
        options: how to read it: the rate, and the bits as `parse_bits` takes them; without, all
            eight of a byte. Samples have their low byte first.

    Raises:
        InputError: there is no rate, or bits or signals are malformed.
    """
    rate_hz = options.rate_hz
    if rate_hz is None:
        raise InputError(
            file=source.file,
            found="raw samples without a rate",
            wanted="say how many there are in a second: --in-rate 24MHz",
        )
    places, sample_bytes = parse_bits("0-7" if options.bits is None else options.bits)
    form = SampleForm(sample_bytes, rate_hz)
    variables = [Variable(f"D{bit}", 1, "channel", place) for place, bit in enumerate(places)]
    chosen = choose_signals(variables, options.signals, file=source.file)
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
