"""Readings of Q below onset in the fit, one wrong reading in ten, what a further reading is worth, and contradictions.

The truths come from the virtual bench's network, written apart from the fit's, or from a network written out here.
"""

from __future__ import annotations

import math
from typing import Any

import coupling_coverage as coverage
import fit_cases as cases
import numpy as np
import pandas as pd
import pytest
import scipy.linalg

from bench.fit.fitting import fit_parts, fit_tables
from bench.physics.coupling import Priors
from bench.physics.further import further, updated
from bench.plan.schema import parse_plan


@pytest.fixture(scope="module")
def made() -> Any:
    return coverage.made_set(3)


@pytest.fixture(scope="module")
def plain(made: Any) -> Any:
    return fit_parts(made.plan, made.frames)


@pytest.fixture(scope="module")
def curved(made: Any) -> Any:
    return fit_parts(made.plan, {**made.frames, "curve": made.curve})


def log_gm_m(found: Any, place: int) -> tuple[float, float]:
    return found.coupling.log_gm_m(place)  # type: ignore[no-any-return]


def test_curves_constrain_the_coupling_and_the_truth_stays_inside(made, plain, curved):
    for place, true in enumerate(made.truth["coils"]):
        value, u = log_gm_m(curved, place)
        assert u < 0.95 * log_gm_m(plain, place)[1]
        assert abs(value - math.log(true["gm_m_sh"])) < 2.5 * u
    taper = curved.coupling.model.shared.index("taper") - len(curved.coupling.model.shared)
    assert curved.coupling.cov[taper, taper] < 0.8 * plain.coupling.cov[taper, taper]


def test_a_wrong_curve_reading_is_named(made, curved):
    rows = made.curve.copy()
    rows.loc[2, "q"] *= 2.5
    found = fit_parts(made.plan, {**made.frames, "curve": rows})
    told = [w for one in found.coils for w in one.warnings if "curve reading" in w]
    assert len(told) == 1
    assert rows.loc[2, "reading"] in told[0]
    assert log_gm_m(found, 0)[0] == pytest.approx(log_gm_m(curved, 0)[0], abs=2 * log_gm_m(curved, 0)[1])


def test_an_onset_extrapolated_from_the_curve_does_not_count_twice(made):
    frames = {**made.frames, "curve": made.curve}
    read = []
    for off in (0.0, 12.0):
        onset = made.frames["onset"].copy()
        near = [bool((np.abs(made.curve["f_hz"] / f - 1) < 0.01).any()) for f in onset["f_hz"]]
        onset.loc[near, "method"] = "curve"
        onset.loc[near, "angle_deg"] += off
        read.append(log_gm_m(fit_parts(made.plan, {**frames, "onset": onset}), 0))
    assert read[0] == pytest.approx(read[1], rel=1e-6)


def test_the_control_pulls_the_tank_between_angle_0_and_a_reading_near_onset():
    """A curve row tells the frequency at its own angle: up there the tank lies a per cent or more from where onset is asked for.

    All is as the plan says, so that nothing else could give; the truth is the virtual bench's own root.
    """
    made = coverage.made_set(2, coverage.NOTHING, q_share_u=1e-3)
    asked_hz = made.truth["coils"][1]["onset"][4]["f_hz"]
    rows = coverage.curve_rows(made, "B", asked_hz, (0.85, 0.9, 0.94, 0.96))
    assert (rows["f_hz"] / asked_hz < 0.99).all()
    found = fit_parts(made.plan, {**made.frames, "curve": rows}, coverage.NOTHING)
    value, u = log_gm_m(found, 1)
    assert abs(value - math.log(made.truth["coils"][1]["gm_m_sh"])) < 2.5 * u
    assert not [w for one in found.coils for w in one.warnings if "left out" in w]


def test_curve_rows_that_cannot_be_used_are_told(made, curved):
    rows = pd.concat([made.curve, made.curve.head(3)], ignore_index=True)
    rows.loc[len(rows) - 3, "q"] = -5.0
    rows.loc[len(rows) - 2, "angle_deg"] = 900.0
    rows.loc[len(rows) - 1, "valve"] = "cold"
    found = fit_parts(made.plan, {**made.frames, "curve": rows})
    assert any("3 curve rows left out" in w for one in found.coils for w in one.warnings)
    assert log_gm_m(found, 0) == pytest.approx(log_gm_m(curved, 0), rel=1e-9)


