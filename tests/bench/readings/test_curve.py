"""Curve readings on the simulated set in steps: truth from its own network, which no reading sees."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest

from bench.errors import ReadingError
from bench.measuring.operator import Setup
from bench.plan.schema import Plan, load_plan, parse_plan
from bench.readings.curve_points import CurveReading, SignalCheck
from bench.readings.curve_run import MOST_BETA, MOST_NEARER, measure_curve
from bench.virtual.scenario import demo_plan_path, draw
from bench.virtual.stepped import Stepped
from bench.virtual.truth import Standing, true_onset, tuned_to

PLAN = load_plan(demo_plan_path())
TEXT = Path(demo_plan_path()).read_text(encoding="utf-8")
ANTENNA = """
[receiver.antenna]
coupling_capacitor = "6 pF"
resistance = "75 ohm"
capacitance = "200 pF"
"""


class Watched(Stepped):
    """Remembers how far the control went, and whether the set ever oscillated."""

    furthest_deg = 0.0
    sang = False
    judged_by: float | None = None

    def read_angle(self) -> tuple[float, float]:
        """Where the shaft stands; the sensor's own errors are tested elsewhere."""
        self.take(0.3)
        state = self.world.seen()
        self.furthest_deg = max(self.furthest_deg, self.world._linkage.shaft_deg)
        self.sang |= bool(state["oscillating"])
        return self.world._linkage.shaft_deg, 0.05


class Slips(Watched):
    """Goes well up to an angle; whenever the hand is to go further, it slips to another."""

    from_deg = slips_to = 1e3

    def rest_control(self, angle_deg: float) -> None:
        super().rest_control(self.slips_to if angle_deg > self.from_deg else angle_deg)


Bench = TypeVar("Bench", bound=Watched)


def bench_at(
    plan: Plan, seed: int, coil: str, f_hz: float, *, antenna: bool = False
) -> tuple[Watched, float | None]:
    return bench_of(Watched, plan, seed, coil, f_hz, antenna=antenna)


def bench_of(
    kind: type[Bench], plan: Plan, seed: int, coil: str, f_hz: float, *, antenna: bool = False
) -> tuple[Bench, float | None]:
    """A bench tuned to a frequency, the loop at the coil; and the angle at which it really starts there."""
    hidden = draw(plan, seed)
    standing = tuned_to(hidden, Standing(coil, 0.0, antenna=antenna), f_hz)
    bench = kind(hidden)
    assert standing.tuning_f is not None
    dial = hidden.tuning.dial_for(standing.tuning_f)
    assert dial is not None
    bench.prepare(Setup(coil, antenna=antenna))
    bench.set_dial(dial)
    bench.prepare(Setup(coil, antenna=antenna, loop=True))
    set_to = replace(standing, tuning_f=None, dial=bench.world._standing.dial)
    return bench, true_onset(hidden, set_to).onset_deg


def read(bench: Watched, f_hz: float, q_goal: float = 0.01) -> CurveReading:
    return measure_curve(bench, bench, bench.read_angle, f0_hz=f_hz, travel_deg=300.0, q_goal=q_goal)


@pytest.mark.parametrize(("seed", "coil", "f_hz"), [(1, "B", 5e6), (3, "A", 2.5e6)])
def test_onset_is_found_without_ever_oscillating(seed: int, coil: str, f_hz: float) -> None:
    bench, true = bench_at(PLAN, seed, coil, f_hz)
    found = read(bench, f_hz)
    assert true is not None
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert not bench.sang
    assert bench.furthest_deg < true
    # quality.md: 1 degree; and the truth within three of its own sigma.
    assert abs(found.onset.angle_deg - true) < min(1.0, 3.0 * found.onset_u_deg)
    assert found.onset_u_deg < 0.5
    assert 4 <= len(found.points) <= 6 + MOST_NEARER
    assert found.points[-1].q >= 5.0 * found.points[0].q
    assert [p.angle_deg for p in found.points] == sorted(p.angle_deg for p in found.points)
    assert all(p.resonance.beta is not None and p.resonance.beta < MOST_BETA for p in found.points)


def test_it_works_with_the_antenna_on() -> None:
    plan = parse_plan(TEXT.replace("# No [receiver.antenna]", ANTENNA + "# No [receiver.antenna]"))
    bench, true = bench_at(plan, 4, "B", 5e6, antenna=True)
    without, _ = bench_at(plan, 4, "B", 5e6)
    found = read(bench, 5e6)
    assert true is not None
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert abs(found.onset.angle_deg - true) < 3.0 * found.onset_u_deg
    free = read(without, 5e6)
    assert free.onset is not None
    # The antenna loads the tank: Q is lower, and oscillation starts later.
    assert found.points[0].q < free.points[0].q
    assert found.onset.angle_deg > free.onset.angle_deg


