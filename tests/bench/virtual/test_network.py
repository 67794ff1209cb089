"""The virtual bench's own network, against figures and programs that know nothing of it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.physics import regeneration
from bench.virtual import network
from bench.virtual.truth import _crossing, growth_table


def plain(
    f_hz: float,
    q: float,
    *,
    l_h: float,
    tickler_l_h: float,
    k: float,
    gm_s: float,
    resistance_ohm: float,
    travel_deg: float,
) -> network.Circuit:
    """The divider circuit of the published figures: no grid-plate, interwinding or choke capacitance, nothing lossy but the tank."""
    return network.Circuit(
        knob=network.Knob(
            "divider", travel_deg, (0.0, 0.0), (0.0, 0.0), "linear", resistance_ohm, (0.0, 0.0), None
        ),
        chassis=network.Chassis(270e-12, 2.5e-3, 0.0, 8e-12, 0.0, 0.0),
        valve=network.Valve(gm_s, 25e3, 1e18, 0.0),
        l_h=l_h,
        tickler_l_h=tickler_l_h,
        mutual_h=k * float(np.sqrt(l_h * tickler_l_h)),
        tickler_q=1e15,
        tank_c_f=1.0 / ((2.0 * np.pi * f_hz) ** 2 * l_h),
        coil_q=q,
        q_at_hz=f_hz,
        q_slope=1.0,
    )


# Shares of travel at onset (None: never), computed by a network program and an independent circuit simulator's transients
# before this project began; to the three places given.
@pytest.mark.parametrize(
    ("resistance_ohm", "shares"),
    [
        (4e3, [None, 0.699, 0.533, 0.429]),
        (40e3, [None, 0.798, 0.701, 0.659]),
        (400e3, [None, 0.955, 0.956, 0.959]),
    ],
)
def test_divider_onset_shares(resistance_ohm: float, shares: list[float | None]) -> None:
    for f_hz, share in zip((0.55e6, 1.0e6, 1.3e6, 1.6e6), shares, strict=True):
        circuit = plain(
            f_hz,
            110.0 * (f_hz / 1e6) ** 0.1,
            l_h=100e-6,
            tickler_l_h=1.2e-6,
            k=0.35,
            gm_s=0.6e-3,
            resistance_ohm=resistance_ohm,
            travel_deg=1.0,
        )
        if share is None:
            if resistance_ohm == 4e3:
                assert _crossing(circuit, 1.0) is None
            continue
        assert _crossing(circuit, 1.0) == pytest.approx(share, abs=0.0006)


# Degrees at onset for tickler turns, same source as above; whole degrees given, None: never.
@pytest.mark.parametrize(
    ("turns", "angles"),
    [
        (6, [178, 146, 120, 100, 83]),
        (5, [208, 171, 141, 117, 98]),
        (4, [253, 209, 173, 143, 120]),
        (3, [None, 268, 223, 187, 157]),
    ],
)
def test_divider_onset_angles_by_turns(turns: int, angles: list[int | None]) -> None:
    for f_hz, angle in zip((2.3e6, 2.8e6, 3.4e6, 4.1e6, 4.9e6), angles, strict=True):
        circuit = plain(
            f_hz,
            130.0 * (f_hz / 3e6) ** 0.1,
            l_h=22e-6,
            tickler_l_h=1.0e-6 * (turns / 6) ** 2,
            k=0.32,
            gm_s=0.7e-3,
            resistance_ohm=4e3,
            travel_deg=300.0,
        )
        found = _crossing(circuit, 1.0)
        if angle is None:
            assert found is None
        else:
            assert found == pytest.approx(angle, abs=0.6)


@pytest.mark.parametrize("kind", ["divider", "shunt", "throttle", "supply", "swing"])
def test_agrees_with_the_fits_network_which_shares_no_code(kind: network.ControlKind) -> None:
    rng = np.random.default_rng(5)
    starts = 0
    for number in range(10):
        l_h = 10 ** rng.uniform(-5.5, -3.7)
        f_hz = 10 ** rng.uniform(-0.1, 0.2) / (2 * np.pi * np.sqrt(l_h * 80e-12))
        tickler_l_h, k = l_h * 10 ** rng.uniform(-1.8, -0.9), rng.uniform(0.15, 0.4)
        gm_s, rp_ohm, q = rng.uniform(0.4e-3, 1.2e-3), rng.uniform(12e3, 60e3), rng.uniform(60, 200)
        resistance, feedback = 10 ** rng.uniform(3.3, 5.0), rng.uniform(150e-12, 400e-12)
        plate, grid_plate, windings, choke = rng.uniform(0, 1, 4) * np.array([8, 3, 3, 3]) * 1e-12
        taper = ("linear", "log", "reverse-log")[number % 3]
        throttle, mutual = (10e-12, 150e-12), k * float(np.sqrt(l_h * tickler_l_h))
        antenna = (10e-12, 75.0, 200e-12)

        theirs = regeneration.Circuit(
            regeneration.Control(
                kind=kind, resistance_ohm=resistance, capacitance_f=throttle, taper=taper, travel_deg=300.0
            ),
            gm_s,
            rp_ohm,
            l_h,
            tickler_l_h,
            mutual,
            regeneration.Feedback(feedback, 2.5e-3, choke, plate, grid_plate, windings),
            regeneration.Antenna(*antenna) if number % 2 else None,
        )
        tank = regeneration.tank(theirs, f_hz, q, "alone")
        expected = float(regeneration.onset(theirs, f_hz, q, "alone").angle_deg)
        ours = network.Circuit(
            network.Knob(kind, 300.0, (0.0, 0.0), (0.0, 0.0), taper, resistance, throttle, None),
            network.Chassis(feedback, 2.5e-3, choke, plate, grid_plate, windings),
            network.Valve(gm_s, rp_ohm, 1e18, 0.0),
            l_h,
            tickler_l_h,
            mutual,
            1e15,
            float(tank.capacitance_f),
            2 * np.pi * f_hz * l_h / float(tank.loss_ohm),
            f_hz,
            1.0,
            network.Aerial(*antenna) if number % 2 else None,
        )
        found = _crossing(ours, 1.0)
        if found is None:
            assert np.isnan(expected)
        else:
            starts += 1
            assert found == pytest.approx(expected, abs=1e-3)
    assert starts >= 4


def test_critical_gm_is_where_the_root_crosses() -> None:
    circuit = plain(
        3.4e6, 130.0, l_h=22e-6, tickler_l_h=1e-6, k=0.32, gm_s=0.7e-3, resistance_ohm=4e3, travel_deg=300.0
    )
    table = growth_table(circuit)
    for angle in (100.0, 130.0, 200.0, 270.0):
        ratio = float(np.interp(angle, table.angle_deg, table.ratio))
        # The valve swapped for one with just that gm: the root must stand on the axis.
        swapped = replace(circuit, valve=replace(circuit.valve, gm_s=ratio * circuit.valve.gm_s))
        root = network.tank_root(swapped, np.linspace(0.0, angle, 40))[-1]
        assert abs(root.real) < 2e-3 * np.pi * 3.4e6 / 130.0


NETLIST = """the virtual bench's set, seen through its loop
V1 port 0 AC 1
R50 port loop {port}
Rloop loop l1 {loop_r}
Lloop l1 0 {loop_l}
Rcoil grid g1 {coil_r}
Lgrid g1 0 {l_h}
Ltick cold t1 {tickler_l}
Rtick t1 plate {tickler_r}
Kgt Lgrid Ltick {k_gt}
Kgl Lgrid Lloop {k_gl}
Ktl Ltick Lloop {k_tl}
Cgrid grid 0 {grid_c}
Rleak grid 0 {leak}
Gvalve plate 0 grid 0 {gm}
Rp plate 0 {rp}
Cplate plate 0 {plate_c}
Cgp plate grid {gp_c}
Cgb cold grid {gb_c}
Ra plate wiper {ra}
Rb wiper cold {rb}
Cfb wiper 0 {feedback}
Lchoke cold 0 {choke}
Cchoke cold 0 {choke_c}
Cant grid a1 {coupling}
Rant a1 a2 {ant_r}
Cant2 a2 0 {ant_c}
Rdc a1 0 1e13
.ac lin 41 {start} {stop}
.control
set wr_singlescale
set wr_vecnames
option numdgt=10
run
wrdata {out} v(loop)
quit 0
.endc
.end
"""


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs Debian's ngspice")
def test_reflection_agrees_with_a_circuit_simulator(tmp_path: Path) -> None:
    f0 = 3.4e6
    # Q rising as the frequency is one loss for the whole sweep, as the simulator's plain resistor has.
    circuit = replace(
        plain(
            f0, 130.0, l_h=22e-6, tickler_l_h=1e-6, k=0.32, gm_s=0.7e-3, resistance_ohm=4e3, travel_deg=300.0
        ),
        chassis=network.Chassis(270e-12, 2.5e-3, 2e-12, 6e-12, 1.5e-12, 2e-12),
        tickler_q=40.0,
        aerial=network.Aerial(10e-12, 75.0, 200e-12),
        loop=network.Loop(0.45e-6, 0.3, 0.10e-6, 0.007e-6),
    )
    angle = 60.0
    root = network.tank_root(circuit, np.array([0.0, angle]))[1]
    f_hz = root.imag / (2 * np.pi) * np.linspace(0.97, 1.03, 41)
    z = network.loop_impedance(circuit, angle, f_hz)

    loop, chassis = circuit.loop, circuit.chassis
    assert loop is not None
    assert circuit.aerial is not None
    share = angle / 300.0
    out = tmp_path / "ac.txt"
    deck = NETLIST.format(
        port=50.0,
        loop_r=loop.r_ohm,
        loop_l=loop.l_h,
        coil_r=float(circuit.loss_ohm(f0)),
        l_h=circuit.l_h,
        tickler_l=circuit.tickler_l_h,
        tickler_r=2 * np.pi * f0 * circuit.tickler_l_h / 40.0,
        # The simulator's dots: the tickler is entered at its cold end, so both its couplings are positive there.
        k_gt=circuit.mutual_h / np.sqrt(circuit.l_h * circuit.tickler_l_h),
        k_gl=loop.grid_m_h / np.sqrt(circuit.l_h * loop.l_h),
        k_tl=loop.tickler_m_h / np.sqrt(circuit.tickler_l_h * loop.l_h),
        grid_c=circuit.tank_c_f,
        leak=1e15,
        gm=circuit.valve.gm_s,
        rp=circuit.valve.rp_ohm,
        plate_c=chassis.plate_c_f,
        gp_c=chassis.grid_plate_c_f + chassis.winding_c_f / 2,
        gb_c=chassis.winding_c_f / 2,
        ra=4e3 * share + 1.0,
        rb=4e3 * (1 - share) + 1.0,
        feedback=chassis.feedback_c_f,
        choke=chassis.choke_h,
        choke_c=chassis.choke_c_f,
        coupling=10e-12,
        ant_r=75.0,
        ant_c=200e-12,
        start=f_hz[0],
        stop=f_hz[-1],
        out=out,
    )
    (tmp_path / "deck.cir").write_text(deck)
    subprocess.run(["ngspice", "-b", str(tmp_path / "deck.cir")], check=True, capture_output=True, timeout=60)
    table = np.loadtxt(out, skiprows=1)
    v = table[:, 1] + 1j * table[:, 2]
    simulated = 50.0 * v / (1.0 - v)
    assert np.allclose(table[:, 0], f_hz, rtol=1e-6)
    assert np.max(np.abs(z - simulated)) < 1e-4 * np.max(np.abs(simulated - simulated[0]))
