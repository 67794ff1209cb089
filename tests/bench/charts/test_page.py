"""What goes onto a page, from a plan, rows and a fit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench.charts.page import coil_page, set_page
from bench.errors import PlanError


def test_a_whole_page(bench) -> None:
    b = bench()
    page = coil_page(b.plan, b.tables, b.fit, "B")
    assert page.coil == "B"
    assert page.set_name == "Harbour Hall evening class set"
    assert page.session == "harbour-hall-march"
    assert page.date == "10 March 2031"
    assert page.state == "valve working, antenna off"
    assert page.scale.fitted
    assert page.scale.measured_span == (8.0, 100.0)
    low, high = page.scale.range_hz
    assert low == pytest.approx(b.f_hz("B", 0))
    assert high == pytest.approx(b.f_hz("B", 100))
    assert [p.f_hz for p in page.onset] == [o["f_hz"] for o in b.coil("B")["onset"]]
    assert page.l_h.value == 23e-6
    assert page.k.value == 0.312
    assert page.verdict == "fewer turns"
    assert page.advice.startswith("Take off 1")


def test_an_unknown_coil_is_told_with_those_there_are(bench) -> None:
    b = bench()
    with pytest.raises(PlanError, match="A, B, C, D"):
        coil_page(b.plan, b.tables, b.fit, "E")


def test_the_drop_out_uncertainty_is_that_of_the_mean_of_its_approaches(bench) -> None:
    b = bench()
    page = coil_page(b.plan, b.tables, b.fit, "B")
    # Three approaches of 2 degrees each.
    assert page.onset[0].dropout.u == pytest.approx(2 / math.sqrt(3))
    b.coil("B")["onset"][0]["dropout_u_deg"] = 0.7
    assert coil_page(b.plan, b.tables, b.fit, "B").onset[0].dropout.u == 0.7


def test_uncertainty_of_the_dial_is_the_fits_own_where_it_tells(bench) -> None:
    b = bench()
    law = b.coil("B")["dial_law"]
    law["f_u_hz"] = [5_000.0 if d < 8 else 900.0 for d in law["dial"]]
    scale = coil_page(b.plan, b.tables, b.fit, "B").scale
    assert scale.f_u_hz == 900.0
    assert scale.beyond_u_hz == 5_000.0
    steepest = min(s for d, s in zip(law["dial"], law["khz_per_division"], strict=True) if 8 <= d <= 100)
    assert scale.f_u_divisions == pytest.approx(0.9 / steepest)


def test_uncertainty_at_the_readings_and_between_them(bench) -> None:
    b = bench()
    law = b.coil("B")["dial_law"]
    read = [r["dial"] for r in b.tables["resonance"] if r["coil"] == "B"]
    law["f_u_hz"] = [300.0 + 2_000.0 * min(1.0, min(abs(d - r) for r in read) / 2) for d in law["dial"]]
    scale = coil_page(b.plan, b.tables, b.fit, "B").scale
    assert scale.f_u_hz == 2_300.0
    assert 300.0 <= scale.at_u_hz < 1_400.0


def test_readings_at_the_ends_leave_nothing_beyond_them(bench) -> None:
    b = bench(first_dial=0.004)
    assert coil_page(b.plan, b.tables, b.fit, "B").scale.measured_span == (0.0, 100.0)


def test_uncertainty_of_the_dial_is_the_scatter_where_the_fit_does_not_tell(bench) -> None:
    b = bench()
    rows = [r for r in b.tables["resonance"] if r["coil"] == "B"]
    off = np.array([r["f0_hz"] - b.f_hz("B", r["dial"]) for r in rows])
    own = np.array([r["f0_u_hz"] for r in rows])
    expected = math.sqrt(np.mean(off**2) + np.mean(own**2))
    assert coil_page(b.plan, b.tables, b.fit, "B").scale.f_u_hz == pytest.approx(expected, rel=0.02)


def test_rows_of_another_recipe_or_with_a_capacitor_added_are_not_drawn(bench) -> None:
    b = bench()
    whole = coil_page(b.plan, b.tables, b.fit, "B", "0123abcd")
    rows = [r for r in b.tables["resonance"] if r["coil"] == "B"]
    rows[0]["recipe"] = "ffffffff"
    rows[1]["added_c_f"] = 100e-12
    rows[2]["recipe"] = "0123abcd"
    rows[3]["f0_hz"] = float("nan")
    page = coil_page(b.plan, b.tables, b.fit, "B", "0123abcd")
    assert len(whole.scale.measured) == 6
    assert [d for d, _ in page.scale.measured] == [rows[i]["dial"] for i in (2, 4, 5)]
    assert len(page.q_points) == 3


def test_readings_of_unlike_states_are_not_mixed(bench) -> None:
    b = bench()
    rows = [r for r in b.tables["resonance"] if r["coil"] == "B"]
    for row in rows[:2]:
        row["valve"] = "cold"
    rows[2]["valve"] = ""
    page = coil_page(b.plan, b.tables, b.fit, "B")
    assert len(page.scale.measured) == 4
    assert page.state == "valve working, antenna off"
    b.coil("B")["condition"] = {"valve": "cold", "antenna": "no"}
    b.coil("B")["q_law"]["state"] = "working"
    page = coil_page(b.plan, b.tables, b.fit, "B")
    assert len(page.scale.measured) == 2
    assert len(page.q_points) == 4
    assert page.state == "valve working, antenna off"


def test_never_and_not_read_are_told_apart(bench) -> None:
    b = bench(silent=(0,))
    b.coil("B")["onset"].append({"f_hz": 9e6, "measured_deg": None, "fitted_deg": 120.0})
    points = coil_page(b.plan, b.tables, b.fit, "B").onset
    assert [p.silent for p in points] == [True] + [False] * 5
    assert points[-1].fitted_deg == 120.0


def test_readings_are_shown_before_anything_is_fitted(bench) -> None:
    b = bench()
    page = coil_page(b.plan, b.tables, None, "B", session="tuesday")
    assert not page.scale.fitted
    assert len(page.scale.measured) == 6
    assert len(page.onset) == 5
    truth = [o["fitted_deg"] for o in reversed(b.coil("B")["onset"])]
    assert sorted(p.onset.value for p in page.onset) == pytest.approx(truth)
    assert page.onset[0].onset.u == pytest.approx(2 / math.sqrt(3))
    assert page.session == "tuesday"
    assert "not been fitted" in page.advice


def test_nothing_at_all(bench) -> None:
    b = bench()
    page = coil_page(b.plan, {}, None, "B")
    assert page.scale.range_hz is None
    assert page.onset == ()
    assert (
        page.advice
        == "No advice yet: read coil B's resonance at three dial settings or more, then its onset."
    )


def test_the_fits_own_reason_stands_where_there_is_no_verdict(bench) -> None:
    b = bench()
    b.coil("B")["advice"] = {"verdict": None, "reasons": ["No advice yet: the Q of coil B is not known."]}
    assert coil_page(b.plan, b.tables, b.fit, "B").advice == "No advice yet: the Q of coil B is not known."


def test_a_law_that_turns_back_is_no_law(bench) -> None:
    b = bench()
    law = b.coil("B")["dial_law"]["f_hz"]
    law[50] = law[48]
    assert not coil_page(b.plan, b.tables, b.fit, "B").scale.fitted


def test_the_set(bench) -> None:
    b = bench(coils={"A": 120e-6, "B": 15e-6, "C": 4.4e-6})
    page = set_page(b.plan, b.tables, b.fit)
    assert [c.coil for c in page.coils] == ["A", "B", "C"]
    assert [(o.coils, o.gap) for o in page.overlaps] == [(("A", "B"), True), (("B", "C"), False)]
    assert page.overlaps[0].low_hz == pytest.approx(b.f_hz("A", 100))
    assert page.overlaps[0].high_hz == pytest.approx(b.f_hz("B", 0))
    assert page.date == "11 March 2031"


def test_the_set_is_in_order_of_frequency_whatever_the_plans_order(bench) -> None:
    b = bench(coils={"high": 4.4e-6, "not read": 23e-6, "low": 120e-6})
    b.fit["coils"] = [c for c in b.fit["coils"] if c["name"] != "not read"]
    tables = {k: [r for r in v if r["coil"] != "not read"] for k, v in b.tables.items()}
    page = set_page(b.plan, tables, b.fit)
    assert [c.coil for c in page.coils] == ["low", "high", "not read"]


def test_values_that_no_chart_can_show_are_left_out(bench) -> None:
    b = bench()
    entry = b.coil("B")
    entry["dial_law"]["f_hz"][3] = 0.0
    entry["dial_law"]["f_hz"][4] = -1.0
    entry["dial_law"]["dial"][7] = entry["dial_law"]["dial"][6]
    entry["onset"][0] |= {"measured_deg": 1e9, "measured_u_deg": -1.0}
    entry["onset"][1]["f_hz"] = 0.0
    entry["q_law"]["q"][0] = None
    entry["q_law"]["q_u"][1] = -3.0
    b.tables["resonance"][6]["dial"] = 500.0
    page = coil_page(b.plan, b.tables, b.fit, "B")
    assert page.scale.fitted
    assert len(page.scale.dial) == 98
    assert len(page.scale.measured) == 5
    assert len(page.onset) == 4
    assert page.onset[0].onset.value is None
    assert page.onset[0].onset.u is None
    assert len(page.q_law) == 8
    assert page.q_law[0].q_u is None
