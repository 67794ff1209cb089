"""The hidden truth: the same for the same seed, around the plan, and the demo's plan worth advising on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from bench.errors import PlanError
from bench.plan.schema import Plan, load_plan, parse_plan
from bench.virtual.scenario import TuningLaw, demo_plan_path, draw, nominal_coils
from bench.virtual.truth import truth_of


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan(demo_plan_path())


def test_same_seed_same_truth(plan: Plan) -> None:
    assert truth_of(plan, draw(plan, 7)) == truth_of(load_plan(demo_plan_path()), draw(plan, 7))
    assert draw(plan, 7) == draw(plan, 7)
    assert draw(plan, 7) != draw(plan, 8)
    draw(plan, -1)


def test_a_set_wired_otherwise_is_refused_by_name() -> None:
    tapped = parse_plan(
        '[receiver]\ntopology = "cathode-tap"\n[receiver.tuning]\ncapacitance = ["160 pF", "12 pF"]\n'
        '[receiver.control]\nkind = "supply"\n[[coil]]\nname = "B"\n'
        'grid = { turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }\ntap = { turns = 3 }\n'
    )
    with pytest.raises(PlanError, match=r'no set with receiver\.topology = "cathode-tap"'):
        draw(tapped, 1)


def test_truth_is_plain_json_without_nan(plan: Plan) -> None:
    json.dumps(truth_of(plan, draw(plan, 3)), allow_nan=False)


def test_rewound_coil_meets_the_same_set(plan: Plan) -> None:
    """Another number of turns changes the coil's nominal values and nothing that chance gave."""
    text = demo_plan_path().read_text(encoding="utf-8")
    rewound = parse_plan(text.replace("tickler = { turns = 12,", "tickler = { turns = 6,"))
    before, after = draw(plan, 4), draw(rewound, 4)
    nominal_before, nominal_after = nominal_coils(plan)["A"], nominal_coils(rewound)["A"]
    assert after.coils["A"].l_h == before.coils["A"].l_h
    assert after.coils["A"].tickler_l_h / nominal_after.tickler_l_h == pytest.approx(
        before.coils["A"].tickler_l_h / nominal_before.tickler_l_h, rel=1e-12
    )
    assert after.coils["A"].k / nominal_after.k == pytest.approx(
        before.coils["A"].k / nominal_before.k, rel=1e-12
    )
    assert after.coils["B"] == before.coils["B"]
    assert (after.valve, after.knob, after.tuning) == (before.valve, before.knob, before.tuning)


def test_truth_spreads_around_the_plan(plan: Plan) -> None:
    nominal = nominal_coils(plan)
    sets = [draw(plan, seed) for seed in range(200)]
    for name, coil in nominal.items():
        inductance = np.array([hidden.coils[name].l_h / coil.l_h for hidden in sets])
        assert np.all(np.abs(inductance - 1) <= 0.03)
        assert np.ptp(inductance) > 0.05
    gm = np.array([hidden.valve.gm_s for hidden in sets]) / 0.9e-3
    assert np.all(np.abs(gm - 1) <= 0.15)
    # A seed's parts are drawn apart: one must not give another away.
    assert abs(np.corrcoef(gm, [hidden.coils["A"].k for hidden in sets])[0, 1]) < 0.25


@pytest.mark.parametrize(
    ("first", "last", "power", "wave"),
    [(160e-12, 12e-12, 1.7, 0.02), (12e-12, 160e-12, 1.05, -0.02), (350e-12, 15e-12, 1.3, 0.0)],
)
def test_dial_law(first: float, last: float, power: float, wave: float) -> None:
    law = TuningLaw((0.0, 180.0), first, last, power, wave)
    c = law.capacitance(np.linspace(0.0, 180.0, 501))
    assert c[0] == pytest.approx(first)
    assert c[-1] == pytest.approx(last)
    assert np.all(np.diff(c) * np.sign(last - first) >= 0.0)
    for dial in (3.0, 90.0, 171.0):
        assert law.dial_for(float(law.capacitance(dial))) == pytest.approx(dial, abs=0.05)
    assert law.dial_for(1e-12) is None


def test_demo_set_is_worth_advising_on(plan: Plan) -> None:
    """Coil A starts before the window, B inside it, C after it, whatever the seed; every frequency can be tuned to."""
    low, high = plan.receiver.control.window_deg
    for seed in range(1, 9):
        early, right, late = (coil["onset"] for coil in truth_of(plan, draw(plan, seed))["coils"])
        assert all(row["dial"] is not None for row in (*early, *right, *late))
        assert all(
            row["onset_deg"] is None or row["dropout_deg"] < row["onset_deg"]
            for row in (*early, *right, *late)
        )
        assert sum(row["onset_deg"] < low for row in early) >= 3
        assert sum(low <= row["onset_deg"] <= high for row in right) >= 4
        assert sum(row["onset_deg"] is None or row["onset_deg"] > high for row in late) >= 3


def test_plan_without_a_q_is_refused(tmp_path: Path) -> None:
    text = demo_plan_path().read_text(encoding="utf-8")
    start = text.index("[[coil]]")
    end = text.index("[readings]")
    coil = '[[coil]]\nname = "X"\ngrid = { inductance = "20 uH" }\ntickler = { turns = 5, inductance = "1 uH", k = 0.3 }\n'
    with pytest.raises(PlanError, match=r"grid\.q"):
        draw(parse_plan(text[:start] + coil + text[end:]), 1)
