"""The small-signal network of a regenerative detector, by modified nodal analysis (G + sC) x = 0.

Nodes: grid, plate, the tickler's cold end, the control's wiper; in the cathode tap, the cathode. All the
values of a circuit may be arrays that broadcast together: one member each.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics.control import (
    COLD,
    GRID,
    GROUND,
    KINDS,
    PLATE,
    WIPER,
    Control,
    Device,
    Feedback,
    Floats,
    share,
    stamp,
)

Complexes = NDArray[np.complex128]
Topology = Literal["tickler", "cathode-tap"]

CATHODE = 4


@dataclass(frozen=True)
class Antenna:
    """A series capacitor from the grid, then the antenna's resistance and capacitance in series to ground."""

    coupling_f: ArrayLike
    resistance_ohm: ArrayLike
    capacitance_f: ArrayLike


@dataclass(frozen=True)
class Circuit:
    """A regenerative detector as a linear network; SI units, arrays welcome.

    In the cathode tap, `tickler_l_h` is the part of the tank coil between tap and ground and `mutual_h`
    what it shares with the whole coil. `grid_ohm` is a resistor from grid to ground beside the tank's own
    loss (a grid leak, a known damping resistor). `current_gain` and `transit_s` (1/2πfT) are a bipolar's: its base
    takes gm/current_gain and gm·transit_s between base and emitter, as in the hybrid-pi circuit (Giacoletto, RCA
    Review 15, 506, 1954). Of other devices the grid takes nothing.
    """

    control: Control
    gm_s: ArrayLike
    rp_ohm: ArrayLike
    l_h: ArrayLike
    tickler_l_h: ArrayLike
    mutual_h: ArrayLike
    feedback: Feedback = field(default_factory=Feedback)
    antenna: Antenna | None = None
    device: Device = "triode"
    topology: Topology = "tickler"
    grid_ohm: ArrayLike = math.inf
    current_gain: ArrayLike = math.inf
    transit_s: ArrayLike = 0.0

    def __post_init__(self) -> None:
        if self.topology not in TOPOLOGIES:
            raise ValueError(f"topology '{self.topology}' is not one of {', '.join(TOPOLOGIES)}")
        kinds = TOPOLOGIES[self.topology].kinds
        if self.control.kind not in kinds:
            raise ValueError(f"a {self.topology} circuit takes a {' or '.join(kinds)} control")
        for name in ("l_h", "tickler_l_h", "rp_ohm", "grid_ohm", "current_gain"):
            if not np.all(np.asarray(getattr(self, name), dtype=float) > 0):
                raise ValueError(f"{name} must be above 0")


@dataclass(frozen=True)
class Tank:
    """The tank's own loss (a resistance in series with its coil) and capacitance, for f0 and Q as given."""

    loss_ohm: Floats
    capacitance_f: Floats
    f0_hz: Floats
    q: Floats

    @property
    def loss_per_s(self) -> Floats:
        """Rate at which the tank's oscillation dies, ω/2Q."""
        rate: Floats = math.pi * self.f0_hz / self.q
        return rate

    @property
    def root(self) -> Complexes:
        """The root that has f0 (its modulus) and Q; NaN for a Q below a half, which does not ring."""
        omega = 2 * math.pi * self.f0_hz
        with np.errstate(invalid="ignore"):
            root: Complexes = omega * (-0.5 / self.q + 1j * np.sqrt(1 - 0.25 / self.q**2))
        return root


@dataclass(frozen=True)
class _Topology:
    winding: tuple[int, int]  # ends of the feedback winding
    polarity: float  # sign of M, currents counted into the grid and into the winding's first end
    source: int  # where the valve's current goes
    supply_end: int  # what the control's stamps call COLD
    eliminate: tuple[int, ...]
    kinds: tuple[str, ...]


TOPOLOGIES: dict[str, _Topology] = {
    "tickler": _Topology((PLATE, COLD), -1.0, GROUND, COLD, (WIPER, COLD, PLATE), tuple(KINDS)),
    "cathode-tap": _Topology((CATHODE, GROUND), 1.0, CATHODE, PLATE, (PLATE, CATHODE), ("supply",)),
}

_VALUES = ("gm_s", "rp_ohm", "l_h", "tickler_l_h", "mutual_h", "grid_ohm", "current_gain", "transit_s")
_FEEDBACK = tuple(Feedback.__dataclass_fields__)
_ANTENNA = tuple(Antenna.__dataclass_fields__)


