"""The simulated set as instruments and hands meet it: one state, one clock, one lock.

Time is the world's own: seconds of the clock handed in, usually many times faster than life. Nothing moves by itself; the
world catches up with the clock whenever somebody looks or touches.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bench.virtual import dynamics, network
from bench.virtual.dynamics import Ears, Linkage, Motion, Oscillation
from bench.virtual.scenario import AWAY, Hidden, added_true_f
from bench.virtual.truth import GrowthTable, Standing, circuit_of, growth_table
from drivers.roles import AnalyzerLimits
from drivers.simulators.sensor import SensorBatch

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

RATE_HZ = 100
KEPT_SLOTS = 1 << 15
CHUNK_SLOTS = 1000
MOST_TABLES = 24
# How long each action takes the operator, in world seconds.
PLUG_S, DIAL_S, MOVE_S, WARM_S, SOLDER_S, PAUSE_S = 6.0, 2.0, 1.5, 8.0, 3.0, 0.3
LEAST_SPEED_DEG_S, MOST_SPEED_DEG_S = 0.05, 400.0
STOP_DEG = 0.5
STANDARDS = ("open", "short", "load")
# One move of the pick-up loop changes its coupling by this much, as well as a hand can tell.
LOOP_MOVE = 2.0
MOST_LOOP = 4.0
LEAST_LEVEL_DBM, MOST_LEVEL_DBM = -75.0, -20.0


class Refused(ValueError):
    """The hands cannot do that; says why."""


@dataclass(frozen=True)
class Drive:
    """What the signal generator gives."""

    f_hz: float
    level_dbm: float
    on: bool


class SetWorld:
    """The set, its instruments' view of it (`reflection`, `apply`, `frames`) and what hands can do to it.

    Parameters
    ----------
    hidden : Hidden
        What the set is really like.
    clock : callable
        World time in seconds; never goes back.
    """

    limits = AnalyzerLimits(
        low_hz=100e3, high_hz=60e6, most_points=1001, seconds_per_point=1e-3, list_points=401
    )
    rate_hz = float(RATE_HZ)

    def __init__(self, hidden: Hidden, clock: Callable[[], float]) -> None:
        self._hidden = hidden
        self._clock = clock
        self._lock = threading.RLock()
        self._rng = np.random.default_rng([hidden.seed % (1 << 32), 0x5E7])
        first = next(iter(hidden.coils))
        self._standing = Standing(first, hidden.tuning.dial[0], loop=AWAY)
        self._added_marked: float | None = None
        self._hand: str | None = None
        self._standard: str | None = None
        self._drive = Drive(1e6, -120.0, False)
        self._level_dbm = hidden.analyzer.level_dbm
        travel, traits = hidden.knob.travel_deg, hidden.sensor
        self._linkage = Linkage(travel, traits.knob_play_deg, traits.coupling_play_deg)
        self._motion = Motion(0.0, 0.0, 0.0, 1.0)
        self._oscillation = Oscillation(hidden.curvature.h)
        self._ears = Ears(hidden.operator.reaction_s, hidden.operator.reaction_spread_s)
        self._tables: dict[Standing, GrowthTable] = {}
        self._next_slot = 0
        self._followed_s = 0.0
        self._told_slot = -1
        self._angle = np.zeros(KEPT_SLOTS)
        self._level = np.zeros(KEPT_SLOTS)
        self._mark = np.zeros(KEPT_SLOTS, dtype=bool)

    # Time

    def newest(self) -> int:
        """The newest sampling slot that has happened."""
        return int(self._clock() * RATE_HZ)

    def _catch_up(self) -> None:
        newest = self.newest()
        # After a pause longer than anybody's memory the world goes on with the present.
        self._next_slot = max(self._next_slot, newest - KEPT_SLOTS + 1)
        while self._next_slot <= newest:
            self._run(self._next_slot, min(CHUNK_SLOTS, newest + 1 - self._next_slot))

    def _run(self, first: int, count: int) -> None:
        hidden, rng = self._hidden, self._rng
        slots = np.arange(first, first + count)
        t_s = slots / RATE_HZ
        if self._motion.ends_s < self._followed_s:
            shaft = np.full(count, self._linkage.shaft_deg)
            sensor = np.full(count, self._linkage.sensor_deg)
            moving = np.zeros(count, dtype=bool)
        else:
            before = self._linkage.shaft_deg
            shaft, sensor = self._linkage.follow(self._motion.at(t_s))
            moving = np.abs(np.diff(shaft, prepend=before)) > 1e-6
            self._followed_s = float(t_s[-1])
        table = self._table()
        electrical = (
            shaft
            + self._wander(t_s)
            + np.where(moving, hidden.level.wiper_deg * rng.standard_normal(count), 0.0)
        )
        amplitude = self._oscillation.run(table, electrical, 1.0 / RATE_HZ, rng)
        ratio = np.interp(electrical, table.angle_deg, table.ratio)
        place = slots % KEPT_SLOTS
        self._angle[place] = dynamics.angle_share(hidden, sensor, rng)
        self._level[place] = dynamics.level_share(
            hidden, amplitude, ratio, moving, self._generator_share(), rng
        )
        self._mark[place] = self._ears.hear(t_s, amplitude, rng)
        self._next_slot = first + count

    def _wander(self, t_s: Floats | float) -> Floats:
        """How far the control seems to stand from where it does: the set's own drift, in degrees."""
        unrest = self._hidden.unrest
        return np.asarray(
            unrest.wander_deg * np.sin(2.0 * np.pi * t_s / unrest.wander_s + unrest.wander_phase)
        )

    def _table(self) -> GrowthTable:
        table = self._tables.get(self._standing)
        if table is None:
            if len(self._tables) >= MOST_TABLES:
                self._tables.pop(next(iter(self._tables)))
            table = self._tables[self._standing] = growth_table(circuit_of(self._hidden, self._standing))
        return table

    def _generator_share(self) -> float:
        """Share of full scale that the generator's carrier adds at the detector, the set not oscillating."""
        drive, traits = self._drive, self._hidden.level
        # No detector without its valve.
        if not (drive.on and self._standing.valve) or self._oscillation.amplitude > dynamics.HEARD:
            return 0.0
        circuit = circuit_of(self._hidden, replace(self._standing, drift=self._warmth(self._clock())))
        _, grid = network.through_loop(circuit, self._linkage.shaft_deg, np.array([drive.f_hz]))
        gain = complex(grid[0] + traits.leak)
        open_circuit_v = 2.0 * np.sqrt(network.PORT_OHM * 1e-3 * 10.0 ** (drive.level_dbm / 10.0))
        square = (open_circuit_v * abs(gain) / traits.bend_v) ** 2
        return float(traits.reach * -np.expm1(-square))

    def _warmth(self, t_s: float) -> float:
        """Relative change of the tank's capacitance as the room's warmth comes and goes."""
        traits = self._hidden.analyzer
        return float(1e-6 * traits.thermal_ppm * np.sin(2.0 * np.pi * t_s / 1800.0 + traits.drift_phase[0]))

    # Instruments

    def apply(self, f_hz: float, level_dbm: float, on: bool) -> None:
        """The generator's output is now this."""
        with self._lock:
            self._catch_up()
            self._drive = Drive(f_hz, level_dbm, on)

    def at_rest(self, f_hz: float, level_dbm: float, on: bool) -> tuple[float, float]:
        """With the generator set so and the control at rest: its carrier's share of full scale, and the set's feedback ratio."""
        with self._lock:
            self._drive = Drive(f_hz, level_dbm, on)
            table = self._table()
            ratio = float(np.interp(self._linkage.shaft_deg, table.angle_deg, table.ratio))
            return self._generator_share(), ratio

    def frames(self, first: int, count: int) -> SensorBatch:
        """What the sensor board sampled at slots `first` to `first + count - 1`."""
        with self._lock:
            self._catch_up()
            slots = np.arange(first, first + count)
            place = slots % KEPT_SLOTS
            self._told_slot = first + count - 1
            return SensorBatch(
                slots / RATE_HZ, self._angle[place], self._level[place], self._mark[place].copy()
            )

    @property
    def told_s(self) -> float:
        """World time of the newest sample that the sensor board has taken away."""
        return self._told_slot / RATE_HZ

    def reflection(self, f_hz: Floats) -> Complexes:
        """What the analyzer reads at the end of its cable, (n,): loop, cable, slope, drift and noise."""
        with self._lock:
            self._catch_up()
            t_s = self._clock()
            if self._standard is not None:
                return self._noisy(self._through_cable(_standard(self._standard, f_hz), f_hz, t_s))
            circuit = circuit_of(self._hidden, replace(self._standing, drift=self._warmth(t_s)))
            angle, table = self._linkage.shaft_deg + float(self._wander(t_s)), self._table()
            angle = float(np.clip(angle, 0.0, self._hidden.knob.travel_deg))
            singing = (
                self._oscillation.amplitude > 0.01 or np.interp(angle, table.angle_deg, table.growth) > 0.0
            )
            rng = self._rng
            at_analyzer = self._through_cable(
                self._loop_alone(f_hz) if singing else self._gamma(circuit, angle, f_hz), f_hz, t_s
            )
            noise = rng.standard_normal((2, len(f_hz)))
            if singing:
                f_osc = float(np.interp(angle, table.angle_deg, table.f_hz))
                noise = noise * (20.0 + 400.0 / (1.0 + np.abs(f_hz / f_osc - 1.0) / 0.004))
            return np.asarray(at_analyzer + self._hiss * (noise[0] + 1j * noise[1]))

    @property
    def _hiss(self) -> float:
        """Noise of one quadrature: the receiver's own stays, so a weaker signal stands less far above it."""
        traits = self._hidden.analyzer
        return float(traits.noise * 10.0 ** ((traits.level_dbm - self._level_dbm) / 20.0))

    @property
    def level_range_dbm(self) -> tuple[float, float]:
        """The analyzer's least and greatest output."""
        return LEAST_LEVEL_DBM, MOST_LEVEL_DBM

    @property
    def level_dbm(self) -> float:
        """The analyzer's output."""
        return self._level_dbm

    def set_level(self, level_dbm: float) -> None:
        """The analyzer's output is now this."""
        with self._lock:
            self._level_dbm = level_dbm

    def _gamma(self, circuit: network.Circuit, angle_deg: float, f_hz: Floats) -> Complexes:
        """Reflection at the loop, the valve biased at every frequency by what its grid leak makes of the signal."""
        ratio = np.ones(len(f_hz))
        # The amplitude behind 50 ohm whose available power this is.
        emf_v = np.sqrt(8.0 * network.PORT_OHM * 1e-3 * 10.0 ** (self._level_dbm / 10.0))
        for _ in range(4):
            z, grid = network.through_loop(circuit, angle_deg, f_hz, ratio)
            square = (emf_v * np.abs(grid) / self._hidden.unrest.rectified_v) ** 2
            ratio = np.sqrt(ratio / (1.0 + square))
        return np.asarray((z - network.PORT_OHM) / (z + network.PORT_OHM))

    def _noisy(self, s: Complexes) -> Complexes:
        noise = self._rng.standard_normal((2, len(s)))
        return np.asarray(s + self._hiss * (noise[0] + 1j * noise[1]))

    def _loop_alone(self, f_hz: Floats) -> Complexes:
        z = self._hidden.loop_r_ohm + 2j * np.pi * f_hz * self._hidden.loop_l_h
        return np.asarray((z - network.PORT_OHM) / (z + network.PORT_OHM))

    def _through_cable(self, gamma: Complexes, f_hz: Floats, t_s: float) -> Complexes:
        traits = self._hidden.analyzer
        db = (
            traits.gain_db
            + traits.slope_db * np.log10(f_hz / 5e6)
            - 2.0 * traits.loss_db_at_10mhz * np.sqrt(f_hz / 1e7)
        )
        there_and_back = np.exp(1j * traits.phase_rad - 4j * np.pi * f_hz * traits.delay_s)
        turn = 2.0 * np.pi * t_s / np.array(traits.drift_period_s) + np.array(traits.drift_phase)
        drift = 1.0 + traits.drift * complex(np.sin(turn[0]), np.sin(turn[1]))
        return np.asarray(drift * (traits.directivity + gamma * there_and_back * 10.0 ** (db / 20.0)))

    # Hands: each returns how long it takes, in world seconds, and changes the set at once or at the end of that

    def plug(self, name: str) -> float:
        """Plug in a coil."""
        if name not in self._hidden.coils:
            raise Refused(f"there is no coil {name!r}; the coils are {', '.join(self._hidden.coils)}")
        return self._change(replace(self._standing, coil=name), PLUG_S)

    def set_dial(self, value: float) -> float:
        """Turn the tuning dial to a reading, as well as a person can."""
        low, high = sorted(self._hidden.tuning.dial)
        slack = 1e-6 * (high - low)
        if not low - slack <= value <= high + slack:
            raise Refused(f"the dial goes from {low:g} to {high:g}, not to {value:g}")
        spread = self._hidden.operator.dial_setting * (high - low)
        with self._lock:
            set_to = float(np.clip(value + spread * self._rng.standard_normal(), low, high))
        return self._change(replace(self._standing, dial=set_to), DIAL_S)

    def dial_reading(self) -> float:
        """The dial as a person reads it, to a thousandth of its span."""
        low, high = sorted(self._hidden.tuning.dial)
        step = 10.0 ** np.floor(np.log10((high - low) / 1000.0) + 1e-9)
        with self._lock:
            seen = self._standing.dial + 0.3 * step * self._rng.standard_normal()
        return float(np.clip(round(seen / step) * step, low, high).round(12))

    def set_loop(self, near: bool) -> float:
        """Bring the pick-up loop to the coil, never twice to the same place, or take it well away."""
        with self._lock:
            place = float(self._rng.uniform(0.9, 1.1)) if near else AWAY
        return self._change(replace(self._standing, loop=place), MOVE_S)

    def move_loop(self, looser: bool) -> float:
        """Move the pick-up loop a little further from the coil, or nearer."""
        with self._lock:
            now = self._standing.loop
            if now <= AWAY:
                raise Refused("the pick-up loop is not at the coil; bring it there first")
            by = LOOP_MOVE * float(self._rng.uniform(0.9, 1.1))
            place = max(now / by, 1.1 * AWAY) if looser else min(now * by, MOST_LOOP)
        return self._change(replace(self._standing, loop=place), MOVE_S)

    def set_antenna(self, connected: bool) -> float:
        """Connect or disconnect the antenna."""
        if connected and self._hidden.aerial is None:
            raise Refused("the plan has no antenna; add [receiver.antenna]")
        return self._change(replace(self._standing, antenna=connected), MOVE_S)

    def set_valve(self, working: bool) -> float:
        """Heater and supply on (and warm) or off."""
        return self._change(replace(self._standing, valve=working), WARM_S)

    def set_added(self, c_f: float | None) -> float:
        """Put a known capacitor across the tuning capacitor, or take it off."""
        if c_f is not None and not 0.0 < c_f < 1e-6:
            raise Refused(f"a known capacitor of {c_f:g} F is not to be had")
        self._added_marked = c_f
        true = 0.0 if c_f is None else added_true_f(self._hidden, c_f)
        return self._change(replace(self._standing, added_f=true), SOLDER_S)

    def set_hand(self, position: str | None) -> float:
        """Hold a hand somewhere near the set, or take it away."""
        places = self._hidden.body_f
        if position is not None and position not in places:
            raise Refused(f"no such place for a hand: {position!r}; places are {', '.join(places)}")
        self._hand = position
        with self._lock:
            held = 1.0 + self._hidden.unrest.hand_share * float(
                np.clip(self._rng.standard_normal(), -2.5, 2.5)
            )
        body_f = places[position] * held if position else 0.0
        return self._change(replace(self._standing, body_f=body_f), MOVE_S)

    def set_standard(self, name: str | None) -> float:
        """Screw a calibration standard to the cable's end in the loop's place, or put the loop back."""
        if name not in (None, *STANDARDS):
            raise Refused(f"there is no standard {name!r}; there are {', '.join(STANDARDS)}")
        with self._lock:
            self._standard = name
        return MOVE_S

    def set_listening(self, on: bool) -> float:
        """Put the headphones on, finger on the mark switch; or take them off."""
        with self._lock:
            self._catch_up()
            self._ears.listening = on
            if not on:
                self._ears.presses_s.clear()
        return 0.0

    def turn(self, to_deg: float, speed_deg_s: float) -> float:
        """Start turning the regeneration control to where `to_deg` seems to be; the stops stop it."""
        if not LEAST_SPEED_DEG_S <= speed_deg_s <= MOST_SPEED_DEG_S:
            raise Refused(
                f"a hand turns {LEAST_SPEED_DEG_S:g} to {MOST_SPEED_DEG_S:g} degrees a second, not {speed_deg_s:g}"
            )
        if not np.isfinite(to_deg):
            raise Refused("the angle is not a number")
        travel, beyond = self._hidden.knob.travel_deg, self._hidden.sensor.knob_play_deg
        with self._lock:
            self._catch_up()
            now = self._clock()
            if to_deg <= STOP_DEG:
                end = -beyond
            elif to_deg >= travel - STOP_DEG:
                end = travel + beyond
            else:
                misjudged = self._hidden.operator.judging_deg * float(
                    np.clip(self._rng.standard_normal(), -2.0, 2.0)
                )
                end = float(np.clip(to_deg + misjudged, 0.0, travel))
            start = float(self._motion.at(np.array([now]))[0])
            self._motion = Motion(now, start, end, speed_deg_s)
            return self._motion.ends_s - now + PAUSE_S

    def judged_angle(self) -> float:
        """The control's angle as a person judges it, to a degree."""
        with self._lock:
            self._catch_up()
            seen = self._linkage.shaft_deg + self._hidden.operator.judging_deg * self._rng.standard_normal()
            return float(round(np.clip(seen, 0.0, self._hidden.knob.travel_deg)))

    def seen(self) -> dict[str, object]:
        """How the set stands, as far as a person can see and hear."""
        with self._lock:
            self._catch_up()
            standing = self._standing
            return {
                "time_s": self._clock(),
                "coil": standing.coil,
                "dial": self.dial_reading(),
                "angle_deg": self.judged_angle(),
                "turning": self._motion.ends_s > self._clock(),
                "valve": standing.valve,
                "antenna": standing.antenna,
                "loop": standing.loop > AWAY,
                "added_c_f": self._added_marked,
                "hand": self._hand,
                "listening": self._ears.listening,
                "oscillating": self._oscillation.amplitude > dynamics.HEARD,
            }

    def _change(self, standing: Standing, takes_s: float) -> float:
        with self._lock:
            self._catch_up()
            self._standing = standing
        return takes_s


def _standard(name: str, f_hz: Floats) -> Complexes:
    """Reflection of a good, not perfect, standard: 0.03 pF at the open, 0.1 nH at the short, a load of 50.1 ohm."""
    s = 2j * np.pi * f_hz
    z = {"open": 1.0 / (s * 3e-14), "short": s * 1e-10, "load": 50.1 + 0.0 * s}[name]
    return np.asarray((z - network.PORT_OHM) / (z + network.PORT_OHM))
