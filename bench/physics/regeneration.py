"""Where a regenerative detector starts to oscillate: the tank's root followed over the control's travel.

Oscillation starts where the root crosses the imaginary axis. In the simplest limit this is the condition of
the tuned-grid oscillator, gm = RC/M + M/(L rp) nearly (Phys. Rev. 17, 302, 1921, for the five circuits of
the time).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import network as net
from bench.physics.control import Control, Feedback, Floats, share
from bench.physics.following import Members, Trail, gather
from bench.physics.modes import Mode, other_modes
from bench.physics.network import Antenna, Circuit, Complexes, Tank, assemble, grid_admittance

__all__ = [
    "Antenna",
    "Circuit",
    "Control",
    "Feedback",
    "Mode",
    "Onset",
    "Tank",
    "onset",
    "onset_angles",
    "root",
    "share",
    "tank",
]

State = Literal["alone", "working", "cold"]

# The control pulls the dial by a few percent at most: further off, it is not the tank that sets the frequency.
ASTRAY_SHARE = 0.1


@dataclass(frozen=True)
class Onset:
    """Onset of oscillation; every array has the members' shape.

    Attributes
    ----------
    angle_deg
        Least angle with oscillation: NaN never, 0 already at the end stop.
    starts_deg
        Every angle at which it starts or stops, in order along the last axis, padded with NaN.
    growth_per_s
        Real part of the tank's root at full travel.
    oscillation_hz
        Frequency at onset (NaN never).
    rest_hz
        Frequency of the tank in the set with the control at angle 0.
    slope_per_deg
        Share of the tank's loss (ω/2Q) cancelled by one degree, at onset.
    other_modes
        Every other unstable mode, with the member's index.
    everywhere, several, wrong_frequency
        Flags: at every angle; more than one start; another mode starts no later than the tank's, or the
        tank's own starts more than `ASTRAY_SHARE` from its frequency at angle 0.
    """

    angle_deg: Floats
    starts_deg: Floats
    growth_per_s: Floats
    oscillation_hz: Floats
    rest_hz: Floats
    slope_per_deg: Floats
    other_modes: tuple[Mode, ...]
    everywhere: NDArray[np.bool_]
    several: NDArray[np.bool_]
    wrong_frequency: NDArray[np.bool_]

    @property
    def never(self) -> NDArray[np.bool_]:
        """True where the tank's mode does not oscillate at any angle."""
        flags: NDArray[np.bool_] = np.isnan(self.angle_deg)
        return flags


def tank(circuit: Circuit, f0_hz: ArrayLike, q: ArrayLike, state: State = "alone") -> Tank:
    """The tank's own loss and capacitance that give the network its f0 and Q in a state.

    `alone`: the tank by itself; `working`: the whole network, control at angle 0; `cold`: the same with the
    valve's gm and 1/rp zero. A negative loss or capacitance says that the circuit as described cannot have
    them. Shape: all broadcast together.
    """
    shape = net.shape_of(circuit, f0_hz, q)
    f0, quality = (np.broadcast_to(np.asarray(x, dtype=float), shape).ravel() for x in (f0_hz, q))
    members = net.flat(circuit, shape)
    s = Tank(np.empty(0), np.empty(0), f0, quality).root
    coupling = 0.0 if state == "alone" else 1.0
    valve = 1.0 if state == "working" else 0.0
    still = np.zeros_like(f0)

    def capacitance(loss: Floats) -> Complexes:
        with np.errstate(all="ignore"):
            network = assemble(members, loss, 0.0, still, coupling=coupling, valve=valve)
            value: Complexes = -grid_admittance(network, s) / s
        return value

    # The right loss makes the capacitance real; nearly a straight line, so secants settle at once.
    low, high = np.zeros_like(f0), 2 * math.pi * f0 * np.asarray(members.l_h) / quality
    at_low = capacitance(low).imag
    found = capacitance(high)
    for _ in range(20):
        bend = found.imag - at_low
        move = np.where(bend == 0, 0.0, -found.imag * (high - low) / np.where(bend == 0, 1.0, bend))
        low, at_low, high = high, found.imag, high + move
        found = capacitance(high)
        if np.all(np.abs(move) <= 1e-13 * np.abs(high)):
            break
    return Tank(high.reshape(shape), found.real.reshape(shape), f0.reshape(shape), quality.reshape(shape))


def root(circuit: Circuit, tank: Tank, angle_deg: ArrayLike) -> Complexes:
    """The tank's root at a control angle, followed there from angle 0; per second, broadcast shape."""
    shape, members = gather(circuit, tank, angle_deg)
    angle = np.broadcast_to(np.asarray(angle_deg, dtype=float), shape).ravel()
    with np.errstate(all="ignore"):
        followed: Complexes = members.follow(angle).root[-1].reshape(shape)
    return followed


@dataclass(frozen=True)
class _Crossings:
    member: NDArray[np.intp]
    angle_deg: Floats
    root: Complexes