@pytest.mark.parametrize("seed", [1, 5, 44])
def test_one_wrong_reading_in_ten_is_named_alone_and_does_no_harm(seed):
    """The whole table, over many sets, is in tests/benchmarks/coupling_coverage.py."""
    made = coverage.made_set(seed)
    onset, wrong = coverage.one_wrong(made, seed)
    found = fit_parts(made.plan, {**made.frames, "onset": onset})
    told = [w for one in found.coils for w in one.warnings if "all the others say; left out" in w]
    assert len(told) == 1
    assert wrong in told[0]
    for place, true in enumerate(made.truth["coils"]):
        value, u = log_gm_m(found, place)
        assert abs(value - math.log(true["gm_m_sh"])) < 3 * u


def test_readings_that_agree_with_each_other_are_not_blamed():
    """An onset read several times alike and yet off: reading it once more would find the same again."""
    made = coverage.made_set(1)
    onset, wrong = coverage.one_wrong(made, 1)
    twin = onset[onset["reading"] == wrong]
    found = fit_parts(made.plan, {**made.frames, "onset": pd.concat([onset, twin], ignore_index=True)})
    told = [w for one in found.coils for w in one.warnings if "all the others say; left out" in w]
    assert len(told) == 1
    assert "readings agree" in told[0]
    assert "Read it again" not in told[0]


def test_information_adds_as_least_squares_says():
    rng = np.random.default_rng(1)
    slopes = rng.normal(size=(9, 4))
    more, sigma = rng.normal(size=(2, 4)), np.array([0.5, 2.0])
    both = np.vstack([slopes, more / sigma[:, None]])
    now = np.linalg.inv(slopes.T @ slopes)
    assert updated(now, more, np.diag(sigma**2)) == pytest.approx(np.linalg.inv(both.T @ both))


def test_what_a_curve_reading_promises_it_keeps(made, plain):
    """The promise is worked out before the reading; the same reading is then taken on the virtual bench and fitted."""
    promised = next(one for one in further(plain.coupling, 0) if one.what == "curve")
    rows = coverage.curve_rows(made, "A", promised.f_hz, (0.4, 0.65, 0.85))
    kept = log_gm_m(fit_parts(made.plan, {**made.frames, "curve": rows}), 0)[1]
    before = log_gm_m(plain, 0)[1]
    assert promised.u < before
    assert kept / promised.u == pytest.approx(1.0, abs=0.1)


def test_the_cause_that_matters_most_leads_to_the_reading_that_settles_it(made):
    """With the taper alone unknown, an ohmmeter on the control comes first; with Q alone, another reading of Q or the like."""
    none = dict.fromkeys(Priors.__dataclass_fields__, 0.0)
    taper = fit_parts(made.plan, made.frames, Priors(**{**none, "taper": 0.05}))
    assert taper.coils[0].further[0].what == "taper"
    assert any("control's taper" in note and "hardly tell" in note for note in taper.coils[0].notes)
    common = fit_parts(made.plan, made.frames, Priors(**{**none, "q": 0.08}))
    best = common.coils[0].further
    assert {one.what for one in best} >= {"q", "damping", "curve", "onset", "tickler turns"}
    assert best[0].what in ("q", "damping")
    us = [one.u for one in best]
    assert us == sorted(us)
    assert us[0] < 0.5 * log_gm_m(common, 0)[1]


def test_readings_that_contradict_each_other_are_named_and_nothing_is_claimed():
    # Higher frequencies need less control; these go up and down as no network can.
    angles = [5.0, 295.0, 4.0, 290.0, 6.0]
    rows = cases.onset_rows(cases.EXAMPLE_F_HZ, angles, u=1.0)
    fit = fit_tables(cases.example_plan(), {"onset": rows}, session="s", made_at="", program_version="0")
    (coil,) = fit["coils"]
    if coil["k"] is not None:
        assert coil["k"] < 1
        assert coil["k_u"] < coil["k"]
    told = " ".join([*coil["warnings"], *fit["warnings"]])
    assert "contradict" in told or "left out" in told
    assert "r0000" in told


def test_a_coupling_closer_than_windings_can_be_is_not_shown():
    plan = cases.example_plan(gm="0.07 mS")
    rows = cases.onset_rows(cases.EXAMPLE_F_HZ, cases.EXAMPLE_DEG[6], u=1.0)
    fit = fit_tables(plan, {"onset": rows}, session="s", made_at="", program_version="0")
    (coil,) = fit["coils"]
    assert coil["k"] is None
    assert coil["mutual_h"] is None
    assert any("M and k are not shown" in w for w in coil["warnings"])


