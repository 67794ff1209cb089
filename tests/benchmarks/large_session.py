"""Sessions of 1,000 to 100,000 rows: seconds and peak memory of `check` and `fit`, and how they grow.

    python tests/benchmarks/large_session.py [ROWS ...]

Half the rows are resonances, half approaches to onset; a tenth of the resonances stands at dial readings that never
repeat, as a sensor on the dial gives them, the others are repeats. Each command runs in a process of its own, start of the
interpreter included; CPU seconds are its own, whoever else uses the machine; memory is its peak resident set as the system
counts it. Last column: CPU seconds over those of the size before, divided by the growth in rows (1 is a straight line
through nothing, less is a fixed cost).
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from bench.session.files import written
from bench.session.tables import TABLES

PLAN = """
[receiver]
name = "A set read for years"
device = "triode"
gm = "0.7 mS"
rp = "25 kohm"
[receiver.tuning]
dial = [0, 100]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "4 kohm"
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
plate_capacitance = "8 pF"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ inductance = "{l_uh} uH" }}
tickler = {{ turns = 6, inductance = "{tickler_uh} uH", k = 0.32 }}
"""
COILS = {"A": (90e-6, 14e-12), "B": (22e-6, 15e-12), "C": (6e-6, 12e-12)}
# How onset goes over a coil's range, as a share of the way from its low end: enough for a table that can be fitted.
ANGLES = (175.0, 148.0, 122.0, 100.0, 84.0)


def make(folder: Path, rows: int, seed: int = 0) -> None:
    """A session folder of so many rows."""
    rng = np.random.default_rng(seed)
    folder.mkdir()
    plan = PLAN + "".join(
        COIL.format(name=name, l_uh=l_h * 1e6, tickler_uh=l_h * 1e6 / 22.0)
        for name, (l_h, _) in COILS.items()
    )
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    names = list(COILS)
    count = {"resonance": rows // 2, "onset": rows - rows // 2}
    for table in TABLES.values():
        with (folder / table.file).open("w", encoding="utf-8") as stream:
            stream.write(",".join(table.header) + "\n")
            for i in range(count.get(table.name, 0)):
                name = names[i % len(names)]
                l_h, stray_f = COILS[name]
                row = {
                    "reading": f"r{i + 1 + (table.name == 'onset') * rows:06d}",
                    "time": f"2026-0{1 + i % 9}-{1 + i % 28:02d}T19:{i % 60:02d}:{i % 59:02d}.000Z",
                    "coil": name,
                    "valve": "working",
                    "antenna": "no",
                }
                if table.name == "resonance":
                    dial = float(rng.integers(0, 11) * 10) if i % 10 else round(float(rng.uniform(0, 100)), 2)
                    whole = 12e-12 + 148e-12 * (1 - dial / 100) ** 1.4 + stray_f
                    f_hz = 1 / (2 * np.pi * np.sqrt(l_h * whole)) * (1 + 1e-4 * rng.normal())
                    q = 110.0 * (f_hz / 3e6) ** 0.1 * (1 + 0.01 * rng.normal())
                    row |= {"dial": f"{dial:g}", "f0_hz": f"{f_hz:.3f}", "f0_u_hz": f"{1e-4 * f_hz:.3f}"}
                    row |= {"q": f"{q:.3f}", "q_u": f"{0.01 * q:.3f}", "method": "reflection"}
                else:
                    place = int(rng.integers(0, 5))
                    whole = 160e-12 * (20 / 160) ** (place / 4.0) + stray_f
                    row |= {"f_hz": f"{1 / (2 * np.pi * np.sqrt(l_h * whole)):.1f}"}
                    up = i % 2 == 0
                    angle = ANGLES[place] - (0 if up else 4) + 0.7 * rng.normal()
                    row |= {"direction": "onset" if up else "drop-out", "angle_deg": f"{angle:.3f}"}
                    row |= {"angle_u_deg": "0.7", "method": "level"}
                stream.write(written(table.header, row))


def run(*words: str) -> tuple[float, float, float]:
    """Seconds, CPU seconds and peak megabytes of one command in a process of its own."""
    started = time.perf_counter()
    child = os.fork()
    if child == 0:
        with Path(os.devnull).open("w") as nothing:
            os.dup2(nothing.fileno(), 1)
        os.execv(sys.executable, [sys.executable, "-c", "from bench.cli import main; main()", *words])
    _, status, usage = os.wait4(child, 0)
    if status:
        raise SystemExit(f"{' '.join(words)} ended with {os.waitstatus_to_exitcode(status)}")
    return time.perf_counter() - started, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> None:
    sizes = [int(word) for word in sys.argv[1:]] or [1_000, 10_000, 100_000]
    print(f"{'rows':>8}  {'command':<7}  {'seconds':>7}  {'CPU s':>6}  {'MB':>5}  {'growth':>6}")
    last: dict[str, tuple[int, float]] = {}
    with tempfile.TemporaryDirectory() as temporary:
        for rows in sizes:
            folder = Path(temporary) / f"rows{rows}"
            make(folder, rows)
            for command in ("check", "fit"):
                seconds, cpu_s, megabytes = run(command, str(folder))
                growth = ""
                if command in last:
                    before, then = last[command]
                    growth = f"{cpu_s / then / (rows / before):.2f}"
                last[command] = (rows, cpu_s)
                print(
                    f"{rows:>8}  {command:<7}  {seconds:>7.2f}  {cpu_s:>6.2f}  {megabytes:>5.0f}  {growth:>6}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
