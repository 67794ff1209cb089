"""An hour of the sensor's stream at 200 frames a second on a fast clock: every frame used or missed by count, memory flat.

Run: python tests/benchmarks/sensor_stream.py [times faster than life, 100 unless told]. Ends with 1 if a frame was lost
unnoticed or memory grew. A second run loses, repeats and spoils frames on the way, and must count each of them.
"""

from __future__ import annotations

import random
import resource
import sys
import time

import numpy as np

from drivers.sensor import FramedSensor
from drivers.simulators.faults import Fault, Faults
from drivers.simulators.sensor import SensorBatch, serve_sensor

RATE_HZ = 200.0
FRAMES = 3600 * 200
# What Python's own allocator may keep of the largest batch.
MOST_GROWN_MB = 8.0


class Hour:
    """A control that is turned to and fro for an hour; every value is a formula of the frame's number."""

    rate_hz = RATE_HZ

    def __init__(self, speed: float) -> None:
        self._began_s = time.monotonic()
        self._speed = speed

    def newest(self) -> int:
        return min(FRAMES + 400, int((time.monotonic() - self._began_s) * self._speed * RATE_HZ))

    def frames(self, first: int, count: int) -> SensorBatch:
        slot = first + np.arange(count)
        return SensorBatch(
            slot / RATE_HZ,
            slot % 4001 / 4095.0,
            (slot * 17) % 4093 / 4095.0,
            np.asarray(slot % 50 < 25),
            None,
        )


def memory_mb() -> float:
    with open("/proc/self/statm") as file:  # noqa: PTH123
        return int(file.read().split()[1]) * resource.getpagesize() / 1e6


def hour(speed: float, faults: Faults) -> bool:
    """One stream; whether every frame is accounted for."""
    used = wrong = 0
    first = last = -1
    begun_mb = 0.0
    started = time.process_time()
    with serve_sensor(Hour(speed), faults=faults) as server:
        sensor = FramedSensor(server.address)
        while last < FRAMES:
            samples = sensor.read(5.0)
            if not samples:
                print("the stream stopped")
                return False
            slots = np.rint(np.array([one.t_s for one in samples]) * RATE_HZ).astype(int)
            angles = np.array([one.angle for one in samples])
            wrong += int(np.sum(np.abs(angles - slots % 4001 / 4095.0) > 1e-9)) + int(
                np.sum(np.diff(slots) <= 0)
            )
            first = first if first >= 0 else int(slots[0])
            last = int(slots[-1])
            used += len(samples)
            if not begun_mb and used > FRAMES // 20:
                begun_mb = memory_mb()
        counts = sensor.counts
        grown_mb = memory_mb() - begun_mb
        sensor.close()
    missing = last - first + 1 - used
    print(
        f"{used} frames used, {counts.lost} lost, {counts.damaged} damaged, {counts.repeated} repeated, {counts.late} late; "
        f"{missing} missing, {wrong} wrong, memory grown {grown_mb:.1f} MB, "
        f"{(time.process_time() - started) / 3600:.2%} of a core at life's pace (with the simulator)"
    )
    # Damaged frames leave a gap that is counted as lost when the next one comes.
    return wrong == 0 and missing == counts.lost and grown_mb <= MOST_GROWN_MB


def main(speed: float) -> int:
    print(f"an hour at {RATE_HZ:.0f} frames a second, {speed:.0f} times faster than life")
    sound = hour(speed, Faults())
    rng = random.Random(5)
    kinds = ("drop", "garble", "truncate", "duplicate", "reorder", "count", "nan", "range")
    after = 0
    mishaps = [
        Fault(rng.choice(kinds), "sample", after := after + rng.randrange(200, 5000)) for _ in range(200)
    ]  # type: ignore[arg-type]
    print("the same with 200 mishaps on the way")
    return 0 if hour(speed, Faults(mishaps, seed=5)) and sound else 1


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 100.0))
