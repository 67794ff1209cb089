"""`regenbench predict`: onset from the plan alone, before anything is wound or measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bench.physics.regeneration import Onset
    from bench.plan.schema import Coil, Plan


@click.command(short_help="Onset from the plan alone.")
@click.argument("plan_file", metavar="PLAN")
@click.option(
    "--set",
    "sets",
    metavar="KEY=VALUE",
    multiple=True,
    help="Change a plan value for this run: receiver.control.resistance=50kohm",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(plan_file: str, sets: tuple[str, ...], as_json: bool) -> None:
    """Where each coil of PLAN, a plan.toml or a session, starts to oscillate, from the plan alone.

    Nothing is measured yet, so the frequency and the Q of each line are taken as those of the bare tank: coil and tuning
    capacitor, before valve and feedback circuit load them.
    """
    import json

    from bench.circuits import gm_or_usual, no_strays, rp_of, usual_base
    from bench.commands.plans import plan_path, plan_with
    from bench.streams import tell

    plan = plan_with(plan_path(plan_file), sets)
    gm_s, assumed = gm_or_usual(plan)
    plan = plan.model_copy(update={"receiver": plan.receiver.model_copy(update={"gm": gm_s})})
    for note in (assumed, rp_of(plan)[1], usual_base(plan), no_strays(plan), _no_way_back(plan)):
        if note:
            tell(note)
    coils = [_predict(plan, coil) for coil in plan.coil]
    guessed = [coil.name for coil in plan.coil if coil.grid.q is None]
    if guessed:
        told = (
            f"The Q of {', '.join(guessed)} is worked out from the winding and may be far off; "
            "a measured one goes into grid.q."
        )
        tell(told)
    if as_json:
        click.echo(json.dumps({"coils": coils}, indent=2, allow_nan=False))
        return
    for coil in coils:
        _show(plan, coil)


def _no_way_back(plan: Plan) -> str | None:
    """What is missing where the plate's RF current has hardly a way back."""
    if plan.receiver.feedback.capacitor > 0 or plan.receiver.control.kind == "throttle":
        return None
    tapped = plan.receiver.topology == "cathode-tap"
    way, value = ("to ground", "10 nF") if tapped else ("back through the tickler", "270 pF")
    return (
        f"The plan has no receiver.feedback.capacitor, so the plate's RF current has hardly a way {way}; "
        f'write it, for example capacitor = "{value}".'
    )


def _predict(plan: Plan, coil: Coil) -> dict[str, Any]:
    import numpy as np

    from bench.circuits import circuit, onset_frequencies
    from bench.model import coil_model
    from bench.physics.regeneration import onset

    model = coil_model(plan, coil)
    f_hz = np.array(onset_frequencies(plan, coil, model))
    q = model.q_at(f_hz)
    found = onset(circuit(plan, coil), f_hz, q, "alone")
    return {
        "name": coil.name,
        "l_h": model.l_h,
        "tickler_l_h": model.tickler_l_h,
        "mutual_h": model.mutual_h,
        "k": model.k,
        "onset": [_row(f_hz[i], q[i], found, i) for i in range(f_hz.size)],
    }


def _row(f_hz: float, q: float, found: Onset, i: int) -> dict[str, Any]:
    return {
        "f_hz": float(f_hz),
        "angle_deg": _known(found.angle_deg[i]),
        "starts_deg": [float(angle) for angle in found.starts_deg[i] if angle == angle],
        "growth_per_s": _known(found.growth_per_s[i]),
        "oscillation_hz": _known(found.oscillation_hz[i]),
        "rest_hz": _known(found.rest_hz[i]),
        "q": float(q),
        "slope_per_deg": _known(found.slope_per_deg[i]),
        "verdict": _verdict(found, i),
        "other_modes": [
            {
                "angle_deg": mode.angle_deg,
                "until_deg": mode.until_deg,
                "frequency_hz": mode.frequency_hz,
                "growth_per_s": mode.growth_per_s,
                "part": mode.part,
            }
            for mode in found.other_modes
            if mode.index == (i,)
        ],
    }


def _verdict(found: Onset, i: int) -> str:
    """What the tank does over the control's travel, in a word or two; a wrong frequency outweighs the rest."""
    if found.wrong_frequency[i]:
        return "wrong frequency"
    if found.never[i]:
        return "never"
    if found.everywhere[i]:
        return "everywhere"
    return "in and out" if (found.starts_deg[i] == found.starts_deg[i]).sum() > 1 else "starts"


