"""Open, short and load: the truth is a chain of scikit-rf two-ports, cascaded by scikit-rf and unknown to the correction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf

from bench.errors import ReadingError, SessionError
from bench.measuring.calibrated import Calibrated
from bench.measuring.open_short_load import (
    STANDARDS,
    CorrectedAnalyzer,
    Standards,
    solve,
    sweep_standard,
)
from bench.physics.resonance import fit_sweep
from bench.readings.resonance_run import measure_resonance, merged
from bench.session import calibrations
from bench.session.folder import Session
from drivers.roles import AnalyzerLimits, Complexes, Floats, Sweep

LOW_HZ, HIGH_HZ = 1e6, 20e6


def media(f_hz: Floats) -> Any:
    """Solid-polyethylene coax of 50 ohm, 0.05 dB a metre at 10 MHz."""
    frequency = skrf.Frequency.from_f(f_hz, unit="Hz")
    loss = 0.05 / 8.686 * np.sqrt(f_hz / 10e6)
    gamma = loss + 2j * np.pi * f_hz / (0.66 * 299792458.0)
    return skrf.media.DefinedGammaZ0(frequency, gamma=gamma, z0=50.0)


def one_port(f_hz: Floats, gamma: Complexes) -> Any:
    return skrf.Network(f=f_hz, f_unit="Hz", s=np.asarray(gamma)[:, None, None], z0=50.0)


def error_box(f_hz: Floats, seed: int) -> Any:
    """A bridge with stray parts, then some cable: reciprocal, mismatched, lossy."""
    random = np.random.default_rng(seed)
    line = media(f_hz)
    box = line.shunt_capacitor(random.uniform(5e-12, 30e-12)) ** line.inductor(random.uniform(20e-9, 80e-9))
    pad = line.resistor(random.uniform(2.0, 10.0)) ** line.shunt(
        line.resistor(random.uniform(300, 900)) ** line.short()
    )
    return box**pad ** line.line(random.uniform(0.5, 2.0), "m")


def tank(f_hz: Floats, f0_hz: float = 5.3e6, q: float = 120.0, beta: float = 0.12) -> Complexes:
    """A loop of no inductance at a tank: by the definitions of Q and coupling, nothing but one circle."""
    return np.asarray(-1.0 + 2.0 * beta / (1.0 + beta + 1j * q * (f_hz / f0_hz - f0_hz / f_hz)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_lies_behind_an_error_box_comes_out_again(seed: int) -> None:
    f_hz = np.linspace(LOW_HZ, HIGH_HZ, 201)
    real = Standards(open_c_f=0.4e-12, short_l_h=2e-9, load_ohm=47.0)
    box = error_box(f_hz, seed)
    measured = {
        name: (box ** one_port(f_hz, gamma)).s[:, 0, 0] for name, gamma in real.reflections(f_hz).items()
    }
    terms = solve(f_hz, measured, real)
    # Between the calibration's own points, on an unlike grid.
    new_hz = np.linspace(5.0e6, 5.6e6, 77)
    behind = (error_box(new_hz, seed) ** one_port(new_hz, tank(new_hz))).s[:, 0, 0]
    assert np.abs(behind - tank(new_hz)).max() > 0.2
    assert np.abs(terms.corrected(new_hz, behind) - tank(new_hz)).max() < 1e-6
    with pytest.raises(ValueError, match="outside"):
        terms.corrected(np.array([HIGH_HZ, 1.1 * HIGH_HZ]), np.zeros(2, complex))


def test_standards_are_what_their_circuits_say() -> None:
    f_hz = np.linspace(LOW_HZ, HIGH_HZ, 5)
    line = media(f_hz)
    stated = Standards(open_c_f=0.4e-12, short_l_h=2e-9, load_ohm=47.0).reflections(f_hz)
    expected = {
        "open": line.shunt_capacitor(0.4e-12) ** line.open(),
        "short": line.inductor(2e-9) ** line.short(),
        "load": line.resistor(47.0) ** line.short(),
    }
    for name, network in expected.items():
        assert stated[name] == pytest.approx(network.s[:, 0, 0], abs=1e-9)
    assert [complex(s[0]) for s in Standards().reflections(f_hz).values()] == [1, -1, 0]


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (("open", "open", "load"), "Open and short look the same"),
        (("load", "short", "open"), "not those of open, short and load"),
        (("open", "load", "short"), "not those of open, short and load"),
    ],
)
def test_standards_mixed_up_are_noticed(order: tuple[str, ...], words: str) -> None:
    f_hz = np.linspace(LOW_HZ, HIGH_HZ, 101)
    box, ideal = error_box(f_hz, 4), Standards().reflections(f_hz)
    measured = {
        name: (box ** one_port(f_hz, ideal[really])).s[:, 0, 0]
        for name, really in zip(STANDARDS, order, strict=True)
    }
    with pytest.raises(ReadingError, match=words):
        solve(f_hz, measured, Standards())


class Bench:
    """An analyzer behind an error box, with noise; `load` is what hangs at the cable's end."""

    limits = AnalyzerLimits(LOW_HZ, HIGH_HZ, 101, 1e-3)

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.random = np.random.default_rng(seed)
        self.standard: str | None = None

    def identify(self) -> str:
        return "test analyzer"

    def close(self) -> None:
        return None

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        assert points <= self.limits.most_points
        return self._seen(np.linspace(start_hz, stop_hz, points))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        assert len(f_hz) <= self.limits.list_points
        return self._seen(f_hz)

    def _seen(self, f_hz: Floats) -> Sweep:
        end = tank(f_hz) if self.standard is None else Standards().reflections(f_hz)[self.standard]
        s11 = (error_box(f_hz, self.seed) ** one_port(f_hz, end)).s[:, 0, 0]
        noise = self.random.normal(size=(2, len(f_hz)))
        return Sweep(f_hz, s11 + 5e-4 * (noise[0] + 1j * noise[1]))


