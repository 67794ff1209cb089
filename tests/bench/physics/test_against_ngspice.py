"""The regeneration network against Debian's ngspice, an independent circuit simulator.

Growth rates of the tank's voltage in the simulator's transient, below, at and above onset, must agree with the real
part of the network's root within 1 % of the tank's own loss rate ω/2Q. Every circuit is written down twice from the same
values: as a plan.toml that the program reads as a user's, and as a netlist that knows nothing of the program's network.
The larger comparison, with finer steps, is tests/benchmarks/onset_against_simulator.py.
"""

import itertools
import math
from dataclasses import replace

import numpy as np
import onset_against_simulator as benchmark
import pytest
import spice

from bench.physics.regeneration import onset, onset_angles, root, tank

circuit_of = benchmark.circuit_of

pytestmark = [
    pytest.mark.ngspice,
    pytest.mark.skipif(not spice.have_ngspice(), reason="needs Debian's ngspice (apt-get install ngspice)"),
]

BROADCAST = spice.Values(
    kind="divider",
    f0_hz=1.3e6,
    q=110 * 1.3**0.1,
    l_h=100e-6,
    tickler_l_h=1.2e-6,
    k=0.35,
    gm_s=0.6e-3,
    rp_ohm=25e3,
    resistance_ohm=4e3,
    feedback_f=270e-12,
    choke_h=2.5e-3,
    plate_f=8e-12,
)
STRAYS = replace(BROADCAST, choke_f=2e-12, grid_plate_f=2e-12, winding_f=2e-12)
CIRCUITS = {
    "divider": BROADCAST,
    "harsh divider with strays": replace(STRAYS, resistance_ohm=400e3, grid_plate_f=0.02e-12),
    "divider with antenna, log": replace(STRAYS, antenna=(8e-12, 75.0, 200e-12), taper="log", gm_s=1.2e-3),
    "shunt": replace(STRAYS, kind="shunt", taper="reverse-log", gm_s=1e-3),
    "throttle": replace(
        STRAYS,
        kind="throttle",
        f0_hz=7e6,
        l_h=4e-6,
        tickler_l_h=0.4e-6,
        gm_s=1e-3,
        grid_plate_f=0.2e-12,
        capacitance_f=(8e-12, 140e-12),
    ),
    "supply, pentode": replace(STRAYS, kind="supply", device="pentode", rp_ohm=400e3, gm_s=1e-3),
    "supply, bipolar": replace(
        STRAYS, kind="supply", device="bipolar", gm_s=2e-3, current_gain=150.0, transition_hz=250e6
    ),
    "swing, fet with a grid leak": replace(
        STRAYS, kind="swing", device="fet", gm_s=1.2e-3, rp_ohm=60e3, grid_leak_ohm=0.5e6
    ),
    # A straight law, so that no interpolation between its points is in question.
    "measured": replace(STRAYS, kind="measured", law=((0.0, 0.1), (100.0, 0.4), (300.0, 1.0)), gm_s=0.9e-3),
    "cathode tap": replace(
        STRAYS,
        kind="supply",
        topology="cathode-tap",
        device="pentode",
        f0_hz=5e6,
        l_h=12e-6,
        tickler_l_h=0.3e-6,
        k=0.3,
        rp_ohm=400e3,
        gm_s=1e-3,
        feedback_f=10e-9,
    ),
}


@pytest.mark.parametrize("name", CIRCUITS)
def test_growth_rates_below_at_and_above_onset(name, tmp_path):
    values = CIRCUITS[name]
    circuit = circuit_of(values)
    own = tank(circuit, values.f0_hz, values.q)
    at = float(onset_angles(circuit, values.f0_hz, values.q))
    assert 0 < at < values.travel_deg
    for angle in (0.6 * at, at, 0.5 * (at + values.travel_deg)):
        expected = complex(root(circuit, own, angle))
        seen = spice.growth(values, angle, tmp_path)
        assert seen.real == pytest.approx(expected.real, abs=0.01 * values.loss_rate)
        assert seen.imag == pytest.approx(expected.imag, rel=2e-4)


