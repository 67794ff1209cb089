"""What was found, as `fit.json` has it."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.advice.verdict import advise, nothing
from bench.errors import PlanError
from bench.fit.coupling import Gathered, contradiction, further_words, mutual, residual_deg
from bench.physics import dial
from bench.physics.coupling import CouplingFit

if TYPE_CHECKING:
    from bench.plan.schema import Plan

LAW_POINTS = 101
Q_POINTS = 25


def coil_entry(
    plan: Plan, one: Gathered, fitted_dial: dial.DialFit | None, fit: CouplingFit | None
) -> dict[str, Any]:
    name = one.coil.name
    has_dial = fitted_dial is not None and name in fitted_dial.coils
    l_h, l_u = fitted_dial.l_h[name] if fitted_dial and has_dial else (None, None)
    stray, stray_u = fitted_dial.stray_f[name] if fitted_dial and has_dial else (None, None)
    entry: dict[str, Any] = {
        "name": name,
        "l_h": l_h,
        "l_u_h": l_u,
        "c_stray_f": stray,
        "c_stray_u_f": stray_u,
        "l_c_stray_correlation": fitted_dial.correlation(name) if fitted_dial and has_dial else None,
        "q_law": _q_rows(one),
        "dial_law": _dial_law(fitted_dial, name) if fitted_dial and has_dial else _NO_LAW,
        "onset": _onset_rows(one, fit),
        "gm_m": {"value_sh": None, "u_sh": None},
        "mutual_h": None,
        "mutual_u_h": None,
        "k": None,
        "k_u": None,
        "residual_deg": None,
        "warnings": one.warnings,
        "advice": nothing(one.coil, _why_no_advice(one)),
        "further": [],
        "notes": one.notes,
        "condition": {
            "valve": one.tank.valve if one.tank else None,
            "antenna": one.tank.antenna if one.tank else None,
        },
    }
    if fit is None or one.place is None:
        return entry
    log_gm_m, u = fit.log_gm_m(one.place)
    value = math.exp(log_gm_m)
    read = bool((fit.model.bound[fit.model.coil == one.place] == 0).any())
    if read:
        entry["gm_m"] = {"value_sh": value, "u_sh": value * u, "shares": fit.shares[name]}
        if plan.receiver.gm is not None:
            entry |= mutual(fit, one.place, plan.receiver.gm)
        entry["residual_deg"] = residual_deg(fit, one.place)
        entry["further"] = [
            {"reading": further_words(plan, more, one.q_measured), "gm_m_u_share": more.u}
            for more in one.further
        ]
        nothing_told, why = contradiction(plan, one, fit, entry["k"])
        if why is not None:
            one.warnings.append(why)
            entry |= dict.fromkeys(("mutual_h", "mutual_u_h", "k", "k_u"))
            if nothing_told:
                entry["gm_m"] = {"value_sh": None, "u_sh": None}
            entry["advice"] = nothing(
                one.coil, "No advice: what was read does not go together; see the warnings."
            )
            contradicted: dict[str, Any] = _known(entry)
            return contradicted
    try:
        entry["advice"] = advise(plan, one.coil, fit, one.place, measured=read, q_read=one.q_measured)
    except PlanError as problem:
        entry["advice"] = nothing(one.coil, f"No advice: {problem}")
    known: dict[str, Any] = _known(entry)
    return known


def _why_no_advice(one: Gathered) -> str:
    name = one.coil.name
    if one.onsets is None or not any(
        p.angle_deg is not None or p.never or p.always for p in one.onsets.points
    ):
        return f"No advice yet: the onset of coil {name} was not read."
    if one.q_law is None:
        return f"No advice yet: the Q of coil {name} is not known; read its resonance."
    return f"No advice yet: coil {name} never started, and without receiver.gm in the plan that tells too little."


def _q_rows(one: Gathered) -> dict[str, Any]:
    if one.q_law is None or not one.q_measured or one.tank is None:
        return {"f_hz": [], "q": [], "q_u": [], "exponent": None, "state": None}
    f = [one.tank.q_f_hz]
    if one.onsets is not None:
        f.append(np.array([p.f_hz for p in one.onsets.points]))
    low, high = float(np.concatenate(f).min()), float(np.concatenate(f).max())
    at = np.geomspace(low, high, Q_POINTS) if high > low * 1.001 else np.array([low])
    q, u = one.q_law.at(at)
    return {
        "f_hz": at.tolist(),
        "q": q.tolist(),
        "q_u": u.tolist(),
        "exponent": one.q_law.exponent,
        "state": one.q_state,
    }


_NO_LAW: dict[str, Any] = {
    "dial": [],
    "f_hz": [],
    "f_u_hz": [],
    "khz_per_division": [],
    "khz_per_division_u": [],
}


def _dial_law(fit: dial.DialFit, name: str) -> dict[str, Any]:
    low, high = sorted(fit.ends.dial)
    at = np.linspace(low, high, LAW_POINTS)
    f, u = dial.frequency(fit, name, at)
    per_division, per_division_u = dial.khz_per_division(fit, name, at)
    return {
        "dial": at.tolist(),
        "f_hz": f.tolist(),
        "f_u_hz": u.tolist(),
        "khz_per_division": per_division.tolist(),
        "khz_per_division_u": per_division_u.tolist(),
    }


def _onset_rows(one: Gathered, fit: CouplingFit | None) -> list[dict[str, Any]]:
    if one.onsets is None:
        return []
    fitted: dict[float, float] = {}
    slope: dict[float, float] = {}
    if fit is not None and one.place is not None:
        which = np.flatnonzero(fit.model.coil == one.place)
        travel = fit.model.circuit.control.travel_deg
        for i in which:
            f, angle = float(fit.model.f_hz[i]), float(fit.fitted_deg[i])
            fitted[f] = float("nan") if angle > travel else max(angle, 0.0)
            slope[f] = float(fit.slope_per_deg[i])
    rows = [
        {
            "f_hz": p.f_hz,
            "measured_deg": 0.0 if p.always else p.angle_deg,
            "measured_u_deg": p.angle_u_deg,
            "dropout_deg": p.dropout_deg,
            "dropout_u_deg": p.dropout_u_deg,
            "backlash_deg": p.backlash_deg,
            "fitted_deg": fitted.get(p.f_hz),
            "slope_per_deg": slope.get(p.f_hz),
            "jump_v": p.jump_v,
            "jump_u_v": p.jump_u_v,
            "never": p.never,
        }
        for p in one.onsets.points
    ]
    return [_known(row) for row in rows]


def dial_rows(fit: dial.DialFit | None) -> list[dict[str, float]]:
    if fit is None:
        return []
    at = fit.ends.dial[0] + fit.knots * (fit.ends.dial[1] - fit.ends.dial[0])
    at = np.sort(at)
    c, u = dial.capacitance(fit, at)
    return [
        {"dial": float(round(d, 6)), "c_f": float(v), "c_u_f": float(w)}
        for d, v, w in zip(at, c, u, strict=True)
    ]


def overlaps(fit: dial.DialFit | None) -> list[dict[str, Any]]:
    """Neighbours in frequency: what both cover, or the gap between them."""
    if fit is None:
        return []
    bands = sorted((*dial.band(fit, name), name) for name in fit.coils)
    found = []
    for (_, a_high, a), (b_low, b_high, b) in pairwise(bands):
        gap = a_high < b_low
        low, high = (a_high, b_low) if gap else (b_low, min(a_high, b_high))
        found.append({"coils": [a, b], "low_hz": low, "high_hz": high, "gap": gap})
    return found


def _known(value: Any) -> Any:
    """JSON knows no NaN: unknown is null."""
    if isinstance(value, dict):
        return {key: _known(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_known(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value
