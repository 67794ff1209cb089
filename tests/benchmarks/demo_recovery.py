"""How near the demo comes to the simulated truth, over many seeds.

    python tests/benchmarks/demo_recovery.py [SEEDS]

Prints one table: for each quantity the number of values, root mean square and worst error, median stated uncertainty, and the
share of values whose truth lies inside ±2u.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from bench.demo import measure_and_fit
from bench.virtual.scoring import Score, summarise


def main(seeds: int) -> None:
    scores: list[Score] = []
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, seeds + 1):
            _, _, found = measure_and_fit(Path(folder) / f"seed-{seed}", seed)
            scores += found
            for one in found:
                if abs(one.z) > 3:
                    print(
                        f"seed {seed}: {one.what} {one.coil} {one.where}: true {one.true:.6g}, found {one.found:.6g}, z {one.z:+.1f}"
                    )
    print(f"{seeds} seeds in {time.monotonic() - begun:.0f} s")
    print(f"{'':8}{'values':>8}{'rms error':>13}{'worst':>12}{'median u':>12}{'inside ±2u':>12}")
    for line in summarise(scores):
        print(
            f"{line.what:8}{line.count:>8}{line.rms_error:>10.3g} {line.unit:<3}{line.worst_error:>9.3g} {line.unit:<3}"
            f"{line.median_u:>9.2g} {line.unit:<3}{line.inside:>10.1%}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
