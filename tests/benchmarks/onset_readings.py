"""How near each way of reading an onset comes to the simulated set's truth, and how honest its uncertainty is.

    python tests/benchmarks/onset_readings.py [SEEDS]

One coil and frequency of the demo's plan for each seed, read by level, by listening and by curve, the set drifting, the
sensor bowed and slack in its coupling, the hand misjudging, the valve feeling the analyzer. Prints one table: for each way
the number of onsets, root mean square and worst error, share of truths inside ±2u, error of the backlash, and of the
steepness; and for the curve how often it oscillated on the way.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict

import numpy as np

from bench.errors import ReadingError
from bench.measuring.agreement import onset_of_way
from bench.measuring.operator import Setup
from bench.plan.schema import load_plan
from bench.readings.curve_run import measure_curve
from bench.readings.onset import measure_onset
from bench.readings.turning import learn_stops, resting_angle
from bench.virtual.network import tank_root
from bench.virtual.scenario import demo_plan_path, draw
from bench.virtual.stepped import Stepped
from bench.virtual.truth import Standing, circuit_of, true_onset, tuned_to

PLAN = load_plan(demo_plan_path())
TRAVEL = PLAN.receiver.control.travel_deg
# Nearer to the end stops there is no room for run-up or for angles below.
ROOM_DEG = 25.0


def main(seeds: int) -> None:
    error: dict[str, list[float]] = defaultdict(list)
    inside: dict[str, list[bool]] = defaultdict(list)
    claimed: dict[str, list[float]] = defaultdict(list)
    backlash: dict[str, list[float]] = defaultdict(list)
    steep: list[float] = []
    sang, failed, skipped = 0, 0, 0
    begun = time.monotonic()
    for seed in range(1, seeds + 1):
        hidden = draw(PLAN, seed)
        random = np.random.default_rng([seed, 77])
        coil = PLAN.coil[seed % len(PLAN.coil)]
        f_hz = coil.onset_at[int(random.integers(len(coil.onset_at)))]
        tuned = tuned_to(hidden, Standing(coil.name, 0.0), f_hz)
        dial = None if tuned.tuning_f is None else hidden.tuning.dial_for(tuned.tuning_f)
        bench = Stepped(hidden)
        if dial is None:
            skipped += 1
            continue
        bench.prepare(Setup(coil.name))
        bench.set_dial(dial)
        standing = Standing(coil.name, bench.world._standing.dial)
        true = true_onset(hidden, standing)
        if (
            true.onset_deg is None
            or not ROOM_DEG < true.onset_deg < TRAVEL - ROOM_DEG
            or true.dropout_deg is None
        ):
            skipped += 1
            continue
        stops = learn_stops(bench, bench, TRAVEL)

        def tell(
            way: str, angle: float, u: float, onset_deg: float = true.onset_deg, seed: int = seed
        ) -> None:
            error[way].append(angle - onset_deg)
            claimed[way].append(u)
            inside[way].append(abs(angle - onset_deg) <= 2.0 * u)
            if abs(angle - onset_deg) > 3.0 * u:
                print(f"seed {seed}: {way} {angle:.1f} ± {u:.1f}, true {onset_deg:.1f}")

        for way in ("level", "listen"):
            try:
                passes = measure_onset(bench, bench, stops, repeats=3, listen=way == "listen")
            except ReadingError as problem:
                failed += 1
                print(f"seed {seed}: {way}: {problem}")
                continue
            ends = {}
            for starts in (True, False):
                rows = [
                    {"angle_deg": a.angle_deg, "angle_u_deg": a.angle_u_deg}
                    for a in passes.approaches
                    if a.starts is starts and a.angle_deg is not None
                ]
                if rows:
                    ends[starts] = onset_of_way(rows)
            if True in ends:
                tell(way, *ends[True])
            if len(ends) == 2:
                backlash[way].append(ends[True][0] - ends[False][0] - (true.onset_deg - true.dropout_deg))
            bench.rest_control(0.0)
        bench.prepare(Setup(coil.name, loop=True))
        try:
            read = measure_curve(
                bench,
                bench,
                lambda bench=bench, stops=stops: resting_angle(bench, stops),  # type: ignore[misc]
                f0_hz=f_hz,
                travel_deg=TRAVEL,
                q_goal=PLAN.readings.q_uncertainty,
            )
        except ReadingError as problem:
            failed += 1
            print(f"seed {seed}: curve: {problem}")
            continue
        sang += any("backed off" in said for said in read.warnings)
        if read.onset is None or read.onset_u_deg is None:
            failed += 1
            print(f"seed {seed}: curve: {'; '.join(read.warnings)}; true {true.onset_deg:.1f}")
            continue
        tell("curve", read.onset.angle_deg, read.onset_u_deg)
        if true.slope_per_deg:
            # The truth's share is of the cold tank's loss, the reading's of the loss with the control at angle 0.
            cold, warm = (
                tank_root(
                    circuit_of(hidden, Standing(coil.name, standing.dial, valve=valve)), np.array([0.0])
                )[0].real
                for valve in (False, True)
            )
            steep.append(read.onset.slope_per_deg / (true.slope_per_deg * cold / warm) - 1.0)
    print(
        f"{seeds} seeds, {skipped} without an onset in the control's middle part, {time.monotonic() - begun:.0f} s"
    )
    print(
        f"{'':8}{'onsets':>7}{'rms':>8}{'worst':>8}{'mean':>8}{'median u':>10}{'inside 2u':>11}{'backlash rms':>14}"
    )
    for way in ("level", "listen", "curve"):
        e = np.array(error[way])
        lash = f"{np.sqrt(np.mean(np.square(backlash[way]))):>12.2f} °" if backlash[way] else f"{'-':>14}"
        print(
            f"{way:8}{len(e):>7}{np.sqrt(np.mean(e**2)):>7.2f}°{np.abs(e).max():>7.2f}°{e.mean():>+7.2f}°"
            f"{np.median(claimed[way]):>9.2f}°{np.mean(inside[way]):>10.1%} {lash}"
        )
    print(
        f"steepness by curve: rms error {np.sqrt(np.mean(np.square(steep))):.1%}, worst {np.abs(steep).max():.1%}; "
        f"oscillated on the way up in {sang} of {len(error['curve'])}; {failed} readings not made"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 120)
