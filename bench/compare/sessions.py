"""Two sessions side by side: what a change to the set did, and which differences are more than their uncertainty.

Values are weighted means of repeats under like conditions. A difference counts as real where it is larger than twice its
standard uncertainty (GUM, JCGM 100:2008, 6.2.1 and G.6.6: a level of confidence of about 95 %).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from bench.compare.parts import (
    CoilComparison,
    Comparison,
    Difference,
    OnsetRow,
    Ratio,
    Side,
    Single,
    State,
    TankPoint,
    TankRow,
    at_edge,
    in_window,
    onset_state,
)
from bench.compare.tank import brought_to, dial_reach, inductance_ratio, pairing_reach, tank_points
from bench.conventions import SAME_FREQUENCY
from bench.errors import BenchError
from bench.physics.uncertainty import combine
from bench.plan.changes import PlanChange, plan_changes
from bench.plan.schema import Plan, recipe

if TYPE_CHECKING:
    import pandas as pd

    from bench.fit.selection import OnsetPoint
    from bench.session.folder import Session

# Each session's frequency was set by hand to within the one share.
SAME_F = 2 * SAME_FREQUENCY

T = TypeVar("T")
Tables = Mapping[str, "pd.DataFrame"]
Points = dict[State, Sequence[T]]
Onlys = tuple[list[Single], list[Single]]


def compare_sessions(before: Session, after: Session) -> Comparison:
    """Compare two sessions as they stand; a fit that is missing or out of date is made, and not kept.

    Raises
    ------
    SessionError
        A table is damaged.
    PlanError
        A plan can no longer be read.
    """
    return compare(_side(before), _side(after))


def _side(session: Session) -> Side:
    from bench.plan.schema import read_plan_text
    from bench.plan.text import read_toml
    from bench.session.place import PLAN

    path = session.path / PLAN
    frames = {name: session.frame(name) for name in ("resonance", "onset")}
    notes: tuple[str, ...] = ()
    fit: Mapping[str, Any] | None = None
    try:
        fit = _fit(session)
    except BenchError as problem:
        notes = (f"no fit, so neither inductance nor coupling ({problem})",)
    return Side(session.name, session.plan, read_toml(read_plan_text(path), str(path)), frames, fit, notes)


def _fit(session: Session) -> Mapping[str, Any]:
    from bench.fit.kept import fit_lacks

    kept = None if fit_lacks(session) else session.read_fit()
    if kept is None:
        from bench.fit.fitting import fit_session

        return fit_session(session)
    return kept


def compare(before: Side, after: Side) -> Comparison:
    """Compare two sessions; a pure function of them."""
    from bench.fit import selection

    changes = plan_changes(before.plan, after.plan, before.plan_data, after.plan_data)
    names = [[coil.name for coil in side.plan.coil] for side in (before, after)]
    notes = [f"Before: {text}." for text in before.notes] + [f"After: {text}." for text in after.notes]
    tables = []
    for side, when in ((before, "Before"), (after, "After")):
        clean = {
            "resonance": selection.tidy(side.frames, "resonance", selection.RESONANCE),
            "onset": selection.tidy(side.frames, "onset", selection.ONSET),
        }
        for what, rows in clean.items():
            strange = rows.loc[~rows["coil"].isin([coil.name for coil in side.plan.coil]), "coil"]
            notes += [
                f"{when}: {_count(int(n), what)} left out: coil {str(name) or '(no name)'} is not in the plan."
                for name, n in strange.value_counts().items()
            ]
        tables.append(clean)
    notes += _control_notes(before.plan, after.plan)
    return Comparison(
        before,
        after,
        changes,
        tuple(_coil(n, (before, after), (tables[0], tables[1]), changes) for n in names[0] if n in names[1]),
        tuple(name for name in names[0] if name not in names[1]),
        tuple(name for name in names[1] if name not in names[0]),
        tuple(notes),
    )


def _count(n: int, what: str) -> str:
    return f"{n} {what} row{'s' if n != 1 else ''}"


def _control_notes(before: Plan, after: Plan) -> Iterator[str]:
    a, b = before.receiver.control, after.receiver.control
    if not math.isclose(a.travel_deg, b.travel_deg):
        yield (
            f"The control turned {a.travel_deg:g} degrees before and turns {b.travel_deg:g} now: angles are compared as "
            "they are, from the end stop of least regeneration."
        )
    if not np.allclose(a.window_deg, b.window_deg):
        yield (
            "The window was changed: each session's onset is held against its own plan's "
            f"({a.window[0]} to {a.window[1]} before, {b.window[0]} to {b.window[1]} now)."
        )
    if not _same_dial(before, after):
        yield "The dial is marked otherwise than before: its settings cannot be compared."


def _same_dial(before: Plan, after: Plan) -> bool:
    """Whether a dial reading can mean the same setting in both."""
    return bool(np.allclose(sorted(before.receiver.tuning.dial), sorted(after.receiver.tuning.dial)))


def _coil(
    name: str, sides: tuple[Side, Side], tables: tuple[Tables, Tables], changes: Sequence[PlanChange]
) -> CoilComparison:
    notes: list[str] = []
    tank, tank_only, ratio = _compare_tank(name, sides, tables, notes)
    onset, onset_only = _compare_onset(name, sides, tables, notes)
    fits = [_entry(side.fit, name) for side in sides]
    foreseen = _foreseen(name, fits[0], sides[1].plan, changes)
    return CoilComparison(
        name,
        tuple(tank),
        tuple(replace(row, predicted_deg=_near(foreseen, row.f_hz)) for row in onset),
        _fitted(fits, ("l_h",), ("l_u_h",)),
        ratio,
        _fitted(fits, ("gm_m", "value_sh"), ("gm_m", "u_sh")),
        (*tank_only[0], *onset_only[0]),
        (*tank_only[1], *onset_only[1]),
        tuple(dict.fromkeys(notes)),
    )


def _own_rows(plan: Plan, rows: pd.DataFrame, coil: str, what: str, notes: list[str]) -> pd.DataFrame:
    """A coil's rows of the plan's present recipe; an antenna that no row names is as in the plan."""
    rows = rows[rows["coil"] == coil]
    present = recipe(plan, coil)
    own = (rows["recipe"] == "") | (rows["recipe"] == present)
    if not own.all():
        notes.append(
            f"{_count(int((~own).sum()), what)} left out: of another recipe than the plan's ({present})"
        )
    rows = rows[own]
    connected = "yes" if plan.receiver.antenna is not None else "no"
    return rows.assign(antenna=rows["antenna"].where(rows["antenna"] != "", connected))


def _alike(before: Points[T], after: Points[T]) -> list[tuple[State, State]]:
    """States to compare: those both sessions have, else the one that each has most of."""
    shared = [state for state in before if state in after]
    if shared or not before or not after:
        return [(state, state) for state in shared]
    most = [max(side, key=lambda state: len(side[state])) for side in (before, after)]
    return [(most[0], most[1])]


def match(before: Sequence[float], after: Sequence[float], near: float) -> list[tuple[int, int]]:
    """Pairs of places whose values lie no further apart than `near`, the nearest first, each place used once."""
    order = sorted(range(len(after)), key=after.__getitem__)
    values = [after[j] for j in order]
    pairs = []
    for i, value in enumerate(before):
        low, high = bisect_left(values, value - near), bisect_right(values, value + near)
        pairs += [(abs(value - after[j]), i, j) for j in order[low:high]]
    found: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in sorted(pairs):
        if i not in found and j not in taken:
            found[i] = j
            taken.add(j)
    return sorted(found.items())


def _compare_tank(
    name: str, sides: tuple[Side, Side], tables: tuple[Tables, Tables], notes: list[str]
) -> tuple[list[TankRow], Onlys, Ratio | None]:
    points: list[Points[TankPoint]] = []
    for side, table, when in zip(sides, tables, ("Before", "After"), strict=True):
        told: list[str] = []
        rows = _own_rows(side.plan, table["resonance"], name, "resonance", told)
        rows = rows.assign(valve=rows["valve"].where(rows["valve"] != "", "working"))
        mine: Points[TankPoint] = {}
        for (valve, antenna), part in rows.groupby(["valve", "antenna"], sort=True):
            found = tank_points(side.plan, part, told)
            if found:
                mine[State(str(valve), str(antenna))] = found
        notes += [f"{when}: {text}." for text in told]
        points.append(mine)
    plans = [side.plan for side in sides]
    out: list[TankRow] = []
    ratio: Ratio | None = None
    used: tuple[set[int], set[int]] = (set(), set())
    for a, b in _alike(points[0], points[1]) if _same_dial(*plans) else ():
        if a != b:
            notes.append(f"Resonance was read in unlike states: {a.words()} before, {b.words()} after.")
        one, other = points[0][a], points[1][b]
        pairs = match([p.dial for p in one], [p.dial for p in other], pairing_reach(plans[0]))
        matched = []
        for p, q in ((one[i], other[j]) for i, j in pairs):
            used[0].add(id(p))
            used[1].add(id(q))
            moved = q
            if abs(p.dial - q.dial) > dial_reach(plans[0]):
                surer = min((q, p), key=lambda point: point.slope_u)
                moved = brought_to(p.dial, q, surer.slope, surer.slope_u)
            matched.append((p, moved))
            out.append(_tank_row(p, q, moved, a, b))
        far = [abs(one[i].dial - other[j].dial) for i, j in pairs]
        if far and max(far) > dial_reach(plans[0]):
            notes.append(
                f"The dial was set up to {max(far):.2g} divisions otherwise than before: resonance after is brought to the "
                "setting before by the slope of the dial there, the slope's uncertainty included."
            )
        if a == b and plans[0].receiver.tuning == plans[1].receiver.tuning:
            found_ratio = inductance_ratio([p for p, _ in matched], [q for _, q in matched])
            if found_ratio and (ratio is None or found_ratio.settings > ratio.settings):
                ratio = found_ratio
    first, second = (
        [Single(s, tank=p) for s, listed in points[k].items() for p in listed if id(p) not in used[k]]
        for k in (0, 1)
    )
    return out, (first, second), ratio


def _tank_row(one: TankPoint, other: TankPoint, moved: TankPoint, before: State, after: State) -> TankRow:
    """`moved` is the resonance after, brought to the setting before."""
    again = combine(one.again_u_hz, moved.again_u_hz)
    return TankRow(
        dial=one.dial,
        dial_after=other.dial,
        f0_after_read_hz=other.f0_hz,
        before=before,
        after=after,
        f0=Difference(one.f0_hz, one.f0_u_hz, moved.f0_hz, moved.f0_u_hz, again),
        q=Difference(one.q, one.q_u, other.q, other.q_u),
        readings=(one.readings, other.readings),
    )


def _compare_onset(
    name: str, sides: tuple[Side, Side], tables: tuple[Tables, Tables], notes: list[str]
) -> tuple[list[OnsetRow], Onlys]:
    from bench.fit import selection

    points: list[Points[OnsetPoint]] = []
    methods: list[str] = []
    for side, table, when in zip(sides, tables, ("Before", "After"), strict=True):
        told: list[str] = []
        rows = _own_rows(side.plan, table["onset"], name, "onset", told)
        mine: Points[OnsetPoint] = {}
        for antenna, part in rows.groupby("antenna", sort=True):
            found = selection.onsets_of(side.plan, part, name)
            told += [text.removeprefix(f"Coil {name}: ").rstrip(".") for text in found.warnings]
            if found.points:
                mine[State("working", str(antenna))] = found.points
        notes += [f"{when}: {text}." for text in told]
        methods.append(" and ".join(sorted(set(rows["method"]) - {""})) or "an unnamed method")
        points.append(mine)
    out: list[OnsetRow] = []
    used: tuple[set[int], set[int]] = (set(), set())
    for a, b in _alike(points[0], points[1]):
        one, other = points[0][a], points[1][b]
        logs = [[math.log(p.f_hz) for p in side] for side in (one, other)]
        for i, j in match(logs[0], logs[1], math.log1p(SAME_F)):
            used[0].add(id(one[i]))
            used[1].add(id(other[j]))
            out.append(_onset_row(sides, (one[i], other[j]), (a.antenna, b.antenna)))
        if a != b:
            words = [state.words(valve=False) for state in (a, b)]
            notes.append(f"Onset was read in unlike states: {words[0]} before, {words[1]} after.")
    if out and methods[0] != methods[1]:
        notes.append(f"Onset was read by {methods[0]} before, by {methods[1]} after.")
    first, second = (
        [Single(s, onset=p) for s, listed in points[k].items() for p in listed if id(p) not in used[k]]
        for k in (0, 1)
    )
    return sorted(out, key=lambda row: row.f_hz), (first, second)


def _onset_row(
    sides: tuple[Side, Side], points: tuple[OnsetPoint, OnsetPoint], antenna: tuple[str, str]
) -> OnsetRow:
    from bench.fit.selection import LEAST_ANGLE_U_DEG

    a, b = points
    # The end stops are learned anew in each session; repeats within one do not show it, and backlash does not feel it.
    again = combine(LEAST_ANGLE_U_DEG, LEAST_ANGLE_U_DEG)
    return OnsetRow(
        f_hz=math.sqrt(a.f_hz * b.f_hz),
        antenna=antenna,
        states=(onset_state(a), onset_state(b)),
        angle=Difference(a.angle_deg, a.angle_u_deg, b.angle_deg, b.angle_u_deg, again),
        dropout=Difference(a.dropout_deg, a.dropout_u_deg, b.dropout_deg, b.dropout_u_deg, again),
        backlash=Difference(a.backlash_deg, _backlash_u(a), b.backlash_deg, _backlash_u(b)),
        in_window=(in_window(a, sides[0].window_deg), in_window(b, sides[1].window_deg)),
        at_edge=(at_edge(a, sides[0].window_deg), at_edge(b, sides[1].window_deg)),
        travel_deg=(sides[0].travel_deg, sides[1].travel_deg),
        readings=(a.names, b.names),
    )


def _backlash_u(point: OnsetPoint) -> float | None:
    if point.angle_u_deg is None or point.dropout_u_deg is None:
        return None
    return combine(point.angle_u_deg, point.dropout_u_deg)


def _entry(fit: Mapping[str, Any] | None, name: str) -> Mapping[str, Any]:
    found: Mapping[str, Any] = next((c for c in (fit or {}).get("coils") or () if c.get("name") == name), {})
    return found


def _number(value: Any, *path: str) -> float | None:
    for key in path:
        value = value.get(key) if isinstance(value, Mapping) else None
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _fitted(fits: Sequence[Mapping[str, Any]], value: tuple[str, ...], u: tuple[str, ...]) -> Difference:
    a, b = fits
    return Difference(_number(a, *value), _number(a, *u), _number(b, *value), _number(b, *u))


def _foreseen(
    name: str, before: Mapping[str, Any], after: Plan, changes: Sequence[PlanChange]
) -> list[tuple[float, float]]:
    """Frequencies and the angles that the fit before foresaw for the turns wound since, where nothing else changed."""
    physical = [c.key for c in changes if c.physical and c.coil in (None, name)]
    if physical not in ([f"coil.{name}.tickler.turns"], [f"coil.{name}.tap.turns"]):
        return []
    turns = after.coil_named(name).feedback_turns
    advice = before.get("advice")
    frequencies = [_number(row, "f_hz") for row in _listed(before, "onset")]
    for predicted in _listed(advice if isinstance(advice, Mapping) else {}, "predicted"):
        if math.isclose(_number(predicted, "turns") or 0.0, turns):
            angles = [_number(angle) for angle in _listed(predicted, "angles_deg")]
            pairs = zip(frequencies, angles, strict=False)
            return [(f, a) for f, a in pairs if f and f > 0 and a is not None]
    return []


def _listed(entry: Any, key: str) -> list[Any]:
    """What a fit lists under a key; nothing where a hand has put something else there."""
    value = entry.get(key) if isinstance(entry, Mapping) else None
    return value if isinstance(value, list) else []


def _near(foreseen: Sequence[tuple[float, float]], f_hz: float) -> float | None:
    close = [(abs(math.log(f / f_hz)), angle) for f, angle in foreseen]
    return min(close)[1] if close and min(close)[0] <= SAME_F else None
