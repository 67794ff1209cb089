"""How the simulated set moves in time: the hand on the knob, play in the couplings, growth and decay of oscillation.

One step is one frame of the sensor. Linear growth comes out of tables made beforehand (`truth.GrowthTable`); a step is a
handful of multiplications, so that a second of the world costs well under a millisecond.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bench.virtual.scenario import Hidden
from bench.virtual.truth import MOST_RATIO, GrowthTable

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TREMBLE = 0.2
TREMBLE_HZ = 0.7
HEARD = 0.5
PRESS_S = 0.15
FULL_SCALE = 4095
# Thermal agitation in the tank against a full-grown oscillation: some 110 dB below it.
AGITATION = math.log(3e-6)
NO_BRANCH = -99.0


@dataclass(frozen=True)
class Motion:
    """One turn of the knob: from `start_deg` at `t_s` to `end_deg`, as steadily as a hand can."""

    t_s: float
    start_deg: float
    end_deg: float
    speed_deg_s: float

    @property
    def ends_s(self) -> float:
        """When it is there."""
        if self.start_deg == self.end_deg:
            return self.t_s
        slack = TREMBLE / (2.0 * math.pi * TREMBLE_HZ)
        return self.t_s + abs(self.end_deg - self.start_deg) / self.speed_deg_s + slack

    def at(self, t_s: Floats) -> Floats:
        """Knob angle at each moment."""
        since = np.maximum(t_s - self.t_s, 0.0)
        omega = 2.0 * math.pi * TREMBLE_HZ
        way = self.speed_deg_s * (since + TREMBLE / omega * np.sin(omega * since))
        distance = self.end_deg - self.start_deg
        return np.asarray(self.start_deg + math.copysign(1.0, distance) * np.minimum(way, abs(distance)))


@dataclass
class Linkage:
    """Knob, shaft and sensor with the play between them; the shaft has the end stops."""

    travel_deg: float
    knob_play_deg: float
    coupling_play_deg: float
    shaft_deg: float = 0.0
    sensor_deg: float = 0.0

    def follow(self, knob_deg: Floats) -> tuple[Floats, Floats]:
        """Shaft and sensor angle for each knob angle, in order."""
        half_knob, half_coupling, travel = (
            0.5 * self.knob_play_deg,
            0.5 * self.coupling_play_deg,
            self.travel_deg,
        )
        shaft, sensor = self.shaft_deg, self.sensor_deg
        shafts, sensors = [], []
        for knob in knob_deg.tolist():
            shaft = min(max(shaft, knob - half_knob), knob + half_knob)
            shaft = 0.0 if shaft < 0.0 else min(shaft, travel)
            sensor = min(max(sensor, shaft - half_coupling), shaft + half_coupling)
            shafts.append(shaft)
            sensors.append(sensor)
        self.shaft_deg, self.sensor_deg = shaft, sensor
        return np.array(shafts), np.array(sensors)


@dataclass
class Oscillation:
    """Amplitude in time; its logarithm is the state, 0 where gm is greatest."""

    h: float
    log_amplitude: float = AGITATION

    @property
    def amplitude(self) -> float:
        """Amplitude now."""
        return math.exp(self.log_amplitude)

    def run(self, table: GrowthTable, angle_deg: Floats, dt_s: float, rng: np.random.Generator) -> Floats:
        """Amplitude at the end of each step of `dt_s`, the control standing at `angle_deg` (n,) meanwhile.

        d ln A/dt = κ·(gm(A)/gm − ratio), κ and ratio of the angle; a step never jumps over the steady amplitude it is bound
        for, and never below agitation, which regeneration lifts.
        """
        growth = np.interp(angle_deg, table.angle_deg, table.growth)
        ratio = np.interp(angle_deg, table.angle_deg, table.ratio)
        slope = np.interp(angle_deg, table.angle_deg, table.per_ratio)
        usable = (ratio < 0.1 * MOST_RATIO) & (slope > 0.0)
        off = 1.0 - ratio
        secant = np.divide(growth, off, out=slope.copy(), where=usable & (np.abs(off) > 0.01))
        kappa = np.where(usable & (secant > 0.0), secant, 0.0)
        branch = 1.0 + off / self.h
        holds = usable & (branch >= 0.0)
        upper = np.full(len(angle_deg), NO_BRANCH)
        upper[holds] = 0.5 * np.log(1.0 + np.sqrt(branch[holds]))
        stillness = np.where(growth < 0.0, -growth, 1.0)
        floor = AGITATION + 0.5 * np.log(np.maximum(-table.growth[0], 1.0) / stillness).clip(0.0, 5.0)
        floor += 0.3 * rng.standard_normal(len(angle_deg))
        return self._steps(
            growth.tolist(), kappa.tolist(), ratio.tolist(), upper.tolist(), floor.tolist(), dt_s
        )

    def _steps(
        self,
        growth: list[float],
        kappa: list[float],
        ratio: list[float],
        upper: list[float],
        floor: list[float],
        dt_s: float,
    ) -> Floats:
        x, h, exp = self.log_amplitude, self.h, math.exp
        out = []
        for rate, k, level, top, bottom in zip(growth, kappa, ratio, upper, floor, strict=True):
            if x > -2.5 and k > 0.0:
                square = exp(2.0 * x)
                rate = k * (1.0 + h * square * (2.0 - square) - level)
            before = x
            x += rate * dt_s
            if rate > 0.0:
                if x > top > NO_BRANCH:
                    x = top
            elif before >= top > NO_BRANCH and x < top:
                x = top
            elif x < bottom:
                x = bottom
            out.append(x)
        self.log_amplitude = x
        return np.asarray(np.exp(np.array(out)))


@dataclass
class Ears:
    """Presses the mark a reaction time after oscillation is heard to start or stop, while asked to listen."""

    reaction_s: float
    spread_s: float
    listening: bool = False
    hearing: bool = False
    presses_s: list[float] = field(default_factory=list)

    def hear(self, t_s: Floats, amplitude: Floats, rng: np.random.Generator) -> Bools:
        """The mark switch at each moment."""
        loud = amplitude > HEARD
        before = np.concatenate([[self.hearing], loud[:-1]])
        self.hearing = bool(loud[-1])
        if self.listening:
            for moment in t_s[loud != before]:
                delay = max(0.08, self.reaction_s + self.spread_s * rng.standard_normal())
                self.presses_s.append(float(moment) + delay)
        self.presses_s = [press for press in self.presses_s if press + PRESS_S >= t_s[0]]
        mark = np.zeros(len(t_s), dtype=bool)
        for press in self.presses_s:
            mark |= (t_s >= press) & (t_s < press + PRESS_S)
        return mark


def level_share(
    hidden: Hidden,
    amplitude: Floats,
    ratio: Floats,
    moving: Bools,
    generator_share: float,
    rng: np.random.Generator,
) -> Floats:
    """The detector's output as a share of full scale: rises with amplitude, hisses, crackles while the wiper moves."""
    traits = hidden.level
    n = len(amplitude)
    square = amplitude**2
    lift = np.clip(0.03 / np.maximum(np.abs(1.0 - ratio), 1e-9), 0.0, 1.0)
    hiss = traits.hiss * (1.0 + lift) * np.where(moving, traits.crackle, 1.0)
    noise = hiss * rng.standard_normal(n)
    scratch = moving & (rng.random(n) < 0.003)
    noise = noise + np.where(scratch, 5.0 * traits.hiss * rng.standard_normal(n), 0.0)
    return np.asarray(traits.quiet + traits.swing * square / (square + 2.0) + generator_share + noise)


def angle_share(hidden: Hidden, sensor_deg: Floats, rng: np.random.Generator) -> Floats:
    """What reaches the converter from the sensor's angle, as a share of full scale."""
    traits = hidden.sensor
    share = sensor_deg / hidden.knob.travel_deg
    bowed = share + traits.bow_deg / hidden.knob.travel_deg * np.sin(np.pi * share)
    counts = traits.stop_low + (traits.stop_high - traits.stop_low) * bowed
    noise = traits.noise_counts * rng.standard_normal(len(counts))
    return np.asarray((counts + noise) / FULL_SCALE)
