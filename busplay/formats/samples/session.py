"""Session files (.sr) of the free logic-analyser suites."""

# Follows: the session file format, versions 1 and 2: a ZIP with `version`, `metadata` (an INI
#   file) and the samples, in `logic-1` or cut into `logic-1-1`, `logic-1-2`, ...
# Read in: files that such suites wrote

from __future__ import annotations

import configparser
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any, Protocol

from busplay.batch import CaptureInfo, SignalInfo
from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import FormatOptions
from busplay.formats.quantities import parse_rate_hz
from busplay.formats.samples.reader import SampleForm, SampleReader
from busplay.formats.samples.salvage import SalvagedZip
from busplay.formats.signal_choice import MAX_SIGNALS, Variable, choose_signals

MAX_METADATA_BYTES = 1 << 20
MAX_SAMPLE_BYTES = 8
# Bytes read at a time, which is what damage may cost.
PIECE_BYTES = 1 << 14
# What the ZIP reader raises on files that are none, are damaged or use what it does not know.
_ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    ValueError,
    KeyError,
)


class _Member(Protocol):
    def read(self, count: int, /) -> bytes: ...

    def close(self) -> None: ...


class _Zip(Protocol):
    """What a ZIP with its directory and one without it have in common."""

    def infolist(self) -> list[Any]: ...

    def getinfo(self, name: str) -> Any: ...

    def open(self, member: Any) -> Any: ...


class SessionSource:
    """The sample bytes of a session file, its pieces joined.

    Attributes:
        file: its name.
        cut_reason: why the file is not whole, if its directory is missing.
    """

    def __init__(self, source: ByteSource, *, keep_going: bool) -> None:
        self.file = source.file
        self.cut_reason = ""
        self._byte_source = source
        self._members: list[Any] = []
        self._next = 0
        self._damage_found: InputError | None = None
        self._member: _Member | None = None
        self._zip: _Zip
        if source.compression:
            raise InputError(
                file=self.file,
                found=f"a session file in {source.compression}",
                wanted="unpack it once; a session file is compressed inside",
            )
        try:
            self._zip = zipfile.ZipFile(source.stream)
        except _ZIP_ERRORS as error:
            salvaged = _salvaged(source)
            if salvaged is None or not keep_going:
                way_out = "" if salvaged is None else " (--keep-going reads the members before)"
                raise InputError(
                    file=self.file,
                    found=f"a session file without a whole directory ({error})",
                    wanted=f"a ZIP ends with its directory; the file was cut off{way_out}",
                ) from None
            self._zip = salvaged
            self.cut_reason = "it lacks the directory at its end: the file was cut off"

    def text(self, name: str) -> str:
        """Read a small member as text.

        Raises:
            InputError: there is none, it is too long or damaged.
        """
        try:
            info = self._zip.getinfo(name)
        except KeyError:
            raise InputError(
                file=self.file,
                found=f"a ZIP without {name}",
                wanted="a session file has version, metadata and logic-1-1",
            ) from None
        with self._damage(name), closing(self._zip.open(info)) as member:
            content: bytes = member.read(MAX_METADATA_BYTES + 1)
        if len(content) > MAX_METADATA_BYTES:
            raise InputError(
                file=self.file,
                place=name,
                found=f"more than {MAX_METADATA_BYTES:,} bytes",
                wanted="it is a short text",
            )
        return content.decode("utf-8", "replace")

    def choose_members(self, stem: str) -> None:
        """Take the samples from `stem`, or from `stem-1`, `stem-2`, ... in this order."""
        pieces: list[tuple[int, Any]] = []
        for info in self._zip.infolist():
            match = re.fullmatch(re.escape(stem) + r"(?:-([0-9]{1,9}))?", info.filename)
            if match is not None:
                pieces.append((int(match.group(1) or 0), info))
        if not pieces:
            raise InputError(
                file=self.file,
                found=f"a ZIP without {stem}-1",
                wanted=self.cut_reason or "the samples are there",
            )
        pieces.sort(key=lambda piece: piece[0])
        numbers = [number for number, _ in pieces]
        for expected, number in enumerate(numbers, numbers[0]):
            if number != expected:
                raise InputError(
                    file=self.file,
                    found=f"{stem}-{number} but no {stem}-{expected}",
                    wanted="the pieces are numbered without a gap",
                )
        self._members = [info for _, info in pieces]

    def restart(self) -> None:
        """Go back to the first sample."""
        self._close_member()
        self._byte_source.restart()
        self._next = 0
        self._damage_found = None

    def read_into(self, target: memoryview) -> int:
        """Fill a stretch of memory as far as there are bytes; 0 at the end only.

        Raises:
            InputError: a piece is damaged; all bytes before have been read.
        """
        if self._damage_found is not None:
            raise self._damage_found
        filled = 0
        while filled < len(target):
            if self._member is None:
                if self._next == len(self._members):
                    break
                with self._damage(self._members[self._next].filename):
                    self._member = self._zip.open(self._members[self._next])
                self._next += 1
            try:
                with self._damage(self._members[self._next - 1].filename):
                    piece = self._member.read(min(len(target) - filled, PIECE_BYTES))
                self._byte_source.count_unpacked(len(piece))
            except InputError as error:
                self._damage_found = error
                if not filled:
                    raise
                break
            if not piece:
                self._close_member()
                continue
            target[filled : filled + len(piece)] = piece
            filled += len(piece)
            self._byte_source.bytes_read = min(
                self._byte_source.stream.tell(), self._byte_source.bytes_total
            )
        return filled

    def _close_member(self) -> None:
        if self._member is not None:
            self._member.close()
            self._member = None

    @contextmanager
    def _damage(self, name: str) -> Iterator[None]:
        try:
            yield
        except _ZIP_ERRORS as error:
            raise InputError(
                file=self.file,
                place=name[:80],
                found=f"damaged data ({error})",
                wanted="what was read before is whole (--keep-going reads it)",
            ) from None


