"""The tank's root followed from the tank alone into the set, and over the control's travel.

A network of several tuned parts has several roots s; which of them is the tank's is told by continuity only: the tank alone
has one known root, the coupling to the rest of the set is raised from 0 to 1 (`_coupled`), then the control turned from angle 0
(`_turned`). A whole batch (frequencies, turns) is first solved at every look along the way at once; where a track bends more than
its neighbours foretell, halves are put between, and what stays in doubt is followed step by step (predictor and corrector, as in
E. L. Allgower and K. Georg, Numerical Continuation Methods, 1990).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import network as net
from bench.physics.control import Floats, turning_points
from bench.physics.network import Circuit, Complexes, Network, Tank, assemble, grid_admittance

_LOOK_COUPLING = np.linspace(0.0, 1.0, 4)
# The whole track is first looked at in these shares of the way; where it bends, halves between them, so many times over.
_LOOK = np.array([0.0, 0.025, *(np.arange(1, 12) / 12), 0.975, 1.0])
_HALVINGS = 12
# Of |s|: what a track is told by; its crossings are closed in upon by themselves.
_LOOSE = 1e-5
_MOST_STEPS = 400
_FIRST_STEP, _LONGEST_STEP, _SHORTEST_STEP = 1 / 40, 1 / 12, 1e-5


@dataclass(frozen=True)
class Trail:
    """Angles passed and the roots there."""

    at: Floats  # (steps, members): repeated where a member did not move
    root: Complexes


def _solve(
    network: Network, guess: Complexes, slope: Complexes, tolerance: float = 1e-8
) -> tuple[Complexes, Complexes, Any]:
    """Root nearest to a guess, by secants from a known slope; also the slope there and whether it settled.

    The last move is made unseen, so the root is nearer than `tolerance` (share of |s|) by far.
    """
    s, value = guess, grid_admittance(network, guess)
    move = -value / slope
    for _ in range(8):
        before, s = value, s + move
        value = grid_admittance(network, s)
        change = value - before
        slope = np.where(change == 0, slope, change / np.where(move == 0, 1, move))
        move = -value / slope
        settled = np.abs(move) <= tolerance * np.abs(s)
        if settled.all():
            break
    return s + move, slope, settled & np.isfinite(s + move)


def _follow(
    network_at: Callable[[Floats], Network],
    start: Complexes,
    slope: Complexes,
    end: Floats,
    scale: Floats,
    stations: ArrayLike,
) -> Trail:
    """Follow a root from 0 to `end` (each member its own), with steps short enough to stay on its track.

    `start` may be a guess of the root at 0. A step is taken back when the root lands further from where its
    track pointed than a fifth of the move plus a quarter of `scale`. No step passes over a station.
    """
    root, slope, settled = _solve(network_at(np.zeros_like(end)), start, slope)
    root = np.where(settled, root, np.nan + 0j)
    at = np.zeros_like(end)
    tangent = np.zeros_like(root)
    step = _FIRST_STEP * end
    halts = np.append(np.sort(np.asarray(stations, dtype=float)), np.inf)
    ats, roots = [at], [root]
    for _ in range(_MOST_STEPS):
        active = (at < end) & np.isfinite(root)
        if not active.any():
            break
        next_halt = halts[np.searchsorted(halts, at, side="right")]
        move = np.where(active, np.minimum(step, np.minimum(end, next_halt) - at), 0.0)
        trial = at + move
        guess = root + tangent * move
        found, found_slope, settled = _solve(network_at(trial), guess, slope)
        miss, length = np.abs(found - guess), np.abs(found - root)
        allowed = 0.25 * scale + 0.2 * length
        good = active & settled & ((miss <= allowed) | (move <= _SHORTEST_STEP * end))
        lost = active & ~good & (move <= _SHORTEST_STEP * end)
        tangent = np.where(good, (found - root) / np.where(move > 0, move, 1.0), tangent)
        root = np.where(good, found, np.where(lost, np.nan + 0j, root))
        slope = np.where(good, found_slope, slope)
        at = np.where(good, trial, at)
        step = np.where(good, np.where(miss <= 0.3 * allowed, 1.8 * step, step), 0.35 * move)
        step = np.minimum(step, _LONGEST_STEP * end)
        ats.append(at)
        roots.append(root)
    return Trail(np.array(ats), np.array(roots))


def _strays(at: Floats, root: Complexes, scale: Floats) -> NDArray[np.bool_]:
    """Which steps of a track (steps, members) neither the step before nor the one after foretells: (steps - 1, members).

    By the rule of `_follow`: another root than the track's own lies further off than the fifth of the way to it plus a
    quarter of `scale`. A root that is not known at rest is known nowhere, and no step of it strays.
    """
    step, move = np.diff(at, axis=0), np.diff(root, axis=0)
    with np.errstate(all="ignore"):
        tangent = move / step
        allowed = 0.25 * scale + 0.2 * np.abs(move)
        # A step of no length (another member's halving) has no tangent: nothing is foretold of it or by it.
        beyond = ~(np.abs(move - np.roll(tangent, 1, axis=0) * step) <= allowed)
        beyond[0] = True
        beyond[:-1] &= ~(np.abs(move[:-1] - tangent[1:] * step[:-1]) <= allowed[:-1])
    return np.asarray(beyond & (step > 0) & np.isfinite(root[0]), bool)


@dataclass(frozen=True)
class Members:
    """Networks side by side, ready to be followed: circuit values and tanks are arrays of shape (members,), or scalars."""

    circuit: Circuit
    tank: Tank

    def network(self, angle: Any, **way: Any) -> Network:
        """The networks with the control at an angle (degrees, one for each member)."""
        return assemble(self.circuit, self.tank.loss_ohm, self.tank.capacitance_f, angle, **way)

    def take(self, members: NDArray[np.intp]) -> Members:
        """Some of them, by place."""
        return Members(net.take(self.circuit, members), net.take_tank(self.tank, members))

    @property
    def slope(self) -> Complexes:
        """dY/ds where a tank alone has its root: Y = sC + G + 1/(sL) has the slope C - 1/(s^2 L), which is 2C there."""
        return 2 * self.tank.capacitance_f.astype(complex)

    def solve(self, angle: Floats, guess: Complexes) -> Complexes:
        """Roots nearest to guesses, (members,); NaN where none was found."""
        found, _, settled = _solve(self.network(angle), guess, self.slope)
        return np.where(settled, found, np.nan + 0j)

    def at_rest(self) -> Complexes:
        """The tank's root at angle 0, followed from the tank alone."""
        whole = np.ones_like(self.tank.f0_hz)
        rest: Complexes = self._track(_coupled, _LOOK_COUPLING[:, None] * whole, self.tank.root, ()).root[-1]
        return rest

    def follow(self, end_deg: Floats) -> Trail:
        """The tank's root from angle 0 to `end_deg`."""
        halts = turning_points(self.circuit.control)
        at = np.concatenate([_LOOK[:, None] * end_deg, np.minimum(halts[:, None], end_deg)])
        return self._track(_turned, np.sort(at, axis=0), self.at_rest(), halts)

    def _track(self, way: Way, at: Floats, start: Complexes, halts: ArrayLike) -> Trail:
        """A root along `at` (steps, members): everywhere at once, and step by step where that leaves a doubt."""
        end = at[-1]
        root = self._roots(way, at, np.broadcast_to(start, at.shape))
        astray = _strays(at, root, self.tank.loss_per_s)
        few = np.flatnonzero(astray.any(axis=0))
        for _ in range(_HALVINGS):
            if not few.size:
                return Trail(at, root)
            doubt, some, here = astray[:, few], self.take(few), np.arange(few.size)
            count = int(doubt.sum(axis=0).max())
            order = np.argsort(~doubt, axis=0, kind="stable")[:count]
            asked = doubt[order, here]
            half = np.where(asked, 0.5 * (at[order, few] + at[order + 1, few]), end[few])
            guess = np.where(asked, 0.5 * (root[order, few] + root[order + 1, few]), root[-1, few])
            found = some._roots(way, half, np.where(np.isfinite(guess), guess, root[0, few]))
            more_at, more_root = np.repeat(at[-1:], count, axis=0), np.repeat(root[-1:], count, axis=0)
            more_at[:, few], more_root[:, few] = half, found
            at, root = np.concatenate([at, more_at]), np.concatenate([root, more_root])
            order = np.argsort(at, axis=0, kind="stable")
            at, root = np.take_along_axis(at, order, axis=0), np.take_along_axis(root, order, axis=0)
            astray = np.zeros((len(at) - 1, at.shape[1]), bool)
            astray[:, few] = _strays(at[:, few], root[:, few], some.tank.loss_per_s)
            few = np.flatnonzero(astray.any(axis=0))
        return self._step_by_step(way, Trail(at, root), few, start, halts) if few.size else Trail(at, root)

    def _roots(self, way: Way, at: Floats, guess: Complexes) -> Complexes:
        """Roots nearest to guesses, (steps, members); NaN where none was found."""
        found, _, settled = _solve(way(self, at), guess, self.slope, _LOOSE)
        return np.where(settled, found, np.nan + 0j)

    def _step_by_step(
        self, way: Way, trail: Trail, few: NDArray[np.intp], start: Complexes, halts: ArrayLike
    ) -> Trail:
        """The trail with some members followed anew."""
        some = self.take(few)
        anew = _follow(
            lambda at: way(some, at),
            start[few],
            some.slope,
            trail.at[-1, few],
            some.tank.loss_per_s,
            stations=halts,
        )
        length = max(len(trail.at), len(anew.at))

        def longer(rows: Any) -> Any:
            return np.concatenate([rows, np.repeat(rows[-1:], length - len(rows), axis=0)])

        at, root = longer(trail.at), longer(trail.root)
        at[:, few], root[:, few] = longer(anew.at), longer(anew.root)
        return Trail(at, root)


Way = Callable[[Members, Floats], Network]


def _turned(members: Members, angle_deg: Floats) -> Network:
    return members.network(angle_deg)


def _coupled(members: Members, share: Floats) -> Network:
    return members.network(np.zeros_like(members.tank.f0_hz), coupling=share)


def gather(circuit: Circuit, tank: Tank, *others: ArrayLike) -> tuple[tuple[int, ...], Members]:
    """The members' shape, and the members flat."""
    shape = net.shape_of(circuit, tank.f0_hz, *others)
    values = (
        np.broadcast_to(x, shape).ravel() for x in (tank.loss_ohm, tank.capacitance_f, tank.f0_hz, tank.q)
    )
    return shape, Members(net.flat(circuit, shape), Tank(*values))
