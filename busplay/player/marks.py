"""Marks with notes, kept in a TOML file beside the trace, in order of time.

[[marks]]
cycle = 1200000
note = "the harbour light goes out"
"""

from __future__ import annotations

from bisect import insort
from dataclasses import dataclass
from pathlib import Path

from busplay.description.toml_reader import (
    NoSuchFileError,
    Table,
    is_plain,
    parse_toml,
    read_description_file,
)
from busplay.description.write_link import toml_string
from busplay.errors import InputError
from busplay.whole_file import write_whole_file

SUFFIX = ".marks.toml"
# The longest file is still one that can be read.
MARKS_MAX = 200
NOTE_CHARACTERS_MAX = 60
_CYCLE_MAX = 1 << 62


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """A cycle with a note.

    Attributes:
        cycle: processor cycle of the recording.
        note: one line of text; empty: none.
    """

    cycle: int
    note: str = ""


class Marks:
    """The marks of one recording, written to their file as soon as they change.

    Args:
        path: their file; None: they are not written.

    Raises:
        DescriptionError: the file exists and is not a list of marks.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self._marks: list[Mark] = []
        if path is not None:
            try:
                text = read_description_file(path)
            except NoSuchFileError:
                return
            self._marks = parse_marks(text, file=str(path))

    @classmethod
    def beside(cls, trace: Path) -> Marks:
        """Return the marks of a trace, kept beside it as `NAME.marks.toml`.

        Raises:
            DescriptionError: the file exists and is not a list of marks.
        """
        return cls(trace.with_name(trace.name + SUFFIX))

    def __len__(self) -> int:
        return len(self._marks)

    @property
    def all(self) -> tuple[Mark, ...]:
        """The marks, in order of time."""
        return tuple(self._marks)

    def add(self, cycle: int, note: str) -> None:
        """Add a mark, replacing one at the same cycle.

        Raises:
            InputError: there are too many.
            OutputError: the file cannot be written; the mark is kept until the window closes.
        """
        shown = "".join(letter for letter in note if letter.isprintable()).strip()
        kept = [mark for mark in self._marks if mark.cycle != cycle]
        if len(kept) >= MARKS_MAX:
            raise InputError(
                file=None if self.path is None else str(self.path),
                found=f"{MARKS_MAX} marks",
                wanted="remove one first",
            )
        insort(kept, Mark(cycle, shown[:NOTE_CHARACTERS_MAX]))
        self._marks = kept
        self._write()

    def remove(self, cycle: int) -> bool:
        """Remove the mark at a cycle; return whether there was one.

        Raises:
            OutputError: the file cannot be written.
        """
        kept = [mark for mark in self._marks if mark.cycle != cycle]
        if len(kept) == len(self._marks):
            return False
        self._marks = kept
        self._write()
        return True

    def beside_of(self, cycle: int, *, back: bool) -> Mark | None:
        """Return the last mark before a cycle, or the next after it, or None."""
        if back:
            return next((mark for mark in reversed(self._marks) if mark.cycle < cycle), None)
        return next((mark for mark in self._marks if mark.cycle > cycle), None)

    def _write(self) -> None:
        if self.path is not None:
            write_whole_file(self.path, marks_toml(self._marks).encode())


def marks_toml(marks: list[Mark]) -> str:
    """Return the text of a file of marks."""
    parts = [
        f"[[marks]]\ncycle = {mark.cycle}\nnote = {toml_string(mark.note)}\n" for mark in marks
    ]
    return "\n".join(parts)


def parse_marks(text: str, *, file: str) -> list[Mark]:
    """Parse a file of marks.

    Raises:
        DescriptionError: it is not a list of marks.
    """
    table = Table(parse_toml(text, file=file), file=file, keys=("marks",))
    tables = table.tables("marks", ("cycle", "note"))
    if len(tables) > MARKS_MAX:
        raise table.error("marks", found=f"{len(tables):,} marks", wanted=f"give {MARKS_MAX}")
    marks = []
    for one in tables:
        note = one.value("note") or ""
        if not isinstance(note, str) or len(note) > NOTE_CHARACTERS_MAX or not is_plain(note):
            raise one.error(
                "note",
                found="another note",
                wanted=f"give one line of up to {NOTE_CHARACTERS_MAX} characters, in quotes",
            )
        marks.append(Mark(one.integer("cycle", 0, _CYCLE_MAX), note))
    return sorted(marks)
