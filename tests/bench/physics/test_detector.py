"""A detector's law from level steps; the detectors are formulas of their own, noise added, none of them the fit's model."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ive

from bench.physics.detector import Detector, DetectorError, Floats, fit_detector

LEVELS = np.arange(-50.0, -9.0, 2.0)


def amplitude(level_dbm: Floats) -> Floats:
    """Peak volts across 50 ohm."""
    return np.asarray(np.sqrt(0.1 * 10.0 ** (level_dbm / 10.0)))


def diode(peak_v: Floats, slope_v: float = 0.035) -> Floats:
    """An exponential diode that is hardly loaded: V = nVt·ln I0(Vp/nVt) (a textbook's result, from memory)."""
    x = peak_v / slope_v
    return np.asarray(slope_v * (np.log(ive(0, x)) + x))


def fitted(volts: Floats, levels: Floats = LEVELS, *, noise: float = 1e-4, seed: int = 1) -> Detector:
    random = np.random.default_rng(seed)
    return fit_detector(levels, volts + noise * random.normal(size=len(volts)), noise)


def test_a_diode_is_square_at_small_signals_and_turns_linear_at_large_ones() -> None:
    small = fitted(
        0.1 + diode(amplitude(np.arange(-50.0, -27.0, 2.0))), np.arange(-50.0, -27.0, 2.0), noise=1e-6
    )
    assert small.law == "square"
    assert small.follows == "square"
    assert small.offset_v == pytest.approx(0.1, abs=1e-5)
    levels = np.arange(2.0, 22.0, 2.0)
    large = fitted(diode(amplitude(levels)), levels, noise=1e-3)
    undone = large.undone(diode(amplitude(levels)))
    ratio = undone / amplitude(levels) ** (2 if large.follows == "square" else 1)
    assert np.ptp(ratio) < 0.03 * ratio.mean()
    # Between the two: neither law alone.
    levels = np.arange(-40.0, 1.0, 2.0)
    between = fitted(diode(amplitude(levels)), levels)
    use = levels > -30.0
    ratio = between.undone(diode(amplitude(levels)))[use] / amplitude(levels)[use] ** 2
    assert between.turn_v is not None
    assert np.ptp(ratio) < 0.03 * ratio.mean()


@pytest.mark.slow
@pytest.mark.parametrize("exponent", [1.0, 1.5, 2.0])
def test_exponent_and_its_uncertainty(exponent: float) -> None:
    pulls = []
    for seed in range(25):
        found = fitted(0.2 + 5.0 * amplitude(LEVELS) ** exponent, seed=seed)
        assert found.law == {1.0: "linear", 1.5: "power", 2.0: "square"}[exponent]
        assert abs(found.exponent - exponent) < 4 * found.exponent_u
        assert found.exponent_u < 0.05
        pulls.append((found.exponent - exponent) / found.exponent_u)
    assert exponent != 1.5 or 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.5


def test_a_logarithmic_detector() -> None:
    found = fitted(1.0 + 0.025 * (LEVELS + 50.0))
    assert found.law == "log"
    # 25 mV a decibel is 0.25 V a decade of power.
    assert found.scale_v == pytest.approx(0.25, rel=1e-3)
    power = found.undone(np.array([1.0 + 0.025 * 20.0, 1.0 + 0.025 * 30.0]))
    assert power[1] / power[0] == pytest.approx(10.0, rel=1e-3)


@pytest.mark.parametrize(
    "law",
    [
        lambda v: 0.2 + 900.0 * v**2 / (1 + 900.0 * v**2),
        lambda v: 0.2 + 1.0 - np.exp(-900.0 * v**2),
        lambda v: 0.2 + np.minimum(900.0 * v**2, 0.8),
        lambda v: 0.2 + 4.0 * v,
        lambda v: 1.0 + 0.4 * np.log10(v),
    ],
)
def test_undone_readings_are_in_proportion_where_they_are_used(law: object) -> None:
    assert callable(law)
    v = amplitude(LEVELS)
    true = law(v)
    found = fitted(true, noise=2e-4)
    use = true < found.offset_v + 0.5 * (found.top_v - found.offset_v) if found.law != "log" else v > 0
    use &= true > float(true.min()) + 0.1 * float(np.ptp(true[use]))
    wanted = v if found.follows == "linear" else v**2
    ratio = found.undone(true[use]) / wanted[use]
    assert np.ptp(ratio) < 0.03 * ratio.mean()
    step = 1e-5
    slope = (found.undone(true + step) - found.undone(true - step)) / (2 * step)
    assert found.slope(true)[use] == pytest.approx(slope[use], rel=0.02)


def test_what_cannot_be_used_is_refused_with_what_to_do() -> None:
    flat = np.full_like(LEVELS, 0.3)
    with pytest.raises(DetectorError, match="hardly changes"):
        fitted(flat)
    with pytest.raises(DetectorError, match="hardly changes"):
        fitted(0.5 - 0.01 * amplitude(LEVELS))
    held = (
        1.0 - np.exp(-1e5 * amplitude(LEVELS) ** 2) + 1e-3 * np.random.default_rng(2).normal(size=len(LEVELS))
    )
    with pytest.raises(DetectorError, match=r"volume control"):
        fitted(held)
    wild = np.random.default_rng(3).uniform(0.0, 1.0, len(LEVELS))
    with pytest.raises(DetectorError, match=r"follows no law|saturated|hardly changes"):
        fitted(wild)
    with pytest.raises(DetectorError, match="too few"):
        fitted(amplitude(LEVELS[:4]), LEVELS[:4])
    with pytest.raises(DetectorError, match="belong together"):
        fit_detector(LEVELS, amplitude(LEVELS[:-1]), 1e-3)


def test_the_law_moved_by_its_own_uncertainty_holds_the_truth() -> None:
    v = amplitude(LEVELS)
    found = fitted(0.2 + 900.0 * v**2 / (1 + 900.0 * v**2), noise=1e-3)
    others = found.others()
    assert len(others) == len(found.parameters)
    reaches = [other.reach_v for other in others]
    assert all(reach is not None and 0.5 < reach < 2.0 for reach in reaches)
    assert len({round(reach or 0.0, 9) for reach in reaches}) > 1
