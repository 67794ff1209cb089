"""What one chart shows, gathered from a plan, a session's tables and its fit. No drawing here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bench.charts import words
from bench.charts.words import known
from bench.plan.schema import Coil, Control, Plan, Show

Row = Mapping[str, Any]
Tables = Mapping[str, Sequence[Row]]


@dataclass(frozen=True)
class Reading:
    """A value with its standard uncertainty, either of them possibly unknown."""

    value: float | None = None
    u: float | None = None

    def __bool__(self) -> bool:
        return self.value is not None


@dataclass(frozen=True)
class DialScale:
    """Frequency against dial: the fitted law (empty when there is none) and what was read.

    Uncertainties of the law are the largest there are: `f_u_hz` and `f_u_divisions` from the first reading to the last,
    `at_u_hz` and `at_u_divisions` where it was read, `beyond_u_hz` beyond the readings.
    """

    ends: tuple[float, float]
    dial: tuple[float, ...] = ()
    f_hz: tuple[float, ...] = ()
    hz_per_division: tuple[float, ...] = ()
    measured: tuple[tuple[float, float], ...] = ()
    f_u_hz: float | None = None
    f_u_divisions: float | None = None
    at_u_hz: float | None = None
    at_u_divisions: float | None = None
    beyond_u_hz: float | None = None

    @property
    def fitted(self) -> bool:
        """Whether there is a law that can be read both ways."""
        if len(self.dial) < 2:
            return False
        steps = np.diff(np.asarray(self.f_hz))
        return bool(np.all(np.diff(self.dial) > 0) and (np.all(steps > 0) or np.all(steps < 0)))

    @property
    def measured_span(self) -> tuple[float, float] | None:
        """From the first dial reading to the last; a reading within half a hundredth of an end is at that end."""
        if not self.measured:
            return None
        first, last = sorted(self.ends)
        near = 0.005 * (last - first)
        low, high = min(d for d, _ in self.measured), max(d for d, _ in self.measured)
        return (first if low - first < near else low, last if last - high < near else high)

    @property
    def range_hz(self) -> tuple[float, float] | None:
        f = list(self.f_hz) if self.fitted else [f for _, f in self.measured]
        return (min(f), max(f)) if f else None


@dataclass(frozen=True)
class OnsetPoint:
    """Onset at one frequency.

    `silent`: approached, and it never started. An onset at 0 degrees: it oscillates already at the end stop.
    """

    f_hz: float
    onset: Reading
    dropout: Reading
    fitted_deg: float | None
    silent: bool = False


@dataclass(frozen=True)
class QPoint:
    f_hz: float
    q: float
    q_u: float | None


@dataclass(frozen=True)
class CoilPage:
    """All values of one coil's chart."""

    set_name: str
    session: str
    coil: str
    date: str
    state: str
    show: Show
    control: Control
    window_deg: tuple[float, float]
    scale: DialScale
    onset: tuple[OnsetPoint, ...]
    q_law: tuple[QPoint, ...]
    q_points: tuple[QPoint, ...]
    recipe: tuple[tuple[str, str], ...]
    grid_turns: float | None
    tickler_turns: float
    wire_m: float | None
    l_h: Reading
    c_stray_f: Reading
    gm_m_sh: Reading
    mutual_h: Reading
    k: Reading
    residual_deg: float | None
    verdict: str | None
    advice: str
    advice_short: str
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Overlap:
    coils: tuple[str, str]
    low_hz: float
    high_hz: float
    gap: bool


@dataclass(frozen=True)
class SetPage:
    """All values of the overview of a set."""

    set_name: str
    session: str
    date: str
    show: Show
    control: Control
    window_deg: tuple[float, float]
    coils: tuple[CoilPage, ...]
    overlaps: tuple[Overlap, ...]
    warnings: tuple[str, ...]


