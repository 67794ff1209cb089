"""The joint dial fit against worked examples, scipy and truths it did not make."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize

from bench.physics import dial
from bench.physics.dial import DialError, Ends, Reading, fit_dial

REFERENCE = Path(__file__).parents[2] / "reference"
ENDS = Ends((0.0, 100.0), (160e-12, 12e-12))
# Plates of the trade (Terman, Radio Engineers' Handbook, 1943, sec. 2 par. 32; from memory): straight-line capacity,
# straight-line wavelength (C as the square of the angle), straight-line frequency (as its inverse square).
PLATES = {"capacity": 1.0, "wavelength": 0.5, "frequency": -0.5}


def plates(law: str, ends_f: tuple[float, float], stray_f: float = 12e-12):
    """C(dial share) of a capacitor whose plates are cut for a law with some stray across it."""
    p = PLATES[law]
    a, b = ((c + stray_f) ** p for c in ends_f)
    return lambda share: (a + (b - a) * np.asarray(share)) ** (1 / p) - stray_f


def made_set(rng, *, law, coils, dials, setting=0.1, u=2e-5, ends_f=ENDS.c_f, added=(0.0,)):
    """Readings of a set with known L (H) and stray (F) by coil; `setting` in divisions is the hand's error."""
    c = plates(law, ends_f)
    readings = []
    for name, (l_h, stray_f) in coils.items():
        for at in dials:
            for extra in added:
                whole = c((at + setting * rng.normal()) / 100) + stray_f + extra
                f = 1 / (2 * np.pi * np.sqrt(l_h * whole)) * (1 + u * rng.normal())
                readings.append(Reading(name, at, float(f), float(u * f), extra, f"R{len(readings) + 1}"))
    return readings, c


COILS = {"A": (90e-6, 14e-12), "B": (22e-6, 17e-12), "C": (6e-6, 11e-12)}


def test_added_capacitor_straight_line_of_published_and_worked_examples():
    """tests/reference/distributed_capacitance.csv: a textbook problem (seen) and a worked line."""
    with (REFERENCE / "distributed_capacitance.csv").open() as file:
        rows = list(csv.DictReader(file))
    examples = {row["example"] for row in rows}
    assert len(examples) == 2
    for example in examples:
        mine = [row for row in rows if row["example"] == example]
        readings = [
            Reading("X", 0.0, 1e6 * float(r["resonance_MHz"]), 10.0, 1e-12 * float(r["C_added_pF"]))
            for r in mine
        ]
        fit = fit_dial(readings, Ends((0.0, 100.0), (2e-12, 12e-12)))
        l_h, l_u_h = fit.l_h["X"]
        assert fit.gauge == "added capacitor"
        assert l_h == pytest.approx(1e-6 * float(mine[0]["L_uH"]), rel=0.005)
        assert 0.001 < l_u_h / l_h < 0.02
        whole = dial.capacitance(fit, 0.0)[0][0] + fit.stray_f["X"][0]
        assert whole == pytest.approx(1e-12 * float(mine[0]["Cd_answer_pF"]), abs=0.15e-12)


def test_added_capacitor_gives_inductance_where_the_plan_is_wrong():
    """The plan's ends 8 % off: the known capacitor rules, and the note says what the ends came out at."""
    rng = np.random.default_rng(3)
    readings, _ = made_set(
        rng,
        law="wavelength",
        coils=COILS,
        dials=(0, 25, 50, 75, 100),
        setting=0.02,
        ends_f=(176e-12, 12.5e-12),
        added=(0.0, 100e-12),
    )
    fit = fit_dial(readings, ENDS)
    for name, (l_h, _) in COILS.items():
        assert fit.l_h[name][0] == pytest.approx(l_h, rel=0.005)
    assert any("where the plan says 160.0 pF" in note for note in fit.notes)


