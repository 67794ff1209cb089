"""What else moves the onset where no number of turns will do: each lever tried in values that can be bought or set."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.advice.turns import Ladder, Window, ladder
from bench.errors import PlanError
from bench.model import coil_model
from bench.physics.bandspread import E12
from bench.physics.coupling import Change, CouplingFit, predict
from bench.quantities import show

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

# Preferred numbers of IEC 60063: twelve a decade for capacitors, six for potentiometers.
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
REACH = 12.0
REACH_CONTROL = 120.0
# First a coarse look over values and turns, then a close one about the best.
COARSE_TURNS, COARSE_VALUES, CLOSE_TURNS = 8, 14, 8
# Rewinding a tickler is less trouble than another part: its share of the cost.
TURNS_COST = 0.25
# A choice that only grazes the window's edge is no cure.
CLEAR_DEG = 2.0
WORTH_DEG = 5.0
TAPER_COST = math.log(2.0)


@dataclass(frozen=True)
class Lever:
    """One thing to change, its amount and its effect in words; `cost` is how much must be changed (0: nothing)."""

    what: str
    change: str
    effect: str
    inside: bool
    cost: float
    margin_deg: float


@dataclass(frozen=True)
class _Trial:
    """One value of a lever: factors for `Change`, how it reads, how much it changes."""

    words: str
    cost: float
    factors: dict[str, float]
    taper: str | None = None


def find(plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, chosen: float) -> list[Lever]:
    """Levers that bring the onset into the window, the least change first; after them those that only help.

    Each is tried alone, all else as it is but the tickler's turns.
    """
    search = _Search(plan, coil, fit, index, window, _coarse_turns(coil.feedback_turns, chosen))
    found = [search.try_values(what, trials) for what, trials in _all(plan, coil, fit, index)]
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


def lower(resistance: float) -> list[float]:
    """Potentiometer values below a resistance, down to a hundredth, the nearest first."""
    decades = range(math.floor(math.log10(resistance)) - 2, math.floor(math.log10(resistance)) + 1)
    values = [step * 10.0**decade for decade in decades for step in E6]
    return sorted((v for v in values if resistance / 100 <= v < 0.9 * resistance), reverse=True)


def _valve(plan: Plan) -> tuple[str, list[_Trial]]:
    """More or less supply where it is known, else gm itself: three-halves law for valves, gm as the current else."""
    receiver = plan.receiver
    space_charge = receiver.device in ("triode", "pentode")
    steps = [s for s in np.geomspace(0.5, 2.0, 29) if abs(s - 1) > 0.01]
    if receiver.supply is not None:
        supply = receiver.supply

        def trial(share: float) -> _Trial:
            gm = math.sqrt(share) if space_charge else share
            factors = {"gm": gm, "rp": 1 / gm if space_charge else 1.0}
            return _Trial(f"from {supply:g} V to {supply * share:.3g} V", abs(math.log(share)), factors)

        return "supply voltage", [trial(float(s)) for s in steps]
    return "transconductance", [
        _Trial(f"to {s:.2f} times the present", abs(math.log(s)), {"gm": float(s)}) for s in steps
    ]


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
        self, plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, turns: Sequence[float]
    ) -> None:
        self.plan, self.coil, self.fit, self.index, self.window = plan, coil, fit, index, window
        self.now = coil.feedback_turns
        self.ladder = ladder
        self.steps = ladder(plan, coil, turns)
        self.before = float(window.margin(predict(fit, index, self.steps.change())).max())

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
            picks.append((fine, close[fine.trial], turns.turns[fine.turns]))
        if not picks:
            return None
        fine, trial, n = min(
            picks, key=lambda p: (not p[0].inside, p[0].cost if p[0].inside else -p[0].margin_deg)
        )
        return self._lever(what, fine, trial, n)

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
            for share in (0.25, 0.5, 0.75, 1.5, 2.0, 3.0, 4.0, 6.0):
                moved = coil.model_copy(update={"tickler": tickler.model_copy(update={"gap": gap * share})})
                models = [coil_model(plan, moved, tickler_turns=n) for n in self.steps.turns]
                mutual += [m.mutual_h / present.mutual_h for m in models]
                inductance += [m.tickler_l_h / present.tickler_l_h for m in models]
                words = f"from {show(gap, 'length', like)} to {show(gap * share, 'length', like)}"
                trials.append(_Trial(words, abs(math.log(share)), {}))
        except PlanError:
            return None
        change = Change(mutual=np.array(mutual)[:, None], tickler=np.array(inductance)[:, None])
        angles = predict(self.fit, self.index, change).reshape(len(trials), len(self.steps.turns), -1)
        pick = self._pick(trials, self.steps.turns, angles)
        return self._lever("tickler gap", pick, trials[pick.trial], self.steps.turns[pick.turns])

    def _between(self, at: int) -> Ladder:
        """Numbers of turns between the neighbours of a coarse one."""
        turns = self.steps.turns
        low = turns[at - 1] + 1 if at > 0 else turns[at]
        high = turns[at + 1] - 1 if at + 1 < len(turns) else turns[at]
        every = max(1, math.ceil((high - low + 1) / CLOSE_TURNS))
        near = {float(n) for n in range(math.ceil(low), math.floor(high) + 1, every)} | {turns[at]}
        return self.ladder(self.plan, self.coil, sorted(near))

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
        rewinding = TURNS_COST * np.abs(np.log(np.asarray(turns) / self.now))
        cost = np.array([trial.cost for trial in trials])[:, None] + rewinding
        score, inside = -margin, False
        for enough in (CLEAR_DEG, 0.0):
            if (margin >= enough).any():
                score, inside = np.where(margin >= enough, cost, np.inf), True
                break
        i, j = np.unravel_index(int(np.argmin(score)), score.shape)
        return _Pick(int(i), int(j), inside, float(cost[i, j]), float(margin[i, j]), angles[i, j])

    def _lever(self, what: str, pick: _Pick, trial: _Trial, n: float) -> Lever | None:
        if not pick.inside and pick.margin_deg < self.before + WORTH_DEG:
            return None
        tickler = "" if n == self.now else f", with {n:g} tickler turn{'s' if n != 1 else ''}"
        place = "all inside the window" if pick.inside else "nearer, but not all inside the window"
        effect = f"onset at {self.window.run(pick.angles)}, {place}"
        return Lever(what, trial.words + tickler, effect, pick.inside, pick.cost, pick.margin_deg)


def _by_taper(trials: Sequence[_Trial]) -> list[list[_Trial]]:
    groups: dict[str | None, list[_Trial]] = {}
    for trial in trials:
        groups.setdefault(trial.taper, []).append(trial)
    return list(groups.values())
