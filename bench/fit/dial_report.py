"""What the dial fit says, coil by coil: tables, edges, what settled the scale, and the bandspread of a chosen band."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.fit.document import overlaps
from bench.physics import bandspread, dial
from bench.physics.bandspread import E12, E24, Bandspread, BandspreadError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.fit.coupling import Gathered
    from bench.fit.fitting import Fitted
    from bench.physics.dial import DialFit

# So few readings do not draw a curve of their own: it is then the other coils', and this coil's is a prediction.
FEW = 4
# Points over the dial where a padded curve is looked at.
POINTS = 201
# How far a trimmer reaches about the exact parallel capacitor, and in how many steps it is tried.
TRIMMER_F, TRIMS = 15e-12, 201


@dataclass(frozen=True)
class Wish:
    """A band to spread over a share (0 to 1) of the dial, in the dial's middle."""

    low_hz: float
    high_hz: float
    share: float


def document(
    found: Fitted, fit: DialFit, names: Sequence[str], at: Sequence[float], wish: Wish | None
) -> dict[str, Any]:
    """The dial as JSON has it: the named coils' tables at dial readings `at`, and the bandspread if wished."""
    c, c_u = dial.capacitance(fit, at)
    by_name = {one.coil.name: one for one in found.coils}
    well = sum(len(fit.read_at(name)) > FEW for name in fit.coils)
    others = tuple(f"Coil {name}:" for name in fit.coils if name not in names)
    listed: dict[str, Any] = {
        "settled_by": fit.gauge,
        "setting_u_share": fit.setting_u,
        "dial": [{"dial": d, "c_f": float(v), "c_u_f": float(u)} for d, v, u in zip(at, c, c_u, strict=True)],
        "coils": [_coil(fit, by_name[name], at) for name in names],
        "unread": [name for name in by_name if name not in fit.coils] if well >= 2 else [],
        "overlaps": [one for one in overlaps(fit) if set(one["coils"]) & set(names)],
        "bandspread": [] if wish is None else [_spread(fit, by_name[name], wish) for name in names],
        "warnings": [*found.warnings, *(text for name in names for text in by_name[name].warnings)],
        "notes": [
            *(text for text in fit.notes if not text.startswith(others)),
            *(text for name in names for text in by_name[name].notes if "inductance look" in text),
        ],
    }
    return listed


def _coil(fit: DialFit, one: Gathered, at: Sequence[float]) -> dict[str, Any]:
    name = one.coil.name
    l_h, l_u = fit.l_h[name]
    stray, stray_u = fit.stray_f[name]
    f, f_u = dial.frequency(fit, name, at)
    run, run_u = dial.khz_per_division(fit, name, at)
    ends, ends_u = dial.frequency(fit, name, sorted(fit.ends.dial))
    order = np.argsort(ends)
    read = fit.read_at(name)
    many = sum(len(fit.read_at(other)) > FEW for other in fit.coils if other != name)
    return {
        "name": name,
        "l_h": l_h,
        "l_u_h": l_u,
        "c_stray_f": stray,
        "c_stray_u_f": stray_u,
        "leans_on_winding": name in fit.leaning,
        "read_at": list(read),
        "predicted": len(read) <= FEW and many >= 2,
        "edges": [{"f_hz": float(ends[i]), "f_u_hz": float(ends_u[i])} for i in order],
        "table": [
            {
                "dial": float(row[0]),
                "f_hz": float(row[1]),
                "f_u_hz": float(row[2]),
                "khz_per_division": float(row[3]),
                "khz_per_division_u": float(row[4]),
            }
            for row in zip(at, f, f_u, run, run_u, strict=True)
        ],
        "outliers": [
            {
                "reading": out.reading.name or None,
                "dial": out.reading.dial,
                "f0_hz": out.reading.f0_hz,
                "off_share": out.off,
                "sigmas": out.sigmas,
            }
            for out in fit.outliers
            if out.reading.coil == name
        ],
    }


