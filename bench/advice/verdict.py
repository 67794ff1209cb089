"""A fit to what to change: tickler turns first, else the lever that would do it, each with its computed effect."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bench.advice import levers, smoothness
from bench.advice.reasons import Case, reasons
from bench.advice.spread import drawn, of_changes
from bench.advice.turns import Ladder, Window, ladder, window_of
from bench.physics.coupling import CouplingFit, predict

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

MOST_TURNS = 60
# Where no number up to about twice the present one will do, the table goes on as far as this.
FURTHEST, MOST_FURTHER = 40, 20
# A set that works is left alone unless another number of turns is better by this share of the window, or this much surer.
WORTH_SHARE, WORTH_CONFIDENCE = 0.1, 0.1
# So sure to work, and by that share of the window clear of its edges: nothing that turns could still better is worth a rewinding.
SURE = 0.95
# The widest margin decides between numbers of turns that are as sure to do but for the draws' own scatter.
AS_SURE = 0.01
# Half a turn is asked of the form only where whole turns leave more doubt than this and half turns are so much surer.
DOUBT, WORTH_HALF = 0.9, 0.05
# A number of turns with less chance than this is not worth winding where its own prediction lies outside.
WORTH_TRYING = 0.25
# Below this the advice asks for another measurement after rewinding.
DOUBTFUL = 0.8
# Where an onset is less sure than this, chances are drawn through the network itself, for so many numbers of turns.
BENDS_DEG, MOST_DRAWN = 6.0, 16


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
        "measure_again": False,
        "smoothness": [],
    }


@dataclass(frozen=True)
class TurnsTable:
    """Onset for each number of turns: angles and their uncertainties (k, n), margins (k,) and chances (k,)."""

    steps: Ladder
    angles: Floats
    u: Floats
    margin: Floats
    inside: NDArray[np.bool_]
    sure: Floats

    def at(self, turns: float) -> int:
        """A number's place."""
        return self.steps.turns.index(turns)

    def with_more(self, other: TurnsTable) -> TurnsTable:
        """Both in order of turns, which they do not share."""
        if not other.steps.turns:
            return self
        turns = np.array([*self.steps.turns, *other.steps.turns])
        order = np.argsort(turns)

        def both(a: Floats, b: Floats) -> Any:
            return np.concatenate([a, b])[order]

        return TurnsTable(
            Ladder(
                tuple(turns[order].tolist()),
                both(self.steps.mutual, other.steps.mutual),
                both(self.steps.tickler, other.steps.tickler),
            ),
            *(
                both(getattr(self, name), getattr(other, name))
                for name in ("angles", "u", "margin", "inside", "sure")
            ),
        )


def turns_table(fit: CouplingFit, index: int, window: Window, steps: Ladder) -> TurnsTable:
    """What the network says of each number of turns on a ladder."""
    if not steps.turns:
        none = np.empty((0, int((fit.model.coil == index).sum())))
        return TurnsTable(steps, none, none, none[:, 0], none[:, 0] > 0, none[:, 0])
    angles = predict(fit, index, steps.change())
    u = np.full(angles.shape, np.nan)
    sure = np.zeros(len(angles))
    # where it starts nowhere on the control there is nothing to be sure of
    some = np.flatnonzero(((angles > 0) & (angles <= window.travel_deg)).any(axis=1))
    if len(some):
        part = Ladder(
            tuple(steps.turns[int(i)] for i in some), steps.mutual[some], steps.tickler[some]
        ).change()
        found = of_changes(fit, index, part, len(some))
        u[some], sure[some] = found.u, found.inside(window)
        rough = some[found.u.max(axis=1) > BENDS_DEG]
        near = rough[np.argsort(-window.margin(angles[rough]), kind="stable")[:MOST_DRAWN]]
        if len(near):
            part = Ladder(
                tuple(steps.turns[int(i)] for i in near), steps.mutual[near], steps.tickler[near]
            ).change()
            sure[near] = drawn(fit, index, part, len(near), window)
    return TurnsTable(steps, angles, u, window.margin(angles), window.inside(angles), sure)


def advise(
    plan: Plan, coil: Coil, fit: CouplingFit, index: int, *, measured: bool = True, q_read: bool = True
) -> dict[str, Any]:
    """Advice on one fitted coil, as `fit.json` has it.

    Parameters
    ----------
    index
        The coil's place in the fit.
    measured
        False where no onset angle was read and gm.M is the plan's.
    q_read
        False where no Q was read, and the plan's or the winding's stands in its place.
    """
    window = window_of(plan)
    now = coil.feedback_turns
    table = turns_table(fit, index, window, ladder(plan, coil, _turns(now)))
    table, whole, best = _with_neighbours(plan, coil, fit, index, window, table)
    if best is None or best == table.steps.turns[-1]:
        further = ladder(plan, coil, _further(table.steps.turns[-1]))
        table = table.with_more(turns_table(fit, index, window, further))
        table, whole, best = _with_neighbours(plan, coil, fit, index, window, table)
    chosen = best if best is not None else _compromise(whole, now)
    at_now, at_best = table.at(now), table.at(chosen)
    verdict = _verdict(window, now, best, table, at_now, at_best)
    found: list[levers.Lever] = []
    if verdict == "another lever":
        found = levers.find(plan, coil, fit, index, window, chosen, _typical_u(table, at_best))
        asked = [lever.turns for lever in found if lever.turns not in table.steps.turns]
        if asked:
            table = table.with_more(turns_table(fit, index, window, ladder(plan, coil, asked)))
            at_now, at_best = table.at(now), table.at(chosen)
    wound = now if verdict in ("keep", "another lever") else chosen
    other_controls = smoothness.controls(plan, coil, fit, index, window, wound)
    case = Case(
        plan=plan,
        window=window,
        fit=fit,
        index=index,
        now=now,
        chosen=chosen,
        change_now=table.steps.one(now),
        at_now=table.angles[at_now],
        at_best=table.angles[at_best],
        verdict=verdict,
        sure_now=float(table.sure[at_now]),
        sure_best=float(table.sure[at_best]),
        measured=measured,
        q_read=q_read,
        again=verdict != "another lever" and float(table.sure[table.at(wound)]) < DOUBTFUL,
    )
    told = reasons(case, found)
    told += smoothness.harsh(plan, coil, fit, index, window, other_controls[0])
    return {
        "tickler_turns_now": _number(now),
        "tickler_turns_best": _number(chosen),
        "predicted": [_row(table, i, window) for i in range(len(table.steps.turns))],
        "verdict": verdict,
        "levers": [_lever(lever, window) for lever in found],
        "reasons": told,
        "confidence_now": float(table.sure[at_now]),
        "confidence_best": float(table.sure[at_best]),
        "measure_again": case.again,
        "smoothness": smoothness.rows(other_controls, window),
    }


