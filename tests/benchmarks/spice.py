"""Growth rates from Debian's ngspice: netlists written from a circuit's values, knowing nothing of its equations.

A smooth burst of current starts the tank (a sudden one would set parasitic modes ringing that the step cannot
resolve), and the simulator steps through time by the trapezoidal rule, which neither adds nor takes damping on the
imaginary axis. The growth rate comes from the tank's voltage after the burst by the matrix pencil method (Hua and
Sarkar, IEEE Trans. ASSP 38, 1990), which separates the tank's mode from the choke's.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

STEPS_PER_CYCLE = 200
BURST_CYCLES = 6.0


def have_ngspice() -> bool:
    return shutil.which("ngspice") is not None


@dataclass(frozen=True)
class Values:
    """A detector as a builder would list its parts; what is None is not there."""

    kind: str
    f0_hz: float
    q: float
    l_h: float
    tickler_l_h: float
    k: float
    gm_s: float
    rp_ohm: float
    resistance_ohm: float | None = None
    capacitance_f: tuple[float, float] | None = None
    law: tuple[tuple[float, float], ...] | None = None
    taper: str | tuple[tuple[float, float], ...] = "linear"
    travel_deg: float = 300.0
    feedback_f: float = 0.0
    choke_h: float | None = None
    choke_f: float = 0.0
    plate_f: float = 0.0
    grid_plate_f: float = 0.0
    winding_f: float = 0.0
    antenna: tuple[float, float, float] | None = None
    device: str = "triode"
    topology: str = "tickler"
    grid_leak_ohm: float | None = None
    current_gain: float | None = None
    transition_hz: float | None = None
    dead_deg: tuple[float, float] = (0.0, 0.0)

    @property
    def loss_rate(self) -> float:
        return math.pi * self.f0_hz / self.q


def position(values: Values, angle_deg: float) -> float:
    """Share of the control in use: the contract's taper, written out again."""
    first, last = values.dead_deg
    u = min(max((angle_deg - first) / (values.travel_deg - first - last), 0.0), 1.0)
    c = 2 * math.log(17 / 3)
    if not isinstance(values.taper, str):
        return float(np.interp(u, *zip(*values.taper, strict=True)))
    if values.kind == "measured":
        assert values.law is not None
        return float(np.interp(angle_deg, *zip(*values.law, strict=True)))
    if values.taper == "log":
        return (math.exp(c * u) - 1) / (math.exp(c) - 1)
    if values.taper == "reverse-log":
        return 1 - (math.exp(c * (1 - u)) - 1) / (math.exp(c) - 1)
    return u


def netlist(
    values: Values, angle_deg: float, *, loss_ohm: float | None = None, tank_f: float | None = None
) -> list[str]:
    """The cards of the network; the tank alone has f0 and Q unless its loss and capacitance are given."""
    theta = position(values, angle_deg)
    omega = 2 * math.pi * values.f0_hz
    loss = omega * values.l_h / values.q if loss_ohm is None else loss_ohm
    capacitance = 1 / (omega**2 * values.l_h) if tank_f is None else tank_f
    gm, rp, k = values.gm_s, values.rp_ohm, values.k
    cards = [
        f"Ltank g x {values.l_h!r}",
        f"Rtank x 0 {loss!r}",
        f"Ctank g 0 {capacitance!r}",
    ]
    cold = "b"
    if values.kind == "divider":
        assert values.resistance_ohm is not None
        cards += [
            f"Rupper p w {theta * values.resistance_ohm + 1!r}",
            f"Rlower w b {(1 - theta) * values.resistance_ohm + 1!r}",
            f"Cfeed w 0 {values.feedback_f!r}",
        ]
    elif values.kind == "shunt":
        assert values.resistance_ohm is not None
        cards += [f"Rshunt p b {theta * values.resistance_ohm + 1!r}", f"Cfeed b 0 {values.feedback_f!r}"]
    elif values.kind == "throttle":
        assert values.capacitance_f is not None
        least, most = values.capacitance_f
        cards += [f"Cthrottle b 0 {least + theta * (most - least)!r}"]
    elif values.topology == "tickler":
        cards += [f"Cfeed b 0 {values.feedback_f!r}"]
    if values.kind == "supply":
        if values.device in ("triode", "pentode"):
            gm, rp = gm * theta**0.5, rp / max(theta, 1e-12) ** 0.5
        else:
            gm = gm * theta
    elif values.kind == "swing":
        k *= math.cos((1 - theta) * math.pi / 2)
    elif values.kind == "measured":
        k *= theta
    if values.topology == "cathode-tap":
        # Two halves of one coil: the upper one from grid to cathode, the lower one from cathode to ground.
        upper, lower, between = tapped(values)
        cards[0:2] = [
            f"Lupper g y {upper!r}",
            f"Llower y2 0 {lower!r}",
            f"Khalves Lupper Llower {between!r}",
            f"Rtank y c {loss!r}",
            "Vjoin c y2 0",
        ]
        cards += [f"Gvalve p c g c {gm!r}", f"Rp p c {rp!r}", f"Cfeed p 0 {values.feedback_f!r}"]
        cold, ends = "p", ("c", "0")
    else:
        cards += [f"Ltickler b p {values.tickler_l_h!r}"]
        if k:
            cards += [f"Kcoil Ltank Ltickler {k!r}"]
        cards += [f"Gvalve p 0 g 0 {gm!r}", f"Rp p 0 {rp!r}"]
        ends = ("p", "b")
    if values.grid_leak_ohm is not None:
        cards += [f"Rleak g 0 {values.grid_leak_ohm!r}"]
    if values.current_gain is not None and values.transition_hz is not None and gm > 0:
        # The base of a bipolar, between base and emitter.
        emitter = "c" if values.topology == "cathode-tap" else "0"
        cards += [
            f"Rbase g {emitter} {values.current_gain / gm!r}",
            f"Cbase g {emitter} {gm / (2 * math.pi * values.transition_hz)!r}",
        ]
    supply_end = "p" if values.kind == "throttle" else cold
    if values.choke_h is not None:
        cards += [f"Lchoke {supply_end} 0 {values.choke_h!r}"]
    if values.choke_f:
        cards += [f"Cchoke {supply_end} 0 {values.choke_f!r}"]
    if values.plate_f:
        cards += [f"Cplate p 0 {values.plate_f!r}"]
    if values.grid_plate_f:
        cards += [f"Cgp g p {values.grid_plate_f!r}"]
    if values.winding_f:
        cards += [f"Cw{end} g {end} {values.winding_f / 2!r}" for end in ends]
    if values.antenna is not None:
        coupling, resistance, antenna_f = values.antenna
        cards += [f"Cant1 g a1 {coupling!r}", f"Rant a1 a2 {resistance!r}", f"Cant2 a2 0 {antenna_f!r}"]
    return cards


