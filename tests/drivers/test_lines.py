"""Described text lines against simulated instruments that differ in everything; their words are invented here."""

from __future__ import annotations

import random
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented import BIRDS, LIMITS, LISTERS, Crane, Finch, Heron, Otter
from patience import LONG_S, with_longer_limits

from drivers.description import parse_description
from drivers.errors import LinkLost, Misuse, ProtocolError, TimedOut, WireError
from drivers.lines import LinesAnalyzer, LinesGenerator
from drivers.registry import open_instrument
from drivers.roles import Analyzer, Generator, ListAnalyzer
from drivers.simulators.faults import KINDS, Fault, Faults
from drivers.simulators.lines import LinesServer, SimulatedLinesAnalyzer, SimulatedLinesGenerator

SWEEP = (3.0e6, 4.0e6, 41)
# Not even, more of them than one request takes, some close together.
FREE = np.array([2.9e6, 3.0e6, 3.3e6, *np.linspace(3.49e6, 3.51e6, 17), 3.7e6, 4.0e6])


def described(kind: Any, timeout_s: float = LONG_S) -> Any:
    """As it describes itself, but for its patience."""
    text = kind.text.replace("timeout_s = 0.12", f"timeout_s = {timeout_s}")
    assert f"timeout_s = {timeout_s}" in text
    return parse_description(text + LIMITS.format(most=kind.most), kind.__name__)


def opened(port: str, description: Any) -> LinesAnalyzer:
    """Open with a short patience, more than once where the machine stood still meanwhile."""
    for _ in range(20):
        with suppress(TimedOut):
            return LinesAnalyzer(port, description)
    return LinesAnalyzer(port, description)


def right(sweep: Any, tank: Any, tolerance: float = 1e-6) -> bool:
    expected = np.linspace(*SWEEP)
    return (
        sweep.f_hz.shape == expected.shape
        and np.allclose(sweep.f_hz, expected, rtol=0, atol=1.0)
        and np.allclose(sweep.s11, tank.reflection(sweep.f_hz), rtol=0, atol=tolerance)
    )


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("kind", BIRDS)
def test_each_is_understood_by_its_description_alone(kind: Any, terminal: bool, tank: Any) -> None:
    with LinesServer(kind(tank), terminal=terminal) as server:
        analyzer = LinesAnalyzer(server.address, described(kind))
        assert isinstance(analyzer, Analyzer)
        assert kind.__name__ in analyzer.identify()
        for _ in range(2):
            assert right(analyzer.sweep(*SWEEP), tank)
        # More points than the instrument has in one sweep.
        long = analyzer.sweep(2.0e6, 3.0e6, 2 * kind.most + 1)
        assert long.f_hz.shape == (2 * kind.most + 1,)
        assert np.all(np.diff(long.f_hz) > 0)
        np.testing.assert_allclose(long.f_hz, np.linspace(2e6, 3e6, 2 * kind.most + 1), rtol=0, atol=1.5)
        np.testing.assert_allclose(long.s11, tank.reflection(long.f_hz), rtol=0, atol=1e-6)
        analyzer.close()
        analyzer.close()
        with pytest.raises(LinkLost):
            analyzer.sweep(*SWEEP)


def right_at(sweep: Any, tank: Any, tolerance: float = 1e-6) -> bool:
    return (
        sweep.f_hz.shape == FREE.shape
        and np.allclose(sweep.f_hz, FREE, rtol=0, atol=1.0)
        and np.allclose(sweep.s11, tank.reflection(sweep.f_hz), rtol=0, atol=tolerance)
    )


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("kind", LISTERS)
def test_free_lists_are_taken_by_whoever_is_described_so(kind: Any, terminal: bool, tank: Any) -> None:
    with LinesServer(kind(tank), terminal=terminal) as server:
        analyzer = LinesAnalyzer(server.address, described(kind))
        assert isinstance(analyzer, ListAnalyzer)
        assert analyzer.limits.list_points > len(FREE)
        for _ in range(2):
            assert right_at(analyzer.sweep_at(FREE), tank)
            # A sweep too, also where there is none but by the list.
            assert right(analyzer.sweep(*SWEEP), tank)
        for wrong in (FREE[::-1], FREE[:1], FREE * 100.0, [3e6, 3e6]):
            with pytest.raises(Misuse):
                analyzer.sweep_at(np.array(wrong))
        with pytest.raises(Misuse, match="digits"):
            analyzer.sweep_at(np.array([3e6, 3e6 + 0.2]))
        analyzer.close()
        with pytest.raises(LinkLost):
            analyzer.sweep_at(FREE)


def test_without_a_list_in_the_description_there_is_none(tank: Any) -> None:
    with LinesServer(Heron(tank), terminal=False) as server:
        analyzer = LinesAnalyzer(server.address, described(Heron))
        assert analyzer.limits.list_points == 0
        with pytest.raises(Misuse, match="uniform"):
            analyzer.sweep_at(FREE)
        analyzer.close()


