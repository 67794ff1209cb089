"""A fit to what to change: tickler turns first, else the lever that would do it, each with its computed effect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bench.advice import levers
from bench.advice.turns import Ladder, Window, ladder, window_of
from bench.physics.coupling import Change, CouplingFit, predict, predict_spread, steepness
from bench.quantities import show

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

MOST_TURNS = 60
# A set that works is left alone unless another number of turns is better by this share of the window, or this much surer.
WORTH_SHARE, WORTH_CONFIDENCE = 0.1, 0.1
DRAWS = 2000
# One degree that cancels this share of the tank's loss passes from silence to howl in a finger's tremble.
HARSH_PER_DEG = 0.02


def nothing(coil: Coil, why: str) -> dict[str, Any]:
    """Advice where none can be given."""
    return {
        "tickler_turns_now": _number(coil.feedback_turns),
        "tickler_turns_best": None,
        "predicted": [],
        "verdict": None,
        "levers": [],
        "reasons": [why],
        "confidence_now": None,
        "confidence_best": None,
    }


def advise(plan: Plan, coil: Coil, fit: CouplingFit, index: int, *, measured: bool = True) -> dict[str, Any]:
    """Advice on one fitted coil, as `fit.json` has it.

    Parameters
    ----------
    index
        The coil's place in the fit.
    measured
        False where no onset angle was read and gm.M is the plan's.
    """
    window = window_of(plan)
    now = coil.feedback_turns
    f_hz = fit.model.f_hz[fit.model.coil == index]
    steps = ladder(plan, coil, _turns(now))
    angles = predict(fit, index, steps.change())
    best = _best(window, steps.turns, angles, now)
    if best is None:
        near = steps.turns[int(np.argmax(window.margin(angles)))]
        halves = ladder(
            plan, coil, [n for n in (near - 0.5, near + 0.5) if n >= 0.5 and n not in steps.turns]
        )
        if halves.turns:
            half_angles = predict(fit, index, halves.change())
            if _best(window, halves.turns, half_angles, now) is not None:
                steps, angles = _joined(steps, angles, halves, half_angles)
                best = _best(window, steps.turns, angles, now)
    chosen = best if best is not None else _compromise(window, steps.turns, angles, now)
    at_now, at_best = angles[steps.turns.index(now)], angles[steps.turns.index(chosen)]
    sure_now, sure_best = _confidence(fit, index, window, [steps.one(now), steps.one(chosen)])
    verdict = _verdict(window, now, best, at_now, at_best, sure_best - sure_now)
    found = levers.find(plan, coil, fit, index, window, chosen) if verdict == "another lever" else []
    wound = steps.one(now if verdict in ("keep", "another lever") else chosen)
    reasons = _reasons(
        _Case(plan, window, f_hz, now, chosen, at_now, at_best, verdict, sure_now, sure_best, measured), found
    )
    reasons += _harsh(plan, coil, fit, index, steps, wound)
    return {
        "tickler_turns_now": _number(now),
        "tickler_turns_best": _number(chosen),
        "predicted": [
            {
                "turns": _number(n),
                "angles_deg": [_angle(float(a), window.travel_deg) for a in row],
                "in_window": bool(inside),
            }
            for n, row, inside in zip(steps.turns, angles, window.inside(angles), strict=True)
        ],
        "verdict": verdict,
        "levers": [
            {"what": lever.what, "change": lever.change, "effect": lever.effect, "in_window": lever.inside}
            for lever in found
        ],
        "reasons": reasons,
        "confidence_now": sure_now,
        "confidence_best": sure_best,
    }


def _turns(now: float) -> list[float]:
    last = math.ceil(2 * now) + 3
    every = max(1, math.ceil(last / MOST_TURNS))
    turns = {float(n) for n in range(1, last + 1, every)}
    turns |= {float(n) for n in range(max(1, math.floor(now) - 5), math.ceil(now) + 6)} | {float(now)}
    return sorted(turns)


def _best(window: Window, turns: Sequence[float], angles: Floats, now: float) -> float | None:
    inside = np.flatnonzero(window.inside(angles))
    if not len(inside):
        return None
    margin = window.margin(angles)
    widest = margin[inside].max()
    tied = [turns[int(i)] for i in inside if margin[i] > widest - 1e-6]
    return min(tied, key=lambda n: abs(n - now))


def _compromise(window: Window, turns: Sequence[float], angles: Floats, now: float) -> float:
    margin = window.margin(angles)
    tied = [turns[int(i)] for i in np.flatnonzero(margin > margin.max() - 1e-6)]
    return min(tied, key=lambda n: abs(n - now))


def _joined(a: Ladder, a_angles: Floats, b: Ladder, b_angles: Floats) -> tuple[Ladder, Floats]:
    turns = (*a.turns, *b.turns)
    order = np.argsort(turns)
    steps = Ladder(
        tuple(turns[int(i)] for i in order),
        np.concatenate([a.mutual, b.mutual])[order],
        np.concatenate([a.tickler, b.tickler])[order],
    )
    return steps, np.concatenate([a_angles, b_angles])[order]


def _verdict(
    window: Window, now: float, best: float | None, at_now: Floats, at_best: Floats, surer: float
) -> str:
    if best is None:
        return "another lever"
    gain = float(window.margin(at_best) - window.margin(at_now))
    worth = WORTH_SHARE * (window.high_deg - window.low_deg)
    small = gain < worth and surer < WORTH_CONFIDENCE
    if best == now or (bool(window.inside(at_now)) and small):
        return "keep"
    return "fewer turns" if best < now else "more turns"


def _confidence(fit: CouplingFit, index: int, window: Window, changes: Sequence[Change]) -> list[float]:
    """Chance that every frequency starts inside the window, for each change."""
    rng = np.random.default_rng(0)
    sure = []
    for angles, cov in predict_spread(fit, index, changes):
        value, vector = np.linalg.eigh(0.5 * (cov + cov.T))
        root = vector * np.sqrt(np.clip(value, 0.0, None))
        draws = angles + rng.standard_normal((DRAWS, len(angles))) @ root.T
        sure.append(float(np.mean(window.inside(draws))))
    return sure


@dataclass(frozen=True)
class _Case:
    plan: Plan
    window: Window
    f_hz: Floats
    now: float
    chosen: float
    at_now: Floats
    at_best: Floats
    verdict: str
    sure_now: float
    sure_best: float
    measured: bool


def _reasons(case: _Case, found: Sequence[levers.Lever]) -> list[str]:
    window, now = case.window, case.now
    first, last = case.plan.receiver.control.window
    reasons = [_headline(case, found)]
    whence = "" if case.measured else " by the plan alone (no onset angle was read)"
    reasons.append(
        f"Now, with {_turns_words(now)}, onset lies at {window.run(case.at_now)}{whence}; the window is "
        f"{first} to {last} ({window.low_deg:.0f}° to {window.high_deg:.0f}°)."
    )
    reasons += _trouble(case)
    if case.chosen != now:
        inside = (
            "inside the window" if bool(window.inside(case.at_best)) else "the nearest that turns alone come"
        )
        reasons.append(f"{_turns_words(case.chosen).capitalize()}: {window.run(case.at_best)}, {inside}.")
    if case.verdict != "another lever":
        n, sure = (now, case.sure_now) if case.verdict == "keep" else (case.chosen, case.sure_best)
        reasons.append(
            f"With all uncertainties, {_turns_words(n)} {'keep' if n != 1 else 'keeps'} every frequency inside the window "
            f"with {_percent(sure)} confidence."
        )
    return reasons


def _harsh(plan: Plan, coil: Coil, fit: CouplingFit, index: int, steps: Ladder, wound: Change) -> list[str]:
    """Where one degree does too much: how much, and what a lower control resistance would make of it, by the network."""

    def typical(change: Change) -> float:
        slope = steepness(fit, index, change)
        slope = slope[np.isfinite(slope)]
        return float(np.median(slope)) if len(slope) else 0.0

    steep = typical(wound)
    if steep <= HARSH_PER_DEG:
        return []
    said = f"Harsh: at onset one degree of the control cancels {100 * steep:.1f} % of the tank's loss"
    resistance = plan.receiver.control.resistance
    if resistance is None or plan.receiver.control.kind not in ("divider", "shunt"):
        return [f"{said}."]
    window = window_of(plan)
    for ohms in levers.lower(resistance):
        other = replace(steps.change(), control=ohms / resistance)
        n = steps.turns[int(np.argmax(window.margin(predict(fit, index, other))))]
        then = typical(replace(steps.one(n), control=ohms / resistance))
        if 0 < then <= HARSH_PER_DEG:
            wanted = f"a control of {show(ohms, 'resistance')} with {_turns_words(n)}"
            return [f"{said}; {wanted} would make it {100 * then:.1f} %."]
    return [f"{said}."]


def _headline(case: _Case, found: Sequence[levers.Lever]) -> str:
    now, best = _turns_words(case.now), _turns_words(case.chosen)
    if case.verdict == "keep":
        better = "" if case.chosen == case.now else f"; {best} would centre the onset a little better"
        return f"Keep {now}: every frequency starts inside the window{better}."
    if case.verdict == "another lever":
        if found and found[0].inside:
            return f"No number of tickler turns will do: change the {found[0].what} {found[0].change}."
        near = f"the {found[0].what} {found[0].change}" if found else best
        return f"No number of tickler turns will do, and no single part either; the nearest is {near}."
    way = "Take off" if case.chosen < case.now else "Add"
    off = abs(case.chosen - case.now)
    return f"{way} {_turns_words(off)}: wind the tickler with {best} in place of {case.now:g}."


def _trouble(case: _Case) -> list[str]:
    """Too much and too little, each with the worst frequency."""
    window, unit = case.window, case.plan.show.frequency
    words = []
    low, high = int(np.argmin(case.at_now)), int(np.argmax(case.at_now))
    if case.at_now[low] < window.low_deg:
        when = (
            "it oscillates already at the end stop"
            if case.at_now[low] <= 0
            else f"it starts {window.low_deg - case.at_now[low]:.0f}° before the window"
        )
        words.append(f"Too much feedback: at {show(float(case.f_hz[low]), 'frequency', unit)} {when}.")
    if case.at_now[high] > window.high_deg:
        when = (
            "it never starts"
            if case.at_now[high] > window.travel_deg
            else f"it starts {case.at_now[high] - window.high_deg:.0f}° after the window"
        )
        words.append(f"Too little feedback: at {show(float(case.f_hz[high]), 'frequency', unit)} {when}.")
    return words


def _turns_words(n: float) -> str:
    whole = math.floor(n)
    if n - whole == 0.5:
        return "half a turn" if whole == 0 else f"{whole}½ turns"
    return f"{n:g} turn" if n == 1 else f"{n:g} turns"


def _percent(share: float) -> str:
    return "more than 99 %" if share > 0.99 else "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def _number(n: float) -> int | float:
    return int(n) if float(n).is_integer() else float(n)


def _angle(angle: float, travel_deg: float) -> float | None:
    if angle > travel_deg or not math.isfinite(angle):
        return None
    return max(angle, 0.0)