THROTTLED = """
[receiver]
device = "fet"
gm = "2.78 mS"
rp = "28 kohm"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "throttle"
capacitance = ["12 pF", "188 pF"]
taper = "log"
[receiver.feedback]
choke = "2.5 mH"
choke_capacitance = "2 pF"
plate_capacitance = "3.9 pF"
grid_plate_capacitance = "0.6 pF"
winding_capacitance = "1.2 pF"
[[coil]]
name = "A"
grid = { turns = 47, diameter = "27 mm", length = "46 mm", wire = "0.4 mm" }
tickler = { turns = 8, gap = "2.6 mm", wire = "0.25 mm" }
dials = [0, 20, 40, 60, 80, 100]
onset_at = ["2338 kHz", "2517 kHz", "2710 kHz", "2918 kHz", "3141 kHz"]
[readings]
added_capacitor = "100 pF"
"""


def test_where_angles_tell_little_the_plans_windings_stand_beside_them():
    """A throttle's onset hangs on the tickler's resonance more than on gm.M; the truth is the virtual bench's."""
    made = cases.virtual_session(parse_plan(THROTTLED), 26, repeats=2)
    fit = fit_tables(made.plan, made.frames, session="s", made_at="", program_version="0")
    (coil,) = fit["coils"]
    value, u = coil["gm_m"]["value_sh"], coil["gm_m"]["u_sh"]
    assert u < 0.25 * value
    assert coil["gm_m"]["shares"]["windings"] > 0.1
    true = made.truth["gm_s"] * made.truth["coils"][0]["mutual_h"]
    assert abs(math.log(value / true)) < 3 * u / value
    assert coil["advice"]["verdict"] is not None


# --- Cathode tap ---------------------------------------------------------------------------------------------------

TAPPED = """
[receiver]
topology = "cathode-tap"
device = "pentode"
gm = "1 mS"
rp = "300 kohm"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "supply"
[receiver.feedback]
capacitor = "10 nF"
choke = "2.5 mH"
plate_capacitance = "6 pF"
[[coil]]
name = "B"
grid = { turns = 27, inductance = "22 uH", q = [[1e6, 130]] }
tap = { turns = 2, inductance = "0.4 uH", k = 0.3 }
"""


def growth(share: float, f_hz: float, gm_s: float, mutual_h: float) -> float:
    """The tank's growth, written out: grid, plate, cathode; currents of coil, tap, choke. Screen share gives gm and 1/rp its root."""
    l_h, tap_h, q = 22e-6, 0.4e-6, 130.0
    omega = 2 * math.pi * f_hz
    gm, gp = gm_s * math.sqrt(share), math.sqrt(share) / 300e3
    g, c = np.zeros((6, 6)), np.zeros((6, 6))
    c[0, 0], c[1, 1] = 1 / (omega**2 * l_h), 10e-9 + 6e-12
    g[1] += [gm, gp, -gm - gp, 0, 0, 0]
    g[2] += [-gm, -gp, gm + gp, 0, 0, 0]
    for row, node in ((3, 0), (4, 2), (5, 1)):
        g[node, row], g[row, node] = 1.0, 1.0
    g[3, 3] = -omega * l_h / q
    c[3, 3], c[4, 4], c[5, 5] = -l_h, -tap_h, -2.5e-3
    c[3, 4] = c[4, 3] = -mutual_h
    roots = scipy.linalg.eigvals(-g, c)
    roots = roots[np.isfinite(roots)]
    return float(roots[np.argmin(np.abs(roots - 1j * omega))].real)


def test_a_cathode_tap_is_fitted_from_its_onsets():
    from scipy.optimize import brentq

    plan = parse_plan(TAPPED)
    true = 1.15e-3 * 0.27 * math.sqrt(22e-6 * 0.4e-6)
    f_hz = np.array([2.3, 2.8, 3.4, 4.1, 4.9]) * 1e6
    angles = [300 * brentq(growth, 1e-6, 1.0, args=(f, 1.15e-3, true / 1.15e-3)) for f in f_hz]
    rows = cases.onset_rows(f_hz, angles, u=0.5)
    none = Priors(**dict.fromkeys(Priors.__dataclass_fields__, 0.0))
    fit = fit_tables(plan, {"onset": rows}, session="s", made_at="", program_version="0", priors=none)
    (coil,) = fit["coils"]
    # gm alone also loads the cathode by rp; that it is 15 % off costs little.
    assert coil["gm_m"]["value_sh"] == pytest.approx(true, rel=0.02)
    assert coil["onset"][2]["fitted_deg"] == pytest.approx(angles[2], abs=1.0)
    assert coil["advice"]["verdict"] in {"keep", "fewer turns", "more turns", "another lever"}
    told = " ".join(coil["advice"]["reasons"]) + " ".join(
        lever["change"] for lever in coil["advice"]["levers"]
    )
    assert "tickler" not in told
    assert "tap" in told