def test_a_set_that_never_oscillates_says_so() -> None:
    plan = parse_plan(TEXT.replace('gm = "0.9 mS"', 'gm = "0.15 mS"'))
    bench, true = bench_at(plan, 1, "C", 9e6)
    assert true is None
    found = read(bench, 9e6)
    assert found.never
    assert found.onset is None
    assert any("full travel" in said for said in found.warnings)


def test_a_set_that_oscillates_at_angle_0_has_nothing_below_onset() -> None:
    class Singing(Watched):
        def hears_oscillation(self) -> bool:
            return True

        def sweep_at(self, f_hz):  # type: ignore[no-untyped-def]
            return replace(super().sweep_at(f_hz), s11=0.5 * np.ones(len(f_hz), complex))

    hidden = draw(PLAN, 1)
    bench = Singing(hidden)
    bench.prepare(Setup("B", loop=True))
    with pytest.raises(ReadingError, match="control fully back"):
        read(bench, 5e6)


def test_a_step_past_onset_is_backed_out_of_and_told() -> None:
    class Clumsy(Watched):
        slipped = False

        def rest_control(self, angle_deg: float) -> None:
            # One hand movement goes far beyond what was asked, into oscillation.
            if angle_deg > 60.0 and not self.slipped:
                self.slipped = True
                angle_deg = 250.0
            super().rest_control(angle_deg)

    bench, true = bench_of(Clumsy, PLAN, 1, "B", 5e6)
    found = read(bench, 5e6)
    assert bench.sang
    assert any("backed off" in said for said in found.warnings)
    assert true is not None
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert abs(found.onset.angle_deg - true) < 3.0 * found.onset_u_deg


def test_a_slip_past_onset_at_the_nearest_reading_leaves_what_was_known() -> None:
    bench, true = bench_of(Slips, PLAN, 3, "A", 2.5e6)
    assert true is not None
    bench.from_deg, bench.slips_to = true - 5.0, true + 4.0
    found = read(bench, 2.5e6)
    assert bench.sang
    assert any("nearest to onset" in said for said in found.warnings)
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert found.points[-1].angle_deg < true - 4.0
    assert abs(found.onset.angle_deg - true) < 3.0 * found.onset_u_deg


@pytest.mark.slow
def test_an_analyzer_that_shouts_is_noticed_by_its_level() -> None:
    loud, true = bench_at(PLAN, 1, "B", 5e6)
    loud.set_level(-36.0)
    found = read(loud, 5e6, q_goal=0.02)
    assert found.signal is not None
    assert found.signal.how == "level"
    assert any("own signal changed Q" in said for said in found.warnings)
    assert loud.level_dbm == -36.0
    assert true is not None
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert abs(found.onset.angle_deg - true) < 2.0 * found.onset_u_deg


def test_without_a_level_to_set_the_loop_tells() -> None:
    check = SignalCheck(q=700.0, q_u=4.0, weaker_q=800.0, weaker_q_u=5.0, weaker_db=6.0, how="loop")
    assert check.moved
    # Square law: 6 dB is a quarter of the power, so the weaker signal leaves a third of the change that was seen.
    assert check.left_over == pytest.approx((800.0 / 700.0 - 1.0) / 3.0, rel=0.01)
    assert not SignalCheck(800.0, 8.0, 810.0, 8.0, 6.0, "loop").moved


@pytest.mark.slow
@pytest.mark.parametrize("seed", [5, 20])
def test_a_control_that_does_all_in_its_last_degrees_is_read(seed: int) -> None:
    # One step goes from Q 500 to Q 5000, less than a degree before onset: with the loop set there nothing could be read below.
    bench, true = bench_at(PLAN, seed, "C", 12.2e6)
    found = read(bench, 12.2e6)
    assert true is not None
    assert found.onset is not None
    assert found.onset_u_deg is not None
    assert abs(found.onset.angle_deg - true) < max(1.0, 2.0 * found.onset_u_deg)
    assert found.onset_u_deg < 1.5


def test_a_control_that_slips_whenever_it_is_turned_further_is_read_where_it_was_still() -> None:
    bench, true = bench_of(Slips, PLAN, 3, "A", 2.5e6)
    assert true is not None
    bench.from_deg, bench.slips_to = true - 12.0, true + 4.0
    found = read(bench, 2.5e6)
    assert bench.sang
    assert any("backed off" in said for said in found.warnings)
    # Not with the control fully back, where the last slip has left it.
    assert found.points[-1].angle_deg > 0.5 * true
    assert found.points[-1].q > 1.5 * found.points[0].q
    assert found.onset is None or abs(found.onset.angle_deg - true) < 3.0 * (found.onset_u_deg or 0.0)