@pytest.mark.slow
@pytest.mark.parametrize("name", benchmark.KINDS)
def test_random_circuits_such_as_people_build(name, tmp_path):
    """Nine of each kind of control and the cathode tap, 0.5 to 20 MHz: with the ten above, 73 circuits in all."""
    random = np.random.default_rng([20, benchmark.KINDS.index(name)])
    started, f0_hz = 0, []
    for _ in range(9):
        values, circuit = benchmark.draw_starting(random, name)
        own = tank(circuit, values.f0_hz, values.q)
        at, where = benchmark.angles(circuit, values)
        started += 0 < at < values.travel_deg
        f0_hz.append(values.f0_hz)
        for angle in where:
            expected = complex(root(circuit, own, angle))
            seen = spice.growth(values, angle, tmp_path, steps=160, near_hz=expected.imag / (2 * math.pi))
            assert seen.real == pytest.approx(expected.real, abs=0.01 * values.loss_rate), (values, angle)
    # Below, at and above an onset: a circuit that never starts says little.
    assert started >= 6
    assert min(f0_hz) < 2e6
    assert max(f0_hz) > 7e6


def test_simulator_closes_in_as_its_step_is_halved(tmp_path):
    # What is left between the two is the simulator's step error, which falls with the step's square.
    circuit = circuit_of(BROADCAST)
    expected = complex(root(circuit, tank(circuit, BROADCAST.f0_hz, BROADCAST.q), 250.0)).real
    coarse, fine = (
        abs(spice.growth(BROADCAST, 250.0, tmp_path, steps=steps).real - expected) for steps in (100, 200)
    )
    assert fine < coarse / 3


@pytest.mark.parametrize("state", ["working", "cold"])
def test_tank_found_for_a_state_has_f0_and_q_in_the_simulator(state, tmp_path):
    values = CIRCUITS["divider with antenna, log"]
    own = tank(circuit_of(values), values.f0_hz, values.q, state)
    built = values if state == "working" else replace(values, gm_s=0.0, rp_ohm=1e15)
    seen = spice.growth(
        built, 0.0, tmp_path, loss_ohm=float(own.loss_ohm), tank_f=float(own.capacitance_f), steps=400
    )
    assert abs(seen) / (2 * math.pi) == pytest.approx(values.f0_hz, rel=1e-4)
    assert -abs(seen) / (2 * seen.real) == pytest.approx(values.q, rel=2e-3)


def test_onset_moved_by_grid_plate_capacitance(tmp_path):
    # Equal measured Q, valve working, 1.6 MHz: this is where the network starts, and the simulator neither grows
    # nor decays there.
    values = replace(BROADCAST, f0_hz=1.6e6, q=110 * 1.6**0.1, grid_plate_f=3e-12)
    circuit = circuit_of(values)
    own = tank(circuit, values.f0_hz, values.q, "working")
    at = float(onset_angles(circuit, values.f0_hz, values.q, "working"))
    assert at / 300 == pytest.approx(0.475, abs=0.001)
    parts = {"loss_ohm": float(own.loss_ohm), "tank_f": float(own.capacitance_f)}
    assert spice.growth(values, at, tmp_path, **parts).real == pytest.approx(0, abs=0.01 * values.loss_rate)
    rest = spice.growth(values, 0.0, tmp_path, **parts).real
    assert rest == pytest.approx(-values.loss_rate, rel=0.01)


def test_wrong_frequency_is_there_in_the_simulator(tmp_path):
    # A choke of too little inductance: the simulator too oscillates far below the tank.
    values = replace(STRAYS, choke_h=0.3e-3, tickler_l_h=12e-6, k=0.3, gm_s=1e-3, grid_plate_f=1.5e-12)
    found = onset(circuit_of(values), values.f0_hz, values.q)
    (mode,) = found.other_modes
    assert mode.angle_deg == 0  # where it also grows fastest: turning the control up damps it
    seen = spice.growth(values, 0.0, tmp_path, near_hz=mode.frequency_hz)
    assert seen.real == pytest.approx(mode.growth_per_s, abs=0.01 * values.loss_rate)
    assert seen.imag / (2 * math.pi) == pytest.approx(mode.frequency_hz, rel=2e-4)
    assert spice.growth(values, 40.0, tmp_path, near_hz=mode.frequency_hz).real < 0