def _salvaged(source: ByteSource) -> SalvagedZip | None:
    try:
        return SalvagedZip(source.stream)
    except _ZIP_ERRORS:
        return None


def read_session(source: ByteSource, options: FormatOptions) -> SampleReader:
    """Read a session file's logic channels.

    Args:
        source: the file.
        options: how to read it.

    Raises:
        InputError: it is no ZIP, or its metadata are missing or malformed.
    """
    session = SessionSource(source, keep_going=options.keep_going)
    metadata = configparser.ConfigParser(
        strict=False, interpolation=None, delimiters=("=",), comment_prefixes=("#",)
    )
    try:
        metadata.read_string(session.text("metadata"))
    except configparser.Error as error:
        reason = str(error).splitlines()[0][:80]
        raise _wrong(session, f"no INI text ({reason})", "it has [device 1] and its keys") from None
    device = next((name for name in metadata.sections() if name.startswith("device")), None)
    if device is None:
        raise _wrong(session, "no section [device 1]", "it names the channels")
    values = metadata[device]
    analog = values.get("total analog", "0").strip()
    if "unitsize" not in values and analog not in ("", "0"):
        raise _wrong(
            session, f"{analog} analog channels and no others", "export the logic channels"
        )
    sample_bytes = _number(session, values, "unitsize", MAX_SAMPLE_BYTES)
    rate_hz = options.rate_hz
    if rate_hz is None:
        text = values.get("samplerate", "")
        if not text:
            raise _wrong(session, "no samplerate", "--in-rate 24MHz sets it")
        try:
            rate_hz = parse_rate_hz(text, name="samplerate", needs_unit=False)
        except InputError as error:
            raise _wrong(session, error.found or text, "--in-rate 24MHz sets it") from None
    session.choose_members(values.get("capturefile", "logic-1"))
    variables: list[Variable] = []
    for key, name in values.items():
        match = re.fullmatch(r"probe([0-9]{1,3})", key)
        if match is not None and 1 <= int(match.group(1)) <= min(8 * sample_bytes, MAX_SIGNALS):
            variables.append(Variable(name, 1, "channel", int(match.group(1)) - 1))
    variables.sort(key=lambda one: one.place)
    if not variables:
        raise _wrong(session, "no probe1=NAME", "the channels are named there")
    chosen = choose_signals(variables, options.signals, file=source.file)
    version = metadata.get("global", "sigrok version", fallback="")
    return SampleReader(
        session,
        SampleForm(sample_bytes, rate_hz),
        chosen=[type(one)(one.name, one.place, one.place) for one in chosen],
        info=CaptureInfo(
            file=source.file,
            format="sr",
            signals=tuple(SignalInfo(one.name, 1, one.kind) for one in variables),
            sample_rate_hz=rate_hz,
            tick="1 sample",
            written_by=f"sigrok {version}" if version else "",
            notes=() if analog in ("", "0") else (f"{analog} analog channels passed over",),
        ),
        places=[one.place for one in variables],
    )


def _wrong(session: SessionSource, found: str, wanted: str) -> InputError:
    return InputError(file=session.file, place="metadata", found=found, wanted=wanted)


def _number(
    session: SessionSource, values: configparser.SectionProxy, key: str, highest: int
) -> int:
    text = values.get(key, "").strip()
    if not re.fullmatch(r"[0-9]{1,4}", text) or not 1 <= int(text) <= highest:
        found = f"{key}={text[:20]}" if text else f"no {key}"
        raise _wrong(session, found, f"{key} is 1 to {highest}")
    return int(text)
