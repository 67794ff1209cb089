"""From the hidden truth to what can be held against measurements: circuits, roots, onset, drop-out, the truth file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.plan.schema import Plan
from bench.virtual import network
from bench.virtual.scenario import Hidden

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

COLD_RP_OHM = 1e12
COARSE_POINTS = 73
MOST_RATIO = 50.0


@dataclass(frozen=True)
class Standing:
    """How the set stands: what is plugged in, connected, near.

    `loop` is the pick-up loop's coupling as a share of a well-placed one (0: no loop in the room); `drift` a relative change of
    the tank's capacitance; `tank_c_f`, where given, replaces the tuning capacitor.
    """

    coil: str
    dial: float
    valve: bool = True
    antenna: bool = False
    loop: float = 0.0
    body_f: float = 0.0
    added_f: float = 0.0
    drift: float = 0.0
    tuning_f: float | None = None


def circuit_of(hidden: Hidden, standing: Standing) -> network.Circuit:
    """The true linear circuit of the set as it stands."""
    coil = hidden.coils[standing.coil]
    valve = hidden.valve
    if standing.valve:
        valve = replace(valve, grid_c_f=valve.grid_c_f + hidden.space_charge_f)
    else:
        valve = replace(valve, gm_s=0.0, rp_ohm=COLD_RP_OHM)
    tuning = (
        float(hidden.tuning.capacitance(standing.dial)) if standing.tuning_f is None else standing.tuning_f
    )
    loop = None
    if standing.loop > 0.0:
        grid_m = standing.loop * _loop_mutual(hidden, standing.coil)
        ratio = coil.k * float(np.sqrt(coil.tickler_l_h / coil.l_h))
        loop = network.Loop(hidden.loop_l_h, hidden.loop_r_ohm, grid_m, grid_m * ratio)
    return network.Circuit(
        knob=hidden.knob,
        chassis=hidden.chassis,
        valve=valve,
        l_h=coil.l_h,
        tickler_l_h=coil.tickler_l_h,
        mutual_h=coil.mutual_h,
        tickler_q=coil.tickler_q,
        tank_c_f=tuning * (1.0 + standing.drift) + coil.stray_f + standing.body_f + standing.added_f,
        coil_q=coil.q,
        q_at_hz=coil.q_at_hz,
        q_slope=coil.q_slope,
        aerial=hidden.aerial if standing.antenna else None,
        loop=loop,
    )


def _loop_mutual(hidden: Hidden, name: str) -> float:
    """Mutual inductance of loop and coil at which the 50 ohm take the coil's chosen share of its loss, mid-band."""
    coil = hidden.coils[name]
    omega = 2.0 * np.pi * coil.q_at_hz
    loss = omega * coil.l_h / coil.q
    port = network.PORT_OHM + hidden.loop_r_ohm
    return float(np.sqrt(coil.loop_beta * loss * (port**2 + (omega * hidden.loop_l_h) ** 2) / port) / omega)


def q_of(root: complex) -> float | None:
    """Q of a decaying root; None where it does not decay."""
    return float(abs(root) / (-2.0 * root.real)) if root.real < 0.0 else None


@dataclass(frozen=True)
class GrowthTable:
    """Along the control: growth rate of a small oscillation, how it goes with gm, and the gm ratio at which it neither grows nor dies."""

    angle_deg: Floats
    growth: Floats
    per_ratio: Floats
    ratio: Floats
    f_hz: Floats


def _coarse_angles(travel_deg: float) -> Floats:
    """Angles crowded at both ends, where high-resistance dividers do all their work."""
    return np.asarray(travel_deg * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, COARSE_POINTS))))


