"""How long an onset table takes: one coil, 20 numbers of tickler turns, 9 frequencies.

Run: python tests/benchmarks/onset_speed.py. To reach: under 50 ms. Processor time, so that a busy machine does not count.
"""

from __future__ import annotations

import os
import statistics
import sys
import time

import numpy as np

from bench.physics.regeneration import Circuit, Control, Feedback, onset, onset_angles

TURNS = np.linspace(1, 12, 20)[:, None]
F_HZ = np.linspace(2.3e6, 4.9e6, 9)
Q = 130 * (F_HZ / 3e6) ** 0.1


def circuit(control: Control) -> Circuit:
    tickler_l_h = 1e-6 * (TURNS / 6) ** 2
    return Circuit(
        control=control,
        gm_s=0.7e-3,
        rp_ohm=25e3,
        l_h=22e-6,
        tickler_l_h=tickler_l_h,
        mutual_h=0.32 * np.sqrt(22e-6 * tickler_l_h),
        feedback=Feedback(270e-12, 2.5e-3, 2e-12, 8e-12, 1e-12, 2e-12),
    )


def median_ms(work: object, repeats: int = 15) -> float:
    assert callable(work)
    work()
    times = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return 1e3 * statistics.median(times)


def main() -> None:
    controls = {
        "divider": Control("divider", 4e3),
        "harsh divider": Control("divider", 400e3),
        "shunt, log": Control("shunt", 10e3, taper="log"),
        "throttle": Control("throttle", capacitance_f=(10e-12, 140e-12)),
        "supply": Control("supply"),
        "swing": Control("swing"),
    }
    print(f"{'control':14} angles   all of onset   with other modes   (ms of processor, median of 15)")
    for name, control in controls.items():
        made = circuit(control)
        angles = median_ms(lambda made=made: onset_angles(made, F_HZ, Q, "working"))
        all_of_it = median_ms(lambda made=made: onset(made, F_HZ, Q, "working", modes=False))
        modes = median_ms(lambda made=made: onset(made, F_HZ, Q, "working"))
        print(f"{name:14} {angles:6.1f}   {all_of_it:12.1f}   {modes:16.1f}")


if __name__ == "__main__":
    try:
        main()
        sys.stdout.flush()
    except BrokenPipeError:
        # `| head` has seen enough; what is left to flush at exit has nowhere to go
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
