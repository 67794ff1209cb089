"""Resonance and Q without an analyzer: a generator steps through the resonance, a detector shows how high the tank stands.

First a coarse look over the band at a high level, where a resonance shows far down its skirts; then closer and lower until
the peak is resolved; then, once, the detector's law by steps of the generator's level at the peak; then a sweep of about
four bandwidths at the level that suits the detector, each point read for as long as its uncertainty needs. That sweep alone
is fitted (`physics/resonance_level.py`). It tells the loaded Q; what the loop takes comes from a second reading with the loop
drawn back (`Coupling`), or from what the plan states.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.errors import ReadingError
from bench.physics.detector import FEWEST_STEPS, Detector, DetectorError, fit_detector
from bench.physics.resonance import WARNINGS, Resonance, fit_level
from bench.readings.level_bench import FULL_SCALE_V, LevelBench, LevelPoint, columns
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
HEADROOM = 0.9  # of the converter's full scale
# Where a detector bends: the peak stands at this share of what its law was fitted to.
SHARE_OF_TOP = 0.5
ENOUGH = 60.0  # of one sample's noise: higher peaks gain little, and ask more of the law
ZOOM_POINTS = 33
HALF_SPAN = 4.0  # half-bandwidths each side, where a level sweep tells most
# Of the uncertainty of ln Q: k = u·A·sqrt(N)/sigma for such a sweep (Fisher information), in power and in amplitude.
K = {"square": 7.3, "linear": 11.8}
FIRST_GOAL = 0.04
LOWER_DB = 3.0
MARGIN = 0.9
MOST_SAMPLES = 800  # for one point
MOST_ZOOMS = 4
WORST_Q_U = 0.1
MOVED = 3.5

MOVES = (
    "Q changes with the generator's level: the detector loads the tank, or automatic volume control is at work; take the loop "
    "farther away, or lower most_dbm"
)


@dataclass(frozen=True, eq=False)
class LevelReading:
    """The fit, its points, all points on the way to them, the law they were read by, and the peak's power at 0 dBm."""

    resonance: Resonance
    points: tuple[LevelPoint, ...]
    search: tuple[LevelPoint, ...]
    detector: Detector
    power: float
    power_u: float


OnPoint = Callable[[int], None]


