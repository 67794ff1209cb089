"""A fitted set with values of its plan changed: where oscillation would start then, beside where it starts now.

Every change is relative to what the fit found: a part that the plan makes twice as large becomes twice what the fit made of
it, and a tickler's coupling goes with the windings' geometry. A part that is put in place of another brings its own
tolerance, and knows nothing of the old one's.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.advice.levers import supply_factors
from bench.advice.spread import Spread, places, spread
from bench.advice.turns import Window, window_of
from bench.circuits import circuit
from bench.errors import PlanError
from bench.model import CoilModel, coil_model
from bench.physics import regeneration as net
from bench.physics.coupling import Change, CouplingFit, extended_onset, predict, steepness, without_antenna
from bench.quantities import show

if TYPE_CHECKING:
    from bench.fit.coupling import Gathered
    from bench.physics.network import Circuit
    from bench.plan.changes import PlanChange
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]

# Which shared parameters of the fit another part makes unknown again.
FRESH = {
    "receiver.control.resistance": ("control", "taper"),
    "receiver.control.capacitance": ("control", "taper"),
    "receiver.control.taper": ("taper",),
    "receiver.control.kind": ("control", "taper"),
    "receiver.control.law": ("taper",),
    "receiver.feedback.capacitor": ("feedback",),
    "receiver.rp": ("rp",),
}
NO_SAY = "has no say in where oscillation starts at a given frequency"


@dataclass(frozen=True)
class CoilWhatIf:
    """One coil now and then. `spread` holds both, in that order; `slopes` (2, n) are the shares cancelled per degree."""

    name: str
    f_hz: Floats
    spread: Spread
    windows: tuple[Window, Window]
    slopes: Floats
    sure: tuple[float, float]

    @property
    def difference_u(self) -> Floats:
        """Standard uncertainty of then less now, what both share taken out, (n,)."""
        slopes = self.spread.slopes[1] - self.spread.slopes[0]
        return np.asarray(np.sqrt(np.einsum("np,pq,nq->n", slopes, self.spread.cov, slopes)), float)

    def inside(self, which: int) -> bool:
        """Whether every frequency starts in the window, now (0) or then (1)."""
        return bool(self.windows[which].inside(self.spread.angles[which]))

    def angle(self, which: int, i: int) -> float | None:
        """Onset as `fit.json` has it: None never, 0 always."""
        return self.windows[which].settable(float(self.spread.angles[which, i]))


def what_if(
    plan: Plan, then: Plan, changes: Sequence[PlanChange], fit: CouplingFit, coils: Sequence[Gathered]
) -> list[CoilWhatIf]:
    """Every fitted coil with the plan's values changed.

    Raises
    ------
    PlanError
        The changed plan cannot be computed.
    """
    return [
        _coil(plan, then, changes, fit, one.coil, one.place)
        for one in coils
        if one.place is not None and any(c.name == one.coil.name for c in then.coil)
    ]


def _coil(
    plan: Plan, then: Plan, changes: Sequence[PlanChange], fit: CouplingFit, coil: Coil, place: int
) -> CoilWhatIf:
    after = _After(plan, then, changes, fit, coil, place)

    def both(rows: Floats) -> Floats:
        return np.stack([predict(fit, place, Change(), rows), after.angles(rows)])

    found = _with_fresh_parts(spread(fit, place, both), fit, place, after.fresh)
    windows = (window_of(plan), window_of(then))
    sure = [
        Spread(found.angles[k : k + 1], found.slopes[k : k + 1], found.cov).inside(windows[k])[0]
        for k in (0, 1)
    ]
    return CoilWhatIf(
        name=coil.name,
        f_hz=np.asarray(fit.model.f_hz[fit.model.coil == place], float),
        spread=found,
        windows=windows,
        slopes=np.stack([steepness(fit, place)[0], after.slopes()]),
        sure=(sure[0], sure[1]),
    )


def _with_fresh_parts(found: Spread, fit: CouplingFit, place: int, fresh: Sequence[str]) -> Spread:
    """What the new parts make unknown, as parameters of their own (their priors), moving only what is then."""
    at = places(fit, place)
    columns = [at.index(_place(fit, name)) for name in fresh if name in fit.model.shared]
    if not columns:
        return found
    size, more = len(at), len(columns)
    cov = np.eye(size + more)
    cov[:size, :size] = found.cov
    slopes = np.zeros((*found.slopes.shape[:2], size + more))
    slopes[:, :, :size] = found.slopes
    slopes[1][:, size:] = found.slopes[1][:, columns]
    slopes[1][:, columns] = 0.0
    return Spread(found.angles, slopes, cov)


def _place(fit: CouplingFit, shared: str) -> int:
    return fit.model.size - len(fit.model.shared) + fit.model.shared.index(shared)


class _After:
    """One coil's network with the plan's values changed."""

    def __init__(
        self,
        plan: Plan,
        then: Plan,
        changes: Sequence[PlanChange],
        fit: CouplingFit,
        coil: Coil,
        place: int,
    ) -> None:
        self.fit, self.place = fit, place
        changed = [c.key for c in changes]
        self.fresh = tuple(dict.fromkeys(name for key in changed for name in FRESH.get(key, ())))
        model = fit.model
        self.which = np.flatnonzero(model.coil == place)
        self.own = model.coils[place]
        was, now = coil_model(plan, coil), then_model(coil, then)
        self.l_ratio = now.l_h / was.l_h
        self.q_ratio = _q_ratio(was, now, model.f_hz[self.which])
        factors = {"gm": 1.0, "rp": 1.0}
        if plan.receiver.gm is not None and then.receiver.gm is not None:
            factors["gm"] = then.receiver.gm / plan.receiver.gm
        if plan.receiver.supply and then.receiver.supply and "receiver.gm" not in changed:
            moved = supply_factors(plan, then.receiver.supply / plan.receiver.supply)
            factors = {name: factors[name] * moved[name] for name in factors}
        nominal = float(np.asarray(model.circuit.gm_s)) * factors["gm"]
        template = circuit(then, then.coil_named(coil.name), gm_s=nominal)
        template = replace(template, rp_ohm=np.asarray(template.rp_ohm) * factors["rp"])
        self.shadow = copy.copy(model)
        self.shadow.circuit = template
        self.shadow.l_h = model.l_h * self.l_ratio
        self.shadow.tickler_l_h = model.tickler_l_h * (now.tickler_l_h / was.tickler_l_h)
        self.log_gm_m = math.log(now.mutual_h / was.mutual_h * factors["gm"])
        self.antenna = template.antenna is not None and (self.own.antenna or plan.receiver.antenna is None)

    def network(self, rows: Floats) -> tuple[Circuit, net.Tank, Floats]:
        """The circuit then, its tank (the present one, its coil changed), and the parameters as they are then."""
        model, own, which = self.fit.model, self.own, self.which
        present = model.changed(rows, which)
        tank = net.tank(
            without_antenna(present, own.q_antenna), model.f_hz[which], model.q(rows, which), own.state
        )
        tank = net.Tank(
            tank.loss_ohm * self.l_ratio / self.q_ratio,
            tank.capacitance_f / self.l_ratio,
            tank.f0_hz,
            tank.q * self.q_ratio,
        )
        moved = rows.copy()
        moved[:, self.place] += self.log_gm_m
        if "taper" in self.fresh and "taper" in model.shared:
            # the departure that the fit found was the old element's
            moved[:, _place(self.fit, "taper")] -= self.fit.x[_place(self.fit, "taper")]
        return without_antenna(self.shadow.changed(moved, which), self.antenna), tank, moved

    def angles(self, rows: Floats) -> Floats:
        """Sensor readings at onset (r, n) for parameters (r, size)."""
        then, tank, moved = self.network(rows)
        return self.shadow.settable(extended_onset(then, tank), moved)

    def slopes(self) -> Floats:
        """Share of the tank's loss cancelled per degree at onset, (n,)."""
        then, tank, _ = self.network(self.fit.x[None])
        found = net.onset(then, tank.f0_hz, tank.q, given_tank=tank, modes=False)
        return np.asarray(found.slope_per_deg[0], float)