@pytest.mark.parametrize("law", PLATES)
def test_dial_between_readings_follows_the_plates(law):
    """Six dials, no noise: frequencies halfway between them, within half a percent and within 2.5 u."""
    readings, c = made_set(
        np.random.default_rng(0), law=law, coils=COILS, dials=(0, 20, 40, 60, 80, 100), setting=0, u=1e-6
    )
    fit = fit_dial(readings, ENDS)
    between = np.array([10, 30, 50, 70, 90])
    for name, (l_h, stray_f) in COILS.items():
        true = 1 / (2 * np.pi * np.sqrt(l_h * (c(between / 100) + stray_f)))
        f, u = dial.frequency(fit, name, between)
        assert np.abs(f / true - 1).max() < 0.005
        assert (np.abs(f - true) < 2.5 * u).all()
        slope = np.abs(
            np.gradient(1 / (2 * np.pi * np.sqrt(l_h * (c(np.linspace(0, 1, 1001)) + stray_f))), 0.1)
        )
        assert dial.khz_per_division(fit, name, 50.0)[0][0] == pytest.approx(slope[500] / 1e3, rel=0.03)


@pytest.mark.slow
def test_truth_inside_two_u():
    """150 sets whose plan, hand and analyzer are wrong as stated: ±2u holds L, stray and f in about 95 %."""
    hits: dict[str, list[bool]] = {"l": [], "stray": [], "f": []}
    for seed in range(150):
        rng = np.random.default_rng(seed)
        wrong = [
            float(c * (1 + dial.ENDS_SHARE_U * rng.normal()) + dial.ENDS_U_F * rng.normal()) for c in ENDS.c_f
        ]
        law = list(PLATES)[seed % 3]
        readings, c = made_set(
            rng, law=law, coils=COILS, dials=(0, 20, 40, 60, 80, 100), ends_f=(wrong[0], wrong[1])
        )
        fit = fit_dial(readings, ENDS)
        for name, (l_h, stray_f) in COILS.items():
            hits["l"].append(abs(fit.l_h[name][0] - l_h) < 2 * fit.l_h[name][1])
            hits["stray"].append(abs(fit.stray_f[name][0] - stray_f) < 2 * fit.stray_f[name][1])
            f, u = dial.frequency(fit, name, np.array([0.0, 20, 40, 60, 80, 100]))
            true = 1 / (2 * np.pi * np.sqrt(l_h * (c(np.array([0, 0.2, 0.4, 0.6, 0.8, 1])) + stray_f)))
            hits["f"] += list(np.abs(f - true) < 2 * u)
    # 450 and 2700 cases, correlated within a set: three standard deviations of 95 % over 150 sets is 5 %
    for name, inside in hits.items():
        assert 0.90 <= np.mean(inside) <= 0.995, name


def test_values_and_uncertainties_agree_with_scipy():
    """One coil, known C at every dial by added capacitors: the straight line of 1/f^2, by scipy's curve_fit.

    The hand's and the capacitor's errors are set aside (dial never moved, capacitor exact), so that only the reading's
    own 0.1 % stands in both fits.
    """
    rng = np.random.default_rng(8)
    l_h, whole_f = 47e-6, 31e-12
    extra = np.array([0, 20, 47, 82, 120, 180, 220, 330]) * 1e-12
    f = (1 + 1e-3 * rng.normal(size=8)) / (2 * np.pi * np.sqrt(l_h * (whole_f + extra)))
    readings = [Reading("A", 0.0, a, 1e-3 * a, e) for a, e in zip(f, extra, strict=True)]
    fit = fit_dial(readings, Ends((0.0, 100.0), (12e-12, 160e-12)))

    def log_f(c, log_l, c0):
        return -0.5 * (log_l + np.log(c * 1e-12 + c0 * 1e-12)) - np.log(2 * np.pi)

    x, cov = optimize.curve_fit(
        log_f, extra * 1e12, np.log(f), p0=(-10, 25), sigma=np.full(8, 1e-3), absolute_sigma=True
    )
    assert fit.l_h["A"][0] == pytest.approx(np.exp(x[0]), rel=0.2 * dial.ADDED_SHARE_U)
    own = np.sqrt(cov[0, 0])
    # beside scipy's: every capacitor's own 1 % tolerance, which can only widen it, and by less than that tolerance
    assert own < fit.l_h["A"][1] / fit.l_h["A"][0] < np.hypot(own, dial.ADDED_SHARE_U)