def tapped(values: Values) -> tuple[float, float, float]:
    """Upper and lower half of a tapped coil and their coupling, from the whole, the lower one and k with the whole."""
    mutual = values.k * math.sqrt(values.l_h * values.tickler_l_h)  # whole with lower = lower + between
    lower = values.tickler_l_h
    between = mutual - lower
    upper = values.l_h - lower - 2 * between
    return upper, lower, between / math.sqrt(upper * lower)


def transient(
    cards: list[str], f0_hz: float, folder: Path, cycles: float = 45.0, steps: int = STEPS_PER_CYCLE
) -> tuple[Any, Any]:
    """Time and tank voltage from the simulator."""
    step, burst = 1 / (f0_hz * steps), BURST_CYCLES / f0_hz
    deck = [
        "* regenerative detector",
        *cards,
        f"Bkick 0 g I = time < {burst!r} ? 1e-3*sin({2 * math.pi * f0_hz!r}*time)*sin({math.pi / burst!r}*time)^2 : 0",
        ".options method=trap reltol=1e-4 trtol=50 abstol=1e-16 vntol=1e-12 gmin=1e-18",
        ".control",
        "set filetype=binary",
        f"tran {step!r} {cycles / f0_hz!r} 0 {step!r}",
        "write out.raw v(g)",
        "quit",
        ".endc",
        ".end",
    ]
    (folder / "deck.cir").write_text("\n".join(deck) + "\n")
    run = subprocess.run(
        ["ngspice", "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    raw = folder / "out.raw"
    if not raw.exists():
        raise RuntimeError(f"ngspice gave no data: {run.stderr[-400:]}")
    head, _, body = raw.read_bytes().partition(b"Binary:\n")
    names = [
        line.split()[1]
        for line in head.decode().partition("Variables:\n")[2].splitlines()
        if line.startswith("\t")
    ]
    data = np.frombuffer(body, dtype=float).reshape(-1, len(names))
    raw.unlink()
    return data[:, 0], data[:, names.index("v(g)")]


def poles(values: Values, angle_deg: float, folder: Path, **tank: float) -> list[complex]:
    """Natural frequencies by the simulator's own pole analysis, upper half plane and real axis."""
    deck = [
        "* poles",
        *netlist(values, angle_deg, **tank),
        "Iprobe 0 g 0",
        ".pz g 0 g 0 cur pol",
        ".control",
        "run",
        "print all",
        "quit",
        ".endc",
        ".end",
    ]
    (folder / "poles.cir").write_text("\n".join(deck) + "\n")
    run = subprocess.run(
        ["ngspice", "-b", "poles.cir"], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    found = [complex(float(a), float(b)) for a, b in re.findall(r"pole\(\d+\) = (\S+),(\S+)", run.stdout)]
    return [pole for pole in found if pole.imag >= 0]


def modes(
    time_s: Any, voltage: Any, f0_hz: float, per_cycle: int = 8, skip_cycles: float = BURST_CYCLES + 0.5
) -> Any:
    """Complex frequencies in the voltage (matrix pencil)."""
    from scipy.interpolate import make_interp_spline

    step = 1 / (f0_hz * per_cycle)
    at = np.arange(skip_cycles / f0_hz, time_s[-1], step)
    keep = np.concatenate([[True], np.diff(time_s) > 0])
    y = make_interp_spline(time_s[keep], voltage[keep], k=5)(at)
    n = len(y)
    pencil = n // 3
    rows = np.lib.stride_tricks.sliding_window_view(y, pencil + 1)
    _, size, right = np.linalg.svd(rows, full_matrices=False)
    order = min(12, max(2, int(np.sum(size > 1e-7 * size[0]))))
    signal = right[:order].T
    z = np.linalg.eigvals(np.linalg.pinv(signal[:-1]) @ signal[1:])
    return np.log(z[z != 0].astype(complex)) / step


def growth(
    values: Values,
    angle_deg: float,
    folder: Path,
    *,
    steps: int = STEPS_PER_CYCLE,
    near_hz: float | None = None,
    **tank: float,
) -> complex:
    """The tank's complex frequency as the simulator sees it: the mode nearest to f0."""
    time_s, voltage = transient(netlist(values, angle_deg, **tank), values.f0_hz, folder, steps=steps)
    found = modes(time_s, voltage, values.f0_hz)
    return complex(found[np.argmin(np.abs(found.imag - 2 * math.pi * (near_hz or values.f0_hz)))])
