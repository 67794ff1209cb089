"""Earlier readings say where the next resonance is; the set is worked out here by Thomson's formula and circuit theory."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.measuring.bench import Bench
from bench.measuring.operator import Setup, Turn
from bench.measuring.prediction import DialLaw
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.tuning import tune
from bench.measuring.wanted import still_wanted
from bench.plan.schema import parse_plan
from bench.session.folder import Session
from drivers.roles import AnalyzerLimits, Sweep

PLAN = """
[receiver]
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
resistance = "5 kohm"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ inductance = "{l_uh} uH", q = [[1e6, 100], [9e6, 100]] }}
tickler = {{ turns = 6, inductance = "1 uH", k = 0.3 }}
dials = [0, 20, 40, 60, 80, 100]
"""
# As wound, a few percent off the plan's values.
TRUE_L_H = {"P": 31e-6, "R": 8.2e-6}
TRUE_STRAY_F = {"P": 14e-12, "R": 11e-12}
PLANNED = PLAN + COIL.format(name="P", l_uh=30) + COIL.format(name="R", l_uh=8.4)


def tuned_to(coil: str, dial: float, added_f: float = 0.0) -> float:
    """Thomson's formula; plates a third straight-line frequency, two thirds straight-line capacity."""
    share = dial / 100
    linear = 150e-12 + share * (15e-12 - 150e-12)
    frequency_like = (150e-12**-0.5 + share * (15e-12**-0.5 - 150e-12**-0.5)) ** -2
    c = linear * 2 / 3 + frequency_like / 3 + TRUE_STRAY_F[coil] + added_f
    return 1 / (2 * math.pi * math.sqrt(TRUE_L_H[coil] * c))


def read(coil: str, dial: float, added_f: float = 0.0, **cells: Any) -> dict[str, Any]:
    f0 = tuned_to(coil, dial, added_f)
    row = {"coil": coil, "dial": dial, "f0_hz": f0, "f0_u_hz": 1e-5 * f0, "added_c_f": added_f or None}
    return row | {"q_loaded": 90.0, "q_loaded_u": 0.9, "beta": 0.1} | cells


def test_the_more_is_read_the_nearer_the_next_is_foretold() -> None:
    plan = parse_plan(PLANNED)
    dials = (0.0, 20.0, 40.0, 60.0, 80.0)
    shares = []
    for n in range(len(dials)):
        expected = DialLaw(plan, [read("P", d) for d in dials[:n]]).expected("P", dials[n])
        assert abs(expected.f0_hz - tuned_to("P", dials[n])) < 3 * expected.f0_u_hz
        assert (expected.q_loaded is None) == (n == 0)
        shares.append(expected.f0_u_hz / expected.f0_hz)
    assert shares[0] < 0.15
    assert max(shares[2:]) < 0.03
    # The dial known from one coil, another needs one reading of its own.
    whole = [read("P", d) for d in (*dials, 100.0)]
    first = DialLaw(plan, [*whole, read("R", 0.0)]).expected("R", 50.0)
    assert abs(first.f0_hz - tuned_to("R", 50.0)) < 3 * first.f0_u_hz
    assert first.f0_u_hz < 0.05 * first.f0_hz
    third = DialLaw(plan, [*whole, *(read("R", d) for d in (0.0, 40.0, 100.0))]).expected("R", 60.0)
    assert abs(third.f0_hz - tuned_to("R", 60.0)) < 3 * third.f0_u_hz
    assert third.f0_u_hz < 0.005 * third.f0_hz


@pytest.mark.parametrize("added_f", [0.0, 100e-12])
def test_the_slope_foretold_is_that_of_the_plates(added_f: float) -> None:
    rows = [read("P", d) for d in (0.0, 20.0, 40.0, 60.0, 80.0, 100.0)]
    expected = DialLaw(parse_plan(PLANNED), rows).expected("P", 60.0, added_f)
    ratio = tuned_to("P", 62.0, added_f) / tuned_to("P", 58.0, added_f)
    # Good enough to follow a dial set a tenth of a division beside: off by less than a sixth of what that moves f0 by.
    assert expected.slope == pytest.approx(math.log(ratio) / 0.04, rel=0.15)


def test_a_known_capacitor_moves_what_is_foretold() -> None:
    plan = parse_plan(PLANNED)
    rows = [read("P", d) for d in (0.0, 40.0, 100.0)]
    expected = DialLaw(plan, rows).expected("P", 40.0, 100e-12)
    assert abs(expected.f0_hz - tuned_to("P", 40.0, 100e-12)) < 3 * expected.f0_u_hz
    assert expected.f0_u_hz < 0.03 * expected.f0_hz
    after = DialLaw(plan, [*rows, read("P", 0.0, 100e-12)]).expected("P", 40.0, 100e-12)
    assert abs(after.f0_hz - tuned_to("P", 40.0, 100e-12)) < 3 * after.f0_u_hz
    assert after.f0_u_hz < expected.f0_u_hz