PLAN = """
[receiver]
[receiver.tuning]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
resistance = "5 kohm"
[[coil]]
name = "K"
grid = { turns = 20, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }
tickler = { turns = 6, gap = "2 mm", wire = "0.2 mm" }
"""


def calibrate(session: Session, bench: Bench, high_hz: float = HIGH_HZ) -> calibrations.Kept:
    measured = {}
    for name in STANDARDS:
        bench.standard = name
        swept = sweep_standard(bench, LOW_HZ, high_hz)
        measured[name] = swept.s11
    bench.standard = None
    return calibrations.keep(
        session, swept.f_hz, measured, analyzer=bench.identify(), open_c_f=0.0, short_l_h=0.0,
        load_ohm=50.0, notes=dict.fromkeys(STANDARDS, "swept in a test"),
    )  # fmt: skip


@pytest.mark.parametrize("list_points", [0, 101])
def test_a_reading_through_a_kept_calibration(tmp_path: Path, list_points: int) -> None:
    session, bench = Session.create(tmp_path / "s", PLAN), Bench(5)
    bench.limits = replace(bench.limits, list_points=list_points)
    kept = calibrate(session, bench)
    said: list[str] = []
    calibrated = Calibrated(session, said.append)
    analyzer = calibrated.over(bench, 4e6, 7e6)
    reading = measure_resonance(analyzer, 4e6, 7e6, q_goal=0.01)
    found = reading.resonance
    assert found.q is not None
    assert found.q_u is not None
    assert abs(found.q - 120.0) < 3 * found.q_u
    assert found.f0_hz == pytest.approx(5.3e6, abs=3 * (found.f0_u_hz or 0.0))
    assert "Calibrated" in said[0]
    assert "ideal standards" in said[0]
    # Nothing is lost: what the analyzer returned is kept, and corrected again gives the same.
    calibrated.keep_raw(analyzer, "r00001", reading.sweeps)
    from drivers.touchstone import read_sweep

    f_hz, raw = read_sweep(session.path / "sweeps" / "r00001-raw.s1p")
    terms = solve(*kept.sweeps(), Standards())
    assert np.abs(terms.corrected(f_hz, raw) - merged(reading.sweeps)[1]).max() < 1e-9
    assert any(kept.name in note for note in calibrated.notes(analyzer))


