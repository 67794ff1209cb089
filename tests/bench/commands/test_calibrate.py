"""`calibrate`: from saved sweeps, on the virtual bench, and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bench.demo import demo_plan
from bench.session.folder import Session
from bench.virtual.scenario import draw
from drivers.touchstone import read_sweep, sweep_text

Run = Callable[..., tuple[int, str, str]]


def save(folder: Path, points: int = 101, **gamma: complex) -> list[str]:
    """Sweeps of standards through 6 dB of nothing else, by hand."""
    f_hz = np.linspace(1e6, 10e6, points)
    words = []
    for name, value in gamma.items():
        path = folder / f"{name}.s1p"
        path.write_text(sweep_text(f_hz, np.full(points, 0.02 + 0.5 * value)))
        words += [f"--{name}", str(path)]
    return words


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "sessions" / "evening", demo_plan(4))


def test_from_saved_sweeps(regenbench: Run, session: Session, tmp_path: Path) -> None:
    words = save(tmp_path, open=1, short=-1, load=0)
    code, out, _ = regenbench("calibrate", "evening", *words)
    assert code == 0
    assert "c001" in out
    assert "ideal" in out
    f_hz, load = read_sweep(session.path / "calibrations" / "c001" / "load.s1p")
    assert f_hz[[0, -1]].tolist() == [1e6, 10e6]
    assert load == pytest.approx(0.02)
    facts = json.loads((session.path / "calibrations" / "c001" / "calibration.json").read_text())
    assert (facts["low_hz"], facts["high_hz"], facts["load_ohm"]) == (1e6, 10e6, 50.0)
    code, out, _ = regenbench("calibrate", "evening", *words, "--load-resistance", "49ohm")
    assert code == 0
    assert "as stated" in out
    code, out, _ = regenbench("check", "evening")
    assert code == 0
    assert "calibrations/: 2" in out
    (session.path / "calibrations" / "c001" / "short.s1p").unlink()
    code, out, err = regenbench("check", "evening")
    assert code == 1
    assert "short.s1p" in out + err


def test_what_is_refused(regenbench: Run, session: Session, tmp_path: Path) -> None:
    words = save(tmp_path, open=1, short=-1, load=0)
    assert regenbench("calibrate", "evening", *words[:4])[0] == 2
    assert regenbench("calibrate", "evening", *words, "--virtual")[0] == 2
    assert regenbench("calibrate", "evening", "--from", "7")[0] == 2
    code, _, err = regenbench(
        "calibrate", "evening", "--open", words[3], "--short", words[1], "--load", words[1]
    )
    assert (code, "look the same" in err) == (1, True)
    save(tmp_path, points=51, load=0)
    code, _, err = regenbench("calibrate", "evening", *words)
    assert (code, "same start, stop and points" in err) == (1, True)
    code, _, err = regenbench(
        "calibrate", "evening", "--open", "no.s1p", "--short", words[3], "--load", words[5]
    )
    assert (code, "no such file" in err) == (1, True)
    assert not (session.path / "calibrations").exists()


def test_a_cable_that_was_changed(regenbench: Run, session: Session) -> None:
    code, out, _ = regenbench("calibrate", "evening", "--cable-changed")
    assert code == 0
    assert "regenbench calibrate" in out
    assert (session.path / "calibrations" / "cable-changed.json").is_file()


def test_on_the_virtual_bench_it_takes_the_cable_away(regenbench: Run, session: Session) -> None:
    code, _, err = regenbench("calibrate", "evening", "--from", "1MHz", "--to", "12MHz", "--virtual")
    assert code == 0, err
    assert regenbench("measure", "evening", "--virtual", "--coil", "A", "--reading", "resonance")[0] == 0
    rows = session.rows("resonance")
    hidden = draw(session.plan, session.plan.virtual.seed)
    for row in rows:
        f_hz, corrected = read_sweep(session.path / row["sweep"])
        _, raw = read_sweep(session.path / row["sweep"].replace(".s1p", "-raw.s1p"))
        # Off resonance the loop alone is left: its own inductance and resistance, by the reflection's definition.
        z = hidden.loop_r_ohm + 2j * np.pi * f_hz[0] * hidden.loop_l_h
        assert abs(corrected[0] - (z - 50) / (z + 50)) < 0.05
        assert len(raw) == len(corrected)
    assert regenbench("check", "evening")[0] == 0
