"""Sweeps of one reading that disagree: by how much, and what that leaves of the reading.

A tank that moves between sweeps (a hand, warming up) makes their common fit too broad, or too narrow where one sweep saw
one flank and one the other. To first order ln Q moves by at most the shift over the bandwidth, so a shift counts as that
much uncertainty of ln Q; as a half-width of a rectangular distribution it counts in f0 (JCGM 100, 4.3.7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from bench.physics.resonance_result import WARNINGS, Resonance

SIGMAS = 5.0
LEAST_SHARE = 0.002  # of the bandwidth: less does not matter
MOST_SHARE = 0.25  # of the bandwidth: more leaves nothing of a common fit


@dataclass(frozen=True)
class Drift:
    """The largest difference between two sweeps' resonances that noise does not explain; 0 where it explains all."""

    shift_hz: float = 0.0
    log_q: float = 0.0

    @property
    def seen(self) -> bool:
        return self.shift_hz > 0.0 or self.log_q > 0.0


def drift(alone: Sequence[Resonance]) -> Drift:
    """How far results of single sweeps of one resonance differ; those that found nothing do not count."""
    shift_hz = log_q = 0.0
    for a, b in combinations([one for one in alone if one.found], 2):
        if None in (
            a.f0_hz,
            b.f0_hz,
            a.q_loaded,
            b.q_loaded,
            a.f0_u_hz,
            b.f0_u_hz,
            a.q_loaded_u,
            b.q_loaded_u,
        ):
            continue
        f_a, f_b, q_a, q_b = _known(a.f0_hz), _known(b.f0_hz), _known(a.q_loaded), _known(b.q_loaded)
        apart = abs(f_a - f_b)
        if apart > max(
            SIGMAS * float(np.hypot(_known(a.f0_u_hz), _known(b.f0_u_hz))), LEAST_SHARE * f_a / q_a
        ):
            shift_hz = max(shift_hz, apart)
        off = abs(float(np.log(q_a / q_b)))
        if off > max(
            SIGMAS * float(np.hypot(_known(a.q_loaded_u) / q_a, _known(b.q_loaded_u) / q_b)), LEAST_SHARE
        ):
            log_q = max(log_q, off)
    return Drift(shift_hz, log_q)


def after_drift(found: Resonance, alone: Sequence[Resonance]) -> Resonance:
    """The result of a common fit, told and widened by what its sweeps, fitted alone, disagree; none where too much is left.

    Beyond a quarter of the bandwidth the numbers are None: take the reading again.
    """
    by = drift(alone)
    f0, q_loaded, cov = found.f0_hz, found.q_loaded, found.cov
    if not by.seen or f0 is None or q_loaded is None or cov is None:
        return found
    warnings = (*found.warnings, WARNINGS["drift"])
    share = by.shift_hz * q_loaded / f0
    if max(share, by.log_q) > MOST_SHARE:
        return Resonance(points_used=found.points_used, warnings=warnings, others=found.others)
    u_log_q = float(np.hypot(share, by.log_q / 2))
    moved = np.array([by.shift_hz / 3**0.5, q_loaded * u_log_q, (found.q or np.nan) * u_log_q])
    wide = cov.copy()
    wide[0, 0] += moved[0] ** 2
    wide[1:, 1:] += np.outer(moved[1:], moved[1:])
    u = np.sqrt(np.diag(wide))
    return replace(
        found,
        f0_u_hz=float(u[0]),
        q_loaded_u=float(u[1]),
        q_u=None if found.q is None else float(u[2]),
        cov=wide,
        warnings=warnings,
    )


def _known(value: float | None) -> float:
    assert value is not None
    return value
