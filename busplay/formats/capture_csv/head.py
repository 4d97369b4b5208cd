"""What the head of a CSV capture says: separator, columns, names, the unit of time.

Analysers agree on little. There may be comments (`;` or `#`) with rate and channels, lines
of keys and values, a line of names, a line of units, or nothing before the first row. So the
first row is found first: the first line whose cells are numbers and levels. It fixes the
separator and the number of columns; the lines before it are searched; the
first rows say what the cells of each column look like.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from busplay.errors import InputError
from busplay.formats.capture_csv.column_names import (
    find_name_unit_ps,
    is_index_name,
    is_time_name,
    is_unit_word,
    unit_word_ps,
)
from busplay.formats.capture_csv.looks import (
    find_base,
    find_look,
    is_row,
    split_cells,
    told_channels,
)
from busplay.formats.quantities import UNIT_PS, find_timescale_ps, parse_rate_hz
from busplay.units import PS_PER_S

HEAD_BYTES = 1 << 16
LOOKED_ROWS = 200
OWN_UNITS = "each time's own unit"
_LOOKED_BELOW = 3
_NAME_RANGE = re.compile(r"(.+?)\s*\[\s*([0-9]{1,3})\s*(?::|\.\.|-)\s*([0-9]{1,3})\s*\]")
_RATE = re.compile(
    r"sampl\w*[ _-]?(?:rate|freq\w*)[^0-9:=,;]*[:=,;]?\s*([0-9.]+\s*[kMG]?(?:Hz|S/s|sps)?)",
    re.IGNORECASE,
)
_PERIOD = re.compile(
    r"sampl\w*[ _-]?(?:period|interval)\s*[:=,;]\s*([0-9.]+(?:e[+-]?[0-9]{1,2})?)"
    r"[\s,;]*([munp\N{MICRO SIGN}]?s)?\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class CsvColumn:
    """A column: what its cells are and which wires they hold.

    Attributes:
        name: as in the head.
        kind: `time`, `time with unit`, `level`, `bus` or `other`.
        bits: wires.
        left, right: the range of a bus, as named.
        base: of a bus's digits without a mark such as 0x.
    """

    name: str
    kind: str
    bits: int = 0
    left: int | None = None
    right: int | None = None
    base: int = 10


@dataclass(frozen=True, slots=True)
class CsvHead:
    """How to read the rows.

    Attributes:
        delimiter: between cells; a line feed if there is one column only.
        columns: in the order of the cells.
        rows_at: byte of the first row.
        tick_ps: what one unit of the time column is, or one row if there is none.
        tick: the same as text.
        zero_ps: the first time, if it is below 0, else 0.
        start_ps: what time 0 of the rows is in the file's own time, where a line says so.
        rate_hz: sampling rate, if it is known.
        written_by: the first comment.
        notes: what was assumed or passed over.
    """

    delimiter: str
    columns: tuple[CsvColumn, ...]
    rows_at: int
    tick_ps: Fraction
    tick: str
    zero_ps: int
    start_ps: int
    rate_hz: int | None
    written_by: str
    notes: tuple[str, ...]


def parse_head(head: bytes, *, rate_hz: int | None, timescale: str | None, file: str) -> CsvHead:
    """Find out how to read a CSV capture.

    Args:
        head: the first bytes, as UTF-8.
        rate_hz: samples in a second, if the user gives it; overrides the file's.
        timescale: unit of the times, if the user gives it.
        file: for messages.

    Raises:
        InputError: there is no row, no column of levels, or nothing that gives the time.
    """
    return _HeadParser(head, rate_hz, timescale, file).parse()


class _HeadParser:
    def __init__(self, head: bytes, rate_hz: int | None, timescale: str | None, file: str) -> None:
        self._file = file
        self._given_rate_hz = rate_hz
        self._timescale = timescale
        self._notes: list[str] = []
        lines = head.split(b"\n")
        if len(head) >= HEAD_BYTES and len(lines) > 1:
            lines.pop()
        self._lines = [_text(line).rstrip("\r") for line in lines]
        self._lines[0] = self._lines[0].removeprefix("\N{BYTE ORDER MARK}")
        self._sizes = [len(line) + 1 for line in lines]

    def parse(self) -> CsvHead:
        first, delimiter = self._find_first_row()
        rows = self._rows(first, delimiter)
        try:
            return self._head(first, delimiter, rows)
        except InputError:
            # One of the first rows may be damaged. The very first says what was meant; the
            # parser then says where the damage is.
            self._notes.clear()
            try:
                return self._head(first, delimiter, rows[:1])
            except InputError:
                self._notes.clear()
        return self._head(first, delimiter, rows)

    def _head(self, first: int, delimiter: str, rows: list[list[str]]) -> CsvHead:
        count = len(rows[0])
        told = [line for line in self._lines[:first] if line.strip()]
        comments = [line.strip("#; \t") for line in told if line.lstrip()[:1] in ("#", ";")]
        start = self._told_start(told, delimiter)
        titles = [
            cells[:count]
            for line in told
            if line.lstrip()[:1] != "#" and (line.lstrip()[:1] != ";" or delimiter == ";")
            if len(cells := split_cells(line, delimiter)) == count
            or cells[count:] == [""]
            or (start is not None and len(cells) > count and not any(map(_is_real, cells)))
        ]
        units = next((cells for cells in reversed(titles) if all(map(is_unit_word, cells))), None)
        by_column = [[row[place] for row in rows if place < len(row)] for place in range(count)]
        looks = [find_look(cells) for cells in by_column]
        if start is not None:
            titles = [cells for cells in titles if not any(map(_is_real, cells))]
        names = _best_title([cells for cells in titles if cells is not units], looks)
        rate_hz = self._given_rate_hz or self._told_rate(told)
        time_column = self._find_time_column(names, units, looks, count)
        columns = self._name_columns(names, units, looks, by_column, comments, time_column)
        if start is not None and self._timescale is None:
            tick_ps, tick = start[1], f"{float(start[1]):g} ps"
        else:
            tick_ps, tick = self._tick(names, units, rows, time_column, rate_hz)
        if tick == OWN_UNITS and time_column is not None:
            columns[time_column] = CsvColumn(columns[time_column].name, "time with unit")
        return CsvHead(
            delimiter=delimiter,
            columns=tuple(columns),
            rows_at=sum(self._sizes[:first]),
            tick_ps=tick_ps,
            tick=tick,
            zero_ps=self._zero_ps(rows, time_column, tick_ps),
            start_ps=0 if start is None else start[0],
            rate_hz=rate_hz,
            written_by=comments[0][:100] if comments else "",
            notes=tuple(self._notes),
        )

    def _find_first_row(self) -> tuple[int, str]:
        for number, line in enumerate(self._lines):
            text = line.strip()
            if not text or text[0] == "#":
                continue
            for delimiter in (";", "\t", ",", "\n"):
                if delimiter == "\n" and set(";,\t") & set(text):
                    continue
                cells = split_cells(line, delimiter)
                if (
                    (delimiter in text or delimiter == "\n")
                    and is_row(cells)
                    and not self._is_title(number, cells, delimiter)
                ):
                    return number, delimiter
        raise InputError(
            file=self._file,
            found="no row of numbers and levels",
            wanted="a CSV capture has rows such as 0.000125,1,0,1 with , ; or a tab between",
        )

    def _is_title(self, number: int, cells: list[str], delimiter: str) -> bool:
        """Return whether a line is the names of channels, such as `0,1,MOSI`, and no row.

        Names are words or other numbers where all rows below have levels.
        """
        below: list[list[str]] = []
        for line in self._lines[number + 1 :]:
            if line.strip() and line.lstrip()[0] != "#":
                below.append(split_cells(line, delimiter))
            if len(below) == _LOOKED_BELOW:
                break
        if not below or any(len(row) != len(cells) for row in below):
            return False
        for column, cell in enumerate(cells):
            looks = {find_look([row[column]]) for row in below}
            if find_look([cell]) in ("other", "hex") and not looks & {"other", "hex"}:
                return True
            is_channel = cell.isdecimal() and find_look([cell]) == "number"
            if len(below) > 1 and is_channel and looks == {"level"}:
                return True
        told = [told_channels(line.strip("#; \t")) for line in self._lines[:number]]
        return cells in told

    def _rows(self, first: int, delimiter: str) -> list[list[str]]:
        rows: list[list[str]] = []
        for line in self._lines[first : first + LOOKED_ROWS]:
            if line.strip() and line.lstrip()[0] != "#":
                rows.append(split_cells(line, delimiter))
        # A separator at the end of each row is no column.
        if len(rows[0]) > 1 and all(not row[-1] for row in rows if len(row) == len(rows[0])):
            named = any(
                len(cells := split_cells(line, delimiter)) == len(rows[0]) and cells[-1]
                for line in self._lines[:first]
            )
            if not named:
                rows[0].pop()
        return rows

    def _told_rate(self, told: Sequence[str]) -> int | None:
        for line in told:
            match = _RATE.search(line)
            if match is not None:
                try:
                    return parse_rate_hz(match.group(1).replace(" ", ""), needs_unit=False)
                except InputError:
                    continue
            match = _PERIOD.search(line)
            period_ps = None
            if match is not None:
                period_ps = find_timescale_ps(match.group(1) + (match.group(2) or "s"))
            if period_ps is not None and (PS_PER_S / period_ps).denominator == 1:
                return int(PS_PER_S / period_ps)
        return None

    def _told_start(self, told: Sequence[str], delimiter: str) -> tuple[int, Fraction] | None:
        """Find `Start` and `Increment` in a line of names, and their seconds in the next."""
        for line, values in pairwise(told):
            names = [cell.lower() for cell in split_cells(line, delimiter)]
            numbers = split_cells(values, delimiter)
            if "start" not in names or "increment" not in names:
                continue
            places = [names.index(name) for name in ("start", "increment")]
            if max(places) >= len(numbers):
                continue
            pair = [numbers[place] for place in places]
            if all(map(_is_real, pair)):
                start, tick = (Fraction(cell) * PS_PER_S for cell in pair)
                if abs(start) < 1 << 62 and 0 < tick < PS_PER_S and tick.denominator < 10**6:
                    return int(start), tick
        return None

    def _find_time_column(
        self,
        names: Sequence[str] | None,
        units: Sequence[str] | None,
        looks: Sequence[str],
        count: int,
    ) -> int | None:
        numeric = [column for column in range(count) if looks[column] not in ("other", "hex")]
        for column in numeric:
            if (units and unit_word_ps(units[column]) is not None) or (
                names and is_time_name(names[column])
            ):
                return column
        for column in numeric:
            if names and is_index_name(names[column]) and looks[column] == "number":
                return column
        if looks[0] in ("number", "time") and count > 1:
            self._notes.append("the first column is taken for the time")
            return 0
        return None

    def _name_columns(
        self,
        names: Sequence[str] | None,
        units: Sequence[str] | None,
        looks: Sequence[str],
        cells: Sequence[Sequence[str]],
        comments: Sequence[str],
        time_column: int | None,
    ) -> list[CsvColumn]:
        told: list[str] = []
        for comment in comments:
            told = told_channels(comment) or told
        marked = [word.lower() == "logic" for word in units] if units else []
        columns: list[CsvColumn] = []
        wires = 0
        passed: list[str] = []
        for column, look in enumerate(looks):
            name = names[column].strip() if names else ""
            if column == time_column:
                columns.append(CsvColumn(name or "time", "time"))
                continue
            if name.lower() in ("start", "increment") and not any(cells[column]):
                columns.append(CsvColumn(name, "other"))
                continue
            match = _NAME_RANGE.fullmatch(name)
            is_marked = not any(marked) or marked[column]
            if look == "level" and is_marked and match is None:
                if not name and wires < len(told):
                    name = told[wires]
                columns.append(CsvColumn(name or f"D{wires}", "level", 1))
                wires += 1
                continue
            bus = _bus(name or f"bus{wires}", match, cells[column])
            is_bus = bool(match) or look in ("bus", "hex") or bus.base != 10
            if look in ("bus", "hex", "level", "number") and is_marked and is_bus:
                columns.append(bus)
                wires += 1
                continue
            columns.append(CsvColumn(name, "other"))
            if not (names and (is_time_name(name) or is_index_name(name))):
                passed.append(name or f"column {column + 1}")
        if not wires:
            raise InputError(
                file=self._file,
                found=f"no column of levels among {', '.join(passed[:8]) or 'the cells'}",
                wanted="a wire's cells are 0 and 1; export the logic channels, not volts or text",
            )
        if passed:
            self._notes.append(f"passed over, as they are no levels: {', '.join(passed[:8])}")
        return columns

    def _tick(
        self,
        names: Sequence[str] | None,
        units: Sequence[str] | None,
        rows: Sequence[Sequence[str]],
        time_column: int | None,
        rate_hz: int | None,
    ) -> tuple[Fraction, str]:
        """Find what one unit of the time column is, or one row."""
        if self._timescale is not None:
            scale = find_timescale_ps(self._timescale)
            if scale is None:
                raise InputError(
                    found=f"timescale {self._timescale[:40]!r}",
                    wanted="write a number and s, ms, us, ns, ps or fs, such as 1ns",
                )
            return scale, self._timescale
        if time_column is not None:
            cells = [row[time_column].strip() for row in rows if time_column < len(row)]
            if find_look(cells) == "time":
                return UNIT_PS["s"], OWN_UNITS
            unit_ps = unit_word_ps(units[time_column]) if units else None
            if unit_ps is None and names:
                unit_ps = find_name_unit_ps(names[time_column])
            if unit_ps is not None:
                self._doubt_times(rows, time_column, unit_ps, rate_hz)
                return unit_ps, _unit_text(unit_ps)
            if any(set(".,eE") & set(cell) for cell in cells):
                self._notes.append("the times have no unit: seconds are assumed")
                return UNIT_PS["s"], "1 s"
            if names and is_time_name(names[time_column]) and rate_hz is not None:
                guess = _unit_by_rate(cells, rate_hz)
                if guess is not None:
                    unit_ps = UNIT_PS[guess]
                    self._notes.append(
                        f"the times have no unit: {guess}, since they advance by the"
                        " sampling period"
                    )
                    self._doubt_times(rows, time_column, unit_ps, rate_hz)
                    return unit_ps, f"1 {guess}"
        if rate_hz is None:
            what = (
                "times without a unit"
                if time_column is not None and names and is_time_name(names[time_column])
                else "sample numbers without a rate"
                if time_column is not None
                else "neither times nor a rate"
            )
            raise InputError(
                file=self._file,
                found=what,
                wanted="say how long a sample is, --in-rate 24MHz, or a unit of time,"
                " --in-timescale 1ns",
            )
        return Fraction(PS_PER_S, rate_hz), "1 sample"

    def _doubt_times(
        self,
        rows: Sequence[Sequence[str]],
        time_column: int,
        unit_ps: Fraction,
        rate_hz: int | None,
    ) -> None:
        """Note where times advance by a sampling period from which digits were cut off."""
        if rate_hz is None:
            return
        period = Fraction(PS_PER_S, rate_hz) / unit_ps
        cut = int(period)
        if period == cut or not cut:
            return
        cells = [row[time_column].strip() for row in rows if time_column < len(row)]
        if all(cell.isdigit() and int(cell) % cut == 0 for cell in cells) and len(cells) > 2:
            short = float(1 - cut / period)
            self._notes.append(
                f"the times advance by {cut} {_unit_text(unit_ps)[2:]}, but a sample takes"
                f" {float(period):.3f}: they are {short:.1%} too short"
            )

    def _zero_ps(
        self, rows: Sequence[Sequence[str]], time_column: int | None, tick_ps: Fraction
    ) -> int:
        if time_column is None:
            return 0
        cell = rows[0][time_column].strip().replace(",", ".")
        if find_look([cell]) == "time":
            digits = re.match(r"[^\sa-df-zA-DF-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]+", cell)
            unit = cell[len(digits.group()) :].strip().lower() if digits else ""
            cell, tick_ps = digits.group() if digits else "", UNIT_PS.get(unit, tick_ps)
        try:
            first = Fraction(cell) * tick_ps
        except (ValueError, ZeroDivisionError):
            return 0
        # Rounded like the rows: toward 0.
        return min(0, int(first)) if abs(first) < 1 << 62 else 0


def _text(line: bytes) -> str:
    """Read a line as UTF-8; what is none is of Windows, whose micro sign is one byte."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