def _crossings(members: Members, trail: Trail) -> _Crossings:
    """Where followed roots cross the imaginary axis."""
    at, path = _with_turning_points(members, trail)
    known = np.isfinite(path)  # a root that was lost on its track crosses nothing
    step, member = np.nonzero(((path[:-1].real > 0) != (path[1:].real > 0)) & known[:-1] & known[1:])
    order = np.lexsort((step, member))
    step, member = step[order], member[order]
    low, high = at[step, member], at[step + 1, member]
    root_low, root_high = path[step, member], path[step + 1, member]
    share = root_low.real / (root_low.real - root_high.real)
    angle, found, sure = _meet(
        members.take(member), low, high, low + share * (high - low), root_low + share * (root_high - root_low)
    )
    doubt = np.flatnonzero(~sure)
    if doubt.size:
        few = members.take(member[doubt])
        angle[doubt], found[doubt] = _closed_in(
            few, low[doubt], high[doubt], root_low[doubt], root_high[doubt]
        )
    return _Crossings(member, angle, found)


def _meet(
    members: Members, low: Floats, high: Floats, angle: Floats, root: Complexes
) -> tuple[Floats, Complexes, NDArray[np.bool_]]:
    """Where roots cross the imaginary axis, by Newton's rule in angle and frequency at once, and whether it is sure.

    The admittance's slopes come from differences. Sure where the answer settled between the bracket's ends and as near to
    the root guessed as the bracket is wide.
    """
    travel = members.circuit.control.travel_deg
    reach = np.abs(root.real) + 0.5 * members.tank.loss_per_s
    first, omega = root.imag, root.imag
    settled = np.zeros(angle.shape, bool)
    for _ in range(8 if angle.size else 0):
        here, d_angle, d_omega = _slopes_at(members, angle, np.asarray(1j * omega, complex))
        # here + d_angle.x + j.d_omega.y = 0 in two real unknowns
        turned = 1j * d_omega
        area = d_angle.real * turned.imag - d_angle.imag * turned.real
        by = -(here.real * turned.imag - here.imag * turned.real) / area
        omega = omega - (d_angle.real * here.imag - d_angle.imag * here.real) / area
        angle = np.clip(angle + by, low, high)
        settled = np.abs(by) <= 1e-7 * travel
        if settled.all():
            break
    near = np.abs(omega - first) <= reach
    return angle, np.asarray(1j * omega, complex), settled & near & (angle >= low) & (angle <= high)


def _slopes_at(members: Members, angle: Floats, s: Complexes) -> tuple[Complexes, Complexes, Complexes]:
    """The admittance at an angle and a frequency, and its slopes by both."""
    travel = members.circuit.control.travel_deg
    step = np.where(angle < 0.5 * travel, 1e-6, -1e-6) * travel
    turn = 1e-6 * np.abs(s)
    three = grid_admittance(
        members.network(np.stack([angle, angle + step, angle])), np.stack([s, s, s + turn])
    )
    return three[0], (three[1] - three[0]) / step, (three[2] - three[0]) / turn


def _closed_in(
    few: Members, low: Floats, high: Floats, root_low: Complexes, root_high: Complexes
) -> tuple[Floats, Complexes]:
    """Crossings between two ends, by false position with halved ends (Illinois)."""
    value_low, value_high = root_low.real.copy(), root_high.real.copy()
    angle, found = high, root_high
    for _ in range(30):
        before = angle
        angle = low - value_low * (high - low) / (value_high - value_low)
        between = (angle - low) / np.where(high > low, high - low, 1.0)
        found = few.solve(angle, root_low + between * (root_high - root_low))
        same = (found.real > 0) == (value_low > 0)
        value_high = np.where(same, 0.5 * value_high, value_high)
        value_low = np.where(same, value_low, 0.5 * value_low)
        low, root_low, value_low = (
            np.where(same, a, b) for a, b in ((angle, low), (found, root_low), (found.real, value_low))
        )
        high, root_high, value_high = (
            np.where(same, b, a) for a, b in ((angle, high), (found, root_high), (found.real, value_high))
        )
        if np.all(np.abs(angle - before) <= 1e-7 * few.circuit.control.travel_deg):
            break
    return angle, found


def _with_turning_points(members: Members, trail: Trail) -> tuple[Floats, Complexes]:
    """The trail, with a point added where three in a row hint at two crossings between them."""
    at, path = trail.at, trail.root
    if len(at) < 3:
        return at, path
    x0, x1, x2 = at[:-2], at[1:-1], at[2:]
    y0, y1, y2 = path.real[:-2], path.real[1:-1], path.real[2:]
    before, after = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    bend = (after - before) / (x2 - x0)
    vertex = 0.5 * (x0 + x1) - 0.5 * before / bend
    height = y0 + (vertex - x0) * before + bend * (vertex - x0) * (vertex - x1)
    unmixed = ((y0 > 0) == (y1 > 0)) & ((y1 > 0) == (y2 > 0))
    inside = (vertex > x0) & (vertex < x2) & np.isfinite(height)
    step, member = np.nonzero(unmixed & inside & ((height > 0) != (y1 > 0)))
    if not member.size:
        return at, path
    extra_at, extra_path = at[-1] + np.zeros((len(member), 1)), path[-1] + np.zeros((len(member), 1))
    where = vertex[step, member]
    rows = np.arange(len(member))
    extra_at[rows, member] = where
    extra_path[rows, member] = members.take(member).solve(where, path[step + 1, member])
    at, path = np.concatenate([at, extra_at]), np.concatenate([path, extra_path])
    order = np.argsort(at, axis=0, kind="stable")
    return np.take_along_axis(at, order, axis=0), np.take_along_axis(path, order, axis=0)


