"""Table text to rows and back.

RFC 4180, UTF-8, LF. What spreadsheets make of a table (CR LF, a byte order mark, no last line end) is read too.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench.errors import SessionError
from bench.session import disk
from bench.session.tables import Column, Table

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_NUMBERS = re.compile(rf"(?:(?:{_NUMBER.pattern})?\n)*", re.ASCII)
_RECIPE = re.compile(r"[0-9a-f]{8}")
# A spreadsheet runs a cell that begins so (some the full-width forms too); a leading apostrophe makes it text.
FORMULA_STARTS = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"
_FORMULA = re.compile(f"'*[{re.escape(FORMULA_STARTS)}]")
_ESCAPED = re.compile(f"'+[{re.escape(FORMULA_STARTS)}]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\u2028\u2029]+")
_LONGEST_CELL = 100_000


@dataclass(frozen=True)
class Damage:
    """What is wrong on one line of a table."""

    file: str
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.file}, line {self.line}: {self.what}"


@dataclass(frozen=True)
class Content:
    """A table's file, taken apart.

    Parameters
    ----------
    header : tuple of str
    lines : list of int
        Line number of each row.
    cells : list of list of str
        Each as long as the header.
    damage : list of Damage
        Lines that are no rows.
    """

    header: tuple[str, ...]
    lines: list[int]
    cells: list[list[str]]
    damage: list[Damage]

    def column(self, name: str) -> list[str]:
        """Cells of one column as written; empty texts where the file lacks it."""
        if name not in self.header:
            return [""] * len(self.cells)
        place = self.header.index(name)
        return [row[place] for row in self.cells]


def decode(raw: bytes, file: str) -> str:
    """Text of a table's file.

    Raises
    ------
    SessionError
        Not UTF-8; the message names the line.
    """
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        raise SessionError(
            f"{file}, line {line}: not UTF-8 text. Save the table as UTF-8, or take the line out and keep it elsewhere."
        ) from None


def take_apart(text: str, table: Table, file: str) -> Content:
    """Header and rows of a table's text; what is no row is named, not dropped in silence.

    A row may end before columns that a table may do without.

    Raises
    ------
    SessionError
        The first line is not the table's header.
    """
    lines = text.split("\n")
    if lines and lines[-1] == "":
        lines.pop()
    header = _header(lines, table, file)
    content = Content(header, [], [], [])
    spare = {column.name for column in table.columns if column.later}
    for number, cells in _records(lines, 1, content.damage, file):
        if not cells or cells == [""]:
            continue
        if spare.issuperset(header[len(cells) :]):
            cells = [*cells, *[""] * (len(header) - len(cells))]
        if len(cells) != len(header):
            content.damage.append(Damage(file, number, f"has {len(cells)} cells, the header {len(header)}"))
            continue
        content.lines.append(number)
        content.cells.append(cells)
    content.damage.sort(key=lambda damage: damage.line)
    return content


def _header(lines: Sequence[str], table: Table, file: str) -> tuple[str, ...]:
    try:
        header = tuple(next(csv.reader([lines[0].rstrip("\r")], strict=True))) if lines else ()
    except (csv.Error, StopIteration):
        header = ()
    shared = set(header) & set(table.header)
    if "reading" not in header or len(shared) < 3:
        raise SessionError(
            f"{file}, line 1: this is not the table's header. It begins {','.join(table.header[:5])}, …; "
            "cells are separated by commas."
        )
    lacks = [name for name in table.needed if name not in header]
    if lacks:
        raise SessionError(
            f"{file}, line 1: lacks the column {lacks[0]}, without which its rows cannot be understood. Write it into the "
            "header, with a cell (it may be empty) in every row."
        )
    if len(set(header)) != len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise SessionError(f"{file}, line 1: the column {twice[:40]!r} is there twice. Take one out.")
    return header


def _records(
    lines: Sequence[str], first: int, damage: list[Damage], file: str
) -> Iterator[tuple[int, list[str]]]:
    """Rows with the number of their first line; a row that cannot be parsed is named and the next line tried."""
    start = first
    while start < len(lines):
        reader = csv.reader((f"{line}\n" for line in lines[start:]), strict=True)
        before = 0
        try:
            for cells in reader:
                yield start + before + 1, cells
                before = reader.line_num
        except csv.Error as problem:
            damage.append(Damage(file, start + before + 1, f"its quotes do not match ({problem})"))
            start += before + 1
        else:
            return


def written(header: Sequence[str], row: Mapping[str, str]) -> str:
    """One line of a table, line end included."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerow([row.get(name, "") for name in header])
    return stream.getvalue()


def header_text(header: Sequence[str]) -> str:
    """A table's first line, line end included."""
    return written(header, dict(zip(header, header, strict=True)))


