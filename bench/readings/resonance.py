"""Resonance and Q with an analyzer: a coarse look over the band, then as few points as the wanted uncertainty needs.

Every sweep of a reading counts: the result is the fit of all its points together, so that the saved, merged sweep read
again gives the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.prediction import DialLaw, Expected
from bench.measuring.wanted import same_dial
from bench.physics import sweep_design as design
from bench.physics.resonance import WARNINGS, Resonance, fit_sweep
from bench.physics.resonance_drift import after_drift, drift
from bench.plan.schema import Coil, Plan
from bench.quantities import parse, show
from drivers.roles import Analyzer, AnalyzerLimits, Complexes, Floats, Sweep

OnSweep = Callable[[Floats, Complexes, "Resonance | None"], None]
GUESS_POINTS = 41
# Points that a second sweep is reckoned to cost where the first could have been the only one.
GUESS_SWEEP_COST = 200.0
SAME_ADDED = 0.01
# How far off the expected resonance may be, in bandwidths (k = 1), for one sweep of GUESS_POINTS to see at least its skirts.
GUESS_BANDWIDTHS = 8.0
# The sweep is laid out for 1.8 of the uncertainty it is given; one resonance in a hundred may lie outside, not one in ten.
GUESS_WIDENED = 1.4
# From so many uncertainties on the operator is told that a resonance is not where it was expected.
ELSEWHERE = 5.0
# A Q less certain than this is no reading, however long the sweeps took.
WORST_Q_U = 0.1


@dataclass(frozen=True)
class Guess:
    """Where the resonance should be, from earlier readings.

    `f0_u_hz`: how well f0 is predicted (k = 1), half a bandwidth where not given; `b`, `noise`: size of the circle and
    noise of the earlier readings; `first`: the sweep that it calls for, where that was worked out beforehand.
    """

    f0_hz: float
    q_loaded: float
    f0_u_hz: float | None = None
    b: float = 0.15
    noise: float = 1e-3
    first: design.Plan | None = None

    def belief(self) -> design.Belief:
        """As the design of sweeps takes it."""
        u = self.f0_u_hz if self.f0_u_hz is not None else 0.25 * self.f0_hz / self.q_loaded
        return design.belief_of_guess(self.f0_hz, self.q_loaded, u, b=self.b, noise=self.noise)

    def first_sweep(self, q_goal: float, limits: AnalyzerLimits) -> design.Plan:
        """One sweep of at most `GUESS_POINTS`, laid out so that it is likely to be enough."""
        points = min(limits.most_points, GUESS_POINTS)
        reach = (limits.low_hz, limits.high_hz)
        return design.next_sweep(self.belief(), np.empty(0), q_goal, reach, points, GUESS_SWEEP_COST)

    def moved(self, factor: float) -> Guess:
        """The same with all frequencies times a factor near 1."""
        first = self.first and replace(
            self.first, start_hz=factor * self.first.start_hz, stop_hz=factor * self.first.stop_hz
        )
        return replace(self, f0_hz=factor * self.f0_hz, first=first)

    @classmethod
    def after(cls, earlier: Resonance, f0_hz: float, f0_u_hz: float | None = None) -> Guess:
        """A guess at another frequency, with the Q, circle and noise of an earlier result."""
        back = earlier.background
        q = earlier.q_loaded or 100.0
        if back is None:
            return cls(f0_hz, q, f0_u_hz)
        return cls(f0_hz, q, f0_u_hz, abs(back.b), max(back.noise, 1e-6))


@dataclass(frozen=True, eq=False)
class ResonanceReading:
    """The result, the sweeps that it was fitted to, and those that missed the resonance."""

    resonance: Resonance
    sweeps: tuple[Sweep, ...]
    search: tuple[Sweep, ...] = ()


def merged(sweeps: Sequence[Sweep]) -> tuple[Floats, Complexes]:
    """All points of several sweeps by rising frequency (n,), (n,); points at one frequency become their mean."""
    f = np.concatenate([np.asarray(sweep.f_hz, dtype=np.float64) for sweep in sweeps])
    s = np.concatenate([np.asarray(sweep.s11, dtype=np.complex128) for sweep in sweeps])
    order = np.argsort(f, kind="stable")
    f, s = f[order], s[order]
    new = np.concatenate([[True], np.diff(f) > 1e-9 * f[:-1]])
    first = np.flatnonzero(new)
    count = np.diff(np.append(first, len(f)))
    mean: Complexes = np.asarray(np.add.reduceat(s, first) / count, dtype=np.complex128)
    return f[first], mean


def measure_resonance(
    analyzer: Analyzer,
    low_hz: float,
    high_hz: float,
    *,
    q_goal: float,
    guess: Guess | tuple[float, float] | None = None,
    most_sweeps: int = 6,
    on_sweep: OnSweep | None = None,
) -> ResonanceReading:
    """Find the resonance between two frequencies and measure it until Q is known well enough.

    Parameters
    ----------
    q_goal : relative standard uncertainty of the unloaded Q at which to stop.
    guess : what earlier readings predict (or a pair of f0 in Hz and Q); saves the search if it is right.
    most_sweeps : stop after so many sweeps with what is known by then.
    on_sweep : called after each sweep with all points so far and the fit to them, None while there is none.

    Raises
    ------
    ReadingError
        No resonance there, or none whose Q can be told; the message says what to do.
    """
    if isinstance(guess, tuple):
        guess = Guess(*guess)
    return _Search(analyzer, low_hz, high_hz, q_goal, most_sweeps, on_sweep).run(guess)


class _Search:
    """One reading under way."""

    def __init__(
        self,
        analyzer: Analyzer,
        low_hz: float,
        high_hz: float,
        q_goal: float,
        most_sweeps: int,
        on_sweep: OnSweep | None,
    ) -> None:
        limits = analyzer.limits
        self.analyzer = analyzer
        self.low = max(low_hz, limits.low_hz)
        self.high = min(high_hz, limits.high_hz)
        if not self.low < self.high:
            raise ReadingError(
                f"The analyzer covers {_khz(limits.low_hz)} to {_khz(limits.high_hz)} kHz, which leaves nothing of "
                f"{_khz(low_hz)} to {_khz(high_hz)} kHz. Use another coil or another analyzer."
            )
        self.most_points = limits.most_points
        self.reach = (limits.low_hz, limits.high_hz)
        self.goal = q_goal
        self.most_sweeps = most_sweeps
        self.on_sweep = on_sweep
        self.sweeps: list[Sweep] = []
        self.zooms: list[Sweep] = []
        self.missed: list[Sweep] = []
        self.best: Resonance | None = None

    def run(self, guess: Guess | None) -> ResonanceReading:
        if guess is not None:
            self._try(guess)
        if self.best is None:
            self._search()
        while not self._done() and len(self.sweeps) < self.most_sweeps:
            self._zoom(self._belief())
        return self._result()

    def _take(self, plan: design.Plan) -> None:
        sweep = self.analyzer.sweep(plan.start_hz, plan.stop_hz, plan.points)
        self.sweeps.append(sweep)

    def _fitted(self) -> None:
        """Fit all points so far; a fit counts if Q is known from it."""
        f, s = merged(self.sweeps)
        found = fit_sweep(f, s)
        self.best = found if found.found else None
        self._tell()

    def _tell(self) -> None:
        if self.on_sweep is not None:
            f, s = merged(self.sweeps)
            self.on_sweep(f, s, self.best)

    def _try(self, guess: Guess) -> None:
        """Straight to where the resonance should be; a miss leaves nothing behind."""
        first = guess.first
        if first is None or not self.reach[0] <= first.start_hz < first.stop_hz <= self.reach[1]:
            first = guess.first_sweep(self.goal, self.analyzer.limits)
        self._take(first)
        self.zooms.append(self.sweeps[-1])
        self._fitted()
        if self.best is None or self.best.says("cut off"):
            # At the edge or beside the sweep: its skirts tell where, and that is nearer than searching the whole band.
            sweep = self.sweeps[-1]
            beside = (
                design.belief_beside(sweep.f_hz, sweep.s11, guess.belief())
                if self.best is None or self.best.background is None
                else design.belief_of_fit(self.best)
            )
            if beside is not None:
                self._zoom(beside)
        if self.best is None or self.best.says("cut off"):
            self.best = None
            self.missed, self.sweeps = self.sweeps, []
            self.zooms.clear()

    def _search(self) -> None:
        """Coarse sweeps over the band, each between the points of the ones before, until a resonance shows."""
        plan = design.coarse_sweep(self.low, self.high, self.most_points)
        belief: design.Belief | None = None
        for turn in range(max(1, self.most_sweeps - len(self.sweeps) - 1)):
            self._take(_between(plan, turn, self.most_points))
            f, s = merged(self.sweeps)
            belief = design.belief_of_sweep(f, s)
            if belief is not None:
                break
            self._tell()
        if belief is None:
            raise ReadingError(
                f"No resonance between {_khz(self.low)} and {_khz(self.high)} kHz. Bring the loop nearer to the coil, "
                "and check that the coil is plugged in and the dial is where it should be."
            )
        if np.median(design.reaches_across(belief, f)):
            self._fitted()
        else:
            # Too coarse for a Q: a fit now would tell nothing that the belief does not.
            self._tell()
        if not self._done():
            self._zoom(belief)

    def _zoom(self, belief: design.Belief) -> None:
        f, _ = merged(self.sweeps)
        plan = design.next_sweep(belief, f, self.goal, self.reach, self.most_points)
        self._take(plan)
        self.zooms.append(self.sweeps[-1])
        self._fitted()

    def _belief(self) -> design.Belief:
        found = self.best
        if found is not None and found.background is not None:
            return design.belief_of_fit(found)
        f, s = merged(self.sweeps)
        belief = design.belief_of_sweep(f, s)
        if belief is None:
            raise ReadingError(
                f"The resonance between {_khz(self.low)} and {_khz(self.high)} kHz does not stay where it was seen. "
                "Fix the loop, keep hands away, and take the reading again."
            )
        return belief

    def _done(self) -> bool:
        found = self.best
        if found is None:
            return False
        if found.q is None or found.q_u is None:
            return len(self.zooms) >= 2
        enough = found.q_u <= self.goal * found.q
        return enough and not found.says("too few points")

    def _result(self) -> ResonanceReading:
        alone = [fit_sweep(sweep.f_hz, sweep.s11) for sweep in self.zooms] if len(self.sweeps) > 1 else []
        found = self.best
        if found is None:
            f, s = merged(self.sweeps)
            moved = drift(alone).seen
            why = (
                WARNINGS["drift"]
                if moved
                else "; ".join(fit_sweep(f, s).warnings) or WARNINGS["no resonance"]
            )
            raise ReadingError(f"Q could not be measured in {len(self.sweeps)} sweeps. {_sentence(why)}")
        if found.q is None:
            raise ReadingError(_sentence(WARNINGS["no circle"]))
        found = after_drift(found, alone)
        q, q_u = found.q, found.q_u
        if q is None or q_u is None:
            raise ReadingError(_sentence(WARNINGS["drift"]))
        if q_u > max(WORST_Q_U, self.goal) * q:
            why = "; ".join(found.warnings) or WARNINGS["loose"]
            raise ReadingError(f"Q would be known to {q_u / q:.0%} only. {_sentence(why)}")
        return ResonanceReading(found, tuple(self.sweeps), tuple(self.missed))


def _between(plan: design.Plan, turn: int, most_points: int) -> design.Plan:
    """The coarse sweep again, its points between those of the sweeps before."""
    if turn == 0:
        return plan
    step = (plan.stop_hz - plan.start_hz) / (plan.points - 1)
    if turn == 1:
        return design.Plan(plan.start_hz + 0.5 * step, plan.stop_hz - 0.5 * step, plan.points - 1)
    points = min(most_points, 2 * plan.points)
    shift = step * (0.25 if turn == 2 else 0.11 * turn)
    return design.Plan(plan.start_hz + shift, plan.stop_hz - 0.1 * step, points)


def _khz(f_hz: float) -> str:
    return f"{f_hz / 1e3:.0f}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


# The kind


def added_dials(coil: Coil) -> tuple[float, ...]:
    """Dial readings at which the known capacitor is added: the two ends and the middle of the coil's own list."""
    dials = coil.dials
    if len(dials) <= 2:
        return dials
    return dials[0], dials[len(dials) // 2], dials[-1]


def _lacking(sought: Sought) -> Iterable[Wanted]:
    plan, coil = sought.plan, sought.coil
    points: list[tuple[float, float | None]] = [(dial, None) for dial in coil.dials]
    known = plan.readings.added_capacitor
    if known is not None:
        points += [(dial, known) for dial in added_dials(coil)]
    rows = sought.resonances()
    for dial, added in points:
        if not any(
            r["dial"] is not None and same_dial(r["dial"], dial, plan) and _same_added(r["added_c_f"], added)
            for r in rows
        ):
            more = _added_words(plan, added, " with {} added")
            what = f"resonance at dial {dial:g}{more}"
            yield Wanted("resonance", coil.name, what, dial=dial, added_c_f=added, valve=sought.valve)


def _same_added(one: float | None, other: float | None) -> bool:
    return math.isclose(one or 0.0, other or 0.0, rel_tol=SAME_ADDED)


def _added_words(plan: Plan, added: float | None, form: str) -> str:
    return form.format(show(added, "capacitance", plan.show.capacitance)) if added else ""


def _bands(
    bench: Bench, item: Wanted, expected: Expected, reach: tuple[float, float]
) -> list[tuple[float, float]]:
    """Where to search for the resonance, of what the instrument reaches: first where it is expected, then all the coil covers."""
    from bench.model import tuning_span

    whole = tuning_span(bench.plan, bench.plan.coil_named(item.coil), item.added_c_f or 0.0)
    inside = [(max(low, reach[0]), min(high, reach[1])) for low, high in (expected.band(), whole)]
    possible = [(low, high) for low, high in inside if low < high]
    if not possible:
        raise ReadingError(
            f"Coil {item.coil} should resonate outside the analyzer's range "
            f"({show(reach[0], 'frequency')} to {show(reach[1], 'frequency')}). "
            "Check the coil's turns and the tuning capacitance in plan.toml."
        )
    return possible


def _guess(bench: Bench, expected: Expected, limits: AnalyzerLimits) -> Guess | None:
    """Straight to the resonance, where it is known well enough for one sweep to see it."""
    q = expected.q_loaded
    if q is None or expected.f0_u_hz > GUESS_BANDWIDTHS * expected.f0_hz / q:
        return None
    guess = Guess(
        expected.f0_hz,
        q,
        GUESS_WIDENED * expected.f0_u_hz,
        b=expected.depth or Guess.b,
        noise=bench.sweep_noise or Guess.noise,
    )
    return replace(guess, first=guess.first_sweep(bench.plan.readings.q_uncertainty, limits))


@dataclass(frozen=True)
class _Foretold:
    """What earlier readings say of one at a setting of the dial; `guess` None where that is too little, or no analyzer is there."""

    law: DialLaw
    dial: float
    expected: Expected
    guess: Guess | None


def _foretold(
    bench: Bench, item: Wanted, law: DialLaw, dial: float, limits: AnalyzerLimits | None
) -> _Foretold:
    expected = law.expected(item.coil, dial, item.added_c_f or 0.0)
    return _Foretold(law, dial, expected, None if limits is None else _guess(bench, expected, limits))


def _as_set(
    bench: Bench, item: Wanted, told: _Foretold, dial: float, limits: AnalyzerLimits | None
) -> _Foretold:
    """What was foretold for one setting of the dial, for the one that it was set to."""
    if dial == told.dial:
        return told
    slope = told.expected.slope
    if slope is None or not same_dial(dial, told.dial, bench.plan):
        return _foretold(bench, item, told.law, dial, limits)
    first, last = bench.plan.receiver.tuning.dial
    factor = math.exp(slope * (dial - told.dial) / (last - first))
    expected = replace(told.expected, f0_hz=factor * told.expected.f0_hz)
    return replace(told, dial=dial, expected=expected, guess=told.guess and told.guess.moved(factor))


def _take(bench: Bench, item: Wanted) -> int:
    assert item.dial is not None
    by_level = bench.instruments.by_level
    typed = not bench.instruments.has("analyzer") and not by_level
    limits: AnalyzerLimits | None = None
    if by_level:
        bench.instruments.generator()
        bench.instruments.level()
    elif not typed:
        # Opened before anything is asked: a dead instrument is told before the set is made ready for it.
        limits = bench.instruments.analyzer().limits
    rows, wanted_dial = bench.alike(), item.dial

    def think() -> _Foretold:
        return _foretold(bench, item, DialLaw(bench.plan, rows), wanted_dial, limits)

    # Worked out while the hands are busy with coil, control and dial.
    coming = None if typed else bench.think(think)
    bench.prepare(item, loop=True)
    bench.operator.rest_control(0.0)
    dial = bench.set_dial(item.dial)
    if coming is None:
        return _take_typed(bench, item, dial)
    told = _as_set(bench, item, coming.result(), dial, limits)
    expected, guess = told.expected, told.guess
    if limits is None:
        from bench.readings.level_row import take_by_level

        return take_by_level(bench, item, dial, _bands(bench, item, expected, (0.0, math.inf)), expected)

    def on_sweep(f_hz: Any, s11: Any, so_far: Resonance | None) -> None:
        found = f", resonance near {bench.show(so_far.f0_hz)}" if so_far and so_far.f0_hz else ""
        where = f"coil {item.coil}, dial {dial:g}"
        bench.reporter.detail(f"{where}: {len(f_hz)} points swept{found}")
        bench.reporter.sweep(where, f_hz, s11, so_far)

    goal = bench.plan.readings.q_uncertainty
    bands = _bands(bench, item, expected, (limits.low_hz, limits.high_hz))
    if guess is not None:
        # What is not where it was expected may be anywhere.
        del bands[:-1]
    for number, (low, high) in enumerate(bands):
        analyzer = bench.calibrated.over(bench.instruments.analyzer(), low, high)
        try:
            reading = measure_resonance(analyzer, low, high, q_goal=goal, guess=guess, on_sweep=on_sweep)
            break
        except ReadingError:
            guess = None
            if number + 1 == len(bands):
                raise
    result = reading.resonance
    bench.record(
        item,
        {
            "f0_hz": result.f0_hz,
            "f0_u_hz": result.f0_u_hz,
            "q_loaded": result.q_loaded,
            "q_loaded_u": result.q_loaded_u,
            "q": result.q,
            "q_u": result.q_u,
            "beta": result.beta,
            "added_c_f": item.added_c_f,
            "method": "reflection",
            "note": "; ".join(result.warnings),
        },
        dial=dial,
        sweeps=reading.sweeps,
        search=reading.search,
        analyzer=analyzer,
        notes=[f"coil {item.coil}, dial {dial:g}"],
    )
    if result.background is not None:
        bench.sweep_noise = result.background.noise
    if result.f0_hz and expected.q_loaded:
        _tell_if_elsewhere(bench, item, expected, result.f0_hz)
    said = f"  {'; '.join(result.warnings)}" if result.warnings else ""
    more = _added_words(bench.plan, item.added_c_f, " + {}")
    f0_text = bench.show(result.f0_hz or 0.0, result.f0_u_hz)
    bench.reporter.result(
        f"coil {item.coil}  dial {dial:g}{more}  f0 {f0_text}  Q {result.q:.0f} ± {result.q_u:.1f}{said}"
    )
    return 1


def _tell_if_elsewhere(bench: Bench, item: Wanted, expected: Expected, f0_hz: float) -> None:
    off = f0_hz / expected.f0_hz - 1.0
    if abs(off) * expected.f0_hz > ELSEWHERE * expected.f0_u_hz:
        bench.reporter.say(
            f"  {item.words()}: {100 * abs(off):.1f} % {'above' if off > 0 else 'below'} where the earlier readings put it "
            f"({bench.show(expected.f0_hz, expected.f0_u_hz)}). If the dial or the coil was not as told, withdraw it."
        )
        bench.session.log("elsewhere", reading=item.words(), expected_hz=expected.f0_hz, f0_hz=f0_hz)


def _take_typed(bench: Bench, item: Wanted, dial: float) -> int:
    f0 = bench.operator.number("Resonance at (for instance 3.512MHz):", lambda text: parse(text, "frequency"))
    bench.record(item, {"f0_hz": f0, "added_c_f": item.added_c_f, "method": "typed"}, dial=dial)
    more = _added_words(bench.plan, item.added_c_f, " + {}")
    bench.reporter.result(f"coil {item.coil}  dial {dial:g}{more}  f0 {bench.show(f0)} (typed)")
    return 1


KIND = Kind(_lacking, _take)
