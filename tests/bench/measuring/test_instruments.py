"""The plan's instruments: found again under another name after the plug was out."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from bench.measuring.instruments import Instruments
from bench.plan.schema import parse_plan
from drivers.errors import LinkError, WireError
from drivers.simulators.sensor import SensorBatch, SensorServer, serve_sensor

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
grid = {{ turns = 20, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }}
tickler = {{ turns = 6, gap = "2 mm", wire = "0.2 mm" }}
[instruments.angle]
driver = "sensor"
port = "{port}"
timeout_s = 1.5
[instruments.level]
driver = "sensor"
port = "{port}"
timeout_s = 1.5
"""


class Still:
    """A control that nobody turns."""

    rate_hz = 100.0

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    def newest(self) -> int:
        return int((time.monotonic() - self._began_s) * 5 * self.rate_hz)

    def frames(self, first: int, count: int) -> SensorBatch:
        half = np.full(count, 0.5)
        return SensorBatch((first + np.arange(count)) / self.rate_hz, half, half, half > 1.0, None)


@pytest.fixture
def knob() -> Still:
    return Still()


def lost(sensor: Any) -> None:
    until = time.monotonic() + 30.0
    while time.monotonic() < until:
        sensor.read(0.1)


def replugged(server: SensorServer, instruments: Instruments) -> str:
    """The board pulled out while it is read, and put back under another name; returns the old one."""
    instruments.sensor().read(1.0)
    old = server.address
    server.unplug()
    with pytest.raises(WireError):
        lost(instruments.sensor())
    server.plug_in(new_port=True)
    instruments.reopen()
    return old


def test_a_board_under_another_name_is_found_by_what_it_calls_itself(knob: Any) -> None:
    with serve_sensor(knob) as server, serve_sensor(knob, bits=10) as stranger:
        instruments = Instruments(parse_plan(PLAN.format(port=server.address)))
        said: list[str] = []
        instruments.tell = said.append
        old = replugged(server, instruments)
        instruments.serial_names = lambda: [stranger.address, server.address]
        if server.address == old:
            pytest.skip("the system gave the port its old name again")
        assert instruments.sensor().read(1.0)
        assert said == [
            f"  {instruments.sensor().identify()} answers on {server.address} now, no longer on {old}."
        ]
        # The level shares the wire, and goes on sharing it.
        assert len(instruments._open) == 1
        instruments.close()


def test_a_stranger_is_not_taken_for_it(knob: Any) -> None:
    with serve_sensor(knob) as server, serve_sensor(knob, bits=10) as stranger:
        instruments = Instruments(parse_plan(PLAN.format(port=server.address)))
        old = replugged(server, instruments)
        if server.address == old:
            pytest.skip("the system gave the port its old name again")
        instruments.serial_names = lambda: [stranger.address]
        with pytest.raises(LinkError):
            instruments.sensor()
        instruments.close()
