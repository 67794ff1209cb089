"""Bandspread design: put back into the circuit it gives the band; scipy solves the same two equations."""

from __future__ import annotations

import math

import pytest
from scipy import optimize

from bench.physics.bandspread import Bandspread, BandspreadError, design


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
