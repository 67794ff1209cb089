"""Smoothness out of the network: rules of common practice come out of the numbers, and what it cannot tell is not told.

Rules marked "common practice, no source" are check values from the trade's habit; none of them is written into the program.
"""

from __future__ import annotations

from typing import Any

import fit_cases as cases
import numpy as np
import pytest

from bench.advice.smoothness import CANNOT_TELL
from bench.circuits import circuit
from bench.fit.fitting import fit_tables
from bench.model import coil_model
from bench.physics.regeneration import onset, onset_angles
from bench.plan.schema import Plan

F_HZ = np.array(cases.EXAMPLE_F_HZ)
ANTENNA = '[receiver.antenna]\ncoupling_capacitor = "{}"\nresistance = "75 ohm"\ncapacitance = "200 pF"'


def by_plan(plan: Plan, turns: float | None = None, q_share: float = 1.0) -> Any:
    """Onset by the plan alone."""
    coil = plan.coil[0]
    return onset(circuit(plan, coil, turns), F_HZ, q_share * coil_model(plan, coil).q_at(F_HZ), "alone")


def advised(plan: Plan, **more: Any) -> dict[str, Any]:
    coil = plan.coil[0]
    angles = onset_angles(circuit(plan, coil), F_HZ, coil_model(plan, coil).q_at(F_HZ), "alone")
    rows = cases.onset_rows(F_HZ, angles, **more)
    fit = fit_tables(plan, {"onset": rows}, session="s", made_at="", program_version="0")
    found: dict[str, Any] = fit["coils"][0]["advice"]
    return found


@pytest.fixture(scope="module")
def harsh() -> dict[str, Any]:
    """A divider of 400 kohm."""
    return advised(cases.example_plan(resistance="400 kohm"))


def test_hundreds_of_kilohms_are_squeezed_into_the_end_and_a_few_kilohms_spread_out(
    harsh: dict[str, Any],
) -> None:
    """Common practice, no source: a divider of hundreds of kilohms puts the whole effect into the end of its travel."""
    for turns in (5.0, 6.0, 8.0):
        high, low = (by_plan(cases.example_plan(resistance=r), turns) for r in ("400 kohm", "4 kohm"))
        assert np.nanmin(high.angle_deg) > 0.85 * 300
        assert np.nanmax(high.angle_deg) - np.nanmin(high.angle_deg) < 0.1 * 300
        assert np.ptp(low.angle_deg) > 0.2 * 300
        assert np.nanmin(high.slope_per_deg) > 5 * np.nanmax(low.slope_per_deg)
    # and the fit's own table says so to the owner of the 400 kohm
    rows = {row["control"]: row for row in harsh["smoothness"]}
    present = next(row for row in harsh["smoothness"] if row["present"])
    assert present["control"] == "400 kohm, linear"
    less = rows["47 kohm, linear"]
    assert max(less["slope_per_deg"]) < 0.5 * min(present["slope_per_deg"])
    assert any(reason.startswith("Harsh") for reason in harsh["reasons"])


def test_too_early_take_turns_off_too_late_add_turns_or_loosen_the_antenna() -> None:
    """Common practice, no source: early onset wants fewer turns, late onset more turns or a looser antenna."""
    by_turns = [by_plan(cases.example_plan(), n).angle_deg for n in (4.0, 5.0, 6.0, 7.0)]
    for more, fewer in zip(by_turns[1:], by_turns, strict=False):
        assert np.all(more < fewer)
    loose, tight = (by_plan(cases.example_plan(extra=ANTENNA.format(c))).angle_deg for c in ("5 pF", "15 pF"))
    assert np.all((loose < tight) | np.isnan(tight))


def test_the_table_is_what_the_plan_says_of_such_a_control() -> None:
    """Every row again from the plan alone, with that control and those turns."""
    found = advised(cases.example_plan(turns=5))
    assert [row["present"] for row in found["smoothness"]] == [True] + [False] * (
        len(found["smoothness"]) - 1
    )
    assert {row["control"] for row in found["smoothness"]} >= {
        "4 kohm, linear",
        "10 kohm, linear",
        "4 kohm, log",
    }
    for row in found["smoothness"]:
        changed = cases.example_plan(
            turns=5, resistance=f"{row['resistance_ohm']} ohm", control=f'taper = "{row["taper"]}"'
        )
        told = by_plan(changed, row["turns"])
        for angle, slope, true, steep in zip(
            row["angles_deg"], row["slope_per_deg"], told.angle_deg, told.slope_per_deg, strict=True
        ):
            if angle is None or np.isnan(true):
                continue
            assert angle == pytest.approx(true, abs=4)
            assert slope == pytest.approx(steep, rel=0.1)
        # the turns are those that suit the control best: no neighbour leaves clearly more room to the window's edges
        if not row["present"] and not np.isnan(told.angle_deg).any():
            for other in (row["turns"] - 1, row["turns"] + 1):
                if other >= 1:
                    beside = by_plan(changed, other).angle_deg
                    assert np.isnan(beside).any() or room(beside) < room(told.angle_deg) + 4


def room(angles: Any) -> float:
    """Least distance to the window's edges."""
    return float(np.min(np.minimum(angles - 90, 210 - angles)))


@pytest.mark.parametrize("kind", ["throttle", "swing", "measured", "supply"])
def test_kinds_without_a_resistance(kind: str) -> None:
    more = {
        "throttle": 'capacitance = ["10 pF", "200 pF"]',
        "measured": "law = [[0, 0.05], [150, 0.4], [300, 1]]",
    }.get(kind, "")
    plan = cases.example_plan(control=more)
    control = plan.receiver.control.model_copy(update={"kind": kind, "resistance": None})
    plan = plan.model_copy(update={"receiver": plan.receiver.model_copy(update={"control": control})})
    found = advised(plan)
    tapers = {row["taper"] for row in found["smoothness"]}
    assert all(row["resistance_ohm"] is None for row in found["smoothness"])
    assert tapers == ({"linear"} if kind in ("swing", "measured") else {"linear", "log", "reverse-log"})


def test_what_a_linear_network_cannot_tell_is_not_told(harsh: dict[str, Any]) -> None:
    """A smaller feedback capacitor is said to be smoother, and direct current through the wiper to scratch (common practice,
    no source): bias, blocking and dirt, none of which is in the network. No row and no sentence may claim them."""
    assert "cannot" in CANNOT_TELL
    assert "feedback capacitor" in CANNOT_TELL
    assert "wiper" in CANNOT_TELL
    for advice in (harsh, advised(cases.example_plan(feedback="3300 pF"))):
        said = " ".join([*advice["reasons"], *(row["control"] for row in advice["smoothness"])])
        assert "smoother" not in said
        assert "scratch" not in said
        assert not any("pF" in row["control"] for row in advice["smoothness"])
