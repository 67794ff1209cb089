"""The plan's receiver with one of its coils, as the regeneration network's circuit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bench.errors import PlanError
from bench.model import CoilModel, coil_model
from bench.physics.regeneration import Antenna, Circuit, Control, Feedback

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

# Where the plan gives none: middling plate resistances of small receiving triodes and pentodes (tube manuals of
# the 1930s to 1950s, from memory), and round figures for transistors. A tickler is a low load: it matters little.
USUAL_RP_OHM = {"triode": 10e3, "pentode": 500e3, "fet": 50e3, "bipolar": 50e3}

# Where the plan gives no gm: middling values at the currents of a detector (tube manuals of the 1930s to 1950s, from
# memory; round figures for transistors).
USUAL_GM_S = {"triode": 0.8e-3, "pentode": 1.0e-3, "fet": 3e-3, "bipolar": 15e-3}
# A small-signal silicon transistor at a milliampere or so: round figures, no source.
USUAL_CURRENT_GAIN, USUAL_TRANSITION_HZ = 100.0, 200e6

# Plate (drain, collector) and grid-plate (gate, base) capacitance in pF, socket and wiring included: those of small valves
# (tube manuals, from memory) with some wiring, and round figures for transistors.
USUAL_STRAYS_PF: dict[str, dict[str, float]] = {
    "triode": {"plate_capacitance": 5, "grid_plate_capacitance": 1.5},
    "pentode": {"plate_capacitance": 8, "grid_plate_capacitance": 0.1},
    "fet": {"plate_capacitance": 5, "grid_plate_capacitance": 1.5},
    "bipolar": {"plate_capacitance": 5, "grid_plate_capacitance": 3},
}

_TUNING_POINTS = 5


def gm_of(plan: Plan) -> float:
    """The plan's transconductance in siemens.

    Raises
    ------
    PlanError
        The plan gives none.
    """
    if plan.receiver.gm is None:
        raise PlanError(
            'receiver.gm is missing from the plan; write gm = "0.65 mS" under [receiver], '
            "or add --set receiver.gm=0.65mS."
        )
    return plan.receiver.gm


def gm_or_usual(plan: Plan) -> tuple[float, str | None]:
    """Transconductance in siemens, and a note where it is the usual one of the device instead of the plan's."""
    if plan.receiver.gm is not None:
        return plan.receiver.gm, None
    usual = USUAL_GM_S[plan.receiver.device]
    return usual, (
        f"receiver.gm is not in the plan: taking {usual * 1e3:g} mS, middling for a {plan.receiver.device}. Onset goes with it: "
        f"half as much asks for about twice the tickler; try --set receiver.gm={usual * 500:g}mS."
    )


def rp_of(plan: Plan) -> tuple[float, str | None]:
    """Plate resistance in ohm, and a note where it is the usual one of the device instead of the plan's."""
    if plan.receiver.rp is not None:
        return plan.receiver.rp, None
    usual = USUAL_RP_OHM[plan.receiver.device]
    return usual, (
        f"receiver.rp is not in the plan: taking {usual / 1e3:g} kohm, usual for a {plan.receiver.device}."
    )


def _base(plan: Plan) -> dict[str, float]:
    """What a bipolar's base takes, in the hybrid-pi circuit."""
    if plan.receiver.device != "bipolar":
        return {}
    gain, transition_hz = plan.receiver.current_gain, plan.receiver.transition_frequency
    return {
        "current_gain": USUAL_CURRENT_GAIN if gain is None else gain,
        "transit_s": 1 / (2 * math.pi * (USUAL_TRANSITION_HZ if transition_hz is None else transition_hz)),
    }


def usual_base(plan: Plan) -> str | None:
    """A note where a bipolar's base is taken as usual instead of from the plan."""
    if plan.receiver.device != "bipolar":
        return None
    usual = {
        "receiver.current_gain": (plan.receiver.current_gain, f"{USUAL_CURRENT_GAIN:g}"),
        "receiver.transition_frequency": (
            plan.receiver.transition_frequency,
            f"{USUAL_TRANSITION_HZ / 1e6:g} MHz",
        ),
    }
    taken = [f"{key} ({value})" for key, (given, value) in usual.items() if given is None]
    return f"Taken as usual for a bipolar, not in the plan: {', '.join(taken)}." if taken else None


