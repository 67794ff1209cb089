"""Plan geometry, or the values in its place, to circuit values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench.errors import PlanError
from bench.model import TYPICAL_Q_SHARE, coil_model, grid_winding, tickler_winding
from bench.physics import winding
from bench.physics.winding import Winding
from bench.plan.schema import Plan, parse_plan

RECEIVER = """
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
resistance = "10 kohm"
"""
GRID = 'turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm"'
TICKLER = 'turns = 5, gap = "2.5 mm", wire = "0.25 mm"'


def plan_of(grid: str = GRID, tickler: str = TICKLER) -> Plan:
    return parse_plan(f'{RECEIVER}\n[[coil]]\nname = "B"\ngrid = {{ {grid} }}\ntickler = {{ {tickler} }}\n')


def test_geometry() -> None:
    plan = plan_of()
    model = coil_model(plan, plan.coil[0])
    grid = Winding(27, 32e-3, 24e-3, 0.4e-3)
    tickler = winding.close_wound(5, 32e-3, 0.25e-3)
    assert model.l_h == pytest.approx(winding.inductance(grid), rel=1e-12)
    assert model.tickler_l_h == pytest.approx(winding.inductance(tickler), rel=1e-12)
    assert model.mutual_h == pytest.approx(winding.mutual(grid, tickler, 2.5e-3), rel=1e-9)
    assert model.k == pytest.approx(model.mutual_h / math.sqrt(model.l_h * model.tickler_l_h), rel=1e-12)
    assert model.c_self_f == pytest.approx(winding.self_capacitance(grid), rel=1e-12)
    f_hz = np.array([2e6, 4e6])
    np.testing.assert_allclose(model.q_at(f_hz), TYPICAL_Q_SHARE * winding.q(grid, f_hz))


def test_form_diameter_is_one_wire_less() -> None:
    plan = plan_of(GRID.replace("diameter", "form_diameter") + ', insulated = "0.44 mm"', TICKLER)
    assert grid_winding(plan.coil[0]).diameter_m == pytest.approx(32.44e-3)
    assert tickler_winding(plan.coil[0]).diameter_m == pytest.approx(32.25e-3)


def test_tickler_close_wound_unless_it_has_a_length() -> None:
    plan = plan_of()
    assert tickler_winding(plan.coil[0]).length_m == pytest.approx(5 * 0.25e-3)
    assert tickler_winding(plan.coil[0], 7.5).length_m == pytest.approx(7.5 * 0.25e-3)
    spaced = plan_of(tickler=TICKLER + ', length = "5 mm", diameter = "30 mm"').coil[0]
    assert tickler_winding(spaced).length_m == pytest.approx(5e-3)
    assert tickler_winding(spaced).diameter_m == pytest.approx(30e-3)
    assert tickler_winding(spaced, 6).pitch_m == pytest.approx(1e-3)


def test_values_in_place_of_geometry() -> None:
    plan = plan_of(
        'inductance = "22 uH", q = [[2e6, 120], [5e6, 135]]', 'turns = 6, inductance = "1.0 uH", k = 0.32'
    )
    model = coil_model(plan, plan.coil[0])
    assert (model.l_h, model.tickler_l_h, model.k, model.c_self_f) == (22e-6, 1e-6, 0.32, None)
    assert model.mutual_h == pytest.approx(0.32 * math.sqrt(22e-12))
    # Inductance goes with the square of the turns, M with the turns.
    fewer = coil_model(plan, plan.coil[0], tickler_turns=4.5)
    assert fewer.tickler_l_h == pytest.approx(1e-6 * 0.75**2)
    assert fewer.mutual_h == pytest.approx(model.mutual_h * 0.75)
    assert fewer.k == pytest.approx(0.32)


def test_tickler_values_scale_with_turns_also_on_a_measured_form() -> None:
    plan = plan_of(tickler='turns = 6, inductance = "1.0 uH", k = 0.32')
    three = coil_model(plan, plan.coil[0], 3)
    assert three.tickler_l_h == pytest.approx(0.25e-6)
    assert three.k == pytest.approx(0.32)


def test_given_values_win_over_geometry_and_follow_its_course() -> None:
    wound = plan_of()
    given = plan_of(GRID + ', inductance = "20 uH"', TICKLER + ', inductance = "2.2 uH", k = 0.3')
    coil = given.coil[0]
    now = coil_model(given, coil)
    assert (now.l_h, now.tickler_l_h, now.k) == (20e-6, 2.2e-6, 0.3)
    assert now.c_self_f is not None
    was, more = (coil_model(wound, wound.coil[0], turns) for turns in (5, 7))
    scaled = coil_model(given, coil, 7)
    assert scaled.tickler_l_h == pytest.approx(2.2e-6 * more.tickler_l_h / was.tickler_l_h)
    assert scaled.k == pytest.approx(0.3 * more.k / was.k)


def test_only_the_inductance_given_keeps_the_computed_coupling() -> None:
    wound, given = plan_of(), plan_of(GRID + ', inductance = "20 uH"')
    k = coil_model(wound, wound.coil[0]).k
    model = coil_model(given, given.coil[0])
    assert model.k == pytest.approx(k)
    assert model.mutual_h == pytest.approx(k * math.sqrt(20e-6 * model.tickler_l_h))


def test_q_table_on_log_log_paper() -> None:
    """A power law is a straight line on such paper, and runs on beyond its ends."""
    table = "[[1e6, 110], [10e6, 138.481795]]"
    plan = plan_of('inductance = "22 uH", q = ' + table, 'turns = 6, inductance = "1.0 uH", k = 0.32')
    q_at = coil_model(plan, plan.coil[0]).q_at
    f_hz = np.array([0.5e6, 1e6, 3e6, 10e6, 20e6])
    np.testing.assert_allclose(q_at(f_hz), 110 * (f_hz / 1e6) ** 0.1, rtol=1e-6)
    assert float(q_at(3e6)) == pytest.approx(110 * 3**0.1, rel=1e-6)


def test_q_table_of_bent_and_single_points() -> None:
    bent = plan_of(GRID + ", q = [[1e6, 100], [2e6, 150], [4e6, 120]]")
    q_at = coil_model(bent, bent.coil[0]).q_at
    np.testing.assert_allclose(q_at([1e6, 2e6, 4e6]), [100, 150, 120])
    assert float(q_at(math.sqrt(8) * 1e6)) == pytest.approx(math.sqrt(150 * 120))
    single = plan_of(GRID + ", q = [[2e6, 120]]")
    np.testing.assert_allclose(coil_model(single, single.coil[0]).q_at([1e6, 9e6]), [120, 120])


def test_unknown_q_is_said_when_it_is_asked() -> None:
    plan = plan_of('inductance = "22 uH"', 'turns = 6, inductance = "1.0 uH", k = 0.32')
    model = coil_model(plan, plan.coil[0])
    with pytest.raises(PlanError, match=r"'B'.*grid\.q"):
        model.q_at(3e6)


@pytest.mark.parametrize(
    ("grid", "tickler", "says"),
    [
        (GRID.replace("32 mm", "0.3 mm"), TICKLER, "grid winding.*form"),
        (GRID, TICKLER.replace("turns = 5", "turns = 3000"), "tickler: 3000 turns"),
    ],
)
def test_what_cannot_be_worked_out_is_named(grid: str, tickler: str, says: str) -> None:
    plan = plan_of(grid, tickler)
    with pytest.raises(PlanError, match=says):
        coil_model(plan, plan.coil[0])


@pytest.mark.parametrize("turns", [0.0, -1.0, math.nan])
def test_no_turns(turns: float) -> None:
    plan = plan_of()
    with pytest.raises(PlanError, match="turns must be more than zero"):
        coil_model(plan, plan.coil[0], turns)


TAPPED = RECEIVER.replace('resistance = "10 kohm"', 'kind = "supply"')


def tapped_of(grid: str, tap: str) -> Plan:
    return parse_plan(
        f'[receiver]\ntopology = "cathode-tap"\n{TAPPED}\n[[coil]]\nname = "B"\ngrid = {{ {grid} }}\ntap = {{ {tap} }}\n'
    )


@pytest.mark.parametrize("turns", [2, 9, 20])
def test_tap_by_geometry_is_the_sum_over_turns(turns: int) -> None:
    """What the part below the tap shares with the part above it, by Maxwell's two circles turn by turn."""
    plan = tapped_of(GRID, f"turns = {turns}")
    model = coil_model(plan, plan.coil[0])
    pitch = 24e-3 / 27
    below, above = (Winding(n, 32e-3, n * pitch, 0.4e-3) for n in (turns, 27 - turns))
    assert model.tickler_l_h == pytest.approx(winding.inductance(below), rel=1e-12)
    shared = winding.inductance(below) + winding.mutual(below, above, 0.0)
    assert model.mutual_h == pytest.approx(shared, rel=2e-3)
    moved = coil_model(tapped_of(GRID, "turns = 5"), plan.coil[0], turns)
    assert moved.mutual_h == pytest.approx(model.mutual_h, rel=1e-9)


def test_tap_by_its_values() -> None:
    grid, tap = 'inductance = "22 uH"', 'turns = 4, inductance = "0.6 uH", k = 0.5'
    plan = tapped_of(grid, tap)
    model = coil_model(plan, plan.coil[0])
    assert (model.tickler_l_h, model.k) == (pytest.approx(0.6e-6), 0.5)
    assert model.mutual_h == pytest.approx(0.5 * math.sqrt(22e-6 * 0.6e-6))
    more = coil_model(plan, plan.coil[0], 6)
    assert more.tickler_l_h == pytest.approx(0.6e-6 * 2.25)
    beyond = tapped_of(GRID, "turns = 4")
    with pytest.raises(PlanError, match="beyond the coil's 27 turns"):
        coil_model(beyond, beyond.coil[0], 27)