class World:
    """The set with obedient hands, and an analyzer at it: one circle by the definitions of Q and coupling, a metre of cable."""

    limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3)
    by_level = False

    def __init__(self, seed: int = 1) -> None:
        self.random = np.random.default_rng(seed)
        self.dial, self.coil, self.added_f = 0.0, "P", 0.0
        self.swapped: str | None = None
        self.sweeps: list[int] = []

    # The instruments

    def has(self, role: str) -> bool:
        return role == "analyzer"

    def raw(self) -> bool:
        return False

    def analyzer(self) -> World:
        return self

    def reopen(self) -> None:
        raise AssertionError("nothing fails here")

    def identify(self) -> str:
        return "test analyzer"

    def close(self) -> None:
        return None

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        assert points <= 101
        f_hz = np.linspace(start_hz, stop_hz, points)
        f0, q, beta = tuned_to(self.swapped or self.coil, self.dial, self.added_f), 100.0, 0.12
        s11 = -1 + 2 * beta / (1 + beta + 1j * q * (f_hz / f0 - f0 / f_hz))
        s11 = s11 * np.exp(-4j * np.pi * f_hz / (0.66 * 299792458.0))
        noise = self.random.normal(size=(2, points))
        self.sweeps.append(points)
        return Sweep(f_hz, s11 + 1e-3 * (noise[0] + 1j * noise[1]))

    # The hands

    def caution(self, lines: list[str]) -> None:
        return None

    def prepare(self, setup: Setup) -> None:
        self.coil, self.added_f = setup.coil, setup.added_c_f or 0.0

    def set_dial(self, dial: float) -> float:
        self.sweeps.append(0)
        self.dial = dial + self.random.normal(0, 0.05)
        return dial

    def rest_control(self, angle_deg: float) -> None:
        return None

    def begin_turn(self, turn: Turn) -> None:
        raise AssertionError("no turn is needed for a resonance")

    def hears_oscillation(self) -> bool:
        return False

    def number(self, question: str, read: Any) -> float:
        raise AssertionError(question)

    def retry(self, problem: str) -> bool:
        raise AssertionError(problem)

    def each_setting(self) -> list[list[int]]:
        """Points of every sweep, setting by setting."""
        out: list[list[int]] = []
        for points in self.sweeps:
            if points:
                out[-1].append(points)
            else:
                out.append([])
        return out


def run(tmp_path: Path, world: Any, plan: str = PLANNED) -> Session:
    session = Session.create(tmp_path / "evening", plan)
    with session.lock():
        Runner(Bench(session, world, world, Reporter(0))).run(still_wanted(session, [], [], cold=False))
    return session


def test_one_sweep_of_41_points_is_enough_from_the_third_setting_on(tmp_path: Path) -> None:
    world = World()
    session = run(tmp_path, world)
    rows = session.rows("resonance")
    assert len(rows) == 12
    for row in rows:
        # Within the hand's tenth of a division, and Q within four of its uncertainties of the truth.
        assert row["f0_hz"] == pytest.approx(tuned_to(row["coil"], row["dial"]), rel=0.006)
        assert abs(row["q"] - 100.0) < 4 * row["q_u"]
        assert row["q_u"] <= 0.01 * row["q"]
    settings = world.each_setting()
    # The dial known from the first coil, the second needs one sweep from its second setting on.
    later = settings[7:]
    assert [len(one) for one in later] == [1] * 5
    assert max(sum(one) for one in later) <= 41
    # The first coil feels its way along plates that nobody has measured yet, and still needs no second from its third on.
    assert [len(one) for one in settings[2:6]] == [1] * 4
    assert max(sum(one) for one in settings[2:6]) <= 41
    assert not list(session.path.glob("sweeps/*-search*"))


def test_a_dip_that_is_elsewhere_is_searched_for_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    class WrongCoil(World):
        def set_dial(self, dial: float) -> float:
            # Another coil has got into the socket.
            self.swapped = "R" if self.coil == "P" and dial == 60 else None
            return super().set_dial(dial)

    session = run(tmp_path, WrongCoil())
    (row,) = [r for r in session.rows("resonance") if r["coil"] == "P" and r["dial"] == 60]
    assert row["f0_hz"] == pytest.approx(tuned_to("R", 60), rel=0.006)
    said = capsys.readouterr().err
    assert said.count("where the earlier readings put it") >= 1
    assert "dial 60" in said.split("where the earlier")[0].splitlines()[-1]
    assert "withdraw" in said
    # What was swept in vain is kept beside the reading.
    assert list(session.path.glob(f"sweeps/{row['reading']}-search*.s1p"))


def test_a_cold_run_tunes_with_the_valve_cold(tmp_path: Path) -> None:
    class Watched(World):
        valves: list[bool]

        def prepare(self, setup: Setup) -> None:
            super().prepare(setup)
            self.valves.append(setup.valve)

    world = Watched()
    world.valves = []
    session = Session.create(
        tmp_path / "cold", PLANNED.replace("dials =", 'onset_at = ["3.2 MHz"]\ndials =', 1)
    )
    with session.lock():
        for dial in (0.0, 50.0, 100.0):
            session.append("resonance", {**read("P", dial), "valve": "cold", "antenna": "no"})
        bench = Bench(session, world, world, Reporter(0), cold=True)  # type: ignore[arg-type]
        (item,) = still_wanted(session, ["onset"], ["P"], cold=True)
        _, f_hz = tune(bench, item)
        bench.prepare(item, loop=False)
    assert f_hz == pytest.approx(3.2e6, rel=0.005)
    # Cold while the analyzer listens, working again for the onset itself.
    assert world.valves == [False, True]
