"""Is every file of a session whole and every row valid: faults that must be put right, remarks that need not."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from bench.errors import PlanError, SessionError
from bench.plan.schema import Plan, coil_name, load_plan, recipe
from bench.session import calibrations, disk, shaft, shapes
from bench.session import files as table_files
from bench.session.files import Content, Damage
from bench.session.folder import FIT, LEVELS, LOG, PACKAGE, Session
from bench.session.place import PLAN, find
from bench.session.plausible import unlikely
from bench.session.store import read_table
from bench.session.tables import LEVEL_COLUMNS, TABLES, TRACE_COLUMNS, Column, Table
from drivers.errors import SweepFileError

_BESIDE = re.compile(r"-(search\d*|raw|drawn-back)$")
_RAW = (("sweep", "sweeps"), ("trace", "traces"))
# Files in each folder of raw data, but for Touchstone: what their columns are.
_PLACES: dict[str, tuple[Column, ...] | None] = {
    "sweeps": None,
    "traces": TRACE_COLUMNS,
    LEVELS: LEVEL_COLUMNS,
}


@dataclass
class Report:
    """What a check found: a line for each file, faults, and remarks."""

    path: Path
    files: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def check_session(name: str | Path) -> Report:
    """Look at every file of a session.

    Raises
    ------
    SessionError
        There is no such session at all.
    """
    folder = find(name)
    report = Report(folder)
    cut_short = [file for file in _ending_files() if _unfinished(folder / file)] if folder.is_dir() else []
    plan = None
    try:
        plan = _opened(name, folder).plan
        report.files.append("plan.toml: sound")
    except PlanError as problem:
        report.faults += str(problem).split("\n")
    for file in cut_short:
        rest = _unfinished(folder / file)
        report.remarks.append(
            f"{file}: the last line is not finished; another run may be writing it"
            if rest
            else f"{file}: the last line lacked its end; it was finished, or moved to {folder / 'log'}"
        )
    named: set[str] = set()
    for table in TABLES.values():
        _check_table(report, folder, table, plan, named)
    _check_raw(report, folder, named)
    _check_calibrations(report, folder)
    _check_json(report, folder)
    return report


def _unfinished(path: Path) -> bytes:
    """What stands after the last line end; nothing where the file cannot be read, which is told of the file itself."""
    try:
        return disk.tail(path)[1]
    except SessionError:
        return b""


def _opened(name: str | Path, folder: Path) -> Session:
    """The session; a table or log that cannot even be looked at must not keep the rest from being checked."""
    try:
        return Session.open(name)
    except SessionError:
        if not (folder / PLAN).is_file():
            raise
        return Session(folder, load_plan(folder / PLAN))


def _ending_files() -> Iterator[str]:
    yield from (table.file for table in TABLES.values())
    yield LOG


def _check_table(report: Report, folder: Path, table: Table, plan: Plan | None, named: set[str]) -> None:
    path = folder / table.file
    if not path.exists():
        report.remarks.append(f"{table.file} is not there; it is made when a row is recorded")
        return
    try:
        content = read_table(path, table, table.file)
    except SessionError as problem:
        report.faults.append(str(problem))
        return
    faults = [*table_files.faults(content, table, table.file), *_row_faults(content, table)]
    faults += unlikely(content, table, plan, {damage.line for damage in faults})
    report.faults += [str(damage) for damage in sorted(faults, key=lambda damage: damage.line)]
    expected = table.expected
    lacks = [name for name in expected if name not in content.header]
    if lacks:
        report.faults.append(f"{table.file}, line 1: lacks the column {lacks[0]}")
    elif content.header[: len(expected)] != expected:
        report.remarks.append(f"{table.file}, line 1: the columns are not in their usual order")
    gone = sum(table_files.withdrawn_rows(content))
    marks = sum(text == "true" for text in content.column("withdrawn"))
    rows = len(content.cells) - marks
    withdrawn = f", {gone - marks} withdrawn" if gone else ""
    report.files.append(
        f"{table.file}: {rows} rows{withdrawn}{'' if not faults else f', {len(faults)} faults'}"
    )
    report.remarks += _row_remarks(content, table, plan)
    report.remarks += _twice(content, table)
    for column, _ in _RAW:
        named.update(text for text in content.column(column) if text)
        report.faults += _raw_faults(content, table, column, folder)


def _row_faults(content: Content, table: Table) -> Iterator[Damage]:
    """Rows whose cells are sound one by one but not together."""
    data = [name for name in content.header if name not in ("reading", "time", "withdrawn", "note")]
    places = [content.header.index(name) for name in data]
    sound: set[str] = set()
    columns = (content.column(name) for name in ("reading", "coil", "withdrawn"))
    for line, cells, reading, coil, mark in zip(content.lines, content.cells, *columns, strict=True):
        if mark == "true":
            if not reading:
                yield Damage(table.file, line, "withdraws a reading but does not name it")
            elif any(cells[place] for place in places):
                yield Damage(table.file, line, "withdraws a reading, so its other cells must be empty")
        elif not coil:
            yield Damage(table.file, line, "names no coil")
        elif coil not in sound:
            try:
                sound.add(coil_name(coil))
            except ValueError as problem:
                yield Damage(table.file, line, f"coil {coil[:60]!r}: {problem}")


def _row_remarks(content: Content, table: Table, plan: Plan | None) -> Iterator[str]:
    for column in table.columns:
        # what this program writes is harmless already; a table made elsewhere may not be
        if column.type == "string":
            for line, text in zip(content.lines, content.column(column.name), strict=True):
                if text[:1] in table_files.FORMULA_STARTS and text != "" and column.name != "coil":
                    yield (
                        f"{table.file}, line {line}: {column.name} begins with {text[0]!r}, which a spreadsheet would run as a "
                        "formula; put an apostrophe before it"
                    )
    readings = content.column("reading")
    marks = content.column("withdrawn")
    seen: dict[str, int] = {}
    for line, reading, mark in zip(content.lines, readings, marks, strict=True):
        if mark == "true" or not reading:
            continue
        if reading in seen:
            yield f"{table.file}, line {line}: reading {reading} is on line {seen[reading]} too"
        seen.setdefault(reading, line)
    for line, reading, mark in zip(content.lines, readings, marks, strict=True):
        if mark == "true" and reading and reading not in seen:
            yield f"{table.file}, line {line}: withdraws {reading}, which is not there"
    if plan is None:
        return
    present = {coil.name: recipe(plan, coil.name) for coil in plan.coil}
    unknown: dict[str, int] = {}
    unlike: dict[str, int] = {}
    taken_back = {reading for reading, mark in zip(readings, marks, strict=True) if mark == "true"}
    for reading, coil, row_recipe in zip(
        readings, content.column("coil"), content.column("recipe"), strict=True
    ):
        if reading in taken_back or not coil:
            continue
        if coil not in present:
            unknown[coil] = unknown.get(coil, 0) + 1
        elif row_recipe and row_recipe != present[coil]:
            unlike[coil] = unlike.get(coil, 0) + 1
    for coil, count in unknown.items():
        yield f'{table.file}: {count} rows of a coil "{coil}" that the plan does not have'
    for coil, count in unlike.items():
        yield (
            f"{table.file}: {count} rows of coil {coil} are of another recipe than the plan's present one; if only the plan was "
            "wrong, `regenbench carry` lets them count"
        )


def _twice(content: Content, table: Table) -> Iterator[str]:
    """Rows that stand, and say the same of the same millisecond: of a run that was killed while one was to take the other's place."""
    gone = table_files.withdrawn_rows(content)
    own = [place for place, name in enumerate(content.header) if name not in ("reading", "note")]
    at = content.column("time")
    seen: dict[tuple[str, ...], str] = {}
    for line, cells, reading, out, moment in zip(
        content.lines, content.cells, content.column("reading"), gone, at, strict=True
    ):
        if out or not reading or not moment:
            continue
        first = seen.setdefault(tuple(cells[place] for place in own), reading)
        if first != reading:
            yield (
                f"{table.file}, line {line}: reading {reading} is {first} again but for its note; if it is one reading, "
                f"withdraw {first}, or it counts twice"
            )


