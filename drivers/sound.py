"""The sound card as a level meter: the set's audio, block by block, or a WAV file of it.

Hiss, click and beat note show in the audio when oscillation starts, so no detector is needed. Connect the set's
output through an isolating transformer, or hold a microphone to it; never to a point that carries the supply.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.errors import LinkLost, Misuse, PortMissing, ProtocolError, WireError
from drivers.roles import LevelSample

Floats = NDArray[np.float64]

BLOCK_S = 0.01
# Mains hum and its strongest harmonics stay below this; hiss and beat notes do not.
HIGH_PASS_HZ = 300.0
LEAST_RATE_HZ = 8000
MOST_SECONDS = 4 * 3600
_MOST_WAITING_S = 60.0


class Source(Protocol):
    """Where audio comes from."""

    @property
    def rate_hz(self) -> int:
        """Samples a second."""
        ...

    def identify(self) -> str:
        """What it calls itself."""
        ...

    def fetch(self) -> tuple[float, Floats]:
        """When the first of the new samples was taken (`time.monotonic`), and the samples (n,), -1 to 1; n may be 0."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class SoundMeter:
    """Level of audio: the root mean square above 300 Hz of each hundredth of a second, as a share of full scale."""

    def __init__(self, source: Source) -> None:
        from scipy.signal import butter

        self._source = source
        if source.rate_hz < LEAST_RATE_HZ:
            rate = source.rate_hz
            source.close()
            raise Misuse(
                f"{rate} samples a second are too few; at least {LEAST_RATE_HZ} are needed.",
                hint="Choose a higher rate, or another sound input.",
            )
        self._sections = butter(2, HIGH_PASS_HZ, "highpass", fs=source.rate_hz, output="sos")
        self._state = np.zeros((len(self._sections), 2))
        self._rest = np.empty(0)
        self._rest_from_s = 0.0
        self._closed = False

    @property
    def rate_hz(self) -> float:
        """Levels a second."""
        return 1.0 / BLOCK_S

    def identify(self) -> str:
        """The source and its sampling rate."""
        return f"{self._source.identify()}, {self._source.rate_hz} samples a second"

    def read(self, seconds: float) -> Sequence[LevelSample]:
        """All levels since the last call, waiting at most `seconds` for the first.

        Raises
        ------
        LinkLost
            The file is at its end, or the device has gone.
        """
        deadline = time.monotonic() + seconds
        while True:
            levels = self._levels()
            if levels or time.monotonic() >= deadline:
                return levels
            time.sleep(BLOCK_S)

    def flush(self) -> None:
        """Throw away what has come in so far."""
        while self._levels():
            pass

    def close(self) -> None:
        """Let go of the source; may be called twice."""
        if not self._closed:
            self._closed = True
            self._source.close()

    def _levels(self) -> list[LevelSample]:
        from scipy.signal import sosfilt

        if self._closed:
            raise LinkLost("the sound meter has been closed.")
        began_s, new = self._source.fetch()
        if len(new):
            clean, self._state = sosfilt(self._sections, new, zi=self._state)
            # Set by the newest arrival each time: a sound card's clock and ours drift apart.
            self._rest_from_s = began_s - len(self._rest) / self._source.rate_hz
            self._rest = np.concatenate([self._rest, clean])
        size = round(BLOCK_S * self._source.rate_hz)
        count = len(self._rest) // size
        blocks = self._rest[: count * size].reshape(count, size)
        starts = self._rest_from_s + BLOCK_S * np.arange(count)
        self._rest = self._rest[count * size :]
        self._rest_from_s += BLOCK_S * count
        rms = np.sqrt(np.mean(blocks**2, axis=1))
        return [
            LevelSample(float(t + 0.5 * BLOCK_S), float(min(level, 1.0)))
            for t, level in zip(starts, rms, strict=True)
        ]