@pytest.mark.parametrize("off", [-0.03, 0.03])
@pytest.mark.parametrize("victim", [1, 8, 14])
def test_a_wrong_reading_is_named_with_how_far_it_is_off(off, victim):
    readings, _ = made_set(
        np.random.default_rng(victim), law="wavelength", coils=COILS, dials=(0, 20, 40, 60, 80, 100)
    )
    wrong = [replace(r, f0_hz=r.f0_hz * (1 + off)) if i == victim else r for i, r in enumerate(readings)]
    fit = fit_dial(wrong, ENDS)
    (found,) = fit.outliers
    assert found.reading.name == readings[victim].name
    assert found.off == pytest.approx(off, abs=0.008)
    clean = fit_dial(readings, ENDS)
    assert not clean.outliers
    assert fit.l_h["A"][0] == pytest.approx(clean.l_h["A"][0], rel=0.01)


def test_three_readings_calibrate_the_next_coil():
    """Two coils at eleven dials, the third at three: its other eight frequencies come out."""
    rng = np.random.default_rng(5)
    two = {name: COILS[name] for name in "AB"}
    readings, c = made_set(rng, law="frequency", coils=two, dials=range(0, 101, 10), setting=0.05)
    three, _ = made_set(rng, law="frequency", coils={"C": COILS["C"]}, dials=(0, 50, 100), setting=0.05)
    fit = dial.calibrate(fit_dial(readings, ENDS), three)
    at = np.array([10, 20, 30, 40, 60, 70, 80, 90])
    f, u = dial.frequency(fit, "C", at)
    true = 1 / (2 * np.pi * np.sqrt(6e-6 * (c(at / 100) + 11e-12)))
    assert np.abs(f / true - 1).max() < 0.004
    assert (np.abs(f - true) < 3 * u).all()


def test_two_dials_of_one_coil_rest_on_the_plan():
    l_h, stray_f = 22e-6, 17e-12
    f = [1 / (2 * np.pi * np.sqrt(l_h * (c + stray_f))) for c in ENDS.c_f]
    fit = fit_dial([Reading("A", d, a, 1.0) for d, a in zip(ENDS.dial, f, strict=True)], ENDS)
    value, u = fit.l_h["A"]
    assert value == pytest.approx(l_h, rel=0.01)
    assert 0.02 < u / value < 0.06
    # nothing is known of the plates: the middle of the dial must own up to it
    middle, middle_u = dial.frequency(fit, "A", 50.0)
    assert middle_u[0] / middle[0] > 0.03


@pytest.mark.parametrize("winding", [None, {"A": (22e-6, 1.1e-6)}])
def test_a_single_reading_gives_a_guess_with_a_large_uncertainty(winding):
    fit = fit_dial([Reading("A", 50.0, 3.5e6, 100.0)], ENDS, winding)
    value, u = fit.l_h["A"]
    assert np.isfinite([value, u]).all()
    assert u / value > 0.04
    if winding:
        assert fit.leaning == ("A",)
        assert value == pytest.approx(22e-6, rel=0.1)
    else:
        assert any("do not tell its inductance" in note for note in fit.notes)


def test_a_dial_that_runs_the_other_way_and_odd_dials():
    rng = np.random.default_rng(1)
    forward, _ = made_set(rng, law="capacity", coils=COILS, dials=(3, 17, 44, 68, 91), setting=0)
    backward = [replace(r, dial=180 - 1.8 * r.dial) for r in forward]
    a = fit_dial(forward, ENDS)
    b = fit_dial(backward, Ends((180.0, 0.0), ENDS.c_f))
    assert b.l_h["B"][0] == pytest.approx(a.l_h["B"][0], rel=1e-4)
    assert dial.khz_per_division(b, "B", 90.0)[0][0] == pytest.approx(
        dial.khz_per_division(a, "B", 50.0)[0][0] / 1.8, rel=0.02
    )