def then_model(coil: Coil, then: Plan) -> CoilModel:
    """A coil of the changed plan. Other turns move an inductance or k that the plan gives as the geometry, or the turns, do."""
    new = then.coil_named(coil.name)
    if coil.tickler is None or new.tickler is None or coil.tickler.turns == new.tickler.turns:
        return coil_model(then, new)
    given = new.tickler.inductance
    if given is not None and given == coil.tickler.inductance:
        held = new.model_copy(
            update={"tickler": new.tickler.model_copy(update={"turns": coil.tickler.turns})}
        )
        return coil_model(then, held, tickler_turns=new.tickler.turns)
    return coil_model(then, new)


def _q_ratio(was: CoilModel, now: CoilModel, f_hz: Floats) -> Floats:
    """The plan's Q then over its Q now; 1 where it tells none."""
    try:
        return np.asarray(now.q_at(f_hz) / was.q_at(f_hz), float)
    except PlanError:
        return np.ones(len(f_hz))


def told(
    plan: Plan, then: Plan, changes: Sequence[PlanChange], fit: CouplingFit, coils: Sequence[Gathered]
) -> list[tuple[PlanChange, bool, str]]:
    """For each changed key: whether the fit had estimated the value itself, and what that makes of the change."""
    return [(change, *_tell(plan, then, change, fit, coils)) for change in changes]


