"""What the loop takes, by two readings of one tank with the loop near and drawn back."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from bench.errors import ReadingError
from bench.readings.level import LevelReading
from drivers.roles import Floats

LEAST_APART = 0.3  # of what the loop brings in when near


@dataclass(frozen=True)
class Coupling:
    """How much loss the loop brings into a coil's tank, for the power that the generator then raises in it.

    The loop of mutual inductance M raises a voltage in proportion to M·QL and brings a loss 1/Q_loop in proportion to M²/f:
    1/QL = 1/Q + c·x/f with x = power/QL². Two distances of the loop at one dial setting give c, and from then on every
    reading's own height says how near the loop was.

    `least_squares`, `least_squares_u`: c as the two readings have it, of either sign. `near` is one of them, `shared` (2,) the
    covariance of c with its ln(1/QL) and ln(power): its own loss enters c as well, and errors that both share cancel
    (JCGM 100, 5.2).
    """

    least_squares: float
    least_squares_u: float
    near: LevelReading = field(repr=False)
    shared: Floats = field(repr=False)

    @property
    def c(self) -> float:
        """The loop takes power and never gives any: mean of what is left of the normal distribution above 0."""
        return self.least_squares + self.least_squares_u * self._hazard

    @property
    def c_u(self) -> float:
        """Its standard uncertainty."""
        return self.least_squares_u * math.sqrt(self._left)

    @property
    def _hazard(self) -> float:
        z = self.least_squares / self.least_squares_u
        density = math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        return density / max(0.5 * math.erfc(-z / math.sqrt(2)), 1e-12)

    @property
    def _left(self) -> float:
        """Of the variance, what is left above 0."""
        z, hazard = self.least_squares / self.least_squares_u, self._hazard
        return max(1.0 - z * hazard - hazard**2, 0.05)

    @classmethod
    def of_two(cls, near: LevelReading, far: LevelReading) -> Coupling:
        """From readings of the same tank with the loop near and drawn back.

        Raises
        ------
        ReadingError
            The loop was hardly moved.
        """
        (g1, x1, f, cov1), (g2, x2, _, cov2) = _terms(near), _terms(far)
        apart = x1 - x2
        if apart < LEAST_APART * x1:
            raise ReadingError(
                "The loop was hardly drawn back: the level fell by less than a sixth. Draw it back to about twice the distance, "
                "and take the reading again."
            )
        c = f * (g1 - g2) / apart
        # By the logarithms of 1/QL and of power; x goes with the square of the one and with the other.
        by1 = np.array([f * g1 - 2.0 * c * x1, -c * x1]) / apart
        by2 = np.array([-f * g2 + 2.0 * c * x2, c * x2]) / apart
        u = math.sqrt(float(by1 @ cov1 @ by1 + by2 @ cov2 @ by2))
        return cls(c, u, near, cov1 @ by1)

    def unloaded(self, reading: LevelReading) -> tuple[float, float, float]:
        """Q without the loop, its uncertainty, and beta."""
        g, x, f, cov = _terms(reading)
        by = np.array([g - 2.0 * self.least_squares * x / f, -self.least_squares * x / f])
        with_c = -x / f * self.least_squares_u**2
        variance = float(by @ cov @ by) + (x / f * self.least_squares_u) ** 2
        if reading is self.near:
            along = float(by @ self.shared)
            variance -= 2.0 * x / f * along
            with_c += along
        # That the loop never gives power moves what goes with c by as much as it moves c.
        own = g - self.least_squares * x / f + with_c * self._hazard / self.least_squares_u
        variance -= (with_c / self.least_squares_u) ** 2 * (1.0 - self._left)
        if own <= 0.2 * g:
            raise ReadingError("The loop takes most of the power. Draw it back, and take the reading again.")
        return 1 / own, math.sqrt(variance) / own**2, g / own - 1.0


def _terms(reading: LevelReading) -> tuple[float, float, float, Floats]:
    """Loss 1/QL, x, f0, and covariance (2, 2) of ln(1/QL) and ln(power)."""
    found = reading.resonance
    assert found.q_loaded is not None
    assert found.q_loaded_u is not None
    assert found.f0_hz is not None
    q = found.q_loaded
    own, cross = (found.q_loaded_u / q) ** 2, -reading.power_q_cov
    power = (reading.power_u / reading.power) ** 2
    return 1 / q, reading.power / q**2, found.f0_hz, np.array([[own, cross], [cross, power]])
