"""Which rows of a session belong together: one recipe, one antenna state, one state of the valve; repeats made one.

What is left out is told with how many rows and why. All of it is column work, so time grows with the rows and no faster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from bench.conventions import SAME_FREQUENCY, TYPED_F0_SHARE_U, TYPED_U_DEG
from bench.physics.uncertainty import weighted_mean
from bench.plan.schema import recipe
from bench.session.plausible import F_HZ, MOST_ADDED_F, Q_SPAN

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from bench.plan.schema import Plan
    from bench.session.folder import Session

Floats = NDArray[np.float64]

# Where a row does not say how sure it is: a Q by half-power points.
TYPED_Q_SHARE_U = 0.05
READ_ANGLE_U_DEG = 2.0
# No sweep and no sensor is believed closer than this, whatever the row says.
LEAST_F0_SHARE_U = 1e-7
# What all approaches of a session share and their scatter does not show: play of the sensor's coupling and the knob, bow of
# its potentiometer, wear of the end stops. A judgement (GUM, type B) for a grub-screw coupling; no published value.
SENSOR_U_DEG = 0.25
LEAST_ANGLE_U_DEG = 0.2
# Repeats further than this from their own median were not of the same thing.
FAR_F0_SHARE = 0.003
FAR_Q_SHARE = 0.15
MOST_DIALS = 120
MOST_F0_SHARE_U, MOST_Q_SHARE_U = 0.2, 1.0
BEYOND_DIAL = 0.2


@dataclass
class Kept:
    """Rows of one coil that go together, and what to tell about the others."""

    rows: pd.DataFrame
    antenna: str
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Tank:
    """One coil's resonances of one state, repeats made one: arrays of equal length; `q` rows of their own state."""

    valve: str | None
    antenna: str
    dial: Floats
    f0_hz: Floats
    f0_u_hz: Floats
    added_c_f: Floats
    names: tuple[str, ...]
    q_valve: str | None
    q_f_hz: Floats
    q: Floats
    q_u: Floats
    q_names: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class OnsetPoint:
    """Approaches at one frequency made one. Angles in degrees, None where not read.

    `never`: turned all the way up and it did not start; `always`: it oscillated already at the end stop; `jump_v`: of the
    detector's level at onset, volts.
    """

    f_hz: float
    angle_deg: float | None
    angle_u_deg: float | None
    dropout_deg: float | None
    dropout_u_deg: float | None
    names: tuple[str, ...]
    never: bool = False
    always: bool = False
    jump_v: float | None = None
    jump_u_v: float | None = None

    @property
    def backlash_deg(self) -> float | None:
        """Onset less drop-out."""
        if self.angle_deg is None or self.dropout_deg is None:
            return None
        return self.angle_deg - self.dropout_deg


@dataclass(frozen=True)
class Onsets:
    """One coil's onset points in order of frequency."""

    antenna: str
    points: tuple[OnsetPoint, ...]
    warnings: tuple[str, ...]


def lacking(session: Session, tables: Iterable[str]) -> list[str]:
    """What to say about columns that the tables' files do not have."""
    return [
        f"{table}.csv lacks the column{'s' if len(names) > 1 else ''} {', '.join(names)}: taken as unknown in every row. "
        "Write what is missing into its header, with a cell (it may be empty) in every row."
        for table in tables
        if (names := session.lacks(table))
    ]