def measure_level(
    bench: LevelBench,
    low_hz: float,
    high_hz: float,
    *,
    q_goal: float,
    detector: Detector | None = None,
    on_point: OnPoint = lambda count: None,
) -> LevelReading:
    """Find the resonance between two frequencies and measure its loaded Q.

    Parameters
    ----------
    q_goal : relative standard uncertainty of the loaded Q to stop at.
    detector : its law, where an earlier reading found it.
    on_point : told how many points were read, now and then.

    Raises
    ------
    ReadingError
        No resonance there, a detector that cannot be used, or a Q that cannot be told; says what to do.
    """
    with bench:
        return _Reading(bench, low_hz, high_hz, q_goal, detector, on_point).run()


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
    ) -> None:
        self.bench = bench
        self.low, self.high = low_hz, high_hz
        self.goal = goal
        self.detector = detector
        self.on_point = on_point
        self.points: list[LevelPoint] = []
        self.quiet_v = 0.0
        # Plate current falls with signal, many a meter's voltage with it.
        self.sign = 1.0

    def run(self) -> LevelReading:
        self.quiet_v = self.bench.quiet().level_v
        peak = self._resolved(self._seen())
        detector = self.detector = self.detector or self._law(peak)
        level = self._working_level(peak, detector)
        first, _ = self._zoom(peak, detector, level - LOWER_DB, max(FIRST_GOAL, self.goal))
        found = first
        points: list[LevelPoint] = []
        for turn in range(MOST_ZOOMS):
            if found.f0_hz is not None and found.q_loaded is not None:
                peak = _Peak(found.f0_hz, found.f0_hz / (2 * found.q_loaded), level)
            elif turn:
                break
            goal = self.goal * math.sqrt(max(len(points) / ZOOM_POINTS, 1.0))
            _, new = self._zoom(peak, detector, level, goal)
            points += new
            found = _fitted(points, detector)
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

    def _seen(self) -> tuple[float, float, float]:
        """A stretch of frequencies with the resonance in it, and the level it was seen at."""
        count = math.ceil(math.log(self.high / self.low) / COARSE) + 1
        grid = np.geomspace(self.low, self.high, max(count, SCAN_POINTS))
        level = min(START_DBM, self.bench.most_dbm)
        while True:
            samples = 8
            v = np.array([self._read(float(f), level, samples).level_v for f in grid])
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
            v = self.sign * (
                np.array([self._read(float(f), level, samples).level_v for f in grid]) - self.quiet_v
            )
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
            return fit_detector(
                [p.level_dbm for p in taken], [self.sign * p.level_v for p in taken], [p.u_v for p in taken]
            )
        except DetectorError as problem:
            words = str(problem)
            raise ReadingError(f"{words[:1].upper()}{words[1:]}.") from problem

    def _working_level(self, peak: _Peak, detector: Detector) -> float:
        """The level at which the peak stands well above the noise and well below the detector's ceiling."""
        top = min(detector.top_v, HEADROOM * FULL_SCALE_V if self.sign > 0 else math.inf)
        bends = detector.law == "power" or (detector.reach_v or detector.turn_v) is not None
        top = min(
            top, detector.offset_v + (SHARE_OF_TOP if bends else 1.0) * (detector.top_v - detector.offset_v)
        )
        top = min(top, detector.offset_v + ENOUGH * self.bench.noise_v)
        wanted = float(detector.undone(top))
        per_decade = 10.0 if detector.follows == "square" else 20.0
        level = peak.level_dbm
        # Twice, since the first look may be made where the detector hardly tells.
        for _ in range(2):
            now = detector.undone(self.sign * self._read(peak.f0_hz, level, LAW_SAMPLES).level_v)
            change = per_decade * math.log10(wanted / max(float(now), 1e-3 * wanted))
            level = min(level + change, self.bench.most_dbm)
        return level

    def _zoom(
        self, peak: _Peak, detector: Detector, level: float, goal: float
    ) -> tuple[Resonance, list[LevelPoint]]:
        """One sweep around the peak, every point known alike once the detector's law is undone."""
        height = self._height(peak, detector, level)
        wanted = MARGIN * goal * height * math.sqrt(ZOOM_POINTS) / K[detector.follows]

        def enough(v: float) -> float:
            return wanted / max(abs(float(detector.slope(self.sign * v))), 1e-30)

        half = HALF_SPAN * peak.h_hz
        grid = np.linspace(max(peak.f0_hz - half, 0.5 * peak.f0_hz), peak.f0_hz + half, ZOOM_POINTS)
        # Up on the odd ones, back on the even ones: what drifts does not lean the peak to one side.
        order = [*range(0, ZOOM_POINTS, 2), *range(ZOOM_POINTS - 2, 0, -2)]
        points = [replace(self._read(float(grid[i]), level, 8, enough), level_dbm=level) for i in order]
        points = [replace(p, level_v=self.sign * p.level_v) for p in points]
        return _fitted(points, detector), points

    def _height(self, peak: _Peak, detector: Detector, level: float) -> float:
        """The peak above what is far from it, the law undone."""
        at = self._read(peak.f0_hz, level, 40)
        values = detector.undone(self.sign * np.array([at.level_v, self.quiet_v]))
        floor = detector.slope(self.sign * at.level_v) * self.bench.noise_v / math.sqrt(at.samples)
        return max(float(values[0] - values[1]), float(floor))

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
        found = _with_law(found, points, detector)
        q_u = found.q_loaded_u or q_u
        if q_u > max(WORST_Q_U, self.goal) * q:
            raise ReadingError(
                f"Q would be known to {q_u / q:.0%} only. Bring the loop nearer, or take out interference."
            )
        if first.q_loaded and first.q_loaded_u:
            apart = abs(first.q_loaded - q) / math.hypot(first.q_loaded_u, q_u)
            if apart > MOVED:
                found = replace(found, warnings=(*found.warnings, MOVES))
        power, power_u = _power(found, points, detector)
        scale = 10.0 ** (level / 10.0)
        kept = {id(p) for p in points}
        search = tuple(p for p in self.points if id(p) not in kept)
        return LevelReading(found, tuple(points), search, detector, power / scale, power_u / scale)


def _fitted(points: Sequence[LevelPoint], detector: Detector) -> Resonance:
    f, v = columns(points)
    value = detector.undone(v)
    found = fit_level(f, value, detector.follows)
    if found.f0_hz is None:
        return found
    # A tank stands at Q·(f/f0 - f0/f), which over four bandwidths is not quite 2Q·(f - f0)/f0.
    return fit_level(f - (f - found.f0_hz) ** 2 / (2.0 * found.f0_hz), value, detector.follows)


