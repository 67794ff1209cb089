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

    from bench.circuits import gm_of, rp_of
    from bench.commands.plans import plan_path, plan_with

    plan = plan_with(plan_path(plan_file), sets)
    gm_of(plan)
    note = rp_of(plan)[1]
    if note:
        click.echo(note, err=True)
    if plan.receiver.feedback.capacitor == 0 and plan.receiver.control.kind != "throttle":
        click.echo(
            "The plan has no receiver.feedback.capacitor, so the plate's RF current has hardly a way back through the tickler; "
            'write it, for example capacitor = "270 pF".',
            err=True,
        )
    coils = [_predict(plan, coil) for coil in plan.coil]
    guessed = [coil.name for coil in plan.coil if coil.grid.q is None]
    if guessed:
        click.echo(
            f"The Q of {', '.join(guessed)} is worked out from the winding and may be far off; "
            "a measured one goes into grid.q.",
            err=True,
        )
    if as_json:
        click.echo(json.dumps({"coils": coils}, indent=2, allow_nan=False))
        return
    for coil in coils:
        _show(plan, coil)


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
        "q": float(q),
        "slope_per_deg": _known(found.slope_per_deg[i]),
        "other_modes": [
            {
                "angle_deg": mode.angle_deg,
                "frequency_hz": mode.frequency_hz,
                "growth_per_s": mode.growth_per_s,
            }
            for mode in found.other_modes
            if mode.index == (i,)
        ],
    }


def _known(value: Any) -> float | None:
    """JSON knows no NaN: unknown is null."""
    import math

    return float(value) if math.isfinite(value) else None


def _show(plan: Plan, coil: dict[str, Any]) -> None:
    from bench import quantities

    control, unit = plan.receiver.control, plan.show.frequency
    low, high = control.window_deg
    click.echo(
        f"Coil {coil['name']}: L {quantities.show(coil['l_h'], 'inductance')}, "
        f"tickler {quantities.show(coil['tickler_l_h'], 'inductance')}, "
        f"mutual {quantities.show(coil['mutual_h'], 'inductance')} (k {coil['k']:.3f})"
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
                    _place(angle, low, high),
                )
            )
        if len(row["starts_deg"]) > 1:
            turns = ", ".join(control.clock(at) for at in row["starts_deg"])
            remarks.append(f"{frequency}: starts and stops in turn at {turns}.")
        remarks += [
            f"{frequency}: another oscillation, at {quantities.show(mode['frequency_hz'], 'frequency', unit)}, "
            f"from {control.clock(mode['angle_deg'])} on."
            for mode in row["other_modes"]
        ]
    widths = [max(len(cells[i]) for cells in rows) for i in range(6)]
    for cells in rows:
        line = "  ".join(cell.rjust(width) for cell, width in zip(cells[:5], widths, strict=False))
        click.echo(f"  {line}  {cells[5]}".rstrip())
    for remark in remarks:
        click.echo(f"  {remark}")


def _why_never(row: dict[str, Any]) -> str:
    return "oscillates elsewhere, see below" if row["other_modes"] else "too little feedback"


def _place(angle_deg: float, low_deg: float, high_deg: float) -> str:
    if angle_deg == 0:
        return "oscillates already at the end stop"
    if angle_deg < low_deg:
        return "before the window"
    if angle_deg > high_deg:
        return "after the window"
    return ""
