"""Every lost store, as a CSV file: gathered while the pipeline runs, named at its end.

A store's instruction is found by a rerun of the program, so the rows wait in an unnamed temporary
file until the run is over. Then they are sorted by time and written.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Self

import numpy as np
from numpy.typing import NDArray

from busplay.losses.losses import NO_CYCLE, Losses
from busplay.losses.lost_stores import LossNames, LostStore
from busplay.whole_file import no_way_to_write, place_beside

COLUMNS = (
    "cause",
    "cycle",
    "cycle_is_exact",
    "edge",
    "address",
    "page",
    "address_label",
    "data",
    "pc",
    "pc_page",
    "label",
    "receiver_busy",
)
ROWS_AT_ONCE = 1 << 13

_ROW = np.dtype(
    [
        ("cause", "u1"),
        ("busy", "u1"),
        ("address", "<u2"),
        ("edge", "<u8"),
        ("cycle", "<u8"),
        ("word", "<u8"),
    ]
)


class LossFile:
    """Gathers losses and writes them; leaving the context drops what is not written.

    Args:
        path: the CSV file.

    Raises:
        OutputError: nothing can be written there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows = 0
        try:
            # A device's folder is no place for temporary files.
            folder = None if path.exists() and not path.is_file() else path.parent
            self._rows: IO[bytes] = TemporaryFile(dir=folder)  # noqa: SIM115 - closed below
        except OSError as error:
            raise no_way_to_write(path, error) from error

    def add(self, losses: Losses) -> None:
        """Keep losses; for a pipeline's `watch_losses`.

        Raises:
            OutputError: the disk is full.
        """
        rows = np.empty(len(losses), _ROW)
        for name in _ROW.names or ():
            rows[name] = getattr(losses, name)
        try:
            self._rows.write(rows.tobytes())
        except OSError as error:
            raise no_way_to_write(self.path, error) from error
        self.rows += len(losses)

    def write(self, names: LossNames, *, on_rows: Callable[[int], object] = lambda _: None) -> None:
        """Write the file, in order of time.

        Args:
            names: of the pipeline that lost them.
            on_rows: called with the count of rows written.

        Raises:
            OutputError: it cannot be written; an existing file stays as it was.
        """
        try:
            self._rows.flush()
            rows: NDArray[np.void] = np.empty(0, _ROW)
            if self.rows:
                rows = np.memmap(self._rows, _ROW, "r")
            with (
                place_beside(self.path) as beside,
                beside.open("w", newline="", encoding="utf-8") as stream,
            ):
                write_losses(stream, rows, names, on_rows=on_rows)
        except OSError as error:
            raise no_way_to_write(self.path, error) from error

    def close(self) -> None:
        """Drop what was gathered."""
        self._rows.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def write_losses(
    stream: io.TextIOBase | IO[str],
    rows: NDArray[np.void],
    names: LossNames,
    *,
    on_rows: Callable[[int], object],
) -> None:
    """Write rows as CSV in order of their cycles, or of their edges if cycles are not known."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    known = rows["cycle"] != NO_CYCLE
    order = np.argsort(rows["cycle" if known.all() else "edge"], kind="stable")
    for first in range(0, len(rows), ROWS_AT_ONCE):
        some = rows[order[first : first + ROWS_AT_ONCE]]
        losses = Losses(**{name: some[name] for name in _ROW.names or ()})
        writer.writerows(as_row(one) for one in names.describe(losses))
        on_rows(len(some))


def as_row(one: LostStore) -> list[str | int]:
    """Return a lost store's columns; unknown ones are empty."""
    return [
        one.cause.name.lower(),
        one.cycle,
        "yes" if one.cycle_is_exact else "no",
        one.edge,
        "" if one.address is None else f"0x{one.address:04X}",
        "" if one.page is None else one.page,
        one.address_label or "",
        f"0x{one.data:02X}",
        "" if one.pc is None else f"0x{one.pc:04X}",
        "" if one.pc_page is None else one.pc_page,
        one.label or "",
        "+".join(one.receiver_busy),
    ]