def tidy(frames: Mapping[str, pd.DataFrame], name: str, columns: Mapping[str, str]) -> pd.DataFrame:
    """A table with the columns asked for ("text" or "number"), missing ones empty; texts never None."""
    frame = frames.get(name)
    count = 0 if frame is None else len(frame)
    clean: dict[str, Any] = {}
    for column, kind in columns.items():
        if frame is None or column not in frame:
            clean[column] = np.full(
                count, "" if kind == "text" else np.nan, object if kind == "text" else float
            )
        elif kind == "text":
            clean[column] = (
                frame[column].astype(object).where(frame[column].notna(), "").astype(str).to_numpy()
            )
        else:
            values = pd.to_numeric(frame[column], errors="coerce").to_numpy(float)
            clean[column] = np.where(np.isfinite(values), values, np.nan)
    out = pd.DataFrame(clean)
    if frame is not None and "withdrawn" in frame:
        gone = frame["withdrawn"].map(lambda v: v is True or v == "true" or v == 1).to_numpy(bool)
        out = out[~gone]
    return out.reset_index(drop=True)


COMMON = {
    "reading": "text",
    "coil": "text",
    "recipe": "text",
    "dial": "number",
    "valve": "text",
    "antenna": "text",
}
RESONANCE = {
    **COMMON,
    "f0_hz": "number",
    "f0_u_hz": "number",
    "q_loaded": "number",
    "q_loaded_u": "number",
    "q": "number",
    "q_u": "number",
    "added_c_f": "number",
    "method": "text",
}
ONSET = {
    **COMMON,
    "f_hz": "number",
    "direction": "text",
    "angle_deg": "number",
    "angle_u_deg": "number",
    "method": "text",
    "jump_v": "number",
    "jump_u_v": "number",
}


def _count(n: int, what: str) -> str:
    return f"{n} {what} row{'s' if n != 1 else ''}"


def _some(names: Any) -> str:
    """A few reading names and how many more."""
    listed = [str(name) for name in names if name]
    more = f" and {len(listed) - 4} more" if len(listed) > 5 else ""
    return ", ".join(listed[: 4 if more else 5]) + more


def of_coil(plan: Plan, rows: pd.DataFrame, coil: str, what: str) -> Kept:
    """Rows of a coil's present recipe in one antenna state: the plan's, else the only one there is."""
    warnings: list[str] = []
    present = recipe(plan, coil)
    own = (rows["recipe"] == "") | (rows["recipe"] == present)
    if not own.all():
        others = sorted(set(rows.loc[~own, "recipe"]))
        warnings.append(
            f"{_count(int((~own).sum()), what)} left out: of another recipe ({_some(others)}) than the plan's present one "
            f"({present}): its winding or something under [receiver], gm and rp included, was changed there since. If only the plan "
            "was wrong, `regenbench carry` lets them count."
        )
        rows = rows[own]
    wanted = "yes" if plan.receiver.antenna is not None else "no"
    state = rows["antenna"].where(rows["antenna"] != "", wanted)
    antenna = wanted
    if len(rows) and not (state == wanted).any():
        antenna = "no" if wanted == "yes" else "yes"
        words = ("off", "on") if antenna == "no" else ("on", "off")
        warnings.append(
            f"All {what} rows were read with the antenna {words[0]}, the plan has it {words[1]}: used as they are."
        )
    other = state != antenna
    if other.any():
        warnings.append(
            f"{_count(int(other.sum()), what)} left out: read with the antenna "
            f"{'on' if antenna == 'no' else 'off'}, the others with it {'off' if antenna == 'no' else 'on'}."
        )
        rows = rows[~other]
    return Kept(rows, antenna, warnings)


