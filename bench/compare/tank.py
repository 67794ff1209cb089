"""A coil's resonances in two sessions: frequency and Q at each dial setting, and the ratio of inductances."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.compare.parts import Ratio, TankPoint
from bench.conventions import TYPED_F0_SHARE_U
from bench.physics.dial import FREQUENCY_SHARE_U, SETTING_U, STRAY_F
from bench.physics.uncertainty import Floats, Mean, combine, weighted_mean

if TYPE_CHECKING:
    import pandas as pd

    from bench.plan.schema import Plan

# Two hands setting one mark meet within this share of the dial, or the setting was meant to be another.
PAIR_SHARE = 5e-3
# A slope that one or two settings tell: by the ends of the tuning capacitor, or by a straight line.
LONE_SLOPE_SHARE_U, SECANT_SHARE_U = 0.5, 0.3
LEAST_Q_SHARE_U = 1e-4
# A slope known no better than this says nothing of an inductance.
USELESS_RATIO_U = 0.1


def dial_reach(plan: Plan) -> float:
    """Two settings closer than this, in divisions, are one: a hand and eye cannot tell them apart."""
    first, last = plan.receiver.tuning.dial
    return SETTING_U * abs(last - first) * (1 + 1e-9)


def pairing_reach(plan: Plan) -> float:
    """Settings of two sessions no further apart than this, in divisions, are compared, the one brought to the other."""
    first, last = plan.receiver.tuning.dial
    return PAIR_SHARE * abs(last - first) * (1 + 1e-9)


def brought_to(dial: float, point: TankPoint, slope: float, slope_u: float) -> TankPoint:
    """A resonance as it would be at a dial setting close by, along the local slope of ln f (per division)."""
    gap = dial - point.dial
    f0_hz = point.f0_hz * math.exp(slope * gap)
    return replace(
        point,
        dial=dial,
        f0_hz=f0_hz,
        f0_u_hz=combine(point.f0_u_hz * f0_hz / point.f0_hz, f0_hz * slope_u * gap),
    )


def tank_points(plan: Plan, rows: pd.DataFrame, notes: list[str]) -> list[TankPoint]:
    """A coil's resonances of one state, one for each dial setting in order of the dial.

    Readings with a capacitor added tell L, not the dial, and stay out. What cannot be used is added to `notes`.
    """
    from bench.fit import selection as limits
    from bench.session.plausible import F_HZ, Q_SPAN

    first, last = sorted(plan.receiver.tuning.dial)
    slack = limits.BEYOND_DIAL * (last - first)
    plain = rows[~(rows["added_c_f"] > 0)]
    placed = plain[
        plain["f0_hz"].between(*F_HZ) & plain["dial"].between(first - slack, last + slack)
    ].sort_values("dial", kind="stable")
    if len(placed) < len(plain):
        lost = len(plain) - len(placed)
        notes.append(
            f"{lost} resonance row{'s' if lost > 1 else ''} left out: no usable frequency or dial reading"
        )
    dial = placed["dial"].to_numpy(float)
    starts = [0] if len(dial) else []
    for i in range(1, len(dial)):
        if dial[i] - dial[starts[-1]] > dial_reach(plan):
            starts.append(i)
    points = []
    for low, high in zip(starts, [*starts[1:], len(placed)], strict=False):
        part = placed.iloc[low:high]
        names = part["reading"].to_numpy(object)
        where = f"at dial {dial[low]:g}"
        f, f_u = part["f0_hz"].to_numpy(float), part["f0_u_hz"].to_numpy(float)
        f_u = _u(f, f_u, TYPED_F0_SHARE_U, limits.LEAST_F0_SHARE_U, limits.MOST_F0_SHARE_U)
        f0 = _mean(f, f_u, limits.FAR_F0_SHARE)
        notes += _left_out(names, f0.left_out, f"resonance {where}")
        read = part["q"].between(*Q_SPAN).to_numpy(bool)
        q: Mean | None = None
        if read.any():
            values, q_u = part["q"].to_numpy(float)[read], part["q_u"].to_numpy(float)[read]
            q_u = _u(values, q_u, limits.TYPED_Q_SHARE_U, LEAST_Q_SHARE_U, limits.MOST_Q_SHARE_U)
            q = _mean(values, q_u, limits.FAR_Q_SHARE)
            notes += _left_out(names[read], q.left_out, f"Q {where}")
        points.append(
            TankPoint(
                float(part["dial"].mean()),
                f0.value,
                f0.u,
                None if q is None else q.value,
                None if q is None else q.u,
                tuple(str(n) for i, n in enumerate(names) if n and i not in f0.left_out),
            )
        )
    return _with_again(plan, points)


def _u(value: Floats, given: Floats, typed: float, least: float, most: float) -> Floats:
    """Standard uncertainties: a share of the value where a row has none, and never less or more than a share."""
    u = np.where(given > 0, given, value * typed)
    return np.asarray(np.clip(u, value * least, value * most), float)


def _mean(values: Floats, u: Floats, far_share: float) -> Mean:
    """Weighted mean of repeats; of three and more, one that is far by its uncertainty and by a share is left out."""
    middle = float(np.median(values))
    distance = np.abs(values - middle)
    scatter = 1.4826 * float(np.median(distance))
    far = (len(values) >= 3) & (distance > 5 * np.hypot(u, scatter)) & (distance > far_share * middle)
    return replace(
        weighted_mean(values[~far], u[~far], far=math.inf),
        left_out=tuple(int(i) for i in np.flatnonzero(far)),
    )


def _left_out(names: Any, places: Sequence[int], where: str) -> list[str]:
    return [f"reading {names[i] or '?'} left out: far from its repeats ({where})" for i in places]


def _with_again(plan: Plan, points: Sequence[TankPoint]) -> list[TankPoint]:
    """What setting the dial and plugging the coil in once more may shift; no repeat of one setting shows it."""
    if not points:
        return []
    slopes, slopes_u = _slopes(plan, points)
    setting = dial_reach(plan)
    return [
        replace(
            p,
            again_u_hz=p.f0_hz * combine(FREQUENCY_SHARE_U, float(slope) * setting),
            slope=float(slope),
            slope_u=float(u),
        )
        for p, slope, u in zip(points, slopes, slopes_u, strict=True)
    ]


def _slopes(plan: Plan, points: Sequence[TankPoint]) -> tuple[Floats, Floats]:
    """d ln f / d dial at each point and its standard uncertainty, per division.

    By second-order differences; how far the slopes to either side lie apart bounds what they leave out (a rectangle of
    that width, GUM 4.3.7), and the readings' own uncertainties are carried.
    """
    if len(points) == 1:
        tuning = plan.receiver.tuning
        rises = (tuning.capacitance[1] < tuning.capacitance[0]) == (tuning.dial[1] > tuning.dial[0])
        c_low, c_high = sorted(tuning.capacitance)
        reach = 0.5 * math.log((c_high + STRAY_F) / (c_low + STRAY_F))
        slope = np.array([reach / abs(tuning.dial[1] - tuning.dial[0])]) * (1.0 if rises else -1.0)
        return slope, LONE_SLOPE_SHARE_U * np.abs(slope)
    dial = np.array([p.dial for p in points])
    log_f = np.log([p.f0_hz for p in points])
    secants = np.diff(log_f) / np.diff(dial)
    if len(points) == 2:
        return np.repeat(secants, 2), SECANT_SHARE_U * np.abs(np.repeat(secants, 2))
    apart = np.abs(np.diff(secants))
    beside = np.concatenate([apart[:1], apart, apart[-1:]])
    noise = np.array([p.f0_u_hz / p.f0_hz for p in points])
    step = np.concatenate([np.diff(dial), np.diff(dial)[-1:]])
    slopes = np.asarray(np.gradient(log_f, dial, edge_order=2), float)
    return slopes, np.hypot(0.5 * beside / math.sqrt(3.0), math.sqrt(2.0) * noise / step)


@dataclass(frozen=True)
class Line:
    """A straight line's slope with its standard uncertainty, and how badly the points lie on it."""

    slope: float
    slope_u: float
    chi2: float


