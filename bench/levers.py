"""What else moves the onset where no number of turns will do: each lever tried in values that can be bought or set."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.errors import PlanError
from bench.model import coil_model
from bench.physics.coupling import Change, CouplingFit, predict
from bench.quantities import show

if TYPE_CHECKING:
    from bench.advice import Ladder, Window
    from bench.plan import Coil, Plan

Floats = NDArray[np.float64]

# Preferred numbers of IEC 60063: twelve a decade for capacitors, six for potentiometers.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
REACH = 12.0
NEAR_TURNS = 3
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

    Each is tried alone, with the present parts but any number of turns near `chosen`.
    """
    from bench.advice import ladder

    turns = sorted(
        {float(n) for n in range(max(1, math.floor(chosen) - NEAR_TURNS), math.ceil(chosen) + NEAR_TURNS + 1)}
    )
    steps = ladder(plan, coil, turns)
    before = float(window.margin(predict(fit, index, steps.change())).max())
    found = []
    for what, trials in _all(plan, coil, fit, index):
        lever = _try(what, trials, steps, fit, index, window, before, coil.tickler.turns)
        if lever is not None:
            found.append(lever)
    gap = _gap(plan, coil, fit, index, window, turns, before)
    if gap is not None:
        found.append(gap)
    return sorted(
        found, key=lambda lever: (not lever.inside, lever.cost if lever.inside else -lever.margin_deg)
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
        every.append(("control resistance", _values(receiver.control.resistance, E6, ohms, ("control",))))
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
    now: float, series: Sequence[float], words: Callable[[float], str], names: Sequence[str]
) -> list[_Trial]:
    decades = range(math.floor(math.log10(now / REACH)), math.ceil(math.log10(now * REACH)) + 1)
    values = [step * 10.0**decade for decade in decades for step in series]
    return [
        _Trial(f"from {words(now)} to {words(v)}", abs(math.log(v / now)), dict.fromkeys(names, v / now))
        for v in values
        if 1 / REACH <= v / now <= REACH and abs(v / now - 1) > 0.02
    ]


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
        _Trial(f"{s:.2f} times the present", abs(math.log(s)), {"gm": float(s)}) for s in steps
    ]


def _try(
    what: str,
    trials: Sequence[_Trial],
    steps: Ladder,
    fit: CouplingFit,
    index: int,
    window: Window,
    before: float,
    now: float,
) -> Lever | None:
    """The least change that clears the window, over all turns near; else the most helpful."""
    angles = np.concatenate([_angles(group, steps, fit, index) for group in _by_taper(trials)])
    ordered = [trial for group in _by_taper(trials) for trial in group]
    return _choose(what, ordered, steps.turns, angles, window, before, now)


def _by_taper(trials: Sequence[_Trial]) -> list[list[_Trial]]:
    groups: dict[str | None, list[_Trial]] = {}
    for trial in trials:
        groups.setdefault(trial.taper, []).append(trial)
    return list(groups.values())


def _angles(trials: Sequence[_Trial], steps: Ladder, fit: CouplingFit, index: int) -> Floats:
    """Onset angles (trials, turns, frequencies)."""
    count = len(steps.turns)
    names = {name for trial in trials for name in trial.factors}
    factors = {
        name: np.repeat([trial.factors.get(name, 1.0) for trial in trials], count)[:, None] for name in names
    }
    change = Change(
        mutual=np.tile(steps.mutual, len(trials))[:, None],
        tickler=np.tile(steps.tickler, len(trials))[:, None],
        taper=trials[0].taper,
        **factors,
    )
    return predict(fit, index, change).reshape(len(trials), count, -1)


def _choose(
    what: str,
    trials: Sequence[_Trial],
    turns: Sequence[float],
    angles: Floats,
    window: Window,
    before: float,
    now: float,
) -> Lever | None:
    margin = np.where(window.inside(angles), window.margin(angles), np.minimum(window.margin(angles), -1e-9))
    best_turns = np.argmax(margin, axis=1)
    best = margin[np.arange(len(trials)), best_turns]
    cost = np.array([trial.cost for trial in trials])
    inside = False
    for enough in (CLEAR_DEG, 0.0):
        good = np.flatnonzero(best >= enough)
        if len(good):
            pick, inside = int(good[np.argmin(cost[good])]), True
            break
    else:
        pick = int(np.argmax(best))
        if best[pick] < before + WORTH_DEG:
            return None
    n = turns[int(best_turns[pick])]
    run = window.run(angles[pick, best_turns[pick]])
    tickler = "" if n == now else f", with {n:g} tickler turn{'s' if n != 1 else ''}"
    place = "all inside the window" if inside else "nearer, but not all inside the window"
    return Lever(
        what,
        trials[pick].words + tickler,
        f"onset at {run}, {place}",
        inside,
        float(cost[pick]),
        float(best[pick]),
    )


def _gap(
    plan: Plan,
    coil: Coil,
    fit: CouplingFit,
    index: int,
    window: Window,
    turns: Sequence[float],
    before: float,
) -> Lever | None:
    """Tickler nearer or further: M by geometry, for each gap and number of turns."""
    gap = coil.tickler.gap
    if not gap or coil.tickler.k is not None:
        return None
    like = plan.show.length
    trials, mutual, tickler = [], [], []
    try:
        present = coil_model(plan, coil)
        for share in (0.25, 0.5, 0.75, 1.5, 2.0, 3.0, 4.0, 6.0):
            moved = coil.model_copy(update={"tickler": coil.tickler.model_copy(update={"gap": gap * share})})
            models = [coil_model(plan, moved, tickler_turns=n) for n in turns]
            mutual += [m.mutual_h / present.mutual_h for m in models]
            tickler += [m.tickler_l_h / present.tickler_l_h for m in models]
            words = f"from {show(gap, 'length', like)} to {show(gap * share, 'length', like)}"
            trials.append(_Trial(words, abs(math.log(share)), {}))
    except PlanError:
        return None
    change = Change(mutual=np.array(mutual)[:, None], tickler=np.array(tickler)[:, None])
    angles = predict(fit, index, change).reshape(len(trials), len(turns), -1)
    return _choose("tickler gap", trials, turns, angles, window, before, coil.tickler.turns)
