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

SIGMAS = 5.0  # five sweeps and two numbers make twenty comparisons: noise passes three of these once in twenty readings
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
    """How far results of one resonance differ; those that found nothing, or are cut off at an edge, do not count."""
    known = [_Known.of(one) for one in alone if one.found and not one.says("cut off")]
    shift_hz = log_q = 0.0
    for a, b in combinations(known, 2):
        apart = abs(a.f0_hz - b.f0_hz)
        if apart > max(SIGMAS * float(np.hypot(a.f0_u_hz, b.f0_u_hz)), LEAST_SHARE * a.f0_hz / a.q):
            shift_hz = max(shift_hz, apart)
        off = abs(float(np.log(a.q / b.q)))
        if off > max(SIGMAS * float(np.hypot(a.q_u / a.q, b.q_u / b.q)), LEAST_SHARE):
            log_q = max(log_q, off)
    return Drift(shift_hz, log_q)


def after_drift(found: Resonance, alone: Sequence[Resonance]) -> Resonance:
    """The result of a common fit, told and widened by what its sweeps, fitted alone, disagree; none where too much is left.

    The common fit is compared as well: a sweep too coarse to be fitted alone may still have moved it. Beyond a quarter of
    the bandwidth the numbers are None: take the reading again.
    """
    f0, q_loaded, cov = found.f0_hz, found.q_loaded, found.cov
    if f0 is None or q_loaded is None or cov is None:
        return found
    by = drift([*alone, found])
    if not by.seen:
        return found
    warnings = (*found.warnings, WARNINGS["drift"])
    share = by.shift_hz * q_loaded / f0
    if max(share, by.log_q) > MOST_SHARE:
        return Resonance(points_used=found.points_used, warnings=warnings, others=found.others)
    # The common fit lies between its sweeps: half of what two of them differ by in Q is the most that it is off by that.
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


@dataclass(frozen=True)
class _Known:
    """The numbers of a result that found something."""

    f0_hz: float
    f0_u_hz: float
    q: float
    q_u: float

    @classmethod
    def of(cls, one: Resonance) -> _Known:
        assert one.f0_hz is not None
        assert one.f0_u_hz is not None
        assert one.q_loaded is not None
        assert one.q_loaded_u is not None
        return cls(one.f0_hz, one.f0_u_hz, one.q_loaded, one.q_loaded_u)