def test_many_unlike_dial_readings_cost_no_more():
    """A dial read by a sensor never repeats: 300 dials, knots stay few."""
    rng = np.random.default_rng(2)
    readings, c = made_set(
        rng, law="wavelength", coils=COILS, dials=np.sort(rng.uniform(0, 100, 300)), setting=0.05
    )
    fit = fit_dial(readings, ENDS)
    assert len(fit.knots) <= dial.MOST_KNOTS + 2
    f, _ = dial.frequency(fit, "B", np.array([7.7, 55.5]))
    true = 1 / (2 * np.pi * np.sqrt(22e-6 * (c(np.array([0.077, 0.555])) + 17e-12)))
    assert np.abs(f / true - 1).max() < 5e-4


def test_correlations_are_kept_on_the_way_to_the_dial_law():
    """The plan's scale error sits in L and C with opposite signs: frequencies do not feel it.

    As if independent, L and the capacitances would put u(f)/f at half of their hypotenuse (GUM eq. 10); with their
    correlation (GUM eq. 13) it is that of the readings, as a straight repeat of the set with other hands shows.
    """
    frequencies, first = [], None
    for seed in range(12):
        readings, _ = made_set(
            np.random.default_rng(seed), law="wavelength", coils=COILS, dials=(0, 20, 40, 60, 80, 100)
        )
        fit = fit_dial(readings, ENDS)
        first = first or fit
        frequencies.append(dial.frequency(fit, "B", 40.0)[0][0])
    f, u = dial.frequency(first, "B", 40.0)
    l_h, l_u_h = first.l_h["B"]
    c, c_u = dial.capacitance(first, 40.0)
    apart = 0.5 * np.hypot(l_u_h / l_h, c_u[0] / (c[0] + first.stray_f["B"][0]))
    assert u[0] / f[0] < 0.1 * apart
    # twelve tell a standard deviation to 21 %; three times that either way
    assert 0.4 < np.std(frequencies, ddof=1) / u[0] < 1.65
    assert first.correlation("B") < -0.5 or first.correlation("B") > 0.5


def test_bands_are_the_dials_ends():
    readings, _ = made_set(
        np.random.default_rng(0), law="capacity", coils=COILS, dials=(0, 50, 100), setting=0
    )
    low, high = dial.band(fit_dial(readings, ENDS), "B")
    assert low == pytest.approx(1 / (2 * np.pi * np.sqrt(22e-6 * 177e-12)), rel=1e-3)
    assert high == pytest.approx(1 / (2 * np.pi * np.sqrt(22e-6 * 29e-12)), rel=1e-3)


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [Reading("A", 0.0, 0.0, 1.0)],
        [Reading("A", 0.0, float("nan"), 1.0)],
        [Reading("A", float("nan"), 1e6, 1.0)],
        [Reading("A", 0.0, 1e6, 1.0, -1e-12)],
    ],
)
def test_what_cannot_be_fitted_is_refused(readings):
    with pytest.raises(DialError):
        fit_dial(readings, ENDS)


def test_readings_against_the_dial_are_named_the_fewest_first():
    f = [2.5e6, 2.8e6, 3.2e6, 3.1e6, 4.4e6, 6.5e6]
    rows = [Reading("A", 20.0 * i, a, 100.0, 0.0, f"R{i}") for i, a in enumerate(f)]
    (pair,) = dial.backward(rows, ENDS)
    assert {r.name for r in pair} == {"R2", "R3"}
    one_low = [replace(r, f0_hz=2.0e6) if r.name == "R4" else r for r in rows if r.name != "R3"]
    assert [wrong.name for wrong, _ in dial.backward(one_low, ENDS)] == ["R4"]
    # the same capacitor on a dial that counts the other way; repeats within their uncertainty
    turned = [replace(r, dial=100.0 - r.dial) for r in rows if r.name != "R3"]
    turned.append(replace(turned[0], f0_hz=turned[0].f0_hz + 90.0, name="again"))
    assert dial.backward(turned, Ends((100.0, 0.0), ENDS.c_f)) == []


def test_ends_must_differ():
    with pytest.raises(DialError):
        Ends((0.0, 100.0), (12e-12, 12e-12))
    with pytest.raises(DialError):
        Ends((5.0, 5.0), (12e-12, 120e-12))