def straight_line(x: Floats, x_u: Floats, y: Floats, y_u: Floats) -> Line:
    """The best straight line through points with uncertainties in both directions.

    York, Evensen, Martinez and De Basabe Delgado, Am. J. Phys. 72, 367 (2004), eq. 13, uncorrelated errors.

    Parameters
    ----------
    x, x_u, y, y_u
        Shape (n,), n >= 2, x not all alike; standard uncertainties not both 0.
    """
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(100):
        w = 1.0 / (y_u**2 + (slope * x_u) ** 2)
        x_off, y_off = x - float(w @ x / w.sum()), y - float(w @ y / w.sum())
        beta = w * (x_off * y_u**2 + slope * y_off * x_u**2)
        before, slope = slope, float((w * beta) @ y_off / ((w * beta) @ x_off))
        if abs(slope - before) <= 1e-13 * abs(slope):
            break
    adjusted = beta - float(w @ beta / w.sum())
    chi2 = float(w @ (y_off - slope * x_off) ** 2)
    return Line(slope, 1.0 / math.sqrt(float(w @ adjusted**2)), chi2)


def inductance_ratio(before: Sequence[TankPoint], after: Sequence[TankPoint]) -> Ratio | None:
    """L after over L before from resonances in pairs, each pair at one setting of the same tuning capacitor.

    By Thomson's formula 1/(4 pi^2 f^2) = L (C + C_stray) both before and after, C alike: the one against the other is a
    straight line whose slope is the ratio of inductances, whatever C and the strays may be. The uncertainty is widened
    where the points leave the line by more than they should. None for fewer than three pairs, or where they lie too
    close together to tell.
    """
    if len(before) < 3:
        return None
    x, y = (np.array([p.f0_hz for p in points]) ** -2.0 for points in (before, after))
    x_u, y_u = (
        2 * v * np.array([combine(p.f0_u_hz, p.again_u_hz) / p.f0_hz for p in points])
        for v, points in ((x, before), (y, after))
    )
    unit = float(x.mean())
    if float(np.ptp(x)) < USELESS_RATIO_U * float(x_u.max()):
        return None
    line = straight_line(x / unit, x_u / unit, y / unit, y_u / unit)
    trust = 2.0
    u = line.slope_u * math.sqrt(max(1.0, (line.chi2 + trust) / (len(x) - 2 + trust)))
    return Ratio(line.slope, u, len(x)) if line.slope > 0 and u < USELESS_RATIO_U else None
