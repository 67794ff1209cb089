"""`regenbench chart`: which files, which errors, and when it fits first."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.session.folder import Session

Regenbench = Callable[..., tuple[int, str, str]]

PLAN = """
[receiver]
name = "Harbour Hall evening class set"
gm = "0.7 mS"
rp = "20 kohm"
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
[receiver.feedback]
capacitor = "250 pF"
choke = "2 mH"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ turns = {turns}, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }}
tickler = {{ turns = 6, gap = "2 mm", wire = "0.2 mm" }}
"""


def make(place: Path, coils: dict[str, tuple[int, float]], readings: bool = True) -> Session:
    """A session with readings by the tuned circuit's own formula; coils are name: (turns, inductance)."""
    session = Session.create(
        place, PLAN + "".join(COIL.format(name=n, turns=t) for n, (t, _) in coils.items())
    )
    with session.lock():
        for name, (_, l_h) in coils.items() if readings else ():
            common = {"coil": name, "valve": "working", "antenna": "no"}
            for dial in (0.0, 20.0, 40.0, 60.0, 80.0, 100.0):
                c_f = 150e-12 - 135e-12 * dial / 100 + 20e-12
                f = 1 / (2 * np.pi * np.sqrt(l_h * c_f))
                row = {
                    "dial": dial,
                    "f0_hz": f,
                    "f0_u_hz": 1e-4 * f,
                    "q": 120.0,
                    "q_u": 1.5,
                    "method": "reflection",
                }
                session.append("resonance", common | row)
            for f, angle in zip(
                np.linspace(1.1, 1.9, 4) / np.sqrt(l_h * 170e-12) / 2 / np.pi,
                (190, 150, 120, 100),
                strict=True,
            ):
                for direction, off in (("onset", 0.0), ("drop-out", -5.0)):
                    row = {
                        "f_hz": f,
                        "direction": direction,
                        "angle_deg": angle + off,
                        "angle_u_deg": 1.5,
                        "method": "level",
                    }
                    session.append("onset", common | row)
    return session


ONE = {"B": (22, 20e-6)}
TWO = {"B": (22, 20e-6), "80 m": (40, 66e-6)}


def files(session: Session) -> set[str]:
    return {p.name for p in (session.path / "charts").iterdir()}


def test_every_coil_and_the_set_in_every_format(regenbench: Regenbench, tmp_path: Path) -> None:
    session = make(tmp_path / "evening", TWO)
    code, out, err = regenbench("chart", "evening")
    assert code == 0
    assert files(session) == {f"{n}.{k}" for n in ("B", "80_m", "overview") for k in ("pdf", "png", "svg")}
    assert {Path(line).name for line in out.splitlines()} == files(session)
    assert err == "There is no fit yet: fitting first.\n"
    assert session.read_fit()["coils"][0]["dial_law"]["dial"]
    for path in (session.path / "charts").glob("*.pdf"):
        assert path.read_bytes().startswith(b"%PDF-")


def test_one_coil_in_one_format(regenbench: Regenbench, tmp_path: Path) -> None:
    session = make(tmp_path / "evening", TWO)
    session.write_fit({"coils": []})
    code, out, _ = regenbench(
        "chart", "evening", "--coil", "80 m", "--coil", "80 m", "--format", "SVG", "--paper", "half-letter"
    )
    assert (code, len(out.splitlines())) == (0, 1)
    assert files(session) == {"80_m.svg"}


def test_more_coils_than_cores_come_in_order(regenbench: Regenbench, tmp_path: Path) -> None:
    # From four charts on they are drawn by more than one process.
    names = ["A", "B", "C", "D"]
    session = make(tmp_path / "evening", {n: (20 + i, 20e-6) for i, n in enumerate(names)}, readings=False)
    session.write_fit({"coils": []})
    code, out, err = regenbench("chart", "evening", "--format", "png")
    assert (code, err) == (0, "")
    assert [Path(line).name for line in out.splitlines()] == [f"{n}.png" for n in [*names, "overview"]]


