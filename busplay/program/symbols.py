"""Labels and source lines of a program's addresses, from any file that has them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path

from busplay.description.banks import Bank
from busplay.description.board import Window
from busplay.description.full_address import address_of, address_text
from busplay.errors import InputError
from busplay.program.debug_file import (
    DEBUG_SUFFIX,
    DebugInfo,
    SourceLine,
    is_debug_file,
    parse_debug_file,
)
from busplay.program.image import read_content
from busplay.program.label_names import Labels, last_part, routine_labels
from busplay.program.labels import NearestLabels, labels_for
from busplay.wording import counted


@dataclass(frozen=True, eq=False)
class ProgramSymbols:
    """Labels and source lines of a program's addresses.

    Addresses are full ones (`description.full_address`).

    Attributes:
        labels: full address to the labels there.
        debug: source lines, or None.
        banks: the board's.
    """

    labels: Labels
    debug: DebugInfo | None = None
    banks: Sequence[Bank] = ()

    @cached_property
    def _nearest(self) -> NearestLabels:
        return NearestLabels(self.labels, (), self.banks)

    @cached_property
    def _routines(self) -> NearestLabels:
        return NearestLabels(routine_labels(self.labels), (), self.banks)

    def name_of(self, address: int) -> str | None:
        """Name an address of code by the label at or before it: `draw`, `draw+12`."""
        return self._nearest.of_code(address)

    def routine_of(self, address: int) -> str | None:
        """Return the label at or before an address of code that is no local one of another."""
        start = self._routines.of_code(address)
        return None if start is None else start.partition("+")[0]

    def name_of_store(self, address: int, windows: Iterable[Window]) -> str | None:
        """Name an address that is stored to by the label before it in its window, or None."""
        spans = [(one.first_address, one.last_address) for one in windows]
        return NearestLabels(self.labels, spans, self.banks).of_store(address)

    def line_of(self, address: int) -> SourceLine | None:
        """Return the source line that made the byte at an address, or None."""
        return None if self.debug is None else self.debug.line_of(address)

    def names_at(self, address: int) -> tuple[str, ...]:
        """Return the labels that stand at an address."""
        return tuple(self.labels.get(address, self.labels.get(address_of(address), ())))

    def addresses_labelled(self, label: str) -> frozenset[int]:
        """Return every address that has a label; empty: there is no such label."""
        return frozenset(address for address, names in self.labels.items() if label in names)

    def address_of(self, label: str) -> int:
        """Return the address of a label.

        Raises:
            InputError: there is no such label, or it stands at several addresses.
        """
        return address_of_label(self.labels, label)

    def addresses_of(self, file: str, line: int) -> frozenset[int]:
        """Return where the code of a source line begins; errors as `DebugInfo.addresses_of`."""
        if self.debug is None:
            raise InputError(
                found=f"{file}:{line}",
                wanted="the program's lines are not known; link it with ld65 --dbgfile NAME.dbg",
            )
        return self.debug.addresses_of(file, line)


def address_of_label(labels: Labels, label: str) -> int:
    """Return the full address of a label, also by its name without that of its parent or scope.

    Raises:
        InputError: there is no such label, or it stands at several addresses.
    """
    found = [(full, label) for full, here in labels.items() if label in here]
    found = found or [
        (full, name) for full, here in labels.items() for name in here if last_part(name) == label
    ]
    if len(found) == 1:
        return found[0][0]
    if found:
        names = [name for _, name in found]
        raise InputError(
            found=f"label {label} at {', '.join(address_text(full) for full, _ in found)}",
            wanted=(
                f"name one of {', '.join(names)}"
                if len(set(names)) == len(names)
                else "give the address"
            ),
        )
    others = sorted({name for names in labels.values() for name in names})
    if near := get_close_matches(label, others):
        wanted = f"there is {', '.join(near)}"
    elif others:
        wanted = f"the program has {counted(len(others), 'other')}"
    else:
        wanted = "the program has no labels; give labels=, or NAME.lbl beside it"
    raise InputError(found=f"label {label!r}", wanted=wanted)


def find_symbols(
    program: Path | None, labels: Path | None = None, banks: Sequence[Bank] = ()
) -> ProgramSymbols:
    """Return a program's symbols, from the file given or from those beside it.

    Args:
        program: its file; None: there is none.
        labels: a list of labels, or ld65's debug file.
        banks: the board's.

    Raises:
        InputError: a file cannot be read, or is damaged.
    """
    names = labels_for(labels, program, banks)
    debug_path = None if program is None else program.with_suffix(DEBUG_SUFFIX)
    if labels is not None and is_debug_file(read_content(labels)):
        debug_path = labels
    if debug_path is None or not debug_path.is_file():
        return ProgramSymbols(names, banks=banks)
    debug = parse_debug_file(debug_path.read_bytes(), file=str(debug_path), banks=banks)
    return ProgramSymbols(names, debug, banks)
