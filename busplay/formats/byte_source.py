"""A file's bytes, decompressed where needed, read from the start any number of times.

Memory stays small whatever the file unpacks to: gzip output is taken a part at a time, and
Zstandard is fed so little that even its densest block gives a few dozen MiB. So does time: a
file that unpacks to far more than captures do is refused at that point, since a bomb of 60 kB
would otherwise take hours to read.
"""

from __future__ import annotations

import codecs
import io
import stat
import zlib
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import BinaryIO

from busplay.errors import InputError

READ_BYTES = 1 << 18
# What compressed data may unpack to. Idle samples pack 1,030 to 1 with gzip, its best; small files
# may exceed it.
UNPACKED_RATIO_MOST = 1_100
UNPACKED_BYTES_FREE = 64_000_000
UNPACKED_BYTES_MOST = 1_000_000_000_000
ZSTD_READ_BYTES = 1 << 11
_GZIP_HEAD = b"\x1f\x8b"
_ZSTD_HEAD = b"\x28\xb5\x2f\xfd"
_PACKED_SUFFIXES = {".gz", ".zst", ".gzip", ".zstd"}
_UTF16_HEADS = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


class ByteSource:
    """A file to read from its start, again and again.

    Args:
        path: the file; it must be a plain one, as pipes can be read only once.
        max_unpacked_bytes: refuse compressed data that unpack to more; None: 1,100 times the
            file's size, or 64 MB for small ones.

    Attributes:
        file: its name, for messages.
        compression: `gzip`, `zstd`, or empty.
        stream: the file as stored, not unpacked.
        bytes_total: its length on disk.
        bytes_read: bytes of it that were read, on disk.
        cut_reason: set when compressed data turn out to end too early.

    Raises:
        InputError: the file cannot be opened, or is no plain file.
    """

    def __init__(self, path: str | Path, *, max_unpacked_bytes: int | None = None) -> None:
        self.file = str(path)
        require_plain_file(path)
        self.cut_reason = ""
        self.bytes_read = 0
        try:
            self.stream: BinaryIO = Path(path).open("rb", buffering=0)  # noqa: SIM115
            head = self.stream.read(4)
            self.bytes_total = self.stream.seek(0, 2)
        except (OSError, ValueError) as error:
            raise _cannot_be_read(error, self.file) from None
        ratio_bytes = min(UNPACKED_RATIO_MOST * self.bytes_total, UNPACKED_BYTES_MOST)
        self._unpacked_most = max_unpacked_bytes or max(UNPACKED_BYTES_FREE, ratio_bytes)
        self._unpacked_bytes = 0
        self.compression = ""
        if head.startswith(_GZIP_HEAD):
            self.compression = "gzip"
        elif head == _ZSTD_HEAD:
            self.compression = "zstd"
        self._text = False
        self._pieces: Iterator[bytes] = iter(())
        # A view, since a piece may have megabytes and is taken in small parts.
        self._waiting = memoryview(b"")
        self._is_plain = True
        self._damage: InputError | None = None
        self.restart()

    def restart(self, *, text: bool = False) -> None:
        """Go back to the start; with `text`, UTF-16 becomes UTF-8 on the way."""
        self.stream.seek(0)
        self.bytes_read = 0
        self.cut_reason = ""
        self._unpacked_bytes = 0
        self._damage = None
        self._waiting = memoryview(b"")
        self._is_plain = not self.compression
        self._pieces = self._unpacked()
        encoding = _UTF16_HEADS.get(self.head(2)) if text else None
        if encoding:
            self._pieces = _transcoded(chain([bytes(self._waiting)], self._pieces), encoding)
            self._waiting = memoryview(b"")
            self._is_plain = False

    def head(self, count: int) -> bytes:
        """Look at the next bytes without taking them."""
        while len(self._waiting) < count:
            try:
                piece = self._next_piece()
            except InputError:
                # What comes before the damage is read first; the next read raises again.
                if not self._waiting:
                    raise
                break
            if not piece:
                break
            self._waiting = memoryview(bytes(self._waiting) + piece)
        return bytes(self._waiting[:count])

    def read_into(self, target: memoryview) -> int:
        """Fill a stretch of memory as far as there are bytes; 0 at the end of the file only.

        Raises:
            InputError: reading fails, or compressed data are damaged; all bytes before have
                been read.
        """
        filled = 0
        while filled < len(target):
            if self._waiting:
                piece = self._waiting[: len(target) - filled]
                self._waiting = self._waiting[len(piece) :]
                target[filled : filled + len(piece)] = piece
                filled += len(piece)
            elif self._is_plain:
                count = self._read_plain(target[filled:])
                if not count:
                    break
                filled += count
            else:
                try:
                    self._waiting = memoryview(self._next_piece())
                except InputError:
                    if not filled:
                        raise
                    break
                if not self._waiting:
                    break
        return filled

    def chunks(self, count: int = 1 << 20) -> Iterator[bytes]:
        """Return the rest in pieces of at most that many bytes.

        Raises:
            InputError: as `read_into`.
        """
        buffer = bytearray(count)
        while True:
            filled = self.read_into(memoryview(buffer))
            if not filled:
                return
            yield bytes(buffer[:filled])

    def skip(self, count: int) -> None:
        """Skip `count` bytes."""
        buffer = bytearray(min(count, READ_BYTES))
        while count:
            filled = self.read_into(memoryview(buffer)[: min(count, len(buffer))])
            if not filled:
                return
            count -= filled

    def line_and_column(self, offset: int) -> str:
        """Return the place of a byte as `line:column`, by reading up to it; moves the reading."""
        self.restart(text=True)
        lines, last_line_at, passed = 1, 0, 0
        for chunk in self.chunks():
            part = chunk[: offset - passed]
            count = part.count(b"\n")
            if count:
                lines += count
                last_line_at = passed + part.rindex(b"\n") + 1
            passed += len(part)
            if passed >= offset:
                break
        return f"{lines}:{offset - last_line_at + 1}"

    def close(self) -> None:
        """Close the file."""
        self.stream.close()

    def _read_plain(self, target: memoryview) -> int:
        try:
            count: int = self.stream.readinto(target) or 0  # type: ignore[attr-defined]
        except OSError as error:
            raise _cannot_be_read(error, self.file) from None
        self.bytes_read += count
        return count

    def _read_file(self, count: int) -> bytes:
        buffer = bytearray(count)
        return bytes(buffer[: self._read_plain(memoryview(buffer))])

    def _next_piece(self) -> bytes:
        if self._damage is not None:
            raise self._damage
        try:
            for piece in self._pieces:
                if piece:
                    return piece
        except InputError as error:
            self._damage = error
            raise
        return b""

    def _unpacked(self) -> Iterator[bytes]:
        if self.compression == "gzip":
            return self._counted(self._gunzipped())
        if self.compression == "zstd":
            return self._counted(self._zstd_unpacked())
        return iter(lambda: self._read_file(READ_BYTES), b"")

    def count_unpacked(self, count: int) -> None:
        """Count bytes that were unpacked since the start, by this source or by its user.

        Raises:
            InputError: they are more than a file of this size may unpack to.
        """
        self._unpacked_bytes += count
        most = self._unpacked_most
        if self._unpacked_bytes > most:
            raise InputError(
                found=f"more than {most:,} bytes unpacked from a file of {self.bytes_total:,}",
                wanted=f"it may unpack to {most:,} (--max-unpacked {4 * most // 10**6}MB, or more,"
                " allows that)",
                file=self.file,
            )

    def _counted(self, pieces: Iterator[bytes]) -> Iterator[bytes]:
        for piece in pieces:
            # What is allowed of it is read first.
            yield piece[: max(0, self._unpacked_most - self._unpacked_bytes)]
            self.count_unpacked(len(piece))

    def _gunzipped(self) -> Iterator[bytes]:
        packed = self._read_file(READ_BYTES)
        is_first = True
        while packed:
            unpacker = zlib.decompressobj(wbits=31)
            has_begun = is_first
            while not unpacker.eof:
                if not packed:
                    self.cut_reason = "the gzip data end too early: the file was cut off"
                    return
                before = unpacker.copy()
                try:
                    piece = unpacker.decompress(packed, READ_BYTES * 4)
                except zlib.error as error:
                    if not has_begun:
                        self.cut_reason = "bytes that are no gzip data follow the gzip data"
                        return
                    yield from _until_damage(before, packed)
                    raise self._damaged(str(error)) from None
                if piece:
                    has_begun = True
                    yield piece
                packed = unpacker.unconsumed_tail or self._read_file(READ_BYTES)
            is_first = False
            # Some writers fill the last block of a medium with zeros.
            packed = (unpacker.unused_data + packed).lstrip(b"\0")

    def _zstd_unpacked(self) -> Iterator[bytes]:
        import zstandard

        packed = self._read_file(ZSTD_READ_BYTES)
        while packed:
            unpacker = zstandard.ZstdDecompressor(max_window_size=1 << 27).decompressobj()
            while not unpacker.eof:
                if not packed:
                    self.cut_reason = "the Zstandard data end too early: the file was cut off"
                    return
                try:
                    piece = unpacker.decompress(packed)
                except zstandard.ZstdError as error:
                    raise self._damaged(str(error)) from None
                if piece:
                    yield piece
                packed = self._read_file(ZSTD_READ_BYTES)
            packed = unpacker.unused_data + packed

    def _damaged(self, reason: str) -> InputError:
        return InputError(
            found=f"damaged {self.compression} data ({reason})",
            wanted="what was unpacked before is whole (--keep-going reads it)",
            file=self.file,
            place=f"before byte {self.bytes_read:,}",
        )


