"""What changed from one plan to another: keys with their old and new values, as they were written."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.plan.schema import Plan

Key = tuple[str, ...]

# What has no say in where a set oscillates: how it is called, what is read, with what, and how it is shown.
_ABOUT = ("readings", "instruments", "show", "virtual")
_WISHES = (("receiver", "name"), ("receiver", "control", "window"))


@dataclass(frozen=True)
class PlanChange:
    """One key whose value changed.

    Parameters
    ----------
    key : str
        Dotted, coils by name: ``coil.B.tickler.turns``.
    old, new
        As the plan's text has it, a default where it is left out; None where there is no value. A coil that is only
        in one plan is one change, its whole table the value.
    physical : bool
        Whether it belongs to the set or the coil itself, so that readings may follow it.
    coil : str or None
        The coil it belongs to.
    """

    key: str
    old: Any
    new: Any
    physical: bool
    coil: str | None = None


def plan_changes(
    before: Plan, after: Plan, before_data: Mapping[str, Any], after_data: Mapping[str, Any]
) -> tuple[PlanChange, ...]:
    """Keys whose values differ, in the plan's own order; one value written in two ways is no change.

    Parameters
    ----------
    before, after : Plan
    before_data, after_data : mapping
        The TOML data the plans were made from.
    """
    old, new = _by_coil(before.model_dump()), _by_coil(after.model_dump())
    old_text, new_text = dict(_leaves(_by_coil(before_data))), dict(_leaves(_by_coil(after_data)))
    changes = []
    for name in [*old["coil"], *(n for n in new["coil"] if n not in old["coil"])]:
        if (name in old["coil"]) != (name in new["coil"]):
            was, now = (_by_coil(data)["coil"].get(name) for data in (before_data, after_data))
            changes.append(PlanChange(f"coil.{name}", was, now, physical=True, coil=name))
            old["coil"].pop(name, None)
            new["coil"].pop(name, None)
    old_values, new_values = dict(_leaves(old)), dict(_leaves(new))
    for key in dict.fromkeys([*old_values, *new_values]):
        was, now = old_values.get(key), new_values.get(key)
        if _same(was, now):
            continue
        changes.append(
            PlanChange(
                ".".join(key),
                _plain(old_text.get(key, was)),
                _plain(new_text.get(key, now)),
                physical=_physical(key),
                coil=key[1] if key[0] == "coil" else None,
            )
        )
    order = {name: place for place, name in enumerate(("receiver", "coil", *_ABOUT))}
    return tuple(sorted(changes, key=lambda change: order.get(change.key.partition(".")[0], len(order))))


def _by_coil(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same data with the coils as a table by name."""
    coils = {str(coil.get("name")): coil for coil in data.get("coil") or ()}
    return {**data, "coil": coils}


def _leaves(value: Any, path: Key = ()) -> Iterator[tuple[Key, Any]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _leaves(item, (*path, str(key)))
    else:
        yield path, value


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(map(_same, a, b))
    if isinstance(a, int | float) and isinstance(b, int | float):
        return math.isclose(a, b, rel_tol=1e-9)
    return bool(a == b)


def _plain(value: Any) -> Any:
    """Tuples as lists, and numbers without the last bits that a unit's factor leaves."""
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return float(f"{value:.12g}") if isinstance(value, float) else value


def _physical(key: Key) -> bool:
    if key[0] == "coil":
        return key[2] in ("grid", "tickler", "tap")
    return key[0] not in _ABOUT and key not in _WISHES