def test_a_session_without_readings_has_charts_that_say_so(regenbench: Regenbench, tmp_path: Path) -> None:
    session = make(tmp_path / "evening", ONE, readings=False)
    code, _, _ = regenbench("chart", "evening", "--format", "png")
    assert code == 0
    assert files(session) == {"B.png", "overview.png"}


def fit_calls(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    calls: list[str] = []

    def fit_session(session: Session) -> dict[str, Any]:
        calls.append(session.name)
        return {"coils": []}

    monkeypatch.setattr("bench.fit.fitting.fit_session", fit_session)
    return calls


@pytest.mark.parametrize("newer", ["resonance.csv", "onset.csv", "plan.toml"])
def test_a_fit_older_than_what_it_rests_on_is_made_again(
    regenbench: Regenbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, newer: str
) -> None:
    session = make(tmp_path / "evening", ONE)
    session.write_fit({"coils": []})
    calls = fit_calls(monkeypatch)
    made = (session.path / "fit.json").stat().st_mtime
    for name in ("resonance.csv", "onset.csv", "curve.csv", "plan.toml"):
        os.utime(session.path / name, (made - 10, made - 10))
    _, _, err = regenbench("chart", "evening", "--format", "png")
    assert (calls, err) == ([], "")
    os.utime(session.path / newer, (made + 10, made + 10))
    _, _, err = regenbench("chart", "evening", "--format", "png")
    assert calls == ["evening"]
    assert err == f"{newer} is newer than the fit: fitting first.\n"


@pytest.mark.parametrize(
    "damage",
    [
        "{",
        "[]",
        '{"coils": 3}',
        '{"coils": [{}]}',
        *(
            f'{{"coils": [{{"name": "B", {part}}}]}}'
            for part in (
                '"dial_law": 3',
                '"dial_law": {"dial": [1], "f_hz": [1e6, 2e6]}',
                '"onset": [7]',
                '"onset": [{"f_hz": -1}]',
                '"advice": "keep"',
                '"q_law": {"f_hz": 1.0}',
                '"q_law": {"f_hz": [1e999]}',
                '"gm_m": []',
                '"l_h": "much"',
            )
        ),
    ],
)
def test_a_damaged_fit_is_made_again(
    regenbench: Regenbench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str
) -> None:
    session = make(tmp_path / "evening", ONE, readings=False)
    (session.path / "fit.json").write_text(damage)
    calls = fit_calls(monkeypatch)
    code, _, err = regenbench("chart", "evening", "--format", "svg")
    assert (code, calls) == (0, ["evening"])
    assert "fit.json is damaged" in err


def test_an_unknown_coil_is_told_with_those_there_are(regenbench: Regenbench, tmp_path: Path) -> None:
    make(tmp_path / "evening", TWO)
    code, out, err = regenbench("chart", "evening", "--coil", "C")
    assert (code, out) == (1, "")
    assert '"C"' in err
    assert "B, 80 m" in err
    assert not (tmp_path / "evening" / "charts").exists()


@pytest.mark.parametrize("formats", ["jpg", "pdf,gif", ",", ""])
def test_an_unknown_format_is_wrong_usage(regenbench: Regenbench, tmp_path: Path, formats: str) -> None:
    make(tmp_path / "evening", ONE, readings=False)
    code, out, err = regenbench("chart", "evening", "--format", formats)
    assert (code, out) == (2, "")
    assert "for example pdf,png" in err


def test_no_session(regenbench: Regenbench) -> None:
    code, out, err = regenbench("chart", "nowhere")
    assert (code, out) == (1, "")
    assert "nowhere" in err


def test_a_folder_that_cannot_be_written(regenbench: Regenbench, tmp_path: Path) -> None:
    session = make(tmp_path / "evening", ONE, readings=False)
    session.write_fit({"coils": []})
    (session.path / "charts").mkdir()
    (session.path / "charts" / "B.png").mkdir()
    code, _, err = regenbench("chart", "evening", "--coil", "B", "--format", "png")
    assert code == 1
    assert "cannot be written" in err