def _turns(now: float) -> list[float]:
    last = math.ceil(2 * now) + 3
    every = max(1, math.ceil(last / MOST_TURNS))
    turns = {float(n) for n in range(1, last + 1, every)}
    turns |= {float(n) for n in range(max(1, math.floor(now) - 5), math.ceil(now) + 6)} | {float(now)}
    return sorted(turns)


def _further(last: float) -> list[float]:
    """Numbers of turns beyond the usual table, for a coil that none of those suits."""
    every = max(1, math.ceil((FURTHEST - last) / MOST_FURTHER))
    return [float(n) for n in range(math.floor(last) + 1, FURTHEST + 1, every)]


def _best(table: TurnsTable, now: float) -> float | None:
    """The number of turns that most likely puts every frequency into the window; of those as likely, that of widest margin.

    None where none is likely and none does it by the prediction itself.
    """
    surest = table.sure.max()
    among = np.flatnonzero(table.sure >= surest - AS_SURE)
    if surest < WORTH_TRYING:
        among = among[table.inside[among]]
        if not len(among):
            return None
    widest = table.margin[among].max()
    tied = [table.steps.turns[int(i)] for i in among if table.margin[i] > widest - 1e-6]
    return min(tied, key=lambda n: abs(n - now))


def _with_neighbours(
    plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, table: TurnsTable
) -> tuple[TurnsTable, TurnsTable, float | None]:
    """The table with the numbers next to the best in it, without its half turns, and the choice."""
    now = coil.feedback_turns
    best = _best(table, now)
    near = best if best is not None else _compromise(table, now)
    beside = [n for n in (near - 1.0, near + 1.0) if n >= 1.0 and n not in table.steps.turns]
    whole = table.with_more(turns_table(fit, index, window, ladder(plan, coil, beside)))
    best = _best(whole, now)
    near = best if best is not None else _compromise(whole, now)
    halves = [n for n in (near - 0.5, near + 0.5) if n >= 0.5 and n not in whole.steps.turns]
    if not float(near).is_integer() or not halves:
        return whole, whole, best
    every = whole.with_more(turns_table(fit, index, window, ladder(plan, coil, halves)))
    return every, whole, _with_halves(every, best, now)


def _with_halves(table: TurnsTable, whole: float | None, now: float) -> float | None:
    """The choice with half turns beside it: they win where no whole number will do, or leaves much more doubt."""
    best = _best(table, now)
    if whole is None or best is None:
        return best
    doubt = table.sure[table.at(whole)]
    return best if doubt < DOUBT and table.sure[table.at(best)] > doubt + WORTH_HALF else whole


def _compromise(table: TurnsTable, now: float) -> float:
    tied = [table.steps.turns[int(i)] for i in np.flatnonzero(table.margin > table.margin.max() - 1e-6)]
    return min(tied, key=lambda n: abs(n - now))


def _typical_u(table: TurnsTable, at: int) -> float:
    known = table.u[at][np.isfinite(table.u[at])]
    return float(np.median(known)) if len(known) else 0.0


def _verdict(
    window: Window, now: float, best: float | None, table: TurnsTable, at_now: int, at_best: int
) -> str:
    if best is None:
        return "another lever"
    gain = float(table.margin[at_best] - table.margin[at_now])
    worth = WORTH_SHARE * (window.high_deg - window.low_deg)
    small = gain < worth and table.sure[at_best] - table.sure[at_now] < WORTH_CONFIDENCE
    works = table.sure[at_now] >= SURE and table.margin[at_now] >= worth
    if best == now or (bool(table.inside[at_now]) and (small or works)):
        return "keep"
    return "fewer turns" if best < now else "more turns"


def _row(table: TurnsTable, i: int, window: Window) -> dict[str, Any]:
    angles = [window.settable(float(a)) for a in table.angles[i]]
    return {
        "turns": _number(table.steps.turns[i]),
        "angles_deg": angles,
        "in_window": bool(table.inside[i]),
        "angles_u_deg": [
            float(u) if a and math.isfinite(u) else None for a, u in zip(angles, table.u[i], strict=True)
        ],
        "margin_deg": float(table.margin[i]),
        "confidence": float(table.sure[i]),
    }


def _lever(lever: levers.Lever, window: Window) -> dict[str, Any]:
    return {
        "what": lever.what,
        "change": lever.change,
        "effect": lever.effect,
        "in_window": lever.inside,
        "turns": _number(lever.turns),
        "angles_deg": [window.settable(float(a)) for a in lever.angles],
        "angles_u_deg": [float(u) for u in lever.u],
        "confidence": lever.sure,
        "total_change": lever.cost,
    }


def _number(n: float) -> int | float:
    return int(n) if float(n).is_integer() else float(n)
