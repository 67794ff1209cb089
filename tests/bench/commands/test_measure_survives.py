"""`measure` when the ground moves: disk full, disk read-only, folder deleted, table edited by hand, clock set back."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bench.demo import demo_plan
from bench.measuring.wanted import still_wanted
from bench.session.checking import check_session
from bench.session.folder import Session

COMMAND = [sys.executable, "-c", "from bench.cli import main; main()"]
PATIENCE_S = 90.0


def tank_plan() -> str:
    """The demo's plan with one coil, four dial settings, and no onset."""
    head, coils = demo_plan(4).split("[[coil]]", 1)
    first, rest = coils.split("[[coil]]", 1)
    first = first.replace("dials = [0, 20, 40, 60, 80, 100]", "dials = [0, 30, 60, 100]")
    first = first[: first.index("onset_at")]
    return f"{head}[[coil]]{first}\n{rest[rest.index('[readings]') :]}"


def begin(session: Session) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, "measure", str(session.path), "--virtual"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit code and last line of stderr."""
    _, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in err
    return process.returncode, err.strip().splitlines()[-1]


def lines(session: Session) -> list[list[str]]:
    try:
        with (session.path / "resonance.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.reader(file))
    except FileNotFoundError:
        return []


def wait_for_rows(session: Session, count: int) -> None:
    end = time.monotonic() + PATIENCE_S
    while len(lines(session)) <= count:
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 300 kB of its own."""
    disk = tmp_path / "disk"
    disk.mkdir()
    options = ["-t", "tmpfs", "-o", "size=300k", "tmpfs", str(disk)]
    if (
        sys.platform == "win32"
        or subprocess.run(["mount", *options], capture_output=True, check=False).returncode
    ):
        pytest.skip("needs rights to mount a small disk")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.slow
def test_a_full_disk_is_one_line_and_loses_nothing(small_disk: Path) -> None:
    session = Session.create(small_disk / "evening", tank_plan())
    process = begin(session)
    wait_for_rows(session, 1)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            pass
    code, said = ended(process)
    assert code == 1
    assert "disk is full" in said
    assert "free some space" in said
    before = lines(session)
    assert len(before) >= 2
    assert {len(line) for line in before} == {len(before[0])}
    filler.unlink()
    assert ended(begin(session))[0] == 0
    assert lines(session)[: len(before)] == before
    assert not still_wanted(Session.open(session.path), (), (), cold=False)


def test_a_disk_that_becomes_read_only_is_one_line(small_disk: Path) -> None:
    session = Session.create(small_disk / "evening", tank_plan())
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    code, said = ended(begin(session))
    assert code == 1
    assert "read-only" in said or "may not be written" in said


def test_a_folder_deleted_meanwhile_is_one_line_and_is_not_made_anew(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "evening", tank_plan())
    process = begin(session)
    wait_for_rows(session, 1)
    shutil.rmtree(session.path, ignore_errors=True)
    shutil.rmtree(session.path, ignore_errors=True)
    code, said = ended(process)
    assert code == 1
    assert str(session.path) in said or "folder" in said
    assert not (session.path / "resonance.csv").exists()


def test_a_table_edited_by_hand_meanwhile_keeps_the_edit_and_the_rows(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "evening", tank_plan())
    process = begin(session)
    wait_for_rows(session, 1)
    # As an editor does it: read, change, save in place.
    table = session.path / "resonance.csv"
    text = table.read_text(encoding="utf-8")
    head, first, *rest = text.splitlines()
    table.write_text("\n".join([head, f"{first}checked by hand", *rest, ""]), encoding="utf-8")
    code, said = ended(process)
    assert code == 0, said
    found = lines(session)
    assert found[1][-1].endswith("checked by hand")
    assert len({line[0] for line in found}) == len(found)
    assert not still_wanted(Session.open(session.path), (), (), cold=False)
    assert check_session(session.path).faults == []


def test_a_clock_set_back_neither_loses_nor_doubles_a_reading(tmp_path: Path) -> None:
    now = datetime(2026, 3, 1, 20, 0, tzinfo=UTC)
    session = Session.create(tmp_path / "evening", tank_plan())
    given: list[str] = []
    for hours in (0, 1, -5, -5, 2):
        moment = now + timedelta(hours=hours)
        again = Session.open(session.path, now=lambda moment=moment: moment)  # type: ignore[misc]
        with again.lock():
            row = {
                "coil": "A",
                "dial": 10.0 * len(given),
                "f0_hz": 2e6,
                "q": 100.0,
                "method": "typed",
                "valve": "working",
            }
            given.append(again.append("resonance", {**row, "antenna": "no"}))
    assert len(set(given)) == 5
    assert [row["reading"] for row in Session.open(session.path).rows("resonance")] == given
    assert check_session(session.path).faults == []