def test_where_the_calibration_does_not_hold_it_is_said_and_not_used(tmp_path: Path) -> None:
    session, bench = Session.create(tmp_path / "s", PLAN), Bench(6)
    said: list[str] = []
    assert Calibrated(session, said.append).over(bench, 4e6, 7e6) is bench
    assert said == []
    assert Calibrated(session, said.append, raw=True).over(bench, 4e6, 7e6) is bench
    assert "raw data" in said[-1]
    calibrate(session, bench, high_hz=6e6)
    calibrated = Calibrated(session, said.append)
    assert isinstance(calibrated.over(bench, 4e6, 5.9e6), CorrectedAnalyzer)
    assert calibrated.over(bench, 4e6, 7e6) is bench
    assert "covers" in said[-1]
    assert "--to" in said[-1]
    bench.identify = lambda: "another one"  # type: ignore[method-assign]
    assert calibrated.over(bench, 4e6, 5e6) is bench
    assert "another analyzer" in said[-1]
    calibrations.cable_changed(session)
    assert Calibrated(session, said.append).over(bench, 4e6, 5e6) is bench
    assert "cable was changed" in said[-1]


def test_a_half_kept_or_damaged_calibration_is_not_used_in_silence(tmp_path: Path) -> None:
    session, bench = Session.create(tmp_path / "s", PLAN), Bench(7)
    first = calibrate(session, bench)
    second = calibrate(session, bench)
    assert (first.name, second.name) == ("c001", "c002")
    (second.path / calibrations.FACTS).unlink()
    newest = calibrations.newest(session)
    assert newest is not None
    assert newest.name == "c001"
    assert calibrate(session, bench).name == "c003"
    (session.path / "calibrations" / "c003" / "load.s1p").write_text("rubbish")
    with pytest.raises(SessionError, match="calibrate again"):
        Calibrated(session, print).over(bench, 4e6, 5e6)
    (session.path / "calibrations" / "c003" / calibrations.FACTS).write_text('{"made_at": "yesterday"}')
    with pytest.raises(SessionError, match="damaged"):
        calibrations.newest(session)


@pytest.mark.parametrize("q", [40.0, 120.0, 280.0])
def test_a_metre_of_cable_left_in_changes_q_by_less_than_its_uncertainty(q: float) -> None:
    f0_hz, n = 5.3e6, 61
    f_hz = np.linspace(f0_hz * (1 - 1.6 / q), f0_hz * (1 + 1.6 / q), n)
    at_tank = tank(f_hz, f0_hz, q)
    through = (media(f_hz).line(1.0, "m") ** one_port(f_hz, at_tank)).s[:, 0, 0]
    # Noise is the analyzer's: the same in both sweeps but for the turn that the cable gives everything.
    turn = np.exp(-4j * np.pi * f0_hz / (0.66 * 299792458.0))
    changes, u = [], []
    for seed in range(30):
        random = np.random.default_rng(seed)
        noise = 1e-3 * (random.normal(size=n) + 1j * random.normal(size=n))
        without, cable = fit_sweep(f_hz, at_tank + noise), fit_sweep(f_hz, through + turn * noise)
        assert without.q is not None
        assert cable.q is not None
        assert cable.q_u is not None
        assert abs(cable.q - q) < 3.5 * cable.q_u
        changes.append(cable.q - without.q)
        u.append(cable.q_u)
    assert float(np.sqrt(np.mean(np.square(changes)))) < float(np.mean(u))
    # quality.md: off by under 0.2 %.
    assert abs(float(np.mean(changes))) < 0.002 * q
