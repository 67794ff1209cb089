"""One contract suite for everything that plays a role: fakes, and drivers over real wires."""

from __future__ import annotations

import contextlib
import math
import os
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from patience import LONG_S

from drivers.errors import LinkLost, Misuse, WireError
from drivers.fakes import FakeAnalyzer, FakeGenerator, FakeSensor
from drivers.registry import open_instrument
from drivers.roles import Analyzer, Generator, ListAnalyzer, Sensor
from drivers.simulators.scpi import serve_scpi_analyzer, serve_scpi_generator
from drivers.simulators.sensor import serve_sensor

ANALYZERS = {
    "fake": None,
    "text": {},
    "blocks": {"format": "real"},
    "swapped blocks": {"format": "real", "byte_order": "swapped"},
    "read once": {"read_twice": False},
    "lists": {"list_points": 201},
    "lists in blocks": {
        "list_points": 201,
        "format": "real",
        "headers": {"frequencies": "SENSe:FREQuency:DATA?", "mode": "freq:mode", "list": ":SENS:LIST:FREQ"},
    },
    "frequencies asked": {"headers": {"frequencies": "SENSe:FREQuency:DATA?"}},
    "short headers": {"headers": {"start": "freq:star", "stop": ":SENS:FREQ:STOP", "points": "SWE:POIN"}},
    "limits told": {
        "limits": {"low_hz": 1e5, "high_hz": 3e7, "most_points": 1001, "seconds_per_point": 1e-3},
    },
}


@pytest.fixture(params=ANALYZERS)
def analyzer(request: pytest.FixtureRequest, tank: Any) -> Iterator[Analyzer]:
    config = ANALYZERS[request.param]
    if config is None:
        yield FakeAnalyzer(tank)
        return
    with serve_scpi_analyzer(tank, speed=1000.0) as server:
        driver = open_instrument("analyzer", {"driver": "scpi-analyzer", "address": server.address, **config})
        yield driver
        driver.close()


def test_an_analyzer_keeps_its_role(analyzer: Analyzer, tank: Any) -> None:
    assert isinstance(analyzer, Analyzer)
    assert analyzer.identify()
    limits = analyzer.limits
    assert (limits.low_hz, limits.high_hz, limits.most_points) == (1e5, 3e7, 1001)
    assert limits.seconds_per_point == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("start", "stop", "points"), [(3e6, 4e6, 101), (1e5, 3e7, 2), (3.4e6, 3.6e6, 1001), (2.5e7, 2.6e7, 11)]
)
def test_a_sweep_is_the_one_that_was_asked_for(
    analyzer: Analyzer, tank: Any, start: float, stop: float, points: int
) -> None:
    analyzer.sweep(1e6, 2e6, 21)
    sweep = analyzer.sweep(start, stop, points)
    assert sweep.f_hz.shape == sweep.s11.shape == (points,)
    np.testing.assert_allclose(sweep.f_hz, np.linspace(start, stop, points), rtol=1e-12)
    np.testing.assert_allclose(sweep.s11, tank.reflection(sweep.f_hz), atol=2e-9)


@pytest.mark.parametrize(
    ("start", "stop", "points"),
    [
        (1e4, 1e6, 11),
        (1e6, 1e8, 11),
        (2e6, 1e6, 11),
        (1e6, 2e6, 1),
        (1e6, 2e6, 1002),
        (float("nan"), 1e6, 11),
    ],
)
def test_a_sweep_beyond_the_limits_is_misuse(
    analyzer: Analyzer, start: float, stop: float, points: int
) -> None:
    with pytest.raises(Misuse):
        analyzer.sweep(start, stop, points)
    assert analyzer.sweep(1e6, 2e6, 11).s11.shape == (11,)


# Two clusters, a lone point, both ends of the range.
FREE = np.array([1e5, 3.3e6, 3.4e6, 3.4001e6, 3.4002e6, 3.7e6, 29e6, 3e7])


