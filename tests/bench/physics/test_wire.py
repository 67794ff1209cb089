"""Wire against gauge tables and against Kelvin's functions."""

from __future__ import annotations

import csv
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from bench.physics import wire

REFERENCE = Path(__file__).parents[2] / "reference"
INCH = 0.0254


def gauges() -> list[dict[str, str]]:
    with (REFERENCE / "awg.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_awg_published() -> None:
    """Georgia State University's wire table: to one unit of the last digit printed there."""
    for row in gauges():
        printed = row["diameter_published_in"]
        if printed:
            unit = 10.0 ** -len(printed.partition(".")[2])
            assert wire.awg_diameter(int(row["AWG"])) / INCH == pytest.approx(float(printed), abs=unit)


def test_copper_resistance_published() -> None:
    """Ohms for a thousand feet at 20 C, the same table; gauges 11 to 13 are printed to three or four figures."""
    for row in gauges():
        if row["ohm_per_1000ft_published"]:
            area = math.pi * wire.awg_diameter(int(row["AWG"])) ** 2 / 4
            ohm = wire.resistivity() * 304.8 / area
            assert ohm == pytest.approx(float(row["ohm_per_1000ft_published"]), rel=5e-4)


# Engineering ToolBox, "SWG - Standard Wire Gauge" (BS 3737:1964); its 1/0 is misprinted in mm and left out.
SWG_MM = {
    **{
        -6: 12.700,
        -1: 8.839,
        10: 3.251,
        18: 1.219,
        20: 0.914,
        22: 0.711,
        24: 0.559,
        26: 0.457,
        27: 0.417,
        28: 0.376,
    },
    **{30: 0.315, 32: 0.274, 34: 0.234, 36: 0.193, 38: 0.152, 40: 0.122, 42: 0.102, 45: 0.071, 50: 0.025},
}


@pytest.mark.parametrize(("number", "mm"), SWG_MM.items())
def test_swg_published(number: int, mm: float) -> None:
    assert wire.swg_diameter(number) * 1e3 == pytest.approx(mm, abs=0.001)


def test_gauges_get_thinner() -> None:
    sizes = [wire.SWG_INCH[number] for number in sorted(wire.SWG_INCH)]
    assert all(b < a for a, b in pairwise(sizes))


@pytest.mark.parametrize(
    ("rule", "number"), [(wire.awg_diameter, 57), (wire.awg_diameter, -4), (wire.swg_diameter, 51)]
)
def test_no_such_gauge(rule: object, number: int) -> None:
    with pytest.raises(ValueError, match="does not exist"):
        rule(number)  # type: ignore[operator]


def test_enamel_published() -> None:
    """Enamelled turns to the inch, Collins, The Radio Amateur's Hand Book (1922): his enamel is the thinner by a little."""
    for row in gauges():
        printed = row["enamelled_turns_per_in_collins_1922"]
        if printed and int(row["AWG"]) <= 32:
            turns_per_inch = INCH / wire.enamelled_diameter(wire.awg_diameter(int(row["AWG"])))
            assert 0.94 * float(printed) < turns_per_inch < float(printed)


def test_skin_depth_published() -> None:
    """66.1 um at 1 MHz, 20 C (tests/reference/copper.csv)."""
    assert float(wire.skin_depth(1e6)) == pytest.approx(66.1e-6, rel=1e-3)


@pytest.mark.parametrize("f_hz", [1e2, 1e4, 1e5, 5e5, 1e6, 5e6, 2e7])
def test_skin_effect_in_kelvins_functions(f_hz: float) -> None:
    """R/R0 = (x/2)(ber bei' - bei ber')/(ber'^2 + bei'^2), x = wire/(skin depth sqrt 2): NBS Circular 74 (1918)."""
    x = 0.5e-3 / (math.sqrt(2) * float(wire.skin_depth(f_hz)))
    ber, bei, berp, beip = (float(f(x)) for f in (special.ber, special.bei, special.berp, special.beip))
    expected = x / 2 * (ber * beip - bei * berp) / (berp**2 + beip**2)
    assert float(wire.skin_factor(0.5e-3, f_hz)) == pytest.approx(expected, rel=1e-9)


def test_skin_effect_at_both_ends() -> None:
    low = wire.skin_factor(0.5e-3, [0.0, 1e-6, 1.0])
    np.testing.assert_allclose(low, 1.0, atol=1e-9)
    # radius/(2 skin depth) + 1/4 where the skin is thin (Rayleigh)
    thin = 0.25e-3 / (2 * float(wire.skin_depth(1e9))) + 0.25
    assert float(wire.skin_factor(0.5e-3, 1e9)) == pytest.approx(thin, rel=1e-4)


def test_hot_copper() -> None:
    assert wire.resistivity(70.0) / wire.resistivity() == pytest.approx(1 + 50 * 0.00393)
