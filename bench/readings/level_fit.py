"""From the points of a level sweep to its fit, to the height of the peak, and to a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.physics.detector import Detector
from bench.physics.resonance import Resonance, fit_level
from bench.readings.level_bench import LevelPoint, columns
from drivers.roles import Floats

LOST = 4.0  # of its noise: lower points are lost in it
DRAWN_POINTS = 161


def logs(points: Sequence[LevelPoint], detector: Detector) -> tuple[Floats, Floats]:
    """Frequencies and the logarithm of the tank's power for a generator of 0 dBm, (n,) each."""
    f, v = columns(points)
    power = detector.undone(v) ** (1 if detector.follows == "square" else 2)
    u = np.array([point.u_v for point in points])
    seen = v - detector.offset_v > LOST * u if detector.law != "log" else np.full(len(f), True)
    db = np.array([point.level_dbm for point in points])
    return f[seen], np.log(power[seen]) - math.log(10.0) / 10.0 * db[seen]


def fitted(points: Sequence[LevelPoint], detector: Detector) -> Resonance:
    f, log = logs(points, detector)
    found = fit_level(f, log, "log")
    if found.q_loaded_u is None or found.f0_u_hz is None:
        return found
    # A variance taken from n - 5 degrees of freedom: of Student's distribution (JCGM 101, 6.4.9.4).
    freedom = len(f) - 5
    wider = math.sqrt(freedom / max(freedom - 2, 1))
    return replace(found, q_loaded_u=wider * found.q_loaded_u, f0_u_hz=wider * found.f0_u_hz)


def with_law(found: Resonance, points: Sequence[LevelPoint], detector: Detector) -> Resonance:
    """The result with what the law's own uncertainty does to it, and that of what f0 is.

    Of a tank with loss, undamped and damped frequency are f0/(8Q²) apart, and a loss that changes with frequency moves the
    peak by as much: all between is as likely (JCGM 100, D.3.4 and 4.3.7).
    """
    q_var, f_var = (found.q_loaded_u or 0.0) ** 2, (found.f0_u_hz or 0.0) ** 2
    for other in detector.others():
        moved = fitted(points, other)
        if moved.q_loaded is not None and moved.f0_hz is not None and found.q_loaded and found.f0_hz:
            q_var += (moved.q_loaded - found.q_loaded) ** 2
            f_var += (moved.f0_hz - found.f0_hz) ** 2
    if found.q_loaded and found.f0_hz:
        f_var += (found.f0_hz / (8.0 * found.q_loaded**2)) ** 2 / 3.0
    return replace(found, q_loaded_u=math.sqrt(q_var), f0_u_hz=math.sqrt(f_var))


def power_at_peak(
    found: Resonance, points: Sequence[LevelPoint], detector: Detector
) -> tuple[float, float, float]:
    """Height of the peak in power at 0 dBm, law undone; its uncertainty, and covariance of its logarithm with that of QL."""
    assert found.f0_hz is not None
    assert found.q_loaded is not None
    f, log = logs(points, detector)
    y = 2.0 * found.q_loaded * np.log(f / found.f0_hz)
    below, power = 1.0 + y * y, np.exp(log)
    shape = _shape(y) / power[:, None]
    solved, rest, _, _ = np.linalg.lstsq(shape, np.ones_like(log), rcond=None)
    # Of ln(power), by the three, by ln QL and by y at the peak.
    bent = (solved[2] * (1 - y * y) - 2 * solved[1] * y) / below**2 / power
    jacobian = np.concatenate([shape, (bent * y)[:, None], bent[:, None]], axis=1)
    spread = float(rest[0]) / max(len(y) - 7, 1) if len(rest) else 0.0
    size = np.linalg.norm(jacobian, axis=0)
    cov = spread * np.linalg.inv((jacobian / size).T @ (jacobian / size)) / np.outer(size, size)
    height = float(solved[1])
    return height, math.sqrt(float(cov[1, 1])), float(cov[1, 3]) / height


def _shape(y: Floats) -> Floats:
    """Power by detuning y, in half-bandwidths: what leaks past, the peak, and how they beat; (n, 3) for (n,)."""
    below = 1.0 + y * y
    return np.stack([np.ones_like(y), 1 / below, y / below], axis=1)


@dataclass(frozen=True, eq=False)
class LevelSweep:
    """A level sweep as it is seen: (n,) by rising frequency, and (m,) of the fit to it, empty while there is none.

    `axis` says what `y` is, with its unit.
    """

    f_hz: Floats
    y: Floats
    axis: str
    fit_f_hz: Floats
    fit_y: Floats
    found: Resonance | None = None


def drawn(points: Sequence[LevelPoint], detector: Detector | None, found: Resonance | None) -> LevelSweep:
    """The points as volts while the detector's law is not known, else as the tank's power in decibels under its peak."""
    none = np.empty(0)
    if detector is None:
        f, v = columns(points)
        order = np.argsort(f, kind="stable")
        return LevelSweep(f[order], v[order], "detector, V", none, none)
    f, log = logs(points, detector)
    order = np.argsort(f, kind="stable")
    f, log = f[order], log[order]
    decibel, top, axis = 10.0 / math.log(10.0), float(log.max(initial=-math.inf)), "under the peak, dB"
    if found is None or found.f0_hz is None or found.q_loaded is None:
        return LevelSweep(f, decibel * (log - top), axis, none, none)
    fit_f = np.linspace(f[0], f[-1], DRAWN_POINTS)
    y, fit_y = (2.0 * found.q_loaded * np.log(at / found.f0_hz) for at in (f, fit_f))
    # Each point is known to the same share of itself.
    solved = np.linalg.lstsq(_shape(y) / np.exp(log - top)[:, None], np.ones_like(log), rcond=None)[0]
    curve = np.log(np.maximum(_shape(fit_y) @ solved, 1e-12))
    peak = float(curve.max())
    return LevelSweep(f, decibel * (log - top - peak), axis, fit_f, decibel * (curve - peak), found)
