"""`regenbench compare` as the user calls it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ordinary
import pytest

from bench import cli
from bench.session.folder import Session

Make = Callable[..., Session]
Rows = Callable[..., Any]
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def compare(regenbench: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The command, called by name."""
    monkeypatch.setitem(cli.COMMANDS, "compare", ("compare", "Two sessions side by side."))
    return lambda *words: regenbench("compare", *words)


@pytest.fixture
def sessions(make_session: Make, plan_of: Callable[..., str], onset: Rows, tank: Rows) -> tuple[str, str]:
    """Paths of two sessions; a tickler turn was taken off between them."""
    before = make_session(
        "spring", [onset(5e6, 80.0), onset(6e6, 85.0), onset(6e6, 81.0, direction="drop-out"), tank(40, 5e6)]
    )
    ups = [onset(5e6, 120.0), onset(6e6, 130.0), onset(7e6, None)]
    rows = [*ups, onset(6e6, 128.5, direction="drop-out"), tank(40, 5e6), tank(60, 5.5e6, q=90.0)]
    after = make_session("summer", rows, plan_of(K=(20, 5)))
    return str(before.path), str(after.path)


def test_json_is_one_document_with_the_keys(compare: Run, sessions: tuple[str, str]) -> None:
    code, out, err = compare(*sessions, "--json", "--no-chart")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert (found["before"], found["after"]) == ("spring", "summer")
    assert found["plan_changes"] == [{"key": "coil.K.tickler.turns", "old": 6, "new": 5, "physical": True}]
    (coil,) = found["coils"]
    assert {"name", "tank", "onset", "inductance", "gm_m", "only_before", "only_after", "notes"} == set(coil)
    assert {
        "dial",
        "f0_before_hz",
        "f0_after_hz",
        "difference_hz",
        "difference_u_hz",
        "real",
        "q_before",
    } <= set(coil["tank"][0])
    row = coil["onset"][0]
    expected = {
        "f_hz": pytest.approx(5e6),
        "before_deg": 80.0,
        "before_u_deg": 1.0,
        "after_deg": 120.0,
        "after_u_deg": 1.0,
        "difference_deg": 40.0,
        "real": True,
        "in_window_before": False,
        "in_window_after": True,
        "dropout_before_deg": None,
        "backlash_before_deg": None,
    }
    assert {key: row[key] for key in expected} == expected
    assert coil["onset"][1]["backlash_difference_deg"] == pytest.approx(1.5 - 4.0)
    assert [one["table"] for one in coil["only_after"]] == ["resonance", "onset"]
    assert isinstance(found["summary"], str)


def test_the_table_says_it_in_words(compare: Run, sessions: tuple[str, str]) -> None:
    code, out, err = compare(*sessions, "--no-chart")
    assert (code, err) == (0, "")
    for words in (
        "coil.K.tickler.turns",
        "5 000 80.0 ± 1.0 120.0 ± 1.0",
        "80.0 ± 1.0",
        "+40.0 ± 1.4",
        "later",
        "none seen",
        "Only in summer: resonance at dial 60 (valve working, antenna off); onset at 7 000 kHz",
        "Onset lies in the window at 2 of 2 frequencies, before at 0.",
    ):
        assert words in " ".join(out.split())


def test_a_coil_that_nobody_read_has_no_empty_heading(
    compare: Run, make_session: Make, plan_of: Callable[..., str], onset: Rows
) -> None:
    plan = plan_of(K=(20, 6), N=(9, 2))
    paths = [str(make_session(name, [onset(5e6, 80.0)], plan).path) for name in ("spring", "summer")]
    code, out, err = compare(*paths, "--no-chart")
    assert (code, err) == (0, "")
    assert "Coil K" in out.splitlines()
    assert "Coil N" not in out.splitlines()
    assert "Coil N: nothing was read alike in both sessions." in out


def test_the_chart_goes_into_afters_folder(compare: Run, sessions: tuple[str, str]) -> None:
    code, out, err = compare(*sessions, "--json")
    assert code == 0
    json.loads(out)
    charts = Path(sessions[1]) / "charts"
    assert sorted(p.name for p in charts.iterdir()) == [f"compare-spring.{x}" for x in ("pdf", "png", "svg")]
    assert "compare-spring.pdf" in err
    assert not (Path(sessions[0]) / "charts").exists()


def test_nothing_but_the_chart_is_written(compare: Run, sessions: tuple[str, str]) -> None:
    def files() -> dict[str, bytes]:
        return {
            str(path): path.read_bytes()
            for folder in sessions
            for path in Path(folder).rglob("*")
            if path.is_file() and "charts" not in path.parts
        }

    before = files()
    assert compare(*sessions)[0] == 0
    assert files() == before


def test_names_are_no_markup_and_steer_no_terminal(
    compare: Run, make_session: Make, plan_of: Callable[..., str], onset: Rows
) -> None:
    plans = [
        plan_of().replace("Lighthouse keepers' set", name) for name in ("[bold]loud[/bold]", "\\u001b[2J[/]")
    ]
    rows = [onset(5e6, 100.0)]
    before, after = make_session("b", rows, plans[0]), make_session("a", rows, plans[1])
    code, out, _ = compare(str(before.path), str(after.path), "--no-chart")
    assert code == 0
    assert "[bold]loud[/bold]" in out
    assert "\x1b" not in out


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("spring", "nowhere"), 1, "no session"),
        (("spring",), 2, "AFTER"),
        (("spring", "spring"), 2, "one and the same session"),
    ],
)
def test_wrong_sessions_are_one_clear_line(
    compare: Run, sessions: tuple[str, str], words: tuple[str, ...], code: int, says: str
) -> None:
    folder = Path(sessions[0]).parent
    found, out, err = compare(*(str(folder / word) for word in words))
    assert (found, out) == (code, "")
    assert says in err.splitlines()[-1]


def test_a_damaged_table_is_one_clear_line(compare: Run, sessions: tuple[str, str]) -> None:
    table = Path(sessions[1]) / "onset.csv"
    table.write_text(table.read_text().replace("120", "12o"))
    code, out, err = compare(*sessions)
    assert (code, out) == (1, "")
    assert "onset.csv, line 2" in err.splitlines()[-1]


def test_a_folder_that_takes_no_chart(compare: Run, sessions: tuple[str, str]) -> None:
    """The comparison is printed all the same, and is done; a chart that was asked for was not."""
    (Path(sessions[1]) / "charts").write_text("not a folder")
    for words, code in (((), 0), (("--json",), 0), (("--chart",), 1)):
        found, out, err = compare(*sessions, *words)
        assert found == code
        assert "Onset lies in the window" in out
        assert "charts" in err.splitlines()[-1]


def test_an_after_that_may_only_be_read(sessions: tuple[str, str]) -> None:
    Path(sessions[1]).chmod(0o555)
    try:
        ((code, out, err),) = ordinary.regenbench(("compare", *sessions))
    finally:
        Path(sessions[1]).chmod(0o755)
    assert code == 0
    assert "Onset lies in the window" in out
    assert "No chart:" in err
    assert "may not be written" in err


def test_no_onset_no_chart(compare: Run, make_session: Make, tank: Rows) -> None:
    before, after = make_session("b", [tank(40, 5e6)]), make_session("a", [tank(40, 5e6)])
    code, _, err = compare(str(before.path), str(after.path))
    assert code == 0
    assert "no chart" in err
    assert not (after.path / "charts").exists()
