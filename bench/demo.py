"""The whole job on the virtual bench: start, measure, fit, chart, and how near it came to the simulated truth."""

from __future__ import annotations

import json
import re
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bench.errors import SessionError
from bench.measuring.run import measure
from bench.session.folder import Session
from bench.session.place import PLAN
from bench.virtual.hands import VirtualBench
from bench.virtual.scenario import demo_plan_path
from bench.virtual.scoring import Score, score, summarise

Say = Callable[[str], None]


def demo_folder(into: str | None) -> Path:
    """Where the demo goes: the folder asked for, or the first free one of sessions/demo, demo-2, ..."""
    if into is not None:
        # A folder, not a session's name: a bare one lies here, not under sessions.
        return Path.cwd() / into
    base = Path("sessions") / "demo"
    number, place = 1, base
    while place.exists():
        number += 1
        place = base.with_name(f"demo-{number}")
    return place


def demo_plan(seed: int) -> str:
    """The demo's plan, with this seed."""
    text = demo_plan_path().read_text(encoding="utf-8")
    return re.sub(r"(?m)^seed = \d+", f"seed = {seed}", text)


def measure_and_fit(place: Path, seed: int) -> tuple[Session, dict[str, Any], list[Score]]:
    """A demo session measured and fitted, and its scores against the truth."""
    from bench.fit.fitting import fit_session

    if place.exists():
        raise SessionError(f"{place} exists already; name another folder with --into, or delete it.")
    session = Session.create(place, demo_plan(seed))
    with tempfile.TemporaryDirectory() as private:
        truth_file = Path(private) / "truth.json"
        with VirtualBench(session.path / PLAN, seed=seed, truth=truth_file) as bench:
            outcome = measure(session, bench=bench)
        truth = json.loads(truth_file.read_text(encoding="utf-8"))
    if outcome.lacking:
        raise SessionError(f"{outcome.lacking} readings are lacking: {'; '.join(outcome.left)}")
    fit = fit_session(session)
    session.write_fit(fit)
    first, last = session.plan.receiver.tuning.dial
    return session, fit, score(session.rows("resonance"), fit, truth, abs(last - first))


def run_demo(into: str | None, seed: int, say: Say) -> None:
    """The `demo` command: results to `say`, progress to stderr."""
    place = demo_folder(into)
    begun = time.monotonic()
    print(f"A simulated set (seed {seed}) behind simulated instruments; session in {place}", file=sys.stderr)
    session, fit, scores = measure_and_fit(place, seed)
    from bench.charts import draw_session

    files = draw_session(session)
    say(
        f"{session.plan.receiver.name}, seed {seed}: measured, fitted and charted in {time.monotonic() - begun:.0f} s\n"
    )
    for coil in fit["coils"]:
        say(f"Coil {coil['name']}: {' '.join(coil['advice']['reasons'][:1])}")
    say("\nFound against the simulated truth (which no reading or fit has seen):")
    say(f"  {'':8}{'values':>7}{'rms error':>12}{'worst':>10}{'stated u':>11}{'inside ±2u':>12}")
    for line in summarise(scores):
        say(
            f"  {line.what:8}{line.count:>7}{line.rms_error:>10.3g} {line.unit:<3}{line.worst_error:>8.3g} {line.unit:<3}"
            f"{line.median_u:>8.2g} {line.unit:<3}{line.inside:>9.0%}"
        )
    say("\nCharts to print and keep with the coils:")
    for file in files:
        if file.suffix == ".pdf":
            say(f"  {file}")
    say(f"Everything else (plan, tables, raw sweeps, traces, fit.json, log): {session.path}")
