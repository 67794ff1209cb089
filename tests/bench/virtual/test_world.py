"""What instruments and hands meet, against the hidden truth by means that are not the project's own fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray
from scipy.optimize import least_squares
from skrf.qfactor import Qfactor

from bench.plan.schema import load_plan, parse_plan
from bench.virtual.scenario import Hidden, demo_plan_path, draw
from bench.virtual.truth import Standing, true_onset, truth_of, tuned_to
from bench.virtual.world import Refused, SetWorld
from drivers.frames import FrameDecoder, encode_many

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PLAN = load_plan(demo_plan_path())


class Clock:
    """World time that stands still until told."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


class Bench:
    """A world with its clock in hand."""

    def __init__(self, hidden: Hidden) -> None:
        self.hidden = hidden
        self.clock = Clock()
        self.world = SetWorld(hidden, self.clock)

    def wait(self, seconds: float) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
        """Time, sensor angle in degrees, level share and mark of what happened meanwhile."""
        first = self.world.newest() + 1
        self.clock.now += seconds
        batch = self.world.frames(first, self.world.newest() + 1 - first)
        traits = self.hidden.sensor
        share = (4095 * batch.angle - traits.stop_low) / (traits.stop_high - traits.stop_low)
        return batch.t_s, share * self.hidden.knob.travel_deg, batch.level, batch.mark

    def done(self, takes_s: float) -> None:
        self.clock.now += takes_s


def quiet_analyzer(hidden: Hidden) -> Hidden:
    """The same set with an analyzer that neither hisses nor drifts."""
    return replace(hidden, analyzer=replace(hidden.analyzer, noise=0.0, drift=0.0, thermal_ppm=0.0))


def fit_circle(f_hz: Floats, s11: Complexes, f0_hz: float, q: float) -> tuple[float, float]:
    """f0 and unloaded Q by scipy: background of second order times nothing, plus one resonance; Q = 2QL/(2 − |b|/|a|)
    (NPL report MAT 58, 2021)."""
    x = (f_hz - f0_hz) / (f_hz[-1] - f0_hz)
    found: list[Complexes] = []

    def residual(p: Floats) -> Floats:
        resonance = 1.0 / (1.0 + 2j * p[1] * q * (f_hz / (f0_hz * (1.0 + 1e-3 * p[0])) - 1.0))
        design = np.column_stack([np.ones_like(f_hz), x, x**2, resonance])
        solution, *_ = np.linalg.lstsq(design, s11, rcond=None)
        found[:] = [solution]
        rest = design @ solution - s11
        return np.concatenate([rest.real, rest.imag])

    fit = least_squares(residual, [0.0, 0.95], x_scale=[0.1, 0.1])
    residual(fit.x)
    d = abs(found[0][3]) / abs(found[0][0])
    return f0_hz * (1.0 + 1e-3 * fit.x[0]), 2.0 * fit.x[1] * q / (2.0 - d)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reflection_holds_the_true_resonance(seed: int) -> None:
    hidden = quiet_analyzer(draw(PLAN, seed))
    bench = Bench(hidden)
    for coil in truth_of(PLAN, hidden)["coils"]:
        bench.done(bench.world.plug(coil["name"]))
        bench.done(bench.world.set_loop(True))
        for row in coil["dials"]:
            bench.world._standing = replace(bench.world._standing, dial=row["dial"])
            width = row["f0_hz"] / row["q"]
            f_hz = row["f0_hz"] + width * np.linspace(-1.5, 1.5, 201)
            f0, q = fit_circle(f_hz, bench.world.reflection(f_hz), row["f0_hz"], row["q"])
            # The loop's own inductance draws the tank a little; nothing else may differ.
            assert f0 == pytest.approx(row["f0_hz"], rel=5e-4)
            assert q == pytest.approx(row["q"], rel=3e-3)


def test_reflection_agrees_with_scikit_rf_where_the_cable_is_taken_off() -> None:
    """scikit-rf's Q-factor class knows no cable: with the cable's delay removed it must find the loaded Q within a few percent."""
    hidden = quiet_analyzer(draw(PLAN, 3))
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_loop(True))
    bench.world._standing = replace(bench.world._standing, dial=40.0)
    row = truth_of(PLAN, hidden)["coils"][1]["dials"][2]
    f_hz = row["f0_hz"] * (1.0 + np.linspace(-3.0, 3.0, 301) / row["q"])
    s11 = bench.world.reflection(f_hz)
    # Delay of cable and loop together, from the slope of the phase between the two ends of the sweep.
    slope = (np.angle(s11[-1]) - np.angle(s11[0])) / (f_hz[-1] - f_hz[0])
    flat = s11 * np.exp(-1j * slope * (f_hz - row["f0_hz"]))
    fitted = Qfactor(skrf.Network(f=f_hz, f_unit="hz", s=flat.reshape(-1, 1, 1)), res_type="reflection")
    result = fitted.fit()
    assert result.f_L == pytest.approx(row["f0_hz"], rel=5e-4)
    assert 0.90 < result.Q_L / row["q"] < 1.03


