"""Side checks out of rows that the test writes down; expected values worked out by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from click.testing import CliRunner

from bench.cli import cli
from bench.session.folder import Session
from bench.sidechecks import Check, side_checks

Row = tuple[str, dict[str, Any]]
MakeSession = Callable[..., Session]

ANTENNA = """
[receiver.antenna]
coupling_capacitor = "10 pF"
resistance = "75 ohm"
capacitance = "200 pF"
"""


def check(session: Session, name: str) -> Check:
    (found,) = [one for one in side_checks(session) if one.name == name]
    return found


def hand(position: str, shift_hz: float, u: float = 5.0) -> Row:
    return "body", {"position": position, "f0_hz": 7e6, "f0_u_hz": 3.0, "shift_hz": shift_hz, "shift_u_hz": u}


def curve(angle_deg: float, q: float, f_hz: float, dial: float = 50.0) -> Row:
    return "curve", {"angle_deg": angle_deg, "f_hz": f_hz, "q": q, "q_u": 0.01 * q, "dial": dial}


def test_nothing_read_says_so_and_names_the_command(make_session: MakeSession) -> None:
    session = make_session("empty")
    found = side_checks(session)
    assert [one.name for one in found] == ["body", "wiper", "pull", "steepness", "antenna", "agreement"]
    assert all(one.rows == () and "regenbench measure" in one.missing for one in found)
    assert "--reading wiper" in check(session, "wiper").missing
    assert "[receiver.antenna]" in check(session, "antenna").missing


def test_a_hand_is_told_as_what_it_does_to_a_beat_note(make_session: MakeSession) -> None:
    session = make_session("hand", [hand("panel", -30.0), hand("coil", -620.0), hand("coil", -620.0)])
    found = check(session, "body")
    shifts = {row["position"]: row for row in found.rows}
    # Two readings of 5 Hz uncertainty each: 5/√2.
    assert shifts["coil"]["shift_u_hz"] == pytest.approx(5.0 / 2**0.5, rel=0.01)
    assert shifts["coil"]["shift_ppm"] == pytest.approx(-620.0 / 7.0, rel=1e-3)
    assert "800 Hz goes to 180 Hz or 1420 Hz" in found.sentence
    assert "dial" in found.missing
    assert "coil" not in found.missing.split(":")[0]


@pytest.mark.parametrize(
    ("shift_hz", "u_hz", "said"),
    [(-2.0, 5.0, "No shift by a hand was seen"), (-6.0, 1.0, "hardly"), (-20e3, 100.0, "out of hearing")],
)
def test_a_hand_in_plain_words(make_session: MakeSession, shift_hz: float, u_hz: float, said: str) -> None:
    assert said in check(make_session("words", [hand("dial", shift_hz, u_hz)]), "body").sentence


@pytest.mark.parametrize(("ratio_db", "said"), [(1.0, "quiet"), (6.0, "heard"), (18.0, "scratchy: clean")])
def test_the_wiper_in_plain_words(make_session: MakeSession, ratio_db: float, said: str) -> None:
    row = {"rest_v": 0.01, "moving_v": 0.02, "ratio_db": ratio_db, "speed_deg_s": 15.0}
    found = check(make_session("wiper", [("wiper", row)]), "wiper")
    assert said in found.sentence
    assert "common practice, no source" in found.sentence


def test_pull_and_steepness_out_of_a_straight_run(make_session: MakeSession) -> None:
    # 1/Q falls in a straight line to zero at 110 degrees; f0 falls 100 Hz a degree.
    rows = [curve(a, 100.0 / (1.0 - a / 110.0), 5e6 - 100.0 * a) for a in (0.0, 40.0, 70.0, 85.0, 95.0)]
    session = make_session("run", [*rows, curve(0.0, 90.0, 6e6, dial=80.0)])
    (run,) = check(session, "pull").rows
    assert run["shift_hz"] == pytest.approx(-9500.0)
    assert run["shift_ppm"] == pytest.approx(-1900.0)
    assert run["near_onset_hz_per_deg"] == pytest.approx(-100.0)
    assert run["real"]
    assert "beat note by 100 Hz" in check(session, "pull").sentence
    (steep,) = check(session, "steepness").rows
    assert steep["onset_deg"] == pytest.approx(110.0, abs=0.5)
    # Ten times its Q leaves a tenth of the loss, a hundred times a hundredth: 0.09 of 110 degrees between them.
    assert steep["slope_per_deg"] == pytest.approx(1 / 110.0, rel=0.05)
    assert (
        "9.9 degrees" in check(session, "steepness").sentence
        or "10.0 degrees" in check(session, "steepness").sentence
    )


def test_antenna_on_against_off(
    make_session: MakeSession,
    plan_of: Callable[..., str],
    onset: Callable[..., Row],
    tank: Callable[..., Row],
) -> None:
    rows = [
        tank(50, 5.00e6, q=100.0, q_u=1.0),
        tank(50, 4.98e6, q=80.0, q_u=1.0, antenna="yes"),
        tank(0, 4.00e6, q=90.0, q_u=1.0, antenna="yes"),
        onset(5e6, 120.0),
        onset(5e6, 135.0, antenna="yes"),
        onset(6e6, 150.0, antenna="yes"),
    ]
    # Rows without a recipe count as the plan's present one, whichever state they are of.
    found = check(make_session("on", rows, plan_of(more=ANTENNA)), "antenna")
    by = {row["what"]: row for row in found.rows}
    assert set(by) == {"f0", "q", "onset"}
    assert by["q"]["change"] == pytest.approx(-20.0)
    assert by["q"]["change_u"] == pytest.approx(2**0.5)
    assert by["onset"]["change"] == pytest.approx(15.0)
    assert all(row["real"] for row in found.rows)
    assert "takes 20 % of the tank's Q" in found.sentence
    assert "15.0 ± 1.5 degrees later" in found.sentence


def test_readings_of_an_older_winding_are_left_out(make_session: MakeSession) -> None:
    position, cells = hand("panel", -500.0)
    session = make_session("old", [(position, {**cells, "recipe": "deadbeef"})])
    assert check(session, "body").rows == ()


def test_ways_that_disagree_are_told(make_session: MakeSession, onset: Callable[..., Row]) -> None:
    rows = [onset(5e6, 120.0, 0.3, method="level"), onset(5e6, 131.0, 0.5, method="curve")]
    found = check(make_session("ways", rows), "agreement")
    assert [row["method"] for row in found.rows] == ["curve", "level"]
    assert "disagree by 11.0°" in found.sentence
    rows = [onset(5e6, 120.0, 0.3, method="level"), onset(5e6, 120.5, 0.5, method="curve")]
    assert "agree within" in check(make_session("agree", rows), "agreement").sentence


def test_the_command_prints_tables_and_one_json_document(make_session: MakeSession) -> None:
    session = make_session("shown", [hand("panel", -620.0)])
    runner = CliRunner()
    shown = runner.invoke(cli, ["sidechecks", str(session.path)])
    assert shown.exit_code == 0
    assert "Hand near the set" in shown.output
    assert "-620" in shown.output
    assert [line for line in shown.output.splitlines() if "not read yet" in line] == [
        "Coil K, not read yet: wiper, pull, steepness, antenna, onset in two ways."
    ]
    assert f"Next: regenbench measure {session.path}" in shown.output.replace("\n  ", " ")
    assert "--reading curve --reading wiper" in shown.output.replace("\n  ", " ")
    document = json.loads(runner.invoke(cli, ["sidechecks", str(session.path), "--json"]).stdout)
    assert document["checks"][0]["check"] == "body"
    assert document["checks"][0]["rows"][0]["shift_hz"] == -620.0
    assert document["checks"][1]["missing"]
    wrong = runner.invoke(cli, ["sidechecks", str(session.path), "--coil", "Z"])
    assert wrong.exit_code != 0


def test_numbers_that_no_reading_can_have_do_not_count(make_session: MakeSession) -> None:
    impossible = ("wiper", {"rest_v": 1.0, "moving_v": 2.0, "ratio_db": 1e300, "speed_deg_s": 5.0})
    session = make_session("odd", [hand("panel", 1e300), hand("p" * 500, -30.0), impossible])
    rows = check(session, "body").rows
    assert [row["position"] for row in rows] == ["p" * 40]
    assert check(session, "wiper").rows == ()