def _is_real(cell: str) -> bool:
    return re.fullmatch(r"[+-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]{1,2})?", cell) is not None


def _best_title(titles: Sequence[list[str]], looks: Sequence[str]) -> list[str] | None:
    """Take the line that names columns: one that names a time, or the last with no cell empty."""

    def score(place: int) -> tuple[bool, bool, int]:
        cells = titles[place]
        has_time = any(
            look in ("number", "time") and (is_time_name(cell) or is_index_name(cell))
            for cell, look in zip(cells, looks, strict=True)
        )
        return has_time and all(cells), all(cells) and len(set(cells)) == len(cells), place

    return titles[max(range(len(titles)), key=score)] if titles else None


def _bus(name: str, match: re.Match[str] | None, cells: Sequence[str]) -> CsvColumn:
    if match is None:
        base, bits = find_base(cells, None)
        return CsvColumn(name, "bus", bits or 64, base=base)
    left, right = int(match.group(2)), int(match.group(3))
    bits = abs(left - right) + 1
    return CsvColumn(match.group(1), "bus", bits, left, right, find_base(cells, bits)[0])


def _unit_by_rate(cells: Sequence[str], rate_hz: int) -> str | None:
    """Find the unit in which whole times advance by the sampling period, its fraction cut off."""
    try:
        numbers = [int(cell) for cell in cells]
    except ValueError:
        return None
    gaps = [later - earlier for earlier, later in pairwise(numbers)]
    if not gaps:
        return None
    for unit in ("ps", "ns", "us", "ms", "s"):
        period = int(Fraction(PS_PER_S, rate_hz) / UNIT_PS[unit])
        if period >= 1 and all(gap % period == 0 for gap in gaps):
            return unit
    return None


def _unit_text(unit_ps: Fraction) -> str:
    names = {value: name for name, value in reversed(UNIT_PS.items())}
    return f"1 {names.get(unit_ps, 's')}"