def coil_page(
    plan: Plan,
    tables: Tables,
    fit: Mapping[str, Any] | None,
    name: str,
    recipe: str | None = None,
    session: str = "",
) -> CoilPage:
    """Gather one coil's chart.

    Parameters
    ----------
    plan : Plan
    tables : mapping of table name to rows
        `resonance` and `onset` as `Session.rows` gives them; either may be missing.
    fit : mapping or None
        The contents of fit.json.
    name : str
        The coil.
    recipe : str, optional
        Only rows of this recipe, or of none, are drawn.
    session : str, optional
        The session's name, where there is no fit to tell it.

    Raises
    ------
    PlanError
        No such coil in the plan; the message names those there are.
    """
    coil = plan.coil_named(name)
    entry: Mapping[str, Any] = next((c for c in (fit or {}).get("coils") or () if c.get("name") == name), {})
    resonance = _rows(tables.get("resonance"), name, recipe)
    approaches = _rows(tables.get("onset"), name, recipe)
    law = entry.get("q_law") or {}
    antenna = "no" if plan.receiver.antenna is None else "yes"
    plain, state = _one_condition(resonance, entry.get("condition") or {}, antenna)
    asked = {**(entry.get("condition") or {}), **({"valve": law["state"]} if law.get("state") else {})}
    q_rows, q_state = _one_condition([r for r in resonance if known(r.get("q")) is not None], asked, antenna)
    control = plan.receiver.control
    scale = _scale(plan, entry, plain)
    onset = _onset(entry, approaches, control.travel_deg)
    unit = plan.show.frequency
    sentence = words.advice_sentence(entry.get("advice"), [p.f_hz for p in onset], control, unit)
    return CoilPage(
        set_name=plan.receiver.name,
        session=session or str((fit or {}).get("session") or ""),
        coil=name,
        date=_last_date([*resonance, *approaches]) or words.date((fit or {}).get("made_at")),
        state=q_state or state,
        show=plan.show,
        control=control,
        window_deg=control.window_deg,
        scale=scale,
        onset=onset,
        q_law=tuple(
            QPoint(f, q, _positive(u))
            for f, q, u in _zip(law.get("f_hz"), law.get("q"), law.get("q_u"))
            if _positive(f) is not None and _positive(q) is not None
        ),
        q_points=tuple(
            QPoint(f, q, _positive(row.get("q_u")))
            for row in q_rows
            if (f := _positive(row.get("f0_hz"))) is not None and (q := _positive(row.get("q"))) is not None
        ),
        recipe=words.recipe_lines(coil, plan.show),
        grid_turns=coil.grid.turns,
        tickler_turns=coil.feedback_turns,
        wire_m=coil.grid.wire,
        l_h=Reading(known(entry.get("l_h")), known(entry.get("l_u_h"))),
        c_stray_f=Reading(known(entry.get("c_stray_f")), known(entry.get("c_stray_u_f"))),
        gm_m_sh=Reading(
            known((entry.get("gm_m") or {}).get("value_sh")), known((entry.get("gm_m") or {}).get("u_sh"))
        ),
        mutual_h=Reading(known(entry.get("mutual_h")), known(entry.get("mutual_u_h"))),
        k=Reading(known(entry.get("k")), known(entry.get("k_u"))),
        residual_deg=known(entry.get("residual_deg")),
        verdict=(entry.get("advice") or {}).get("verdict"),
        advice_short=words.advice_short(entry.get("advice")),
        advice=sentence or _no_advice(coil, entry, plain, onset),
        warnings=tuple(str(w) for w in entry.get("warnings") or ()),
    )


def set_page(
    plan: Plan,
    tables: Tables,
    fit: Mapping[str, Any] | None,
    recipes: Mapping[str, str] | None = None,
    session: str = "",
) -> SetPage:
    """Gather the overview of a set, its coils in order of frequency; see `coil_page`."""
    pages = [coil_page(plan, tables, fit, c.name, (recipes or {}).get(c.name), session) for c in plan.coil]
    pages.sort(key=lambda page: page.scale.range_hz or (math.inf, math.inf))
    overlaps = []
    for entry in (fit or {}).get("overlaps") or ():
        low, high = _positive(entry.get("low_hz")), _positive(entry.get("high_hz"))
        pair: Sequence[Any] = entry.get("coils") or ()
        if low is not None and high is not None and len(pair) == 2:
            overlaps.append(
                Overlap((str(pair[0]), str(pair[1])), min(low, high), max(low, high), bool(entry.get("gap")))
            )
    stamps = [str(row["time"]) for table in tables.values() for row in table if row.get("time")]
    return SetPage(
        set_name=plan.receiver.name,
        session=session or str((fit or {}).get("session") or ""),
        date=words.date(max(stamps, default="")) or words.date((fit or {}).get("made_at")),
        show=plan.show,
        control=plan.receiver.control,
        window_deg=plan.receiver.control.window_deg,
        coils=tuple(pages),
        overlaps=tuple(overlaps),
        warnings=tuple(str(w) for w in (fit or {}).get("warnings") or ()),
    )


