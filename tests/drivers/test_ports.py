"""What is connected and what answers: asked of simulated instruments over real wires."""

from __future__ import annotations

import errno
import json
import os
from dataclasses import replace
from typing import Any

import pytest
from click.testing import CliRunner
from patience import LONG_S

from bench.commands.ports import command
from drivers import ports
from drivers.ports import Found, ask
from drivers.simulators.scpi import ScpiServer, serve_scpi_analyzer, serve_scpi_generator
from drivers.simulators.scpi_device import ScpiDevice
from drivers.simulators.sensor import serve_sensor

needs_terminals = pytest.mark.skipif(
    not hasattr(os, "openpty"), reason="needs a system with pseudo-terminals"
)


def address(text: str) -> Found:
    return Found(text, "address", "as given")


def test_instruments_say_what_they_are(tank: Any, output_world: Any) -> None:
    with serve_scpi_analyzer(tank) as analyzer, serve_scpi_generator(output_world) as generator:
        report = ask(address(analyzer.address))
        assert (report.answer, report.player) == ("Regenbench,Simulated analyzer,1,1.0", "analyzer")
        assert 'driver = "scpi-analyzer"' in report.plan
        assert report.list_points == 201
        assert report.plan[-1] == "list_points = 201"
        assert f'address = "{analyzer.address}"' in report.plan
        before = len(output_world.history)
        report = ask(address(generator.address))
        assert report.player == "generator"
        assert len(output_world.history) == before, "asking switches nothing"


def test_an_analyzer_without_lists_is_left_as_it_was(tank: Any) -> None:
    tank.limits = replace(tank.limits, list_points=0)
    with serve_scpi_analyzer(tank) as server:
        report = ask(address(server.address), timeout_s=0.2)
        assert (report.player, report.list_points) == ("analyzer", None)
        assert not any("list_points" in line for line in report.plan)
        assert server.device.do("SYST:ERR?")[0][1] == b'0,"No error"'


def test_an_instrument_of_another_kind_is_left_open() -> None:
    with ScpiServer(ScpiDevice("Somebody,Meter,1,1")) as server:
        report = ask(address(server.address), timeout_s=LONG_S)
        assert (report.answer, report.player) == ("Somebody,Meter,1,1", "instrument")
        assert "[instruments.analyzer]" in report.plan
        assert server.device.do("SYST:ERR?")[0][1] == b'0,"No error"'


@pytest.mark.parametrize("terminal", [False, pytest.param(True, marks=needs_terminals)])
def test_a_sensor_board_is_found(terminal: bool, knob: Any) -> None:
    with serve_sensor(knob, terminal=terminal, dial=True) as server:
        report = ask(Found(server.address, "serial" if terminal else "address", "board"))
        assert report.player == "sensor"
        assert report.problem is None
        assert report.answer is not None
        assert "100 frames a second" in report.answer
        assert [line for line in report.plan if line.startswith("[")] == [
            "[instruments.angle]",
            "[instruments.level]",
            "[instruments.dial]",
        ]


@needs_terminals
def test_a_busy_port_and_a_silent_port_are_told_apart() -> None:
    import tty

    from drivers.transport import SerialTransport

    near, far = os.openpty()
    tty.setraw(far)
    found = Found(os.ttyname(far), "serial", "x")
    holder = SerialTransport(found.port)
    report = ask(found, timeout_s=0.05)
    assert report.problem is not None
    assert "another program holds" in report.problem
    assert "Close" in report.problem
    holder.close()
    report = ask(found, timeout_s=0.05)
    assert report.problem is not None
    assert "nothing answers" in report.problem
    os.close(near)
    os.close(far)


def test_a_forbidden_port_is_told(tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    port = tmp_path / "tty"
    port.write_text("")

    def forbid(*_: object, **__: object) -> None:
        # The administrator may open anything, so the system's refusal is played.
        raise serial.SerialException(errno.EACCES, f"could not open port {port}: Permission denied")

    monkeypatch.setattr(serial, "Serial", forbid)
    report = ask(Found(str(port), "serial", "x"))
    assert report.problem is not None
    assert "usermod -aG" in report.problem


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(command, args)
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "serial_ports", list)
    monkeypatch.setattr(ports, "usb_instruments", list)


@pytest.mark.usefixtures("no_ports")
def test_the_command_with_nothing_connected() -> None:
    code, out, err = run()
    assert code == 0
    assert "No serial port" in out
    assert "--address" in err
    assert run("--json") == (0, "[]\n", "")


@pytest.mark.usefixtures("no_ports")
def test_the_command_asks_an_address(tank: Any) -> None:
    with serve_scpi_analyzer(tank) as server:
        code, out, err = run("--json", "--address", server.address, "--address", "nonsense")
        assert (code, err) == (0, "")
        first, second = json.loads(out)
        assert first["port"] == server.address
        assert first["kind"] == "address"
        assert first["answer"] == "Regenbench,Simulated analyzer,1,1.0"
        assert first["problem"] is None
        assert second["answer"] is None
        assert "no such instrument address" in second["problem"]
        code, out, _ = run("--address", server.address)
        assert code == 0
        assert "[instruments.analyzer]" in out
        assert "takes free lists of up to 201 frequencies" in out


def test_list_only_sends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "serial_ports", lambda: [Found("COM7", "serial", "a board")])
    monkeypatch.setattr(ports, "usb_instruments", list)

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("asked")

    monkeypatch.setattr(ports, "ask", refuse)
    code, out, _ = run("--list-only")
    assert code == 0
    assert out == "COM7  (a board)\n"


def test_the_lists_of_this_machine_can_be_had() -> None:
    for found in ports.serial_ports() + ports.usb_instruments():
        assert found.port
        assert found.description


def test_the_network_is_never_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every way pyvisa-py has of searching a network is made to fail loudly."""
    from pyvisa_py import tcpip

    def searched(*_: object, **__: object) -> list[str]:
        raise AssertionError("the network was searched")

    for name in dir(tcpip):
        thing = getattr(tcpip, name)
        if isinstance(thing, type) and hasattr(thing, "list_resources"):
            monkeypatch.setattr(thing, "list_resources", searched)
    assert isinstance(ports.usb_instruments(), list)


def test_windows_port_names_are_quoted_for_toml() -> None:
    import tomllib

    assert tomllib.loads("port = " + ports._toml(r"\\.\COM12"))["port"] == r"\\.\COM12"
    assert tomllib.loads("port = " + ports._toml("/dev/ttyACM0"))["port"] == "/dev/ttyACM0"
