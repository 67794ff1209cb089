"""`withdraw`: a reading is taken back by a row that names it, and is asked for again."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

Call = Callable[..., tuple[int, str, str]]


def test_a_withdrawn_reading_stays_on_disk_and_counts_no_more(regenbench: Call, tmp_path: Path) -> None:
    assert regenbench("start", "evening", "--example")[0] == 0
    typed = ["enter", "evening", "resonance", "--coil", "B", "--dial", "0", "--f0", "3.2MHz", "--sure"]
    assert regenbench(*typed)[0] == 0
    folder = tmp_path / "sessions" / "evening"
    with (folder / "resonance.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    code, out, _ = regenbench("withdraw", "evening", row["reading"], "--note", "dial misread")
    assert code == 0
    assert row["reading"] in out
    with (folder / "resonance.csv").open(newline="", encoding="utf-8") as file:
        first, last = csv.DictReader(file)
    assert first == row
    # The contract: reading, time and withdrawn = true, every other cell empty.
    assert {name for name, cell in last.items() if cell} == {"reading", "time", "withdrawn"}
    assert (last["reading"], last["withdrawn"]) == (row["reading"], "true")
    assert "dial misread" in (folder / "log.jsonl").read_text(encoding="utf-8")
    assert regenbench("check", "evening")[0] == 0


def test_what_is_not_there_is_one_clear_line(regenbench: Call) -> None:
    assert regenbench("start", "evening", "--example")[0] == 0
    code, out, err = regenbench("withdraw", "evening", "r00099")
    assert (code, out) == (1, "")
    assert "r00099" in err.strip().splitlines()[-1]
