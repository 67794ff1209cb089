"""Bandspread design: put back into the circuit it gives the band; scipy solves the same two equations."""

from __future__ import annotations

import math

import pytest
from scipy import optimize

from bench.physics.bandspread import E12, E24, Bandspread, BandspreadError, design, nearby, values


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "l_h"), [(3.5e6, 3.8e6, 15e-6), (7.0e6, 7.2e6, 5e-6), (14.0e6, 14.35e6, 1.5e-6)]
)
def test_amateur_bands_come_out_where_they_should(low_hz, high_hz, l_h):
    """Band edges of the ITU Radio Regulations, Region 1; spread over a tenth to nine tenths of a 160 to 12 pF capacitor."""
    most, least, stray = 145e-12, 27e-12, 14e-12
    found = design(l_h, stray, (most, least), low_hz, high_hz)
    # Thomson's formula written out apart from the code under test
    for tuning, f_hz in ((most, low_hz), (least, high_hz)):
        whole = stray + found.parallel_f + 1 / (1 / found.series_f + 1 / tuning)
        assert 1 / (2 * math.pi * math.sqrt(l_h * whole)) == pytest.approx(f_hz, rel=1e-9)
        assert found.frequency(l_h, stray, tuning) == pytest.approx(f_hz, rel=1e-9)

    def off(x):
        s, p = x
        return [
            (stray * 1e12 + p + s * c / (s + c)) / (1e12 / (l_h * (2 * math.pi * f) ** 2)) - 1
            for c, f in ((145.0, low_hz), (27.0, high_hz))
        ]

    s, p = optimize.fsolve(off, [60.0, 60.0])
    assert found.series_f == pytest.approx(s * 1e-12, rel=1e-6)
    assert found.parallel_f == pytest.approx(p * 1e-12, rel=1e-6)


def test_no_padder_where_the_whole_capacitor_is_wanted():
    low, high = (1 / (2 * math.pi * math.sqrt(15e-6 * c)) for c in (165e-12, 47e-12))
    found = design(15e-6, 14e-12, (145e-12, 27e-12), low, high)
    assert found.series_f > 1e-8
    assert found.parallel_f == pytest.approx(6e-12, abs=0.1e-12)
    assert Bandspread(math.inf, 6e-12).frequency(15e-6, 14e-12, 145e-12) == pytest.approx(low, rel=1e-9)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "l_h", "why"),
    [
        (1.8e6, 7.0e6, 15e-6, "of change"),
        (14.0e6, 14.35e6, 15e-6, "less inductance"),
        (3.8e6, 3.5e6, 15e-6, "larger capacitance"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(low_hz, high_hz, l_h, why):
    with pytest.raises(BandspreadError, match=why):
        design(l_h, 14e-12, (145e-12, 27e-12), low_hz, high_hz)


def test_published_parallel_capacitor_for_a_narrow_band():
    """QST, August 1959, p. 52 (W5WPN): C = f1^2/(f2^2 - f1^2) times the capacitor's range, L = 25330/(f2^2 C), in Mc, pF, uH.

    His case, a variable of 1 to 10 pF on 40 metres, is seen; formulas and answer stand there as pictures, the formulas are
    from memory and the answer (102.8 pF, 4.62 uH for 7.0 to 7.3 Mc) is worked out from them.
    """
    c_pf = 7.0**2 / (7.3**2 - 7.0**2) * 9.0
    l_uh = 25330 / (7.3**2 * c_pf)
    assert (round(c_pf, 1), round(l_uh, 2)) == (102.8, 4.62)
    found = design(l_uh * 1e-6, 0.0, (10e-12, 1e-12), 7.0e6, 7.2999e6)
    assert found.parallel_f * 1e12 + 1.0 == pytest.approx(c_pf, rel=2e-3)
    # the whole of the variable's range is wanted: a padder would be thousands of picofarads
    assert found.series_f > 1e-9


def test_preferred_values_are_the_standards():
    """IEC 60063: the E24 figures are 10^(n/24) rounded to two digits, but for eight traditional ones (from memory)."""
    traditional = {2.6: 2.7, 2.9: 3.0, 3.2: 3.3, 3.5: 3.6, 3.8: 3.9, 4.2: 4.3, 4.6: 4.7, 8.3: 8.2}
    worked = [round(10 ** (n / 24), 1) for n in range(24)]
    assert tuple(traditional.get(v, v) for v in worked) == E24
    assert E24[::2] == E12
    assert values(9e-12, 23e-12, E12) == pytest.approx([10e-12, 12e-12, 15e-12, 18e-12, 22e-12])


def test_the_nearest_preferred_pair_is_no_worse_than_any_other():
    exact = Bandspread(65e-12, 40e-12)

    def cost(caps):
        return abs(caps.series_f - 65e-12) + abs(caps.parallel_f - 40e-12)

    found = nearby(exact, E24, cost)
    assert (found.series_f, found.parallel_f) == pytest.approx((62e-12, 39e-12))
    with pytest.raises(BandspreadError, match="No preferred"):
        nearby(exact, E24, lambda caps: math.inf)
