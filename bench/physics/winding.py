"""A single-layer winding: geometry to inductance, capacitance, resistance, Q and mutual inductance.

Geometry: *diameter* is the mean diameter of the wire's centre line; *length* is turns times pitch, so a winding
ends half a pitch beyond the centre of its last turn; *gap* is the bare distance between the ends of two
windings; *wire* is bare copper. SI throughout. The formulas take the current as uniform along the wire: they
hold well below the winding's self-resonance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from bench.physics import medhurst
from bench.physics.wire import MU_0, resistivity, skin_factor

Array = NDArray[np.float64]

MAX_TURNS = 2000
MIN_TURNS = 0.01
# Beyond this the closed forms lose their digits, and no coil is so thin.
MAX_DIAMETER_OVER_WIRE = 1e5
_ROUNDING = 1e-9


class WindingError(ValueError):
    """A winding that cannot exist: it does not fit, or a size is not a size."""


@dataclass(frozen=True)
class Winding:
    """A single layer of round wire on a cylinder.

    Parameters
    ----------
    turns
        Number of turns; fractions are allowed.
    diameter_m
        Mean diameter, from wire centre to wire centre.
    length_m
        Turns times pitch.
    wire_m
        Diameter of the bare copper.
    insulated_m
        Diameter over the insulation; None: bare.

    Raises
    ------
    WindingError
        A size that is not positive and finite, or turns that do not fit the length.
    """

    turns: float
    diameter_m: float
    length_m: float
    wire_m: float
    insulated_m: float | None = None

    def __post_init__(self) -> None:
        sizes = {
            "turns": self.turns,
            "diameter": self.diameter_m,
            "length": self.length_m,
            "wire": self.wire_m,
        }
        for name, value in sizes.items():
            if not (math.isfinite(value) and value > 0):
                raise WindingError(f"{name} must be more than zero, not {value:g}.")
        if not MIN_TURNS <= self.turns <= MAX_TURNS:
            raise WindingError(
                f"{self.turns:g} turns: one layer has {MIN_TURNS:g} to {MAX_TURNS} turns here."
            )
        if self.outer_wire_m < self.wire_m * (1 - _ROUNDING) or not math.isfinite(self.outer_wire_m):
            raise WindingError(
                f"the insulated wire ({_mm(self.outer_wire_m)}) is thinner than its copper ({_mm(self.wire_m)})."
            )
        if self.diameter_m <= self.outer_wire_m:
            raise WindingError(
                f"the mean diameter ({_mm(self.diameter_m)}) leaves no form inside a wire of {_mm(self.outer_wire_m)}."
            )
        if self.diameter_m > MAX_DIAMETER_OVER_WIRE * self.wire_m:
            raise WindingError(
                f"a wire of {_mm(self.wire_m)} is too thin for a mean diameter of {_mm(self.diameter_m)}."
            )
        need = self.turns * self.outer_wire_m
        if need > self.length_m * (1 + _ROUNDING):
            raise WindingError(
                f"{self.turns:g} turns of {_mm(self.outer_wire_m)} wire need {_mm(need)}, but the winding is only "
                f"{_mm(self.length_m)} long: take fewer turns, thinner wire or a longer winding."
            )

    @property
    def outer_wire_m(self) -> float:
        """Diameter of the wire over its insulation."""
        return self.wire_m if self.insulated_m is None else self.insulated_m

    @property
    def pitch_m(self) -> float:
        """Distance from a turn to the next."""
        return self.length_m / self.turns


def _mm(metres: float) -> str:
    return f"{metres * 1e3:.4g} mm"


def close_wound(turns: float, diameter_m: float, wire_m: float, insulated_m: float | None = None) -> Winding:
    """A winding whose turns touch: its pitch is the diameter of the wire over its insulation."""
    return Winding(turns, diameter_m, turns * (insulated_m or wire_m), wire_m, insulated_m)


# --- inductance -------------------------------------------------------------------------------------------


def nagaoka(d_over_l: ArrayLike) -> Array:
    """Nagaoka's coefficient of a current sheet from its diameter over length (0 or more, any shape).

    Source: H. Nagaoka, J. Coll. Sci. Tokyo 27 (1909), in complete elliptic integrals; the difference
    (K - E)/k^2 is taken as R_D(0, k'^2, 1)/3 (NIST DLMF 19.25.1), so long coils lose no digits.
    """
    x = np.asarray(d_over_l, dtype=np.float64)
    kp2 = 1.0 / (1.0 + x * x)
    k2 = x * x * kp2
    coefficient = kp2 * special.elliprd(0.0, kp2, 1.0) / 3.0 + special.ellipe(k2) - np.sqrt(k2)
    return np.asarray(4.0 / (3.0 * np.pi * np.sqrt(kp2)) * coefficient, dtype=np.float64)


def rosa_a(wire_over_pitch: ArrayLike) -> Array:
    """Rosa's correction A for the self-inductance of a round wire against a strip one pitch wide.

    Source: E. B. Rosa, Bulletin of the Bureau of Standards 4 (1907), 301; low frequency.
    """
    return np.asarray(1.25 - np.log(2.0) + np.log(wire_over_pitch), dtype=np.float64)


def rosa_b(turns: ArrayLike) -> Array:
    """Rosa's correction B for the mutual inductance of round wires against strips.

    Source: E. B. Rosa and F. W. Grover, Bulletin of the Bureau of Standards 8 (1911); the geometric mean
    distances are summed exactly. Between whole numbers, turns times B runs straight: over a fraction of the
    circle there is one turn more, over the rest there is not.
    """
    n = np.asarray(turns, dtype=np.float64)
    last = max(1, math.ceil(float(n.max(initial=1.0))))
    distance = np.arange(1, last + 1, dtype=np.float64)
    g = _strip_against_wire(distance)
    # sum over k < n of (n - k) g(k), for every n at once
    count = np.ceil(n).astype(np.intp) - 1
    g_sum = np.concatenate(([0.0], np.cumsum(g)))[count]
    kg_sum = np.concatenate(([0.0], np.cumsum(distance * g)))[count]
    return np.asarray(2.0 / n * (n * g_sum - kg_sum), dtype=np.float64)


def _strip_against_wire(k: Array) -> Array:
    """ln(k) less the log of the geometric mean distance of two unit strips k apart in one line."""
    near = np.minimum(k, 20.0)
    outer = (near + 1) ** 2 * np.log(near + 1) + special.xlogy((near - 1) ** 2, near - 1)
    exact = 1.5 + np.log(near) - (outer - 2 * near**2 * np.log(near)) / 2
    # The closed form loses digits far out, where the series 1/12k^2 + 1/60k^4 + 1/168k^6 has converged.
    series = 1 / (12 * k**2) + 1 / (60 * k**4) + 1 / (168 * k**6)
    return np.asarray(np.where(k < 20, exact, series), dtype=np.float64)


def solenoid_inductance(
    turns: ArrayLike, diameter_m: ArrayLike, length_m: ArrayLike, wire_m: ArrayLike
) -> Array:
    """Inductance in henry of single layers, all arguments broadcast; see `inductance`."""
    n, d, length, wire = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (turns, diameter_m, length_m, wire_m))
    )
    pitch = length / n
    part = np.minimum(n, 1.0)
    n = np.maximum(n, 1.0)
    length = pitch * n
    sheet = MU_0 * n**2 * np.pi * d**2 / 4 * nagaoka(d / length) / length
    whole = sheet - MU_0 * d / 2 * n * (rosa_a(wire / pitch) + rosa_b(n))
    return np.asarray(part**2 * whole, dtype=np.float64)


def inductance(w: Winding) -> float:
    """Low-frequency inductance in henry.

    Current sheet with Nagaoka's coefficient, less Rosa's two corrections for round wire:
    L = mu0 N^2 pi D^2 K/(4 l) - mu0 (D/2) N (A + B) (Rosa and Grover 1911). Less than one turn counts as a ring
    of that weight. At radio frequency the field leaves the inside of the wire and L is up to about 1 percent lower.
    """
    return float(solenoid_inductance(w.turns, w.diameter_m, w.length_m, w.wire_m))


# --- capacitance, resistance, Q ---------------------------------------------------------------------------


def solenoid_capacitance(diameter_m: ArrayLike, length_m: ArrayLike) -> Array:
    """Self-capacitance in farad of single layers, all arguments broadcast; see `self_capacitance`."""
    d = np.asarray(diameter_m, dtype=np.float64)
    return np.asarray(
        medhurst.h(np.asarray(length_m, dtype=np.float64) / d) * (d * 100) * 1e-12, dtype=np.float64
    )


def self_capacitance(w: Winding) -> float:
    """Self-capacitance in farad of a winding with one end earthed, without form and leads.

    Source: Medhurst 1947, C = H(l/D) D. Some 5 percent on an air-spaced coil; a form and leads add to it.
    """
    return float(solenoid_capacitance(w.diameter_m, w.length_m))


def wire_length(w: Winding) -> float:
    """Length of the wire in metres, along the helix, without leads."""
    return w.turns * math.hypot(math.pi * w.diameter_m, w.pitch_m)


def r_dc(w: Winding, temperature_c: float = 20.0) -> float:
    """Direct-current resistance in ohm. Source of the resistivity: IEC 60028."""
    return resistivity(temperature_c) * wire_length(w) / (math.pi * w.wire_m**2 / 4)


def solenoid_resistance(
    turns: ArrayLike,
    diameter_m: ArrayLike,
    length_m: ArrayLike,
    wire_m: ArrayLike,
    f_hz: ArrayLike,
    temperature_c: float = 20.0,
) -> Array:
    """Series resistance in ohm of single layers, all arguments broadcast; see `resistance`."""
    n, d, length, wire, f = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (turns, diameter_m, length_m, wire_m, f_hz))
    )
    pitch = length / n
    direct = resistivity(temperature_c) * n * np.hypot(np.pi * d, pitch) / (np.pi * wire**2 / 4)
    proximity = medhurst.phi(length / d, np.minimum(1.0, wire / pitch))
    return np.asarray(direct * skin_factor(wire, f, temperature_c) * proximity, dtype=np.float64)


def resistance(w: Winding, f_hz: ArrayLike, temperature_c: float = 20.0) -> Array:
    """Series resistance in ohm at ``f_hz``, in its shape.

    Exact skin effect of the straight wire times Medhurst's proximity factor (1947, Table VIII). The factor was
    measured where the wire is many skin depths thick; where it is not, the product is somewhat high.
    """
    return solenoid_resistance(w.turns, w.diameter_m, w.length_m, w.wire_m, f_hz, temperature_c)


def q(w: Winding, f_hz: ArrayLike, temperature_c: float = 20.0) -> Array:
    """Q of the winding alone, 2 pi f L/R, in the shape of ``f_hz``.

    An optimistic guess: form, socket, leads, shield and valve take their share too, and real coils come out
    10 to 40 percent below it. Measure.
    """
    omega = 2 * np.pi * np.asarray(f_hz, dtype=np.float64)
    return np.asarray(omega * inductance(w) / resistance(w, f_hz, temperature_c), dtype=np.float64)


# --- mutual inductance ------------------------------------------------------------------------------------


def mutual_circles(a_m: ArrayLike, b_m: ArrayLike, distance_m: ArrayLike) -> Array:
    """Mutual inductance in henry of coaxial circles of radius ``a_m`` and ``b_m``; arguments broadcast.

    Maxwell's formula (Treatise, art. 701) in its second form, 2 mu0 sqrt(ab/k1) (K(k1) - E(k1)) with
    k1 = (r1 - r2)/(r1 + r2); K - E as k1^2 R_D(0, 1 - k1^2, 1)/3 (NIST DLMF 19.25.1), so far circles lose no digits.
    Infinite where the circles coincide.
    """
    a, b, z = (np.asarray(v, dtype=np.float64) for v in (a_m, b_m, distance_m))
    r1 = np.hypot(a + b, z)
    r2 = np.hypot(a - b, z)
    k1 = 4 * a * b / (r1 + r2) ** 2
    complement = 4 * r1 * r2 / (r1 + r2) ** 2
    return np.asarray(
        2 / 3 * MU_0 * np.sqrt(a * b) * k1**1.5 * special.elliprd(0.0, complement, 1.0), dtype=np.float64
    )


def mutual(a: Winding, b: Winding, gap_m: float) -> float:
    """Mutual inductance in henry of two windings side by side on one axis.

    Sum over all pairs of turns of Maxwell's two circles. A fraction of a turn counts as a ring of that weight in
    the middle of its share of the pitch, at the end away from the other winding.

    Parameters
    ----------
    a, b
        The windings; their diameters may differ.
    gap_m
        Bare distance between their facing ends. Less than zero, they overlap: only if one clears the other.

    Raises
    ------
    WindingError
        Overlapping windings whose wires would meet.
    """
    if not math.isfinite(gap_m):
        raise WindingError(f"the gap must be a length, not {gap_m:g}.")
    clearance = (abs(a.diameter_m - b.diameter_m) - a.outer_wire_m - b.outer_wire_m) / 2
    if gap_m < 0 and clearance < -_ROUNDING * a.diameter_m:
        raise WindingError(
            f"a gap of {_mm(gap_m)} makes the windings overlap, but one does not fit over the other: "
            "give a gap of zero or more, or two diameters that clear each other."
        )
    z_a, weight_a = _rings(a)
    z_b, weight_b = _rings(b)
    total = 0.0
    step = max(1, 500_000 // z_b.size)
    for start in range(0, z_a.size, step):
        distance = z_a[start : start + step, None] + z_b + gap_m
        pairs = mutual_circles(a.diameter_m / 2, b.diameter_m / 2, distance)
        total += float(weight_a[start : start + step] @ pairs @ weight_b)
    return total


def _rings(w: Winding) -> tuple[Array, Array]:
    """Distance of each turn's middle from the winding's facing end, and its weight."""
    whole = math.floor(w.turns + _ROUNDING)
    part = w.turns - whole
    middle = np.arange(whole, dtype=np.float64) + 0.5
    weight = np.ones(whole)
    if part > _ROUNDING:
        middle = np.append(middle, whole + part / 2)
        weight = np.append(weight, part)
    return middle * w.pitch_m, weight


def coupling(m_h: float, l_a_h: float, l_b_h: float) -> float:
    """Coupling coefficient M/sqrt(La Lb)."""
    return m_h / math.sqrt(l_a_h * l_b_h)
