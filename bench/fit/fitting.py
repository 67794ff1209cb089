"""A session's tables to fit.json: dial law, Q laws, tickler coupling, advice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.errors import PlanError
from bench.fit import selection
from bench.fit.coupling import Gathered, fit_coupling, unlike_antenna
from bench.fit.curves import COLUMNS, curves_of
from bench.fit.dialling import fit_set_dial
from bench.fit.document import coil_entry, dial_rows, overlaps
from bench.model import coil_model
from bench.physics import dial
from bench.physics.coupling import CouplingFit, Priors
from bench.physics.qlaw import WINDING_SHARE, WINDING_SHARE_U, FedBackLaw, assumed, fit_q, guessed
from bench.quantities import show

if TYPE_CHECKING:
    import pandas as pd

    from bench.plan.schema import Plan
    from bench.session.folder import Session

PLAN_Q_SHARE_U = 0.05


def fit_session(session: Session) -> dict[str, Any]:
    """Fit a session as it stands; see `fit_tables`."""
    from importlib.metadata import version

    now = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    frames = {name: session.frame(name) for name in ("resonance", "onset", "curve")}
    fit = fit_tables(
        session.plan, frames, session=session.name, made_at=now, program_version=version("regenbench")
    )
    fit["warnings"] = [*session.remarks, *selection.lacking(session, frames), *fit["warnings"]]
    return fit


def fit_tables(
    plan: Plan,
    frames: Mapping[str, pd.DataFrame],
    *,
    session: str,
    made_at: str,
    program_version: str,
    priors: Priors | None = None,
) -> dict[str, Any]:
    """The contents of fit.json from a plan and its tables.

    Parameters
    ----------
    frames
        `resonance`, `onset` and `curve` as `Session.frame` gives them; any may be missing or empty.
    priors
        Uncertainties of what the set shares, in place of the usual ones.
    """
    found = fit_parts(plan, frames, priors)
    return {
        "session": session,
        "made_at": made_at,
        "program_version": program_version,
        "dial": dial_rows(found.dial),
        "coils": [coil_entry(plan, one, found.dial, found.coupling) for one in found.coils if one.read],
        "overlaps": overlaps(found.dial),
        "warnings": found.warnings,
        "notes": found.notes,
    }


@dataclass(frozen=True)
class Fitted:
    """What a session's tables tell, before it is written down; `dial` and `coupling` are None where nothing tells them."""

    coils: list[Gathered]
    dial: dial.DialFit | None
    coupling: CouplingFit | None
    warnings: list[str]
    notes: list[str]


def fit_parts(
    plan: Plan,
    frames: Mapping[str, pd.DataFrame],
    priors: Priors | None = None,
    *,
    onset: bool = True,
) -> Fitted:
    """The fits themselves, for whoever asks them more than fit.json says; arguments as `fit_tables`.

    `onset=False` leaves the coupling fit out, which takes longest.
    """
    warnings: list[str] = []
    notes: list[str] = []
    coils = _gather(plan, frames, warnings)
    fitted_dial = fit_set_dial(plan, coils, warnings, notes)
    for one in coils:
        _fit_q(plan, one)
    coupling = fit_coupling(plan, coils, fitted_dial, priors, warnings, notes) if onset else None
    return Fitted(coils, fitted_dial, coupling, warnings, notes)


def _gather(plan: Plan, frames: Mapping[str, pd.DataFrame], warnings: list[str]) -> list[Gathered]:
    resonance = selection.tidy(frames, "resonance", selection.RESONANCE)
    onset = selection.tidy(frames, "onset", selection.ONSET)
    curve = selection.tidy(frames, "curve", COLUMNS)
    coils = [Gathered(coil) for coil in plan.coil]
    names = {coil.name for coil in plan.coil}
    for table, rows in (("resonance", resonance), ("onset", onset), ("curve", curve)):
        strange = rows.loc[~rows["coil"].isin(names), "coil"]
        for name, count in strange.value_counts().items():
            warnings.append(
                f"{count} {table} row{'s' if count != 1 else ''} left out: coil {str(name) or '(no name)'} "
                "is not in the plan."
            )
    for one in coils:
        name = one.coil.name
        one.tank = selection.tank_of(plan, resonance[resonance["coil"] == name], name)
        one.onsets = selection.onsets_of(plan, onset[onset["coil"] == name], name)
        own = curve[curve["coil"] == name]
        one.curves = curves_of(plan, own, onset[onset["coil"] == name], name)
        one.warnings += [*one.tank.warnings, *one.onsets.warnings, *one.curves.warnings]
        if unlike_antenna(plan, one):
            on = {"yes": "on", "no": "off"}
            one.warnings.append(
                f"Coil {name}: onset was read with the antenna {on[one.onsets.antenna]}, resonance and Q with it "
                f"{on[one.tank.antenna]}, and the plan has no [receiver.antenna] to tell what that does: the onset is shown, not "
                "fitted. Read both alike, or write the antenna into the plan."
            )
        try:
            one.model = coil_model(plan, one.coil)
        except PlanError as problem:
            one.warnings.append(f"Coil {name}: its windings cannot be computed ({problem})")
        if not one.read:
            # what was left out, and why, must be told even of a coil of which nothing is left
            warnings.extend(one.warnings)
            warnings.append(f"Coil {name}: no readings to fit yet.")
        elif not len(one.tank.f0_hz):
            one.warnings.append(f"Coil {name}: no resonance was read; dial and inductance stay unknown.")
    return coils


def _fit_q(plan: Plan, one: Gathered) -> None:
    name, tank = one.coil.name, one.tank
    if tank is not None and len(tank.q):
        one.q_law = fit_q(tank.q_f_hz, tank.q, tank.q_u)
        one.q_state = "cold" if tank.q_valve == "cold" else "working"
        one.q_measured = True
        if isinstance(one.q_law, FedBackLaw):
            top = int(np.argmax(tank.q_f_hz))
            one.notes.append(
                f"Q rises to {tank.q[top]:.0f} at {show(float(tank.q_f_hz[top]), 'frequency', plan.show.frequency)}, as no coil's own Q "
                f"does: with the control at its stop, feedback through strays already cancels {one.q_law.fed_back:.0%} of the loss "
                "there. The fit reckons with it; where the set is not like that, read Q there again."
            )
        for i in one.q_law.left_out:
            fitted = float(one.q_law.at(tank.q_f_hz[i])[0])
            one.warnings.append(
                f"Coil {name}: Q of reading {tank.q_names[i] or '?'} is {tank.q[i]:.0f} where the others say {fitted:.0f}; "
                "left out of the Q law."
            )
        return
    if one.model is None or one.onsets is None or not one.onsets.points:
        return
    f = np.array([p.f_hz for p in one.onsets.points])
    try:
        q = one.model.q_at(f)
    except PlanError:
        one.warnings.append(f"Coil {name}: no Q was read and the plan gives none; onset cannot be explained.")
        return
    if one.coil.grid.q is not None:
        one.q_law = assumed(f, q, PLAN_Q_SHARE_U)
        taken = f"the plan's, good to {100 * PLAN_Q_SHARE_U:.0f} %"
    else:
        one.q_law = guessed(f, q)
        taken = f"{100 * WINDING_SHARE:.0f} % of its bare copper's, good to {100 * WINDING_SHARE_U:.0f} % and less towards the ends"
    one.warnings.append(f"Coil {name}: no Q was read; taking {taken}.")