def _raw_faults(content: Content, table: Table, column: str, folder: Path) -> Iterator[str]:
    """Sweeps and traces that rows name: there, inside the session, and whole."""
    base = folder.resolve()
    for line, text in zip(content.lines, content.column(column), strict=True):
        if not text:
            continue
        where = f"{table.file}, line {line}: {column} {text[:80]}"
        try:
            target = (folder / text).resolve()
            if not target.is_relative_to(base):
                yield f"{where} is outside the session folder"
            elif not target.is_file():
                yield f"{where} is not there"
        except (OSError, ValueError):
            yield f"{where} is no file name"


def _check_raw(report: Report, folder: Path, named: set[str]) -> None:
    for place, columns in _PLACES.items():
        try:
            files = sorted(path for path in (folder / place).iterdir() if not path.name.startswith("."))
        except OSError:
            continue
        # The sweeps that looked for a resonance, and raw ones, stand beside the one that the row names.
        spare = [path for path in files if f"{place}/{_BESIDE.sub('', path.stem)}{path.suffix}" not in named]
        if spare:
            report.remarks.append(
                f"{place}/: {len(spare)} files that no row names, such as {spare[0].name}; a reading was broken off there"
            )
        wrong = [
            fault
            for path in files
            if (
                fault := _sweep_fault(path, f"{place}/{path.name}")
                if columns is None
                else _columns_fault(path, f"{place}/{path.name}", columns)
            )
        ]
        report.faults += wrong
        if files:
            report.files.append(
                f"{place}/: {len(files)} files{'' if not wrong else f', {len(wrong)} damaged'}"
            )


