"""`read` as the contract has it, on files that scikit-rf wrote, on the measurement it ships, and on broken ones."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import skrf
from skrf.qfactor import Qfactor

Call = Callable[..., tuple[int, str, str]]

# contract.md, `read --json`
KEYS = {
    "file",
    "f0_hz",
    "f0_u_hz",
    "q_loaded",
    "q_loaded_u",
    "q_unloaded",
    "q_unloaded_u",
    "beta",
    "points_used",
    "warnings",
    "others",
}


def dip(points: int = 101) -> skrf.Network:
    """Reflection of a series tank (15 uH, Q 100, 3.5 MHz) brought through an ideal transformer to about 1 ohm beside 50."""
    f_hz = np.linspace(3.4e6, 3.6e6, points)
    omega, omega0 = 2 * np.pi * f_hz, 2 * np.pi * 3.5e6
    series = omega0 * 15e-6 / 100 + 1j * (omega * 15e-6 - omega0**2 * 15e-6 / omega)
    z = 0.5 + (0.05 * omega0 * np.sqrt(15e-6 * 0.5e-6)) ** 2 / series
    random = np.random.default_rng(3)
    s = (z - 50) / (z + 50) + 2e-4 * (random.normal(size=points) + 1j * random.normal(size=points))
    return skrf.Network(f=f_hz, f_unit="hz", s=s[:, None, None], z0=50)


def test_every_way_of_writing_one_sweep_reads_the_same(regenbench: Call, tmp_path: Path) -> None:
    network = dip()
    two = skrf.Network(f=network.f, f_unit="hz", s=np.zeros((101, 2, 2), complex), z0=50)
    two.s[:, 0, 0] = network.s[:, 0, 0]
    for form in ("ri", "ma", "db"):
        network.write_touchstone(f"one_{form}", form=form)
    two.write_touchstone("two", form="ri")
    lines = [
        "[Version] 2.0",
        "# kHz S RI R 50",
        "[Number of Ports] 1",
        "[Number of Frequencies] 101",
        "[Network Data]",
    ]
    lines += [
        f"{f / 1e3:.9f} {s.real:.12f} {s.imag:.12f}"
        for f, s in zip(network.f, network.s[:, 0, 0], strict=True)
    ]
    Path("v2.ts").write_text("\n".join([*lines, "[End]", ""]), encoding="ascii")
    files = ["one_ri.s1p", "one_ma.s1p", "one_db.s1p", "two.s2p", "v2.ts"]
    code, out, _ = regenbench("read", *files, "--json")
    assert code == 0
    entries = json.loads(out)
    assert [entry["file"] for entry in entries] == files
    for entry in entries:
        assert set(entry) >= KEYS
        assert entry["f0_hz"] == pytest.approx(entries[0]["f0_hz"], rel=1e-7)
        assert entry["q_unloaded"] == pytest.approx(entries[0]["q_unloaded"], rel=1e-3)
        assert abs(entry["q_unloaded"] - 100.0) < 3 * entry["q_unloaded_u"]


def test_the_measured_resonance_that_scikit_rf_ships(regenbench: Call) -> None:
    file = Path(skrf.__file__).parent / "data" / "ring slot measured.s1p"
    code, out, _ = regenbench("read", str(file), "--json")
    (entry,) = json.loads(out)
    judge = Qfactor(skrf.Network(str(file)), res_type="reflection")
    judge.fit()
    assert code == 0
    assert abs(entry["f0_hz"] - judge.f_L) < 2 * entry["f0_u_hz"]
    assert abs(entry["q_loaded"] - judge.Q_L) < 2 * entry["q_loaded_u"]
    assert entry["warnings"]


def test_unreadable_files_are_told_after_all_were_tried(regenbench: Call) -> None:
    dip().write_touchstone("good", form="ri")
    whole = Path("good.s1p").read_text(encoding="ascii")
    Path("cut.s1p").write_text(whole[: len(whole) // 2 - 7], encoding="ascii")
    Path("empty.s1p").write_text("", encoding="ascii")
    Path("junk.s1p").write_bytes(bytes(range(256)) * 20)
    code, out, err = regenbench(
        "read", "missing.s1p", "empty.s1p", "junk.s1p", "cut.s1p", "good.s1p", "--json"
    )
    entries = json.loads(out)
    assert code == 1
    assert [("error" in entry) for entry in entries][:3] == [True, True, True]
    assert "error" not in entries[-1]
    assert entries[-1]["q_loaded"] is not None
    assert err.strip()
    code, out, err = regenbench("read", "junk.s1p", "good.s1p")
    assert code == 1
    assert "good.s1p" in out
    assert "junk.s1p" in err


def test_a_sweep_without_resonance_is_null_with_a_warning(regenbench: Call) -> None:
    random = np.random.default_rng(5)
    s = 0.9 + 1e-3 * (random.normal(size=101) + 1j * random.normal(size=101))
    skrf.Network(f=np.linspace(1e6, 2e6, 101), f_unit="hz", s=s[:, None, None], z0=50).write_touchstone(
        "flat", form="ri"
    )
    code, out, _ = regenbench("read", "flat.s1p", "--json")
    (entry,) = json.loads(out)
    assert code == 0
    assert entry["f0_hz"] is entry["q_loaded"] is entry["q_unloaded"] is None
    assert entry["warnings"]