def _tell(
    plan: Plan, then: Plan, change: PlanChange, fit: CouplingFit, coils: Sequence[Gathered]
) -> tuple[bool, str]:
    key, model = change.key, fit.model
    if key == "receiver.gm":
        if plan.receiver.gm is None or then.receiver.gm is None:
            return False, (
                "the plan had none, and onset tells gm times M only: a value now says nothing new, the angles stay"
            )
        return True, "the fit took gm times M from the onset; the change is relative to that"
    if key == "receiver.supply":
        law = "the three-halves law" if plan.receiver.device in ("triode", "pentode") else "gm as the voltage"
        return True, f"moves gm{' and rp' if law.startswith('the') else ''} by {law}, relative to the fit"
    if key == "receiver.control.window":
        return False, "moves the window, not the onset"
    if not change.physical or key.startswith("receiver.tuning"):
        return False, NO_SAY
    if change.coil is not None:
        return _tell_coil(change, fit, coils)
    for prefix, name in _SHARED.items():
        if key == prefix and name in model.shared:
            found = math.exp(float(model.shift(fit.x[None], name)[0, 0]))
            share = getattr(model.priors, name)
            u = share * math.sqrt(float(fit.cov[_place(fit, name), _place(fit, name)]))
            return True, (
                f"the fit made it {found:.3f} ± {u:.3f} times the plan's; the change is relative to that"
            )
    return False, "taken as the plan has it"


_SHARED = {
    "receiver.control.resistance": "control",
    "receiver.control.capacitance": "control",
    "receiver.feedback.capacitor": "feedback",
    "receiver.feedback.plate_capacitance": "strays",
    "receiver.feedback.grid_plate_capacitance": "strays",
    "receiver.feedback.winding_capacitance": "strays",
    "receiver.rp": "rp",
}


def _tell_coil(change: PlanChange, fit: CouplingFit, coils: Sequence[Gathered]) -> tuple[bool, str]:
    one = next((c for c in coils if c.coil.name == change.coil), None)
    if one is None or one.place is None:
        return False, "this coil's onset was not fitted, so it is not shown"
    if change.key.split(".")[-1] == "q":
        how = "was measured" if one.q_measured else "is the plan's"
        return one.q_measured, f"Q {how}; it goes as the plan's own Q does"
    part = change.key.removeprefix(f"coil.{change.coil}.").partition(".")[0]
    value, u = fit.log_gm_m(one.place)
    if part == "grid":
        l_h = float(fit.model.l_h[one.place])
        return True, (
            f"the fit found L {show(l_h, 'inductance')}; L, M and Q go as the windings' geometry, relative to the fit, "
            "tuned to the same frequencies"
        )
    return True, (
        f"the onset told gm·M {1e9 * math.exp(value):.3g} mS·µH ± {100 * u:.2g} %; the change goes as the geometry, "
        "relative to that"
    )