def _positive(value: Any) -> float | None:
    number = known(value)
    return number if number is not None and 0 < number < 1e11 else None


def _angle(value: Any, travel_deg: float) -> float | None:
    """An angle, unless it lies further beyond the stops than a sensor can be wrong."""
    number = known(value)
    return number if number is not None and -10 <= number <= travel_deg + 10 else None


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _rows(table: Sequence[Row] | None, name: str, recipe: str | None) -> list[Row]:
    rows = [r for r in table or () if r.get("coil") == name]
    return [r for r in rows if recipe is None or _text(r.get("recipe")) in ("", recipe)]


def _one_condition(rows: Sequence[Row], wanted: Row, antenna: str) -> tuple[list[Row], str]:
    """Rows of one state of valve and antenna, no capacitor added: the state that the fit used, else the commonest.

    An empty cell counts as a working valve and as the plan's antenna, as it does in the fit.
    """
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        if not known(row.get("added_c_f")) and _positive(row.get("f0_hz")) is not None:
            key = (_text(row.get("valve")) or "working", _text(row.get("antenna")) or antenna)
            groups.setdefault(key, []).append(row)
    if not groups:
        return [], ""
    choice = max(groups, key=lambda key: (len(groups[key]), key[0] == "working", key[1] == antenna))
    asked = (_text(wanted.get("valve")), _text(wanted.get("antenna")))
    if asked in groups:
        choice = asked
    return groups[choice], f"valve {choice[0]}, antenna {'on' if choice[1] == 'yes' else 'off'}"


def _zip(*columns: Any) -> list[tuple[Any, ...]]:
    lists = [list(c or ()) for c in columns]
    length = len(lists[0])
    return list(zip(*[c + [None] * (length - len(c)) for c in lists], strict=False))


def _scale(plan: Plan, entry: Mapping[str, Any], rows: Sequence[Row]) -> DialScale:
    law = entry.get("dial_law") or {}
    columns = (law.get("dial"), law.get("f_hz"), law.get("khz_per_division"), law.get("f_u_hz"))
    by_dial = {
        d: (d, f, _positive(abs(known(k) or 0.0)), _positive(u))
        for d, f, k, u in _zip(*columns)
        if known(d) is not None and _positive(f) is not None
    }
    points = [by_dial[d] for d in sorted(by_dial)]
    first, last = sorted(plan.receiver.tuning.dial)
    pairs = [(known(r.get("dial")), _positive(r.get("f0_hz"))) for r in rows]
    measured = tuple(
        sorted((d, f) for d, f in pairs if d is not None and f is not None and first <= d <= last)
    )
    dial = tuple(float(p[0]) for p in points)
    f_hz = tuple(float(p[1]) for p in points)
    given = [p[2] * 1e3 for p in points if p[2] is not None]
    if len(given) != len(points) and len(points) > 1:
        given = [abs(g) for g in np.gradient(np.asarray(f_hz), np.asarray(dial))]
    u = [p[3] for p in points]
    if any(v is None for v in u):
        u = [_scatter(dial, f_hz, measured, rows)] * len(points)
    scale = DialScale(plan.receiver.tuning.dial, dial, f_hz, tuple(given), measured)
    span = scale.measured_span
    if None in u or len(points) < 2:
        return scale
    every = list(zip(dial, u, given, strict=True))
    inside = [(v, v / g) for d, v, g in every if v and g and (span is None or span[0] <= d <= span[1])]
    beyond = [v for d, v, _ in every if v and span is not None and not span[0] <= d <= span[1]]
    at = np.array([d for d, _ in measured])
    at_u = np.interp(at, dial, np.array(u, dtype=float))
    at_divisions = at_u / np.maximum(np.interp(at, dial, given), 1e-9)
    return replace(
        scale,
        f_u_hz=max((v for v, _ in inside), default=None),
        f_u_divisions=max((share for _, share in inside), default=None),
        at_u_hz=float(at_u.max()) if len(at) else None,
        at_u_divisions=float(at_divisions.max()) if len(at) else None,
        beyond_u_hz=max(beyond, default=None),
    )


