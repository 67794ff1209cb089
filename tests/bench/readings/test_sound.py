"""Onset by ear of the machine: the virtual set's detector, made audible, heard by the sound driver beside the angle."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from bench.physics.onset import change_point
from drivers.paired import PairedSensor
from drivers.roles import Sample
from drivers.sound import SoundMeter, WavFile

EXAMPLE = Path(__file__).parents[3] / "sessions" / "example"
PACE = 6.0
RATE = 8000


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def trace(path: Path) -> tuple[Any, Any, Any]:
    rows = table(path)
    columns = [np.array([float(row[name]) for row in rows]) for name in ("t_s", "angle_deg", "level_v")]
    return columns[0] - columns[0][0], columns[1], columns[2]


class Clock:
    """Goes on by what is slept, and a little with each look: a machine that stands still does not matter."""

    def __init__(self) -> None:
        self._now_s = 1000.0

    def monotonic(self) -> float:
        self._now_s += 1e-5
        return self._now_s

    def sleep(self, seconds: float) -> None:
        self._now_s += seconds


class Replay:
    """The angles of a trace as they came, at `PACE`, with a level that says nothing."""

    rate_hz = 100.0

    def __init__(self, clock: Clock, t_s: Any, angle_deg: Any) -> None:
        self._clock = clock
        self._t_s, self._angle = t_s / PACE, angle_deg / 300.0
        self._began_s = clock.monotonic()
        self._given = 0

    def identify(self) -> str:
        return "replay"

    def read(self, seconds: float) -> Sequence[Sample]:
        due = int(np.searchsorted(self._t_s, self._clock.monotonic() - self._began_s))
        new = range(self._given, due)
        self._given = max(due, self._given)
        if not new:
            self._clock.sleep(min(seconds, 0.01))
        return [Sample(float(self._t_s[at]), float(self._angle[at]), 0.0, False) for at in new]

    def flush(self) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.mark.parametrize("starts", [True, False])
def test_onset_is_heard_where_the_detector_saw_it(
    starts: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    monkeypatch.setattr("drivers.sound.time", clock)
    monkeypatch.setattr("drivers.paired.time", clock)
    row = next(
        one
        for one in table(EXAMPLE / "onset.csv")
        if one["trace"] and (one["direction"] == "onset") is starts
    )
    t_s, angle, level = trace(EXAMPLE / row["trace"])
    seen = change_point(t_s, angle, level, starts=starts)
    assert seen is not None
    # Hiss of a set: noise as loud as the detector says, over the noise of the sound card itself.
    rng = np.random.default_rng(7)
    at = np.arange(int((t_s[-1] + 10.0) * RATE)) / RATE
    loud = np.interp(at, t_s, level) / 6.6
    hiss = (0.002 + loud) * rng.standard_normal(len(at)).clip(-3, 3) / 3
    wavfile.write(tmp_path / "set.wav", RATE, np.round(32767 * hiss.clip(-1, 1)).astype(np.int16))

    paired = PairedSensor(
        Replay(clock, t_s, angle), SoundMeter(WavFile(str(tmp_path / "set.wav"), pace=PACE))
    )
    samples: list[Sample] = []
    end = clock.monotonic() + t_s[-1] / PACE - 0.3
    while clock.monotonic() < end:
        samples += paired.read(0.2)
    paired.close()
    assert len(samples) > 0.7 * len(t_s)
    heard = change_point(
        PACE * np.array([one.t_s for one in samples]),
        300.0 * np.array([one.angle for one in samples]),
        3.3 * np.array([one.level for one in samples]),
        starts=starts,
    )
    assert heard is not None
    # The hand turns a few degrees a second, and sound comes in blocks of a hundredth.
    assert heard.angle_deg == pytest.approx(seen.angle_deg, abs=1.0)
