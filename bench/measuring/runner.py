"""Which reading is next, who is asked, what is recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from bench.errors import ReadingError
from bench.measuring.calibrated import Calibrated
from bench.measuring.instruments import Instruments
from bench.measuring.operator import Operator, Setup, Skipped
from bench.measuring.progress import Reporter
from bench.measuring.wanted import SAME_FREQUENCY, Wanted, antenna_state, out_of_reach, same_dial
from bench.plan.schema import Plan, recipe
from bench.quantities import parse, show
from bench.readings import onset as onset_readings
from bench.session.folder import Session
from drivers.errors import WireError

MOST_TRIES = 3
TUNED = 0.002
MOST_TUNINGS = 5
TYPED_U_DEG = 5.0


@dataclass
class Runner:
    """Takes readings one after another; every row is on disk before the next reading starts."""

    session: Session
    operator: Operator
    instruments: Instruments
    reporter: Reporter
    cold: bool = False
    _stops: onset_readings.Stops | None = field(default=None, init=False)
    _quiet: onset_readings.Quiet | None = field(default=None, init=False)

    @cached_property
    def calibrated(self) -> Calibrated:
        """The analyzer through the session's calibration."""
        return Calibrated(self.session, self.reporter.say, raw=self.instruments.raw())

    @property
    def plan(self) -> Plan:
        """The session's plan."""
        return self.session.plan

    @property
    def valve(self) -> str:
        """State of the valve for resonance readings, as the tables write it."""
        return "cold" if self.cold else "working"

    @property
    def antenna(self) -> str:
        """Whether the plan's set has its antenna on, as the tables write it."""
        return antenna_state(self.plan)

    def run(self, wanted: Sequence[Wanted]) -> tuple[int, list[str]]:
        """Take the readings in order; returns how many rows were recorded, and what was left out and why."""
        recorded, left = 0, []
        for number, item in enumerate(wanted):
            then = wanted[number + 1].words(self.plan) if number + 1 < len(wanted) else ""
            self.reporter.reading(item.words(self.plan), then)
            try:
                recorded += self._with_retries(item)
            except Skipped as why:
                left.append(f"{item.words(self.plan)}: {why}")
                self.reporter.say(f"  left out: {item.words(self.plan)}: {why}")
                self.session.log("left-out", reading=item.words(self.plan), why=str(why))
        return recorded, left

    def _with_retries(self, item: Wanted) -> int:
        tries = 0
        while True:
            tries += 1
            try:
                return self._take(item)
            except (WireError, ReadingError) as problem:
                self.session.log("fault", reading=item.words(self.plan), attempt=tries, what=str(problem))
                if isinstance(problem, WireError):
                    self.instruments.reopen()
                if tries < MOST_TRIES:
                    self.reporter.say(f"  {problem} Trying again ({tries + 1} of {MOST_TRIES}).")
                    continue
                if self.operator.retry(f"{item.words(self.plan)} failed {MOST_TRIES} times. {problem}"):
                    tries = 0
                    continue
                if isinstance(problem, WireError):
                    raise
                raise Skipped(str(problem)) from problem

    def _take(self, item: Wanted) -> int:
        if item.kind == "resonance":
            return self._take_resonance(item)
        return self._take_onset(item)

    def _setup(self, item: Wanted, *, loop: bool) -> Setup:
        return Setup(
            coil=item.coil,
            valve=not (self.cold and item.kind == "resonance"),
            antenna=self.plan.receiver.antenna is not None,
            loop=loop,
            added_c_f=item.added_c_f,
        )

    def _common(self, item: Wanted, reading: str, dial: float | None) -> dict[str, Any]:
        return {
            "reading": reading,
            "coil": item.coil,
            "recipe": recipe(self.plan, item.coil),
            "dial": dial,
            "valve": self.valve if item.kind == "resonance" else "working",
            "antenna": self.antenna,
        }

    # Resonance

    def _bands(self, item: Wanted, dial: float) -> list[tuple[float, float]]:
        """Where to look for the resonance: first where earlier readings put it, then the coil's whole range."""
        from bench.model import coil_model, tuning_span

        limits = self.instruments.analyzer().limits
        coil = coil_model(self.plan, self.plan.coil_named(item.coil))
        whole = tuning_span(self.plan, self.plan.coil_named(item.coil), item.added_c_f or 0.0)
        expected = self._expected(item, dial, coil.l_h)
        bands = [whole] if expected is None else [expected, whole]
        inside = [(max(low, limits.low_hz), min(high, limits.high_hz)) for low, high in bands]
        possible = [(low, high) for low, high in inside if low < high]
        if not possible:
            raise ReadingError(
                f"Coil {item.coil} should resonate outside the analyzer's range "
                f"({show(limits.low_hz, 'frequency')} to {show(limits.high_hz, 'frequency')}). "
                "Check the coil's turns and the tuning capacitance in plan.toml."
            )
        return possible

    def _expected(self, item: Wanted, dial: float, l_h: float) -> tuple[float, float] | None:
        rows = self._tuned(item.coil)
        if item.added_c_f is not None:
            here = [row for row in rows if same_dial(row["dial"], dial, self.plan)]
            if not here:
                return None
            f0 = float(here[0]["f0_hz"])
            c_f = 1 / ((2 * math.pi * f0) ** 2 * l_h)
            lower = f0 * math.sqrt(c_f / (c_f + item.added_c_f))
            return 0.85 * lower, 1.15 * lower
        if not rows:
            ends = self.plan.receiver.tuning
            if dial not in ends.dial:
                return None
            c_f = ends.capacitance[ends.dial.index(dial)]
            from bench.model import resonance_span

            return resonance_span(l_h, 1.2 * c_f + 40e-12, 0.8 * c_f + 5e-12)
        if len(rows) < 2:
            return None
        near = sorted(rows, key=lambda row: abs(float(row["dial"]) - dial))[:2]
        dials = [float(row["dial"]) for row in near]
        logs = [math.log(float(row["f0_hz"])) for row in near]
        if dials[0] == dials[1]:
            return None
        slope = (logs[1] - logs[0]) / (dials[1] - dials[0])
        middle = logs[0] + slope * (dial - dials[0])
        half = 0.06 + 0.5 * abs(slope * (dial - dials[0]))
        return math.exp(middle - half), math.exp(middle + half)

    def _tuned(self, coil: str) -> list[dict[str, Any]]:
        present = recipe(self.plan, coil)
        return sorted(
            (
                row
                for row in self.session.rows("resonance")
                if row["coil"] == coil
                and (row["recipe"] or present) == present
                and not row["added_c_f"]
                and row["f0_hz"]
                and row["dial"] is not None
            ),
            key=lambda row: float(row["dial"]),
        )

    def _take_resonance(self, item: Wanted) -> int:
        assert item.dial is not None
        if not self.instruments.has("analyzer"):
            return self._typed_resonance(item)
        from bench.readings.resonance import measure_resonance, merged

        self.instruments.analyzer()
        self.operator.prepare(self._setup(item, loop=True))
        self.operator.rest_control(0.0)
        dial = self.operator.set_dial(item.dial)
        frequency = self.plan.show.frequency

        def on_sweep(f_hz: Any, s11: Any, so_far: Any) -> None:
            found = (
                f", resonance near {show(so_far.f0_hz, 'frequency', frequency)}"
                if so_far and so_far.f0_hz
                else ""
            )
            self.reporter.detail(f"coil {item.coil}, dial {dial:g}: {len(f_hz)} points swept{found}")

        bands = self._bands(item, dial)
        for number, (low, high) in enumerate(bands):
            analyzer = self.calibrated.over(self.instruments.analyzer(), low, high)
            try:
                reading = measure_resonance(
                    analyzer, low, high, q_goal=self.plan.readings.q_uncertainty, on_sweep=on_sweep
                )
                break
            except ReadingError:
                if number + 1 == len(bands):
                    raise
        result = reading.resonance
        name = self.session.next_reading()
        where = f"coil {item.coil}, dial {dial:g}"
        for number, one in enumerate(reading.search, start=1):
            self.session.save_sweep(
                f"{name}-search{number}", one.f_hz, one.s11, [f"{where}, looking for the resonance"]
            )
        sweep = self.session.save_sweep(
            name,
            *merged(reading.sweeps),
            [
                f"{where}, {len(reading.sweeps)} sweeps, all points in order of frequency",
                *self.calibrated.notes(analyzer),
            ],
        )
        self.calibrated.keep_raw(analyzer, name, reading.sweeps)
        self.session.append(
            "resonance",
            {
                **self._common(item, name, dial),
                "f0_hz": result.f0_hz,
                "f0_u_hz": result.f0_u_hz,
                "q_loaded": result.q_loaded,
                "q_loaded_u": result.q_loaded_u,
                "q": result.q,
                "q_u": result.q_u,
                "beta": result.beta,
                "added_c_f": item.added_c_f,
                "method": "reflection",
                "sweep": sweep,
                "note": "; ".join(result.warnings),
            },
        )
        said = f"  {'; '.join(result.warnings)}" if result.warnings else ""
        added = (
            f" + {show(item.added_c_f, 'capacitance', self.plan.show.capacitance)}" if item.added_c_f else ""
        )
        self.reporter.result(
            f"coil {item.coil}  dial {dial:g}{added}  f0 {show(result.f0_hz, 'frequency', frequency, result.f0_u_hz)}  "
            f"Q {result.q:.0f} ± {result.q_u:.1f}{said}"
        )
        return 1

    def _typed_resonance(self, item: Wanted) -> int:
        assert item.dial is not None
        self.operator.prepare(self._setup(item, loop=True))
        dial = self.operator.set_dial(item.dial)
        f0 = self.operator.number(
            "Resonance at (for instance 3.512MHz):", lambda text: parse(text, "frequency")
        )
        self.session.append(
            "resonance",
            {
                **self._common(item, self.session.next_reading(), dial),
                "f0_hz": f0,
                "added_c_f": item.added_c_f,
                "method": "typed",
            },
        )
        added = (
            f" + {show(item.added_c_f, 'capacitance', self.plan.show.capacitance)}" if item.added_c_f else ""
        )
        self.reporter.result(
            f"coil {item.coil}  dial {dial:g}{added}  f0 {show(f0, 'frequency', self.plan.show.frequency)} (typed)"
        )
        return 1

    # Onset

    def _dial_for(self, coil: str, f_hz: float) -> float | None:
        """Dial reading for a frequency, by a shape-keeping curve through the coil's own readings."""
        from scipy.interpolate import PchipInterpolator

        rows = self._tuned(coil)
        by_frequency = sorted({float(r["f0_hz"]): float(r["dial"]) for r in rows}.items())
        if len({dial for _, dial in by_frequency}) < 2:
            return None
        log_f = np.log([f for f, _ in by_frequency])
        dial = float(PchipInterpolator(log_f, [d for _, d in by_frequency])(math.log(f_hz)))
        ends = sorted(self.plan.receiver.tuning.dial)
        return min(max(dial, ends[0]), ends[1])

    def _tune(self, item: Wanted) -> tuple[float | None, float]:
        """Bring the tank to the wanted frequency; returns the dial reading and the frequency it then has."""
        assert item.f_hz is not None
        end = out_of_reach(self.plan, self._tuned(item.coil), item.f_hz)
        if end is not None:
            raise Skipped(f"the dial ends at {show(end, 'frequency', self.plan.show.frequency)}")
        dial = self._dial_for(item.coil, item.f_hz)
        if dial is None:
            raise Skipped("take resonance readings of this coil first, so that the dial can be set")
        if not self.instruments.has("analyzer"):
            self.operator.prepare(self._setup(item, loop=False))
            return self.operator.set_dial(round(dial, 1)), item.f_hz
        from bench.readings.resonance import measure_resonance

        self.operator.prepare(self._setup(item, loop=True))
        self.operator.rest_control(0.0)
        # Kilohertz a division at this place, from the coil's own readings: the step that corrects the dial.
        slope = self._slope(item.coil, dial)
        f0 = item.f_hz
        for _ in range(MOST_TUNINGS):
            at = self.operator.set_dial(round(dial, 2))
            reading = measure_resonance(
                self.instruments.analyzer(), 0.93 * item.f_hz, 1.07 * item.f_hz, q_goal=0.1
            )
            f0 = float(reading.resonance.f0_hz or item.f_hz)
            self.reporter.detail(
                f"{item.words(self.plan)}: tuned to {show(f0, 'frequency', self.plan.show.frequency)}"
            )
            if abs(f0 / item.f_hz - 1) <= TUNED:
                return at, item.f_hz
            ends = sorted(self.plan.receiver.tuning.dial)
            dial = min(max(at + math.log(item.f_hz / f0) / slope, ends[0]), ends[1])
        if abs(f0 / item.f_hz - 1) >= SAME_FREQUENCY:
            raise ReadingError(
                f"The dial could not be brought to {show(item.f_hz, 'frequency', self.plan.show.frequency)}: at "
                f"{at:g} the tank is at {show(f0, 'frequency', self.plan.show.frequency)}. Read this coil's resonance "
                "again at more dial settings."
            )
        return at, f0

    def _slope(self, coil: str, dial: float) -> float:
        rows = self._tuned(coil)
        # One point for each dial setting: two readings at one setting have no slope between them.
        dials, where = np.unique([float(r["dial"]) for r in rows], return_inverse=True)
        log_f = np.bincount(where, np.log([float(r["f0_hz"]) for r in rows])) / np.bincount(where)
        place = int(np.clip(np.searchsorted(dials, dial), 1, len(dials) - 1))
        return float((log_f[place] - log_f[place - 1]) / (dials[place] - dials[place - 1]))

    def _take_onset(self, item: Wanted) -> int:
        dial, f_hz = self._tune(item)
        self.operator.prepare(self._setup(item, loop=False))
        if not self.instruments.has("angle"):
            return self._typed_onset(item, dial, f_hz)
        sensor = self.instruments.sensor()
        travel = self.plan.receiver.control.travel_deg
        if self._stops is None:
            self.reporter.detail("learning the control's end stops")
            self._stops = onset_readings.learn_stops(sensor, self.operator, travel)
            self.session.log("end-stops", low=self._stops.low, high=self._stops.high, travel_deg=travel)
        elif not self.instruments.has("analyzer"):
            # Tuning by analyzer has had it turned back already; a reading that failed may have left it anywhere.
            self.operator.rest_control(0.0)
        listen = not self.instruments.has("level")
        passes = onset_readings.measure_onset(
            sensor,
            self.operator,
            self._stops,
            repeats=item.rows // 2,
            listen=listen,
            quiet=self._quiet,
            on_detail=lambda text: self.reporter.detail(f"{item.words(self.plan)}: {text}"),
        )
        self._quiet = passes.quiet
        for approach in passes.approaches:
            self._record_approach(item, dial, f_hz, approach, "listen" if listen else "level")
        if passes.lag is not None:
            self.session.log(
                "lag", reading=item.words(self.plan), method="listen" if listen else "level", lag=passes.lag
            )
        self.reporter.result(self._onset_words(item, passes.approaches))
        self.operator.rest_control(0.0)
        return len(passes.approaches)

    def _record_approach(
        self, item: Wanted, dial: float | None, f_hz: float, approach: onset_readings.Approach, method: str
    ) -> None:
        name = self.session.next_reading()
        trace = approach.trace
        path = self.session.save_trace(name, trace.t_s, trace.angle_deg, trace.level_v, trace.mark)
        note = approach.note
        if approach.correction_deg and approach.speed_deg_s is not None:
            note = f"{approach.speed_deg_s:.2f} deg/s, corrected by {approach.correction_deg:+.2f} deg"
        self.session.append(
            "onset",
            {
                **self._common(item, name, dial),
                "f_hz": f_hz,
                "direction": "onset" if approach.starts else "drop-out",
                "angle_deg": approach.angle_deg,
                "angle_u_deg": approach.angle_u_deg,
                "method": method,
                "trace": path,
                "note": note,
            },
        )

    def _onset_words(self, item: Wanted, approaches: Sequence[onset_readings.Approach]) -> str:
        clock = self.plan.receiver.control.clock
        assert item.f_hz is not None
        head = f"coil {item.coil}  {show(item.f_hz, 'frequency', self.plan.show.frequency)}"
        if len(approaches) == 1 and approaches[0].note:
            return f"{head}  {approaches[0].note}"
        up, down = (
            float(
                np.mean([a.angle_deg for a in approaches if a.starts is starts and a.angle_deg is not None])
            )
            for starts in (True, False)
        )
        spread = float(np.std([a.angle_deg for a in approaches if a.starts and a.angle_deg is not None]))
        return (
            f"{head}  starts {up:.1f}° ({clock(up)}, spread {spread:.1f}°)  "
            f"stops {down:.1f}° ({clock(down)})  backlash {up - down:.1f}°"
        )

    def _typed_onset(self, item: Wanted, dial: float | None, f_hz: float) -> int:
        control = self.plan.receiver.control
        recorded = 0
        for _ in range(item.rows // 2):
            for direction, words in (("onset", "starts"), ("drop-out", "stops")):
                angle = self.operator.number(
                    f"Clock position where oscillation {words} (for instance 11:20):",
                    control.angle,
                )
                self.session.append(
                    "onset",
                    {
                        **self._common(item, self.session.next_reading(), dial),
                        "f_hz": f_hz,
                        "direction": direction,
                        "angle_deg": angle,
                        "angle_u_deg": TYPED_U_DEG,
                        "method": "typed",
                    },
                )
                recorded += 1
        self.reporter.result(f"{item.words(self.plan)} (typed)", 1)
        return recorded
