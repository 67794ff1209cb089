"""`measure` killed with -9 at random moments, half of them in the middle of a write: nothing acknowledged is lost.

Run: python tests/benchmarks/killed.py [kills, 200 unless told]. Ends with 1 if anything was lost or would not go on.

A session on the virtual bench is measured by one process after another, each killed (at a random time, or with a random
share of its n-th write to the session's folder done), until it is complete; then the next session begins. After each kill:
every row that was there is there still, unchanged and in order; every result that the run had told has its rows; every
whole line parses; every raw file that a row names can be read. At the end of each session `check` finds it whole, no reading
is there twice, and none is lacking.
"""

from __future__ import annotations

import csv
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from bench.demo import demo_plan
from bench.measuring.wanted import still_wanted
from bench.session.folder import Session

KILLS_IN_A_WRITE = """
import os, signal, sys
at, share = int(sys.argv.pop(1)), float(sys.argv.pop(1))
from bench.session import disk
class Deadly:
    count = 0
    def __getattr__(self, name):
        return getattr(os, name)
    def write(self, handle, data):
        self.count += 1
        if self.count == at:
            os.write(handle, bytes(data)[: round(share * len(data))])
            os.kill(os.getpid(), signal.SIGKILL)
        return os.write(handle, data)
disk.os = Deadly()
from bench.cli import main
main()
"""
PLAIN = "from bench.cli import main; main()"
# Longest that a whole run takes on a machine with much else to do.
PATIENCE_S = 240.0


def small_plan(seed: int) -> str:
    """The demo's plan with one coil, five dial settings and three frequencies."""
    head, coils = demo_plan(seed).split("[[coil]]", 1)
    first, rest = coils.split("[[coil]]", 1)
    first = first.replace("dials = [0, 20, 40, 60, 80, 100]", "dials = [0, 25, 50, 75, 100]")
    first = first[: first.index("onset_at")]
    tail = rest[rest.index("[readings]") :]
    return f'{head}[[coil]]{first}onset_at = ["2.1 MHz", "2.6 MHz", "3.0 MHz"]\n\n{tail}'


def rows(folder: Path) -> dict[str, list[list[str]]]:
    """The whole lines of each table, split into cells; a last line without its end is not one yet."""
    found: dict[str, list[list[str]]] = {}
    for path in sorted(folder.glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        whole = text[: text.rfind("\n") + 1]
        found[path.name] = list(csv.reader(whole.splitlines(), strict=True))
    return found


def complaints(folder: Path, before: dict[str, list[list[str]]], told: str) -> list[str]:
    """What was lost or damaged by a kill."""
    after = rows(folder)
    found: list[str] = []
    for name, lines in before.items():
        if after.get(name, [])[: len(lines)] != lines:
            found.append(f"{name}: rows that were there are not there any more")
    for name, lines in after.items():
        if any(len(line) != len(lines[0]) for line in lines):
            found.append(f"{name}: a line does not fit its header")
        for column in ("sweep", "trace"):
            if column in lines[0]:
                at = lines[0].index(column)
                found += [
                    f"{name}: no file {line[at]}"
                    for line in lines[1:]
                    if line[at] and not (folder / line[at]).is_file()
                ]
    new = {name: len(lines) - len(before.get(name, lines[:1])) for name, lines in after.items()}
    results = {"resonance.csv": told.count("  f0 "), "onset.csv": 2 * told.count("  starts ")}
    for name, count in results.items():
        if new.get(name, 0) < count:
            found.append(f"{name}: {count} rows told, {new.get(name, 0)} there")
    return found


def run(folder: Path, rng: random.Random, *, deadly: bool) -> tuple[str, str]:
    """One `measure`: how it ended (`killed`, `killed writing`, `done`, `failed`), and what it printed."""
    writing = deadly and rng.random() < 0.5
    script = [KILLS_IN_A_WRITE, str(rng.randrange(1, 40)), str(rng.random())] if writing else [PLAIN]
    process = subprocess.Popen(
        [sys.executable, "-c", *script, "measure", str(folder), "--virtual"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        out, _ = process.communicate(timeout=rng.uniform(0.5, 14.0) if deadly and not writing else PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        out, _ = process.communicate()
        if not deadly or writing:
            return "failed", f"did not end in {PATIENCE_S} s\n{out}"
    if process.returncode == -signal.SIGKILL:
        return ("killed writing" if writing else "killed"), out
    return ("done" if process.returncode == 0 else "failed"), out


def worlds_left() -> int:
    """Simulated benches of this program that still run."""
    count = 0
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().split(b"\0")
        except OSError:
            continue
        count += b"bench.virtual" in words and str(os.getpid()).encode() not in words
    return count


def main(kills: int) -> int:
    rng = random.Random(2)
    ends: Counter[str] = Counter()
    faults: list[str] = []
    sessions = 0
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        while ends["killed"] + ends["killed writing"] < kills:
            sessions += 1
            session = Session.create(Path(place) / f"evening {sessions}", small_plan(sessions))
            # The last runs of a session are let live, so that sessions come to an end.
            most = rng.randrange(3, 9)
            for turn in range(40):
                before = rows(session.path)
                end, told = run(session.path, rng, deadly=turn < most)
                ends[end] += 1
                faults += [
                    f"session {sessions}, run {turn}, {end}: {one}"
                    for one in complaints(session.path, before, told)
                ]
                if end == "failed":
                    faults.append(f"session {sessions}, run {turn}: {told[-400:]}")
                    break
                if end == "done":
                    break
            faults += [f"session {sessions}: {one}" for one in at_the_end(session.path)]
    print(
        f"{ends['killed']} kills at random times, {ends['killed writing']} in a write, {sessions} sessions completed,"
    )
    print(
        f"{ends['failed']} runs failed, {len(faults)} faults, {time.monotonic() - began:.0f} s; still running: {worlds_left()}"
    )
    for fault in faults:
        print(fault)
    return 1 if faults else 0


def at_the_end(folder: Path) -> list[str]:
    """What is wrong with a session that is measured to its end."""
    found: list[str] = []
    done = subprocess.run(
        [sys.executable, "-c", PLAIN, "check", str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        found.append(f"check: {done.stdout}{done.stderr}")
    tables = rows(folder)
    names = [line[0] for lines in tables.values() for line in lines[1:]]
    if len(names) != len(set(names)):
        found.append("a reading's name was given twice")
    found += [f"still lacking: {item}" for item in still_wanted(Session.open(folder), (), (), cold=False)]
    # Onset may be there more often: the rows of a pass that a kill cut short count, and the pass is taken once more.
    lines = tables.get("resonance.csv", [[]])
    at = [lines[0].index(key) for key in ("dial", "added_c_f")]
    counts = Counter(tuple(line[place] for place in at) for line in lines[1:])
    found += [f"resonance.csv: {count} rows of {what}" for what, count in counts.items() if count > 1]
    return found


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