def cell_text(column: Column, value: Any) -> str:
    """A value as its cell: numbers in full precision, unknown (None, NaN) empty, free text harmless.

    Raises
    ------
    SessionError
        Not a value of this column.
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if column.type == "number":
        try:
            number = float(value)
        except (TypeError, ValueError):
            raise SessionError(
                f"{column.name}: {str(value)[:40]!r} is not a number; nothing was recorded."
            ) from None
        if math.isnan(number):
            return ""
        text = repr(number).removesuffix(".0")
    elif column.type == "boolean":
        return "true" if value else ""
    elif column.type == "datetime" and isinstance(value, datetime):
        return time_text(value)
    else:
        text = _CONTROL.sub(" ", str(value).encode("utf-8", "replace").decode("utf-8")).strip()[
            :_LONGEST_CELL
        ]
        if column.free:
            return f"'{text}" if _FORMULA.match(text) else text
    wrong = fault(column, text) if text else None
    if wrong:
        raise SessionError(f"{column.name}: {wrong}; nothing was recorded.")
    return text


def cell_value(column: Column, text: str) -> Any:
    """A sound cell as its value; empty is None."""
    if text == "":
        return None
    if column.type == "number":
        return float(text)
    if column.type == "boolean":
        return text == "true"
    return text[1:] if column.free and _ESCAPED.match(text) else text


def time_text(moment: datetime) -> str:
    """UTC with milliseconds and Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def fault(column: Column, text: str) -> str | None:
    """What is wrong with a cell that is not empty."""
    shown = text if len(text) <= 40 else f"{text[:37]}…"
    if column.type == "number":
        if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            return f"{shown!r} is not a number"
        if column.minimum is not None and float(text) < column.minimum:
            return f"{shown} is less than {column.minimum:g}"
    elif column.type == "datetime":
        try:
            if datetime.fromisoformat(text).tzinfo is None:
                return f"{shown!r} does not say UTC (a Z at its end)"
        except ValueError:
            return f"{shown!r} is not a time as 2026-01-31T19:30:00.000Z"
    elif column.type == "boolean" and text not in ("true", "false"):
        return f"{shown!r} is neither true nor empty"
    elif column.choices and text not in column.choices:
        return f"{shown!r} is not one of {', '.join(column.choices)}"
    elif column.name == "recipe" and not _RECIPE.fullmatch(text):
        return f"{shown!r} is not eight hexadecimal digits"
    return None


def faults(content: Content, table: Table, file: str) -> list[Damage]:
    """Every cell that is not of its column, and every line that is no row, in order of lines."""
    found = list(content.damage)
    for column in table.columns:
        if column.name not in content.header:
            continue
        cells = content.column(column.name)
        if _all_sound(column, cells):
            continue
        for line, text in zip(content.lines, cells, strict=True):
            wrong = fault(column, text) if text else None
            if wrong:
                found.append(Damage(file, line, f"{column.name}: {wrong}"))
    found.sort(key=lambda damage: damage.line)
    return found


def _all_sound(column: Column, cells: Sequence[str]) -> bool:
    """A quick look over a whole column: False asks for a slow one, cell by cell."""
    if column.type == "number":
        if not _NUMBERS.fullmatch("\n".join((*cells, ""))):
            return False
        numbers = [float(text) for text in cells if text]
        return all(map(math.isfinite, numbers)) and (
            column.minimum is None or not numbers or min(numbers) >= column.minimum
        )
    if column.type == "datetime":
        return False
    return all(not text or fault(column, text) is None for text in set(cells))


def withdrawn_rows(content: Content) -> list[bool]:
    """Which rows are withdrawals or name a withdrawn reading."""
    readings = content.column("reading")
    marks = [text == "true" for text in content.column("withdrawn")]
    gone = {reading for reading, mark in zip(readings, marks, strict=True) if mark}
    return [mark or reading in gone for reading, mark in zip(readings, marks, strict=True)]


def values(content: Content, table: Table) -> Iterator[dict[str, Any]]:
    """Sound rows as dictionaries, withdrawn readings left out; columns the file lacks are None."""
    places = [(c, content.header.index(c.name) if c.name in content.header else None) for c in table.columns]
    extra = [(name, place) for place, name in enumerate(content.header) if table.column(name) is None]
    for cells, gone in zip(content.cells, withdrawn_rows(content), strict=True):
        if gone:
            continue
        row = {c.name: None if place is None else cell_value(c, cells[place]) for c, place in places}
        row.update((name, cells[place] or None) for name, place in extra)
        yield row


def first_faults(found: Iterable[Damage]) -> str:
    """One line for a table that cannot be used: the first fault, how many more, and the next move."""
    every = list(found)
    more = f" ({len(every) - 1} more; `regenbench check` lists them)" if len(every) > 1 else ""
    return f"{every[0]}{more}. Correct the line, or take it out and keep it elsewhere."


def header_of(path: Path, table: Table) -> tuple[str, ...]:
    """Columns of a table's file, in its own order.

    Raises
    ------
    SessionError
        It cannot be read or its first line is not the table's header.
    """
    try:
        with path.open("rb") as stream:
            first = stream.readline(65536)
    except OSError as problem:
        raise disk.cannot_read(path, problem) from problem
    return _header(decode(first, str(path)).splitlines(), table, str(path))
