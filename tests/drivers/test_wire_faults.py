"""Mishaps on the wire: the right reading, or a named error and no reading. Never a wrong one."""

from __future__ import annotations

import random
import time
from contextlib import suppress
from functools import partial
from typing import Any

import numpy as np
import pytest
from patience import LONG_S, with_longer_limits

from drivers.errors import LinkLost, WireError
from drivers.registry import open_instrument
from drivers.sensor import FramedSensor
from drivers.simulators.faults import KINDS, Fault, Faults, damage
from drivers.simulators.scpi import serve_scpi_analyzer
from drivers.simulators.sensor import serve_sensor

SWEEP = (3.0e6, 4.0e6, 41)
# Where in the exchange of a sweep the mishap strikes.
PHASES = ["", "POINts", "STARt", "ERRor", "*OPC", "CALCulate:DATA", "*ESE"]
TIMEOUT_S = 0.12


def right(sweep: Any, tank: Any, expected: Any) -> bool:
    return (
        sweep.f_hz.shape == expected.shape
        and np.allclose(sweep.f_hz, expected, rtol=1e-12)
        and np.allclose(sweep.s11, tank.reflection(expected), atol=2e-9)
    )


@pytest.mark.parametrize("data_format", ["ascii", "real"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_sweep_is_right_or_is_not(kind: Any, data_format: str, tank: Any) -> None:
    rng = random.Random(f"{kind} {data_format}")
    config = {"driver": "scpi-analyzer", "format": data_format, "timeout_s": TIMEOUT_S}
    with serve_scpi_analyzer(tank, speed=1000.0, faults=Faults(seed=rng.randrange(1 << 30))) as server:
        analyzer = opened({**config, "address": server.address})
        for phase in rng.sample(PHASES, 4):
            fault = Fault(kind, phase, rng.randrange(3), rng.choice([0.01, 0.2]), rng.randrange(1, 6))
            server.faults.add(fault)
            outcomes = [outcome(analyzer, tank) for _ in range(3)]
            server.faults.clear()
            server.wire.plug_in()
            # Whatever it was, it does not last.
            while outcomes[-1] != "right":
                outcomes.append(outcome(analyzer, tank))
                assert len(outcomes) < 24, (fault, outcomes)
        analyzer.close()


def opened(config: dict[str, Any]) -> Any:
    """Open with a short patience, more than once where the machine stood still meanwhile."""
    for _ in range(20):
        with suppress(WireError):
            return open_instrument("analyzer", config)
    return open_instrument("analyzer", config)


# Clusters, as a reading asks for them.
FREE = np.concatenate([np.linspace(centre - 5e3, centre + 5e3, 9) for centre in (3.46e6, 3.5e6, 3.54e6)])


@pytest.mark.parametrize("kind", KINDS)
def test_a_list_is_right_or_is_not(kind: Any, tank: Any) -> None:
    rng = random.Random(f"list {kind}")
    config = {"driver": "scpi-analyzer", "timeout_s": TIMEOUT_S, "list_points": 101}
    with serve_scpi_analyzer(tank, speed=1000.0, faults=Faults(seed=rng.randrange(1 << 30))) as server:
        analyzer = opened({**config, "address": server.address})
        for phase in ("MODE", "LIST:FREQuency", rng.choice(PHASES)):
            fault = Fault(kind, phase, 0, rng.choice([0.01, 0.2]), rng.randrange(1, 6))
            server.faults.add(fault)
            outcomes = [outcome(analyzer, tank, FREE) for _ in range(2)]
            server.faults.clear()
            server.wire.plug_in()
            while outcomes[-1] != "right":
                outcomes.append(outcome(analyzer, tank, FREE))
                assert len(outcomes) < 24, (fault, outcomes)
            # Whatever became of the list, a sweep is a sweep.
            assert any(outcome(analyzer, tank) == "right" for _ in range(12))
        analyzer.close()


def outcome(analyzer: Any, tank: Any, f_hz: Any = None) -> str:
    expected = np.linspace(*SWEEP) if f_hz is None else f_hz
    try:
        sweep = analyzer.sweep(*SWEEP) if f_hz is None else analyzer.sweep_at(f_hz)
    except WireError as problem:
        return str(problem)
    assert right(sweep, tank, expected)
    return "right"


def test_no_list_is_left_in_an_instrument(tank: Any) -> None:
    """Another plan, that knows of no lists, sweeps evenly after one that used them, also where a list failed."""
    with serve_scpi_analyzer(tank, speed=1000.0) as server:
        config = {"driver": "scpi-analyzer", "address": server.address, "timeout_s": TIMEOUT_S}
        for fault in (None, Fault("garble", "CALCulate:DATA", amount=4)):
            listed = open_instrument("analyzer", {**config, "list_points": 101})
            if fault is not None:
                server.faults.add(fault)
            assert (outcome(listed, tank, FREE) == "right") == (fault is None)
            listed.close()
            plain = open_instrument("analyzer", config)
            assert outcome(plain, tank) == "right"
            plain.close()


def test_the_faults_do_strike(tank: Any) -> None:
    """The suite above would pass with faults that do nothing; these must be noticed."""

    def strike(kind: Any, limit_s: float) -> None:
        with serve_scpi_analyzer(tank, speed=1000.0) as server:
            config = {"driver": "scpi-analyzer", "address": server.address, "timeout_s": limit_s}
            analyzer = open_instrument("analyzer", config)
            server.faults.add(Fault(kind, "CALCulate:DATA", seconds=0.4))
            with pytest.raises(WireError):
                analyzer.sweep(*SWEEP)
            assert [fault.kind for fault in server.faults.taken] == [kind]
            analyzer.close()

    for kind in set(KINDS) - {"stall", "drip"}:
        with_longer_limits(partial(strike, kind))


def test_an_analyzer_that_comes_back_is_used_again(tank: Any) -> None:
    def scenario(limit_s: float) -> None:
        with serve_scpi_analyzer(tank, speed=1000.0) as server:
            config = {"driver": "scpi-analyzer", "address": server.address, "timeout_s": limit_s}
            analyzer = open_instrument("analyzer", config)
            server.wire.unplug()
            with pytest.raises(WireError):
                analyzer.sweep(*SWEEP)
            server.wire.plug_in()
            assert outcome(analyzer, tank) == "right"
            analyzer.close()

    with_longer_limits(scenario)


def test_another_instrument_in_its_place_is_noticed(tank: Any) -> None:
    with serve_scpi_analyzer(tank, speed=1000.0) as server:
        config = {"driver": "scpi-analyzer", "address": server.address, "timeout_s": LONG_S}
        analyzer = open_instrument("analyzer", config)
        server.device._idn = "Somebody,Else,2,2"
        server.faults.add(Fault("reset"))
        with pytest.raises(WireError):
            analyzer.sweep(*SWEEP)
        with pytest.raises(LinkLost, match="another instrument"):
            analyzer.sweep(*SWEEP)
        analyzer.close()


def samples_are_right(samples: Any, knob: Any) -> None:
    slots = np.rint(np.array([one.t_s for one in samples]) * 100).astype(int)
    assert np.all(np.diff(slots) > 0), "frames are used in order and once"
    step = 0.5 / 4095 + 1e-12
    np.testing.assert_allclose([one.angle for one in samples], knob.angle(slots), atol=step)
    np.testing.assert_allclose([one.level for one in samples], knob.level(slots), atol=step)


LOSES_ONE = {"garble": "damaged", "drop": "lost", "truncate": "damaged", "nan": "damaged", "range": "damaged"}
LOSES_ONE |= {"count": "damaged", "wrong": "damaged", "duplicate": "repeated", "reorder": "late"}


@pytest.mark.parametrize("terminal", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_samples_are_right_or_are_not(kind: Any, terminal: bool, knob: Any) -> None:
    rng = random.Random(f"{kind} {terminal}")
    faults = Faults(
        [
            Fault(kind, "sample", rng.randrange(20, 200), rng.choice([0.003, 0.01]), rng.randrange(1, 6))
            for _ in range(1 if kind in ("unplug", "reset") else 3)
        ],
        seed=7,
    )
    samples: list[Any] = []
    with serve_sensor(knob, terminal=terminal, faults=faults) as server:
        sensor = FramedSensor(server.address)
        try:
            while len(samples) < 600:
                got = sensor.read(LONG_S)
                assert got, "the stream has stopped"
                samples += got
        except WireError:
            assert kind in ("unplug", "reset")
        counts = sensor.counts
        sensor.close()
    samples_are_right(samples, knob)
    assert len(faults.taken) >= 1
    if kind in ("unplug", "reset"):
        assert len(samples) < 600
    else:
        assert counts.used >= 600
    if kind in LOSES_ONE:
        assert getattr(counts, LOSES_ONE[kind]) >= 1
        assert counts.lost + counts.repeated >= 1


@pytest.mark.parametrize(("terminal", "where"), [(False, "token"), (True, "identity")])
@pytest.mark.parametrize("kind", KINDS)
def test_a_board_that_answers_badly_is_asked_again_or_refused(
    kind: Any, terminal: bool, where: str, knob: Any
) -> None:
    faults = Faults([Fault(kind, where, seconds=0.1)], seed=1)
    with serve_sensor(knob, terminal=terminal, faults=faults) as server:
        try:
            sensor = FramedSensor(server.address, timeout_s=0.6)
        except WireError:
            return
        assert sensor.rate_hz == 100.0
        samples_are_right(list(sensor.read(1.0)), knob)
        sensor.close()


def read_for_ever(sensor: Any) -> None:
    until = time.monotonic() + 30.0
    while time.monotonic() < until:
        sensor.read(0.1)


def test_a_sensor_that_comes_back_under_another_name_is_opened_again(knob: Any) -> None:
    with serve_sensor(knob, terminal=False) as server:
        first = FramedSensor(server.address)
        server.unplug()
        with pytest.raises(LinkLost):
            read_for_ever(first)
        first.close()
        server.plug_in(new_port=True)
        second = FramedSensor(server.address)
        samples_are_right(list(second.read(LONG_S)), knob)
        second.close()


def test_a_board_that_restarts_ends_the_reading(knob: Any) -> None:
    with serve_sensor(knob, terminal=False) as server:
        sensor = FramedSensor(server.address)
        sensor.read(LONG_S)
        server.restart()
        with pytest.raises(LinkLost, match="restarted"):
            read_for_ever(sensor)
        assert sensor.counts.restarts == 1
        assert sensor.read(LONG_S)[0].t_s < 60.0
        sensor.close()


def test_a_reader_that_pauses_loses_nothing(knob: Any) -> None:
    with serve_sensor(knob) as server:
        sensor = FramedSensor(server.address)
        samples: list[Any] = []
        for pause in (0.0, 0.3, 0.05, 0.6):
            until = knob.newest() + int(pause * 2000)
            while knob.newest() < until:
                time.sleep(0.005)
            # A machine that stood still brings the rest later.
            while not samples or round(samples[-1].t_s * knob.rate_hz) < until:
                got = sensor.read(LONG_S)
                assert got, "the stream has stopped"
                samples += got
        assert sensor.counts.faults == 0
        sensor.close()
    samples_are_right(samples, knob)
    assert len(samples) > 1500


def test_what_nobody_fetches_is_bounded_and_missed(knob: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from drivers import sensor as module

    monkeypatch.setattr(module, "_MOST_WAITING", 20_000)
    with serve_sensor(knob) as server:
        sensor = FramedSensor(server.address)
        samples = list(sensor.read(LONG_S))
        for _ in range(20):
            until = knob.newest() + 2000
            while knob.newest() < until:
                time.sleep(0.005)
            assert sensor._waiting <= 20_000
            samples += sensor.read(LONG_S)
            # On a machine that stood still, the rest was still in the wire and is missed the next time.
            if sensor.counts.lost > 500:
                break
        assert sensor.counts.lost > 500
        sensor.close()
    samples_are_right(samples, knob)


def test_faults_wait_for_their_turn() -> None:
    faults = Faults([Fault("drop", "data", after=2), Fault("stall", "", after=4)])
    assert faults.take("data?") is None
    assert faults.take("other") is None
    assert faults.take("data?") is None
    assert faults.take("data?") == (Fault("drop", "data", after=2), 0)
    assert faults.take("x", 10) == (Fault("stall", "", after=4), 1)
    assert faults.take("x", 10) is None
    assert not faults.any_waiting


def test_damage_changes_the_message() -> None:
    rng = random.Random(5)
    message = b"+1.5E+0,-2.25E-1,3\n"
    for kind in ("garble", "truncate", "cut", "nan", "range", "count", "wrong"):
        assert damage(message, Fault(kind), rng) != message
    assert damage(message, Fault("stall"), rng) == message