def test_a_free_list_is_taken_by_whoever_says_so(analyzer: Analyzer, tank: Any) -> None:
    assert isinstance(analyzer, ListAnalyzer)
    if not analyzer.limits.list_points:
        with pytest.raises(Misuse, match="uniform"):
            analyzer.sweep_at(FREE)
        return
    assert analyzer.limits.list_points == 201
    for f_hz in (FREE, np.linspace(3e6, 4e6, 201), FREE[2:4]):
        sweep = analyzer.sweep_at(f_hz)
        np.testing.assert_allclose(sweep.f_hz, f_hz, rtol=0, atol=1e-3)
        np.testing.assert_allclose(sweep.s11, tank.reflection(sweep.f_hz), atol=2e-9)
        # And back to a sweep with even steps.
        after = analyzer.sweep(3e6, 4e6, 11)
        np.testing.assert_allclose(after.s11, tank.reflection(np.linspace(3e6, 4e6, 11)), atol=2e-9)


@pytest.mark.parametrize(
    "f_hz",
    [
        FREE[::-1],
        FREE[:1],
        [],
        [3e6, 3e6, 4e6],
        [3e6, math.nan, 4e6],
        [9e4, 4e6],
        [3e6, 4e7],
        np.linspace(3e6, 4e6, 202),
        [FREE],
    ],
)
def test_a_list_beyond_the_limits_is_misuse(analyzer: Analyzer, f_hz: Any) -> None:
    assert isinstance(analyzer, ListAnalyzer)
    with pytest.raises(Misuse):
        analyzer.sweep_at(np.array(f_hz))
    assert analyzer.sweep(1e6, 2e6, 11).s11.shape == (11,)


@pytest.mark.parametrize("lacking", [{"list": ""}, {"mode": ""}, {"mode": "", "list": ""}])
def test_a_list_that_may_not_be_swept_is_not_sent(tank: Any, lacking: dict[str, str]) -> None:
    with (
        serve_scpi_analyzer(tank, speed=1000.0) as server,
        pytest.raises(Misuse, match="list_points needs"),
    ):
        open_instrument(
            "analyzer",
            {"driver": "scpi-analyzer", "address": server.address, "list_points": 201, "headers": lacking},
        )


def test_a_closed_analyzer_says_so(analyzer: Analyzer) -> None:
    analyzer.close()
    analyzer.close()
    with pytest.raises(LinkLost):
        analyzer.sweep(1e6, 2e6, 11)
    if analyzer.limits.list_points:
        assert isinstance(analyzer, ListAnalyzer)
        with pytest.raises(LinkLost):
            analyzer.sweep_at(FREE)


@pytest.fixture(params=["fake", "scpi"])
def generator(request: pytest.FixtureRequest, output_world: Any) -> Iterator[Generator]:
    if request.param == "fake":
        yield FakeGenerator(output_world)
        return
    with serve_scpi_generator(output_world) as server:
        driver = open_instrument("generator", {"driver": "scpi-generator", "address": server.address})
        yield driver
        driver.close()


def test_a_generator_is_off_until_told(generator: Generator, output_world: Any) -> None:
    assert isinstance(generator, Generator)
    assert generator.identify()
    assert not output_world.on
    generator.set(3.5e6, -20.0)
    assert output_world.history[-1] == (3.5e6, -20.0, False)
    generator.output(True)
    assert output_world.history[-1] == (3.5e6, -20.0, True)
    generator.set(4.123456e6, -33.0)
    assert output_world.history[-1] == (4.123456e6, -33.0, True)
    generator.output(False)
    assert not output_world.on


def test_closing_a_generator_switches_it_off(generator: Generator, output_world: Any) -> None:
    generator.set(3.5e6, -20.0)
    generator.output(True)
    generator.close()
    generator.close()
    assert not output_world.on
    with pytest.raises(LinkLost):
        generator.set(3.5e6, -20.0)