def _each(circuit: Circuit, change: Callable[[Any], Any]) -> Circuit:
    """The circuit with every value passed through `change`."""

    def changed(part: Any, names: tuple[str, ...]) -> dict[str, Any]:
        return {name: change(getattr(part, name)) for name in names}

    control = circuit.control
    if control.resistance_ohm is not None:
        control = replace(control, resistance_ohm=change(control.resistance_ohm))
    if control.capacitance_f is not None:
        least, most = control.capacitance_f
        control = replace(control, capacitance_f=(change(least), change(most)))
    antenna = circuit.antenna
    if antenna is not None:
        antenna = replace(antenna, **changed(antenna, _ANTENNA))
    feedback = replace(circuit.feedback, **changed(circuit.feedback, _FEEDBACK))
    return replace(circuit, control=control, feedback=feedback, antenna=antenna, **changed(circuit, _VALUES))


def shape_of(circuit: Circuit, *others: ArrayLike) -> tuple[int, ...]:
    """Shape that all the circuit's values and the others broadcast to."""
    shapes: list[tuple[int, ...]] = [np.shape(other) for other in others]

    def note(value: Any) -> Any:
        shapes.append(np.shape(value))
        return value

    _each(circuit, note)
    return np.broadcast_shapes(*shapes)


def flat(circuit: Circuit, shape: tuple[int, ...]) -> Circuit:
    """The circuit with one flat axis of members; single values stay single."""

    def spread(value: Any) -> Any:
        array = np.asarray(value, dtype=float)
        return float(array.reshape(-1)[0]) if array.size == 1 else np.broadcast_to(array, shape).ravel()

    return _each(circuit, spread)


def take(circuit: Circuit, members: NDArray[np.intp]) -> Circuit:
    """Some members of a flat circuit."""
    return _each(circuit, lambda value: value[members] if isinstance(value, np.ndarray) else value)


def take_tank(tank: Tank, members: NDArray[np.intp]) -> Tank:
    """Some members of a flat tank."""
    return Tank(tank.loss_ohm[members], tank.capacitance_f[members], tank.f0_hz[members], tank.q[members])


@dataclass(frozen=True)
class Network:
    """One network for each member, ready to be evaluated at a complex frequency."""

    # Ends, conductance, capacitance, 1/inductance; None for what is not there.
    branches: tuple[tuple[int, int, Any, Any, Any], ...]
    loss_ohm: Any
    l_h: Any
    winding_l_h: Any
    mutual_h: Any
    gm_s: Any
    topology: _Topology
    antenna: tuple[Any, Any] | None  # series resistance and elastance from grid to ground


def _nothing(value: Any) -> bool:
    return not isinstance(value, np.ndarray) and bool(value == 0)


def assemble(
    circuit: Circuit,
    loss_ohm: Any,
    capacitance_f: Any,
    angle_deg: Any,
    *,
    coupling: Any = 1.0,
    valve: Any = 1.0,
) -> Network:
    """The network of a flat circuit at a control angle.

    `coupling` scales all that couples the tank to the rest, `valve` scales gm and 1/rp: both 1 in the set as
    it stands; on the way from 0 they lead from the tank alone, or the cold set, to it.
    """
    shape = TOPOLOGIES[circuit.topology]
    feedback = circuit.feedback
    members: Any = circuit  # flat: its values are numbers or arrays of members
    mark = stamp(share(circuit.control, angle_deg), circuit.control, feedback, circuit.device)
    sums: dict[tuple[int, int], list[Any]] = {}

    def branch(a: int, b: int, *values: Any) -> None:
        for place, value in enumerate(values):
            if a != b and not _nothing(value):
                total = sums.setdefault((a, b), [None, None, None])
                total[place] = value if total[place] is None else total[place] + value

    def node(name: int) -> int:
        return shape.supply_end if name == COLD else name

    for part in mark.parts:
        branch(node(part.a), node(part.b), part.conductance_s, part.capacitance_f, part.per_inductance)
    first, second = shape.winding
    values: Any = feedback
    stray = 0.5 * coupling * values.winding_capacitance_f
    branch(GRID, GROUND, coupling / members.grid_ohm, capacitance_f, 0.0)
    gm = coupling * valve * mark.gm * members.gm_s
    per_gain = 1.0 / members.current_gain
    if not (_nothing(per_gain) and _nothing(members.transit_s)):
        branch(GRID, shape.source, gm * per_gain, gm * members.transit_s, 0.0)
    branch(PLATE, shape.source, valve * mark.plate_conductance / members.rp_ohm, 0.0, 0.0)
    branch(PLATE, GROUND, 0.0, values.plate_capacitance_f, 0.0)
    branch(PLATE, GRID, 0.0, coupling * values.grid_plate_capacitance_f, 0.0)
    # A short tickler's ends are near in voltage: half of the capacitance to the grid winding at each end.
    branch(first, GRID, 0.0, stray, 0.0)
    branch(second, GRID, 0.0, stray, 0.0)
    antenna = None
    if members.antenna is not None:
        elastance = 1.0 / members.antenna.coupling_f + 1.0 / members.antenna.capacitance_f
        antenna = (members.antenna.resistance_ohm, np.asarray(elastance) / coupling)
    return Network(
        branches=tuple((a, b, *values) for (a, b), values in sums.items()),
        loss_ohm=loss_ohm,
        l_h=circuit.l_h,
        winding_l_h=circuit.tickler_l_h,
        mutual_h=shape.polarity * coupling * mark.mutual * members.mutual_h,
        gm_s=gm,
        topology=shape,
        antenna=antenna,
    )


