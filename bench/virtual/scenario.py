"""What the simulated set is really like: hidden truth, drawn around a plan from a seed.

| part | true value against the plan's |
| --- | --- |
| grid coil L, tickler L, k | ±3 %, ±3 %, ±10 % (uniform), the same for every number of turns |
| coil Q | 10 to 30 % below its geometry's (within 7 % of a Q that the plan gives) |
| self-capacitance | 0.9 to 1.2 times, plus 6 to 12 pF of wiring and valve |
| gm, rp | ±15 %, ±10 % (uniform) |
| control's resistance | 3 % (one standard deviation), taper off by 0.6 and 0.3 % of the element, up to 1.5° more dead travel at either end |
| throttle capacitor's ends | 2 % |
| feedback capacitor; choke; small capacitances; antenna | 3 %; 5 %; 5 %; 5 % |
| tuning capacitor | most ±2.5 %, least ±6 %, its own curve between |
| known capacitor | 0.5 % |
| onset, of itself | wanders by 0.05 to 0.25° in 10 to 30 minutes |
| analyzer's signal | rectified at the grid: 0.1 V there takes 0.25 to 1 % off gm |
| a hand | 0.02 to 1.2 pF, 10 % otherwise each time it is held there |

Draws hang on the seed and the coil's name only, so a plan with another number of turns meets the same set, valve and form.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.errors import PlanError
from bench.plan.schema import Coil, Plan
from bench.virtual import network

Floats = NDArray[np.float64]

NOMINAL_GM_S = {"triode": 0.65e-3, "pentode": 1.2e-3, "fet": 3e-3, "bipolar": 10e-3}
NOMINAL_RP_OHM = {"triode": 25e3, "pentode": 800e3, "fet": 30e3, "bipolar": 60e3}
LOOP_NEAR_BETA = (0.10, 0.16)
AWAY = 0.01


@dataclass(frozen=True)
class NominalCoil:
    """What a plan's coil should be; `q_at` is Q by geometry alone where the plan gives no Q of its own."""

    l_h: float
    tickler_l_h: float
    k: float
    c_self_f: float
    q_at: Callable[[float], float]


@dataclass(frozen=True)
class TuningLaw:
    """C(dial) of the real tuning capacitor: between `first_f` and `last_f` by a power law with a wave in it."""

    dial: tuple[float, float]
    first_f: float
    last_f: float
    power: float
    wave: float

    def capacitance(self, dial: Floats | float) -> Floats:
        """Capacitance in F at each dial reading (clipped to the dial's ends)."""
        u = np.clip((np.asarray(dial, float) - self.dial[0]) / (self.dial[1] - self.dial[0]), 0.0, 1.0)
        if self.first_f < self.last_f:
            u = 1.0 - u
        u = u + self.wave * np.sin(2.0 * np.pi * u)
        most, least = max(self.first_f, self.last_f), min(self.first_f, self.last_f)
        return np.asarray(least + (most - least) * (1.0 - u) ** self.power)

    def dial_for(self, c_f: float) -> float | None:
        """Dial reading with this capacitance; None outside the capacitor's range."""
        low, high = sorted((self.first_f, self.last_f))
        if not low <= c_f <= high:
            return None
        dials = np.linspace(self.dial[0], self.dial[1], 4001)
        c = self.capacitance(dials)
        order = np.argsort(c)
        return float(np.interp(c_f, c[order], dials[order]))


@dataclass(frozen=True)
class TrueCoil:
    """One coil as it really is."""

    name: str
    l_h: float
    tickler_l_h: float
    k: float
    stray_f: float
    q: float
    q_at_hz: float
    q_slope: float
    tickler_q: float
    loop_beta: float

    @property
    def mutual_h(self) -> float:
        """Mutual inductance of tickler and grid winding."""
        return float(self.k * np.sqrt(self.l_h * self.tickler_l_h))


@dataclass(frozen=True)
class Curvature:
    """gm(A) = gm·(1 + h·(2A² − A⁴)), A in volts over `scale_v`: gm peaks at A = 1, so the set holds on below onset."""

    h: float
    scale_v: float

    def upper(self, ratio: Floats) -> Floats:
        """Steady amplitude where gm(A)/gm equals `ratio` (NaN: none)."""
        inside = 1.0 + (1.0 - np.asarray(ratio, float)) / self.h
        return np.sqrt(1.0 + np.sqrt(np.where(inside >= 0.0, inside, np.nan)))

    def lower(self, ratio: Floats) -> Floats:
        """Amplitude above which oscillation holds on by itself (0 where it starts from nothing, NaN: nowhere)."""
        inside = 1.0 + (1.0 - np.asarray(ratio, float)) / self.h
        return np.sqrt(np.maximum(1.0 - np.sqrt(np.where(inside >= 0.0, inside, np.nan)), 0.0))