def test_loop_away_shows_nothing_and_cold_valve_raises_q() -> None:
    hidden = quiet_analyzer(draw(PLAN, 2))
    bench = Bench(hidden)
    row = truth_of(PLAN, hidden)["coils"][0]["dials"][0]
    f_hz = row["f0_hz"] * (1.0 + np.linspace(-2.0, 2.0, 201) / row["q"])
    bench.world._standing = replace(bench.world._standing, dial=0.0)

    def wiggle() -> float:
        s11 = bench.world.reflection(f_hz)
        smooth = np.polynomial.Polynomial.fit(f_hz, np.abs(s11), 1)
        return float(np.max(np.abs(np.abs(s11) - smooth(f_hz))))

    away = wiggle()
    bench.done(bench.world.set_loop(True))
    assert wiggle() > 50.0 * away
    _, working = fit_circle(f_hz, bench.world.reflection(f_hz), row["f0_hz"], row["q"])
    bench.done(bench.world.set_valve(False))
    _, cold = fit_circle(f_hz, bench.world.reflection(f_hz), row["f0_hz"], row["q"])
    assert cold > 1.02 * working


def test_noise_is_as_said_and_differs_from_sweep_to_sweep() -> None:
    hidden = draw(PLAN, 5)
    bench = Bench(hidden)
    f_hz = np.linspace(1e6, 1.1e6, 400)
    difference = bench.world.reflection(f_hz) - bench.world.reflection(f_hz)
    assert np.std(difference.real) == pytest.approx(np.sqrt(2) * hidden.analyzer.noise, rel=0.15)


def test_known_capacitor_moves_resonance_by_the_straight_line() -> None:
    """1/f² against added capacitance is straight with slope 4π²L (two-point method)."""
    hidden = quiet_analyzer(draw(PLAN, 4))
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_loop(True))
    bench.world._standing = replace(bench.world._standing, dial=0.0)
    row = truth_of(PLAN, hidden)["coils"][1]["dials"][0]
    l_h = truth_of(PLAN, hidden)["coils"][1]["l_h"]
    found = []
    for added in (None, 100e-12):
        bench.done(bench.world.set_added(added))
        true = 0.0 if added is None else added * (1.0 + hidden.added_error)
        near = row["f0_hz"] / np.sqrt(1.0 + true / (row["c_f"] + row["c_stray_f"]))
        f_hz = near * (1.0 + np.linspace(-2.0, 2.0, 201) / row["q"])
        found.append(fit_circle(f_hz, bench.world.reflection(f_hz), near, row["q"])[0])
    slope = (found[1] ** -2 - found[0] ** -2) / (100e-12 * (1.0 + hidden.added_error))
    # Tickler and plate circuit reflect a little reactance, which bends the line by well under a percent.
    assert slope / (4 * np.pi**2) == pytest.approx(l_h, rel=0.006)


def test_hand_near_the_coil_lowers_the_frequency() -> None:
    hidden = quiet_analyzer(draw(PLAN, 4))
    bench = Bench(hidden)
    bench.done(bench.world.set_loop(True))
    bench.world._standing = replace(bench.world._standing, dial=100.0)
    row = truth_of(PLAN, hidden)["coils"][0]["dials"][-1]
    f_hz = row["f0_hz"] * (1.0 + np.linspace(-2.0, 2.0, 201) / row["q"])
    free, _ = fit_circle(f_hz, bench.world.reflection(f_hz), row["f0_hz"], row["q"])
    bench.done(bench.world.set_hand("coil"))
    near, _ = fit_circle(f_hz, bench.world.reflection(f_hz), row["f0_hz"], row["q"])
    total = row["c_f"] + row["c_stray_f"]
    assert near / free - 1.0 == pytest.approx(-0.5 * hidden.body_f["coil"] / total, rel=0.1)


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_level_jumps_at_the_true_onset_and_falls_at_the_true_dropout(seed: int) -> None:
    hidden = draw(PLAN, seed)
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_dial(45.0))
    true = true_onset(hidden, bench.world._standing)
    assert true.onset_deg is not None
    assert true.dropout_deg is not None
    assert true.dropout_deg < true.onset_deg
    threshold = hidden.level.quiet + 0.12
    bench.world.turn(true.onset_deg - 15.0, 100.0)
    bench.wait(10.0)
    bench.world.turn(true.onset_deg + 15.0, 2.0)
    _, angle, level, _ = bench.wait(20.0)
    assert level[0] < threshold < level[-1]
    assert angle[np.argmax(level > threshold)] == pytest.approx(true.onset_deg, abs=1.0)
    bench.world.turn(true.onset_deg - 20.0, 2.0)
    _, angle, level, _ = bench.wait(25.0)
    assert angle[np.argmax(level < threshold)] == pytest.approx(true.dropout_deg, abs=1.0)
    assert level[-1] < threshold