def growth_table(circuit: network.Circuit, step_deg: float = 0.1) -> GrowthTable:
    """Solve the network along the control and interpolate smoothly between."""
    from scipy.interpolate import PchipInterpolator

    coarse = _coarse_angles(circuit.knob.travel_deg)
    root = network.tank_root(circuit, coarse)
    if circuit.valve.gm_s == 0.0:
        per_ratio, ratio = np.zeros(COARSE_POINTS), np.full(COARSE_POINTS, MOST_RATIO)
    else:
        per_ratio = network.sensitivity(circuit, coarse, root, np.ones(COARSE_POINTS)).real
        ratio = critical_ratio(circuit, coarse, root)
    fine = np.linspace(0.0, circuit.knob.travel_deg, round(circuit.knob.travel_deg / step_deg) + 1)

    def along(values: Floats) -> Floats:
        return np.asarray(PchipInterpolator(coarse, values)(fine), float)

    # Interpolated as loop gain (1/ratio), which passes smoothly through 0 where there is no feedback.
    gain = along(1.0 / ratio)
    return GrowthTable(
        angle_deg=fine,
        growth=along(root.real),
        per_ratio=along(per_ratio),
        ratio=1.0 / np.maximum(gain, 1.0 / MOST_RATIO),
        f_hz=along(root.imag / (2.0 * np.pi)),
    )


def critical_ratio(circuit: network.Circuit, angle_deg: Floats, root: Complexes) -> Floats:
    """gm over its small-signal value at which the root stands on the imaginary axis, at each angle.

    At most `MOST_RATIO`, which stands for "no gm would do it".
    """
    ratio = np.ones(len(angle_deg))
    s = np.array(root)
    out = np.full(len(angle_deg), MOST_RATIO)
    live = np.arange(len(angle_deg))
    loss = float(circuit.loss_ohm(abs(root[0].imag) / (2.0 * np.pi)))
    for _ in range(6):
        slope = network.sensitivity(circuit, angle_deg[live], s[live], ratio[live])
        good = slope.real > 1e-4 * np.abs(root[live].real)
        live, slope = live[good], slope[good]
        if len(live) == 0:
            break
        step = np.clip(-s[live].real / slope.real, -0.5 * ratio[live], 2.0 * ratio[live])
        ratio[live] += step
        inside = ratio[live] < MOST_RATIO
        live, slope, step = live[inside], slope[inside], step[inside]
        if len(live) == 0:
            break
        g, c = network.at_angles(circuit, angle_deg[live], ratio[live])
        s[live] = network.newton(network.with_loss(g, loss), c, s[live] + slope * step)
        live = live[np.isfinite(s[live])]
    out[live] = ratio[live]
    return out


@dataclass(frozen=True)
class TrueOnset:
    """Onset and drop-out without noise; None where it never starts (or, from angle 0 on, never stops)."""

    onset_deg: float | None
    dropout_deg: float | None
    oscillation_hz: float | None
    slope_per_deg: float | None


def true_onset(hidden: Hidden, standing: Standing) -> TrueOnset:
    """Where a small oscillation first grows (onset), and where a large one, coming back, can no longer hold on."""
    circuit = circuit_of(hidden, standing)
    loss = -network.tank_root(replace(circuit, valve=replace(circuit.valve, gm_s=0.0)), np.array([0.0]))[
        0
    ].real
    up = _crossing(circuit, 1.0)
    if up is None:
        return TrueOnset(None, None, None, None)
    down = _crossing(circuit, 1.0 + hidden.curvature.h)
    around = np.clip(np.array([up - 0.5, up, up + 0.5]), 0.0, circuit.knob.travel_deg)
    roots = network.tank_root(circuit, np.concatenate([_to(around[0]), around]))[-3:]
    slope = (roots[2].real - roots[0].real) / (around[2] - around[0]) / loss
    return TrueOnset(up, down if up > 0.0 else None, float(roots[1].imag / (2.0 * np.pi)), float(slope))


def _to(angle_deg: float) -> Floats:
    """Stepping stones from angle 0, so that the tank's root is not lost on the way."""
    return np.linspace(0.0, angle_deg, 24)[:-1]


def _crossing(circuit: network.Circuit, gm_ratio: float) -> float | None:
    """First angle at which growth turns positive; 0 where it is positive already at angle 0."""
    from scipy.optimize import brentq

    angles = np.unique(
        np.concatenate(
            [_coarse_angles(circuit.knob.travel_deg), np.arange(0.0, circuit.knob.travel_deg, 5.0)]
        )
    )
    roots = network.tank_root(circuit, angles, gm_ratio)
    if roots[0].real >= 0.0:
        return 0.0
    rising = np.flatnonzero((roots.real[:-1] < 0.0) & (roots.real[1:] >= 0.0))
    if len(rising) == 0:
        return None
    i = int(rising[0])
    near = complex(roots[i])
    loss = float(circuit.loss_ohm(abs(roots[0].imag) / (2.0 * np.pi)))

    def growth(angle_deg: float) -> float:
        g, c = network.at_angles(circuit, np.array([angle_deg]), gm_ratio)
        return float(network.newton(network.with_loss(g, loss), c, np.array([near]))[0].real)

    return float(brentq(growth, float(angles[i]), float(angles[i + 1]), xtol=1e-7))


