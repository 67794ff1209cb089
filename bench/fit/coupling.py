"""The plan's set and its readings to the coupling fit, and what to say about it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.circuits import USUAL_GM_S, circuit, no_strays, rp_of, usual_base
from bench.fit.curves import Curves
from bench.physics import coupling as physics
from bench.physics import dial
from bench.physics.coupling import CoilOnsets, CouplingFit, Priors
from bench.physics.further import Further, further
from bench.quantities import show

if TYPE_CHECKING:
    from bench.fit import selection
    from bench.fit.selection import OnsetPoint
    from bench.model import CoilModel
    from bench.physics.qlaw import QLaw
    from bench.physics.regeneration import State
    from bench.plan.schema import Coil, Plan

UNKNOWN_GM_SHARE_U = 0.6
UNKNOWN_RP_SHARE_U = 0.7
# M by the plan's windings alone, gm apart: their coupling, the gap as a ruler tells it and both inductances. A judgement (GUM,
# type B).
PLAN_M_SHARE_U = 0.1
# Where angles alone tell gm.M no better than this, what the plan says of it stands beside them.
WEAK_U = 0.1
BOUND_U_DEG = 3.0
# However many approaches: an element is never of its taper to better than this at any one place.
ELEMENT_U_DEG = 0.4

CAUSES = {
    "angles": "the angles themselves",
    "curves": "the readings of Q below onset",
    "Q readings": "the scatter of Q",
    "q": "an error common to all Q",
    "taper": "the control's taper",
    "stop_deg": "the end stop",
    "rp": "the plate resistance",
    "gm": "gm by itself",
    "control": "the control's value",
    "feedback": "the feedback capacitor",
    "strays": "the valve's and windings' capacitances",
    "inductance": "the inductances",
    "tickler": "the tickler's inductance",
    "windings": "the plan's windings",
}
NO_Q = "the Q, which was not read"

FURTHER = {
    "control": "the control's value read with a meter",
    "feedback": "the feedback capacitor read with a meter",
    "taper": "the control's resistance read with an ohmmeter at a few angles",
    "stop_deg": "the end stops learned again",
    "tickler": "the tickler's inductance read alone",
    "inductance": "resonance with a known capacitor added",
    "q": "Q read again at {f} with the loop further off",
    "q unread": "Q read at {f}",
    "curve": "Q at three angles below onset (a curve reading) at {f}",
    "damping": "onset again at {f} with a {r} resistor across the tank",
    "tickler turns": "the same onsets with {n:g} tickler turns",
    "onset": "onset at the frequencies between",
}
# A reading that makes gm.M surer by less than this is not worth the trouble of a line.
WORTH_SHARE = 0.05
ALIKE = 0.5


@dataclass
class Gathered:
    """All that is gathered of one coil on the way."""

    coil: Coil
    tank: selection.Tank | None = None
    onsets: selection.Onsets | None = None
    curves: Curves | None = None
    model: CoilModel | None = None
    q_law: QLaw | None = None
    q_state: State = "alone"
    q_measured: bool = False
    warnings: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    place: int | None = None
    further: list[Further] = field(default_factory=list)

    @property
    def read(self) -> bool:
        return bool(
            (self.tank and len(self.tank.f0_hz) + len(self.tank.q)) or (self.onsets and self.onsets.points)
        )


def fit_coupling(
    plan: Plan,
    coils: list[Gathered],
    fitted_dial: dial.DialFit | None,
    priors: Priors | None,
    warnings: list[str],
    notes: list[str],
) -> CouplingFit | None:
    gm = plan.receiver.gm
    known = gm is not None
    nominal = gm if gm is not None else USUAL_GM_S[plan.receiver.device]
    data: list[CoilOnsets] = []
    shares: list[float] = []
    for one in coils:
        ready = _onset_data(plan, one, fitted_dial, known)
        if ready is not None:
            one.place = len(data)
            data.append(ready)
            name = one.coil.name
            l_h = fitted_dial.l_h.get(name) if fitted_dial else None
            shares.append(l_h[1] / l_h[0] if l_h else dial.WINDING_SHARE_U)
    if not data:
        return None
    if priors is None:
        priors = Priors(inductance=float(np.clip(np.median(shares), 1e-3, 0.3)))
        if not known:
            priors = replace(priors, gm=UNKNOWN_GM_SHARE_U)
        if plan.receiver.rp is None:
            priors = replace(priors, rp=UNKNOWN_RP_SHARE_U)
    rp_note = rp_of(plan)[1]
    for note in (rp_note, usual_base(plan), no_strays(plan)):
        if note:
            warnings.append(note[0].upper() + note[1:])
    if not known:
        warnings.append(
            "The plan gives no receiver.gm: onset tells the product gm·M only, and M and k stay unknown."
        )
    first = next(one.coil for one in coils if one.place == 0)
    template = circuit(plan, first, gm_s=nominal)
    fit = physics.fit_coupling(template, data, priors)
    if known and any(_weak(fit, i) for i in range(len(data))):
        held = [replace(d, mutual_share_u=PLAN_M_SHARE_U) if _weak(fit, i) else d for i, d in enumerate(data)]
        fit = physics.fit_coupling(template, held, priors)
    _tell_coupling(plan, coils, fit, known, warnings, notes)
    return fit


def unlike_antenna(plan: Plan, one: Gathered) -> bool:
    """Whether onset and Q were read in unlike antenna states that no [receiver.antenna] of the plan can account for."""
    return (
        plan.receiver.antenna is None
        and one.onsets is not None
        and one.tank is not None
        and bool(one.onsets.points)
        and len(one.tank.f0_hz) > 0
        and one.onsets.antenna != one.tank.antenna
    )


def _onset_data(
    plan: Plan, one: Gathered, fitted_dial: dial.DialFit | None, gm_known: bool
) -> CoilOnsets | None:
    if one.onsets is None or not one.onsets.points or one.q_law is None or unlike_antenna(plan, one):
        return None
    name = one.coil.name
    if one.model is None:
        return None
    points = [p for p in one.onsets.points if p.angle_deg is not None or p.never or p.always]
    curve = one.curves.curve if one.curves is not None and len(one.curves.curve.q) else None
    read = any(p.angle_deg is not None for p in points)
    if not points or not (read or gm_known):
        return None
    travel = plan.receiver.control.travel_deg
    l_h = fitted_dial.l_h[name][0] if fitted_dial and name in fitted_dial.l_h else one.model.l_h
    bound = np.array([1 if p.never else -1 if p.always else 0 for p in points])
    angle = np.array([travel if p.never else 0.0 if p.always else p.angle_deg for p in points], float)
    read_u = [p.angle_u_deg if p.angle_u_deg is not None else BOUND_U_DEG for p in points]
    u = np.hypot(np.array(read_u, float), ELEMENT_U_DEG)
    if one.curves is not None:
        for f_hz in one.curves.extrapolated_hz:
            u[np.array([abs(p.f_hz / f_hz - 1) < 0.01 for p in points], bool)] = np.inf
    antenna = plan.receiver.antenna is not None
    return CoilOnsets(
        name=name,
        f_hz=np.array([p.f_hz for p in points]),
        angle_deg=angle,
        angle_u_deg=u,
        q_law=one.q_law,
        state=one.q_state,
        l_h=l_h,
        tickler_l_h=one.model.tickler_l_h,
        mutual_h=one.model.k * math.sqrt(l_h * one.model.tickler_l_h),
        q_antenna=antenna and one.tank is not None and one.tank.antenna == "yes",
        antenna=antenna and one.onsets.antenna == "yes",
        bound=bound,
        mutual_share_u=np.inf if read else PLAN_M_SHARE_U,
        curve=curve,
    )


def _tell_coupling(
    plan: Plan, coils: list[Gathered], fit: CouplingFit, known: bool, warnings: list[str], notes: list[str]
) -> None:
    """What did not fit, and what the readings cannot tell apart."""
    model, unit = fit.model, plan.show.frequency
    for one in coils:
        if one.place is None or one.onsets is None:
            continue
        name = one.coil.name
        for i in np.flatnonzero((model.coil == one.place) & fit.left_out):
            point = next(p for p in one.onsets.points if p.f_hz == model.f_hz[i])
            off = model.angle[i] - fit.fitted_deg[i]
            one.warnings.append(
                f"Coil {name}: onset at {show(float(model.f_hz[i]), 'frequency', unit)} (reading "
                f"{', '.join(n for n in point.names[:4] if n) or '?'}) was read at {model.angle[i]:.0f}°, "
                f"{abs(off):.0f}° {'above' if off > 0 else 'below'} what all the others say; left out. {_next_move(point)}"
            )
        _tell_curve(one, fit)
        one.further = further(fit, one.place, turns=one.coil.feedback_turns if one.coil.tickler else None)
        one.notes += _told(plan, one, fit)
    if fit.scale > 1.5:
        warnings.append(
            f"The onset angles lie {fit.scale:.1f} times further from the fit than their uncertainties allow; all "
            "uncertainties are widened by that. The control or a part is not as the plan says."
        )
    places = {name: fit.x[4 * len(model.coils) + k] for k, name in enumerate(model.shared)}
    for name, pull in places.items():
        amount = pull * getattr(model.priors, name)
        # Parts pulled to less than nothing tell of readings that do not go together, which is said already.
        if abs(pull) > 1.5 and (name == "stop_deg" or amount > -1):
            said = f"{amount:+.1f}°" if name == "stop_deg" else f"{100 * amount:+.0f} %"
            notes.append(f"The onset angles together pull {CAUSES[name]} by {said} from the plan.")
    if known:
        notes.append(
            f"Onset tells gm·M; M and k are that product over the plan's gm, taken as good to {100 * model.priors.gm:.0f} %."
        )


def _next_move(point: OnsetPoint) -> str:
    """What to do about an onset that does not fit: several readings that agree are not at fault."""
    if len(point.names) < 2:
        return "Read it again."
    return (
        f"Its {len(point.names)} readings agree: if coil and dial were right, the control's taper or another part is not as the plan "
        "says."
    )


def _tell_curve(one: Gathered, fit: CouplingFit) -> None:
    """Readings of Q below onset that did not fit."""
    if one.curves is None or one.place is None:
        return
    out = fit.curve_left_out[fit.model.curve_coil == one.place]
    for i in np.flatnonzero(out):
        one.warnings.append(
            f"Coil {one.coil.name}: Q {one.curves.curve.q[i]:.0f} of curve reading {one.curves.names[i] or '?'} at "
            f"{one.curves.curve.angle_deg[i]:.0f}° does not go with all the others; left out. Read it again."
        )


def _told(plan: Plan, one: Gathered, fit: CouplingFit) -> list[str]:
    """How well gm.M is known, what the readings cannot tell from it, and which further reading would."""
    assert one.place is not None
    model, u = fit.model, fit.log_gm_m(one.place)[1]
    if u > ABSURD_U or contradiction(plan, one, fit, None)[0]:
        return []
    causes = CAUSES if one.q_measured else {**CAUSES, "Q readings": NO_Q}
    leading = [(cause, share) for cause, share in fit.shares[one.coil.name].items() if share >= 0.1][:3]
    parts = ", ".join(f"{causes[cause]} {100 * share:.0f} %" for cause, share in leading)
    said = [f"gm·M is known to {100 * u:.2g} %" + (f": of its variance {parts}." if parts else ".")]
    alike = [
        f"{causes[name]} ({correlation:+.2f})"
        for k, name in enumerate(model.shared)
        if name != "gm"
        and abs(correlation := _correlation(fit, one.place, 4 * len(model.coils) + k)) >= ALIKE
    ]
    if alike:
        said.append(
            f"These readings hardly tell another gm·M from another value of {', '.join(alike)} (correlation in brackets)."
        )
    worth = [one_more for one_more in one.further if one_more.u < (1 - WORTH_SHARE) * u][:3]
    if worth:
        words = "; ".join(
            f"{further_words(plan, more, one.q_measured)}: to {100 * more.u:.2g} %" for more in worth
        )
        said.append(f"What would make it surer: {words}.")
    return said


def further_words(plan: Plan, more: Further, q_measured: bool) -> str:
    """A further reading in the user's words."""
    f = "" if more.f_hz is None else show(more.f_hz, "frequency", plan.show.frequency)
    value = more.value or 0.0
    r = show(value, "resistance") if more.what == "damping" else ""
    words = FURTHER["q unread" if more.what == "q" and not q_measured else more.what]
    return words.format(f=f, r=r, n=value)