def test_simulators_own_poles(tmp_path):
    # ngspice's pole-zero analysis shares neither our matrices nor the transient.
    circuit = circuit_of(BROADCAST)
    expected = complex(root(circuit, tank(circuit, BROADCAST.f0_hz, BROADCAST.q), 100.0))
    closest = min(spice.poles(BROADCAST, 100.0, tmp_path), key=lambda pole: abs(pole - expected))
    assert closest.real == pytest.approx(expected.real, abs=1e-3 * BROADCAST.loss_rate)
    assert closest.imag == pytest.approx(expected.imag, rel=1e-5)


# Each kind of verdict in a circuit that shows it: how many times the tank starts or stops over the travel, and the
# part that oscillates beside it.
VERDICTS = {
    "never": (replace(STRAYS, gm_s=0.05e-3), 0, None),
    "starts": (BROADCAST, 1, None),
    "everywhere": (replace(STRAYS, kind="measured", law=((0.0, 0.8), (300.0, 1.0)), gm_s=3e-3), 1, None),
    # A choke that resonates near the tank, and a control of far too much resistance.
    "in and out": (
        replace(
            STRAYS,
            f0_hz=3.36e6,
            l_h=11.8e-6,
            tickler_l_h=1.03e-6,
            k=0.33,
            gm_s=1.07e-3,
            resistance_ohm=188e3,
            feedback_f=279e-12,
            choke_h=0.226e-3,
            grid_plate_f=1.4e-12,
            winding_f=0.0,
        ),
        3,
        None,
    ),
    "choke": (
        replace(STRAYS, choke_h=0.3e-3, tickler_l_h=12e-6, k=0.3, gm_s=1e-3, grid_plate_f=1.5e-12),
        1,
        "choke",
    ),
    # A tickler of far too many turns resonates with the strays below the tank.
    "feedback loop": (
        replace(
            STRAYS,
            kind="swing",
            f0_hz=7e6,
            l_h=18e-6,
            tickler_l_h=90e-6,
            k=0.3,
            gm_s=1e-3,
            feedback_f=1e-9,
            grid_plate_f=4e-12,
        ),
        0,
        "tickler",
    ),
}


@pytest.mark.parametrize("name", VERDICTS)
def test_verdicts_hold_in_the_simulator(name, tmp_path):
    values, count, part = VERDICTS[name]
    circuit = circuit_of(values)
    own = tank(circuit, values.f0_hz, values.q)
    found = onset(circuit, values.f0_hz, values.q)
    starts = [float(at) for at in found.starts_deg if at == at]
    assert len(starts) == count
    assert bool(found.everywhere) == (name == "everywhere")
    assert bool(found.several) == (count > 2)
    assert bool(found.wrong_frequency) == (part is not None)
    # Between two turning points the tank grows, or dies, as told.
    edges = [0.0, *(at for at in starts if at > 0), values.travel_deg]
    grows = starts[:1] == [0.0]
    for low, high in itertools.pairwise(edges):
        angle = 0.5 * (low + high)
        if any(mode.angle_deg <= angle <= mode.until_deg for mode in found.other_modes):
            continue  # what grows drowns what dies
        near = complex(root(circuit, own, angle))
        seen = spice.growth(values, angle, tmp_path, near_hz=near.imag / (2 * math.pi))
        assert (seen.real > 0) == grows, angle
        grows = not grows
    if part is None:
        assert found.other_modes == ()
        return
    (mode,) = found.other_modes
    assert mode.part == part
    # The choke's is damped as the control is turned up, the feedback loop's is not.
    at = 0.0 if part == "choke" else values.travel_deg
    fastest = spice.growth(values, at, tmp_path, near_hz=mode.frequency_hz)
    assert fastest.real == pytest.approx(
        mode.growth_per_s, abs=0.01 * max(values.loss_rate, mode.growth_per_s)
    )
    assert fastest.imag / (2 * math.pi) == pytest.approx(mode.frequency_hz, rel=5e-3)
    if part == "choke":
        after = spice.growth(values, mode.until_deg + 3.0, tmp_path, near_hz=mode.frequency_hz)
        assert after.real < 0
    else:
        assert mode.until_deg == values.travel_deg
