"""What else moves the onset where no number of turns will do: each lever tried in values that can be bought or set.

How much a lever changes is the size of all that is changed with it, each as the logarithm of its ratio: the part's own value
and the tickler's turns. Halving a capacitor and halving the turns count alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.advice.smoothness import E6
from bench.advice.spread import of_changes
from bench.advice.turns import Ladder, Window, ladder, percent
from bench.conventions import DANGEROUS_V
from bench.errors import PlanError
from bench.model import coil_model
from bench.physics.bandspread import E12
from bench.physics.coupling import Change, CouplingFit, predict
from bench.quantities import show

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

REACH = 12.0
REACH_CONTROL = 120.0
# First a coarse look over values and turns, then a close one about the best.
COARSE_TURNS, COARSE_VALUES, CLOSE_TURNS = 8, 14, 8
# A choice that only grazes the window's edge is no cure: it must clear it by this, and by this many of its uncertainties.
CLEAR_DEG, CLEAR_U = 2.0, 1.5
WORTH_DEG, LIKELY = 5.0, 0.8
# Another taper is another part, its value the same: counted as a part twice or half as large.
TAPER_COST = math.log(2.0)
# A supply that becomes dangerous to touch comes after everything else that would do.
DANGER_COST = 10.0
GAP_STEP_M = 0.5e-3


@dataclass(frozen=True)
class Lever:
    """One thing to change, its amount and its effect in words; `cost` is how much is changed in all (0: nothing).

    `angles` (n,) and `u` (n,) are the onset that it leads to, with `turns` on the tickler; `sure` the chance that all of it
    lies in the window.
    """

    what: str
    change: str
    effect: str
    inside: bool
    cost: float
    margin_deg: float
    turns: float
    angles: Floats
    u: Floats
    sure: float


@dataclass(frozen=True)
class _Trial:
    """One value of a lever: factors for `Change`, how it reads, how much it changes."""

    words: str
    cost: float
    factors: dict[str, float]
    taper: str | None = None


def find(
    plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, chosen: float, typical_u_deg: float
) -> list[Lever]:
    """Levers that bring the onset into the window, the least change first; after them those that only help.

    Each is tried alone, all else as it is but the tickler's turns. `typical_u_deg`: of an onset angle in the window.
    """
    clear = max(CLEAR_DEG, CLEAR_U * typical_u_deg)
    search = _Search(plan, coil, fit, index, window, _coarse_turns(coil.feedback_turns, chosen))
    search.clear_deg = clear
    found = [search.surest(what, trials, clear) for what, trials in _all(plan, coil, fit, index)]
    found.append(search.try_gap())
    return sorted(
        (lever for lever in found if lever is not None),
        key=lambda lever: (not lever.inside, lever.cost if lever.inside else -lever.margin_deg),
    )


def _coarse_turns(now: float, chosen: float) -> list[float]:
    last = math.ceil(max(now, chosen)) + 3
    return sorted(
        {float(round(n)) for n in np.geomspace(1, last, COARSE_TURNS)} | {float(now), float(chosen)}
    )


def _all(plan: Plan, coil: Coil, fit: CouplingFit, index: int) -> list[tuple[str, list[_Trial]]]:
    receiver, like = plan.receiver, plan.show.capacitance

    def farads(value: float) -> str:
        return show(value, "capacitance", like)

    def ohms(value: float) -> str:
        return show(value, "resistance")

    every: list[tuple[str, list[_Trial]]] = []
    if receiver.antenna is not None and fit.model.coils[index].antenna:
        every.append(
            ("antenna capacitor", _values(receiver.antenna.coupling_capacitor, E12, farads, ("antenna",)))
        )
    if receiver.feedback.capacitor > 0 and receiver.control.kind != "throttle":
        every.append(("feedback capacitor", _values(receiver.feedback.capacitor, E12, farads, ("feedback",))))
    if receiver.control.resistance is not None:
        resistance = receiver.control.resistance
        every.append(("control resistance", _values(resistance, E6, ohms, ("control",), REACH_CONTROL)))
    if receiver.control.capacitance is not None and receiver.control.kind == "throttle":
        every.append(
            ("throttle capacitor's most", _values(receiver.control.capacitance[1], E12, farads, ("control",)))
        )
    if receiver.control.kind not in ("swing", "measured"):
        now = receiver.control.taper
        others = [t for t in ("linear", "log", "reverse-log") if t != now]
        named = now if isinstance(now, str) else "the present one"
        every.append(
            ("taper", [_Trial(f"from {named} to {taper}", TAPER_COST, {}, taper) for taper in others])
        )
    every.append(_valve(plan))
    return every


def _values(
    now: float,
    series: Sequence[float],
    words: Callable[[float], str],
    names: Sequence[str],
    reach: float = REACH,
) -> list[_Trial]:
    decades = range(math.floor(math.log10(now / reach)), math.ceil(math.log10(now * reach)) + 1)
    values = [step * 10.0**decade for decade in decades for step in series]
    return [
        _Trial(f"from {words(now)} to {words(v)}", abs(math.log(v / now)), dict.fromkeys(names, v / now))
        for v in values
        if 1 / reach <= v / now <= reach and abs(v / now - 1) > 0.02
    ]


def _valve(plan: Plan) -> tuple[str, list[_Trial]]:
    """More or less supply where it is known, else gm itself: three-halves law for valves, gm as the current else."""
    receiver = plan.receiver
    if receiver.supply:
        supply = receiver.supply
        step = next(s for s in (0.5, 1.0, 5.0, 10.0, 50.0) if supply < 30 * s or s == 50.0)
        volts = [step * n for n in range(1, math.floor(2 * supply / step) + 1)]
        return "supply voltage", [
            _Trial(
                f"from {supply:g} V to {v:g} V{_into_danger(supply, v)}",
                abs(math.log(v / supply)) + (DANGER_COST if _into_danger(supply, v) else 0.0),
                supply_factors(plan, v / supply),
            )
            for v in volts
            if v >= supply / 2 and abs(v / supply - 1) > 0.01
        ]
    steps = [s for s in np.geomspace(0.5, 2.0, 29) if abs(s - 1) > 0.01]
    return "transconductance", [
        _Trial(f"to {s:.2f} times the present", abs(math.log(s)), {"gm": float(s)}) for s in steps
    ]


def _into_danger(now_v: float, then_v: float) -> str:
    """A word where a set that was safe to touch would be so no more."""
    return " (lethal: see the cautions)" if now_v <= DANGEROUS_V < then_v else ""


def supply_factors(plan: Plan, ratio: float) -> dict[str, float]:
    """What another supply makes of gm and rp: the three-halves law for valves, gm as the voltage for transistors."""
    if plan.receiver.device in ("triode", "pentode"):
        return {"gm": math.sqrt(ratio), "rp": 1 / math.sqrt(ratio)}
    return {"gm": ratio, "rp": 1.0}


@dataclass(frozen=True)
class _Pick:
    """One trial with one number of turns."""

    trial: int
    turns: int
    inside: bool
    cost: float
    margin_deg: float
    angles: Floats


class _Search:
    """Tries levers on one coil."""

    def __init__(
        self,
        plan: Plan,
        coil: Coil,
        fit: CouplingFit,
        index: int,
        window: Window,
        turns: Sequence[float],
    ) -> None:
        self.clear_deg = CLEAR_DEG
        self.plan, self.coil, self.fit, self.index, self.window = plan, coil, fit, index, window
        self.now = coil.feedback_turns
        self.steps = ladder(plan, coil, turns)
        self.before = float(window.margin(predict(fit, index, self.steps.change())).max())

    def surest(self, what: str, trials: Sequence[_Trial], clear_deg: float) -> Lever | None:
        """The least change that is also likely to do; where none is, the likeliest."""
        best: Lever | None = None
        for times in (1.0, 4.0):
            self.clear_deg = times * clear_deg
            lever = self.try_values(what, trials)
            if best is None or (lever is not None and lever.inside and lever.sure > best.sure):
                best = lever
            if best is None or not best.inside or best.sure >= LIKELY:
                break
        return best

    def try_values(self, what: str, trials: Sequence[_Trial]) -> Lever | None:
        """The least change that clears the window, over numbers of turns; else the most helpful."""
        picks = []
        for group in _by_taper(trials):
            every = math.ceil(len(group) / COARSE_VALUES)
            coarse = group[::every]
            pick = self._pick(coarse, self.steps.turns, self._angles(coarse, self.steps))
            at = pick.trial * every
            close = group[max(at - every, 0) : at + every + 1]
            turns = self._between(pick.turns)
            if not turns.turns:
                continue
            fine = self._pick(close, turns.turns, self._angles(close, turns))
            picks.append((fine, close[fine.trial], turns))
        if not picks:
            return None
        fine, trial, turns = min(
            picks, key=lambda p: (not p[0].inside, p[0].cost if p[0].inside else -p[0].margin_deg)
        )
        n = turns.turns[fine.turns]
        change = Change(
            mutual=float(turns.mutual[fine.turns]),
            tickler=float(turns.tickler[fine.turns]),
            taper=trial.taper,
            **trial.factors,
        )
        return self._lever(what, fine, trial, n, change)

    def try_gap(self) -> Lever | None:
        """Tickler nearer or further: M by geometry, for each gap and number of turns."""
        coil, plan = self.coil, self.plan
        tickler = coil.tickler
        if tickler is None or not tickler.gap or tickler.k is not None:
            return None
        gap = tickler.gap
        like = plan.show.length
        trials, mutual, inductance = [], [], []
        try:
            present = coil_model(plan, coil)
            for to in _gaps(gap):
                moved = coil.model_copy(update={"tickler": tickler.model_copy(update={"gap": to})})
                models = [coil_model(plan, moved, tickler_turns=n) for n in self.steps.turns]
                mutual += [m.mutual_h / present.mutual_h for m in models]
                inductance += [m.tickler_l_h / present.tickler_l_h for m in models]
                words = f"from {show(gap, 'length', like)} to {show(to, 'length', like)}"
                trials.append(_Trial(words, abs(math.log(to / gap)), {}))
        except PlanError:
            return None
        change = Change(mutual=np.array(mutual)[:, None], tickler=np.array(inductance)[:, None])
        angles = predict(self.fit, self.index, change).reshape(len(trials), len(self.steps.turns), -1)
        pick = self._pick(trials, self.steps.turns, angles)
        at = pick.trial * len(self.steps.turns) + pick.turns
        one = Change(mutual=float(mutual[at]), tickler=float(inductance[at]))
        return self._lever("tickler gap", pick, trials[pick.trial], self.steps.turns[pick.turns], one)

    def _between(self, at: int) -> Ladder:
        """Numbers of turns between the neighbours of a coarse one."""
        turns = self.steps.turns
        low = turns[at - 1] + 1 if at > 0 else turns[at]
        high = turns[at + 1] - 1 if at + 1 < len(turns) else turns[at]
        every = max(1, math.ceil((high - low + 1) / CLOSE_TURNS))
        near = {float(n) for n in range(math.ceil(low), math.floor(high) + 1, every)} | {turns[at]}
        return ladder(self.plan, self.coil, sorted(near))

    def _angles(self, trials: Sequence[_Trial], steps: Ladder) -> Floats:
        """Onset angles (trials, turns, frequencies)."""
        count = len(steps.turns)
        names = {name for trial in trials for name in trial.factors}
        factors = {
            name: np.repeat([trial.factors.get(name, 1.0) for trial in trials], count)[:, None]
            for name in names
        }
        change = Change(
            mutual=np.tile(steps.mutual, len(trials))[:, None],
            tickler=np.tile(steps.tickler, len(trials))[:, None],
            taper=trials[0].taper,
            **factors,
        )
        return predict(self.fit, self.index, change).reshape(len(trials), count, -1)

    def _pick(self, trials: Sequence[_Trial], turns: Sequence[float], angles: Floats) -> _Pick:
        window = self.window
        margin = window.margin(angles)
        margin = np.where(window.inside(angles), margin, np.minimum(margin, -1e-9))
        rewinding = np.abs(np.log(np.asarray(turns) / self.now))
        cost = np.array([trial.cost for trial in trials])[:, None] + rewinding
        score, inside = -margin, False
        for enough in (self.clear_deg, 0.0):
            if (margin >= enough).any():
                score, inside = np.where(margin >= enough, cost, np.inf), True
                break
        i, j = np.unravel_index(int(np.argmin(score)), score.shape)
        return _Pick(int(i), int(j), inside, float(cost[i, j]), float(margin[i, j]), angles[i, j])

    def _lever(self, what: str, pick: _Pick, trial: _Trial, n: float, change: Change) -> Lever | None:
        if not pick.inside and pick.margin_deg < self.before + WORTH_DEG:
            return None
        winding = "tickler" if self.coil.tap is None else "tap"
        tickler = "" if n == self.now else f", with {n:g} {winding} turn{'s' if n != 1 else ''}"
        place = "all inside the window" if pick.inside else "nearer, but not all inside the window"
        found = of_changes(self.fit, self.index, change, 1)
        sure = found.inside(self.window)[0]
        chance = f" ({percent(sure)} sure)" if pick.inside else ""
        effect = f"onset {self.window.where(pick.angles)}, {place}{chance}"
        return Lever(
            what,
            trial.words + tickler,
            effect,
            pick.inside,
            pick.cost,
            pick.margin_deg,
            n,
            pick.angles,
            found.u[0],
            sure,
        )


def _gaps(gap: float) -> list[float]:
    """Gaps to try, in half millimetres, from a quarter to six times the present one."""
    lowest, highest = max(1, math.ceil(gap / 4 / GAP_STEP_M)), math.floor(6 * gap / GAP_STEP_M)
    every = max(1, (highest - lowest) // 12)
    return [n * GAP_STEP_M for n in range(lowest, highest + 1, every) if abs(n * GAP_STEP_M / gap - 1) > 0.02]


def _by_taper(trials: Sequence[_Trial]) -> list[list[_Trial]]:
    groups: dict[str | None, list[_Trial]] = {}
    for trial in trials:
        groups.setdefault(trial.taper, []).append(trial)
    return list(groups.values())