@pytest.mark.parametrize("kind", BIRDS)
def test_sweeps_beyond_the_limits_are_misuse(kind: Any, tank: Any) -> None:
    with LinesServer(kind(tank), terminal=False) as server:
        analyzer = LinesAnalyzer(server.address, described(kind))
        for start, stop, points in [(1.0, 1e6, 11), (1e6, 1e9, 11), (2e6, 1e6, 11), (1e6, 2e6, 1)]:
            with pytest.raises(Misuse):
                analyzer.sweep(start, stop, points)
        analyzer.close()


# Every mishap meets two of the five, every one of the five six mishaps or more.
MATRIX = [(BIRDS[(row + 2 * step) % 5], fault) for row, fault in enumerate(KINDS) for step in range(2)]


@pytest.mark.parametrize(("kind", "fault_kind"), MATRIX)
def test_a_sweep_is_right_or_is_not(kind: Any, fault_kind: Any, tank: Any) -> None:
    rng = random.Random(f"{kind.__name__} {fault_kind}")
    # Where a wrong digit can only be noticed by its effect, the mean of two readings may keep half of what is let pass.
    tolerance = 1e-6 if kind is Finch else 2.6e-3
    with LinesServer(kind(tank), terminal=False, faults=Faults(seed=rng.randrange(1 << 30))) as server:
        analyzer = opened(server.address, described(kind, 0.12))
        for where in ("line", "") if fault_kind in ("duplicate", "drop") else ("line",):
            fault = Fault(fault_kind, where, rng.randrange(60), rng.choice([0.01, 0.2]), rng.randrange(1, 5))
            server.faults.add(fault)
            outcomes: list[str] = []
            while len(outcomes) < 2 or outcomes[-1] != "right":
                try:
                    sweep = analyzer.sweep(*SWEEP)
                except WireError as problem:
                    outcomes.append(f"{type(problem).__name__} {problem}")
                else:
                    assert right(sweep, tank, tolerance), fault
                    outcomes.append("right")
                server.wire.plug_in()
                if len(outcomes) >= 3:
                    server.faults.clear()
                assert len(outcomes) < 20, (fault, outcomes)
        analyzer.close()


@pytest.mark.parametrize(("kind", "fault_kind"), [(LISTERS[at % 2], fault) for at, fault in enumerate(KINDS)])
def test_a_list_is_right_or_is_not(kind: Any, fault_kind: Any, tank: Any) -> None:
    rng = random.Random(f"list {kind.__name__} {fault_kind}")
    with LinesServer(kind(tank), terminal=False, faults=Faults(seed=rng.randrange(1 << 30))) as server:
        analyzer = opened(server.address, described(kind, 0.12))
        fault = Fault(fault_kind, "line", rng.randrange(30), rng.choice([0.01, 0.2]), rng.randrange(1, 5))
        server.faults.add(fault)
        outcomes: list[str] = []
        while len(outcomes) < 2 or outcomes[-1] != "right":
            try:
                sweep = analyzer.sweep_at(FREE)
            except WireError as problem:
                outcomes.append(f"{type(problem).__name__} {problem}")
            else:
                assert right_at(sweep, tank, 2.6e-3), fault
                outcomes.append("right")
            server.wire.plug_in()
            if len(outcomes) >= 3:
                server.faults.clear()
            assert len(outcomes) < 20, (fault, outcomes)
        analyzer.close()


