"""The plan's set and its resonances to the dial fit, and what to say about it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bench.circuits import USUAL_GM_S, circuit
from bench.conventions import PLAN_L_SHARE_U
from bench.errors import PlanError
from bench.fit.coupling import Gathered
from bench.physics import dial, regeneration
from bench.quantities import show

if TYPE_CHECKING:
    from bench.plan.schema import Plan

# The plan's coupling coefficient, from geometry or written down: ±10 %, rectangular (GUM 4.3.7).
K_SHARE_U = 0.1 / 3**0.5
# Less than this of the inductance is not worth a word, nor known from the plan.
LEAST_SHARE = 1e-3


def fit_set_dial(
    plan: Plan, coils: list[Gathered], warnings: list[str], notes: list[str]
) -> dial.DialFit | None:
    """The joint dial fit of all coils; what was left out or is in doubt goes to the coils' and the set's warnings."""
    readings = dial_readings(coils)
    if not readings:
        return None
    windings: dict[str, tuple[float, float]] = {}
    shares: dict[str, tuple[float, float]] = {}
    for one in coils:
        if one.model is None:
            continue
        share = PLAN_L_SHARE_U if one.coil.grid.inductance is not None else dial.WINDING_SHARE_U
        windings[one.coil.name] = (one.model.l_h, share * one.model.l_h)
        seen = inductance_seen(plan, one)
        if abs(1.0 - seen[0]) > LEAST_SHARE:
            shares[one.coil.name] = seen
    tuning = plan.receiver.tuning
    try:
        fit = dial.fit_dial(readings, dial.Ends(tuning.dial, tuning.capacitance), windings, shares)
    except dial.DialError as problem:
        warnings.append(f"The dial could not be fitted: {problem}")
        return None
    by_name = {one.coil.name: one for one in coils}
    unit = plan.show.frequency
    against = dial.backward(readings, fit.ends)
    backwards = {id(wrong) for wrong, _ in against}
    left_out = {id(out.reading) for out in fit.outliers}
    for out in fit.outliers:
        r = out.reading
        also = " and runs against the dial" if id(r) in backwards else ""
        side = "above" if out.off > 0 else "below"
        by_name[r.coil].warnings.append(
            f"Coil {r.coil}: reading {r.name or '?'} at dial {r.dial:g} ({show(r.f0_hz, 'frequency', unit)}) "
            f"is {100 * abs(out.off):.1f} % {side} what the set says{also}; left out of the dial."
        )
    for wrong, neighbour in against:
        if id(wrong) in left_out:
            continue
        by_name[wrong.coil].warnings.append(
            f"Coil {wrong.coil}: reading {wrong.name or '?'} at dial {wrong.dial:g} ({show(wrong.f0_hz, 'frequency', unit)}) runs "
            f"against the dial: at dial {neighbour.dial:g} {neighbour.name or 'another'} read "
            f"{show(neighbour.f0_hz, 'frequency', unit)}. One of the two is wrong; read both again."
        )
    for name, (share, _) in fit.l_share.items():
        by_name[name].notes.append(
            f"The tickler as the control at its end stop leaves it makes the tank's inductance look {100 * abs(1 - share):.1f} % "
            f"{'smaller' if share < 1 else 'larger'}; L is the coil's own, that taken out by the plan's windings."
        )
    notes.extend(fit.notes)
    return fit


def dial_readings(coils: list[Gathered]) -> list[dial.Reading]:
    """Every coil's resonances as the dial fit takes them."""
    return [
        dial.Reading(one.coil.name, *values)
        for one in coils
        if one.tank
        for values in zip(
            one.tank.dial.tolist(),
            one.tank.f0_hz.tolist(),
            one.tank.f0_u_hz.tolist(),
            one.tank.added_c_f.tolist(),
            one.tank.names,
            strict=True,
        )
    ]


def inductance_seen(plan: Plan, one: Gathered) -> tuple[float, float]:
    """Inductance that resonances with the control at angle 0 show, over the coil's own, and its standard uncertainty.

    The regeneration network is asked which capacitance the tank alone needs for each frequency: the slope of the
    straight line of 1/(2 pi f)^2 against it is the inductance seen. A tickler shorted by its control takes k^2 of it.
    """
    tank = one.tank
    if one.model is None or tank is None or not len(tank.f0_hz):
        return 1.0, 0.0
    try:
        gm = plan.receiver.gm if plan.receiver.gm is not None else USUAL_GM_S[plan.receiver.device]
        parts = circuit(plan, one.coil, gm_s=gm, with_antenna=tank.antenna == "yes")
    except PlanError:
        return 1.0, 0.0
    middle = math.sqrt(float(tank.f0_hz.min()) * float(tank.f0_hz.max()))
    wide = max(float(tank.f0_hz.max()) / middle, 1.1)
    f_hz = np.geomspace(middle / wide, middle * wide, 5)
    q = float(np.median(tank.q)) if len(tank.q) else 100.0
    state: regeneration.State = "cold" if tank.valve == "cold" else "working"

    def share(k_factor: float) -> float:
        mutual = np.asarray(parts.mutual_h, float) * k_factor
        alone = regeneration.tank(replace(parts, mutual_h=mutual), f_hz, q, state).capacitance_f
        if not (np.isfinite(alone).all() and (alone > 0).all()):
            return 1.0
        slope = np.polyfit(alone, 1.0 / (2.0 * np.pi * f_hz) ** 2, 1)[0]
        return float(slope / float(np.asarray(parts.l_h)))

    here = share(1.0)
    if not 0.3 < here < 1.5:
        # such a load is no correction any more
        return 1.0, 0.0
    return here, abs(share(1.0 + K_SHARE_U) - here)
