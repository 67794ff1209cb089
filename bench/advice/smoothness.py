"""How smoothly oscillation comes in: the share of the tank's loss that one degree of the control cancels, and what another
control would make of it.

A linear network tells how steeply the loss is cancelled, and no more. Whether oscillation sets in softly or with a plop
(grid leak, bias, blocking), and whether the wiper scratches, it cannot tell: backlash and the wiper reading do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bench.advice.turns import Ladder, Window, ladder
from bench.physics import regeneration as net
from bench.physics.coupling import Change, CouplingFit, predict, steepness, without_antenna
from bench.quantities import show

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

# A finger sets a control to about half a degree: where a degree cancels more than this share of the loss, the last
# hundredfold of gain lies closer together than it can be set.
HARSH_PER_DEG = 0.02
# Preferred numbers of IEC 60063: six a decade, as potentiometers are made.
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
OTHER_SIZES = (0.1, 0.3, 3.0, 10.0)
CANNOT_TELL = (
    "Steepness is all that a linear network can tell of smoothness. Whether a smaller feedback capacitor makes oscillation set "
    "in more softly (grid leak and blocking), and whether the wiper scratches, it cannot: see backlash, and the wiper reading."
)


@dataclass(frozen=True)
class Control:
    """One control in place of the present one, with the turns that would suit it best. `slopes` NaN where it never starts."""

    what: str
    resistance_ohm: float | None
    taper: str | None
    turns: float
    angles: Floats
    slopes: Floats
    present: bool = False


def preferred_near(value: float) -> float:
    """The nearest preferred value, six a decade."""
    decade = 10.0 ** np.floor(np.log10(value))
    steps = np.array([*E6, 10.0]) * decade
    return float(f"{steps[np.argmin(np.abs(np.log(steps / value)))]:.3g}")


def controls(
    plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, wound: float
) -> list[Control]:
    """The present control with `wound` turns, then others of its kind, each with the turns that suit it best."""
    part = plan.receiver.control
    now = ladder(plan, coil, [wound]).one(wound)
    taper = part.taper if isinstance(part.taper, str) else None
    found = [
        Control(
            _named(part.resistance, taper, "as it is"),
            part.resistance,
            taper,
            wound,
            predict(fit, index, now)[0],
            steepness(fit, index, now)[0],
            present=True,
        )
    ]
    steps = ladder(plan, coil, _counts(coil.feedback_turns))
    if part.resistance is not None and part.kind in ("divider", "shunt"):
        sizes = [preferred_near(part.resistance * size) for size in OTHER_SIZES]
        best = _best_turns(
            fit, index, window, steps, [Change(control=size / part.resistance) for size in sizes]
        )
        found += [
            Control(_named(size, taper, ""), size, taper, *one) for size, one in zip(sizes, best, strict=True)
        ]
    if part.kind not in ("swing", "measured"):
        for other in ("linear", "log", "reverse-log"):
            if other != taper:
                (one,) = _best_turns(fit, index, window, steps, [Change(taper=other)])
                found.append(Control(_named(part.resistance, other, ""), part.resistance, other, *one))
    return found


def _counts(now: float) -> list[float]:
    """Numbers of turns to try another control with: every one where they are few, then further apart."""
    last = max(4.0, 2 * now + 3)
    few = {float(n) for n in range(1, min(12, int(last)) + 1)}
    return sorted(few | {float(round(n)) for n in np.geomspace(max(few), last, 6)} | {float(now)})


def _named(ohms: float | None, taper: str | None, otherwise: str) -> str:
    size = "" if ohms is None else show(ohms, "resistance")
    return ", ".join(filter(None, [size, taper])) or otherwise or "other taper"


def _best_turns(
    fit: CouplingFit, index: int, window: Window, steps: Ladder, changes: Sequence[Change]
) -> list[tuple[float, Floats, Floats]]:
    """For each change (of one taper) the number of turns with the widest margin, its angles and its steepness."""
    count = len(steps.turns)

    def repeated(values: Sequence[object]) -> Floats:
        return np.repeat(np.array(values, float), count)[:, None]

    every = Change(
        control=repeated([change.control for change in changes]),
        mutual=np.tile(steps.mutual, len(changes))[:, None],
        tickler=np.tile(steps.tickler, len(changes))[:, None],
        taper=changes[0].taper,
    )
    angles = predict(fit, index, every).reshape(len(changes), count, -1)
    at = np.argmax(window.margin(angles), axis=1)
    chosen = Change(
        control=np.array([change.control for change in changes], float)[:, None],
        mutual=steps.mutual[at][:, None],
        tickler=steps.tickler[at][:, None],
        taper=changes[0].taper,
    )
    slopes = steepness(fit, index, chosen)
    return [(steps.turns[int(n)], angles[i, n], slopes[i]) for i, n in enumerate(at)]


def rows(found: Sequence[Control], window: Window) -> list[dict[str, Any]]:
    """As `fit.json` has them."""
    return [
        {
            "control": one.what,
            "resistance_ohm": one.resistance_ohm,
            "taper": one.taper,
            "turns": one.turns,
            "angles_deg": [window.settable(float(a)) for a in one.angles],
            "slope_per_deg": [float(s) if np.isfinite(s) else None for s in one.slopes],
            "in_window": bool(window.inside(one.angles)),
            "present": one.present,
        }
        for one in found
    ]


def typical(slopes: Floats) -> float:
    """The middle steepness; 0 where it starts nowhere."""
    known = slopes[np.isfinite(slopes)]
    return float(np.median(known)) if len(known) else 0.0


def harsh(
    plan: Plan, coil: Coil, fit: CouplingFit, index: int, window: Window, present: Control
) -> list[str]:
    """One sentence where a degree does too much: how much, and the nearest control that would mend it."""
    steep = typical(present.slopes)
    if steep <= HARSH_PER_DEG:
        return []
    said = f"Harsh: at onset one degree of the control cancels {100 * steep:.1f} % of the tank's loss"
    resistance = plan.receiver.control.resistance
    if resistance is None or plan.receiver.control.kind not in ("divider", "shunt"):
        return [f"{said}."]
    ohms = lower(resistance)
    steps = ladder(plan, coil, _counts(coil.feedback_turns))
    best = _best_turns(fit, index, window, steps, [Change(control=value / resistance) for value in ohms])
    for value, (turns, _, slopes) in zip(ohms, best, strict=True):
        if 0 < typical(slopes) <= HARSH_PER_DEG:
            wanted = (
                f"a control of {show(value, 'resistance')} with {turns:g} turn{'s' if turns != 1 else ''}"
            )
            return [f"{said}; {wanted} would make it {100 * typical(slopes):.1f} %."]
    return [f"{said}."]


def lower(resistance: float) -> list[float]:
    """Potentiometer values below a resistance, down to a hundredth, the nearest first."""
    decades = range(int(np.floor(np.log10(resistance))) - 2, int(np.floor(np.log10(resistance))) + 1)
    values = [float(f"{step * 10.0**decade:.3g}") for decade in decades for step in E6]
    return sorted((v for v in values if resistance / 100 <= v < 0.9 * resistance), reverse=True)


def given_back(fit: CouplingFit, coil: int, change: Change, angle_deg: float) -> Floats:
    """Share of the tank's loss that the tickler gives back with the control at an angle, (n,): 0 at rest, 1 at onset."""
    model, own = fit.model, fit.model.coils[coil]
    which = np.flatnonzero(model.coil == coil)
    at = fit.x[None]
    now = model.changed(at, which)
    tank = net.tank(without_antenna(now, own.q_antenna), model.f_hz[which], model.q(at, which), own.state)
    then = change.applied(without_antenna(now, own.antenna))
    off = float(model.reading(np.array([[angle_deg]]), at)[0, 0]) - angle_deg
    root = net.root(then, tank, float(np.clip(angle_deg - off, 0.0, model.circuit.control.travel_deg)))
    return np.asarray((1.0 + root.real / tank.loss_per_s)[0], float)
