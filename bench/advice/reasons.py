"""Advice in sentences, from the user's own numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.advice.smoothness import given_back
from bench.advice.turns import Window, percent, turns_words
from bench.physics.coupling import Change, CouplingFit
from bench.quantities import show

if TYPE_CHECKING:
    from bench.advice.levers import Lever
    from bench.plan.schema import Plan

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One coil's advice, ready to be said. Angles (n,) over the coil's onset frequencies."""

    plan: Plan
    window: Window
    fit: CouplingFit
    index: int
    now: float
    chosen: float
    change_now: Change
    at_now: Floats
    at_best: Floats
    verdict: str
    sure_now: float
    sure_best: float
    measured: bool
    q_read: bool
    again: bool

    @property
    def winding(self) -> str:
        """What the turns belong to."""
        return (
            "tap"
            if self.plan.coil_named(self.fit.model.coils[self.index].name).tap is not None
            else "tickler"
        )

    @property
    def f_hz(self) -> Floats:
        """The onset frequencies."""
        return np.asarray(self.fit.model.f_hz[self.fit.model.coil == self.index], float)


def reasons(case: Case, found: Sequence[Lever]) -> list[str]:
    """What to do first, then why."""
    window, now = case.window, case.now
    first, last = case.plan.receiver.control.window
    said = [_headline(case, found)]
    whence = "" if case.measured else " by the plan alone (no onset angle was read)"
    said.append(
        f"Now, with {turns_words(now)}, onset lies {window.where(case.at_now)}{whence}; the window is "
        f"{first} to {last} ({window.low_deg:.0f}° to {window.high_deg:.0f}°)."
    )
    said += _trouble(case)
    if case.chosen != now:
        inside = (
            f"inside the window, {window.margin(case.at_best):.0f}° from its nearer edge"
            if bool(window.inside(case.at_best))
            else "the nearest that turns alone come"
        )
        said.append(f"{turns_words(case.chosen).capitalize()}: {window.run(case.at_best)}, {inside}.")
    if not case.q_read:
        name = case.fit.model.coils[case.index].name
        said.append(
            f"The Q of coil {name} was not read; the plan's, or a usual one, stands in its place, and no angle is surer than that. "
            f"Read it at three dial settings before you wind (`measure` with --coil '{name}' --reading resonance, or `enter` with "
            "--q); then fit again."
        )
    if case.verdict != "another lever":
        n, sure = (now, case.sure_now) if case.verdict == "keep" else (case.chosen, case.sure_best)
        said.append(f"{turns_words(n).capitalize()}: inside the window with {percent(sure)} confidence.")
        if case.again:
            first = "" if case.verdict == "keep" else f"wind {turns_words(n)} and "
            said.append(
                f"That is a guess more than an answer: {first}measure this coil again. From there the way is short, "
                "and the next advice far surer."
            )
    return said


def _headline(case: Case, found: Sequence[Lever]) -> str:
    now, best = turns_words(case.now), turns_words(case.chosen)
    if case.verdict == "keep":
        better = "" if case.chosen == case.now else f"; {best} would centre the onset a little better"
        if not bool(case.window.inside(case.at_now)):
            return f"Keep {now}: no other number of turns is likelier to do."
        return f"Keep {now}: every frequency starts inside the window{better}."
    if case.verdict == "another lever":
        if found and found[0].inside:
            return f"No number of {case.winding} turns will do: change the {found[0].what} {found[0].change}."
        near = f"the {found[0].what} {found[0].change}" if found else best
        return f"No number of {case.winding} turns will do, and no single part either; the nearest is {near}."
    way = "Take off" if case.chosen < case.now else "Add"
    off = abs(case.chosen - case.now)
    what = "put the tap at" if case.winding == "tap" else "wind the tickler with"
    return f"{way} {turns_words(off)}: {what} {best} in place of {case.now:g}."


def _trouble(case: Case) -> list[str]:
    """Too much and too little, each with the worst frequency and what the tickler gives back there."""
    window, unit = case.window, case.plan.show.frequency
    control = case.plan.receiver.control
    said = []
    low, high = int(np.argmin(case.at_now)), int(np.argmax(case.at_now))
    if case.at_now[low] < window.low_deg:
        when = (
            "it oscillates already at the end stop"
            if case.at_now[low] <= 0
            else f"it starts {window.low_deg - case.at_now[low]:.0f}° before the window"
        )
        middle = 0.5 * (window.low_deg + window.high_deg)
        back = given_back(case.fit, case.index, case.change_now, middle)[low]
        why = (
            f"; at {control.clock(middle)} the {case.winding} would give back {_times(back)}"
            if back > 1
            else ""
        )
        said.append(f"Too much feedback: at {show(float(case.f_hz[low]), 'frequency', unit)} {when}{why}.")
    if case.at_now[high] > window.high_deg:
        when = (
            "it never starts"
            if case.at_now[high] > window.travel_deg
            else f"it starts {case.at_now[high] - window.high_deg:.0f}° after the window"
        )
        back = given_back(case.fit, case.index, case.change_now, window.high_deg)[high]
        why = (
            f"; at {control.clock(window.high_deg)} the {case.winding} gives back {_times(back)}"
            if back < 1
            else ""
        )
        said.append(f"Too little feedback: at {show(float(case.f_hz[high]), 'frequency', unit)} {when}{why}.")
    return said


def _times(share: float) -> str:
    """A share of the tank's loss in words."""
    if not np.isfinite(share):
        return "what cannot be told"
    if share > 1:
        return f"{share:.1f} times what the tank loses"
    return f"only {100 * share:.0f} % of what the tank loses" if share > 0.005 else "nothing yet"
