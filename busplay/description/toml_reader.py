"""A typed reader over TOML that can say where a value stood.

How to think about it. `read_description_file` and `parse_toml` turn foreign bytes into plain
tables, or raise. A `Table` is one of those tables with its place in the file; it is opened with the
keys that may stand in it, so that a misspelt key is reported before the right one is missed. Each
method (`integer`, `choice`, ...) returns a value of the type that its name says, or raises a
`DescriptionError` with file, place, what was found and what would be right.

Not here: what the values mean; `read_link` and `read_board` know that.
"""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Callable, Collection, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TypeVar

from busplay.errors import DescriptionError, printable

# A description is typed by a person; anything longer is the wrong file. The limits also bound
# the time of tomllib, which takes the square of a dotted key's parts: 6 s for 20,000 of them.
FILE_BYTES_MAX = 1 << 16
LINE_CHARACTERS_MAX = 5_000
SHOWN_CHARACTERS = 40
SHOWN_DIGITS = 20
SHOWN_REASON = 120


class NoSuchFileError(DescriptionError):
    """The file does not exist, so a caller can say what else the name could have been."""


Choice = TypeVar("Choice", bound=str)
KeysOf = Callable[[Mapping[str, object]], Collection[str]]


def read_description_file(path: Path, *, file: str | None = None) -> str:
    """Read a small text file that a user wrote.

    Args:
        path: where it is.
        file: what messages call it; the path by default.

    Raises:
        NoSuchFileError: it is missing.
        DescriptionError: it is a directory, unreadable, too long, or not UTF-8.
    """
    file = str(path) if file is None else file
    raw = read_described_bytes(path, file=file)
    try:
        # A byte order mark at the start is an editor's habit; it is ignored.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DescriptionError(
            file=file,
            place=f"byte {error.start:,}",
            found=f"{raw[error.start]:02X}, which is not UTF-8",
            wanted="save the file as UTF-8 text",
        ) from None


def read_described_bytes(path: Path, *, file: str, bytes_max: int = FILE_BYTES_MAX) -> bytes:
    """Read the bytes of a file that a description is, or names.

    Raises:
        NoSuchFileError: it is missing.
        DescriptionError: it is a directory, unreadable, or too long.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(bytes_max + 1)
    except FileNotFoundError:
        raise NoSuchFileError(
            file=file, found="no such file", wanted="give the path of a file"
        ) from None
    except (OSError, ValueError) as error:
        # Some systems say "permission denied" of a directory; a path may hold a NUL.
        if _is_directory(path):
            found, wanted = "a directory", "give the path of a file"
        else:
            found, wanted = _reason(error), "give the path of a file that can be read"
        raise DescriptionError(file=file, found=found, wanted=wanted) from None
    if len(raw) > bytes_max:
        raise DescriptionError(
            file=file,
            found=f"more than {bytes_max:,} bytes",
            wanted="a description is a small file, so give another",
        )
    return raw


def _is_directory(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, OSError):
        return (error.strerror or "an unreadable file").lower()
    return "a path that no file can have"


def parse_toml(text: str, *, file: str) -> dict[str, object]:
    """Parse TOML to plain tables.

    Raises:
        DescriptionError: it is not TOML; the place is line and column.
    """
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_CHARACTERS_MAX:
            raise DescriptionError(
                file=file,
                place=f"{number}:1",
                found=f"a line of {len(line):,} characters",
                wanted=f"give {LINE_CHARACTERS_MAX:,} or fewer",
            )
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(text, str(error), file=file) from None
    except RecursionError:
        raise DescriptionError(
            file=file,
            found="arrays or tables nested too deeply",
            wanted="a description nests four deep at most",
        ) from None
    except ValueError:
        # Python refuses to turn thousands of decimal digits into a number.
        raise DescriptionError(
            file=file,
            found="a number of thousands of digits",
            wanted="TOML's numbers have up to 64 bits",
        ) from None


def _syntax_error(text: str, told: str, *, file: str) -> DescriptionError:
    match = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", told)
    reason = told[: match.start()] if match else told
    # tomllib counts lines of text with CR LF joined, as here.
    lines = text.replace("\r\n", "\n").split("\n")
    if match and match[1]:
        line, column = int(match[1]), int(match[2])
        found = show_string(lines[line - 1].strip())
    else:
        line, column = len(lines), len(lines[-1]) + 1
        found = "the end of the file"
    reason = reason[:1].lower() + reason[1:SHOWN_REASON]
    return DescriptionError(
        file=file, place=f"{line}:{column}", found=found, wanted=f"not TOML: {reason}"
    )


def show_string(text: str) -> str:
    """Quote the user's text for a message: one short line without control characters."""
    shown = printable(text[:SHOWN_CHARACTERS].replace("\\", "\\\\").replace('"', '\\"'))
    return f'"{shown}{"..." if len(text) > SHOWN_CHARACTERS else ""}"'