def _check_calibrations(report: Report, folder: Path) -> None:
    root = folder / calibrations.FOLDER
    if not root.is_dir():
        return
    places = sorted(path for path in root.glob("c*") if path.is_dir())
    whole = [path for path in places if (path / calibrations.FACTS).exists()]
    for path in whole:
        try:
            calibrations.read(path).sweeps()
        except SessionError as problem:
            report.faults.append(str(problem))
    try:
        calibrations.changed_at_in(root)
    except SessionError as problem:
        report.faults.append(str(problem))
    if len(whole) < len(places):
        broken_off = next(path for path in places if path not in whole)
        report.remarks.append(
            f"{calibrations.FOLDER}/: {len(places) - len(whole)} without {calibrations.FACTS}, such as {broken_off.name}; "
            "it was broken off and does not count"
        )
    if whole:
        report.files.append(f"{calibrations.FOLDER}/: {len(whole)}")


def _sweep_fault(path: Path, file: str) -> str | None:
    from drivers.touchstone import read_sweep

    try:
        read_sweep(path)
    except SweepFileError as problem:
        return f"{file}: {str(problem).removeprefix(f'{path}: ')}"
    return None


def _columns_fault(path: Path, file: str, columns: tuple[Column, ...]) -> str | None:
    header = [column.name for column in columns]
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except (OSError, UnicodeDecodeError) as problem:
        return f"{file} cannot be read ({problem})"
    if lines[0].split(",")[: len(header)] != header:
        return f"{file}, line 1: the header is not {','.join(header)}"
    if lines[-1] != "":
        return f"{file}, line {len(lines)}: the last line is not finished"
    for number, line in enumerate(lines[1:-1], start=2):
        cells = line.split(",")
        if len(cells) < len(header):
            return f"{file}, line {number}: has {len(cells)} cells, not {len(header)}"
        for column, text in zip(columns, cells, strict=False):
            wrong = table_files.fault(column, text) if text else None
            if wrong:
                return f"{file}, line {number}: {column.name}: {wrong}"
    return None


def _check_json(report: Report, folder: Path) -> None:
    files: tuple[tuple[str, shapes.FileName, str], ...] = (
        (PACKAGE, "package", "delete it; the next run writes it anew."),
        (FIT, "fit", "delete it and run `regenbench fit` again."),
    )
    for file, what, next_move in files:
        try:
            shapes.read(folder / file, what)
            report.files.append(f"{file}: sound")
        except FileNotFoundError:
            continue
        except shapes.ShapeError as problem:
            report.faults.append(f"{file} is damaged ({problem}): {next_move}")
    try:
        shaft.read(folder / shaft.FILE)
        report.files.append(f"{shaft.FILE}: sound")
    except FileNotFoundError:
        pass
    except SessionError as problem:
        report.faults.append(str(problem))
    report.faults += _log_faults(folder / LOG)


def _log_faults(path: Path) -> Iterator[str]:
    try:
        with path.open("rb") as stream:
            for number, line in enumerate(stream, start=1):
                try:
                    shapes.parse(line, "log line")
                except shapes.ShapeError as problem:
                    yield f"{LOG}, line {number}: is not what a run writes there ({problem})"
    except FileNotFoundError:
        return
    except OSError as problem:
        yield str(disk.cannot_read(LOG, problem))
