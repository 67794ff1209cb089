"""The dial by a second angle sensor: ends learned whichever way it turns, read when it rests, believed over the pointer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.instruments import Instruments
from bench.measuring.progress import Reporter
from bench.plan.schema import parse_plan
from bench.readings.dial_sensor import learn_dial, read_dial
from bench.session.folder import Session
from drivers.errors import Misuse, TimedOut
from drivers.roles import Sample


class Shaft:
    """A dial, its sensor, and hands that set it `off` divisions away from what they say."""

    rate_hz = 100.0

    def __init__(self, low: float, high: float, off: float = 0.0, *, channel: bool = True) -> None:
        self.low, self.high, self.off = low, high, off
        self.at = 0.0
        self.channel = channel
        self.drift = 0.0
        self.silent = False
        self._rng = np.random.default_rng(3)

    def set_dial(self, dial: float) -> float:
        self.at = dial if dial in (0.0, 100.0) else dial + self.off
        return dial

    def read(self, seconds: float) -> Sequence[Sample]:
        if self.silent:
            return []
        self.at += self.drift
        share = self.low + (self.high - self.low) * self.at / 100.0 + 2e-4 * self._rng.standard_normal()
        return [Sample(0.0, 0.5, 0.0, False, share if self.channel else None)] * 5

    def flush(self) -> None:
        pass


@pytest.mark.parametrize(("low", "high"), [(0.1, 0.9), (0.85, 0.2)])
def test_ends_are_learned_and_the_dial_is_read(low: float, high: float) -> None:
    shaft: Any = Shaft(low, high)
    ends = learn_dial(shaft, shaft, (0.0, 100.0))
    for mark in (0.0, 12.5, 40.0, 99.9):
        shaft.set_dial(mark)
        assert read_dial(shaft, ends) == pytest.approx(mark, abs=0.15)


def test_what_cannot_be_read_is_told() -> None:
    shaft: Any = Shaft(0.5, 0.52)
    with pytest.raises(ReadingError, match="hardly moved"):
        learn_dial(shaft, shaft, (0.0, 100.0))
    shaft = Shaft(0.1, 0.9, channel=False)
    with pytest.raises(Misuse, match="no dial channel"):
        learn_dial(shaft, shaft, (0.0, 100.0))
    shaft = Shaft(0.1, 0.9)
    ends = learn_dial(shaft, shaft, (0.0, 100.0))
    shaft.drift = 0.5
    with pytest.raises(ReadingError, match="does not come to rest"):
        read_dial(shaft, ends)
    shaft.silent = True
    with pytest.raises(TimedOut):
        read_dial(shaft, ends)


PLAN = """
[receiver]
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
[[coil]]
name = "K"
grid = { turns = 20, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }
tickler = { turns = 6, gap = "2 mm", wire = "0.2 mm" }
[instruments.angle]
driver = "sensor"
port = "nowhere"
dial = true
"""


@pytest.mark.parametrize("off", [0.4, 7.0])
def test_the_sensor_counts_and_a_pointer_far_off_is_told(off: float, tmp_path: Path) -> None:
    session = Session.create(tmp_path / "s", PLAN)
    instruments = Instruments(parse_plan(PLAN))
    assert instruments.has("dial")
    shaft: Any = Shaft(0.1, 0.9, off)
    instruments.dial = lambda: shaft  # type: ignore[method-assign]
    said: list[str] = []
    reporter = Reporter(0)
    reporter.say = said.append  # type: ignore[method-assign]
    bench = Bench(session, shaft, instruments, reporter)
    assert bench.set_dial(40.0) == pytest.approx(40.0 + off, abs=0.15)
    assert bool(said) is (off > 2.0)
