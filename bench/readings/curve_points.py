"""What a reading of Q below onset finds: Q at angles, what the analyzer's signal did to it, and the onset it points to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from bench.physics.onset_curve import CurveOnset, onset_of_curve
from bench.physics.resonance import Resonance
from bench.readings.resonance_run import Guess
from drivers.roles import Sweep

# A step upwards goes this part of the way that is left.
SHARE_OF_THE_WAY = 0.5
# By how many standard uncertainties, and by what share, Q must move for the signal to have moved it.
MOVED_SIGMAS, MOVED_SHARE = 3.0, 0.04


class Hands(Protocol):
    """What this reading asks of the person at the set."""

    def rest_control(self, angle_deg: float) -> None:
        """Turn the regeneration control to an angle and leave it there."""
        ...

    def hears_oscillation(self) -> bool:
        """Whether the set oscillates now, by ear."""
        ...

    def move_loop(self, looser: bool) -> None:
        """Move the pick-up loop a little away from the coil, or a little nearer."""
        ...


@dataclass(frozen=True, eq=False)
class CurvePoint:
    """Q at one angle, and the sweeps it was read from."""

    angle_deg: float
    angle_u_deg: float
    resonance: Resonance
    sweeps: tuple[Sweep, ...]

    @property
    def q(self) -> float:
        """Q with the loop's loading taken out."""
        assert self.resonance.q is not None
        return self.resonance.q

    @property
    def q_u(self) -> float:
        """Its standard uncertainty."""
        assert self.resonance.q_u is not None
        return self.resonance.q_u

    @property
    def f0_hz(self) -> float:
        """Frequency of resonance."""
        assert self.resonance.f0_hz is not None
        return self.resonance.f0_hz

    @property
    def drive(self) -> float:
        """Power that reaches the tank times its Q, in any unit: the square of the voltage there."""
        beta = self.resonance.beta or 0.0
        return float(beta / (1.0 + beta) ** 2 * self.q)


def onset_of_points(points: Sequence[CurvePoint]) -> CurveOnset | None:
    """Where 1/Q of these points would reach zero; None where they do not tell."""
    return onset_of_curve(
        [p.angle_deg for p in points],
        [p.q for p in points],
        [p.q_u for p in points],
        [p.angle_u_deg for p in points],
    )


def foretold(seen: Sequence[CurvePoint], angle_deg: float) -> Guess | None:
    """Where the resonance should be at an angle, from the points seen so far."""
    if not seen:
        return None
    near = min(seen, key=lambda p: abs(p.angle_deg - angle_deg))
    f0, q = near.f0_hz, near.q
    moved = 0.0
    if len(seen) > 1:
        order = sorted(seen, key=lambda p: p.angle_deg)
        angles, f = np.array([p.angle_deg for p in order]), np.array([p.f0_hz for p in order])
        if angle_deg > angles[-1] and angles[-1] > angles[-2]:
            moved = float((f[-1] - f[-2]) / (angles[-1] - angles[-2]) * (angle_deg - angles[-1]))
            f0, q = float(f[-1]) + moved, q / SHARE_OF_THE_WAY
        else:
            f0 = float(np.interp(angle_deg, angles, f))
            q = float(1.0 / np.interp(angle_deg, angles, [1.0 / p.q for p in order]))
    loaded = q / (1.0 + (near.resonance.beta or 0.0) * q / near.q)
    return replace(
        Guess.after(near.resonance, f0, float(np.hypot(0.3 * f0 / loaded, 0.6 * moved))), q_loaded=loaded
    )


@dataclass(frozen=True)
class SignalCheck:
    """Q at the last angle with the analyzer's signal as it was and weaker in the tank; `how`: by its level or the loop."""

    q: float
    q_u: float
    weaker_q: float
    weaker_q_u: float
    weaker_db: float
    how: str

    @property
    def moved(self) -> bool:
        """Whether Q depends on the signal, beyond chance and beyond what matters."""
        off = abs(self.weaker_q - self.q)
        return (
            off > MOVED_SIGMAS * float(np.hypot(self.q_u, self.weaker_q_u))
            and off > MOVED_SHARE * self.weaker_q
        )

    @property
    def left_over(self) -> float:
        """Share by which the weaker signal may still have moved 1/Q: rectification goes with the signal's power."""
        left = 10.0 ** (-self.weaker_db / 10.0)
        return float(abs(self.weaker_q / self.q - 1.0) * left / (1.0 - left))


@dataclass(frozen=True, eq=False)
class CurveReading:
    """All points by rising angle, the onset they point to, and what has to be told.

    `onset` is None where the set cannot reach it (`never`) or where the run does not tell. `onset_u_deg` also counts
    what the analyzer's own signal may have done.
    """

    points: tuple[CurvePoint, ...]
    onset: CurveOnset | None
    onset_u_deg: float | None
    never: bool
    signal: SignalCheck | None
    search: tuple[Sweep, ...]
    warnings: tuple[str, ...]
