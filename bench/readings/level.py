"""Resonance and Q without an analyzer: a generator steps through the resonance, a detector shows how high the tank stands.

First a coarse look over the band at a high level, where a resonance shows far down its skirts; then closer and lower until
the peak is resolved; then, once, the detector's law by steps of the generator's level at the peak. Where the resonance is
expected, and the law known, there is no looking. Then a sweep of about four bandwidths by substitution: at each frequency the
generator's level is set so that the detector shows what it shows at the peak. The tank's curve is then read off the generator's
levels; of the detector's law only its slope at one reading counts, for the last tenths of a decibel, and every point is known
to the same share of itself, which needs a seventh of the samples of a sweep at one level. That sweep alone is fitted
(`physics/resonance_level.py`). It tells the loaded Q; what the loop takes comes from a second reading with the loop drawn back
(`readings/level_coupling.py`), or from what the plan states.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.errors import ReadingError
from bench.physics.detector import FEWEST_STEPS, Detector, DetectorError, fit_detector
from bench.physics.resonance import WARNINGS, Resonance
from bench.readings.level_bench import FULL_SCALE_V, LevelBench, LevelPoint
from bench.readings.level_fit import fitted, power_at_peak, with_law
from bench.readings.resonance_run import WORST_Q_U
from drivers.roles import Floats

START_DBM = -10.0
STEP_DBM = 10.0
LEAST_DBM = -90.0
COARSE = 0.02  # of the frequency, from point to point
SEEN = 8.0  # of the noise, for a coarse point to count
LOOKS = 24
SCAN_POINTS = 9
LAW_STEP_DB = 2.0
LAW_SHARE = 0.5  # of the highest reading seen, where the detector flattens
LAW_SAMPLES = 60
LOOK_SAMPLES = 24
SAMPLES = 8
HEADROOM = 0.9  # of the converter's full scale
# Where a detector bends: the peak stands at this share of what its law was fitted to.
SHARE_OF_TOP = 0.8
ENOUGH = 60.0  # of one sample's noise: higher peaks gain little, and ask more of the law
FIRST_POINTS, ZOOM_POINTS = 15, 27
HALF_SPAN = 3.5  # half-bandwidths each side; more tells hardly more, and asks more of the model
# Of the uncertainty of ln Q: k = u·sqrt(N)/s for such a sweep, each point's power known to the share s (Fisher information).
K = 2.95
FIRST_GOAL = 0.04
LOWER_DB = 3.0
NARROWER = 3
LEVEL_STEP_DB = 0.1  # what any generator can be set to
# How far the output may be off what it should be before the level is set again, and how often that is done.
OFF_DB, RESETS = 0.4, 3
TOLD = 4  # points between two looks at a sweep as it comes
# A guess this good, in half-bandwidths, needs no look.
SURE = 0.7
MARGIN = 0.9
MOST_SAMPLES = 800  # for one point
MOST_ZOOMS = 4
MOVED = 3.5

MOVES = (
    "Q changes with the generator's level: the detector loads the tank, or automatic volume control is at work; take the loop "
    "farther away, or lower most_dbm"
)


@dataclass(frozen=True, eq=False)
class LevelReading:
    """The fit, its points, all points on the way to them, the law they were read by, the peak's power at 0 dBm (relative; `power_q_cov`
    the covariance of its logarithm with that of the loaded Q), and the level at it."""

    resonance: Resonance
    points: tuple[LevelPoint, ...]
    search: tuple[LevelPoint, ...]
    detector: Detector
    power: float
    power_u: float
    power_q_cov: float
    level_dbm: float


OnPoint = Callable[[int], None]
OnSweep = Callable[[Sequence[LevelPoint], Detector | None, Resonance | None], None]


@dataclass(frozen=True)
class LevelGuess:
    """Where the resonance should be, with standard uncertainty; loaded Q; the generator's level that suits the detector there."""

    f0_hz: float
    f0_u_hz: float
    q_loaded: float
    level_dbm: float


def measure_level(
    bench: LevelBench,
    low_hz: float,
    high_hz: float,
    *,
    q_goal: float,
    detector: Detector | None = None,
    guess: LevelGuess | None = None,
    on_point: OnPoint = lambda count: None,
    on_sweep: OnSweep = lambda points, detector, found: None,
) -> LevelReading:
    """Find the resonance between two frequencies and measure its loaded Q.

    Parameters
    ----------
    q_goal : relative standard uncertainty of the loaded Q to stop at.
    detector : its law, where an earlier reading found it.
    guess : looked at first; what is not there is searched for.
    on_point : told how many points were read, now and then.
    on_sweep : given the points of the sweep under way, the detector's law once it is known, and the fit once there is one.

    Raises
    ------
    ReadingError
        No resonance there, a detector that cannot be used, or a Q that cannot be told; says what to do.
    """
    with bench:
        return _Reading(bench, low_hz, high_hz, q_goal, detector, on_point, on_sweep).run(guess)


