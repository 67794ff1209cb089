"""What pydantic found wrong with a plan, in the user's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from bench.plan import text as plan_text
from bench.plan.parts import PartError
from bench.plan.schema import Plan
from bench.plan.text import Path

_MOST_LISTED = 50

# What stands in the example when a key is missing.
_EXAMPLES = {
    "receiver": "[receiver]",
    "tuning": '[receiver.tuning] with capacitance = ["160 pF", "12 pF"]',
    "control": '[receiver.control] with resistance = "10 kohm"',
    "capacitance": 'capacitance = ["160 pF", "12 pF"]',
    "coil": '[[coil]] with name = "B"',
    "name": 'name = "B"',
    "grid": 'grid = { turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }',
    "tickler": 'tickler = { turns = 5, gap = "2.5 mm", wire = "0.25 mm" }',
    "turns": "turns = 5",
    "driver": 'driver = "typed"',
    "coupling_capacitor": 'coupling_capacitor = "10 pF"',
    "resistance": 'resistance = "75 ohm"',
}
_TYPES = {
    "float_type": "a number is wanted, without quotes",
    "float_parsing": "a number is wanted, without quotes",
    "int_type": "a whole number is wanted, without quotes",
    "int_from_float": "a whole number is wanted",
    "string_type": "text in quotes is wanted",
    "tuple_type": "a list in [ ] is wanted",
    "model_type": "a table is wanted",
    "dict_type": "a table is wanted",
    "finite_number": "a finite number is wanted",
}


def explain(
    problem: ValidationError,
    data: dict[str, Any],
    file: str,
    lines: Mapping[Path, int],
    sources: Mapping[Path, str],
) -> tuple[list[str], bool]:
    """One line for each thing to correct (a last line that counts them, where there are several).

    Returns
    -------
    messages : list of str
    from_sets : bool
        Whether a value given on the command line is among them.
    """
    found: list[str] = []
    from_sets = False
    for path, message in _flat(problem, data):
        source = next((sources[path[:n]] for n in range(len(path), 0, -1) if path[:n] in sources), None)
        if source is None and path not in lines:
            # a table that the file does not have, made for the key that was set
            source = next((said for key, said in sources.items() if path and key[: len(path)] == path), None)
        from_sets = from_sets or source is not None
        line = plan_text.line_of(path, dict(lines))
        where = source or (f"{file}, line {line}" if line is not None else file)
        text = f"{where}: {_name(path, data)}: {message}"
        if text not in found:
            found.append(text)
    if len(found) == 1:
        return found, from_sets
    shown = found[:_MOST_LISTED]
    if len(found) > len(shown):
        shown.append(f"… and {len(found) - len(shown)} more.")
    first = found[0]
    return [
        *shown,
        f"{len(found)} things to correct in {file}; the first: {first.removeprefix(f'{file}, ')}",
    ], from_sets


def _flat(problem: ValidationError, data: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    errors = problem.errors(include_url=False)
    for error in errors:
        path: Path = tuple(part for part in error["loc"] if part != "[key]")
        if error["type"] == "too_short" and any(
            other["loc"][: len(path)] == path and len(other["loc"]) > len(path) for other in errors
        ):
            continue  # its entries are there and have their own errors
        cause = error.get("ctx", {}).get("error")
        if isinstance(cause, PartError):
            for key, message in cause.problems:
                below = tuple(int(part) if part.isdecimal() else part for part in key.split("."))
                yield (*path, *below), message
        else:
            yield _within(path, data), _message(dict(error), path)


def _within(path: Path, data: Any) -> Path:
    """The path without the names that pydantic gives to the members of a union."""
    kept: list[str | int] = []
    here = data
    for index, part in enumerate(path):
        if isinstance(here, dict):
            if part not in here and index < len(path) - 1:
                continue
            kept.append(part)
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int):
            kept.append(part)
            here = here[part] if part < len(here) else None
    return tuple(kept)


def _name(path: Path, data: dict[str, Any]) -> str:
    """A key as the user would write it: coils by name, entries of a list counted from 1."""
    text = ""
    coils = data.get("coil")
    for index, part in enumerate(path):
        if isinstance(part, int) and index == 1 and path[0] == "coil" and isinstance(coils, list):
            named = coils[part].get("name") if part < len(coils) and isinstance(coils[part], dict) else None
            text += f".{named[:40]}" if isinstance(named, str) and named else f" (number {part + 1})"
        elif isinstance(part, int):
            text += f" (entry {part + 1})"
        else:
            text += f".{part[:80]}" if text else part[:80]
    return text or "the plan"


def _known_keys(path: Path) -> list[str]:
    """Keys that the table at a path may have."""
    here: Any = Plan
    for part in path:
        if isinstance(part, int):
            continue
        if isinstance(here, type) and issubclass(here, BaseModel):
            here = _model_in(here.model_fields[part].annotation) if part in here.model_fields else None
    return list(here.model_fields) if isinstance(here, type) and issubclass(here, BaseModel) else []


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _model_in(part)) is not None), None)


def _message(error: dict[str, Any], path: Path) -> str:
    kind, context = error["type"], error.get("ctx", {})
    last = str(path[-1]) if path else ""
    if path == ("receiver", "topology"):
        return (
            f"{_short(error['input'])} is not modelled; what is: tickler (grid tank, plate coil), "
            "cathode-tap (tank coil tapped for the cathode)"
        )
    if kind == "extra_forbidden":
        known = _known_keys(path[:-1])
        return f"unknown key; nearest known key: {plan_text.nearest(last, known)} (known: {', '.join(known)})"
    if kind == "missing":
        if isinstance(path[-1], int):
            return "missing; the list is too short"
        example = _EXAMPLES.get(last)
        return "needed" + (f", for example {example}" if example else "")
    if kind == "literal_error":
        allowed = [part.strip("' ") for part in str(context["expected"]).replace(" or ", ", ").split(",")]
        near = (
            f"; nearest: {plan_text.nearest(error['input'], allowed)}"
            if isinstance(error["input"], str)
            else ""
        )
        what = (
            "unknown key"
            if path[:1] == ("instruments",) and len(path) == 2
            else f"{_short(error['input'])} is not known"
        )
        return f"{what}{near} (known: {', '.join(allowed)})"
    if kind == "value_error" and context.get("error") is not None:
        return str(context["error"])
    if kind in ("too_short", "too_long", "missing_positional_only_argument"):
        most = context.get("max_length")
        return (
            f"at most {most} entries"
            if kind == "too_long"
            else f"at least {context.get('min_length')} wanted"
        )
    if kind in _TYPES:
        return f"{_TYPES[kind]}, not {_short(error['input'])}"
    said = str(error["msg"]).removeprefix("Input ").replace("should be", "must be")
    return f"{said}, not {_short(error['input'])}"


def _short(value: Any) -> str:
    if isinstance(value, dict):
        return "a table"
    text = (
        f'"{value}"' if isinstance(value, str) else repr(list(value) if isinstance(value, tuple) else value)
    )
    return text if len(text) <= 40 else text[:37] + "…"
