"""Bandspread: the parallel capacitor and the series padder that spread a band over a share of the dial.

With a tuning capacitor C in series with S and that in parallel with P, the tank has stray + P + S C/(S + C); two
frequencies at two settings give two equations, S the positive root of a quadratic.

Capacitors are sold in the preferred numbers of IEC 60063; `nearby` looks among them for what comes nearest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

# Preferred numbers of IEC 60063: twelve and twenty-four a decade.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24 = tuple(sorted((*E12, 1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)))
# Less than this cannot be told from the wiring.
LEAST_F = 1e-12


class BandspreadError(ValueError):
    """The band cannot be spread so with this coil and capacitor; the message says why."""


@dataclass(frozen=True)
class Bandspread:
    """Capacitors to add, in F: `series_f` in series with the tuning capacitor (infinite: none), `parallel_f` across the tank."""

    series_f: float
    parallel_f: float

    def frequency(self, l_h: float, stray_f: float, tuning_f: float) -> float:
        """Resonance with the tuning capacitor at a setting, in Hz."""
        tuned = (
            tuning_f if math.isinf(self.series_f) else self.series_f * tuning_f / (self.series_f + tuning_f)
        )
        return 1 / (2 * math.pi * math.sqrt(l_h * (stray_f + self.parallel_f + tuned)))


def design(
    l_h: float, stray_f: float, tuning_f: tuple[float, float], low_hz: float, high_hz: float
) -> Bandspread:
    """Capacitors that put a band between two settings of the tuning capacitor.

    Parameters
    ----------
    l_h, stray_f
        The coil's inductance and stray capacitance.
    tuning_f
        The tuning capacitor where the low and where the high end of the band shall lie, in F.
    low_hz, high_hz
        The band.

    Raises
    ------
    BandspreadError
        The band is wider than the capacitor covers there, or the coil too large for it.
    """
    most, least = tuning_f
    if not (0 < low_hz < high_hz and 0 <= least < most and l_h > 0):
        raise BandspreadError(
            "The band's low end needs the larger capacitance, and all values must be above 0."
        )
    at_low, at_high = (1 / (l_h * (2 * math.pi * f) ** 2) for f in (low_hz, high_hz))
    wanted, there = at_low - at_high, most - least
    if wanted > there * (1 + 1e-12):
        raise BandspreadError(
            f"The band needs {wanted * 1e12:.1f} pF of change and the tuning capacitor has {there * 1e12:.1f} pF there."
        )
    spare = there - wanted
    if spare <= 1e-9 * there:
        series, tuned = math.inf, most
    else:
        b = wanted * (most + least)
        series = (b + math.sqrt(b * b + 4 * spare * wanted * most * least)) / (2 * spare)
        tuned = series * most / (series + most)
    parallel = at_low - stray_f - tuned
    if parallel < 0:
        raise BandspreadError(
            f"The coil's own {stray_f * 1e12:.1f} pF and the padded capacitor are {-parallel * 1e12:.1f} pF too much; "
            "use a coil of less inductance."
        )
    return Bandspread(series, parallel)


def values(low_f: float, high_f: float, series: tuple[float, ...]) -> list[float]:
    """Preferred values from `low_f` to `high_f`, in F."""
    decades = range(math.floor(math.log10(low_f)) - 1, math.ceil(math.log10(high_f)) + 1)
    every = [round(digit * 10 ** (decade + 12), 6) * 1e-12 for decade in decades for digit in series]
    return [value for value in every if low_f <= value * (1 + 1e-9) and value <= high_f * (1 + 1e-9)]


def nearby(exact: Bandspread, series: tuple[float, ...], cost: Callable[[Bandspread], float]) -> Bandspread:
    """The pair of preferred values of least `cost` (infinite: of no use) within a factor of two of the exact ones.

    Raises
    ------
    BandspreadError
        No pair is of any use.
    """
    best = min(_pairs(exact, series), key=cost, default=None)
    if best is None or not math.isfinite(cost(best)):
        raise BandspreadError("No preferred values near the exact ones keep the band on the dial.")
    return best


def _pairs(exact: Bandspread, series: tuple[float, ...]) -> Iterator[Bandspread]:
    inf = math.isinf(exact.series_f)
    for s in [math.inf] if inf else values(exact.series_f / 2, exact.series_f * 2, series):
        small = exact.parallel_f < LEAST_F
        most = max(2 * exact.parallel_f, 10e-12)
        # a trimmer's worth less or more makes up for a padder that is off
        for p in [0.0, *values(max(LEAST_F, 0.0 if small else exact.parallel_f / 2), most, series)]:
            yield Bandspread(s, p)
