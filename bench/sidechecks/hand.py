"""A hand near the set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from bench.conventions import REAL
from bench.physics.uncertainty import weighted_mean
from bench.plan.schema import Plan
from bench.sidechecks.parts import UNSURE_SHARE, Check, Row, credible, hz, near

# The pitch of a comfortable beat note, and what the ear notices of a change in it: common practice, no source.
BEAT_HZ = 800.0
NOTICED_HZ = 10.0
HEARD_HZ = 5000.0
LONGEST_PLACE = 40


def body(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Shift of the resonance for each place of the hand, repeats made one."""
    by_place: dict[str, list[Row]] = {}
    for row in rows:
        if row["position"] and credible(row, "shift_hz", "f0_hz"):
            by_place.setdefault(str(row["position"])[:LONGEST_PLACE], []).append(row)
    out = []
    for place, own in by_place.items():
        shift = np.array([float(r["shift_hz"]) for r in own])
        u = np.array([float(r["shift_u_hz"] or UNSURE_SHARE * abs(r["shift_hz"]) or 1.0) for r in own])
        mean = weighted_mean(shift, u)
        f0 = float(own[-1]["f0_hz"])
        out.append(
            {
                "position": place,
                "f0_hz": f0,
                "shift_hz": mean.value,
                "shift_u_hz": mean.u,
                "shift_ppm": 1e6 * mean.value / f0,
                "real": abs(mean.value) > REAL * mean.u,
            }
        )
    lacks = [p for p in plan.readings.hand_at if p.casefold() not in {k.casefold() for k in by_place}]
    missing = f"hand at the {', '.join(lacks)}: {measure} --reading body" if lacks else ""
    return Check("body", coil, tuple(out), _body_words(plan, out), missing)


def _body_words(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows:
        return "No hand has been held near the set yet."
    worst = max(rows, key=lambda row: abs(row["shift_hz"]))
    f0 = hz(plan, worst["f0_hz"])
    if not worst["real"]:
        most = max(REAL * row["shift_u_hz"] for row in rows)
        return f"No shift by a hand was seen at {f0}, to within {near(most)}: the shielding does its work."
    if abs(worst["shift_hz"]) < NOTICED_HZ:
        return (
            f"At {f0} a hand at the {worst['position']} moves a beat note by {near(worst['shift_hz'])}, which the ear hardly "
            "notices."
        )
    help_for_it = "A metal panel joined to the set's ground, or a longer shaft, takes the hand further away."
    if abs(worst["shift_hz"]) > HEARD_HZ:
        return (
            f"At {f0} a hand at the {worst['position']} detunes the set by {near(worst['shift_hz'])}: a station tuned in goes "
            f"out of hearing. {help_for_it}"
        )
    lower, higher = abs(BEAT_HZ - abs(worst["shift_hz"])), BEAT_HZ + abs(worst["shift_hz"])
    return (
        f"At {f0} a hand at the {worst['position']} moves a beat note by {near(worst['shift_hz'])}: one of "
        f"{BEAT_HZ:.0f} Hz goes to {near(lower)} or {near(higher)}. {help_for_it}"
    )