def require_plain_file(path: str | Path) -> None:
    """Refuse what is no plain file: opening a pipe would block silently.

    Raises:
        InputError: it is there and is a folder, a pipe or a device.
    """
    try:
        mode = Path(path).stat().st_mode
    except (OSError, ValueError) as error:
        raise _cannot_be_read(error, str(path)) from None
    if stat.S_ISDIR(mode):
        raise InputError("cannot be read: Is a directory", file=str(path))
    if not stat.S_ISREG(mode):
        kind = "a pipe" if stat.S_ISFIFO(mode) else "a device or socket"
        raise InputError(
            file=str(path),
            found=kind,
            wanted="this is read more than once: write it to a file, and give that",
        )


def _cannot_be_read(error: OSError | ValueError, file: str) -> InputError:
    reason = error.strerror if isinstance(error, OSError) else None
    return InputError(f"cannot be read: {reason or error}", file=file)


class UnpackedFile(io.RawIOBase):
    """A file as a stream of its unpacked bytes, for readers that take a stream.

    Raises:
        InputError: as `ByteSource`, also while it is read.
    """

    def __init__(self, path: str | Path, *, max_unpacked_bytes: int | None = None) -> None:
        super().__init__()
        self._source = ByteSource(path, max_unpacked_bytes=max_unpacked_bytes)

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, target: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill memory; a compressed file that ends too early is damaged."""
        count = self._source.read_into(memoryview(target).cast("B"))
        if not count and self._source.cut_reason:
            raise InputError(self._source.cut_reason, file=self._source.file)
        return count

    def close(self) -> None:
        """Close the file."""
        if not self.closed:
            self._source.close()
        super().close()


def open_unpacked(path: str | Path, *, max_unpacked_bytes: int | None = None) -> BinaryIO:
    """Open a file for reading, unpacked if it is compressed; limits as `ByteSource`.

    Raises:
        InputError: as `UnpackedFile`.
    """
    return io.BufferedReader(UnpackedFile(path, max_unpacked_bytes=max_unpacked_bytes), READ_BYTES)


def plain_suffix(path: Path) -> str:
    """Return a file's suffix in small letters, that of compression left out."""
    suffixes = [suffix.lower() for suffix in path.suffixes]
    while suffixes and suffixes[-1] in _PACKED_SUFFIXES:
        suffixes.pop()
    return suffixes[-1] if suffixes else ""


def _until_damage(unpacker: zlib._Decompress, packed: bytes) -> Iterator[bytes]:
    """Unpack byte by byte what comes before damage, which a larger step would lose."""
    try:
        for byte in packed:
            yield unpacker.decompress(bytes([byte]))
    except zlib.error:
        return


def _transcoded(pieces: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    for piece in pieces:
        yield decoder.decode(piece).encode("utf-8", "replace")
    yield decoder.decode(b"", final=True).encode("utf-8", "replace")
