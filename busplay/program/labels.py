"""Read lists of labels from assemblers and linkers.

# Read in: listings made by ld65 2.19 (-Ln), 64tass 1.58 (-l), xa65 2.3.14 (-l), acme 0.97 (-l)

| tool | line |
| --- | --- |
| ld65 | `al 000200 .start` |
| 64tass | `start = $0200` |
| xa65 | `start, 0x0200, 0, 0x0000` |
| acme | `start = $200 ; unused` |

ELF files have labels in their symbol table, and ld65's debug files (`debug_file`) have them too. A
list may mix its kinds. `=` lines list constants too; those whose value is not an address (a string,
a negative or larger number) are left out. Local labels are named as `label_names` says. A label in
banked memory may have its page: `draw = 3:$8010`; one without a page names its address in every
page.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from contextlib import suppress
from io import BytesIO
from pathlib import Path

from busplay.description.banks import Bank
from busplay.description.full_address import (
    address_of,
    bank_of,
    full_address,
    page_of,
    parse_address,
    require_page,
)
from busplay.errors import InputError
from busplay.program.debug_file import (
    DEBUG_SUFFIX,
    is_debug_file,
    parse_debug_file,
    parse_debug_labels,
)
from busplay.program.label_names import Labels as Labels
from busplay.program.label_names import is_made_up, named_with_parents

LABEL_SUFFIXES = (".lbl", ".labels", DEBUG_SUFFIX)

_MAX_FILE_BYTES = 1 << 24
# Where an address has several, a function's name is the best.
_ELF_LABELS = ("STT_FUNC", "STT_OBJECT", "STT_NOTYPE")
_ELF = b"\x7fELF"
_LD65 = re.compile(r"al\s+(?:C:)?(?P<hex>[0-9A-Fa-f]+)\s+\.?(?P<name>\S+)$")
_XA65 = re.compile(r"(?P<name>[^\s,]+)\s*,\s*0x(?P<hex>[0-9A-Fa-f]+)\s*,")
_EQUALS = re.compile(r"(?P<name>[^\s=:]+)\s*:?=\s*(?P<value>[^\s;].*?)\s*(?:;.*)?$")
_NUMBER = re.compile(r"\$(?P<hex>[0-9A-Fa-f]+)$|(?P<decimal>[0-9]+)$|%(?P<binary>[01]+)$")


def read_labels(path: str | Path, banks: Sequence[Bank] = ()) -> dict[int, tuple[str, ...]]:
    """Read a file of labels: full address to the labels there.

    A list beside its debug file has the local labels' parents from that.

    Args:
        path: the file.
        banks: the board's; a label elsewhere has no page.

    Raises:
        InputError: the file cannot be read or is damaged, a line is of none of the four kinds, or
            a bank has no such page.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(_MAX_FILE_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", file=str(path)) from error
    debug_path = path.with_suffix(DEBUG_SUFFIX)
    known: Labels = {}
    if debug_path != path and debug_path.is_file() and not content.startswith(_ELF):
        # What was found by itself, and cannot be read, keeps nobody from using the list.
        with suppress(InputError, OSError):
            known = parse_debug_labels(debug_path.read_bytes(), file=str(debug_path))
    return parse_labels(content, file=str(path), banks=banks, known=known)


def parse_labels(
    content: bytes, *, file: str, banks: Sequence[Bank] = (), known: Labels | None = None
) -> dict[int, tuple[str, ...]]:
    """Parse a file of labels; errors as for `read_labels`.

    Args:
        content: of the file.
        file: its name, for messages.
        banks: the board's.
        known: names of local labels with their parents, where they are known.
    """
    if is_debug_file(content):
        return parse_debug_file(content, file=file, banks=banks).labels
    if content.startswith(_ELF):
        return named_with_parents(_parse_elf(content, file))
    if len(content) > _MAX_FILE_BYTES:
        raise InputError(
            found=f"more than {_MAX_FILE_BYTES:,} bytes",
            wanted="a list of labels is shorter",
            file=file,
        )
    names: dict[int, list[str]] = {}
    for number, raw in enumerate(content.removeprefix(b"\xef\xbb\xbf").splitlines(), 1):
        line = raw.decode("utf-8", "replace").strip()
        if not line or line.startswith(";"):
            continue
        address, name = _parse_line(line, file, f"line {number}")
        if address is not None:
            address = _in_banks(address, banks, file, f"line {number}")
        if address is not None and name not in names.setdefault(address, []):
            names[address].append(name)
    return named_with_parents({at: tuple(found) for at, found in names.items()}, known)


def _parse_line(line: str, file: str, place: str) -> tuple[int | None, str]:
    """Return a line's address, None if it is a constant, and its name."""
    if match := _LD65.match(line) or _XA65.match(line):
        address = int(match["hex"], 16)
        if address > 0xFFFF:
            raise InputError(
                found=f"{match['name']} at ${address:X}",
                wanted="the 6502 has addresses $0000 to $FFFF",
                file=file,
                place=place,
            )
        return address, match["name"]
    if match := _EQUALS.match(line):
        paged = parse_address(match["value"])
        if page_of(paged) is not None:
            return paged, match["name"]
        value = _NUMBER.match(match["value"])
        if value is None:
            return None, match["name"]
        digits, base = next(
            (value[name], base)
            for name, base in (("hex", 16), ("decimal", 10), ("binary", 2))
            if value[name]
        )
        # Long numbers are not addresses, and Python refuses to convert the longest ones.
        significant = digits.lstrip("0") or "0"
        address = int(significant, base) if len(significant) <= 16 else -1
        return (address if 0 <= address <= 0xFFFF else None), match["name"]
    raise InputError(
        found=repr(line[:60]),
        wanted="a label is `al 000200 .start` (ld65), `start = $0200` (64tass, acme)"
        " or `start, 0x0200, 0, 0x0000` (xa65)",
        file=file,
        place=place,
    )


def _in_banks(full: int, banks: Sequence[Bank], file: str, place: str) -> int:
    """Return a label's full address; outside of banked memory it has no page."""
    if bank_of(address_of(full), banks) is None:
        return address_of(full)
    try:
        return require_page(full, banks)
    except InputError as error:
        raise InputError(file=file, place=place, found=error.found, wanted=error.wanted) from None


def find_labels_beside(image_path: str | Path, *, has_banks: bool = False) -> Path | None:
    """Return the file of labels of a program, or None.

    It is NAME.lbl, NAME.labels or NAME.dbg beside it, or the program itself if that is an ELF
    file. With banks NAME.dbg goes first, as it has the labels' pages; see `labels_for`.
    """
    image_path = Path(image_path)
    for suffix in reversed(LABEL_SUFFIXES) if has_banks else LABEL_SUFFIXES:
        beside = image_path.with_suffix(suffix)
        if beside != image_path and beside.is_file():
            return beside
    try:
        with image_path.open("rb") as stream:
            is_elf = stream.read(len(_ELF)) == _ELF
    except OSError:
        is_elf = False
    return image_path if is_elf else None


def _parse_elf(content: bytes, file: str) -> dict[int, tuple[str, ...]]:
    """Return the symbols of an ELF file that are in a section, except files and sections."""
    from elftools.elf.elffile import ELFFile
    from elftools.elf.sections import SymbolTableSection

    found: list[tuple[int, int, str]] = []
    try:
        for section in ELFFile(BytesIO(content)).iter_sections():
            if not isinstance(section, SymbolTableSection):
                continue
            for symbol in section.iter_symbols():
                address, kind = int(symbol["st_value"]), symbol["st_info"]["type"]
                is_placed = isinstance(symbol["st_shndx"], int)
                if symbol.name and is_placed and kind in _ELF_LABELS and address <= 0xFFFF:
                    found.append((address, _ELF_LABELS.index(kind), str(symbol.name)))
    except Exception as error:  # the ELF reader raises many kinds on damage
        raise InputError(
            f"the ELF file is damaged or cut off ({type(error).__name__}: {error}); link it anew",
            file=file,
        ) from error
    names: dict[int, dict[str, None]] = {}
    for address, _, name in sorted(found, key=lambda one: one[:2]):
        names.setdefault(address, {})[name] = None
    return {address: tuple(some) for address, some in names.items()}


def labels_for(
    given: str | Path | None, program: str | Path | None, banks: Sequence[Bank] = ()
) -> Labels:
    """Read labels from a file, else from the one beside the program; empty without either.

    Args:
        banks: the board's.

    Raises:
        InputError: they cannot be read.
    """
    if given is not None:
        return read_labels(given, banks)
    path = None if program is None else find_labels_beside(program, has_banks=bool(banks))
    if path is None:
        return {}
    labels = read_labels(path, banks)
    if banks and path.suffix == DEBUG_SUFFIX:
        return {**_listed_beside(path, banks), **labels}
    return labels


def _listed_beside(debug_path: Path, banks: Sequence[Bank]) -> Labels:
    """Return labels of the list beside a debug file, those in banked memory left out.

    A list has the labels of libraries too, which a debug file has not, but no pages.
    """
    for suffix in LABEL_SUFFIXES:
        beside = debug_path.with_suffix(suffix)
        if beside != debug_path and beside.is_file():
            # As in `read_labels`: what was found by itself keeps nobody from using the rest.
            with suppress(InputError):
                listed = read_labels(beside, banks)
                return {at: names for at, names in listed.items() if bank_of(at, banks) is None}
    return {}


class NearestLabels:
    """Names of full addresses by the label at or before them: `draw`, `draw+12`.

    In banked memory a label of the same page and bank goes before one without a page. Where there
    are others, labels that compilers and linkers make up (`L0034`, `__BSS_SIZE__`) name nothing.

    Args:
        labels: as from `read_labels`; None: there are none.
        windows: first and last address of each window.
        banks: the board's.
    """

    def __init__(
        self,
        labels: Labels | None,
        windows: Iterable[tuple[int, int]] = (),
        banks: Sequence[Bank] = (),
    ) -> None:
        known = dict(labels or {})
        given = {address: _names_given(names) for address, names in known.items()}
        self._labels = {address: names for address, names in given.items() if names} or known
        self._starts = sorted(self._labels)
        self._windows = tuple(windows)
        self._banks = banks

    def of_code(self, address: int) -> str | None:
        """Name an instruction's address; None: there is no label before it."""
        start = self._start(address)
        if start is None:
            return None
        name = self._labels[start][0]
        away = address_of(address) - address_of(start)
        return name if not away else f"{name}+{away}"

    def of_store(self, address: int | None) -> str | None:
        """Name a store's address; a label extends only to the end of its window."""
        start = None if address is None else self._start(address)
        if address is None or start is None:
            return None
        low, high = address_of(start), address_of(address)
        if low != high and not any(first <= low and high <= last for first, last in self._windows):
            return None
        return self.of_code(address)

    def _start(self, full: int) -> int | None:
        """Return the full address of the label at or before one."""
        page = page_of(full)
        if page is not None:
            bank = bank_of(address_of(full), self._banks)
            first = full if bank is None else full_address(bank.first_address, page)
            index = bisect_right(self._starts, full)
            if index and self._starts[index - 1] >= first:
                return self._starts[index - 1]
        address = address_of(full)
        index = bisect_right(self._starts, address)
        return self._starts[index - 1] if index else None


def _names_given(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return those of an address's labels that a person gave."""
    return tuple(name for name in names if not is_made_up(name))
