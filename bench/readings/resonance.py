"""Resonance by reflection: find the dip, look closer, stop when Q is known well enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.errors import ReadingError
from bench.physics.resonance import Resonance, fit_sweep
from bench.physics.resonance_study import Place, study
from drivers.roles import Analyzer, Sweep

OnSweep = Callable[[Any, Any, Resonance | None], None]

# A uniform sweep of 2 to 3 bandwidths is nearest to the bound of what points can tell (physics.md, section 2).
ZOOM_BANDWIDTHS = 2.9
FIRST_ZOOM_BANDWIDTHS = 5.0
FIRST_ZOOM_POINTS = 51
FEWEST_POINTS = 21
COARSE_PARTS = (1, 3, 9)
# A Q less certain than this is no reading, however long the sweeps took.
WORST_Q_U = 0.1
DISAGREE = 5.0


@dataclass(frozen=True)
class ResonanceReading:
    """One reading: the resonance, the sweeps it was fitted to (`merged` puts them together), and those that searched."""

    resonance: Resonance
    sweeps: tuple[Sweep, ...]
    search: tuple[Sweep, ...]


def merged(sweeps: Sequence[Sweep]) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """All points of several sweeps in order of frequency; a frequency swept twice keeps its first point."""
    f_hz, first = np.unique(np.concatenate([sweep.f_hz for sweep in sweeps]), return_index=True)
    return f_hz, np.concatenate([sweep.s11 for sweep in sweeps])[first]


def measure_resonance(
    analyzer: Analyzer,
    low_hz: float,
    high_hz: float,
    *,
    q_goal: float,
    most_sweeps: int = 6,
    on_sweep: OnSweep | None = None,
) -> ResonanceReading:
    """Find and measure the resonance in a band.

    Parameters
    ----------
    low_hz, high_hz : float
        Where it can lie.
    q_goal : float
        Relative standard uncertainty of Q at which sweeping stops.
    most_sweeps : int
        Zooms at the most.
    on_sweep : callable, optional
        Told of every sweep: frequencies, reflection, the fit so far (None while searching).

    Raises
    ------
    ReadingError
        No resonance, or none that can be told well enough; says what to do.
    drivers.errors.WireError
        The analyzer failed.
    """
    tell = on_sweep or (lambda f_hz, s11, so_far: None)
    search, place = _search(analyzer, low_hz, high_hz, tell)
    zooms: list[Sweep] = []
    found: Resonance | None = None
    for number in range(most_sweeps):
        zoom = _zoom(analyzer, place, number, _points(found, zooms, q_goal))
        zooms.append(zoom)
        found = fit_sweep(*merged(zooms))
        tell(zoom.f_hz, zoom.s11, found)
        if found.q is not None and found.q_u is not None and found.f0_hz and found.q_loaded:
            place = Place(found.f0_hz, 0.5 * found.f0_hz / found.q_loaded)
            if found.q_u <= q_goal * found.q:
                break
        elif number + 1 < most_sweeps:
            place = _again(zoom, place)
            # A zoom that missed the resonance would only mislead the joint fit.
            search += zooms
            zooms = []
    return ResonanceReading(_accepted(found, zooms, low_hz, high_hz), tuple(zooms), tuple(search))


def _search(analyzer: Analyzer, low_hz: float, high_hz: float, tell: OnSweep) -> tuple[list[Sweep], Place]:
    points = min(analyzer.limits.most_points, 101)
    sweeps: list[Sweep] = []
    for parts in COARSE_PARTS:
        edges = np.geomspace(low_hz, high_hz, parts + 1)
        places: list[tuple[float, Place]] = []
        for start, stop in pairwise(edges):
            # Parts overlap, so that a resonance on a seam is whole in one of them.
            slack = 0.08 * (stop - start) if parts > 1 else 0.0
            sweep = analyzer.sweep(max(start - slack, low_hz), min(stop + slack, high_hz), points)
            sweeps.append(sweep)
            tell(sweep.f_hz, sweep.s11, None)
            place = _look(sweep)
            if place is not None:
                places.append((_depth(sweep, place), place))
        if places:
            return sweeps, max(places, key=lambda pair: pair[0])[1]
    raise ReadingError(
        f"No resonance between {low_hz / 1e3:.0f} and {high_hz / 1e3:.0f} kHz. Bring the pick-up loop nearer to the coil, and "
        "check that the coil is in its socket and the dial where it was asked for."
    )


def _look(sweep: Sweep) -> Place | None:
    seen = study(sweep.f_hz, sweep.s11)
    if seen.main is not None:
        return seen.main.place(seen.pole)
    return seen.blurred


def _depth(sweep: Sweep, place: Place) -> float:
    """How far S moves within two bandwidths of a place: which of several candidates is the strongest."""
    step = float(sweep.f_hz[1] - sweep.f_hz[0])
    near = np.abs(sweep.f_hz - place.f0_hz) <= max(4 * place.h_hz, 3 * step)
    return float(np.ptp(np.abs(sweep.s11[near]))) if near.any() else 0.0


def _zoom(analyzer: Analyzer, place: Place, number: int, points: int) -> Sweep:
    bandwidths = FIRST_ZOOM_BANDWIDTHS if number == 0 else ZOOM_BANDWIDTHS
    # Each zoom is a little wider than the last, so that its points fall between the earlier ones.
    half = bandwidths * place.h_hz * (1 + 0.03 * number)
    limits = analyzer.limits
    start, stop = max(place.f0_hz - half, limits.low_hz), min(place.f0_hz + half, limits.high_hz)
    if not start < stop:
        raise ReadingError(
            "The resonance lies at the edge of the analyzer's range. Choose another dial setting."
        )
    return analyzer.sweep(start, stop, min(points, limits.most_points))


def _points(found: Resonance | None, zooms: Sequence[Sweep], q_goal: float) -> int:
    """Points that the next zoom needs: uncertainty falls with the root of the number of points."""
    if found is None or found.q is None or found.q_u is None:
        return FIRST_ZOOM_POINTS
    have = sum(len(zoom.f_hz) for zoom in zooms)
    need = have * (found.q_u / found.q / q_goal) ** 2 - have
    return int(min(max(math.ceil(1.15 * need), FEWEST_POINTS), 101))


def _again(zoom: Sweep, place: Place) -> Place:
    """Where to look next after a zoom in which the fit saw no sound resonance."""
    seen = _look(zoom)
    if seen is not None:
        return seen
    return replace(place, h_hz=2.0 * place.h_hz)


def _accepted(found: Resonance | None, zooms: Sequence[Sweep], low_hz: float, high_hz: float) -> Resonance:
    if found is None or found.q is None or found.q_u is None or found.f0_hz is None:
        why = (
            "; ".join(found.warnings)
            if found is not None and found.warnings
            else "the sweep shows none clearly"
        )
        raise ReadingError(f"No sound resonance: {why}.")
    if found.q_u > WORST_Q_U * found.q:
        why = "; ".join(found.warnings) or "it is lost in noise: bring the loop nearer to the coil"
        raise ReadingError(f"Q would be known to {found.q_u / found.q:.0%} only: {why}.")
    if not 0.9 * low_hz < found.f0_hz < 1.1 * high_hz:
        raise ReadingError(
            f"The resonance found, {found.f0_hz / 1e3:.1f} kHz, lies outside where it can be. Check coil and dial."
        )
    return _drift_told(found, zooms)


def _drift_told(found: Resonance, zooms: Sequence[Sweep]) -> Resonance:
    """The same, with a warning where the first and the last zoom disagree beyond their noise."""
    if len(zooms) < 2:
        return found
    first, last = (fit_sweep(zoom.f_hz, zoom.s11) for zoom in (zooms[0], zooms[-1]))
    for name in ("f0_hz", "q_loaded"):
        a, b = getattr(first, name), getattr(last, name)
        u = [
            getattr(fit, name.replace("_hz", "_u_hz") if name == "f0_hz" else "q_loaded_u")
            for fit in (first, last)
        ]
        if a is None or b is None or None in u:
            continue
        if abs(a - b) > DISAGREE * math.hypot(*u):
            told = "two sweeps of this reading disagree: something drifts or was touched; let the set warm up, then read again"
            return replace(found, warnings=(*found.warnings, told))
    return found
