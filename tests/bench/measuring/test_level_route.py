"""A session with generator and level meter only: f0 and Q of the dial settings; what the plan may say of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.demo import demo_plan
from bench.errors import PlanError
from bench.measuring.bench import Bench
from bench.measuring.instruments import Instruments
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.wanted import still_wanted
from bench.plan.schema import parse_plan
from bench.session.checking import check_session
from bench.session.folder import Session
from bench.virtual import network
from bench.virtual.hands import VirtualBench
from bench.virtual.scenario import draw
from bench.virtual.stepped import Stepped
from bench.virtual.truth import Standing, circuit_of, q_of
from drivers.errors import Misuse
from drivers.fakes import FakeGenerator
from drivers.registry import check_config

GENERATOR = '[instruments.generator]\ndriver = "scpi-generator"\naddress = "TCPIP::127.0.0.1::5025::SOCKET"\n'


def plan_text(more: str = "", dials: str = "[0, 40, 100]") -> str:
    """The demo's first coil, a generator in the analyzer's place, no known capacitor."""
    text = demo_plan(4)
    head, coils = text.split("[[coil]]", 1)
    first, rest = coils.split("[[coil]]", 1)
    tail = rest[rest.index("[readings]") :]
    first = re.sub(r"dials = \[.*?\]", f"dials = {dials}", first)
    first = re.sub(r"onset_at = \[.*?\]", "onset_at = []", first)
    tail = re.sub(r"added_capacitor.*\n", "", tail)
    tail = re.sub(r"\[instruments\.analyzer\]\n(?:(?!\[).*\n)*", GENERATOR + more, tail)
    return f"{head}[[coil]]{first}{tail}"


class Without(Instruments):
    """The stepped bench's generator and sensor, no wire between."""

    def __init__(self, session: Session, stepped: Stepped) -> None:
        super().__init__(session.plan)
        self.world_generator = FakeGenerator(stepped.world)
        self.stepped = stepped

    def _get(self, role: Any) -> Any:
        return self.world_generator if role == "generator" else self.stepped


def taken(path: Path, text: str, seed: int) -> tuple[Session, Stepped]:
    session = Session.create(path, text)
    stepped = Stepped(draw(session.plan, seed))
    with session.lock():
        wanted = still_wanted(session, ["resonance"], [], cold=False)
        runner = Runner(Bench(session, stepped, Without(session, stepped), Reporter(len(wanted))))
        recorded, left = runner.run(wanted)
    assert (recorded, left) == (len(wanted), [])
    return session, stepped


def true_q(stepped: Stepped, coil: str, dial: float) -> float:
    standing = Standing(coil, dial, loop=0.0)
    root = complex(network.tank_root(circuit_of(stepped.world._hidden, standing), np.array([0.0]))[0])
    q = q_of(root)
    assert q is not None
    return q


@pytest.mark.parametrize("seed", [1, 2])
def test_all_dial_settings_by_generator_and_level(tmp_path: Path, seed: int) -> None:
    session, stepped = taken(tmp_path / "s", plan_text(), seed)
    assert not stepped.world._drive.on
    rows = session.rows("resonance")
    assert [row["method"] for row in rows] == ["level"] * 3
    f0 = [row["f0_hz"] for row in rows]
    assert f0 == sorted(f0)
    for row in rows:
        true = true_q(stepped, row["coil"], row["dial"])
        assert abs(row["q"] - true) < 3.5 * row["q_u"]
        assert row["q_u"] < 0.06 * row["q"]
        assert row["q_loaded"] < row["q"]
        assert row["beta"] > 0
        assert (session.path / row["sweep"]).is_file()
        assert "two distances" in row["note"]
    # The loop was drawn back once, for the whole coil, and the raw data of that are kept.
    assert len(list((session.path / "levels").glob("*-drawn-back.csv"))) == 1
    report = check_session(session.path)
    assert report.faults == []
    assert not any("no row names" in remark for remark in report.remarks)


def test_a_stated_coupling_saves_the_second_distance_and_widens_q(tmp_path: Path) -> None:
    session, stepped = taken(tmp_path / "s", plan_text("coupling = [0.0, 0.2]\n", "[40]"), 3)
    (row,) = session.rows("resonance")
    assert row["q"] == pytest.approx(1.1 * row["q_loaded"])
    # A rectangle of 0.2 has a standard deviation of 0.2/sqrt(12) (GUM 4.3.7).
    assert row["q_u"] > row["q_loaded"] * 0.2 / np.sqrt(12)
    assert abs(row["q"] - true_q(stepped, row["coil"], row["dial"])) < 3 * row["q_u"]
    assert not list((session.path / "levels").glob("*-drawn-back.csv"))


def test_without_a_second_distance_q_is_left_empty(tmp_path: Path) -> None:
    from bench.measuring.operator import Skipped

    class NoMoves(Stepped):
        def move_loop(self, looser: bool) -> None:
            raise Skipped("not now")

    session = Session.create(tmp_path / "s", plan_text(dials="[40]"))
    stepped = NoMoves(draw(session.plan, 4))
    with session.lock():
        wanted = still_wanted(session, ["resonance"], [], cold=False)
        bench = Bench(session, stepped, Without(session, stepped), Reporter(1))
        assert Runner(bench).run(wanted) == (1, [])
    (row,) = session.rows("resonance")
    assert row["q"] is None
    assert row["q_u"] is None
    assert row["beta"] is None
    assert row["q_loaded"] > 0
    assert "coupling" in row["note"]


def test_over_the_simulated_wires(tmp_path: Path, regenbench_like: Callable[[Session], Any]) -> None:
    session = Session.create(tmp_path / "s", plan_text(dials="[40]"))
    assert regenbench_like(session).recorded == 1
    (row,) = session.rows("resonance")
    hidden = Stepped(draw(session.plan, session.plan.virtual.seed))
    assert row["method"] == "level"
    assert abs(row["q"] - true_q(hidden, row["coil"], row["dial"])) < 3.5 * row["q_u"]


@pytest.fixture
def regenbench_like() -> Callable[[Session], Any]:
    from bench.measuring.run import measure

    def run(session: Session) -> Any:
        settings = session.plan.virtual
        with VirtualBench(session.path / "plan.toml", seed=settings.seed, speed=settings.speed) as bench:
            return measure(session, kinds=["resonance"], bench=bench)

    return run


@pytest.mark.parametrize(
    "line", ["coupling = 0.1", "coupling = [0.2, 0.1]", "coupling = [0, 2]", 'settle_s = "soon"']
)
def test_what_the_plan_may_say_is_checked(line: str) -> None:
    with pytest.raises(PlanError, match=line.split(" ", 1)[0]):
        parse_plan(plan_text(line + "\n"))
    import tomllib

    config = {"driver": "scpi-generator", "address": "x", **tomllib.loads(line)}
    with pytest.raises(Misuse, match=line.split(" ", 1)[0]):
        check_config("generator", config)
