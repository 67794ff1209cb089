"""A set's dial fit against the virtual bench's network: what the tickler does to L, and readings that run backwards."""

from __future__ import annotations

import fit_cases as cases
import pytest

from bench.fit.fitting import fit_parts
from bench.plan.schema import parse_plan

PLAN = """
[receiver]
device = "triode"
gm = "0.9 mS"
rp = "16 kohm"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "KIND"
resistance = "4 kohm"
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
choke_capacitance = "2 pF"
plate_capacitance = "5 pF"
grid_plate_capacitance = "1.3 pF"
winding_capacitance = "1 pF"
[[coil]]
name = "A"
grid = { turns = 52, diameter = "32 mm", length = "34 mm", wire = "0.4 mm" }
tickler = { turns = 12, gap = "2.5 mm", wire = "0.25 mm" }
dials = [0, 20, 40, 60, 80, 100]
onset_at = ["1.8 MHz"]
[[coil]]
name = "B"
grid = { turns = 25, diameter = "32 mm", length = "28 mm", wire = "0.4 mm" }
tickler = { turns = 7, gap = "2.5 mm", wire = "0.25 mm" }
dials = [0, 20, 40, 60, 80, 100]
onset_at = ["3.5 MHz"]
[readings]
added_capacitor = "100 pF"
"""


@pytest.mark.parametrize("kind", ["divider", "shunt"])
def test_inductance_is_the_coils_own_whatever_the_control_does_to_the_tickler(kind: str) -> None:
    """Truth: the virtual bench's network, written apart from the fit's. A shunt at its end stop shorts the tickler."""
    plan = parse_plan(PLAN.replace("KIND", kind))
    off, seen = [], []
    for seed in range(4):
        made = cases.virtual_session(plan, seed)
        fit = fit_parts(plan, made.frames, onset=False).dial
        assert fit is not None
        for coil in made.truth["coils"]:
            value, u = fit.l_h[coil["name"]]
            assert abs(value - coil["l_h"]) < 3 * u
            off.append(value / coil["l_h"] - 1)
            seen.append(fit.tank(coil["name"])[0] / coil["l_h"] - 1)
    mean, mean_seen = sum(off) / len(off), sum(seen) / len(seen)
    # eight coils whose common capacitor is 0.5 % off and whose k is up to 10 % off the plan's
    assert abs(mean) < 0.01
    if kind == "shunt":
        assert mean_seen < -0.035


def test_the_note_says_what_was_taken_out() -> None:
    plan = parse_plan(PLAN.replace("KIND", "shunt"))
    made = cases.virtual_session(plan, 1)
    parts = fit_parts(plan, made.frames, onset=False)
    for one in parts.coils:
        assert any("makes the tank's inductance look" in note and "smaller" in note for note in one.notes)


def test_the_reading_that_runs_against_the_dial_is_named() -> None:
    plan = parse_plan(PLAN.replace("KIND", "divider"))
    made = cases.virtual_session(plan, 5)
    rows = made.frames["resonance"].copy()
    at = rows.index[(rows["coil"] == "B") & (rows["dial"] == 60.0) & rows["added_c_f"].isna()]
    wrong, there = rows.loc[at[0], "reading"], rows.loc[at[0] - 1, "f0_hz"]
    rows.loc[at, "f0_hz"] = there * 0.97
    told = " ".join(fit_parts(plan, {**made.frames, "resonance": rows}, onset=False).coils[1].warnings)
    assert f"reading {wrong} at dial 60" in told
    assert "runs against the dial" in told
    clean = fit_parts(plan, made.frames, onset=False)
    assert not any("against the dial" in text for one in clean.coils for text in one.warnings)
