"""Resonance and Q with an analyzer: a coarse look over the band, then as few points as the wanted uncertainty needs.

Every sweep of a reading counts: the result is the fit of all its points together, so that the saved, merged sweep read
again gives the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from bench.errors import ReadingError
from bench.physics import list_design
from bench.physics import sweep_design as design
from bench.physics.list_design import Listed
from bench.physics.resonance import WARNINGS, Resonance, fit_sweep
from bench.physics.resonance_drift import after_drift, drift
from bench.physics.resonance_result import FEWEST_SURE
from drivers.roles import Analyzer, AnalyzerLimits, Complexes, Floats, ListAnalyzer, Sweep

OnSweep = Callable[[Floats, Complexes, "Resonance | None"], None]
GUESS_POINTS = 41
# Points that a second sweep is reckoned to cost where the first could have been the only one.
GUESS_SWEEP_COST = 200.0
# Where a sweep as dense as usual has a smaller chance to catch the resonance, one with so many points on it will do.
GUESS_CHANCE, GUESS_ACROSS = 0.97, FEWEST_SURE + 1
# Said of a single sweep, these call for another to judge by.
SECOND_LOOK = ("too few points", "stray", "uneven")
# A Q less certain than this is no reading, however long the sweeps took.
WORST_Q_U = 0.1
# An analyzer that takes shorter lists than this is swept evenly.
SHORTEST_LIST = 15


@dataclass(frozen=True)
class Guess:
    """Where the resonance should be, from earlier readings.

    `f0_u_hz`: how well f0 is predicted (k = 1), half a bandwidth where not given; `q_share_u`: how well Q is, relative; `b`, `noise`: size of the circle and
    noise of the earlier readings; `places_hz`: equally likely places of f0, where more is known of it than that; `first`: the
    sweep that it calls for, where that was worked out beforehand.
    """

    f0_hz: float
    q_loaded: float
    f0_u_hz: float | None = None
    b: float = 0.15
    noise: float = 1e-3
    places_hz: tuple[float, ...] = ()
    q_share_u: float = 0.2
    first: design.Plan | Listed | None = None

    def belief(self) -> design.Belief:
        """As the design of sweeps takes it."""
        u = self.f0_u_hz if self.f0_u_hz is not None else 0.25 * self.f0_hz / self.q_loaded
        places = np.array(self.places_hz or self.f0_hz + u * design.PLACES)
        return design.belief_of_guess(places, self.q_loaded, self.q_share_u, b=self.b, noise=self.noise)

    def first_sweep(self, q_goal: float, limits: AnalyzerLimits) -> design.Plan | Listed:
        """One sweep of at most `GUESS_POINTS`, laid out so that it is likely to be enough."""
        belief, reach, none = self.belief(), (limits.low_hz, limits.high_hz), np.empty(0)
        listed = limits.list_points >= SHORTEST_LIST
        points = min(limits.list_points if listed else limits.most_points, GUESS_POINTS)

        def laid_out(fewest: int) -> design.Plan | Listed:
            lay_out = list_design.next_list if listed else design.next_sweep
            return lay_out(belief, none, q_goal, reach, points, GUESS_SWEEP_COST, fewest)

        plan = laid_out(design.FEWEST_ACROSS)
        caught = np.mean(design.reaches_across(belief, plan.f_hz))
        return plan if caught >= GUESS_CHANCE else laid_out(GUESS_ACROSS)

    def moved(self, factor: float) -> Guess:
        """The same with all frequencies times a factor near 1."""
        first = self.first
        if isinstance(first, Listed):
            first = Listed(factor * first.f_hz)
        elif first is not None:
            first = replace(first, start_hz=factor * first.start_hz, stop_hz=factor * first.stop_hz)
        places = tuple(factor * place for place in self.places_hz)
        return replace(self, f0_hz=factor * self.f0_hz, places_hz=places, first=first)

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
        self.most_listed = limits.list_points if limits.list_points >= SHORTEST_LIST else 0
        self.reach = (limits.low_hz, limits.high_hz)
        self.goal = q_goal
        self.most_sweeps = most_sweeps
        self.on_sweep = on_sweep
        self.sweeps: list[Sweep] = []
        self.points: tuple[Floats, Complexes] = (np.empty(0), np.empty(0, dtype=np.complex128))
        """All points of `sweeps`, merged."""
        self.zooms: list[Sweep] = []
        self.missed: list[Sweep] = []
        self.best: Resonance | None = None
        self.first: Resonance | None = None
        """Fit of the first sweep near the resonance, where there was none before it."""

    def run(self, guess: Guess | None) -> ResonanceReading:
        if guess is not None:
            self._try(guess)
        if self.best is None:
            self._search()
        while not self._done() and len(self.sweeps) < self.most_sweeps:
            self._zoom(self._belief())
        return self._result()

    def _take(self, plan: design.Plan | Listed) -> None:
        if isinstance(plan, Listed):
            sweep = cast(ListAnalyzer, self.analyzer).sweep_at(plan.f_hz)
        else:
            sweep = self.analyzer.sweep(plan.start_hz, plan.stop_hz, plan.points)
        self.sweeps.append(sweep)
        self.points = merged(self.sweeps)

    def _fitted(self) -> None:
        """Fit all points so far; a fit counts if Q is known from it."""
        found = fit_sweep(*self.points)
        if len(self.sweeps) == len(self.zooms) == 1:
            self.first = found
        self.best = found if found.found else None
        self._tell()

    def _tell(self) -> None:
        if self.on_sweep is not None:
            self.on_sweep(*self.points, self.best)

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
            self.missed, self.sweeps, self.first = self.sweeps, [], None
            self.zooms.clear()

    def _search(self) -> None:
        """Coarse sweeps over the band, each between the points of the ones before, until a resonance shows."""
        belief: design.Belief | None = None
        for turn in range(max(1, self.most_sweeps - len(self.sweeps) - 1)):
            self._take(self._coarse(turn))
            belief = design.belief_of_sweep(*self.points)
            if belief is not None:
                break
            self._tell()
        if belief is None:
            raise ReadingError(
                f"No resonance between {_khz(self.low)} and {_khz(self.high)} kHz. Bring the loop nearer to the coil, "
                "and check that the coil is plugged in and the dial is where it should be."
            )
        if np.median(design.reaches_across(belief, self.points[0])):
            self._fitted()
        else:
            # Too coarse for a Q: a fit now would tell nothing that the belief does not.
            self._tell()
        if not self._done():
            self._zoom(belief)

    def _coarse(self, turn: int) -> design.Plan | Listed:
        """The look over the band, for the `turn`-th time."""
        coarse = list_design.coarse_list(self.low, self.high, self.most_listed or 1)
        if coarse.step <= list_design.COARSE_STEP:
            return list_design.between(coarse, turn, self.most_listed)
        return _between(design.coarse_sweep(self.low, self.high, self.most_points), turn, self.most_points)

    def _zoom(self, belief: design.Belief) -> None:
        f, _ = self.points
        if self.most_listed:
            self._take(list_design.next_list(belief, f, self.goal, self.reach, self.most_listed))
        else:
            self._take(design.next_sweep(belief, f, self.goal, self.reach, self.most_points))
        self.zooms.append(self.sweeps[-1])
        self._fitted()

    def _belief(self) -> design.Belief:
        found = self.best
        if found is not None and found.background is not None:
            return design.belief_of_fit(found)
        belief = design.belief_of_sweep(*self.points)
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
        odd = any(found.says(name) for name in (SECOND_LOOK if len(self.zooms) < 2 else SECOND_LOOK[:1]))
        return found.q_u <= self.goal * found.q and not odd

    def _alone(self) -> list[Resonance]:
        """Fits of the sweeps near the resonance, each for itself."""
        first = [] if self.first is None else [self.first]
        return first + [fit_sweep(sweep.f_hz, sweep.s11) for sweep in self.zooms[len(first) :]]

    def _result(self) -> ResonanceReading:
        alone = self._alone() if len(self.sweeps) > 1 else []
        found = self.best
        if found is None:
            moved = drift(alone).seen
            why = (
                WARNINGS["drift"]
                if moved
                else "; ".join(fit_sweep(*self.points).warnings) or WARNINGS["no resonance"]
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
