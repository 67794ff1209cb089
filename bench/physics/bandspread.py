"""Bandspread: the parallel capacitor and the series padder that spread a band over a share of the dial.

With a tuning capacitor C in series with S and that in parallel with P, the tank has stray + P + S C/(S + C); two
frequencies at two settings give two equations, S the positive root of a quadratic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


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
