"""Open-short-load: from three standards at the end of a cable to sweeps as they are there.

A one-port analyzer and its cable turn a reflection Γ into m = e00 + e10e01·Γ/(1 - e11·Γ): directivity, tracking and
source match, one of each at every frequency (the one-port error model; solved by scikit-rf's `OnePort`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.errors import ReadingError
from drivers.errors import Misuse
from drivers.roles import Analyzer, AnalyzerLimits, Complexes, Floats, LevelledAnalyzer, ListAnalyzer, Sweep

STANDARDS = ("open", "short", "load")
PORT_OHM = 50.0
POINTS = 201
# Of a usable bridge and cable: directivity and source match stay well below one, and something comes back.
WORST_TERM = 0.7
LEAST_TRACKING = 0.05
HINT = "Look at the cable and at the order in which the standards were connected, then calibrate again: open, short, load."


@dataclass(frozen=True)
class Standards:
    """What the three standards really are; as they stand here, ideal ones."""

    open_c_f: float = 0.0
    short_l_h: float = 0.0
    load_ohm: float = PORT_OHM

    @property
    def ideal(self) -> bool:
        """Whether they are taken as ideal."""
        return self == Standards()

    def reflections(self, f_hz: Floats) -> dict[str, Complexes]:
        """Reflection of each standard against 50 ohm, (n,)."""
        omega = 2.0 * np.pi * f_hz
        y = 1j * omega * self.open_c_f * PORT_OHM
        z = 1j * omega * self.short_l_h / PORT_OHM
        load = (self.load_ohm - PORT_OHM) / (self.load_ohm + PORT_OHM)
        return {
            "open": np.asarray((1.0 - y) / (1.0 + y)),
            "short": np.asarray((z - 1.0) / (z + 1.0)),
            "load": np.full(f_hz.shape, load, dtype=np.complex128),
        }


@dataclass(frozen=True, eq=False)
class ErrorTerms:
    """What lies between analyzer and loop, at frequencies (n,) in Hz; interpolated in between, never beyond."""

    f_hz: Floats
    directivity: Complexes
    source_match: Complexes
    tracking: Complexes

    @property
    def low_hz(self) -> float:
        """Lowest frequency covered."""
        return float(self.f_hz[0])

    @property
    def high_hz(self) -> float:
        """Highest frequency covered."""
        return float(self.f_hz[-1])

    def corrected(self, f_hz: Floats, measured: Complexes) -> Complexes:
        """The reflection (m,) at the end of the cable, out of what the analyzer measured there.

        Raises
        ------
        ValueError
            A frequency is not covered.
        """
        from scipy.interpolate import CubicSpline

        slack = 1e-9 * self.high_hz
        if f_hz.min() < self.low_hz - slack or f_hz.max() > self.high_hz + slack:
            raise ValueError("a frequency lies outside the calibration")
        terms = np.stack([self.directivity, self.source_match, self.tracking], axis=1)
        directivity, source_match, tracking = CubicSpline(self.f_hz, terms)(f_hz).T
        off = measured - directivity
        reflection: Complexes = off / (tracking + source_match * off)
        return reflection


def solve(f_hz: Floats, measured: dict[str, Complexes], standards: Standards) -> ErrorTerms:
    """Error terms out of the three sweeps (n,) of open, short and load.

    Raises
    ------
    ReadingError
        The sweeps cannot be those of three different standards; says what to look at.
    """
    import skrf

    def network(s: Complexes) -> skrf.Network:
        return skrf.Network(f=f_hz, f_unit="Hz", s=s[:, None, None], z0=PORT_OHM)

    for first, second in (("open", "short"), ("open", "load"), ("short", "load")):
        if float(np.median(np.abs(measured[first] - measured[second]))) < LEAST_TRACKING:
            raise ReadingError(f"{first.capitalize()} and {second} look the same to the analyzer. {HINT}")
    ideals = standards.reflections(f_hz)
    calibration = skrf.calibration.OnePort(
        ideals=[network(ideals[name]) for name in STANDARDS],
        measured=[network(measured[name]) for name in STANDARDS],
    )
    calibration.run()
    found = calibration.coefs
    terms = ErrorTerms(
        f_hz,
        np.asarray(found["directivity"], dtype=np.complex128),
        np.asarray(found["source match"], dtype=np.complex128),
        np.asarray(found["reflection tracking"], dtype=np.complex128),
    )
    worst = max(float(np.median(np.abs(terms.directivity))), float(np.median(np.abs(terms.source_match))))
    if not worst < WORST_TERM:
        raise ReadingError(f"These three sweeps are not those of open, short and load. {HINT}")
    return terms


class CorrectedAnalyzer:
    """An analyzer seen from the end of its cable, within the range of its calibration.

    What the instrument itself returned can be had back with `raw_of`.
    """

    def __init__(self, analyzer: Analyzer, terms: ErrorTerms) -> None:
        self._analyzer = analyzer
        self._terms = terms
        self._raw: list[tuple[Sweep, Sweep]] = []

    @property
    def limits(self) -> AnalyzerLimits:
        """The instrument's, cut to what the calibration covers."""
        own = self._analyzer.limits
        return AnalyzerLimits(
            max(own.low_hz, self._terms.low_hz),
            min(own.high_hz, self._terms.high_hz),
            own.most_points,
            own.seconds_per_point,
            own.list_points,
        )

    @property
    def level_dbm(self) -> float | None:
        """The instrument's level; None where it cannot be set."""
        return self._analyzer.level_dbm if isinstance(self._analyzer, LevelledAnalyzer) else None

    def set_level(self, level_dbm: float) -> None:
        """Sweep at this level from now on."""
        if isinstance(self._analyzer, LevelledAnalyzer):
            self._analyzer.set_level(level_dbm)

    def identify(self) -> str:
        """What the instrument calls itself."""
        return self._analyzer.identify()

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """One uniform sweep, corrected."""
        return self._corrected(self._analyzer.sweep(start_hz, stop_hz, points))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """One sweep at a free list of frequencies, corrected, where the instrument takes lists."""
        if not isinstance(self._analyzer, ListAnalyzer):
            raise Misuse("this instrument does uniform sweeps only.")
        return self._corrected(self._analyzer.sweep_at(f_hz))

    def _corrected(self, raw: Sweep) -> Sweep:
        corrected = Sweep(raw.f_hz, self._terms.corrected(raw.f_hz, raw.s11))
        self._raw.append((corrected, raw))
        return corrected

    def raw_of(self, sweeps: Sequence[Sweep]) -> list[Sweep]:
        """What the instrument returned for corrected sweeps of this analyzer."""
        return [raw for corrected, raw in self._raw if any(corrected is one for one in sweeps)]

    def close(self) -> None:
        """Let go of the instrument."""
        self._analyzer.close()


def sweep_standard(analyzer: Analyzer, low_hz: float, high_hz: float, points: int = POINTS) -> Sweep:
    """One standard over the whole range, in as many sweeps as the analyzer needs."""
    f_hz: Floats = np.linspace(low_hz, high_hz, points)
    most = analyzer.limits.most_points
    parts: list[NDArray[np.complex128]] = []
    # Never a rest of one point, which is no sweep.
    for chunk in np.array_split(f_hz, -(-points // most)):
        sweep = analyzer.sweep(float(chunk[0]), float(chunk[-1]), len(chunk))
        parts.append(np.asarray(sweep.s11, dtype=np.complex128))
    return Sweep(f_hz, np.concatenate(parts))
