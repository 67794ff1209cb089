"""A pencil evening: no instrument, a throttle, and a plan as `start` writes it, against a set solved here by other means.

The truth is the set's own state equations, written out below and solved as a generalized eigenvalue problem (scipy), with parts
that are not the plan's: 7 pF and 2.6 pF about the valve, a grid that loads the tank, another k, a throttle of 12 to 104 pF.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import eigvals
from scipy.optimize import brentq

from bench.circuits import no_strays
from bench.fit.fitting import fit_tables
from bench.plan.schema import parse_plan
from bench.plan.writing import Answers, CoilAnswers, plan_from
from bench.session.tables import TABLES

TRAVEL_DEG, WINDOW_DEG = 180.0, (30.0, 150.0)
TUNING_F = (155e-12, 131e-12, 99.4e-12, 69.9e-12, 45.2e-12, 25e-12)
GRID_H, GRID_OHM, GM_S, RP_OHM = 18.4e-6, 250e3, 0.52e-3, 15e3


def growth(c_f: float, angle_deg: float, turns: float) -> tuple[float, float]:
    """Growth rate and frequency of the tank's mode: nodes grid, plate, tickler's cold end; currents of three inductances."""
    f0_hz = 1 / (2 * np.pi * np.sqrt(GRID_H * c_f))
    w = 2 * np.pi * f0_hz
    share = np.clip((angle_deg - 3) / (TRAVEL_DEG - 6), 0, 1)
    throttle_f = 12e-12 + share * 92e-12
    tickler_h = 0.082e-6 * turns**2
    mutual_h = 0.228 * np.sqrt(GRID_H * tickler_h)
    c, g = np.zeros((6, 6)), np.zeros((6, 6))
    for a, b, value in ((0, 1, 2.6e-12), (2, 0, 1.5e-12)):
        c[[a, b], [a, b]] += value
        c[[a, b], [b, a]] -= value
    c[[0, 1, 2], [0, 1, 2]] += (c_f, 8.5e-12, throttle_f)
    g[0, 0] = 1 / (115 * (f0_hz / 4e6) ** 0.15 * w * GRID_H) + 1 / GRID_OHM
    g[1, 1], g[1, 0] = 1 / RP_OHM, GM_S
    for column, (into, out) in {3: (0, None), 4: (1, 2), 5: (1, None)}.items():
        g[into, column], g[column, into] = 1, 1
        if out is not None:
            g[out, column], g[column, out] = -1, -1
    c[[3, 4, 5], [3, 4, 5]] = -GRID_H, -tickler_h, -2.5e-3
    c[3, 4] = c[4, 3] = mutual_h
    roots = eigvals(g, -w * c)
    roots = roots[np.isfinite(roots)]
    root = roots[np.argmin(np.abs(roots - 1j))]
    return float(root.real * w), float(root.imag * f0_hz)


def onset_deg(c_f: float, turns: float) -> float | None:
    if growth(c_f, TRAVEL_DEG, turns)[0] < 0:
        return None
    return float(brentq(lambda angle: growth(c_f, angle, turns)[0], 0, TRAVEL_DEG))


@pytest.fixture(scope="module")
def fitted() -> dict:
    coil = CoilAnswers("B", 27, "32mm", "24mm", "0.4mm", 6, "2.5mm", "0.25mm")
    answers = Answers(
        name="one valve", supply="45V", tuning=("140mmf", "10mmf"), control="throttle",
        throttle=("15mmf", "100mmf"), travel_deg=TRAVEL_DEG, choke="2.5mH", coils=[coil],
    )  # fmt: skip
    plan = parse_plan(plan_from(answers))
    rng = np.random.default_rng(3)
    resonance, onset = [], []
    for n, c_f in enumerate(TUNING_F):
        at = onset_deg(c_f, 6)
        heard_hz = growth(c_f, TRAVEL_DEG if at is None else at, 6)[1] * (1 + rng.uniform(-0.005, 0.005))
        common = {"coil": "B", "dial": 20 * n, "valve": "working", "antenna": "no"}
        resonance.append({**common, "reading": f"r{n:05d}", "f0_hz": heard_hz, "method": "typed"})
        onset.append(
            {**common, "reading": f"r1{n:04d}", "f_hz": heard_hz, "direction": "onset", "method": "typed", "angle_u_deg": 5.0,
             "angle_deg": None if at is None else at + rng.uniform(-5, 5)}
        )  # fmt: skip

    def frame(table: str, rows: list[dict]) -> pd.DataFrame:
        content = pd.DataFrame(rows, columns=[c.name for c in TABLES[table].columns])
        numeric = [
            c for c in content.columns if c.endswith(("_hz", "_deg", "_f", "q", "q_u", "q_loaded", "beta"))
        ]
        content[numeric] = content[numeric].astype(float)
        return content.assign(withdrawn=False)

    frames = {
        "resonance": frame("resonance", resonance),
        "onset": frame("onset", onset),
        "curve": frame("curve", []),
    }
    return fit_tables(plan, frames, session="ear", made_at="2026-01-01T00:00:00.000Z", program_version="0")


def test_the_readings_go_together(fitted):
    """The contract has what a plan leaves out count as nothing; so `start` writes what every valve has."""
    coil = fitted["coils"][0]
    assert coil["gm_m"]["value_sh"] is not None
    assert [point["never"] for point in coil["onset"]] == [
        point["measured_deg"] is None for point in coil["onset"]
    ]
    assert any(point["never"] for point in coil["onset"])
    for point in coil["onset"]:
        if point["measured_deg"] is not None:
            assert point["fitted_deg"] == pytest.approx(point["measured_deg"], abs=10)
    assert any("75 % of its bare copper's" in w for w in coil["warnings"] + fitted["warnings"])


def test_the_advice_is_right_of_the_set_itself(fitted):
    """Job: onset between 10 and 2 o'clock over the whole band. 6 turns never start at the low end; the advised ones do."""
    advice = fitted["coils"][0]["advice"]
    assert onset_deg(TUNING_F[0], 6) is None
    assert advice["verdict"] == "more turns"
    angles = [onset_deg(c_f, advice["tickler_turns_best"]) for c_f in TUNING_F]
    assert all(a is not None and WINDOW_DEG[0] - 3 < a < WINDOW_DEG[1] for a in angles), angles


def test_a_plan_that_is_silent_is_told_what_is_usual():
    text = """
[receiver]
device = "fet"
[receiver.tuning]
capacitance = ["140 pF", "10 pF"]
[receiver.control]
kind = "supply"
[receiver.feedback]
capacitor = "270 pF"
[[coil]]
name = "B"
grid = { inductance = "20 uH" }
tickler = { turns = 6, inductance = "1 uH", k = 0.3 }
"""
    said = no_strays(parse_plan(text))
    assert said is not None
    assert 'plate_capacitance = "5 pF" and grid_plate_capacitance = "1.5 pF"' in said
    assert no_strays(parse_plan(text.replace('"270 pF"', '"270 pF"\nplate_capacitance = "0 pF"'))) is None