def tuned_to(hidden: Hidden, standing: Standing, f_hz: float) -> Standing:
    """The set tuned so that its root at angle 0 has this frequency, whatever capacitance that takes."""

    def root_hz(tuning_f: float) -> float:
        circuit = circuit_of(hidden, replace(standing, tuning_f=tuning_f))
        return float(abs(network.tank_root(circuit, np.array([0.0]))[0]) / (2.0 * np.pi))

    coil = hidden.coils[standing.coil]
    guess = max(1.0 / ((2.0 * np.pi * f_hz) ** 2 * coil.l_h) - coil.stray_f, 1e-13)
    for _ in range(30):
        f = root_hz(guess)
        total = guess + coil.stray_f + hidden.valve.grid_c_f
        step = 2.0 * total * (f / f_hz - 1.0)
        guess = max(guess + step, 1e-14)
        if abs(step) < 1e-19:
            break
    return replace(standing, tuning_f=guess)


def truth_of(plan: Plan, hidden: Hidden) -> dict[str, Any]:
    """The truth file: what a test or the demo may compare with, and nothing else may see.

    Q and f0 are those of the set with the valve working, the control at angle 0, nothing near; onset and drop-out are
    without noise, with the plan's antenna on if it has one.
    """
    antenna = hidden.aerial is not None
    coils = []
    for coil in plan.coil:
        true = hidden.coils[coil.name]
        at_dials, strays = [], []
        for dial in coil.dials:
            standing = Standing(coil.name, dial, antenna=antenna)
            root = network.tank_root(circuit_of(hidden, standing), np.array([0.0]))[0]
            f0 = float(abs(root) / (2.0 * np.pi))
            c_f = float(hidden.tuning.capacitance(dial))
            c_stray = 1.0 / ((2.0 * np.pi * f0) ** 2 * true.l_h) - c_f
            strays.append(c_stray)
            at_dials.append(
                {"dial": dial, "c_f": c_f, "f0_hz": f0, "q": q_of(complex(root)), "c_stray_f": c_stray}
            )
        onset = []
        for f_hz in coil.onset_at:
            standing = tuned_to(hidden, Standing(coil.name, 0.0, antenna=antenna), f_hz)
            assert standing.tuning_f is not None
            root = network.tank_root(circuit_of(hidden, standing), np.array([0.0]))[0]
            found = true_onset(hidden, standing)
            onset.append(
                {
                    "f_hz": f_hz,
                    "dial": hidden.tuning.dial_for(standing.tuning_f),
                    "q": q_of(complex(root)),
                    "onset_deg": found.onset_deg,
                    "dropout_deg": found.dropout_deg,
                    "oscillation_hz": found.oscillation_hz,
                    "slope_per_deg": found.slope_per_deg,
                }
            )
        coils.append(
            {
                "name": coil.name,
                "l_h": true.l_h,
                "tickler_l_h": true.tickler_l_h,
                "mutual_h": true.mutual_h,
                "k": true.k,
                "gm_m_sh": hidden.valve.gm_s * true.mutual_h,
                "c_stray_f": float(np.mean(strays)) if strays else None,
                "coil_q": true.q,
                "coil_q_at_hz": true.q_at_hz,
                "dials": at_dials,
                "onset": onset,
            }
        )
    return {
        "seed": hidden.seed,
        "gm_s": hidden.valve.gm_s,
        "rp_ohm": hidden.valve.rp_ohm,
        "control_ohm": hidden.knob.resistance_ohm,
        "curvature": hidden.curvature.h,
        "added_error": hidden.added_error,
        "reaction_s": hidden.operator.reaction_s,
        "antenna": antenna,
        "coils": coils,
    }
