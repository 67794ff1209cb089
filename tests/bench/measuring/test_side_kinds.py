"""Curve, body and wiper as kinds of reading: when they are wanted, what is refused, what stands in the tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.errors import PlanError
from bench.measuring.agreement import tell_disagreements
from bench.measuring.bench import Bench
from bench.measuring.kinds import Wanted
from bench.measuring.operator import ConsoleOperator
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.wanted import lacking, still_wanted
from bench.plan.schema import parse_plan
from bench.session.folder import Session
from bench.virtual.network import tank_root
from bench.virtual.scenario import demo_plan_path, draw
from bench.virtual.stepped import Stepped
from bench.virtual.truth import Standing, circuit_of, true_onset, tuned_to

TEXT = Path(demo_plan_path()).read_text(encoding="utf-8")


def plan_text(*also: str) -> str:
    asked = ", ".join(f'"{kind}"' for kind in also)
    return TEXT.replace("[readings]", f"[readings]\nalso = [{asked}]")


class Rack:
    """The stepped bench as all instruments there are, some of them perhaps missing."""

    def __init__(self, stepped: Stepped, *missing: str) -> None:
        self._stepped = stepped
        self._missing = missing

    def has(self, role: str) -> bool:
        return role in ("analyzer", "angle", "level") and role not in self._missing

    def raw(self) -> bool:
        return False

    def analyzer(self) -> Stepped:
        return self._stepped

    def sensor(self) -> Stepped:
        return self._stepped

    def reopen(self) -> None:
        return None


def run(session: Session, stepped: Stepped, kinds: list[str], *missing: str) -> tuple[int, list[str]]:
    rack: Any = Rack(stepped, *missing)
    wanted = still_wanted(session, kinds, ["B"], cold=False)
    with session.lock():
        return Runner(Bench(session, stepped, rack, Reporter(len(wanted)))).run(wanted)


def test_they_are_taken_only_when_asked_for() -> None:
    def kinds(text: str, named: tuple[str, ...] = ()) -> list[str]:
        wanted = lacking(parse_plan(text), {}, valve="working", antenna="no", kinds=named, coils=["A"])
        return [w.kind for w in wanted if w.kind not in ("resonance", "onset")]

    assert kinds(TEXT) == []
    assert kinds(plan_text("wiper", "curve")) == ["curve"] * 5 + ["wiper"]
    assert kinds(TEXT, ("body",)) == ["body"] * 4
    hands = TEXT.replace("[readings]", '[readings]\nalso = ["body"]\nhand_at = ["knob of the dial", "lid"]')
    assert kinds(hands) == ["body"] * 2


def test_the_plan_says_which_further_readings_there_are() -> None:
    with pytest.raises(PlanError, match=r"readings\.also"):
        parse_plan(plan_text("curves"))
    with pytest.raises(PlanError, match=r"hand_at.*twice"):
        parse_plan(TEXT.replace("[readings]", '[readings]\nhand_at = ["Lid", "lid"]'))


def test_what_is_there_is_not_wanted_again() -> None:
    plan = parse_plan(plan_text("curve", "body", "wiper"))
    common = {"coil": "A", "recipe": "", "antenna": "", "valve": "", "dial": 30.0}
    rows = {
        "onset": [{**common, "f_hz": 2.1e6, "method": "curve", "direction": "onset", "angle_deg": 120.0}],
        "curve": [
            # Of one run the onset was withdrawn; the other says that it points nowhere.
            {**common, "f_hz": 3.0e6, "angle_deg": 0.2, "note": ""},
            {**common, "f_hz": 2.5e6, "angle_deg": 0.1, "note": "this run points to no onset"},
        ],
        "body": [{**common, "position": "Panel"}],
        "wiper": [{**common, "ratio_db": 2.0}],
    }
    wanted = lacking(plan, rows, valve="working", antenna="no", coils=["A"])
    # A curve's onset counts for the curve, not for the slow approaches, which also tell the drop-out.
    assert [w.f_hz for w in wanted if w.kind == "curve"] == [1.8e6, 3.0e6, 3.5e6]
    assert [w.f_hz for w in wanted if w.kind == "onset"] == [1.8e6, 2.1e6, 2.5e6, 3.0e6, 3.5e6]
    assert [w.position for w in wanted if w.kind == "body"] == ["dial", "cabinet", "coil"]
    assert not [w for w in wanted if w.kind == "wiper"]


def test_a_missing_instrument_is_named_with_the_next_move(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "poor", TEXT)
    stepped = Stepped(draw(session.plan, 1))
    _, left = run(session, stepped, ["curve"], "analyzer")
    assert "[instruments.analyzer]" in left[0]
    _, left = run(session, stepped, ["body"], "analyzer")
    assert "[instruments.analyzer]" in left[0]
    _, left = run(session, stepped, ["wiper"], "level")
    assert "[instruments.level]" in left[0]
    _, left = run(session, stepped, ["curve"])
    assert "resonance readings" in left[0]


def test_a_way_that_disagrees_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = Session.create(tmp_path / "apart", TEXT)
    rack: Any = Rack(Stepped(draw(session.plan, 1)))
    with session.lock():
        for method, angle in (("level", 120.0), ("curve", 131.0)):
            session.append(
                "onset",
                {
                    "coil": "B",
                    "f_hz": 5e6,
                    "direction": "onset",
                    "angle_deg": angle,
                    "angle_u_deg": 0.4,
                    "method": method,
                },
            )
    bench = Bench(session, rack, rack, Reporter(1))
    tell_disagreements(bench, Wanted("curve", "B", "Q below onset at 5 MHz"), 5.001e6)
    assert "disagree by 11.0°" in capsys.readouterr().err
    tell_disagreements(bench, Wanted("curve", "B", "Q below onset at 6 MHz"), 6e6)
    assert capsys.readouterr().err == ""


def test_rows_of_all_three_against_the_truth(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = TEXT.replace('["3.5 MHz", "4.2 MHz", "5.0 MHz", "6.0 MHz", "7.1 MHz"]', '["5.0 MHz"]')
    session = Session.create(
        tmp_path / "all", text.replace("dials = [0, 20, 40, 60, 80, 100]", "dials = [0, 50, 100]")
    )
    hidden = draw(session.plan, 3)
    stepped = Stepped(hidden)
    for dial in (0.0, 25.0, 50.0, 75.0, 100.0):
        root = tank_root(circuit_of(hidden, Standing("B", dial)), [0.0])[0]  # type: ignore[arg-type]
        with session.lock():
            session.append(
                "resonance",
                {
                    "coil": "B",
                    "dial": dial,
                    "f0_hz": abs(root) / 6.283185307179586,
                    "valve": "working",
                    "antenna": "no",
                },
            )
    assert run(session, stepped, ["wiper"]) == (1, [])
    assert run(session, stepped, ["body"]) == (4, [])
    recorded, left = run(session, stepped, ["curve"])
    assert left == []

    (onset,) = session.rows("onset")
    curve = session.rows("curve")
    assert recorded == len(curve) + 1
    assert onset["method"] == "curve"
    standing = tuned_to(hidden, Standing("B", 0.0), float(onset["f_hz"]))
    true = true_onset(hidden, standing)
    assert true.onset_deg is not None
    assert abs(onset["angle_deg"] - true.onset_deg) < max(1.0, 3.0 * onset["angle_u_deg"])
    assert all(row["angle_deg"] < true.onset_deg for row in curve)
    assert all((session.path / row["sweep"]).is_file() for row in curve)
    assert still_wanted(session, ["curve"], ["B"], cold=False) == []
    # Three approaches by level at once; they agree, and nothing is said.
    assert run(session, stepped, ["onset"]) == (6, [])
    assert "disagree" not in capsys.readouterr().err

    # What a hand does to the tank with the least capacitance: f0 by the hidden network, with its capacitance and without.
    for row in session.rows("body"):
        roots = [
            abs(tank_root(circuit_of(hidden, Standing("B", 100.0, body_f=c)), [0.0])[0])  # type: ignore[arg-type]
            for c in (hidden.body_f[row["position"]], 0.0)
        ]
        expected = (roots[0] - roots[1]) / 6.283185307179586
        # A hand is never held twice alike: 10 % a time, three times.
        assert row["shift_hz"] == pytest.approx(expected, rel=0.25)
        assert row["shift_hz"] < 0 < row["shift_u_hz"]

    (wiper,) = session.rows("wiper")
    assert wiper["ratio_db"] > 0
    assert wiper["moving_v"] > wiper["rest_v"] > 0
    assert wiper["speed_deg_s"] == pytest.approx(15.0, rel=0.2)
    assert (session.path / wiper["trace"]).is_file()


def test_a_person_is_told_what_to_do_with_loop_and_hands() -> None:
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    operator = ConsoleOperator(parse_plan(TEXT).receiver.control, ask, asked.append)
    operator.move_loop(True)
    operator.move_loop(False)
    operator.hold_hand("lid of the cabinet")
    operator.hold_hand(None)
    assert "FURTHER" in asked[0]
    assert "NEARER" in asked[1]
    assert "lid of the cabinet" in asked[2]
    assert "away" in asked[3]
