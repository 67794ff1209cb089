"""Round copper wire: gauges, enamel, resistance and skin effect. SI throughout."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

MU_0 = 4e-7 * np.pi
# Annealed copper standard (100 percent IACS): IEC 60028, also NBS Circular 31.
COPPER_RESISTIVITY_20C = 1.7241e-8
COPPER_TEMPERATURE_COEFFICIENT = 0.00393

_INCH = 0.0254

# Imperial Standard Wire Gauge, inches (Order in Council 1883; BS 3737:1964). Negative numbers: 2/0 is -1.
SWG_INCH: dict[int, float] = {
    -6: 0.500,
    -5: 0.464,
    -4: 0.432,
    -3: 0.400,
    -2: 0.372,
    -1: 0.348,
    **dict(
        enumerate(
            (
                *(0.324, 0.300, 0.276, 0.252, 0.232, 0.212, 0.192, 0.176, 0.160, 0.144),
                *(0.128, 0.116, 0.104, 0.092, 0.080, 0.072, 0.064, 0.056, 0.048, 0.040),
                *(0.036, 0.032, 0.028, 0.024, 0.022, 0.020, 0.018, 0.0164, 0.0148, 0.0136),
                *(0.0124, 0.0116, 0.0108, 0.0100, 0.0092, 0.0084, 0.0076, 0.0068, 0.0060, 0.0052),
                *(0.0048, 0.0044, 0.0040, 0.0036, 0.0032, 0.0028, 0.0024, 0.0020, 0.0016, 0.0012),
                0.0010,
            )
        )
    ),
}


def awg_diameter(number: int) -> float:
    """Bare diameter in metres of an American Wire Gauge number (4/0 is -3 to 56).

    Source: ASTM B258, 0.005 in times 92^((36 - n)/39).

    Raises
    ------
    ValueError
        Outside 4/0 to 56.
    """
    if not -3 <= number <= 56:
        raise ValueError(f"AWG {number} does not exist: the gauge runs from 4/0 to 56.")
    return 0.005 * _INCH * float(92.0 ** ((36 - number) / 39))


def swg_diameter(number: int) -> float:
    """Bare diameter in metres of an Imperial Standard Wire Gauge number (7/0 is -6, to 50).

    Source: BS 3737:1964.

    Raises
    ------
    ValueError
        Outside 7/0 to 50.
    """
    if number not in SWG_INCH:
        raise ValueError(f"SWG {number} does not exist: the gauge runs from 7/0 to 50.")
    return SWG_INCH[number] * _INCH


def gauges(diameter_m: float) -> dict[str, str]:
    """The gauges of which a wire has exactly the bare diameter (within 1e-9): ``{"AWG": "24"}``, ``{"SWG": "2/0"}``."""
    tables = {
        "AWG": {n: awg_diameter(n) for n in range(-3, 57)},
        "SWG": {n: swg_diameter(n) for n in SWG_INCH},
    }
    return {
        system: str(n) if n >= 0 else f"{1 - n}/0"
        for system, table in tables.items()
        for n, thick_m in table.items()
        if abs(diameter_m / thick_m - 1) < 1e-9
    }


def enamelled_diameter(wire_m: float) -> float:
    """Diameter in metres of a usual enamelled wire with this bare diameter.

    A rule for planning a close winding, not a standard's table: 0.068 mm of enamel on 1 mm copper, growing
    with the 0.6th power, which follows the greatest overall diameters of IEC 60317-0-1 grade 1 (from memory)
    within 0.005 mm from 0.1 mm to 1 mm.
    """
    return wire_m + 0.068e-3 * float((wire_m / 1e-3) ** 0.6)


def resistivity(temperature_c: float = 20.0) -> float:
    """Resistivity of copper in ohm metres. Source: IEC 60028."""
    return COPPER_RESISTIVITY_20C * (1.0 + COPPER_TEMPERATURE_COEFFICIENT * (temperature_c - 20.0))


def skin_depth(f_hz: ArrayLike, temperature_c: float = 20.0) -> Array:
    """Skin depth of copper in metres, shape of ``f_hz``."""
    f = np.asarray(f_hz, dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(resistivity(temperature_c) / (np.pi * f * MU_0)), dtype=np.float64)


def skin_factor(wire_m: ArrayLike, f_hz: ArrayLike, temperature_c: float = 20.0) -> Array:
    """Resistance of a straight round wire at ``f_hz`` over its direct-current resistance.

    Exact for every frequency: Re[(z/2) J0(z)/J1(z)], z = (1 - j) radius / skin depth (Kelvin; Ramo, Whinnery
    and Van Duzer, Fields and Waves in Communication Electronics, "Internal impedance of round wires").
    Arguments broadcast; at 0 Hz the factor is 1.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    radius = np.asarray(wire_m, dtype=np.float64) / 2
    z: NDArray[Any] = (1 - 1j) * radius / skin_depth(f, temperature_c)
    small = np.abs(z) < 1e-4
    z = np.where(small, 1.0, z)
    # jve scales both functions by the same exponential, so their ratio stands and neither overflows.
    factor = np.real(z / 2 * special.jve(0, z) / special.jve(1, z))
    return np.asarray(np.where(small, 1.0, factor), dtype=np.float64)
