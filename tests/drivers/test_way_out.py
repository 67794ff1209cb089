"""The generator's output goes off on every way out of a program."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from typing import Any

import pytest
from patience import LONG_S, with_longer_limits

from drivers import outputs
from drivers.errors import WireError
from drivers.scpi import ScpiGenerator
from drivers.simulators.faults import Fault, Faults
from drivers.simulators.scpi import serve_scpi_generator

PROGRAM = """
import os, signal, sys, time
from drivers.registry import open_instrument
generator = open_instrument("generator", {"driver": "scpi-generator", "address": sys.argv[1]})
generator.set(3.5e6, -20.0)
generator.output(True)
print("on", flush=True)
"""

WAYS = {
    "the end of the program": "",
    "an error": "raise RuntimeError('boom')",
    "sys.exit": "sys.exit(3)",
    "Ctrl-C": "os.kill(os.getpid(), signal.SIGINT); time.sleep(30)",
    "a polite request to end": "os.kill(os.getpid(), signal.SIGTERM); time.sleep(30)",
    "the terminal going away": "os.kill(os.getpid(), signal.SIGHUP); time.sleep(30)",
    "the last name going out of sight": "del generator; import gc; gc.collect()",
}


@pytest.mark.parametrize("way", WAYS)
def test_the_output_is_off_after(way: str, output_world: Any) -> None:
    if os.name == "nt" and "os.kill" in WAYS[way]:
        pytest.skip("needs a system that sends signals to itself")
    with serve_scpi_generator(output_world) as server:
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM + WAYS[way], server.address],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.stdout == "on\n", done.stderr
        assert (3.5e6, -20.0, True) in output_world.history
        assert not output_world.on


@pytest.mark.skipif(os.name == "nt", reason="needs a system with SIGTERM")
def test_the_output_is_off_after_a_kill_from_outside(output_world: Any) -> None:
    with serve_scpi_generator(output_world) as server:
        program = subprocess.Popen(
            [sys.executable, "-c", PROGRAM + "time.sleep(60)", server.address],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert program.stdout is not None
        with program.stdout as stdout:
            assert stdout.readline() == "on\n"
            assert output_world.on
            program.send_signal(signal.SIGTERM)
            assert program.wait(timeout=30) == 128 + signal.SIGTERM
        assert not output_world.on


@pytest.mark.parametrize(
    "kind", ["stall", "drop", "garble", "duplicate", "truncate", "reset", "wrong", "drip"]
)
@pytest.mark.parametrize("where", ["SYSTem:ERRor", "POWer", "*ESE"])
def test_an_error_while_it_is_on_switches_it_off(kind: Any, where: str, output_world: Any) -> None:
    def scenario(limit_s: float) -> None:
        with serve_scpi_generator(output_world, faults=Faults(seed=3)) as server:
            generator = ScpiGenerator(server.address, timeout_s=limit_s)
            generator.set(3.5e6, -20.0)
            generator.output(True)
            server.faults.add(Fault(kind, where=where, seconds=0.5))
            try:
                generator.set(3.6e6, -21.0)
            except WireError:
                assert not output_world.on
            else:
                assert output_world.history[-1] == (3.6e6, -21.0, True)
            generator.close()
            assert not output_world.on

    with_longer_limits(scenario, (0.3, 1.0, 5.0))


def test_a_generator_that_cannot_be_reached_any_more_is_told(output_world: Any) -> None:
    def scenario(limit_s: float) -> None:
        with serve_scpi_generator(output_world) as server:
            generator = ScpiGenerator(server.address, timeout_s=limit_s)
            generator.set(3.5e6, -20.0)
            generator.output(True)
            server.wire.unplug()
            with pytest.raises(WireError, match=r"may still be on.*by hand"):
                generator.close()
            generator.close()

    with_longer_limits(scenario, (0.3, 1.0, 5.0))


def test_a_generator_that_comes_back_is_switched_off(output_world: Any) -> None:
    with serve_scpi_generator(output_world) as server:
        generator = ScpiGenerator(server.address, timeout_s=LONG_S)
        generator.set(3.5e6, -20.0)
        generator.output(True)
        server.wire.unplug()
        server.wire.plug_in()
        generator.close()
        assert not output_world.on


def test_signals_are_as_before_when_the_last_output_is_closed(output_world: Any) -> None:
    before = signal.getsignal(signal.SIGTERM)
    with serve_scpi_generator(output_world) as server:
        generator = ScpiGenerator(server.address)
        generator.close()
    assert signal.getsignal(signal.SIGTERM) is before
    assert outputs.switch_off_all() == []


def test_a_generator_found_on_is_switched_off_at_once(output_world: Any) -> None:
    with serve_scpi_generator(output_world) as server:
        server.device.do("OUTP ON")
        assert output_world.on
        generator = ScpiGenerator(server.address)
        assert not output_world.on
        generator.close()