@pytest.mark.parametrize(
    ("f_hz", "level_dbm"),
    [(0.0, -20.0), (-1.0, -20.0), (float("inf"), -20.0), (3e6, 40.0), (3e6, float("inf"))],
)
def test_impossible_settings_are_misuse(
    generator: Generator, output_world: Any, f_hz: float, level_dbm: float
) -> None:
    with pytest.raises(Misuse):
        generator.set(f_hz, level_dbm)
    generator.set(3.5e6, -20.0)


@contextlib.contextmanager
def wired_sensor(world: Any, terminal: bool, dial: bool) -> Iterator[Sensor]:
    with serve_sensor(world, terminal=terminal, dial=dial, patience_s=LONG_S) as server:
        driver = open_instrument("angle", {"driver": "sensor", "port": server.address, "dial": dial})
        yield driver
        driver.close()


@contextlib.contextmanager
def fake_sensor(world: Any, dial: bool) -> Iterator[Sensor]:
    yield FakeSensor(world, dial=dial)


OpenSensor = Callable[[Any, bool], contextlib.AbstractContextManager[Sensor]]


@pytest.fixture(
    params=[
        "fake",
        "socket",
        pytest.param(
            "terminal",
            marks=pytest.mark.skipif(
                not hasattr(os, "openpty"), reason="needs a system with pseudo-terminals"
            ),
        ),
    ]
)
def open_sensor(request: pytest.FixtureRequest) -> OpenSensor:
    if request.param == "fake":
        return fake_sensor
    return lambda world, dial: wired_sensor(world, request.param == "terminal", dial)


def collect(sensor: Sensor, frames: int) -> list[Any]:
    out: list[Any] = []
    while len(out) < frames:
        got = sensor.read(LONG_S)
        assert got, "the stream has stopped"
        out += got
    return out


def test_a_sensor_streams_every_frame(open_sensor: OpenSensor, knob: Any) -> None:
    with open_sensor(knob, False) as sensor:
        assert isinstance(sensor, Sensor)
        assert sensor.identify()
        assert sensor.rate_hz == 100.0
        samples = collect(sensor, 500)
    slots = np.rint(np.array([one.t_s for one in samples]) * 100).astype(int)
    assert np.all(np.diff(slots) == 1)
    step = 0.5 / 4095 + 1e-12
    np.testing.assert_allclose([one.angle for one in samples], knob.angle(slots), atol=step)
    np.testing.assert_allclose([one.level for one in samples], knob.level(slots), atol=step)
    assert [one.mark for one in samples] == list(slots % 50 < 25)
    assert all(one.dial is None for one in samples)


def test_a_sensor_may_have_a_dial(open_sensor: OpenSensor, knob: Any) -> None:
    with open_sensor(knob, True) as sensor:
        samples = collect(sensor, 50)
    slots = np.rint(np.array([one.t_s for one in samples]) * 100).astype(int)
    np.testing.assert_allclose([one.dial for one in samples], knob.level(slots + 7), atol=0.5 / 4095 + 1e-12)


def test_flush_throws_away_the_past(open_sensor: OpenSensor, knob: Any) -> None:
    with open_sensor(knob, False) as sensor:
        collect(sensor, 10)
        now = knob.newest()
        while knob.newest() < now + 300:
            time.sleep(0.005)
        before = knob.newest()
        sensor.flush()
        first = collect(sensor, 1)[0]
        assert round(first.t_s * 100) > before


def test_a_wait_for_a_frame_ends(open_sensor: OpenSensor, knob: Any) -> None:
    with open_sensor(knob, False) as sensor:
        collect(sensor, 5)
        # A little later, so that the last frame is that one also if the simulator has just looked.
        knob.stopped_at = knob.newest() + 200
        while round(collect(sensor, 1)[-1].t_s * 100) < knob.stopped_at:
            pass
        assert list(sensor.read(0.05)) == []


def test_a_closed_sensor_says_so(open_sensor: OpenSensor, knob: Any) -> None:
    with open_sensor(knob, False) as sensor:
        sensor.close()
        sensor.close()
        with pytest.raises(WireError):
            sensor.read(0.1)