def show_number(value: int) -> str:
    """Write a whole number for a message; a huge one by its length only."""
    if abs(value) >= 10**SHOWN_DIGITS:
        return f"a number of {value.bit_length():,} bits"
    return str(value)


def show_address(value: int) -> str:
    """Write an address or offset as 6502 programmers do: $4000."""
    if not 0 <= value < 1 << 64:
        return show_number(value)
    return f"${value:04X}"


def show_value(value: object) -> str:
    """Return what a TOML value is, with its type in TOML's own words."""
    if isinstance(value, bool):
        return f"{str(value).lower()}, a boolean"
    if isinstance(value, int):
        return show_number(value)
    if isinstance(value, float):
        return f"{value}, a float"
    if isinstance(value, str):
        return f"{show_string(value)}, a string"
    if isinstance(value, list):
        return f"an array of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (datetime.date, datetime.time)):
        return "a date or time"
    return "nothing"


def nearest(text: str, among: Collection[str]) -> str | None:
    """Find the one of `among` that was most likely meant."""
    # Comparing costs the product of the lengths; no name of ours is that long.
    if len(text) > SHOWN_CHARACTERS:
        return None
    return next(iter(get_close_matches(text.lower(), among, n=1)), None)


def did_you_mean(text: str, among: Collection[str], *, otherwise: str) -> str:
    """Ask whether the nearest name was meant, or say what else helps where none is near."""
    likely = nearest(text, among)
    return f"did you mean {likely}?" if likely else otherwise


def one_of(options: Collection[str], *, quoted: bool = True) -> str:
    """List options for a message: `"a", "b" or "c"`."""
    shown = [f'"{one}"' if quoted else one for one in options]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"


def is_plain(text: str, *, lines: bool = False) -> bool:
    """Return whether a text can go to a terminal as it is."""
    return all(one.isprintable() or (lines and one == "\n") for one in text)


