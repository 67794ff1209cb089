"""1/Q carried on to zero: by hand, and against roots of the virtual bench's own network (written apart from the fit's)."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics.onset_curve import CurveOnset, onset_of_curve
from bench.plan.schema import load_plan
from bench.virtual import network
from bench.virtual.scenario import demo_plan_path, draw
from bench.virtual.truth import Standing, circuit_of, true_onset, tuned_to


def test_a_straight_run_ends_where_a_ruler_says() -> None:
    angle = np.array([0.0, 40.0, 70.0, 85.0, 95.0])
    found = onset_of_curve(angle, 100.0 / (1.0 - angle / 110.0), 0.1 * np.ones(5))
    assert found is not None
    assert found.angle_deg == pytest.approx(110.0, abs=0.02)
    assert found.straight_deg == pytest.approx(110.0, abs=0.02)
    assert found.slope_per_deg == pytest.approx(1 / 110.0, rel=2e-3)
    assert found.lift == pytest.approx(110.0 / 15.0)
    assert not found.bent


def test_a_bent_run_is_told_and_followed() -> None:
    angle = np.linspace(20.0, 90.0, 6)
    left = 1.0 - angle / 100.0
    q = 80.0 / (left * (1.0 + 0.6 * left))
    found = onset_of_curve(angle, q, 1e-3 * q)
    assert found is not None
    assert found.bent
    assert found.angle_deg == pytest.approx(100.0, abs=0.3)
    assert abs(found.straight_deg - 100.0) > 1.0


def test_errors_of_angle_and_q_widen_it() -> None:
    angle = np.array([0.0, 40.0, 70.0, 85.0, 95.0])
    q = 100.0 / (1.0 - angle / 110.0)

    def u(q_share: float, angle_u: float) -> float:
        found = onset_of_curve(angle, q, q_share * q, angle_u)
        assert found is not None
        return found.angle_u_deg

    assert u(0.005, 0.1) < u(0.02, 0.1)
    assert u(0.005, 0.1) < u(0.005, 0.5)


def test_what_does_not_point_anywhere_is_no_onset() -> None:
    assert onset_of_curve([0.0, 50.0], [100.0, 200.0], [1.0, 1.0]) is None
    assert onset_of_curve([0.0, 50.0, 100.0], [100.0, 99.0, 98.0], [1.0, 1.0, 1.0]) is None
    # It falls, and flattens out again long before zero.
    assert onset_of_curve([0.0, 50.0, 100.0, 150.0], [100.0, 120.0, 130.0, 131.0], [1.0] * 4) is None


def test_slope_is_that_of_the_independent_network_and_two_sigma_hold_the_truth() -> None:
    plan = load_plan(demo_plan_path())
    random = np.random.default_rng(11)
    inside, errors, slopes = 0, [], []
    for seed in range(1, 13):
        hidden = draw(plan, seed)
        coil = plan.coil[seed % 3]
        standing = tuned_to(hidden, Standing(coil.name, 0.0), coil.onset_at[2])
        true = true_onset(hidden, standing)
        assert true.onset_deg
        angle = np.concatenate([[0.0], np.linspace(0.0, true.onset_deg, 60)[1:-1]])
        root = network.tank_root(circuit_of(hidden, standing), angle)
        loss = -2.0 * root.real / np.abs(root)
        share = np.minimum.accumulate(loss / loss[0])
        at = np.array([0.0, *(np.interp(-s, -share, angle) for s in (0.6, 0.4, 0.27, 0.18, 0.12))])
        q = 1.0 / np.interp(at, angle, loss) * (1.0 + 0.01 * random.standard_normal(6))
        found = onset_of_curve(at + 0.1 * random.standard_normal(6), q, 0.01 * q, 0.1)
        assert isinstance(found, CurveOnset)
        errors.append(found.angle_deg - true.onset_deg)
        inside += abs(errors[-1]) < 2 * found.angle_u_deg
        # The truth's slope is a share of the cold tank's loss, this one of the loss at the first reading.
        cold = network.tank_root(
            circuit_of(hidden, Standing(coil.name, 0.0, valve=False, tuning_f=standing.tuning_f)), at[:1]
        )
        assert true.slope_per_deg
        ratio = float(cold[0].real / root[0].real)
        slopes.append(found.slope_per_deg / (true.slope_per_deg * ratio))
    # Binomial: fewer than 9 of 12 inside two sigma has odds of 2 in 10,000.
    assert inside >= 9
    assert float(np.sqrt(np.mean(np.square(errors)))) < 1.0
    assert np.median(slopes) == pytest.approx(1.0, abs=0.05)