@pytest.mark.parametrize(
    ("kind", "old", "new", "error", "told"),
    [
        (Heron, "echo = true", "echo = false", ProtocolError, "answer to 'speak' was 'speak"),
        (Heron, 'prompt = "heron> "', 'prompt = "crow> "', TimedOut, "crow|whole answer"),
        (Heron, 'expect = "heron"', 'expect = "crow"', ProtocolError, "should contain 'crow'"),
        (
            Heron,
            '"frequency", "real", "imaginary"',
            '"real", "imaginary"',
            ProtocolError,
            "should have 2 values",
        ),
        (Heron, "columns", 'frequency_unit = "kHz"\ncolumns', ProtocolError, "not those of the sweep"),
        (Otter, "skip = 2", "skip = 1", ProtocolError, "kHz   size   turn"),
        (Otter, "skip = 2", "skip = 3", ProtocolError, "the end came after"),
        (Otter, 'comment = "~"', 'comment = "%"', ProtocolError, "a fish"),
        (Otter, 'end = "surface"', "", ProtocolError, "more came than was asked for: 'surface"),
        (Otter, '"magnitude", "angle"', '"angle", "magnitude"', ProtocolError, "for magnitude cannot be"),
        (Finch, 'answer = "tweet"', 'answer = "chirp"', ProtocolError, "'chirp' was expected, 'tweet' came"),
        (Finch, '"sing"]', '"sing", "purr"]', TimedOut, "nothing came"),
        (Crane, "values_per_line = 1", "", ProtocolError, "should have 2 values"),
        (Crane, 'reply_end = "\\r"', 'reply_end = "\\n"', TimedOut, "whole answer"),
        (Crane, "{start_hz};{stop_hz};{points}", "{start_hz};4000000;{points}", Misuse, "frequencies"),
    ],
)
def test_a_wrong_description_is_told_by_what_came(
    kind: Any, old: str, new: str, error: type[WireError], told: str, tank: Any
) -> None:
    assert old in kind.text
    text = kind.text.replace(old, new, 1) + LIMITS.format(most=kind.most)
    if error is not TimedOut:
        text = text.replace("timeout_s = 0.12", f"timeout_s = {LONG_S}")

    def use(port: str) -> None:
        analyzer = LinesAnalyzer(port, parse_description(text))
        try:
            analyzer.sweep(*SWEEP)
        finally:
            analyzer.close()

    with LinesServer(kind(tank), terminal=False) as server, pytest.raises(error, match=told) as caught:
        use(server.address)
    assert caught.value.port == server.address


def test_the_shipped_descriptions_fit_the_projects_own_simulators(tank: Any, output_world: Any) -> None:
    with LinesServer(SimulatedLinesAnalyzer(tank, speed=1000.0)) as server:
        config = {"driver": "lines-analyzer", "port": server.address, "description": "simulated-analyzer"}
        analyzer = open_instrument("analyzer", config)
        assert right(analyzer.sweep(*SWEEP), tank)
        assert right_at(analyzer.sweep_at(FREE), tank)
        analyzer.close()
    with LinesServer(SimulatedLinesGenerator(output_world)) as server:
        config = {"driver": "lines-generator", "port": server.address, "description": "simulated-generator"}
        generator = open_instrument("generator", config)
        assert isinstance(generator, Generator)
        generator.set(3.5e6, -20.0)
        generator.output(True)
        assert output_world.history[-1] == (3.5e6, -20.0, True)
        generator.close()
        assert not output_world.on


@pytest.mark.parametrize(
    "fault_kind", ["stall", "garble", "drop", "cut", "nan", "wrong", "duplicate", "reset", "unplug"]
)
def test_a_described_generator_is_off_after_any_error(fault_kind: Any, output_world: Any) -> None:
    text = (Path(__file__).parents[2] / "drivers/descriptions/simulated-generator.toml").read_text()
    assert "timeout_s = 2.0" in text

    def scenario(limit_s: float) -> None:
        description = parse_description(text.replace("timeout_s = 2.0", f"timeout_s = {limit_s}"))
        simulated = SimulatedLinesGenerator(output_world)
        with LinesServer(simulated, terminal=False, faults=Faults(seed=4)) as server:
            generator = LinesGenerator(server.address, description)
            generator.set(3.5e6, -20.0)
            generator.output(True)
            server.faults.add(Fault(fault_kind, "line", after=1, seconds=0.3))
            try:
                generator.set(3.6e6, -21.0)
            except WireError:
                if fault_kind != "unplug":
                    assert not output_world.on
            else:
                assert output_world.history[-1] == (3.6e6, -21.0, True)
            server.wire.plug_in()
            generator.close()
            assert not output_world.on

    with_longer_limits(scenario)


def test_the_wrong_kind_of_description_is_refused(tank: Any) -> None:
    with LinesServer(SimulatedLinesAnalyzer(tank), terminal=False) as server:
        config = {"driver": "lines-generator", "port": server.address, "description": "simulated-analyzer"}
        with pytest.raises(Misuse, match="Use the driver lines-analyzer"):
            open_instrument("generator", config)


def test_two_sweeps_are_compared_within_their_noise(tank: Any) -> None:
    class Noisy:
        limits = tank.limits
        rng = np.random.default_rng(3)

        def reflection(self, f_hz: Any) -> Any:
            noise = self.rng.normal(size=(2, len(f_hz)))
            return tank.reflection(f_hz) + 2e-3 * (noise[0] + 1j * noise[1])

    with LinesServer(Crane(Noisy()), terminal=False) as server:
        analyzer = LinesAnalyzer(server.address, described(Crane))
        errors = [
            np.abs(analyzer.sweep(*SWEEP).s11 - tank.reflection(np.linspace(*SWEEP))) for _ in range(50)
        ]
        analyzer.close()
    # Each quadrature of the mean of two has 2e-3/sqrt(2), so the modulus squared has a mean of 4e-6.
    assert np.mean(np.square(errors)) == pytest.approx(4e-6, rel=0.1)