def _spread(fit: DialFit, one: Gathered, wish: Wish) -> dict[str, Any]:
    """Exact and preferred capacitors for the wish with one coil, what they give and what they cost; or why they cannot."""
    name = one.coil.name
    first, last = fit.ends.dial
    inset = 0.5 * (1.0 - wish.share) * (last - first)
    places = (first + inset, last - inset)
    c = dial.capacitance(fit, np.array([*places, first, last]))[0]
    l_h, stray_f = fit.tank(name)
    most, least = float(max(c[:2])), float(min(c[:2]))
    out: dict[str, Any] = {"coil": name, "low_hz": wish.low_hz, "high_hz": wish.high_hz, "share": wish.share}
    try:
        exact = bandspread.design(l_h, stray_f, (most, least), wish.low_hz, wish.high_hz)
    except BandspreadError as problem:
        return {**out, "designs": [], "cost": None, "problem": str(problem)}
    grid = np.linspace(first, last, POINTS)
    tuning = dial.capacitance(fit, grid)[0]

    def place(caps: Bandspread) -> tuple[float, float] | None:
        """Dial shares of the band's low and high end; None where an end is off the dial."""
        tuned = tuning / (1.0 + tuning / caps.series_f)
        f = 1.0 / (2 * np.pi * np.sqrt(l_h * (tuned + caps.parallel_f + stray_f)))
        rising = f[-1] > f[0]
        f, at = (f, grid) if rising else (f[::-1], grid[::-1])
        if not f[0] * (1 - 1e-9) <= wish.low_hz < wish.high_hz <= f[-1] * (1 + 1e-9):
            return None
        low, high = np.interp([wish.low_hz, wish.high_hz], f, at)
        return float(low), float(high)

    def cost(caps: Bandspread) -> float:
        ends = place(caps)
        if ends is None:
            return math.inf
        low, high = ((d - first) / (last - first) for d in ends)
        return abs(abs(high - low) - wish.share) + 0.3 * abs(0.5 * (low + high) - 0.5)

    designs = [_design(fit, name, "exact", exact, place(exact))]
    for kind, series in (("E24", E24), ("E12", E12)):
        try:
            found = bandspread.nearby(exact, series, cost)
        except BandspreadError:
            continue
        designs.append(_design(fit, name, kind, found, place(found)))
    # how it is mostly done: a padder that is sold, and a trimmer that brings the band to its place
    padders = [exact.series_f]
    if math.isfinite(exact.series_f):
        padders = bandspread.values(exact.series_f / 2, exact.series_f * 2, E12)
    span = max(TRIMMER_F, 0.5 * exact.parallel_f)
    trims = np.linspace(max(0.0, exact.parallel_f - span), exact.parallel_f + span, TRIMS)
    found = min((Bandspread(s, float(p)) for s in padders for p in trims), key=cost)
    if math.isfinite(cost(found)):
        designs.append(_design(fit, name, "E12 and a trimmer", found, place(found)))
    return {**out, "designs": designs, "cost": _cost(one, l_h, stray_f, c, wish), "problem": None}


def _design(
    fit: DialFit, name: str, kind: str, caps: Bandspread, ends: tuple[float, float] | None
) -> dict[str, Any]:
    f, u = dial.frequency(fit, name, sorted(fit.ends.dial), caps.series_f, caps.parallel_f)
    order = np.argsort(f)
    whole = abs(fit.ends.dial[1] - fit.ends.dial[0])
    return {
        "values": kind,
        "series_f": None if math.isinf(caps.series_f) else caps.series_f,
        "parallel_f": caps.parallel_f,
        "edges": [{"f_hz": float(f[i]), "f_u_hz": float(u[i])} for i in order],
        "band_dial": None if ends is None else list(ends),
        "share": None if ends is None else abs(ends[1] - ends[0]) / whole,
    }


def _cost(one: Gathered, l_h: float, stray_f: float, c: Any, wish: Wish) -> dict[str, Any]:
    """Impedance of the tank in the band, and against a coil that would tune it at the capacitor's least capacitance.

    The tank's impedance at resonance is Q sqrt(L/C): what the feedback has to work into, and what selectivity and signal
    are made of. At one frequency L C is the same for every coil, so a spread band with much C has little L.
    """
    middle = math.sqrt(wish.low_hz * wish.high_hz)
    total = 1.0 / (l_h * (2 * math.pi * middle) ** 2)
    q = None if one.q_law is None or not one.q_measured else [float(v) for v in one.q_law.at(middle)]
    impedance = math.sqrt(l_h / total)
    # sqrt(L/C) = 1/(2 pi f C): the least capacitance gives the most
    bare = stray_f + float(min(c))
    return {
        "f_hz": middle,
        "l_h": l_h,
        "c_f": total,
        "impedance_ohm": impedance,
        "of_most": bare / total,
        "q": None if q is None else q[0],
        "q_read_there": q is not None and one.tank is not None and _inside(middle, one.tank.q_f_hz),
        "q_u": None if q is None else q[1],
        "tank_ohm": None if q is None else q[0] * impedance,
    }


def _inside(f_hz: float, read_hz: Any) -> bool:
    return bool(0.9 * read_hz.min() <= f_hz <= 1.1 * read_hz.max())