def tank_of(plan: Plan, rows: pd.DataFrame, coil: str) -> Tank:
    """A coil's resonances ready for the dial and Q fits."""
    kept = of_coil(plan, rows, coil, "resonance")
    warnings, rows = kept.warnings, kept.rows
    sound = rows["f0_hz"].between(*F_HZ) & ~(rows["added_c_f"].abs() > MOST_ADDED_F)
    if not sound.all():
        warnings.append(
            f"{_count(int((~sound).sum()), 'resonance')} left out: no usable frequency or capacitor "
            f"({_some(rows.loc[~sound, 'reading'])})."
        )
        rows = rows[sound]
    valve = rows["valve"].where(rows["valve"] != "", "working")
    rows = rows.assign(
        valve=valve,
        added_c_f=rows["added_c_f"].fillna(0.0).clip(lower=0.0),
        f0_u_hz=_u(rows, "f0_hz", "f0_u_hz", TYPED_F0_SHARE_U, LEAST_F0_SHARE_U, MOST_F0_SHARE_U),
    )
    low, high = sorted(plan.receiver.tuning.dial)
    slack = BEYOND_DIAL * (high - low)
    placed = rows[rows["dial"].between(low - slack, high + slack)]
    if len(placed) < len(rows):
        warnings.append(
            f"{_count(len(rows) - len(placed), 'resonance')} without a reading on the dial ({low:g} to {high:g}): "
            "used for Q, not for the dial."
        )
    state = _state(placed["valve"], placed["dial"])
    if state is not None and (placed["valve"] != state).any():
        n = int((placed["valve"] != state).sum())
        warnings.append(
            f"{_count(n, 'resonance')} not used for the dial: valve {_other(state)}, the others {state}."
        )
    place = placed[placed["valve"] == state] if state is not None else placed
    width = (high - low) * (0.001 if place["dial"].nunique() <= MOST_DIALS else 0.01)
    place = place.assign(group=np.round(place["dial"] / width))
    merged, far = _merge(place, ["group", "added_c_f"], "f0_hz", "f0_u_hz", FAR_F0_SHARE)
    if len(far):
        warnings.append(f"Far from their own repeats, left out of the dial: {_some(far)}.")
    q_rows, q_state, q_warnings = _q_rows(rows)
    warnings += q_warnings
    q_rows = q_rows.assign(group=np.round(np.log(q_rows["f0_hz"]) / 0.004))
    q, far = _merge(q_rows, ["group"], "q", "q_u", FAR_Q_SHARE)
    if len(far):
        warnings.append(f"Far from their own repeats, left out of the Q law: {_some(far)}.")
    return Tank(
        valve=state,
        antenna=kept.antenna,
        dial=merged["dial"].to_numpy(float),
        f0_hz=merged["f0_hz"].to_numpy(float),
        f0_u_hz=merged["f0_u_hz"].to_numpy(float),
        added_c_f=merged["added_c_f"].to_numpy(float),
        names=tuple(merged["reading"]),
        q_valve=q_state,
        q_f_hz=q["f0_hz"].to_numpy(float),
        q=q["q"].to_numpy(float),
        q_u=q["q_u"].to_numpy(float),
        q_names=tuple(q["reading"]),
        warnings=tuple(f"Coil {coil}: {text}" for text in warnings),
    )


def _other(state: str) -> str:
    return "cold" if state == "working" else "working"


def _u(rows: pd.DataFrame, value: str, u: str, typed: float, least: float, most: float) -> pd.Series:
    """Standard uncertainties; a share of the value where a row has none, and never less or more than a share."""
    size = rows[value].abs()
    given = rows[u].where(rows[u] > 0)
    return given.fillna(size * typed).clip(lower=size * least, upper=size * most)


def _state(valve: pd.Series, dial: pd.Series) -> str | None:
    """The state of the valve read at most dial settings; working where they tie."""
    counts = dial.groupby(valve).nunique()
    if counts.empty:
        return None
    return "working" if counts.get("working", 0) >= counts.get("cold", 0) else "cold"


