"""Medhurst's measured tables of single-layer coils, with smooth interpolation.

R. G. Medhurst, "H.F. Resistance and Self-Capacitance of Single-Layer Solenoids", Wireless Engineer 24
(February and March 1947), Table VIII, p. 88, and the table of H.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator, RectBivariateSpline

Array = NDArray[np.float64]

# Columns: length over diameter. Rows: bare wire diameter over pitch.
PHI_LENGTH_OVER_DIAMETER = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, np.inf)
PHI: dict[float, tuple[float, ...]] = {
    0.1: (1.02, 1.02, 1.03, 1.03, 1.03, 1.03, 1.04, 1.04, 1.04, 1.04, 1.04, 1.05),
    0.2: (1.07, 1.08, 1.08, 1.10, 1.10, 1.10, 1.13, 1.15, 1.16, 1.16, 1.17, 1.19),
    0.3: (1.16, 1.19, 1.21, 1.22, 1.23, 1.24, 1.28, 1.32, 1.34, 1.34, 1.35, 1.40),
    0.4: (1.26, 1.29, 1.33, 1.38, 1.42, 1.45, 1.50, 1.54, 1.56, 1.57, 1.58, 1.65),
    0.5: (1.44, 1.48, 1.54, 1.60, 1.64, 1.67, 1.74, 1.78, 1.80, 1.81, 1.83, 1.93),
    0.6: (1.74, 1.77, 1.83, 1.89, 1.92, 1.94, 1.98, 2.01, 2.03, 2.08, 2.10, 2.22),
    0.7: (2.12, 2.20, 2.28, 2.38, 2.44, 2.47, 2.32, 2.27, 2.29, 2.34, 2.37, 2.51),
    0.8: (2.74, 2.83, 2.97, 3.10, 3.20, 3.17, 2.74, 2.60, 2.60, 2.62, 2.65, 2.81),
    0.9: (3.73, 3.84, 3.99, 4.11, 4.17, 4.10, 3.36, 3.05, 2.92, 2.90, 2.93, 3.11),
    1.0: (5.31, 5.45, 5.65, 5.80, 5.80, 5.55, 4.10, 3.54, 3.31, 3.20, 3.23, 3.41),
}

# length over diameter: H, in pF for each cm of diameter, one end of the winding earthed.
H: dict[float, float] = {
    **{0.10: 0.96, 0.15: 0.79, 0.20: 0.70, 0.25: 0.64, 0.30: 0.60, 0.35: 0.57, 0.40: 0.54, 0.45: 0.52},
    **{0.5: 0.50, 0.6: 0.48, 0.7: 0.47, 0.8: 0.46, 0.9: 0.46, 1.0: 0.46, 1.5: 0.47, 2.0: 0.50, 2.5: 0.56},
    **{3.0: 0.61, 3.5: 0.67, 4.0: 0.72, 4.5: 0.77, 5.0: 0.81, 6.0: 0.92, 7.0: 1.01, 8.0: 1.12, 9.0: 1.22},
    **{10.0: 1.32, 15.0: 1.86, 20.0: 2.36, 25.0: 2.90, 30.0: 3.40, 40.0: 4.60, 50.0: 5.80},
}


@lru_cache(maxsize=1)
def _phi_surface() -> RectBivariateSpline:
    from scipy.interpolate import RectBivariateSpline

    # Eddy loss goes with the square of wire over pitch, so the surface is nearly straight in that square;
    # 0 (one wire alone) is the physical limit 1. Length over diameter is folded onto 0 to 1 to reach infinity.
    spacing = np.array([0.0, *PHI]) ** 2
    factor = np.array([[1.0] * len(PHI_LENGTH_OVER_DIAMETER), *PHI.values()])
    return RectBivariateSpline(spacing, _fold(PHI_LENGTH_OVER_DIAMETER), factor, s=0)


@lru_cache(maxsize=1)
def _h_curve() -> PchipInterpolator:
    from scipy.interpolate import PchipInterpolator

    return PchipInterpolator(np.log(list(H)), np.log(list(H.values())), extrapolate=True)


def _fold(length_over_diameter: ArrayLike) -> Array:
    ratio = np.asarray(length_over_diameter, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(np.isinf(ratio), 1.0, ratio / (1.0 + ratio)), dtype=np.float64)


def phi(length_over_diameter: ArrayLike, wire_over_pitch: ArrayLike) -> Array:
    """Resistance of a coil over that of the same wire stretched out, at high frequency.

    Arguments broadcast: length over mean diameter (0 to infinity), bare wire over pitch (0 to 1).
    The table's own rounding is about half a percent; where it bends sharply (close winding, length about
    one diameter) the surface is good to 2 percent.
    """
    u, s = np.broadcast_arrays(
        _fold(length_over_diameter), np.asarray(wire_over_pitch, dtype=np.float64) ** 2
    )
    return np.asarray(_phi_surface().ev(s, u), dtype=np.float64)


def h(length_over_diameter: ArrayLike) -> Array:
    """Self-capacitance in pF for each cm of mean diameter, one end of the winding earthed.

    Outside the table (length over diameter 0.1 to 50) the ends are carried on as the inverse square root and
    as the ratio itself, the two limits of Medhurst's closed form.
    """
    ratio = np.asarray(length_over_diameter, dtype=np.float64)
    low, high = min(H), max(H)
    inside = np.exp(_h_curve()(np.log(np.clip(ratio, low, high))))
    outside = np.sqrt(low / np.minimum(ratio, low)) * (np.maximum(ratio, high) / high)
    return np.asarray(inside * outside, dtype=np.float64)
