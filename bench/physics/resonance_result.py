"""What one sweep tells of a resonance, and the words for what it does not tell."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics.resonance_fit import Complexes, Floats, shape

FEWEST_POINTS = 8
EDGE = 1.0  # half-bandwidths from an edge: closer, half of the circle is missing
ACROSS = 3.0  # half-bandwidths each side within which points count as on the resonance
FEWEST_ACROSS = 5
# Fewer points on it are told: a smooth sweep needs no more than six, but among few a stray one is hard to know.
FEWEST_SURE = 8

WARNINGS: dict[str, str] = {
    "no resonance": "no resonance in this sweep: sweep a wider band, or bring the loop nearer to the coil",
    "two resonances": "two resonances: the better determined one is reported; sweep around the one you want",
    "cut off": "cut off: the resonance lies at the edge of the sweep; move the sweep so that it is in the middle",
    "overcoupled": "overcoupled: the loop takes more power than the tank itself; loosen the loop",
    "tight": "tight coupling: Q depends on how well the loop's loading is known; loosen the loop",
    "loose": "noise limits Q: the resonance hardly shows above it; bring the loop nearer to the coil, or take more points",
    "too few points": "too few points across the resonance: sweep a narrower band around it",
    "noisy": "too noisy: the resonance is there but its Q cannot be told; bring the loop nearer or take more points",
    "clipped": "clipped: the analyzer was overdriven or out of range; lower its level and sweep again",
    "not varying": "not varying: every point is the same; check that the analyzer sweeps and that the loop is connected",
    "stray": "stray points: a few points far from all others were left out; look for interference or a second "
    "resonance there, and sweep again",
    "not finite": "not finite: some points are not numbers and were left out; take the sweep again",
    "scale": "not the size of a reflection: a tank reflects between 0 and 1; check calibration, units and format, "
    "and sweep again",
    "uneven": "uneven background: the sweep does not follow one resonance within its noise; the uncertainty is widened "
    "accordingly; a narrower sweep or a calibration helps",
    "drift": "drift: two sweeps of this reading disagree; keep hands away, let set and analyzer warm up, and repeat",
    "loaded only": "loaded Q only: a level sweep cannot tell what the loops take; loosen both until Q no longer changes",
    "no circle": "circle too large: Q without the loop cannot be told; loosen the loop or calibrate",
}


@dataclass(frozen=True)
class Other:
    """A further resonance in the same sweep."""

    f0_hz: float
    q_loaded: float


@dataclass(frozen=True, eq=False)
class Background:
    """What the fit says S is without the resonance: a polynomial, times a delay.

    `coefficients` of powers of (f - centre_hz)/scale_hz, order 0 first; all of S is turned by -2 pi delay_s (f -
    centre_hz). `a`, `b` as in the model, at f0; `noise` is the standard deviation of one quadrature of S.
    """

    centre_hz: float
    scale_hz: float
    coefficients: tuple[complex, ...]
    delay_s: float
    a: complex
    b: complex
    noise: float

    def times(self, factor: float) -> Background:
        """The same, all of S larger by a factor."""
        return replace(
            self,
            coefficients=tuple(factor * c for c in self.coefficients),
            a=factor * self.a,
            b=factor * self.b,
            noise=factor * self.noise,
        )


@dataclass(frozen=True, eq=False)
class Resonance:
    """What one sweep tells. Numbers are None where it does not tell them; `warnings` then say why.

    `q_loaded` with the loop, `q` with the loop's loading taken out, `beta` loss coupled out over own loss; `_u` standard
    uncertainties; `points_used` of the sweep; `cov` (3, 3) of f0_hz, q_loaded, q.
    """

    f0_hz: float | None = None
    f0_u_hz: float | None = None
    q_loaded: float | None = None
    q_loaded_u: float | None = None
    q: float | None = None
    q_u: float | None = None
    beta: float | None = None
    points_used: int = 0
    warnings: tuple[str, ...] = ()
    others: tuple[Other, ...] = ()
    cov: Floats | None = field(default=None, repr=False)
    background: Background | None = field(default=None, repr=False)

    @property
    def found(self) -> bool:
        """Whether f0 and loaded Q are known."""
        return self.q_loaded is not None

    def says(self, name: str) -> bool:
        """Whether the warning of this name (a key of `WARNINGS`) is among the warnings."""
        return WARNINGS[name] in self.warnings


def model(found: Resonance, f_hz: ArrayLike) -> Complexes:
    """The fitted S at any frequencies (n,), of a result that `found` something.

    Raises
    ------
    ValueError
        There is no resonance in the result.
    """
    back, f0, q = found.background, found.f0_hz, found.q_loaded
    if back is None or f0 is None or q is None:
        raise ValueError("there is no resonance to draw")
    f = np.asarray(f_hz, dtype=np.float64)
    x = (f - back.centre_hz) / back.scale_hz
    smooth = np.polynomial.polynomial.polyval(x, np.array(back.coefficients))
    turn = np.exp(-2j * np.pi * back.delay_s * (f - back.centre_hz))
    fitted: Complexes = turn * (smooth + back.b * shape(f, f0, f0 / (2 * q)))
    return fitted


def across(f: Floats, f0_hz: float, q_loaded: float) -> int:
    """Number of points (of rising f) that lie on a resonance."""
    reach = ACROSS * f0_hz / (2 * q_loaded)
    return int(np.searchsorted(f, f0_hz + reach) - np.searchsorted(f, f0_hz - reach))


def clipped(s: Complexes) -> NDArray[np.bool_]:
    """Points of a sweep (n,) on a limit of the analyzer."""
    size: Floats = np.round(np.abs(s), 9).astype(np.float64)
    hit = np.zeros(len(s), dtype=bool)
    for values in (s.real, s.imag, -s.real, -s.imag, size, -size):
        hit |= clipped_values(values)
    return hit


def clipped_values(values: Floats) -> NDArray[np.bool_]:
    """Values (n,) on an upper limit: runs of the very same largest value among values that differ."""
    none = np.zeros(len(values), dtype=bool)
    at = values == values.max()
    count = int(at.sum())
    if count < 4 or count > 0.7 * len(values):
        return none
    rest = values[~at]
    runs = int((at[1:] & at[:-1]).sum())
    return at if runs >= 0.5 * count and len(np.unique(rest)) > 0.7 * len(rest) else none
