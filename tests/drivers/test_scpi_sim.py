"""The SCPI drivers against an instrument of somebody else's making: pyvisa-sim, described in a file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.errors import InstrumentError, ProtocolError, TimedOut, WireError
from drivers.roles import AnalyzerLimits
from drivers.scpi import ScpiAnalyzer, ScpiGenerator

LIBRARY = f"{Path(__file__).with_name('instruments.yaml')}@sim"
LIMITS = AnalyzerLimits(1e6, 1e7, 201, 1e-3)
ADDRESSES = [
    "TCPIP::192.0.2.1::5025::SOCKET",
    "GPIB0::9::INSTR",
    "ASRL1::INSTR",
    "USB0::0x1111::0x2222::0x3::INSTR",
]


@pytest.fixture(params=ADDRESSES)
def analyzer(request: pytest.FixtureRequest) -> Iterator[ScpiAnalyzer]:
    driver = ScpiAnalyzer(request.param, library=LIBRARY, limits=LIMITS, timeout_s=1.0)
    yield driver
    driver.close()


def test_an_analyzer_of_a_foreign_simulator_is_read(analyzer: ScpiAnalyzer) -> None:
    assert analyzer.identify() == "Nobody,Paper analyzer,0,1.0"
    sweep = analyzer.sweep(3e6, 4e6, 5)
    np.testing.assert_allclose(sweep.f_hz, [3e6, 3.25e6, 3.5e6, 3.75e6, 4e6])
    # The values that instruments.yaml holds.
    np.testing.assert_allclose(
        sweep.s11, [0.9 - 0.1j, 0.85 - 0.2j, 0.5 + 0.05j, 0.85 + 0.2j, 0.9 + 0.1j], atol=1e-12
    )


def test_too_many_values_for_the_sweep_are_refused(analyzer: ScpiAnalyzer) -> None:
    with pytest.raises(WireError, match="numbers were expected, 10 came"):
        analyzer.sweep(3e6, 4e6, 11)
    assert analyzer.sweep(3e6, 4e6, 5).s11.shape == (5,)


def test_limits_may_be_asked(analyzer: ScpiAnalyzer) -> None:
    # Five points in half a second, as the file says.
    analyzer.sweep(3e6, 4e6, 5)
    driver = ScpiAnalyzer(analyzer.address, library=LIBRARY, timeout_s=1.0)
    assert driver.limits == AnalyzerLimits(1e6, 1e7, 201, 0.1)
    driver.close()


def test_limits_that_the_instrument_does_not_tell_must_be_written_down() -> None:
    with pytest.raises(ProtocolError, match=r"limits = \{"):
        ScpiAnalyzer(ADDRESSES[0], library=LIBRARY, timeout_s=0.3, headers={"sweep_time": "SENSe:SLOW"})


def test_a_generator_of_a_foreign_simulator_is_set() -> None:
    driver = ScpiGenerator("TCPIP::192.0.2.2::5025::SOCKET", library=LIBRARY, timeout_s=1.0)
    assert driver.identify() == "Nobody,Paper generator,0,1.0"
    driver.set(3.5e6, -20.0)
    driver.output(True)
    driver.output(False)
    driver.close()


def test_what_the_instrument_refuses_is_told_in_its_own_words() -> None:
    driver = ScpiGenerator("TCPIP::192.0.2.2::5025::SOCKET", library=LIBRARY, timeout_s=1.0)
    with pytest.raises(InstrumentError, match=r"-222"):
        driver.set(5e9, -20.0)
    driver.close()


def test_an_address_without_an_instrument_is_told() -> None:
    with pytest.raises(TimedOut):
        ScpiAnalyzer("TCPIP::192.0.2.9::5025::SOCKET", library=LIBRARY, timeout_s=0.3)