class WavFile:
    """A WAV file, played at its own pace from the moment it is opened.

    Parameters
    ----------
    path : str
        PCM or floating point; of several channels the first is taken.
    pace : float
        How many times faster than life.

    Raises
    ------
    PortMissing
        There is no such file.
    ProtocolError
        It is not a WAV file that can be read.
    """

    def __init__(self, path: str, *, pace: float = 1.0) -> None:
        from scipy.io import wavfile

        file = Path(path).expanduser()
        if not file.is_file():
            raise PortMissing("there is no such file.", port=str(file), hint="Give the name of a WAV file.")
        try:
            rate_hz, data = wavfile.read(file, mmap=False)
        # scipy's reader lets anything through that its parser trips over.
        except Exception as problem:
            raise ProtocolError(
                f"this is not a WAV file that can be read ({str(problem)[:100]}).",
                port=str(file),
                hint="Save it as uncompressed WAV.",
            ) from problem
        first = data if data.ndim == 1 else data[:, 0]
        if not len(first) or rate_hz <= 0 or len(first) > MOST_SECONDS * rate_hz:
            raise ProtocolError(
                "the file is empty or longer than four hours.",
                port=str(file),
                hint="Give the part in which the control is turned.",
            )
        self._samples = _to_share(first, str(file))
        self._rate_hz = int(rate_hz)
        self._file = file
        self._pace = pace
        self._began_s = time.monotonic()
        self._given = 0

    @property
    def rate_hz(self) -> int:
        """Samples a second as they come: the file's, times the pace."""
        return round(self._rate_hz * self._pace)

    def identify(self) -> str:
        """The file's name."""
        return f"WAV file {self._file.name}"

    def fetch(self) -> tuple[float, Floats]:
        """What has played since the last call."""
        if self._given >= len(self._samples):
            raise LinkLost("the WAV file is at its end.", port=str(self._file), hint="Give a longer one.")
        rate = self.rate_hz
        due = min(int((time.monotonic() - self._began_s) * rate), len(self._samples))
        new = self._samples[self._given : due]
        at_s = self._began_s + self._given / rate
        self._given = max(due, self._given)
        return at_s, new

    def close(self) -> None:
        """Nothing is held open."""


def _to_share(samples: NDArray[Any], file: str) -> Floats:
    """Samples of any WAV format as -1 to 1."""
    if samples.dtype.kind == "u":
        return (samples.astype(np.float64) - 128.0) / 128.0
    if samples.dtype.kind == "i":
        return samples.astype(np.float64) / float(-np.iinfo(samples.dtype).min)
    out = samples.astype(np.float64)
    if not np.isfinite(out).all():
        raise ProtocolError(
            "the file holds values that are not finite.", port=file, hint="Save it once more, as 16-bit WAV."
        )
    return np.clip(out, -1.0, 1.0)


class Microphone:
    """A sound device of this machine, through the optional package `sounddevice`."""

    def __init__(self, device: str) -> None:
        try:
            import sounddevice
        except (ImportError, OSError) as problem:
            raise Misuse(
                "the sound card needs the optional package 'sounddevice' (and PortAudio).",
                hint="Install it with: pip install 'regenbench[sound]'.",
            ) from problem
        self._name = device or "default input"
        self._lock = threading.Lock()
        self._chunks: deque[tuple[float, Floats]] = deque()
        self._problem: WireError | None = None
        try:
            chosen = int(device) if device.isdigit() else device or None
            info = sounddevice.query_devices(chosen, "input")
            self._rate_hz = int(info["default_samplerate"])
            self._stream = sounddevice.InputStream(
                device=chosen,
                channels=1,
                samplerate=self._rate_hz,
                callback=self._keep,
                finished_callback=self._ended,
            )
            self._stream.start()
        # PortAudio's own errors, and ValueError for a name that fits nothing or too much.
        except Exception as problem:
            known = ", ".join(
                f"{at}: {one['name']}"
                for at, one in enumerate(sounddevice.query_devices())
                if one["max_input_channels"]
            )
            raise PortMissing(
                f"the sound device cannot be opened ({problem}).",
                port=self._name,
                hint=f"Inputs are {known}." if known else "There is no sound input on this machine.",
            ) from problem

    @property
    def rate_hz(self) -> int:
        """Samples a second."""
        return self._rate_hz

    def identify(self) -> str:
        """The device's name."""
        return f"sound input {self._name}"

    def fetch(self) -> tuple[float, Floats]:
        """What the device has delivered since the last call."""
        with self._lock:
            chunks = list(self._chunks)
            self._chunks.clear()
            if not chunks and self._problem is not None:
                raise self._problem
        if not chunks:
            return time.monotonic(), np.empty(0)
        return chunks[0][0], np.concatenate([one for _, one in chunks])

    def close(self) -> None:
        """Stop the stream."""
        self._stream.close()

    def _keep(self, data: Any, frames: int, clock: Any, status: Any) -> None:
        arrived_s = time.monotonic()
        with self._lock:
            self._chunks.append((arrived_s - frames / self._rate_hz, np.array(data[:, 0], np.float64)))
            while len(self._chunks) * frames > _MOST_WAITING_S * self._rate_hz:
                self._chunks.popleft()

    def _ended(self) -> None:
        with self._lock:
            self._problem = LinkLost(
                "the sound device has stopped.", port=self._name, hint="Look at its plug, then try again."
            )