def _scatter(
    dial: Sequence[float],
    f_hz: Sequence[float],
    measured: Sequence[tuple[float, float]],
    rows: Sequence[Row],
) -> float | None:
    """Uncertainty of a frequency taken off the law: scatter of the readings about it, with their own uncertainty."""
    own = [u for r in rows if (u := _positive(r.get("f0_u_hz"))) is not None]
    parts = [float(np.mean(np.square(own)))] if own else []
    if len(dial) > 1 and measured:
        from bench.charts.scale import smooth

        at = np.array([d for d, _ in measured])
        off = np.exp(smooth(dial, np.log(f_hz), at)) - np.array([f for _, f in measured])
        parts.append(float(np.mean(off**2)))
    return math.sqrt(sum(parts)) if parts and sum(parts) > 0 else None


def _onset(entry: Row, rows: Sequence[Row], travel: float) -> tuple[OnsetPoint, ...]:
    points = []
    for item in entry.get("onset") or ():
        f = _positive(item.get("f_hz"))
        if f is None:
            continue
        measured, fitted = _angle(item.get("measured_deg"), travel), _angle(item.get("fitted_deg"), travel)
        dropout = _angle(item.get("dropout_deg"), travel)
        spread = _positive(item.get("dropout_u_deg"))
        if spread is None:
            spread = _mean_u([r for r in rows if r.get("direction") == "drop-out"], f)
        points.append(
            OnsetPoint(
                f_hz=f,
                onset=Reading(measured, _positive(item.get("measured_u_deg"))),
                dropout=Reading(dropout, spread if dropout is not None else None),
                fitted_deg=fitted,
                silent=measured is None and _tried(rows, f),
            )
        )
    if not points:
        points = _unfitted(rows, travel)
    return tuple(sorted(points, key=lambda p: p.f_hz))


def _near(rows: Sequence[Row], f_hz: float) -> list[Row]:
    return [r for r in rows if (g := _positive(r.get("f_hz"))) is not None and abs(g / f_hz - 1) < 5e-3]


def _tried(rows: Sequence[Row], f_hz: float) -> bool:
    return any(r.get("direction") == "onset" for r in _near(rows, f_hz))


def _mean_u(rows: Sequence[Row], f_hz: float) -> float | None:
    weights = [u**-2 for r in _near(rows, f_hz) if (u := known(r.get("angle_u_deg"))) is not None and u > 0]
    return sum(weights) ** -0.5 if weights else None


def _unfitted(rows: Sequence[Row], travel: float) -> list[OnsetPoint]:
    """Readings as they stand, where no fit has used them yet."""
    frequencies: list[float] = []
    for f in sorted(f for r in rows if (f := _positive(r.get("f_hz"))) is not None):
        if not frequencies or f / frequencies[-1] - 1 > 5e-3:
            frequencies.append(f)
    points = []
    for f in frequencies:
        means = {}
        for direction in ("onset", "drop-out"):
            there = [r for r in _near(rows, f) if r.get("direction") == direction]
            angles = [a for r in there if (a := _angle(r.get("angle_deg"), travel)) is not None]
            means[direction] = Reading(float(np.mean(angles)), _mean_u(there, f)) if angles else Reading()
        silent = not means["onset"] and _tried(rows, f)
        points.append(OnsetPoint(f, means["onset"], means["drop-out"], None, silent))
    return points


def _last_date(rows: Sequence[Row]) -> str:
    return words.date(max((str(r["time"]) for r in rows if r.get("time") is not None), default=""))


def _no_advice(coil: Coil, entry: Row, rows: Sequence[Row], onset: Sequence[OnsetPoint]) -> str:
    if not rows:
        return f"No advice yet: read coil {coil.name}'s resonance at three dial settings or more, then its onset."
    reasons = (entry.get("advice") or {}).get("reasons")
    if reasons:
        return str(reasons[0])
    if sum(bool(p.onset) for p in onset) < 2:
        return f"No advice yet: read the onset of coil {coil.name} at two frequencies or more."
    if not entry:
        return "No advice yet: these readings have not been fitted."
    return "No advice yet: the fit could not use these readings; its warnings say why."