def no_strays(plan: Plan) -> str | None:
    """A note where the plan is silent about the capacitances that every set has."""
    usual = USUAL_STRAYS_PF[plan.receiver.device]
    if plan.receiver.feedback.model_fields_set & usual.keys():
        return None
    lines = " and ".join(f'{name} = "{value:g} pF"' for name, value in usual.items())
    return (
        f"The plan is silent about the {plan.receiver.device}'s own capacitances, so they count as nothing, and onset may come out "
        f"far too early. Usual, with socket and wiring: {lines}, under [receiver.feedback]."
    )


def control(plan: Plan) -> Control:
    """The plan's regeneration control."""
    part = plan.receiver.control
    return Control(
        kind=part.kind,
        resistance_ohm=part.resistance,
        capacitance_f=part.capacitance,
        taper=part.taper,
        travel_deg=part.travel_deg,
        dead_deg=part.dead_deg,
        law=part.law,
    )


def feedback(plan: Plan) -> Feedback:
    """The parts round the control."""
    part = plan.receiver.feedback
    return Feedback(
        capacitor_f=part.capacitor,
        choke_h=math.inf if part.choke is None else part.choke,
        choke_capacitance_f=part.choke_capacitance,
        plate_capacitance_f=part.plate_capacitance,
        grid_plate_capacitance_f=part.grid_plate_capacitance,
        winding_capacitance_f=part.winding_capacitance,
    )


def antenna(plan: Plan) -> Antenna | None:
    """The plan's antenna, None where it has none."""
    part = plan.receiver.antenna
    if part is None:
        return None
    return Antenna(part.coupling_capacitor, part.resistance, part.capacitance)


def circuit(
    plan: Plan,
    coil: Coil,
    tickler_turns: float | Sequence[float] | None = None,
    *,
    gm_s: float | None = None,
    with_antenna: bool | None = None,
) -> Circuit:
    """The receiver with a coil of its plan.

    Parameters
    ----------
    tickler_turns
        Other turns than the plan's. A list of n gives values of shape (n, 1), ready to be broadcast against
        frequencies.
    gm_s
        In place of the plan's.
    with_antenna
        None: as the plan has it.

    Raises
    ------
    PlanError
        The transconductance or the coil's windings are not known.
    """
    if tickler_turns is None or isinstance(tickler_turns, int | float):
        models = [coil_model(plan, coil, tickler_turns)]
    else:
        models = [coil_model(plan, coil, turns) for turns in tickler_turns]
    tickler_l_h = np.array([model.tickler_l_h for model in models])
    mutual_h = np.array([model.mutual_h for model in models])
    single = tickler_turns is None or isinstance(tickler_turns, int | float)
    return Circuit(
        control=control(plan),
        gm_s=gm_of(plan) if gm_s is None else gm_s,
        rp_ohm=rp_of(plan)[0],
        l_h=models[0].l_h,
        tickler_l_h=tickler_l_h[0] if single else tickler_l_h[:, None],
        mutual_h=mutual_h[0] if single else mutual_h[:, None],
        feedback=feedback(plan),
        antenna=None if with_antenna is False else antenna(plan),
        device=plan.receiver.device,
        topology=plan.receiver.topology,
        grid_ohm=math.inf if plan.receiver.grid_leak is None else plan.receiver.grid_leak,
        **_base(plan),
    )


def onset_frequencies(plan: Plan, coil: Coil, model: CoilModel) -> tuple[float, ...]:
    """Where onset is asked for: the coil's `onset_at`, else five frequencies over its tuning range.

    The range is that of the tuning capacitor with the coil's own capacitance, to three digits.
    """
    if coil.onset_at:
        return coil.onset_at
    ends = [
        1 / (2 * math.pi * math.sqrt(model.l_h * (c + (model.c_self_f or 0.0))))
        for c in plan.receiver.tuning.capacitance
    ]
    spread = np.geomspace(min(ends), max(ends), _TUNING_POINTS)
    return tuple(float(f"{f_hz:.3g}") for f_hz in spread)