@dataclass(frozen=True)
class AnalyzerTraits:
    """What lies between the loop and the numbers."""

    noise: float
    delay_s: float
    loss_db_at_10mhz: float
    gain_db: float
    phase_rad: float
    slope_db: float
    directivity: complex
    drift: float
    drift_period_s: tuple[float, float]
    drift_phase: tuple[float, float]
    thermal_ppm: float
    level_dbm: float = -50.0


@dataclass(frozen=True)
class Unrest:
    """What changes while nobody touches anything, and what the analyzer's signal does to the valve.

    The onset wanders by `wander_deg` over `wander_s` (heater, supply, temperature); a signal of `rectified_v` volts at the
    grid would halve gm: the grid leak rectifies it and biases the valve by what it gets. A hand is never held twice in the
    same place: its capacitance scatters by `hand_share`.
    """

    wander_deg: float
    wander_s: float
    wander_phase: float
    rectified_v: float
    hand_share: float


@dataclass(frozen=True)
class SensorTraits:
    """The sensor board and its coupling; counts of a 12-bit converter, angles in degrees."""

    stop_low: float
    stop_high: float
    noise_counts: float
    bow_deg: float
    knob_play_deg: float
    coupling_play_deg: float


@dataclass(frozen=True)
class LevelTraits:
    """The detector's output as a share of the converter's full scale.

    A carrier of V volts at the grid adds `reach`·(1 - exp(-s²)), s = V/`bend_v`: square law that flattens. `leak`: grid voltage
    per volt of the generator that gets there past the loop.
    """

    quiet: float
    swing: float
    hiss: float
    crackle: float
    wiper_deg: float
    reach: float
    bend_v: float
    leak: complex


@dataclass(frozen=True)
class OperatorTraits:
    """The virtual operator: reaction times in s, judging of angles in degrees, dial setting as a share of its span."""

    reaction_s: float
    reaction_spread_s: float
    judging_deg: float
    dial_setting: float


@dataclass(frozen=True)
class Hidden:
    """The whole hidden truth of one seed."""

    seed: int
    knob: network.Knob
    chassis: network.Chassis
    valve: network.Valve
    space_charge_f: float
    aerial: network.Aerial | None
    tuning: TuningLaw
    coils: dict[str, TrueCoil]
    curvature: Curvature
    analyzer: AnalyzerTraits
    loop_l_h: float
    loop_r_ohm: float
    sensor: SensorTraits
    level: LevelTraits
    operator: OperatorTraits
    added_error: float
    body_f: dict[str, float]
    unrest: Unrest

    def coil_q(self, name: str, f_hz: float) -> float:
        """Q of a coil by itself."""
        coil = self.coils[name]
        return float(coil.q * (f_hz / coil.q_at_hz) ** coil.q_slope)


def _generator(seed: int, word: str) -> np.random.Generator:
    return np.random.default_rng([seed % (1 << 32), zlib.crc32(word.encode())])


def nominal_coils(plan: Plan) -> dict[str, NominalCoil]:
    """Each coil's nominal values, from the plan's geometry or from the values written in its place."""
    from bench.model import TYPICAL_Q_SHARE, coil_model

    nominal = {}
    for coil in plan.coil:
        model = coil_model(plan, coil)
        if coil.grid.q is None and model.c_self_f is None:
            raise PlanError(
                f"coil {coil.name!r}: the virtual bench needs grid.q, or the grid winding's geometry."
            )
        share = TYPICAL_Q_SHARE if coil.grid.q is None else 1.0

        def q_at(f_hz: float, law: Callable[[float], object] = model.q_at, share: float = share) -> float:
            return float(np.asarray(law(f_hz))) / share

        nominal[coil.name] = NominalCoil(model.l_h, model.tickler_l_h, model.k, model.c_self_f or 2e-12, q_at)
    return nominal


