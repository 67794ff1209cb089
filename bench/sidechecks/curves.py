"""The control's pull on the dial, and how steeply feedback grows: out of curve readings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bench.conventions import REAL
from bench.measuring.wanted import same_dial
from bench.physics.onset_curve import CurveOnset, onset_of_curve
from bench.plan.schema import Plan
from bench.quantities import show
from bench.readings.turning import RESTING_U_DEG
from bench.sidechecks.parts import UNSURE_SHARE, Check, Row, hz, near


def runs(plan: Plan, rows: Sequence[Row]) -> list[list[Row]]:
    """Curve rows parted into runs: one dial setting and antenna state, by rising angle; runs by rising frequency."""
    parted: list[list[Row]] = []
    for row in rows:
        if row["angle_deg"] is None or not row["f_hz"] or not row["q"]:
            continue
        for run in parted:
            alike = (row["antenna"] or "") == (run[0]["antenna"] or "")
            if row["dial"] is None or run[0]["dial"] is None:
                alike = alike and row["dial"] == run[0]["dial"]
            else:
                alike = alike and same_dial(float(row["dial"]), float(run[0]["dial"]), plan)
            if alike:
                run.append(row)
                break
        else:
            parted.append([row])
    ordered = [sorted(run, key=lambda r: float(r["angle_deg"])) for run in parted if len(run) > 1]
    return sorted(ordered, key=lambda run: float(run[0]["f_hz"]))


def f0_u_hz(row: Row) -> float:
    """Uncertainty of a curve row's resonance, from that of its Q: u(f0) = u(Q)/Q · f0/(2Q), both of one fit to one circle."""
    q = float(row["q"] or 100.0)
    share = float(row["q_u"]) / q if row["q_u"] else UNSURE_SHARE
    return share * float(row["f_hz"]) / (2.0 * q)


def pull(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """f0 against the angle of the regeneration control."""
    out: list[dict[str, Any]] = []
    for run in runs(plan, rows):
        first, last, before = run[0], run[-1], run[-2]
        shift = float(last["f_hz"]) - float(first["f_hz"])
        u = float(np.hypot(f0_u_hz(first), f0_u_hz(last)))
        step = float(last["angle_deg"]) - float(before["angle_deg"])
        out.append(
            {
                "f_hz": float(first["f_hz"]),
                "from_deg": float(first["angle_deg"]),
                "to_deg": float(last["angle_deg"]),
                "shift_hz": shift,
                "shift_u_hz": u,
                "shift_ppm": 1e6 * shift / float(first["f_hz"]),
                "near_onset_hz_per_deg": (float(last["f_hz"]) - float(before["f_hz"])) / step
                if step > 0.5
                else None,
                "real": abs(shift) > REAL * u,
            }
        )
    if not out:
        return Check(
            "pull",
            coil,
            (),
            "The pull of the control on the dial has not been read.",
            f"{measure} --reading curve",
        )
    worst = max(out, key=lambda row: abs(row["shift_ppm"]))
    f0 = hz(plan, worst["f_hz"])
    if not worst["real"]:
        most = max(REAL * row["shift_u_hz"] for row in out)
        return Check("pull", coil, tuple(out), f"The control does not pull the dial, to within {near(most)}.")
    way = "lower" if worst["shift_hz"] < 0 else "higher"
    sentence = (
        f"Turning regeneration up from {worst['from_deg']:.0f} to {worst['to_deg']:.0f} degrees tunes {f0} "
        f"{show(abs(worst['shift_hz']), 'frequency', plan.show.frequency)} {way} ({worst['shift_ppm']:+.0f} ppm)"
    )
    per_degree = worst["near_onset_hz_per_deg"]
    if per_degree is not None:
        sentence += f"; just below onset a degree of the control moves a beat note by {near(per_degree)}"
    return Check("pull", coil, tuple(out), sentence + ".")


def steepness(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Share of the loss that one degree cancels at onset, from the run of 1/Q."""
    out = []
    for run in runs(plan, rows):
        found = onset_of_run(run)
        if found is not None:
            out.append(
                {
                    "f_hz": float(run[0]["f_hz"]),
                    "onset_deg": found.angle_deg,
                    "onset_u_deg": found.angle_u_deg,
                    "slope_per_deg": found.slope_per_deg,
                    "slope_u_per_deg": found.slope_u_per_deg,
                }
            )
    if not out:
        return Check(
            "steepness",
            coil,
            (),
            "How steeply feedback grows at onset has not been read.",
            f"{measure} --reading curve",
        )
    worst = max(out, key=lambda row: row["slope_per_deg"])
    # Q a hundred times its own is a working point just short of onset; it takes this share of the loss.
    width = 0.09 / worst["slope_per_deg"]
    return Check(
        "steepness",
        coil,
        tuple(out),
        f"At {hz(plan, worst['f_hz'])} one degree of the control cancels {100 * worst['slope_per_deg']:.1f} % of the tank's loss "
        f"at onset: from ten to a hundred times the tank's own Q is a turn of {width:.1f} degrees.",
    )


def onset_of_run(run: Sequence[Row]) -> CurveOnset | None:
    """The onset that one run of curve rows points to."""
    return onset_of_curve(
        [float(r["angle_deg"]) for r in run],
        [float(r["q"]) for r in run],
        [float(r["q_u"] or UNSURE_SHARE * r["q"]) for r in run],
        RESTING_U_DEG,
    )