def _with_law(found: Resonance, points: Sequence[LevelPoint], detector: Detector) -> Resonance:
    """The result with what the law's own uncertainty does to it."""
    q_var, f_var = (found.q_loaded_u or 0.0) ** 2, (found.f0_u_hz or 0.0) ** 2
    for other in detector.others():
        moved = _fitted(points, other)
        if moved.q_loaded is not None and moved.f0_hz is not None and found.q_loaded and found.f0_hz:
            q_var += (moved.q_loaded - found.q_loaded) ** 2
            f_var += (moved.f0_hz - found.f0_hz) ** 2
    return replace(found, q_loaded_u=math.sqrt(q_var), f0_u_hz=math.sqrt(f_var))


def _power(found: Resonance, points: Sequence[LevelPoint], detector: Detector) -> tuple[float, float]:
    """Height of the peak in power, law undone, with its uncertainty."""
    assert found.f0_hz is not None
    assert found.q_loaded is not None
    f, v = columns(points)
    y = 2.0 * found.q_loaded * (f / found.f0_hz - 1.0)
    value: Floats = detector.undone(v)
    if detector.follows == "linear":
        value = value * np.abs(value)
    shape = np.stack([np.ones_like(y), 1 / (1 + y * y), y / (1 + y * y)], axis=1)
    solved, rest, _, _ = np.linalg.lstsq(shape, value, rcond=None)
    spread = float(rest[0]) / max(len(y) - 3, 1) if len(rest) else 0.0
    u = math.sqrt(spread * float(np.linalg.inv(shape.T @ shape)[1, 1]))
    return float(solved[1]), u


@dataclass(frozen=True)
class Coupling:
    """How much loss the loop brings into a coil's tank, for the power that the generator then raises in it.

    The loop of mutual inductance M raises a voltage in proportion to M·QL and brings a loss 1/Q_loop in proportion to M²/f:
    1/QL = 1/Q + c·x/f with x = power/QL². Two distances of the loop at one dial setting give c, and from then on every
    reading's own height says how near the loop was.
    """

    c: float
    c_u: float

    @classmethod
    def of_two(cls, near: LevelReading, far: LevelReading) -> Coupling:
        """From readings of the same tank with the loop near and drawn back.

        Raises
        ------
        ReadingError
            The loop was hardly moved.
        """
        (x1, x1_u, g1, g1_u, f), (x2, x2_u, g2, g2_u, _) = _terms(near), _terms(far)
        apart = x1 - x2
        if apart < 0.3 * x1:
            raise ReadingError(
                "The loop was hardly drawn back: the level fell by less than a sixth. Draw it back to about twice the distance, "
                "and take the reading again."
            )
        c = f * (g1 - g2) / apart
        u = math.sqrt((f / apart) ** 2 * (g1_u**2 + g2_u**2) + (c / apart) ** 2 * (x1_u**2 + x2_u**2))
        # The loop takes power and never gives any: mean and spread of what is left of the normal distribution above 0.
        z = c / u
        hazard = (
            math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) / max(0.5 * math.erfc(-z / math.sqrt(2)), 1e-12)
        )
        return cls(c + u * hazard, u * math.sqrt(max(1.0 - z * hazard - hazard**2, 0.05)))

    def unloaded(self, reading: LevelReading) -> tuple[float, float, float]:
        """Q without the loop, its uncertainty, and beta."""
        x, x_u, g, g_u, f = _terms(reading)
        taken = self.c * x / f
        own = g - taken
        if own <= 0.2 * g:
            raise ReadingError("The loop takes most of the power. Draw it back, and take the reading again.")
        u = math.sqrt(g_u**2 + (self.c_u * x / f) ** 2 + (self.c * x_u / f) ** 2)
        return 1 / own, u / own**2, taken / own


def _terms(reading: LevelReading) -> tuple[float, float, float, float, float]:
    """x and loss 1/QL with their uncertainties, and f0."""
    found = reading.resonance
    assert found.q_loaded is not None
    assert found.q_loaded_u is not None
    assert found.f0_hz is not None
    q, relative = found.q_loaded, found.q_loaded_u / found.q_loaded
    x = reading.power / q**2
    return x, math.hypot(reading.power_u / q**2, 2 * x * relative), 1 / q, relative / q, found.f0_hz