def _first(members: Members, trail: Trail, crossings: _Crossings) -> tuple[Floats, Complexes]:
    """Angle and root at each member's first start: 0 where it oscillates at rest, NaN never."""
    angle = np.where(trail.root[0].real > 0, 0.0, np.nan)
    where = trail.root[0].copy()
    for member, at, found in zip(
        crossings.member[::-1], crossings.angle_deg[::-1], crossings.root[::-1], strict=True
    ):
        if not trail.root[0, member].real > 0:
            angle[member], where[member] = at, found
    return angle, where


def onset(
    circuit: Circuit,
    f0_hz: ArrayLike,
    q: ArrayLike,
    state: State = "alone",
    *,
    given_tank: Tank | None = None,
    modes: bool = True,
) -> Onset:
    """Onset of oscillation as the control is turned up; vectorised over all values.

    `given_tank` stands in for `f0_hz`, `q` and `state` where the tank was found with another circuit (another
    tickler on the same coil). `modes=False` leaves the search for other unstable modes out, which costs most.
    """
    own = given_tank if given_tank is not None else tank(circuit, f0_hz, q, state)
    shape, members = gather(circuit, own)
    travel = circuit.control.travel_deg
    size = members.tank.f0_hz.size
    with np.errstate(all="ignore"):
        trail = members.follow(np.full(size, travel))
        crossings = _crossings(members, trail)
        angle, found = _first(members, trail, crossings)
        started = np.nonzero(np.isfinite(angle))[0]
        slope = np.full(size, np.nan)
        if started.size:
            few = members.take(started)
            _, by_angle, by_root = _slopes_at(few, angle[started], found[started])
            slope[started] = -(by_angle / by_root).real / few.tank.loss_per_s
    starts: list[list[float]] = [[0.0] if member.real > 0 else [] for member in trail.root[0]]
    for member, at in zip(crossings.member, crossings.angle_deg, strict=True):
        starts[member].append(float(at))
    most = max((len(row) for row in starts), default=0)
    padded = np.array([row + [np.nan] * (most - len(row)) for row in starts]).reshape((*shape, most))
    count = np.array([len(row) for row in starts])
    oscillation = np.where(np.isfinite(angle), found.imag / (2 * math.pi), np.nan)

    def tank_root(member: NDArray[np.intp], at: Floats) -> Complexes:
        guess = [
            np.interp(a, trail.at[:, m], trail.root[:, m].real)
            + 1j * np.interp(a, trail.at[:, m], trail.root[:, m].imag)
            for m, a in zip(member, at, strict=True)
        ]
        with np.errstate(all="ignore"):
            return members.take(member).solve(at, np.array(guess))

    others = other_modes(members.circuit, members.tank, tank_root, shape) if modes else ()
    # Beside the tank's frequency as it stands in the set, control at angle 0: what tickler and strays load it by is no fault.
    rest_hz = trail.root[0].imag / (2 * math.pi)
    with np.errstate(all="ignore"):
        astray = np.abs(oscillation / rest_hz - 1) > ASTRAY_SHARE
    for mode in others:
        member = int(np.ravel_multi_index(mode.index, shape)) if shape else 0
        astray[member] |= not mode.angle_deg > angle[member]
    return Onset(
        angle_deg=angle.reshape(shape),
        starts_deg=padded,
        growth_per_s=trail.root[-1].real.reshape(shape),
        oscillation_hz=oscillation.reshape(shape),
        rest_hz=rest_hz.reshape(shape),
        slope_per_deg=slope.reshape(shape),
        other_modes=others,
        everywhere=((angle == 0) & (count == 1)).reshape(shape),
        several=(count > 2).reshape(shape),
        wrong_frequency=astray.reshape(shape),
    )


def onset_angles(
    circuit: Circuit,
    f0_hz: ArrayLike,
    q: ArrayLike,
    state: State = "alone",
    mutual_scale: ArrayLike = 1.0,
) -> Floats:
    """Onset angles only, in degrees (NaN never, 0 already at the end stop), with the coupling scaled.

    Fast enough to stand inside a fit: put the varied values of a whole Jacobian along a leading axis and
    call once. Where a member never starts, `root` at the measured angle still varies smoothly.
    """
    scaled = replace(
        circuit, mutual_h=np.asarray(circuit.mutual_h, dtype=float) * np.asarray(mutual_scale, dtype=float)
    )
    shape, members = gather(scaled, tank(scaled, f0_hz, q, state))
    with np.errstate(all="ignore"):
        end = np.full(members.tank.f0_hz.size, circuit.control.travel_deg)
        trail = members.follow(end)
        return _first(members, trail, _crossings(members, trail))[0].reshape(shape)
