"""The level of audio: WAV files of every format, a set's hiss beginning, and angle and level brought together."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from drivers.errors import LinkLost, Misuse, PortMissing, ProtocolError, TimedOut
from drivers.fakes import FakeSensor
from drivers.paired import PairedSensor
from drivers.registry import open_instrument
from drivers.roles import LevelMeter, LevelSample, Sensor
from drivers.sound import BLOCK_S, SoundMeter, WavFile

RATE = 16000


def everything(meter: Any) -> list[LevelSample]:
    levels: list[LevelSample] = []

    def to_the_end() -> None:
        while True:
            levels.extend(meter.read(1.0))

    with pytest.raises(LinkLost, match="at its end"):
        to_the_end()
    return levels


def tone(amplitude: float, f_hz: float, seconds: float) -> Any:
    return amplitude * np.sin(2 * np.pi * f_hz * np.arange(int(seconds * RATE)) / RATE)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.float32])
def test_the_level_of_a_sine_is_its_root_mean_square(dtype: Any, tmp_path: Path) -> None:
    wave = tone(0.5, 2000.0, 1.0)
    if dtype is np.uint8:
        data = np.round(128 + 127 * wave).astype(dtype)
    elif dtype is np.float32:
        data = wave.astype(dtype)
    else:
        data = np.round(np.iinfo(dtype).max * wave).astype(dtype)
    wavfile.write(tmp_path / "x.wav", RATE, np.column_stack([data, np.zeros_like(data)]))
    meter = SoundMeter(WavFile(str(tmp_path / "x.wav"), pace=20.0))
    levels = np.array([one.level for one in everything(meter)])
    # The filter's own edge at 300 Hz takes 0.03 % of a 2 kHz tone; 8 bits round to half a percent.
    assert np.median(levels) == pytest.approx(0.5 / np.sqrt(2), rel=8e-3)


def test_hum_does_not_count(tmp_path: Path) -> None:
    data = tone(0.5, 50.0, 1.0) + tone(0.01, 2000.0, 1.0)
    wavfile.write(tmp_path / "x.wav", RATE, data.astype(np.float32))
    meter = SoundMeter(WavFile(str(tmp_path / "x.wav"), pace=1.0))
    assert float(np.median([one.level for one in everything(meter)])) < 0.02


def test_levels_come_at_their_times_and_flush_drops_what_was(tmp_path: Path) -> None:
    wavfile.write(tmp_path / "x.wav", RATE, tone(0.5, 2000.0, 3.0).astype(np.float32))
    meter = open_instrument("level", {"driver": "sound", "file": str(tmp_path / "x.wav")})
    assert isinstance(meter, LevelMeter)
    assert "x.wav" in meter.identify()
    time.sleep(0.3)
    flushed_s = time.monotonic()
    meter.flush()
    levels = list(meter.read(1.0))
    # Of the 0.3 s before, nothing but the block that was being filled.
    assert flushed_s - BLOCK_S < levels[0].t_s <= time.monotonic()
    levels += [one for _ in range(20) for one in meter.read(0.5)]
    np.testing.assert_allclose(np.diff([one.t_s for one in levels]), BLOCK_S, atol=1e-6)
    meter.close()
    meter.close()
    with pytest.raises(LinkLost):
        meter.read(0.1)


@pytest.mark.parametrize("content", [b"", b"RIFF", b"RIFF\xff\xff\xff\xffWAVEfmt ", b"not audio at all" * 50])
def test_what_is_no_wav_file_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "bad.wav").write_bytes(content)
    with pytest.raises(ProtocolError, match="WAV"):
        WavFile(str(tmp_path / "bad.wav"))


def test_a_missing_file_and_a_slow_one_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PortMissing):
        WavFile(str(tmp_path / "none.wav"))
    wavfile.write(tmp_path / "slow.wav", 4000, np.zeros(4000, np.int16))
    with pytest.raises(Misuse, match="samples a second"):
        SoundMeter(WavFile(str(tmp_path / "slow.wav")))


class Steps:
    """A meter whose level is a formula of the time."""

    def __init__(self, lag_s: float = 0.0) -> None:
        self._next_s = time.monotonic()
        self._lag_s = lag_s
        self.dead = False

    def identify(self) -> str:
        return "steps"

    def read(self, seconds: float) -> list[LevelSample]:
        out: list[LevelSample] = []
        while not self.dead and self._next_s < time.monotonic() - self._lag_s:
            out.append(LevelSample(self._next_s, self._next_s % 10.0 / 10.0))
            self._next_s += 0.01
        return out

    def flush(self) -> None:
        self.read(0.0)

    def close(self) -> None:
        self.dead = True


@pytest.mark.parametrize("lag_s", [0.0, 0.15])
def test_each_angle_gets_the_level_of_its_moment(lag_s: float, slow_knob: Any) -> None:
    paired = PairedSensor(FakeSensor(slow_knob), Steps(lag_s))
    assert isinstance(paired, Sensor)
    paired.flush()
    samples: list[Any] = []
    while len(samples) < 120:
        samples += paired.read(1.0)
    times = np.array([one.t_s for one in samples])
    assert (np.diff(times) > 0).all()
    expected = (slow_knob.began_s + times) % 10.0 / 10.0
    # Frames come a hundredth of a second apart, so the board's clock is known to about that; a tenth of a second would be 0.01.
    apart = (np.array([one.level for one in samples]) - expected + 0.5) % 1.0 - 0.5
    assert np.abs(np.median(apart)) < 0.003
    paired.close()


def test_a_meter_that_dies_is_told(slow_knob: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivers.paired.SILENT_S", 0.5)
    meter = Steps()
    paired = PairedSensor(FakeSensor(slow_knob), meter)
    assert paired.read(1.0)
    meter.dead = True

    def read_on() -> None:
        until = time.monotonic() + 20.0
        while time.monotonic() < until:
            paired.read(0.1)

    with pytest.raises(TimedOut, match="level meter"):
        read_on()