def test_listener_marks_only_what_happens() -> None:
    hidden = draw(PLAN, 1)
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_dial(45.0))
    bench.world.set_listening(True)
    assert not bench.wait(5.0)[3].any()
    bench.world.turn(300.0, 20.0)
    t_s, _, level, mark = bench.wait(20.0)
    started = t_s[np.argmax(level > hidden.level.quiet + 0.12)]
    assert 0.05 < t_s[np.argmax(mark)] - started < 0.6


def test_oscillating_set_spoils_the_sweep() -> None:
    hidden = draw(PLAN, 1)
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_dial(45.0))
    bench.done(bench.world.set_loop(True))
    f_hz = np.linspace(3e6, 8e6, 401)
    calm = bench.world.reflection(f_hz)
    bench.world.turn(300.0, 60.0)
    bench.wait(8.0)
    wild = bench.world.reflection(f_hz)
    assert np.max(np.abs(np.diff(wild))) > 5.0 * np.max(np.abs(np.diff(calm)))


def test_frames_survive_the_wire_and_show_both_stops() -> None:
    hidden = draw(PLAN, 9)
    bench = Bench(hidden)
    bench.world.turn(300.0, 90.0)
    bench.wait(8.0)
    first = bench.world.newest() + 1
    bench.clock.now += 2.0
    count = bench.world.newest() + 1 - first
    batch = bench.world.frames(first, count)
    counts = np.rint(4095 * np.clip(batch.angle, 0, 1)).astype(np.int64)
    levels = np.rint(4095 * np.clip(batch.level, 0, 1)).astype(np.int64)
    lines = encode_many(
        np.arange(first, first + count),
        np.rint(1e3 * batch.t_s).astype(np.int64),
        counts,
        levels,
        np.asarray(batch.mark, np.bool_),
    )
    decoder = FrameDecoder()
    frames = decoder.feed(lines)
    assert len(frames) == count == 200
    assert decoder.counts.faults == 0
    assert np.diff([clock for clock, _ in frames]).tolist() == [10] * 199
    high = np.mean([frame.angle for _, frame in frames])
    bench.world.turn(0.0, 90.0)
    bench.wait(8.0)
    first = bench.world.newest() + 1
    bench.clock.now += 2.0
    low = np.mean(4095 * bench.world.frames(first, 200).angle)
    # Play in the coupling keeps the sensor short of the stops by a fraction of a degree.
    degree = (hidden.sensor.stop_high - hidden.sensor.stop_low) / hidden.knob.travel_deg
    assert low == pytest.approx(hidden.sensor.stop_low, abs=0.5 * degree)
    assert high == pytest.approx(hidden.sensor.stop_high, abs=0.5 * degree)


def test_anticlockwise_control_counts_down() -> None:
    text = demo_plan_path().read_text(encoding="utf-8")
    plan = parse_plan(text.replace('kind = "divider"', 'kind = "divider"\ndirection = "anticlockwise"'))
    bench = Bench(draw(plan, 1))
    bench.world.turn(0.0, 90.0)
    bench.wait(5.0)
    low = float(np.mean(bench.world.frames(bench.world.newest() - 50, 50).angle))
    bench.world.turn(300.0, 90.0)
    bench.wait(8.0)
    assert float(np.mean(bench.world.frames(bench.world.newest() - 50, 50).angle)) < low - 0.5


def test_a_long_pause_is_caught_up_with_quickly_and_correctly() -> None:
    bench = Bench(draw(PLAN, 1))
    bench.world.turn(200.0, 60.0)
    bench.clock.now += 1e5
    batch = bench.world.frames(bench.world.newest() - 99, 100)
    assert np.all(np.isfinite(batch.level))
    # Set within twice the operator's scatter and the knob's play, read off within four times it, to a whole degree; half the play is lost motion.
    scatter, play = bench.hidden.operator.judging_deg, bench.hidden.sensor.knob_play_deg
    assert bench.world.judged_angle() == pytest.approx(200.0, abs=6 * scatter + 0.5 * play + 0.5)


