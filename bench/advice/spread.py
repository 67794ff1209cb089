"""How sure a predicted onset is: the fit's covariance carried through the network, and the chance to be in the window."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.advice.turns import Window
from bench.physics.coupling import Change, CouplingFit, predict

Floats = NDArray[np.float64]

STEP = 0.02
DRAWS = 2000
# Through the network itself each draw costs a solution: so many pairs of them, each with its mirror image.
PAIRS = 32


@dataclass(frozen=True)
class Spread:
    """Onset angles (k, n) of k variants at n frequencies, and how they move with the fit's parameters, (k, n, p)."""

    angles: Floats
    slopes: Floats
    cov: Floats

    @property
    def u(self) -> Floats:
        """Standard uncertainties (k, n)."""
        variance = np.einsum("knp,pq,knq->kn", self.slopes, self.cov, self.slopes)
        return np.asarray(np.sqrt(np.clip(variance, 0.0, None)), float)

    def inside(self, window: Window) -> list[float]:
        """Chance that every frequency starts inside the window, for each variant (GUM's normal law, by draws)."""
        rng = np.random.default_rng(0)
        sure = []
        for angles, slopes in zip(self.angles, self.slopes, strict=True):
            value, vector = np.linalg.eigh(slopes @ self.cov @ slopes.T)
            root = vector * np.sqrt(np.clip(value, 0.0, None))
            draws = angles + rng.standard_normal((DRAWS, len(angles))) @ root.T
            sure.append(float(np.mean(window.inside(draws))))
        return sure


def places(fit: CouplingFit, coil: int) -> list[int]:
    """The parameters that move a coil's onset: its own, and those that the set shares."""
    return [int(c[coil] if len(c) > 1 else c[0]) for c in fit.model.columns]


def spread(fit: CouplingFit, coil: int, angles_at: Callable[[Floats], Floats]) -> Spread:
    """Carry the fit's covariance through a prediction.

    Parameters
    ----------
    angles_at
        From parameters (r, size) to onset angles (k, r, n) of k variants.
    """
    at = places(fit, coil)
    rows = np.repeat(fit.x[None], len(at) + 1, axis=0)
    rows[np.arange(1, len(at) + 1), at] += STEP
    found = angles_at(rows)
    slopes = np.moveaxis(found[:, 1:] - found[:, :1], 1, 2) / STEP
    return Spread(found[:, 0], slopes, fit.cov[np.ix_(at, at)])


def of_changes(fit: CouplingFit, coil: int, change: Change, count: int) -> Spread:
    """The same for `count` variants that one `Change` holds, its values single or of shape (count, 1)."""

    return spread(fit, coil, lambda rows: _angles_of(fit, coil, change, count, rows))


def drawn(fit: CouplingFit, coil: int, change: Change, count: int, window: Window) -> list[float]:
    """Chance that every frequency starts inside the window, for `count` variants, each draw through the network itself.

    For where the onset bends too much for slopes to carry the fit's covariance: all variants meet the same draws
    (JCGM 101, propagation of distributions). Its own error is about half a degree, as the draws follow the covariance and
    not the bend of the fit itself: slopes are better where the onset is known to a few degrees.
    """
    at = places(fit, coil)
    value, vector = np.linalg.eigh(fit.cov[np.ix_(at, at)])
    half = (
        np.random.default_rng(0).standard_normal((PAIRS, len(at)))
        @ (vector * np.sqrt(np.clip(value, 0.0, None))).T
    )
    rows = np.repeat(fit.x[None], 2 * PAIRS, axis=0)
    rows[:, at] += np.concatenate([half, -half])
    inside = window.inside(_angles_of(fit, coil, change, count, rows))
    # never nothing nor certainty: so few draws do not tell them
    return [float(n) for n in (inside.sum(axis=1) + 0.5) / (len(rows) + 1)]


def _angles_of(fit: CouplingFit, coil: int, change: Change, count: int, rows: Floats) -> Floats:
    """Onset angles (count, r, n) of variants for parameters (r, size)."""

    def repeated(value: object) -> Floats:
        return np.repeat(np.broadcast_to(np.asarray(value, float).ravel(), count), len(rows))[:, None]

    names = ("mutual", "tickler", "antenna", "feedback", "control", "gm", "rp")
    every = Change(taper=change.taper, **{name: repeated(getattr(change, name)) for name in names})
    return predict(fit, coil, every, np.tile(rows, (count, 1))).reshape(count, len(rows), -1)
