"""The antenna on and off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from bench.conventions import REAL, SAME_FREQUENCY
from bench.measuring.agreement import onset_of_way
from bench.measuring.wanted import same_dial
from bench.physics.uncertainty import weighted_mean
from bench.plan.schema import Plan, recipe
from bench.sidechecks.parts import UNSURE_SHARE, Check, Row, hz


def antenna(plan: Plan, coil: str, tables: Mapping[str, Sequence[Row]], measure: str) -> Check:
    """f0, Q and onset with the antenna against without, at the same dial settings and frequencies."""
    with_it, without = _states(plan, coil, tables["resonance"]), _states(plan, coil, tables["onset"])
    out = [*_tank_rows(plan, *with_it), *_onset_rows(*without)]
    if out:
        return Check("antenna", coil, tuple(out), _antenna_words(plan, out))
    if plan.receiver.antenna is not None:
        how = f"take [receiver.antenna] out of plan.toml and disconnect it, then {measure}; afterwards put both back"
    else:
        how = f"put [receiver.antenna] into plan.toml and connect it (a dummy antenna radiates less), then {measure}"
    return Check(
        "antenna", coil, (), "There are no readings both with and without the antenna to compare.", how
    )


def _states(plan: Plan, coil: str, rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Rows with the antenna and without it, the set being otherwise as in the plan now.

    The antenna is part of a row's recipe. Without one in the plan its values then are not known, so any recipe passes for
    rows with it.
    """
    present = recipe(plan, coil)
    bare = recipe(
        plan.model_copy(update={"receiver": plan.receiver.model_copy(update={"antenna": None})}), coil
    )
    with_it = [
        r
        for r in rows
        if r["antenna"] == "yes" and (plan.receiver.antenna is None or (r["recipe"] or present) == present)
    ]
    without = [r for r in rows if r["antenna"] == "no" and (r["recipe"] or bare) in (bare, present)]
    return with_it, without


def _tank_rows(plan: Plan, with_it: Sequence[Row], without: Sequence[Row]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    taken: list[float] = []
    for row in with_it:
        if (
            row["dial"] is None
            or row["added_c_f"]
            or any(same_dial(float(row["dial"]), d, plan) for d in taken)
        ):
            continue
        dial = float(row["dial"])

        def here(rows: Sequence[Row], dial: float = dial, valve: str = row["valve"]) -> list[Row]:
            return [
                r
                for r in rows
                if r["dial"] is not None
                and same_dial(float(r["dial"]), dial, plan)
                and not r["added_c_f"]
                and (r["valve"] or valve) == (valve or r["valve"])
            ]

        for what, key, u_key in (("f0", "f0_hz", "f0_u_hz"), ("q", "q", "q_u")):
            a, b = _mean(here(with_it), key, u_key), _mean(here(without), key, u_key)
            if a is not None and b is not None:
                taken.append(dial)
                out.append(_difference(what, {"dial": dial, "f_hz": None}, a, b))
    return out


def _onset_rows(with_it: Sequence[Row], without: Sequence[Row]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    done: list[float] = []
    for row in with_it:
        f_hz = row["f_hz"]
        if not f_hz or any(abs(f_hz / f - 1) < SAME_FREQUENCY for f in done):
            continue
        pair = [
            [
                r
                for r in rows
                if r["f_hz"]
                and abs(r["f_hz"] / f_hz - 1) < SAME_FREQUENCY
                and r["direction"] == "onset"
                and r["angle_deg"] is not None
            ]
            for rows in (with_it, without)
        ]
        if all(pair):
            done.append(f_hz)
            a, b = (onset_of_way(rows) for rows in pair)
            out.append(_difference("onset", {"dial": None, "f_hz": float(f_hz)}, a, b))
    return out


def _mean(rows: Sequence[Row], key: str, u_key: str) -> tuple[float, float] | None:
    known = [r for r in rows if r[key]]
    if not known:
        return None
    values = np.array([float(r[key]) for r in known])
    u = np.array([float(r[u_key] or UNSURE_SHARE * r[key]) for r in known])
    mean = weighted_mean(values, u)
    return mean.value, mean.u


def _difference(
    what: str, where: Mapping[str, Any], with_it: tuple[float, float], without: tuple[float, float]
) -> dict[str, Any]:
    change, u = with_it[0] - without[0], float(np.hypot(with_it[1], without[1]))
    return {
        "what": what,
        **where,
        "with": with_it[0],
        "with_u": with_it[1],
        "without": without[0],
        "without_u": without[1],
        "change": change,
        "change_u": u,
        "real": abs(change) > REAL * u,
    }


def _antenna_words(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> str:
    said = []
    qs = [r for r in rows if r["what"] == "q"]
    onsets = [r for r in rows if r["what"] == "onset"]
    if qs:
        worst = max(qs, key=lambda r: abs(r["change"] / r["without"]))
        if worst["real"]:
            lost = 100.0 * (1.0 - worst["with"] / worst["without"])
            verb = "takes" if lost > 0 else "adds"
            said.append(f"The antenna {verb} {abs(lost):.0f} % of the tank's Q at dial {worst['dial']:g}")
        else:
            said.append("The antenna does not change the tank's Q by more than the readings can tell")
    if onsets:
        worst = max(onsets, key=lambda r: abs(r["change"]))
        if worst["real"]:
            way = "later" if worst["change"] > 0 else "earlier"
            said.append(
                f"oscillation starts {abs(worst['change']):.1f} ± {worst['change_u']:.1f} degrees {way} with it at "
                f"{hz(plan, worst['f_hz'])}"
            )
        else:
            said.append("the onset does not move by more than the readings can tell")
    if not said:
        return "With and without the antenna only the resonance can be compared."
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}."