@dataclass(frozen=True)
class _Peak:
    """Where the peak is and how wide, roughly, and the level at which it was resolved."""

    f0_hz: float
    h_hz: float
    level_dbm: float


class _Reading:
    def __init__(
        self,
        bench: LevelBench,
        low_hz: float,
        high_hz: float,
        goal: float,
        detector: Detector | None,
        on_point: OnPoint,
        on_sweep: OnSweep,
    ) -> None:
        self.bench = bench
        self.low, self.high = low_hz, high_hz
        self.goal = goal
        self.detector = detector
        self.on_point = on_point
        self.on_sweep = on_sweep
        self.points: list[LevelPoint] = []
        self.quiet_v = 0.0
        # Plate current falls with signal, many a meter's voltage with it.
        self.sign = 1.0

    def run(self, guess: LevelGuess | None) -> LevelReading:
        self.quiet_v = self.bench.quiet().level_v
        if guess is not None:
            try:
                return self._measured(self._expected(guess), guessed=True)
            except ReadingError:
                # What is not where it was expected may be anywhere.
                pass
        return self._measured(self._resolved(self._seen()))

    def _expected(self, guess: LevelGuess) -> _Peak:
        level = min(guess.level_dbm, self.bench.most_dbm)
        h_hz = 0.5 * guess.f0_hz / guess.q_loaded
        middle = self._read(guess.f0_hz, level, 12).level_v - self.quiet_v
        self.sign = float(np.sign(middle)) or 1.0
        if self.detector is not None and guess.f0_u_hz < SURE * h_hz:
            return _Peak(guess.f0_hz, h_hz, level)
        half = max(3.0 * guess.f0_u_hz, 2.0 * h_hz)
        return self._resolved((guess.f0_hz - half, guess.f0_hz + half, level))

    def _measured(self, peak: _Peak, *, guessed: bool = False) -> LevelReading:
        detector = self.detector = self.detector or self._law(peak)
        target = self._target(detector)
        level = self._working_level(peak, detector, target)
        lower = float(detector.undone(target)) * 10.0 ** (-LOWER_DB / detector.per_decade_db)
        goal = max(FIRST_GOAL, self.goal)
        for _ in range(NARROWER if not guessed else 1):
            first, _ = self._zoom(peak, detector, level - LOWER_DB, lower, FIRST_POINTS, goal)
            if first.f0_hz is not None:
                break
            # A detector that flattens made the peak look wide.
            peak = replace(peak, h_hz=0.35 * peak.h_hz)
        found = first
        if found.f0_hz is None and guessed:
            raise ReadingError("No resonance where it was expected.")
        wanted = float(detector.undone(target))
        points: list[LevelPoint] = []
        for turn in range(MOST_ZOOMS):
            if found.f0_hz is not None and found.q_loaded is not None:
                if abs(found.f0_hz - peak.f0_hz) > peak.h_hz:
                    level = self._working_level(replace(peak, f0_hz=found.f0_hz), detector, target)
                peak = _Peak(found.f0_hz, found.f0_hz / (2 * found.q_loaded), level)
            elif turn:
                break
            goal = self.goal * math.sqrt(max(len(points) / ZOOM_POINTS, 1.0))
            _, new = self._zoom(peak, detector, level, wanted, ZOOM_POINTS, goal)
            points += new
            found = fitted(points, detector)
            self.on_sweep(points, detector, found)
            if found.q_loaded and found.q_loaded_u and found.q_loaded_u <= self.goal * found.q_loaded:
                break
        return self._result(found, first, points, detector, level)

    def _read(
        self, f_hz: float, level_dbm: float, samples: int, enough: Callable[[float], float] | None = None
    ) -> LevelPoint:
        point = self.bench.read(f_hz, level_dbm, samples, most=MOST_SAMPLES, enough=enough)
        self.points.append(point)
        if len(self.points) % 8 == 0:
            self.on_point(len(self.points))
        return point

    # Where it is

    def _scan(self, grid: Floats, level: float, samples: int) -> Floats:
        """The detector's volts over frequencies at one level, (n,) each."""
        points: list[LevelPoint] = []
        for f in grid:
            points.append(self._read(float(f), level, samples))
            if len(points) % TOLD == 0 or len(points) == len(grid):
                self.on_sweep(points, None, None)
        return np.array([point.level_v for point in points])

    def _seen(self) -> tuple[float, float, float]:
        """A stretch of frequencies with the resonance in it, and the level it was seen at."""
        count = math.ceil(math.log(self.high / self.low) / COARSE) + 1
        grid = np.geomspace(self.low, self.high, max(count, SCAN_POINTS))
        level = min(START_DBM, self.bench.most_dbm)
        while True:
            samples = 8
            v = self._scan(grid, level, samples)
            off = v - float(np.median(v))
            at = int(np.abs(off).argmax())
            if abs(off[at]) > SEEN * self.bench.noise_v / math.sqrt(samples):
                self.sign = float(np.sign(v[at] - self.quiet_v)) or 1.0
                return float(grid[max(at - 1, 0)]), float(grid[min(at + 1, len(grid) - 1)]), level
            if level >= self.bench.most_dbm:
                break
            level = min(level + STEP_DBM, self.bench.most_dbm)
        raise ReadingError(
            f"No resonance between {self.low / 1e3:.0f} and {self.high / 1e3:.0f} kHz at {level:g} dBm. Bring the loop nearer to "
            "the coil, and check that the coil is plugged in, the dial is where it should be, and the detector's lead is on."
        )

    def _resolved(self, seen: tuple[float, float, float]) -> _Peak:
        """Closer and lower, until the upper half of the peak takes up about half of a scan."""
        low, high, level = seen
        samples = 12
        for _ in range(LOOKS):
            grid = np.linspace(low, high, SCAN_POINTS)
            v = self.sign * (self._scan(grid, level, samples) - self.quiet_v)
            at, width = int(v.argmax()), high - low
            if v[at] < 6.0 * self.bench.noise_v / math.sqrt(samples):
                # Too low, or looked past it.
                level = min(level + 0.6 * STEP_DBM, self.bench.most_dbm)
                low, high = low - 0.25 * width, high + 0.25 * width
                continue
            upper = v >= 0.5 * v[at]
            count = int(upper.sum())
            middle = float(np.average(grid[upper], weights=v[upper]))
            if at in (0, SCAN_POINTS - 1) and count < SCAN_POINTS:
                low, high = grid[at] - 0.5 * width, grid[at] + 0.5 * width
            elif count >= 7:
                # A detector at its ceiling makes any peak look wide.
                level -= STEP_DBM
                if level < LEAST_DBM:
                    low, high = middle - 1.5 * width, middle + 1.5 * width
            elif count <= 3:
                low, high = middle - 0.3 * width, middle + 0.3 * width
            else:
                return _Peak(middle, 0.5 * count * width / (SCAN_POINTS - 1), level)
            if low <= 0 or level < LEAST_DBM - STEP_DBM:
                break
        raise ReadingError(
            "Something rises with the generator, but it does not stand still as a resonance does. Fix the loop, keep hands away, "
            "make sure that the set does not oscillate, and take the reading again."
        )

    # How the detector sees it

    def _law(self, peak: _Peak) -> Detector:
        """Steps of level at the peak, up until the reading hardly rises any more, down until it is lost in noise."""
        taken: list[LevelPoint] = []
        noise = self.bench.noise_v / math.sqrt(LAW_SAMPLES)

        def rise(point: LevelPoint) -> float:
            return self.sign * (point.level_v - self.quiet_v)

        level = peak.level_dbm
        while level >= LEAST_DBM:
            taken.append(self._read(peak.f0_hz, level, LAW_SAMPLES))
            if rise(taken[-1]) < 4.0 * noise:
                break
            level -= LAW_STEP_DB
        level, best, flattened = peak.level_dbm + LAW_STEP_DB, 0.0, False
        while level <= self.bench.most_dbm:
            taken.append(self._read(peak.f0_hz, level, LAW_SAMPLES))
            gain = rise(taken[-1]) - max(rise(p) for p in taken[:-1])
            best = max(best, gain)
            flattened = gain < 0.35 * best or taken[-1].level_v > 0.97 * FULL_SCALE_V
            if flattened:
                break
            level += LAW_STEP_DB
        # How exactly a detector flattens, or turns from square to linear, is nobody's law: it is fitted where it is going to be
        # used, and a little above.
        ceiling = ENOUGH * self.bench.noise_v / SHARE_OF_TOP
        if flattened:
            ceiling = min(ceiling, LAW_SHARE * max(rise(point) for point in taken))
        lower = [point for point in taken if rise(point) <= ceiling]
        taken = lower if len(lower) >= FEWEST_STEPS else taken
        try:
            return self._fitted_law(taken)
        except DetectorError:
            # One burst of interference spoils a law.
            taken += [self._read(p.f_hz, p.level_dbm, LAW_SAMPLES) for p in taken]
        try:
            return self._fitted_law(taken)
        except DetectorError as problem:
            words = str(problem)
            raise ReadingError(f"{words[:1].upper()}{words[1:]}.") from problem

    def _fitted_law(self, taken: Sequence[LevelPoint]) -> Detector:
        return fit_detector(
            [p.level_dbm for p in taken], [self.sign * p.level_v for p in taken], [p.u_v for p in taken]
        )

    def _target(self, detector: Detector) -> float:
        """The reading to be held: well above the noise and well below the detector's ceiling."""
        top = min(detector.top_v, HEADROOM * FULL_SCALE_V if self.sign > 0 else math.inf)
        bends = detector.law == "power" or (detector.reach_v or detector.turn_v) is not None
        top = min(
            top, detector.offset_v + (SHARE_OF_TOP if bends else 1.0) * (detector.top_v - detector.offset_v)
        )
        return min(top, detector.offset_v + ENOUGH * self.bench.noise_v)

    def _working_level(self, peak: _Peak, detector: Detector, target: float) -> float:
        """The level at which the peak gives that reading, or the highest there is."""
        wanted = float(detector.undone(target))
        level = peak.level_dbm
        # Twice, since the first look may be made where the detector hardly tells.
        for _ in range(2):
            now = float(detector.undone(self.sign * self._read(peak.f0_hz, level, LOOK_SAMPLES).level_v))
            level = min(
                level + detector.per_decade_db * math.log10(wanted / max(now, 1e-3 * wanted)),
                self.bench.most_dbm,
            )
        return level

    def _zoom(
        self, peak: _Peak, detector: Detector, level: float, wanted: float, count: int, goal: float
    ) -> tuple[Resonance, list[LevelPoint]]:
        """One sweep around the peak, every point at the level that brings the detector where it is at the peak."""
        share = MARGIN * goal * math.sqrt(count) / K
        half = HALF_SPAN * peak.h_hz
        grid = np.linspace(max(peak.f0_hz - half, 0.5 * peak.f0_hz), peak.f0_hz + half, count)
        # Up on the odd ones, back on the even ones: what drifts does not lean the peak to one side.
        order = [*range(0, count, 2), *range(count - 1 - count % 2, 0, -2)]
        points: list[LevelPoint] = []
        for i in order:
            y = (grid[i] - peak.f0_hz) / peak.h_hz
            there = level + 10.0 * math.log10(1.0 + y * y)
            points.append(self._held(float(grid[i]), there, detector, wanted, share))
            if len(points) % TOLD == 0:
                self.on_sweep(points, detector, None)
        found = fitted(points, detector)
        self.on_sweep(points, detector, found)
        return found, points

    def _held(self, f_hz: float, level: float, detector: Detector, wanted: float, share: float) -> LevelPoint:
        """One point, the level set so that the detector, its law undone, stands at `wanted`; power known to `share`."""

        def enough(v: float) -> float:
            return share / max(float(detector.relative_slope(self.sign * v)), 1e-30)

        most = self.bench.most_dbm
        for again in range(RESETS + 1):
            level = min(round(level / LEVEL_STEP_DB) * LEVEL_STEP_DB, most)
            point = self._read(f_hz, level, SAMPLES, enough if again == RESETS else None)
            now = float(detector.undone(self.sign * point.level_v))
            off = detector.per_decade_db * math.log10(wanted / max(now, 0.1 * wanted))
            if again == RESETS or abs(off) < OFF_DB or (level >= most and off > 0):
                break
            level += off
        if self.bench.noise_v / math.sqrt(point.samples) > enough(point.level_v):
            point = self._read(f_hz, level, SAMPLES, enough)
        return replace(point, level_v=self.sign * point.level_v)

    def _result(
        self,
        found: Resonance,
        first: Resonance,
        points: Sequence[LevelPoint],
        detector: Detector,
        level: float,
    ) -> LevelReading:
        q, q_u = found.q_loaded, found.q_loaded_u
        if q is None or q_u is None or found.f0_hz is None:
            why = "; ".join(found.warnings) or WARNINGS["no resonance"]
            raise ReadingError(f"Q could not be measured. {why[:1].upper()}{why[1:]}.")
        found = with_law(found, points, detector)
        q_u = found.q_loaded_u or q_u
        if q_u > max(WORST_Q_U, self.goal) * q:
            raise ReadingError(
                f"Q would be known to {q_u / q:.0%} only. Bring the loop nearer, or take out interference."
            )
        if first.q_loaded and first.q_loaded_u:
            apart = abs(first.q_loaded - q) / math.hypot(first.q_loaded_u, q_u)
            if apart > MOVED:
                found = replace(found, warnings=(*found.warnings, MOVES))
        power, power_u, power_q_cov = power_at_peak(found, points, detector)
        kept = {id(p) for p in points}
        search = tuple(p for p in self.points if id(p) not in kept)
        return LevelReading(found, tuple(points), search, detector, power, power_u, power_q_cov, level)
