"""The text of plan.toml: its data, where each key stands, and values changed for one run."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Sequence
from typing import Any

from bench.errors import PlanError

Path = tuple[str | int, ...]

MOST_BYTES = 256 * 1024
_DEEPEST = 20

_BARE_OR_QUOTED = re.compile(r"\"([^\"]*)\"|'([^']*)'|([A-Za-z0-9_-]+)")
_DOTTED = r"(?:\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+))*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")
_WHERE = re.compile(r"\(at line (\d+), column \d+\)")
_UNQUOTED = re.compile(r"\s*([A-Za-z0-9_.-]+)\s*=\s*([0-9.]+\s?[A-Za-zµΩ/]+)\s*(?:#.*)?$")


class SetError(PlanError):
    """A value changed on the command line cannot be used."""

    exit_code = 2


def nearest(wrong: str, known: Iterable[str]) -> str:
    """The known word most like a wrong one; empty where none is known."""
    found = difflib.get_close_matches(wrong[:80].lower(), list(known), n=1, cutoff=0.0)
    return found[0] if found else ""


def _parts(dotted: str) -> list[str]:
    return [a or b or c for a, b, c in _BARE_OR_QUOTED.findall(dotted)]


def key_lines(text: str) -> dict[Path, int]:
    """Line number of every table and key that starts a line; array tables are numbered from 0."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    depth, fence = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        start = 0
        if not fence and depth == 0:
            if header := _HEADER.match(line):
                table = ()
                names = _parts(header.group(2))
                for index, name in enumerate(names):
                    table = (*table, name)
                    if index == len(names) - 1 and header.group(1) == "[[":
                        counts[table] = counts.get(table, -1) + 1
                    if table in counts:
                        table = (*table, counts[table])
                lines.setdefault(table, number)
                continue
            if key := _KEY.match(line):
                lines.setdefault((*table, *_parts(key.group(1))), number)
                start = key.end()
        depth, fence = _scan(line[start:], depth, fence)
    return lines


def _scan(line: str, depth: int, fence: str) -> tuple[int, str]:
    """Bracket depth and open triple quote at the end of a line."""
    position = 0
    while position < len(line):
        if fence:
            end = line.find(fence, position)
            if end < 0:
                return depth, fence
            position, fence = end + 3, ""
            continue
        here = line[position]
        if line.startswith(('"""', "'''"), position):
            fence = line[position : position + 3]
            position += 3
            continue
        if here == "#":
            break
        if here in "\"'":
            closing = re.compile(r'(?:[^"\\]|\\.)*"' if here == '"' else r"[^']*'").match(line, position + 1)
            if closing is None:
                break
            position = closing.end()
            continue
        depth += (here in "[{") - (here in "]}")
        position += 1
    return max(depth, 0), fence


def line_of(path: Path, lines: dict[Path, int]) -> int | None:
    """Line of a key, or of the nearest thing that holds it."""
    for length in range(len(path), 0, -1):
        for key in (path[:length], (*path[:length], 0)):
            if key in lines:
                return lines[key]
    return None


def freeze(value: Any, depth: int = 0) -> Any:
    """Lists to tuples, all the way down.

    Raises
    ------
    ValueError
        Nested deeper than any plan is.
    """
    if depth > _DEEPEST:
        raise ValueError("nested deeper than a plan can be")
    if isinstance(value, list):
        return tuple(freeze(item, depth + 1) for item in value)
    if isinstance(value, dict):
        return {key: freeze(item, depth + 1) for key, item in value.items()}
    return value


def read_toml(text: str, file: str) -> dict[str, Any]:
    """The data of a plan's text.

    Raises
    ------
    PlanError
        Not TOML; the message names file, line and what to write.
    """
    if len(text) > MOST_BYTES:
        raise PlanError(f"{file} is larger than a plan can be ({MOST_BYTES // 1024} kB).")
    try:
        data: dict[str, Any] = tomllib.loads(text)
        freeze(data)
    except RecursionError:
        raise PlanError(f"{file} is nested deeper than a plan can be.") from None
    except tomllib.TOMLDecodeError as problem:
        raise PlanError(_toml_message(str(problem), text, file)) from None
    except ValueError:
        raise PlanError(
            f"{file} holds a number or date that is none, or is nested deeper than a plan can be."
        ) from None
    return data


def _toml_message(said: str, text: str, file: str) -> str:
    where = _WHERE.search(said)
    reason = _WHERE.sub("", said).strip().rstrip(".")
    if where is None:
        return f"{file}: {reason[:200]}. The last table or text is not closed, or a value is missing."
    number = int(where.group(1))
    lines = text.splitlines()
    line = lines[number - 1] if number <= len(lines) else ""
    if bare := _UNQUOTED.match(line):
        key, value = bare.groups()
        return (
            f'{file}, line {number}: {key}: a value with a unit stands in quotes: {key} = "{value.strip()}"'
        )
    named = _KEY.match(line)
    key = f"{named.group(1)[:80]}: " if named else ""
    return (
        f"{file}, line {number}: {key}{reason[:200]}. Texts stand in quotes, lists in [ ], tables in {{ }}."
    )


def _set_value(text: str) -> Any:
    """What stands after the `=` of --set: TOML where it is, else text; a list may leave out its quotes."""
    try:
        loaded = tomllib.loads(f"value = {text}")
        if set(loaded) == {"value"}:
            return loaded["value"]
    except (ValueError, RecursionError):
        pass
    if text.startswith("[") and text.endswith("]") and "[" not in text[1:]:
        return [item.strip().strip("\"'") for item in text[1:-1].split(",")]
    return text


def apply_sets(data: dict[str, Any], sets: Sequence[str]) -> dict[Path, str]:
    """Change plan data in place by ``KEY=VALUE`` texts; returns which text set which key.

    Raises
    ------
    SetError
        No ``=``, no such coil, or a key below something that is no table.
    """
    sources: dict[Path, str] = {}
    for text in sets:
        key, equals, value = text.partition("=")
        key = key.strip()
        if not equals or not key or len(text) > 4096:
            raise SetError(
                f"--set {text[:80]}: write KEY=VALUE, for example --set receiver.control.resistance=50kohm"
            )
        path, table = _find(data, key, text)
        last = path[-1]
        if not isinstance(table, dict):
            raise SetError(f"--set {text[:80]}: {key.rpartition('.')[0]} holds no keys of its own.")
        table[str(last)] = _set_value(value.strip())
        sources[path] = f"--set {text[:80]}"
    return sources


def _find(data: dict[str, Any], key: str, text: str) -> tuple[Path, Any]:
    """Full path of a dotted key and the table that it belongs in, made where it lacks."""
    path: Path = ()
    table: Any = data
    rest = key
    coils = data.get("coil")
    if key.startswith("coil.") and isinstance(coils, list):
        names = {str(c.get("name")): i for i, c in enumerate(coils) if isinstance(c, dict)}
        below = key.removeprefix("coil.")
        found = max((name for name in names if below.startswith(f"{name}.")), key=len, default=None)
        if found is None:
            wrong = below.partition(".")[0]
            raise SetError(
                f"--set {text[:80]}: there is no coil {wrong!r} with such a key; nearest: "
                f"coil.{nearest(wrong, names) or 'NAME'}.tickler.turns=5"
            )
        path, table, rest = ("coil", names[found]), coils[names[found]], below.removeprefix(f"{found}.")
    *above, last = rest.split(".")
    for name in above:
        path = (*path, name)
        if not isinstance(table, dict):
            break
        table = table.setdefault(name, {})
    return (*path, last), table