class Table:
    """One table of a description file, with its place.

    Args:
        values: what tomllib gave.
        file: what messages call the file.
        place: the table's place, empty for the file itself.
        keys: every key that may stand in the table.

    Raises:
        DescriptionError: a key stands in the table that is not known there.
    """

    def __init__(
        self, values: Mapping[str, object], *, file: str, place: str = "", keys: Collection[str]
    ) -> None:
        self._values = values
        self.file = file
        self.place = place
        self._keys = keys
        for key in values:
            if key not in keys:
                raise self.error(
                    key,
                    found="a key that is not known here",
                    wanted=did_you_mean(key, keys, otherwise=f"give {one_of(keys, quoted=False)}"),
                )

    def place_of(self, key: str = "") -> str:
        """Return the place of one of the table's keys, or of the table itself."""
        if not key:
            return self.place
        plain = re.fullmatch(r"[A-Za-z0-9_-]{1,40}(\[\d+\])?", key)
        shown = key if plain else show_string(key)
        return f"{self.place}.{shown}" if self.place else shown

    def error(
        self, key: str = "", *, found: str, wanted: str, message: str = ""
    ) -> DescriptionError:
        """Make the error for one of the table's keys, or for the table itself."""
        return DescriptionError(
            message, file=self.file, place=self.place_of(key) or None, found=found, wanted=wanted
        )

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def _get(self, key: str) -> object:
        if key not in self._keys:
            raise ValueError(f"table {self.place!r} was opened without the key {key!r}")
        return self._values.get(key)

    def value(self, key: str) -> object:
        """Return whatever the key holds, None where it is missing; the caller checks its type."""
        return self._get(key)

    def _mismatch(self, key: str, wanted: str) -> DescriptionError:
        return self.error(key, found=show_value(self._values.get(key)), wanted=wanted)

    # -- plain values

    def integer(
        self,
        key: str,
        first: int,
        last: int,
        *,
        default: int | None = None,
        address: bool = False,
        hint: str = "",
        replace_wanted: str = "",
    ) -> int:
        """Return a whole number from `first` to `last`, both included.

        Args:
            key: its name in this table.
            first, last: the range.
            default: the value when the key is missing; None: it must be there.
            address: messages show it as $4000.
            hint: added to what would be right.
            replace_wanted: said instead of the range.
        """
        found = self._get(key)
        if found is None and default is not None:
            return default
        show = show_address if address else show_number
        span = (
            show(first) if first == last else f"a whole number from {show(first)} to {show(last)}"
        )
        wanted = replace_wanted or f"give {span}{hint}"
        if isinstance(found, bool) or not isinstance(found, int):
            raise self._mismatch(key, wanted)
        if not first <= found <= last:
            raise self.error(key, found=show(found), wanted=wanted)
        return found

    def boolean(self, key: str) -> bool:
        """Return true or false."""
        found = self._get(key)
        if not isinstance(found, bool):
            raise self._mismatch(key, "give true or false")
        return found

    def text(
        self, key: str, *, wanted: str, default: str | None = None, last_length: int = 200
    ) -> str:
        """Return a string of one line, not empty."""
        found = self._get(key)
        if found is None and default is not None:
            return default
        if not isinstance(found, str) or not found.strip():
            raise self._mismatch(key, wanted)
        if len(found) > last_length:
            raise self.error(
                key,
                found=f"{len(found):,} characters",
                wanted=f"give {last_length} or fewer",
            )
        if not is_plain(found):
            raise self.error(
                key,
                found=show_string(found),
                wanted="give one line without control characters",
            )
        return found

    def prose(self, key: str) -> str:
        """Return a string of any number of lines, empty when the key is missing."""
        found = self._get(key)
        if found is None:
            return ""
        if not isinstance(found, str):
            raise self._mismatch(key, "give a text in quotes")
        if len(found) > 4000:
            raise self.error(key, found=f"{len(found):,} characters", wanted="give 4000 or fewer")
        if not is_plain(found, lines=True):
            raise self.error(
                key, found=show_string(found), wanted="give a text without control characters"
            )
        return found.strip()

    def choice(
        self, key: str, options: tuple[Choice, ...], *, default: Choice | None = None
    ) -> Choice:
        """Return one of a few strings, written in capitals or not."""
        found = self._get(key)
        if found is None and default is not None:
            return default
        if isinstance(found, str):
            for option in options:
                if option == found.lower():
                    return option
            raise self.error(key, found=show_string(found), wanted=f"give {one_of(options)}")
        raise self._mismatch(key, f"give {one_of(options)}, in quotes")

    # -- several values

    def _array(self, key: str, wanted: str) -> list[object] | None:
        found = self._get(key)
        if found is None:
            return None
        if not isinstance(found, list):
            raise self._mismatch(key, wanted)
        return found

    def integers(self, key: str, first: int, last: int, *, wanted: str) -> tuple[int, ...]:
        """Return an array of whole numbers, at least one."""
        found = self._array(key, wanted)
        if not found:
            raise self._mismatch(key, wanted)
        for index, value in enumerate(found):
            if isinstance(value, bool) or not isinstance(value, int) or not first <= value <= last:
                raise self.error(
                    f"{key}[{index}]",
                    found=show_value(value),
                    wanted=f"give a whole number from {first} to {last}",
                )
        return tuple(value for value in found if isinstance(value, int))

    def optional_strings(self, key: str, *, wanted: str) -> tuple[str, ...] | None:
        """Return an array of strings, at least one, or None when the key is missing."""
        found = self._array(key, wanted)
        if found is None:
            return None
        if not found:
            raise self._mismatch(key, wanted)
        for index, value in enumerate(found):
            if not isinstance(value, str):
                raise self.error(f"{key}[{index}]", found=show_value(value), wanted=wanted)
        return tuple(value for value in found if isinstance(value, str))

    def is_array(self, key: str) -> bool:
        """Return whether the key holds an array, so that a reader can take either form."""
        return isinstance(self._get(key), list)

    # -- tables below

    def optional_table(self, key: str, keys: Collection[str]) -> Table | None:
        """Open a table below this one; None when it is missing."""
        found = self._get(key)
        if found is None:
            return None
        if not isinstance(found, dict):
            raise self._mismatch(key, f"give a table [{self.place_of(key)}]")
        return Table(found, file=self.file, place=self.place_of(key), keys=keys)

    def table(self, key: str, keys: Collection[str]) -> Table:
        """Open a table below this one that must be there."""
        found = self.optional_table(key, keys)
        if found is None:
            raise self._mismatch(key, f"give a table [{self.place_of(key)}]")
        return found

    def tables(self, key: str, keys: Collection[str] | KeysOf) -> list[Table]:
        """Open each table of an array of tables; none when the key is missing.

        Args:
            keys: every key that may stand in a table, or what returns them for its values.
        """
        wanted = f"give an array of tables, each headed [[{self.place_of(key)}]]"
        found = self._array(key, wanted)
        opened = []
        for index, value in enumerate(found or ()):
            place = f"{self.place_of(key)}[{index}]"
            if not isinstance(value, dict):
                raise DescriptionError(
                    file=self.file, place=place, found=show_value(value), wanted=wanted
                )
            own = keys(value) if callable(keys) else keys
            opened.append(Table(value, file=self.file, place=place, keys=own))
        return opened

    def named_tables(self, key: str, keys: Collection[str]) -> dict[str, Table]:
        """Open each table below `key` by its name; none when the key is missing."""
        wanted = f"give tables headed [{self.place_of(key)}.NAME]"
        found = self._get(key)
        if found is None:
            return {}
        if not isinstance(found, dict):
            raise self._mismatch(key, wanted)
        holder = Table(found, file=self.file, place=self.place_of(key), keys=tuple(found))
        opened = {}
        for name in found:
            if not isinstance(found[name], dict):
                raise holder._mismatch(name, wanted)
            opened[name] = holder.table(name, keys)
        return opened

    def present_keys(self) -> tuple[str, ...]:
        """List the keys that stand in the table, in the file's order."""
        return tuple(self._values)
