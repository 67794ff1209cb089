"""From names in a plan to instruments: every mistake is told with the next move."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from drivers.errors import Misuse, PortMissing, WireError
from drivers.registry import DRIVERS, ROLES, Typed, open_instrument


@pytest.mark.parametrize(
    ("role", "config", "told"),
    [
        ("analyzer", {"driver": "scpi-analyser"}, "Do you mean 'scpi-analyzer'"),
        ("analyzer", {}, "no driver None"),
        ("analyzer", {"driver": 3}, "no driver 3"),
        ("analyzer", {"driver": "scpi-generator", "address": "x"}, "cannot be the analyzer"),
        ("oven", {"driver": "typed"}, "no role 'oven'"),
        ("analyzer", {"driver": "scpi-analyzer"}, "gives no address"),
        ("analyzer", {"driver": "scpi-analyzer", "adress": "x"}, "Do you mean 'address'"),
        ("analyzer", {"driver": "scpi-analyzer", "address": "x", "timeout_s": "5"}, "timeout_s must be"),
        ("analyzer", {"driver": "scpi-analyzer", "address": "x", "timeout_s": True}, "timeout_s must be"),
        ("analyzer", {"driver": "scpi-analyzer", "address": "x", "format": "xml"}, "one of ascii, real"),
        ("analyzer", {"driver": "scpi-analyzer", "address": "x", "headers": 5}, "headers must be a table"),
        (
            "analyzer",
            {"driver": "scpi-analyzer", "address": "x", "headers": {"dat": "A?"}},
            "no header named",
        ),
        (
            "analyzer",
            {"driver": "scpi-analyzer", "address": "x", "headers": {"data": "A\n"}},
            "one short line",
        ),
        (
            "analyzer",
            {"driver": "scpi-analyzer", "address": "x", "limits": {"low_hz": 1.0}},
            "limits must be",
        ),
        ("analyzer", {"driver": "scpi-analyzer", "address": "x", "reset": "yes"}, "true or false"),
        ("analyzer", {"driver": "folder"}, "gives no path"),
        ("analyzer", {"driver": "folder", "path": "x", "wait_s": "long"}, "wait_s must be"),
        ("analyzer", {"driver": "sound"}, "cannot be the analyzer"),
        ("level", {"driver": "sound", "file": 5}, "gives no file"),
        ("level", {"driver": "sound", "device": True}, "device must be"),
        ("angle", {"driver": "sensor"}, "gives no port"),
        ("angle", {"driver": "sensor", "port": "/nowhere", "baud": "fast"}, "baud must be"),
        ("angle", {"driver": "sensor", "port": "/nowhere", "timeout_s": 0}, "timeout_s must be"),
    ],
)
def test_mistakes_are_told(role: str, config: dict[str, Any], told: str) -> None:
    with pytest.raises(Misuse, match=told):
        open_instrument(role, config)


@pytest.mark.parametrize("role", ROLES)
def test_any_role_may_be_typed(role: str) -> None:
    typed = open_instrument(role, {"driver": "typed"})
    assert isinstance(typed, Typed)
    assert role in typed.identify()
    typed.close()


def test_every_name_of_the_instruments_page_is_known() -> None:
    # The list of driver names that plans may use.
    names = "scpi-analyzer scpi-generator lines-analyzer lines-generator sensor folder sound typed"
    assert set(DRIVERS) == set(names.split())


def test_a_port_that_is_not_there_is_told(tmp_path: Any) -> None:
    with pytest.raises(PortMissing, match="regenbench ports"):
        open_instrument("angle", {"driver": "sensor", "port": str(tmp_path / "tty")})
    with pytest.raises(WireError):
        open_instrument("analyzer", {"driver": "scpi-analyzer", "address": "nonsense"})
    with pytest.raises(WireError):
        open_instrument(
            "generator",
            {"driver": "scpi-generator", "address": "TCPIP::127.0.0.1::1::SOCKET", "timeout_s": 0.2},
        )


def test_the_dial_needs_a_board_that_has_one(knob: Any) -> None:
    from drivers.simulators.sensor import serve_sensor

    with serve_sensor(knob) as server, pytest.raises(Misuse, match="no dial channel"):
        open_instrument("dial", {"driver": "sensor", "port": server.address})


def test_drivers_know_nothing_of_the_bench_and_import_little() -> None:
    script = (
        "import sys, drivers.registry, drivers.sensor, drivers.scpi, drivers.ports, drivers.fakes\n"
        "import drivers.simulators.scpi, drivers.simulators.sensor\n"
        "print([m for m in sys.modules if m.split('.')[0] in ('bench', 'pyvisa', 'serial', 'scipy', 'pandas')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
