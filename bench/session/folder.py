"""The session folder: append, resume, lock, data package."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import socket
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import SessionError
from bench.plan.schema import Plan, load_plan, parse_plan, recipe
from bench.session import disk, shapes
from bench.session import files as table_files
from bench.session.place import PLAN, find, no_session
from bench.session.plain import plain, same
from bench.session.store import TableStore, move_aside
from bench.session.tables import TABLES

if TYPE_CHECKING:
    import pandas as pd

PACKAGE = "datapackage.json"
LOG = "log.jsonl"
FIT = "fit.json"
LEVELS = "levels"
LOCK = ".session.lock"
HOLDER = ".session.holder"

_READING = re.compile(r"r(\d{1,9})")
_SAFE = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,79}")


def now_utc() -> datetime:
    """The clock of a session."""
    return datetime.now(UTC)


@dataclass
class Session:
    """A session folder, open.

    Make one with `create` or `open`. Reading needs no lock; `append` takes it when the caller has not.
    """

    path: Path
    plan: Plan
    now: Callable[[], datetime] = now_utc
    remarks: list[str] = field(default_factory=list, init=False, repr=False)
    """What was found amiss on opening and put right or left alone, for whoever uses the rows."""
    _depth: int = field(default=0, init=False, repr=False)
    _tables: TableStore = field(init=False, repr=False)
    _last_number: int | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        self._tables = TableStore(self.path)
        self._plan_bytes: bytes | None = None

    def plan_has_changed(self) -> bool:
        """Whether the plan's file has another text than when this was first asked; no file counts as none."""
        with suppress(OSError):
            found = (self.path / PLAN).read_bytes()
            self._plan_bytes = self._plan_bytes if self._plan_bytes is not None else found
            return found != self._plan_bytes
        return False

    # Making and opening

    @classmethod
    def create(
        cls,
        path: str | Path,
        plan_text: str,
        *,
        like: str | None = None,
        now: Callable[[], datetime] = now_utc,
    ) -> Session:
        """Make a session folder around a plan's text, whole or not at all.

        Raises
        ------
        PlanError
            The plan cannot be used; nothing was made.
        SessionError
            The folder is there already or cannot be made.
        """
        folder = find(path)
        if folder.exists():
            raise SessionError(
                f"{folder} is there already. Choose another name, or go on with it: measure, enter, take."
            )
        plan = parse_plan(plan_text, PLAN)
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            made = Path(tempfile.mkdtemp(prefix=".new-", dir=folder.parent))
        except OSError as problem:
            raise disk.cannot_write(folder, problem) from problem
        try:
            made.chmod(0o755)
            session = cls(made, plan, now)
            disk.write_whole(made / PLAN, plan_text)
            for name in ("sweeps", "traces"):
                (made / name).mkdir()
            for table in TABLES.values():
                session._tables.write_header(table)
            session.log("start", **({"like": like} if like else {}))
            session.refresh_package(name=folder.name)
            try:
                made.rename(folder)
            except OSError:
                if folder.exists():
                    raise SessionError(f"{folder} is there already. Choose another name.") from None
                raise
        except OSError as problem:
            raise disk.cannot_write(folder, problem) from problem
        finally:
            if made.exists():
                shutil.rmtree(made, ignore_errors=True)
        return cls(folder, plan, now)

    @classmethod
    def open(cls, path: str | Path, *, now: Callable[[], datetime] = now_utc) -> Session:
        """Open a session folder; a last line cut short by a crash is moved aside.

        Raises
        ------
        SessionError
            No such folder, or no session.
        PlanError
            Its plan cannot be used.
        """
        folder = find(path)
        if not folder.is_dir():
            raise SessionError(no_session(folder))
        if not (folder / PLAN).is_file():
            raise SessionError(
                f"{folder} is not a session folder: it has no {PLAN}. Make a session with `regenbench start`."
            )
        session = cls(folder, load_plan(folder / PLAN), now)
        if session._torn():
            try:
                with session.lock():
                    pass
            except SessionError:
                # Whoever holds the lock may be writing that very line; then it is not ours to move.
                session.remarks += [
                    f"{table.file}: the last line is not finished and was left out (another run may be writing it)."
                    for table in TABLES.values()
                    if disk.tail(folder / table.file)[1]
                ]
        return session

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.path.resolve().name

    @property
    def charts_dir(self) -> Path:
        """Folder of the charts, made when asked for."""
        return self._folder("charts")

    def _folder(self, name: str) -> Path:
        folder = self.path / name
        try:
            folder.mkdir(exist_ok=True)
        except OSError as problem:
            raise disk.cannot_write(folder, problem) from problem
        return folder

    # Lock

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Hold the session against other runs; may be nested.

        Raises
        ------
        SessionError
            Another run holds it (the message names it), or the folder cannot be written.
        """
        if self._depth:
            self._depth += 1
            try:
                yield
            finally:
                self._depth -= 1
            return
        from filelock import FileLock, Timeout

        lock = FileLock(self.path / LOCK, timeout=0)
        try:
            lock.acquire()
        except Timeout:
            raise SessionError(self._who_holds()) from None
        except (OSError, RuntimeError) as problem:
            if isinstance(problem, OSError):
                raise disk.cannot_write(self.path, problem) from problem
            raise SessionError(self._who_holds()) from problem
        self._depth = 1
        try:
            self._sign()
            self._last_number = None
            self._mend()
            yield
        finally:
            with suppress(SessionError):
                self.refresh_package()
            self._depth = 0
            with suppress(OSError):
                (self.path / HOLDER).unlink()
            lock.release()

    def _sign(self) -> None:
        words = [Path(sys.argv[0]).name, *sys.argv[1:2]] if sys.argv and sys.argv[0] else ["python"]
        facts = {
            "pid": os.getpid(),
            "host": socket.gethostname(),
            "command": " ".join(words),
            "since": table_files.time_text(self.now()),
        }
        disk.write_whole(self.path / HOLDER, json.dumps(facts))

    def _who_holds(self) -> str:
        who = "another run"
        with suppress(OSError, ValueError, KeyError, TypeError):
            facts = json.loads((self.path / HOLDER).read_text(encoding="utf-8"))
            who = f"`{facts['command']}` (process {facts['pid']} on {facts['host']}, since {facts['since']})"
        return f"Session {self.path} is held by {who}. Wait until it ends, or stop it with Ctrl-C; nothing was changed."

    def _torn(self) -> bool:
        return self._tables.torn() or bool(disk.tail(self.path / LOG)[1])

    def _mend(self) -> None:
        """Put right what a crash cut short; what is taken out is kept under ``log``."""
        moved = self._tables.mend(self.now)
        start, rest = disk.tail(self.path / LOG)
        if rest:
            try:
                json.loads(rest)
                disk.append(self.path / LOG, b"\n")
            except ValueError:
                moved.append(move_aside(self.path / LOG, start, rest, self.now()))
        for facts in moved:
            self.log("torn", **facts)
            if facts["file"] != LOG:
                self.remarks.append(
                    f"{facts['file']}: the last line was cut short or damaged and counts no more; it is kept in {facts['kept']}."
                )

    # Reading tables

    def rows(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table as dictionaries, withdrawn readings left out, empty cells None; not to be changed.

        Raises
        ------
        SessionError
            The table is damaged; the message names file and line.
        """
        held = self._tables.read(TABLES[table])
        if held.rows is None:
            held.rows = list(table_files.values(held.content, TABLES[table]))
        return list(held.rows)

    def lacks(self, table: str) -> list[str]:
        """Columns that a whole table has and this file has not; `rows` and `frame` give them empty."""
        header = self._tables.read(TABLES[table]).content.header
        return [name for name in TABLES[table].expected if name not in header]

    def frame(self, table: str) -> pd.DataFrame:
        """A table with typed columns, withdrawn readings left out.

        Numbers are float (NaN where empty), times UTC, texts object (None where empty), `withdrawn` bool.

        Raises
        ------
        SessionError
            The table is damaged; the message names file and line.
        """
        from bench.session.frames import frame

        return frame(self._tables.read(TABLES[table]).content, TABLES[table])

    # Recording

    def next_reading(self) -> str:
        """A name that no reading and no raw file of this session has."""
        if self._last_number is None or not self._depth:
            numbers = [self._last_number or 0]
            for table in TABLES.values():
                for text in self._tables.read(table).content.column("reading"):
                    if match := _READING.fullmatch(text):
                        numbers.append(int(match.group(1)))
            for folder in ("sweeps", "traces", LEVELS):
                with suppress(OSError):
                    for entry in os.scandir(self.path / folder):
                        if match := _READING.match(entry.name):
                            numbers.append(int(match.group(1)))
            self._last_number = max(numbers)
        self._last_number += 1
        return f"r{self._last_number:05d}"

    def append(self, table: str, row: Mapping[str, Any]) -> str:
        """Record one row; it is on the disk when this returns.

        Parameters
        ----------
        row : mapping
            Values by column; `reading`, `time` and `recipe` are filled in where they are left out.

        Returns
        -------
        str
            The reading's name.

        Raises
        ------
        SessionError
            A value is not of its column, another run holds the session, or the disk failed; then nothing was recorded.
        """
        declared = TABLES[table]
        for name in row:
            if declared.column(name) is None:
                raise SessionError(f"Table {table} has no column {name!r}; nothing was recorded.")
        with self.lock():
            filled = dict(row)
            filled["reading"] = filled.get("reading") or self.next_reading()
            filled["time"] = filled.get("time") or self.now()
            if not filled.get("withdrawn"):
                filled["recipe"] = filled.get("recipe") or recipe(self.plan, str(filled.get("coil")))
            if disk.tail(self.path / declared.file)[1]:
                # An editor saved the table without its last line end while the lock was held.
                self._mend()
            cells = {c.name: table_files.cell_text(c, filled.get(c.name)) for c in declared.columns}
            self._tables.append(declared, cells)
        return str(filled["reading"])

    def withdraw(self, table: str, reading: str, note: str = "") -> None:
        """Withdraw a reading: a row that names it is appended."""
        if reading not in self._tables.read(TABLES[table]).content.column("reading"):
            raise SessionError(f"There is no reading {reading[:40]!r} in {TABLES[table].file}.")
        if note:
            self.log("withdrawn", table=table, reading=reading, note=note)
        self.append(table, {"reading": reading, "withdrawn": True})

    def save_sweep(self, reading: str, f_hz: Any, s11: Any, notes: Iterable[str] = ()) -> str:
        """Keep a raw sweep as Touchstone 1.1; returns its path from the session folder."""
        from drivers.touchstone import sweep_text

        return self._save_raw("sweeps", reading, ".s1p", sweep_text(f_hz, s11, notes))

    def save_trace(self, reading: str, t_s: Any, angle_deg: Any, level_v: Any, mark: Any) -> str:
        """Keep a raw trace (equally long columns) as CSV; returns its path from the session folder."""
        from bench.session.tables import TRACE_COLUMNS

        def text(value: Any) -> str:
            number = float(value)
            return "" if math.isnan(number) else repr(number).removesuffix(".0")

        lines = [",".join(column.name for column in TRACE_COLUMNS)]
        lines += [",".join(map(text, row)) for row in zip(t_s, angle_deg, level_v, mark, strict=True)]
        return self._save_raw("traces", reading, ".csv", "\n".join([*lines, ""]))

    def save_level_sweep(self, reading: str, rows: Iterable[Sequence[float]]) -> str:
        """Keep a generator's sweep (rows as in `LEVEL_COLUMNS`) as CSV; returns its path from the session folder."""
        from bench.session.tables import LEVEL_COLUMNS

        lines = [",".join(column.name for column in LEVEL_COLUMNS)]
        lines += [",".join(repr(float(value)).removesuffix(".0") for value in row) for row in rows]
        return self._save_raw(LEVELS, reading, ".csv", "\n".join([*lines, ""]))

    def _save_raw(self, folder: str, reading: str, suffix: str, text: str) -> str:
        if not _SAFE.fullmatch(reading):
            raise SessionError(f"{reading[:40]!r} cannot name a file; nothing was recorded.")
        where = self._folder(folder)
        path, number = where / f"{reading}{suffix}", 1
        while path.exists():
            number += 1
            path = where / f"{reading}-{number}{suffix}"
        disk.write_whole(path, text)
        return f"{folder}/{path.name}"

    # The rest of the folder

    def log(self, event: str, **facts: Any) -> None:
        """Add a line to the log: what happened, and when."""
        line = {"time": table_files.time_text(self.now()), "event": event, **plain(facts)}
        disk.append(
            self.path / LOG,
            (json.dumps(line, ensure_ascii=False) + "\n").encode("utf-8", "replace"),
            sync=False,
        )

    def write_fit(self, fit: Mapping[str, Any]) -> dict[str, Any]:
        """Write `fit.json` whole, NaN as null, and return what it holds.

        A file that says the same already, but for `made_at` and the last digits another machine rounds otherwise, stays as it
        is and counts as made now.
        """
        new: dict[str, Any] = plain(fit)
        with suppress(SessionError):
            old = self.read_fit()
            if old is not None and same({**old, "made_at": None}, {**new, "made_at": None}):
                with suppress(OSError):
                    (self.path / FIT).touch()
                return old
        disk.write_whole(
            self.path / FIT, json.dumps(new, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        )
        return new

    def read_fit(self) -> dict[str, Any] | None:
        """What `fit.json` holds; None where there is none.

        Raises
        ------
        SessionError
            It is damaged.
        """
        path = self.path / FIT
        try:
            return shapes.read(path, "fit")
        except FileNotFoundError:
            return None
        except shapes.ShapeError as problem:
            raise SessionError(
                f"{path} is damaged ({problem}). Delete it and run `regenbench fit` again."
            ) from problem

    def refresh_package(self, name: str | None = None) -> None:
        """Write `datapackage.json` anew where the tables' columns are no longer what it says."""
        from bench.session.package import describe

        path = self.path / PACKAGE
        old: Any = None
        with suppress(OSError, ValueError, RecursionError):
            old = json.loads(path.read_text(encoding="utf-8"))
        headers: dict[str, tuple[str, ...]] = {}
        for table in TABLES.values():
            if (self.path / table.file).exists():
                with suppress(SessionError):
                    headers[table.name] = table_files.header_of(self.path / table.file, table)
        made = old.get("created") if isinstance(old, dict) else None
        new = describe(
            name or self.name,
            self.plan.receiver.name,
            headers,
            created=made if isinstance(made, str) else table_files.time_text(self.now()),
            levels=(self.path / LEVELS).is_dir(),
        )
        if new != old:
            disk.write_whole(path, json.dumps(new, indent=2, ensure_ascii=False) + "\n")