def _q_rows(rows: pd.DataFrame) -> tuple[pd.DataFrame, str | None, list[str]]:
    """Rows that tell the Q law: no capacitor added, valve working where any are."""
    warnings: list[str] = []
    wild = rows["q"].notna() & ~rows["q"].between(*Q_SPAN)
    if wild.any():
        warnings.append(
            f"{_count(int(wild.sum()), 'resonance')} not used for Q: a Q that cannot be ({_some(rows.loc[wild, 'reading'])})."
        )
    rows = rows.assign(**{name: rows[name].where(rows[name].between(*Q_SPAN)) for name in ("q", "q_loaded")})
    plain = rows[(rows["added_c_f"] == 0) & (rows["q"].notna() | rows["q_loaded"].notna())]
    measured = plain["q"].notna()
    if len(plain) and not measured.any():
        warnings.append("only the loaded Q was read: taken as the tank's own, 5 % less sure.")
        share = np.hypot(
            (plain["q_loaded_u"] / plain["q_loaded"]).fillna(0.0).clip(0.0, 1.0), TYPED_Q_SHARE_U
        )
        plain = plain.assign(q=plain["q_loaded"], q_u=share * plain["q_loaded"])
    else:
        plain = plain[measured]
    state = None
    if len(plain):
        state = "working" if (plain["valve"] == "working").any() else "cold"
        unlike = plain["valve"] != state
        if unlike.any():
            warnings.append(
                f"{_count(int(unlike.sum()), 'resonance')} not used for Q: valve cold, the others working."
            )
        plain = plain[~unlike]
    return plain.assign(q_u=_u(plain, "q", "q_u", TYPED_Q_SHARE_U, 1e-4, MOST_Q_SHARE_U)), state, warnings


def _merge(
    rows: pd.DataFrame, keys: list[str], value: str, u: str, far_share: float
) -> tuple[pd.DataFrame, pd.Series]:
    """One row for each group: weighted mean, its uncertainty widened by scatter; and the readings left out.

    In groups of three and more, what is further from the median than five uncertainties and five scatters is left out.
    """
    columns = ["dial", "f0_hz", "f0_u_hz", "added_c_f", "q", "q_u", "reading"]
    if rows.empty:
        return pd.DataFrame({name: pd.Series(dtype=float) for name in columns}), pd.Series(dtype=object)
    group = rows.groupby(keys, sort=True, dropna=False)
    centre = group[value].transform("median")
    distance = (rows[value] - centre).abs()
    scatter = 1.4826 * distance.groupby([rows[k] for k in keys], dropna=False).transform("median")
    many = group[value].transform("size") >= 3
    beyond = distance > 5 * np.hypot(rows[u], scatter)
    far = many & beyond & (distance > far_share * centre.abs())
    names = rows.loc[far, "reading"]
    rows = rows[~far]
    weight = 1.0 / rows[u] ** 2
    work = rows.assign(_w=weight, _wx=weight * rows[value])
    group = work.groupby(keys, sort=True, dropna=False)
    total = group["_w"].sum()
    mean = group["_wx"].sum() / total
    out = group.agg(
        dial=("dial", "mean"),
        f0_hz=("f0_hz", "mean"),
        reading=("reading", "first"),
        n=(value, "size"),
    ).reset_index()
    at = group["_wx"].transform("sum") / group["_w"].transform("sum")
    work = work.assign(_chi2=weight * (rows[value] - at) ** 2)
    chi2 = work.groupby(keys, sort=True, dropna=False)["_chi2"].sum().to_numpy(float)
    n = out["n"].to_numpy(float)
    widen = np.sqrt(np.maximum(1.0, (chi2 + 2.0) / (n + 1.0)))
    out[value] = mean.to_numpy()
    out[u] = widen / np.sqrt(total.to_numpy())
    for name in columns:
        if name not in out:
            out[name] = np.nan
    more = [
        f"{name} and {int(k) - 1} repeats" if k > 1 else name
        for name, k in zip(out["reading"], n, strict=True)
    ]
    out["reading"] = more
    return out, names