def test_generator_at_resonance_lifts_the_level() -> None:
    hidden = draw(PLAN, 1)
    bench = Bench(hidden)
    row = truth_of(PLAN, hidden)["coils"][0]["dials"][0]
    bench.world._standing = replace(bench.world._standing, dial=0.0)
    bench.world.set_loop(True)
    levels = []
    for f_hz, on in ((row["f0_hz"], False), (row["f0_hz"], True), (1.3 * row["f0_hz"], True)):
        bench.world.apply(f_hz, -10.0, on)
        levels.append(float(np.mean(bench.wait(2.0)[2])))
    assert levels[1] > levels[0] + 0.05
    assert levels[2] < levels[0] + 0.01


@pytest.mark.parametrize(
    ("act", "why"),
    [
        (lambda world: world.plug("Z"), "no coil 'Z'; the coils are A, B, C"),
        (lambda world: world.set_dial(130.0), "from 0 to 100"),
        (lambda world: world.set_antenna(True), "no antenna"),
        (lambda world: world.set_hand("ceiling"), "no such place"),
        (lambda world: world.turn(100.0, 0.0), "degrees a second"),
        (lambda world: world.turn(float("nan"), 5.0), "not a number"),
        (lambda world: world.set_added(-1e-12), "not to be had"),
    ],
)
def test_hands_refuse_what_cannot_be_done(act: Callable[[SetWorld], float], why: str) -> None:
    with pytest.raises(Refused, match=why):
        act(Bench(draw(PLAN, 1)).world)


def test_onset_at_a_frequency_is_that_of_the_tuned_set() -> None:
    hidden = draw(PLAN, 3)
    row = truth_of(PLAN, hidden)["coils"][1]["onset"][2]
    tuned = tuned_to(hidden, Standing("B", 0.0), row["f_hz"])
    at_dial = true_onset(hidden, Standing("B", row["dial"]))
    assert at_dial.onset_deg == pytest.approx(row["onset_deg"], abs=0.05)
    assert true_onset(hidden, tuned).onset_deg == row["onset_deg"]


ANTENNA = """[receiver.antenna]
coupling_capacitor = "10 pF"
resistance = "75 ohm"
capacitance = "200 pF"

[[coil]]"""


def test_antenna_loads_the_tank_and_delays_onset() -> None:
    text = demo_plan_path().read_text(encoding="utf-8")
    with_antenna = parse_plan(text.replace("[[coil]]", ANTENNA, 1))
    bench = Bench(draw(with_antenna, 3))
    bench.done(bench.world.set_antenna(True))
    assert bench.world.seen()["antenna"] is True
    # The same seed without the antenna is the same set; each tuned to the same frequency.
    off, on = truth_of(PLAN, draw(PLAN, 3)), truth_of(with_antenna, draw(with_antenna, 3))
    assert (off["antenna"], on["antenna"]) == (False, True)
    for bare, loaded in zip(off["coils"][1]["onset"], on["coils"][1]["onset"], strict=True):
        assert loaded["q"] < 0.99 * bare["q"]
        assert loaded["onset_deg"] > bare["onset_deg"]


@pytest.mark.parametrize(
    "control",
    [
        'kind = "shunt"\nresistance = "50 kohm"\ntaper = "log"',
        'kind = "throttle"\ncapacitance = ["10 pF", "150 pF"]',
        'kind = "divider"\nresistance = "400 kohm"',
        'kind = "supply"',
        'kind = "swing"',
    ],
)
def test_every_kind_of_control_starts_where_the_truth_says(control: str) -> None:
    text = demo_plan_path().read_text(encoding="utf-8")
    start, end = text.index('kind = "divider"'), text.index("travel_deg")
    hidden = draw(parse_plan(text[:start] + control + "\n" + text[end:]), 2)
    bench = Bench(hidden)
    bench.done(bench.world.plug("B"))
    bench.done(bench.world.set_dial(50.0))
    true = true_onset(hidden, bench.world._standing)
    bench.world.turn(300.0, 5.0)
    _, angle, level, _ = bench.wait(65.0)
    singing = level > hidden.level.quiet + 0.12
    assert true.onset_deg is not None
    assert singing.any()
    # At 5 degrees a second the growth itself takes a little of the way.
    assert angle[np.argmax(singing)] == pytest.approx(true.onset_deg, abs=1.2)