def draw(plan: Plan, seed: int, nominal: dict[str, NominalCoil] | None = None) -> Hidden:
    """Draw the hidden truth of a seed around a plan.

    Parameters
    ----------
    plan : Plan
    seed : int
    nominal : dict, optional
        Nominal coils by name; from the plan's geometry if left out.

    Raises
    ------
    PlanError
        The plan's set is wired as no virtual set is.
    """
    if plan.receiver.topology != "tickler":
        raise PlanError(
            f'The virtual bench has no set with receiver.topology = "{plan.receiver.topology}"; measure the real one, '
            "or leave topology out and give each coil a tickler."
        )
    nominal = nominal_coils(plan) if nominal is None else nominal
    receiver = plan.receiver
    rng = _generator(seed, "valve")
    valve = network.Valve(
        gm_s=(receiver.gm or NOMINAL_GM_S[receiver.device]) * rng.uniform(0.85, 1.15),
        rp_ohm=(receiver.rp or NOMINAL_RP_OHM[receiver.device]) * rng.uniform(0.90, 1.10),
        leak_ohm=rng.uniform(0.7e6, 2e6),
        grid_c_f=rng.uniform(3e-12, 5e-12),
    )
    space_charge = rng.uniform(0.3e-12, 0.9e-12)
    curvature = Curvature(h=rng.uniform(0.03, 0.09), scale_v=rng.uniform(0.6, 1.2))
    tuning = _tuning(plan, _generator(seed, "tuning"))
    return Hidden(
        seed=seed,
        knob=_knob(plan, _generator(seed, "control")),
        chassis=_chassis(plan, _generator(seed, "chassis")),
        valve=valve,
        space_charge_f=space_charge,
        aerial=_aerial(plan, _generator(seed, "antenna")),
        tuning=tuning,
        coils={
            coil.name: _coil(coil, nominal[coil.name], tuning, _generator(seed, "coil " + coil.name))
            for coil in plan.coil
        },
        curvature=curvature,
        analyzer=_analyzer(_generator(seed, "analyzer")),
        loop_l_h=_generator(seed, "loop").uniform(0.35e-6, 0.6e-6),
        loop_r_ohm=0.3,
        sensor=_sensor(plan, _generator(seed, "sensor")),
        level=_level(plan, _generator(seed, "level")),
        operator=_operator(_generator(seed, "operator")),
        added_error=float(_generator(seed, "added").normal(0.0, 0.005)),
        body_f=_body(_generator(seed, "body")),
        unrest=_unrest(_generator(seed, "unrest")),
    )


def _near(rng: np.random.Generator, value: float, share: float) -> float:
    """`value` with a normal relative error, never beyond two and a half standard deviations."""
    return float(value * (1.0 + share * np.clip(rng.normal(), -2.5, 2.5)))


def _tuning(plan: Plan, rng: np.random.Generator) -> TuningLaw:
    tuning = plan.receiver.tuning
    first, last = tuning.capacitance
    most, least = 1.0 + rng.uniform(-0.025, 0.025), 1.0 + rng.uniform(-0.06, 0.06)
    scale = (most, least) if first > last else (least, most)
    return TuningLaw(
        tuning.dial, first * scale[0], last * scale[1], rng.uniform(1.05, 1.7), rng.uniform(-0.02, 0.02)
    )


def _knob(plan: Plan, rng: np.random.Generator) -> network.Knob:
    control = plan.receiver.control
    least, most = control.capacitance or (0.0, 0.0)
    return network.Knob(
        kind=control.kind,
        travel_deg=control.travel_deg,
        dead_deg=(control.dead_deg[0] + rng.uniform(0.0, 1.5), control.dead_deg[1] + rng.uniform(0.0, 1.5)),
        bend=(0.006 * np.clip(rng.normal(), -2.5, 2.5), 0.003 * np.clip(rng.normal(), -2.5, 2.5)),
        taper=control.taper,
        resistance_ohm=_near(rng, control.resistance or 0.0, 0.03),
        capacitance_f=(_near(rng, least, 0.02), _near(rng, most, 0.02)),
        law=control.law,
        gm_power=0.5 if plan.receiver.device in ("triode", "pentode") else 1.0,
    )


def _chassis(plan: Plan, rng: np.random.Generator) -> network.Chassis:
    feedback = plan.receiver.feedback
    return network.Chassis(
        feedback_c_f=_near(rng, feedback.capacitor, 0.03),
        choke_h=None if feedback.choke is None else _near(rng, feedback.choke, 0.05),
        choke_c_f=_near(rng, feedback.choke_capacitance, 0.05),
        plate_c_f=_near(rng, feedback.plate_capacitance, 0.05),
        grid_plate_c_f=_near(rng, feedback.grid_plate_capacitance, 0.05),
        winding_c_f=_near(rng, feedback.winding_capacitance, 0.05),
    )


def _aerial(plan: Plan, rng: np.random.Generator) -> network.Aerial | None:
    antenna = plan.receiver.antenna
    if antenna is None:
        return None
    return network.Aerial(
        coupling_c_f=_near(rng, antenna.coupling_capacitor, 0.05),
        resistance_ohm=_near(rng, antenna.resistance, 0.05),
        capacitance_f=_near(rng, antenna.capacitance, 0.05),
    )


