"""One onset, read in several ways."""

from __future__ import annotations

from collections.abc import Sequence

from bench.conventions import SAME_FREQUENCY
from bench.measuring.agreement import disagreements, onset_of_way
from bench.plan.schema import Plan
from bench.sidechecks.parts import Check, Row, hz


def agreement(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Onsets read in more than one way, and whether they agree."""
    groups: list[list[Row]] = []
    for row in rows:
        if not row["f_hz"] or row["direction"] != "onset" or row["angle_deg"] is None or not row["method"]:
            continue
        for group in groups:
            same = abs(row["f_hz"] / group[0]["f_hz"] - 1) < SAME_FREQUENCY
            if same and (row["antenna"] or "") == (group[0]["antenna"] or ""):
                group.append(row)
                break
        else:
            groups.append([row])
    out, told = [], []
    for group in sorted(groups, key=lambda g: float(g[0]["f_hz"])):
        ways = sorted({str(r["method"]) for r in group})
        if len(ways) < 2:
            continue
        for way in ways:
            angle, u = onset_of_way([r for r in group if r["method"] == way])
            out.append({"f_hz": float(group[0]["f_hz"]), "method": way, "angle_deg": angle, "angle_u_deg": u})
        told += [f"at {hz(plan, group[0]['f_hz'])}: {sentence}" for sentence in disagreements(group)]
    if not out:
        return Check(
            "agreement",
            coil,
            (),
            "No onset has been read in two ways.",
            f"{measure} --reading curve (or --reading onset)",
        )
    text = "; ".join(told) if told else "Onsets read in different ways agree within their uncertainties"
    return Check("agreement", coil, tuple(out), f"{text[0].upper()}{text[1:]}.")
