"""Q laws against numpy's polynomial fit and truths with scatter."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics import qlaw
from bench.physics.qlaw import FedBackLaw, assumed, fit_q, guessed
from bench.plan.schema import parse_plan
from bench.virtual import network, scenario, truth

F_HZ = np.geomspace(2e6, 6e6, 8)


def test_agrees_with_a_weighted_polynomial_where_the_data_rule():
    """numpy.polyfit of the same readings, degree 2 in log-log, and its covariance."""
    rng = np.random.default_rng(1)
    f = np.geomspace(1e6, 9e6, 60)
    u = rng.uniform(0.005, 0.02, 60)
    q = 110 * (f / 3e6) ** 0.3 * np.exp(-0.12 * np.log(f / 3e6) ** 2) * (1 + u * rng.normal(size=60))
    law = fit_q(f, q, u * q)
    x = np.log(f / law.centre_hz)
    sigma = np.hypot(u, qlaw.SHARE_U)
    c, cov = np.polyfit(x, np.log(q), 2, w=1 / sigma, cov="unscaled")
    assert law.c == pytest.approx(c[::-1], rel=0.02)
    assert np.sqrt(np.diag(law.cov)) == pytest.approx(np.sqrt(np.diag(cov))[::-1], rel=0.12)


def test_truth_inside_two_u():
    inside = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        true = 120 * (F_HZ / 3e6) ** rng.normal(0.1, 0.3)
        law = fit_q(F_HZ, true * (1 + 0.015 * rng.normal(size=8)), 0.015 * true)
        q, u = law.at(F_HZ)
        inside += list(np.abs(q - true) < 2 * u)
    assert 0.93 < np.mean(inside) < 0.995


def test_a_wild_reading_is_left_out():
    q = 100 * (F_HZ / 3e6) ** 0.2
    q[5] *= 0.5
    law = fit_q(F_HZ, q, 0.01 * q)
    assert law.left_out == (5,)
    assert law.at(3e6)[0] == pytest.approx(100, rel=0.01)
    assert law.exponent == pytest.approx(0.2, abs=0.03)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_readings_lean_on_an_everyday_exponent(n):
    f = F_HZ[:n]
    law = fit_q(f, 100 * (f / 2e6) ** 0.1, np.full(n, 1.0))
    near, near_u = law.at(2e6)
    far, far_u = law.at(12e6)
    assert near == pytest.approx(100, rel=0.01)
    assert far == pytest.approx(120, rel=0.1)
    assert far_u > 5 * near_u


def test_assumed_has_the_uncertainty_it_is_given():
    law = assumed(F_HZ, 130 * (F_HZ / 3e6) ** 0.1, 0.2)
    q, u = law.at(3e6)
    assert q == pytest.approx(130, rel=0.01)
    assert u / q == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize(
    "values", [([], [], []), ([1e6], [0.0], [1.0]), ([1e6], [100.0], [0.0]), ([np.nan], [1.0], [1.0])]
)
def test_what_is_no_reading_is_refused(values):
    with pytest.raises(ValueError, match="above zero"):
        fit_q(*values)


@pytest.mark.parametrize("share", [0.6, 0.75, 0.9])
@pytest.mark.parametrize("exponent", [-0.3, 0.1, 0.5])
def test_a_guess_from_the_winding_covers_the_coils_there_are(share, exponent):
    """Real coils stay 10 to 40 % below the winding's own Q (common practice, no source), falling or rising towards the top."""
    bare = 200 * (F_HZ / F_HZ[0]) ** 0.5
    middle = np.exp(np.mean(np.log(bare)))
    centre = np.exp(np.mean(np.log(F_HZ)))
    q, u = guessed(F_HZ, bare).at(F_HZ)
    assert (np.abs(share * middle * (F_HZ / centre) ** exponent - q) < 2 * u).all()
    assert u[0] / q[0] > 1.2 * u[len(u) // 2] / q[len(u) // 2]


SWINGING = """
[receiver]
device = "triode"
gm = "0.9 mS"
rp = "16 kohm"
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "swing"
travel_deg = 90
window = ["11:00", "1:00"]
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
dials = [0, 100]
onset_at = ["1.8 MHz"]
"""


def swinging_q(seed: int, f_hz: list[float]) -> list[float]:
    """Q at angle 0, by the virtual bench's network, of a set whose windings' capacitance feeds back on its own."""
    hidden = scenario.draw(parse_plan(SWINGING), seed)
    found = []
    for f in f_hz:
        standing = truth.tuned_to(hidden, truth.Standing("A", 0.0), f)
        root = network.tank_root(truth.circuit_of(hidden, standing), np.array([0.0]))[0]
        found.append(truth.q_of(complex(root)) or np.nan)
    return found


def test_q_that_strays_raise_at_angle_0_is_followed_between_the_readings():
    read_hz, between_hz = [1.6e6, 1.9e6, 2.3e6, 2.8e6, 3.4e6], [1.75e6, 2.1e6, 2.55e6, 3.1e6]
    inside, raised = [], 0
    for seed in range(1, 13):
        q, true = (np.array(swinging_q(seed, at)) for at in (read_hz, between_hz))
        assert np.isfinite(q).all()
        rng = np.random.default_rng(seed)
        law = fit_q(read_hz, q * (1 + 0.008 * rng.normal(size=5)), 0.008 * q)
        assert law.left_out == ()
        raised += isinstance(law, FedBackLaw)
        found, u = law.at(between_hz)
        inside += list(np.abs(found - true) < 2 * u)
        # three whitened errors carry the variance of all
        kept = np.sum((law.basis(read_hz) @ law.errors) ** 2)
        assert kept == pytest.approx(np.sum((law.at(read_hz)[1] / law.at(read_hz)[0]) ** 2))
    assert raised >= 6
    assert np.mean(inside) > 0.85


@pytest.mark.parametrize("place", range(8))
@pytest.mark.parametrize("times", [0.6, 1.4])
def test_one_wrong_reading_is_no_feedback(place, times):
    rng = np.random.default_rng(place)
    q = 100 * (F_HZ / 3e6) ** 0.2
    read = q * (1 + 0.01 * rng.normal(size=8))
    read[place] *= times
    law = fit_q(F_HZ, read, 0.01 * q)
    if place < 7:  # at the very top of the dial nobody can tell
        assert not isinstance(law, FedBackLaw)
    if 0 < place < 7:
        assert place in law.left_out