def _coil(coil: Coil, nominal: NominalCoil, tuning: TuningLaw, rng: np.random.Generator) -> TrueCoil:
    inductance = nominal.l_h * rng.uniform(0.97, 1.03)
    tickler = nominal.tickler_l_h * rng.uniform(0.97, 1.03)
    k = min(nominal.k * rng.uniform(0.90, 1.10), 0.95)
    stray = nominal.c_self_f * rng.uniform(0.9, 1.2) + rng.uniform(3e-12, 7e-12)
    spans = np.array([tuning.first_f, tuning.last_f]) + nominal.c_self_f + 10e-12
    low, high = np.sort(1.0 / (2.0 * np.pi * np.sqrt(nominal.l_h * spans)))
    middle = float(np.sqrt(low * high))
    slope = float(np.log(nominal.q_at(high) / nominal.q_at(low)) / np.log(high / low)) + rng.uniform(
        -0.05, 0.05
    )
    better = (0.93, 1.07) if coil.grid.q is not None else (0.70, 0.90)
    return TrueCoil(
        name=coil.name,
        l_h=inductance,
        tickler_l_h=tickler,
        k=k,
        stray_f=stray,
        q=float(nominal.q_at(middle)) * rng.uniform(*better),
        q_at_hz=middle,
        q_slope=slope,
        tickler_q=rng.uniform(25.0, 60.0),
        loop_beta=rng.uniform(*LOOP_NEAR_BETA),
    )


def _analyzer(rng: np.random.Generator) -> AnalyzerTraits:
    metres = rng.uniform(0.9, 1.1)
    return AnalyzerTraits(
        noise=rng.uniform(5e-4, 1e-3),
        # Solid polyethylene: velocity factor 0.66.
        delay_s=metres / (0.66 * 299792458.0),
        loss_db_at_10mhz=0.05 * metres,
        gain_db=rng.uniform(-0.3, 0.3),
        phase_rad=rng.uniform(-0.2, 0.2),
        slope_db=rng.uniform(-1.0, 1.0),
        directivity=0.01 * complex(rng.normal(), rng.normal()),
        drift=rng.uniform(0.5e-3, 2e-3),
        drift_period_s=(rng.uniform(200.0, 500.0), rng.uniform(300.0, 900.0)),
        drift_phase=(rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.0, 2.0 * np.pi)),
        thermal_ppm=rng.uniform(5.0, 30.0),
    )


def _sensor(plan: Plan, rng: np.random.Generator) -> SensorTraits:
    low, high = rng.uniform(150.0, 500.0), rng.uniform(3550.0, 3950.0)
    if plan.receiver.control.direction == "anticlockwise":
        low, high = high, low
    return SensorTraits(
        stop_low=low,
        stop_high=high,
        noise_counts=rng.uniform(0.8, 1.6),
        bow_deg=rng.uniform(-0.2, 0.2),
        knob_play_deg=rng.uniform(0.5, 1.5),
        coupling_play_deg=rng.uniform(0.1, 0.4),
    )


def _level(plan: Plan, rng: np.random.Generator) -> LevelTraits:
    # Only where the control feeds the plate or screen does direct current run through its wiper, and scratches.
    scratch = 4.0 if plan.receiver.control.kind == "supply" else 1.0
    return LevelTraits(
        quiet=rng.uniform(0.05, 0.10),
        swing=rng.uniform(0.30, 0.45),
        hiss=rng.uniform(0.002, 0.005),
        crackle=scratch * rng.uniform(1.2, 2.5),
        wiper_deg=rng.uniform(0.02, 0.10),
        reach=rng.uniform(0.25, 0.40),
        bend_v=rng.uniform(0.3, 0.7),
        leak=0.02 * complex(rng.normal(), rng.normal()),
    )


def _operator(rng: np.random.Generator) -> OperatorTraits:
    return OperatorTraits(
        reaction_s=rng.uniform(0.22, 0.28), reaction_spread_s=0.06, judging_deg=1.5, dial_setting=0.001
    )


def _body(rng: np.random.Generator) -> dict[str, float]:
    return {
        "panel": rng.uniform(0.02e-12, 0.08e-12),
        "dial": rng.uniform(0.05e-12, 0.2e-12),
        "cabinet": rng.uniform(0.05e-12, 0.15e-12),
        "antenna": rng.uniform(0.1e-12, 0.4e-12),
        "coil": rng.uniform(0.3e-12, 1.2e-12),
    }


def _unrest(rng: np.random.Generator) -> Unrest:
    return Unrest(
        wander_deg=rng.uniform(0.05, 0.25),
        wander_s=rng.uniform(600.0, 1800.0),
        wander_phase=rng.uniform(0.0, 2.0 * np.pi),
        rectified_v=rng.uniform(1.0, 2.0),
        hand_share=0.1,
    )


def added_true_f(hidden: Hidden, c_f: float) -> float:
    """What a capacitor marked `c_f` really is."""
    return c_f * (1.0 + hidden.added_error)


def demo_plan_path() -> Path:
    """The demo's plan."""
    return Path(__file__).with_name("demo_plan.toml")