def onsets_of(plan: Plan, rows: pd.DataFrame, coil: str) -> Onsets:
    """A coil's approaches, made one for each frequency."""
    kept = of_coil(plan, rows, coil, "onset")
    warnings, rows = kept.warnings, kept.rows
    cold = rows["valve"] == "cold"
    if cold.any():
        warnings.append(
            f"{_count(int(cold.sum()), 'onset')} left out: read with a cold valve, which cannot oscillate."
        )
        rows = rows[~cold]
    sound = rows["f_hz"].between(*F_HZ) & rows["direction"].isin(["onset", "drop-out"])
    if not sound.all():
        warnings.append(f"{_count(int((~sound).sum()), 'onset')} left out: no usable frequency or direction.")
        rows = rows[sound]
    rows = rows.sort_values("f_hz", kind="stable")
    points: list[OnsetPoint] = []
    f = rows["f_hz"].to_numpy(float)
    start = 0
    # a new group where the frequency has left the group's first by half a percent
    edges = [0]
    for i in np.flatnonzero(np.diff(f) > 0) + 1:
        if f[i] > f[start] * (1 + SAME_FREQUENCY):
            start = int(i)
            edges.append(start)
    for low, high in zip(edges, [*edges[1:], len(rows)], strict=True):
        if high > low:
            points.append(_point(plan, rows.iloc[low:high], warnings))
    return Onsets(kept.antenna, tuple(points), tuple(f"Coil {coil}: {text}" for text in warnings))


def _point(plan: Plan, rows: pd.DataFrame, warnings: list[str]) -> OnsetPoint:
    angle = rows["angle_deg"].to_numpy(float)
    travel = plan.receiver.control.travel_deg
    starts = (rows["direction"] == "onset").to_numpy(bool)
    outside = np.isfinite(angle) & ((angle < -10.0) | (angle > travel + 10.0))
    if outside.any():
        warnings.append(
            f"{_count(int(outside.sum()), 'onset')} left out: beyond the control's travel "
            f"({_some(rows['reading'].to_numpy()[outside])})."
        )
    read = np.isfinite(angle) & ~outside
    typed = (rows["method"] == "typed").to_numpy(bool)
    u = rows["angle_u_deg"].to_numpy(float)
    u = np.where(u > 0, u, np.where(typed, TYPED_U_DEG, READ_ANGLE_U_DEG))
    u = np.clip(np.nan_to_num(u, nan=READ_ANGLE_U_DEG), LEAST_ANGLE_U_DEG, travel)
    names = rows["reading"].to_numpy(object)
    f_hz = float(rows["f_hz"].mean())
    means: dict[bool, tuple[float | None, float | None]] = {True: (None, None), False: (None, None)}
    moving = read & ~((angle == 0.0) & starts)
    for up in (True, False):
        mine = moving & (starts == up)
        if not mine.any():
            continue
        mean = weighted_mean(angle[mine], u[mine])
        turned = rows["method"].isin(("level", "listen")).to_numpy(bool)[mine].any() and not typed[mine].any()
        means[up] = (mean.value, math.hypot(mean.u, SENSOR_U_DEG) if turned else mean.u)
        for i in mean.left_out:
            warnings.append(
                f"onset reading {names[mine][i] or '?'} left out: {angle[mine][i]:.1f} degrees at {f_hz / 1e3:.0f} kHz, "
                f"where its repeats say {mean.value:.1f}."
            )
    jump, jump_u = (rows[name].to_numpy(float)[moving & starts] for name in ("jump_v", "jump_u_v"))
    told = np.isfinite(jump) & (jump_u > 0)
    level = weighted_mean(jump[told], jump_u[told]) if told.any() else None
    silent = ~np.isfinite(angle) & starts
    always = read & (angle == 0.0) & starts
    return OnsetPoint(
        f_hz=f_hz,
        angle_deg=means[True][0],
        angle_u_deg=means[True][1],
        dropout_deg=means[False][0],
        dropout_u_deg=means[False][1],
        names=tuple(str(name) for name in names[moving & starts]),
        never=bool(silent.any()) and means[True][0] is None and not always.any(),
        always=bool(always.any()) and means[True][0] is None,
        jump_v=level.value if level is not None else None,
        jump_u_v=level.u if level is not None else None,
    )