def _correlation(fit: CouplingFit, a: int, b: int) -> float:
    return float(fit.cov[a, b] / math.sqrt(max(fit.cov[a, a] * fit.cov[b, b], 1e-300)))


# A product known no better than to a half, or windings closer than any can be, tell nothing.
ABSURD_U = 0.5
CLOSEST_K = 0.99
APART = 3.0


def contradiction(plan: Plan, one: Gathered, fit: CouplingFit, k: float | None) -> tuple[bool, str | None]:
    """Whether gm.M itself tells nothing, and why it or k is not shown; None where all is well."""
    assert one.place is not None
    name, u = one.coil.name, fit.log_gm_m(one.place)[1]
    mine, off = _off(fit, one.place)
    # Where nothing starts, nothing moves with the coupling, and the fit stands still at a number that means nothing.
    fitted = fit.fitted_deg[mine]
    if len(mine) and bool(((fitted > plan.receiver.control.travel_deg) | (fitted <= 0)).all()):
        says = "it never starts" if fitted[0] > 0 else "it oscillates already at the end stop"
        return True, (
            f"Coil {name}: gm·M, M and k are not shown; {_named(plan, one, fit, int(mine[0]))} cannot be by the plan, where "
            f"{says} with any coupling near its own. Look over the {'tap' if one.coil.tap is not None else 'tickler'}, the "
            "control and the feedback parts in plan.toml."
        )
    if u <= ABSURD_U and (k is None or k < CLOSEST_K):
        return False, None
    if len(mine) > 1 and np.ptp(off) > APART:
        a, b = (_named(plan, one, fit, int(mine[i])) for i in (int(np.argmax(off)), int(np.argmin(off))))
        why = (
            f"{a} and {b} contradict each other: no coupling gives both. Read them again; if they stay, a part is not as the plan "
            "says."
        )
    elif k is not None and k >= CLOSEST_K:
        why = (
            f"the readings ask for a coupling of k {k:.2g}, closer than any two windings: the plan's gm or the tickler's "
            "inductance is too low, or the control is not as the plan says."
        )
    else:
        why = "the readings do not tell it: read onset at more frequencies."
    what = "gm·M, M and k are" if u > ABSURD_U else "M and k are"
    return u > ABSURD_U, f"Coil {name}: {what} not shown; {why}"