def _known(value: Any) -> float | None:
    """JSON knows no NaN: unknown is null."""
    import math

    return float(value) if math.isfinite(value) else None


def _show(plan: Plan, coil: dict[str, Any]) -> None:
    from bench import quantities
    from bench.wrapping import wrapped

    control, unit = plan.receiver.control, plan.show.frequency
    low, high = control.window_deg
    tapped = plan.receiver.topology == "cathode-tap"
    words = ("below the tap", "shared with the whole coil") if tapped else ("tickler", "mutual")
    click.echo(
        f"Coil {coil['name']}: L {quantities.show(coil['l_h'], 'inductance')}, "
        f"{words[0]} {quantities.show(coil['tickler_l_h'], 'inductance')}, "
        f"{words[1]} {quantities.show(coil['mutual_h'], 'inductance')} (k {coil['k']:.3f})"
    )
    rows = [("frequency", "Q", "onset", "clock", "loss cancelled", "")]
    remarks = []
    for row in coil["onset"]:
        frequency = quantities.show(row["f_hz"], "frequency", unit)
        angle = row["angle_deg"]
        if angle is None:
            rows.append((frequency, f"{row['q']:.0f}", "never", "", "", _why_never(row)))
        else:
            rows.append(
                (
                    frequency,
                    f"{row['q']:.0f}",
                    f"{angle:.0f} deg",
                    control.clock(angle),
                    "" if row["slope_per_deg"] is None else f"{100 * row['slope_per_deg']:.2f} %/deg",
                    _place(row, low, high),
                )
            )
        remarks += [f"{frequency}: {text}" for text in _remarks(plan, row)]
    widths = [max(len(cells[i]) for cells in rows) for i in range(6)]
    for cells in rows:
        line = "  ".join(cell.rjust(width) for cell, width in zip(cells[:5], widths, strict=False))
        click.echo(f"  {line}  {cells[5]}".rstrip())
    for remark in remarks:
        click.echo(wrapped(remark, "  ", "  "))


def _why_never(row: dict[str, Any]) -> str:
    return "oscillates elsewhere, see below" if row["other_modes"] else "too little feedback"


# What a mode's energy sits in, as the user would look for it.
_PARTS = {
    "choke": "the RF choke resonates",
    "tickler": "the feedback loop resonates without the tank",
    "tank": "the tank with all round it, by another way",
}


def _remarks(plan: Plan, row: dict[str, Any]) -> list[str]:
    """All that the row's one angle does not say: several starts, other oscillations, a frequency that is not the tank's."""
    from bench import quantities
    from bench.physics.regeneration import ASTRAY_SHARE

    control, unit = plan.receiver.control, plan.show.frequency
    said = []
    if len(row["starts_deg"]) > 1:
        at = [control.clock(angle) for angle in row["starts_deg"]]
        steps = [f"{'stops' if i % 2 else 'starts'} at {clock}" for i, clock in enumerate(at)]
        if row["starts_deg"][0] == 0:
            steps[0] = "oscillates already at the end stop"
        said.append(f"{', '.join(steps)}.")
    for mode in row["other_modes"]:
        low, high = (control.clock(mode[name]) for name in ("angle_deg", "until_deg"))
        until = "on" if mode["until_deg"] >= control.travel_deg else f"to {high}"
        if mode["frequency_hz"] == 0:
            said.append(f"blocks or latches without oscillating from {low} {until}.")
            continue
        own = row["angle_deg"]
        first = "before the tank does" if own is None or mode["angle_deg"] <= own else "beside the tank"
        said.append(
            f"another oscillation, at {quantities.show(mode['frequency_hz'], 'frequency', unit)}, from {low} {until}, "
            f"{first}: {_PARTS[mode['part']]}."
        )
    hz, rest_hz = row["oscillation_hz"], row["rest_hz"]
    if hz is not None and rest_hz is not None and abs(hz / rest_hz - 1) > ASTRAY_SHARE:
        said.append(
            f"where it starts, it does so at {quantities.show(hz, 'frequency', unit)}: far from the tank's own."
        )
    return said


def _place(row: dict[str, Any], low_deg: float, high_deg: float) -> str:
    angle_deg = row["angle_deg"]
    if row["verdict"] == "wrong frequency":
        return "at a wrong frequency, see below"
    if row["verdict"] == "everywhere":
        return "oscillates everywhere, already at the end stop"
    if angle_deg == 0:
        return "oscillates already at the end stop"
    if angle_deg < low_deg:
        return "before the window"
    if angle_deg > high_deg:
        return "after the window"
    return ""
