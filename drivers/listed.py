"""Free lists of frequencies: what one must be before it is sent to an instrument. Pure."""

from __future__ import annotations

import numpy as np

from drivers.errors import Misuse
from drivers.roles import AnalyzerLimits, Floats

# Closer together two points of a list are the same one.
LEAST_GAP_HZ = 0.01


def checked_list(f_hz: Floats, limits: AnalyzerLimits, port: str = "") -> Floats:
    """The list (n,) in Hz, rounded to the millihertz, if an analyzer with these limits can sweep it.

    Raises
    ------
    Misuse
        It takes no lists, or not this one.
    """
    wanted: Floats = np.asarray(np.round(np.asarray(f_hz, np.float64), 3), np.float64)
    if not limits.list_points:
        raise Misuse("this instrument does uniform sweeps only.", port=port)
    if wanted.ndim != 1 or not 2 <= len(wanted) <= limits.list_points:
        raise Misuse(
            f"a list of {wanted.size} frequencies: from 2 to {limits.list_points} are possible.", port=port
        )
    if not (np.all(np.isfinite(wanted)) and np.all(np.diff(wanted) >= LEAST_GAP_HZ)):
        raise Misuse("the frequencies of a list must rise from one to the next.", port=port)
    if wanted[0] < limits.low_hz or wanted[-1] > limits.high_hz:
        raise Misuse(
            f"a list from {wanted[0]:.9g} Hz to {wanted[-1]:.9g} Hz is outside {limits.low_hz:.9g} Hz to "
            f"{limits.high_hz:.9g} Hz.",
            port=port,
        )
    return wanted