def _off(fit: CouplingFit, place: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Places of a coil's angles that were read, and each less the fit in its own uncertainty."""
    model = fit.model
    mine = np.flatnonzero((model.coil == place) & (model.bound == 0) & np.isfinite(model.u))
    return mine, (model.angle - fit.fitted_deg)[mine] / model.u[mine]


def _weak(fit: CouplingFit, place: int) -> bool:
    """Whether a coil's angles, which do not contradict each other, tell too little of gm.M."""
    mine, off = _off(fit, place)
    return (
        len(mine) > 0
        and fit.log_gm_m(place)[1] > WEAK_U
        and float(np.ptp(off)) <= APART * math.sqrt(len(mine))
    )


def _named(plan: Plan, one: Gathered, fit: CouplingFit, i: int) -> str:
    point = next(p for p in one.onsets.points if p.f_hz == fit.model.f_hz[i]) if one.onsets else None
    names = ", ".join(n for n in point.names[:4] if n) if point else ""
    f = show(float(fit.model.f_hz[i]), "frequency", plan.show.frequency)
    return f"onset {fit.model.angle[i]:.0f}° at {f} (reading {names or '?'})"


def mutual(fit: CouplingFit, place: int, gm_s: float) -> dict[str, float]:
    """M and k with their uncertainties, all correlations kept."""
    model, n = fit.model, len(fit.model.coils)

    def weights(**shared: float) -> NDArray[np.float64]:
        w = np.zeros(model.size)
        w[place] = 1.0
        for k, name in enumerate(model.shared):
            w[4 * n + k] = shared.get(name, 0.0) * getattr(model.priors, name)
        return w

    log_m = float(weights(gm=-1.0) @ fit.x) - math.log(gm_s)
    m_u = math.sqrt(float(weights(gm=-1.0) @ fit.cov @ weights(gm=-1.0)))
    for_k = weights(gm=-1.0, inductance=-0.5, tickler=-0.5)
    root = math.sqrt(model.l_h[place] * model.tickler_l_h[place])
    k = math.exp(float(for_k @ fit.x) - math.log(gm_s)) / root
    k_u = math.sqrt(float(for_k @ fit.cov @ for_k))
    m_h = math.exp(log_m)
    return {"mutual_h": m_h, "mutual_u_h": m_h * m_u, "k": k, "k_u": k * k_u}


def residual_deg(fit: CouplingFit, place: int) -> float:
    mine = (fit.model.coil == place) & (fit.model.bound == 0) & ~fit.left_out & np.isfinite(fit.model.u)
    if not mine.any():
        return float("nan")
    return float(np.sqrt(np.mean((fit.model.angle - fit.fitted_deg)[mine] ** 2)))