def grid_admittance(network: Network, s: Complexes) -> Complexes:
    """Admittance between grid and ground at complex frequency `s`, the other nodes eliminated.

    Its zeros are the natural frequencies of the network. Near the tank's it is almost a straight line of
    slope 2C, which makes them quick to find.
    """
    # All but the valve is reciprocal: half a matrix, its lower half not written, as long as no valve stands in it.
    half: dict[tuple[int, int], Any] = {}

    def add(i: int, j: int, value: Any) -> None:
        at = (i, j) if i <= j else (j, i)
        half[at] = half[at] + value if at in half else value

    inverse = 1.0 / s
    for a, b, conductance, capacitance, per_inductance in network.branches:
        value: Any = None if capacitance is None else s * capacitance
        if conductance is not None:
            value = conductance if value is None else value + conductance
        if per_inductance is not None:
            value = per_inductance * inverse if value is None else value + per_inductance * inverse
        for end, other in ((a, b), (b, a)):
            if end != GROUND:
                add(end, end, value)
                if other != GROUND and end < other:
                    add(end, other, -value)
    # Two coupled windings, the first with the tank's loss in series: the inverse of their impedance matrix.
    impedance = network.loss_ohm + s * network.l_h
    scale = 1.0 / (network.winding_l_h * impedance - s * network.mutual_h**2)
    across = network.mutual_h * scale
    own = impedance * scale * inverse
    first, second = network.topology.winding
    add(GRID, GRID, network.winding_l_h * scale)
    for end, coupled in ((first, -across), (second, across)):
        if end != GROUND:
            add(GRID, end, coupled)
            add(end, end, own)
    if GROUND not in (first, second):
        add(first, second, -own)
    if network.antenna is not None:
        resistance, elastance = network.antenna
        add(GRID, GRID, s / (s * resistance + elastance))
    source = network.topology.source
    valve = {GRID, PLATE, source}
    left = [gone for gone in network.topology.eliminate if (gone, gone) in half]
    for gone in [node for node in left if node not in valve]:
        joined = {i + j - gone: half.pop((i, j)) for i, j in list(half) if gone in (i, j)}
        pivot = 1.0 / joined.pop(gone)
        nodes = sorted(joined)
        for place, i in enumerate(nodes):
            factor = -joined[i] * pivot
            for j in nodes[place:]:
                add(i, j, factor * joined[j])
    y = {**half, **{(j, i): value for (i, j), value in half.items()}}

    def control(i: int, j: int, value: Any) -> None:
        if i != GROUND and j != GROUND:
            y[i, j] = y[i, j] + value if (i, j) in y else value

    control(PLATE, GRID, network.gm_s)
    if source != GROUND:
        control(PLATE, source, -network.gm_s)
        control(source, GRID, -network.gm_s)
        control(source, source, network.gm_s)
    rest = [node for node in left if node in valve]
    for count, gone in enumerate(rest, 1):
        nodes = [GRID, *rest[count:]]
        pivot = 1.0 / y[gone, gone]
        for i in nodes:
            if (i, gone) not in y:
                continue
            factor = -y[i, gone] * pivot
            for j in nodes:
                if (gone, j) in y:
                    control(i, j, factor * y[gone, j])
    admittance: Complexes = y[GRID, GRID]
    return admittance
