"""A session's tables on the disk: read with a memory, append durably, mend what a crash cut short."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from bench.errors import SessionError
from bench.session import disk
from bench.session import files as table_files
from bench.session.tables import TABLES, Table

MOST_TABLE_BYTES = 256 * 1024 * 1024


@dataclass
class Held:
    """A table as last read: the file's size and time then, its content, and its rows once asked for."""

    signature: tuple[int, int]
    content: table_files.Content
    rows: list[dict[str, Any]] | None = None


@dataclass
class TableStore:
    """The tables of one session folder. The caller holds the session's lock for everything but reading."""

    path: Path
    _held: dict[str, Held] = field(default_factory=dict, init=False, repr=False)

    def read(self, table: Table) -> Held:
        """A table, parsed again only where its file has changed.

        Raises
        ------
        SessionError
            It is damaged; the message names file and line.
        """
        path = self.path / table.file
        try:
            status = path.stat()
        except FileNotFoundError:
            return Held((0, 0), table_files.Content(table.header, [], [], []), [])
        except OSError as problem:
            raise disk.cannot_read(path, problem) from problem
        signature = (status.st_size, status.st_mtime_ns)
        held = self._held.get(table.name)
        if held is not None and held.signature == signature:
            return held
        content = read_table(path, table, str(path))
        faults = table_files.faults(content, table, str(path))
        if faults:
            raise SessionError(table_files.first_faults(faults))
        held = self._held[table.name] = Held(signature, content)
        return held

    def append(self, table: Table, cells: Mapping[str, str]) -> None:
        """Add one row of cells in the file's own order of columns; it is on the disk when this returns."""
        path = self.path / table.file
        if not path.exists():
            self.write_header(table)
        held = self.read(table)
        header = held.content.header
        lacks = [
            name for name, text in cells.items() if text and name not in header and not _later(table, name)
        ]
        if lacks:
            raise SessionError(
                f"{path} has no column {lacks[0]!r}. Add it at the end of the first line; nothing was recorded."
            )
        disk.append(path, table_files.written(header, cells).encode("utf-8"))
        if cells.get("withdrawn"):
            self._held.pop(table.name, None)
            return
        row = [cells.get(name, "") for name in header]
        held.content.lines.append((held.content.lines[-1] if held.content.lines else 1) + 1)
        held.content.cells.append(row)
        if held.rows is not None:
            held.rows.extend(table_files.values(table_files.Content(header, [0], [row], []), table))
        status = path.stat()
        held.signature = (status.st_size, status.st_mtime_ns)
        self._held[table.name] = held

    def write_header(self, table: Table) -> None:
        """Begin a table's file."""
        disk.write_whole(self.path / table.file, table_files.header_text(table.header))

    def torn(self) -> bool:
        """Whether some table does not end with a line end."""
        return any(disk.tail(self.path / table.file)[1] for table in TABLES.values())

    def mend(self, now: Callable[[], datetime]) -> list[dict[str, Any]]:
        """Move half lines aside and give a whole last line the end it lacks; returns what was moved, for the log."""
        moved: list[dict[str, Any]] = []
        for table in TABLES.values():
            path = self.path / table.file
            start, rest = disk.tail(path)
            if not rest or start == 0:
                continue
            if _whole_row(path, table, rest):
                disk.append(path, b"\n")
            else:
                moved.append(move_aside(path, start, rest, now()))
        return moved


def move_aside(path: Path, start: int, rest: bytes, moment: datetime) -> dict[str, Any]:
    """Keep a half line in a file of its own under ``log`` and shorten the table to its last whole line."""
    stamp = table_files.time_text(moment).replace(":", "").replace("-", "").replace(".", "")
    folder = path.parent / "log"
    try:
        folder.mkdir(exist_ok=True)
    except OSError as problem:
        raise disk.cannot_write(folder, problem) from problem
    aside = folder / f"{path.stem}-{stamp}.torn"
    disk.append(aside, rest)
    disk.cut(path, start)
    return {"file": path.name, "bytes": len(rest), "kept": f"log/{aside.name}"}


def _whole_row(path: Path, table: Table, rest: bytes) -> bool:
    """Whether bytes without a line end are a whole, sound row all the same, as an editor may leave it."""
    with suppress(SessionError):
        header = table_files.header_text(table_files.header_of(path, table))
        content = table_files.take_apart(header + table_files.decode(rest, path.name), table, path.name)
        return len(content.cells) == 1 and not table_files.faults(content, table, path.name)
    return False


def read_table(path: Path, table: Table, file: str) -> table_files.Content:
    """A table's file, taken apart; a half last line that another run may be writing is left out.

    Raises
    ------
    SessionError
        It cannot be read, is too large, is not UTF-8, or does not begin with the table's header.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(MOST_TABLE_BYTES + 1)
    except OSError as problem:
        raise disk.cannot_read(file, problem) from problem
    if len(raw) > MOST_TABLE_BYTES:
        raise SessionError(f"{file} is larger than a table can be ({MOST_TABLE_BYTES >> 20} MB).")
    body, end, last = raw.rpartition(b"\n")
    if end and last and not _whole_row(path, table, last):
        raw = body + end
    return table_files.take_apart(table_files.decode(raw, file), table, file)


def _later(table: Table, name: str) -> bool:
    """Whether a table may do without this column: what belongs there is then not kept."""
    column = table.column(name)
    return column is not None and column.later
