"""The instruments a plan names, opened when first needed and opened again when a wire fails."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

from bench.plan.schema import Plan
from drivers.errors import Misuse, PortMissing, WireError
from drivers.paired import PairedSensor
from drivers.roles import Analyzer, Announces, Generator, LevelMeter, Sensor

Role = Literal["analyzer", "generator", "angle", "level", "dial"]
# Weak enough for the virtual valve not to notice.
VIRTUAL_LEVEL_DBM = -50.0

# Keys of a generator that are not the wire's but the measurement's.
BENCH_KEYS = ("most_dbm", "settle_s", "coupling")


class Instruments:
    """Opens each wire once, also where two roles share it.

    Parameters
    ----------
    plan : Plan
    addresses : mapping, optional
        Addresses that take the place of the plan's (the virtual bench's): keys `analyzer`, `generator`, `sensor`.
    folder : Path, optional
        The plan's folder, where a file named without a folder is looked for first.
    seen : callable, optional
        Is given analyzer and sensor whenever they are asked for, and returns what is used in their place.

    Attributes
    ----------
    tell : callable
        Shows the operator one line, for instruments that need hands.
    serial_names : callable
        The serial ports that are there now.
    """

    def __init__(
        self,
        plan: Plan,
        addresses: Mapping[str, str] | None = None,
        folder: Path | None = None,
        seen: Callable[[Any], Any] = lambda instrument: instrument,
    ) -> None:
        self._seen = seen
        self._config: dict[str, dict[str, Any]] = {
            role: instrument.model_dump() for role, instrument in plan.instruments.items()
        }
        for config in self._config.values():
            for key in ("description", "path", "file"):
                beside = folder / str(config[key]) if folder and key in config else None
                if beside is not None and beside.exists():
                    config[key] = str(beside)
        # One board may read both shafts.
        if self._config.get("angle", {}).get("dial") is True:
            self._config.setdefault("dial", self._config["angle"])
        if addresses is not None:
            named = self._config
            self._config = {
                "analyzer": {
                    "driver": "scpi-analyzer",
                    "address": addresses["analyzer"],
                    "calibrated": not self.raw(),
                    "level_dbm": VIRTUAL_LEVEL_DBM,
                },
                "generator": {"driver": "scpi-generator", "address": addresses["generator"]},
                "angle": {"driver": "sensor", "port": addresses["sensor"]},
                "level": {"driver": "sensor", "port": addresses["sensor"]},
            }
            if "list_points" in named.get("analyzer", {}):
                self._config["analyzer"]["list_points"] = named["analyzer"]["list_points"]
            if "generator" in named:
                ways = {key: named["generator"][key] for key in BENCH_KEYS if key in named["generator"]}
                self._config["generator"] |= ways
                # A set whose plan has a generator and no analyzer is measured without one here too.
                if "analyzer" not in named:
                    del self._config["analyzer"]
        self._open: dict[tuple[str, str], Any] = {}
        self._met: dict[tuple[str, str], str] = {}
        self.tell: Callable[[str], None] = print
        self.serial_names: Callable[[], list[str]] = _serial_names

    def has(self, role: Role) -> bool:
        """Whether an instrument, not the operator's typing, plays this role."""
        config = self._config.get(role)
        return config is not None and config["driver"] != "typed"

    @staticmethod
    def _wire(config: Mapping[str, Any]) -> tuple[str, str]:
        return str(config["driver"]), next(
            (str(config[key]) for key in ("port", "address", "path", "file", "device") if key in config), ""
        )

    def _get(self, role: Role) -> Any:
        from drivers.registry import open_instrument

        config = self._config[role]
        if self._wire(config) not in self._open:
            try:
                instrument = open_instrument(role, config)
            except PortMissing:
                instrument = self._moved(role)
                if instrument is None:
                    raise
            if isinstance(instrument, Announces):
                instrument.tell = self.tell
            self._open[self._wire(config)] = instrument
            self._met[self._wire(config)] = instrument.identify()
        return self._open[self._wire(config)]

    def _moved(self, role: Role) -> Any | None:
        """The instrument that was met on a port which has gone, where it answers on another one now."""
        from drivers.registry import open_instrument

        config = self._config[role]
        wire = self._wire(config)
        if "port" not in config or wire not in self._met:
            return None
        for name in self.serial_names():
            if name == config["port"]:
                continue
            try:
                instrument = open_instrument(role, {**config, "port": name})
            except WireError:
                continue
            if instrument.identify() == self._met[wire]:
                self.tell(f"  {self._met[wire]} answers on {name} now, no longer on {config['port']}.")
                for other in self._config.values():
                    if self._wire(other) == wire:
                        other["port"] = name
                return instrument
            instrument.close()
        return None

    def raw(self) -> bool:
        """Whether the plan says that the analyzer returns raw data (`calibrated = false`)."""
        return self._config.get("analyzer", {}).get("calibrated") is False

    def analyzer(self) -> Analyzer:
        """The analyzer; opens it at the first call."""
        instrument: Analyzer = self._seen(self._get("analyzer"))
        return instrument

    @property
    def by_level(self) -> bool:
        """Whether resonance is read by generator and level meter, there being no analyzer."""
        return not self.has("analyzer") and self.has("generator") and self.has("level")

    def generator_key(self, key: str, otherwise: Any) -> Any:
        """What the plan says of the generator, or else."""
        return self._config.get("generator", {}).get(key, otherwise)

    def generator(self) -> Generator:
        """The signal generator; opens it at the first call."""
        instrument: Generator = self._get("generator")
        return instrument

    def level(self) -> Sensor | LevelMeter:
        """What reads the detector's level; opens it at the first call."""
        instrument: Sensor | LevelMeter = self._get("level")
        return instrument

    def sensor(self) -> Sensor:
        """The angle-and-level sensor; opens it at the first call."""
        board: Sensor = self._get("angle")
        if not self.has("level") or self._wire(self._config["level"]) == self._wire(self._config["angle"]):
            seen: Sensor = self._seen(board)
            return seen
        meter = self._get("level")
        if not isinstance(meter, LevelMeter):
            raise Misuse(
                "the level comes from another board than the angle.",
                port=self._wire(self._config["level"])[1],
                hint="Give angle and level the same port, or take the level from the sound card.",
            )
        paired: Sensor = self._seen(PairedSensor(board, meter))
        return paired

    def dial(self) -> Sensor:
        """The board whose second angle channel reads the tuning dial; opens it at the first call."""
        instrument: Sensor = self._get("dial")
        return instrument

    def reopen(self) -> None:
        """Let go of every wire, telling what failed in that; the next call opens afresh."""
        for problem in self.close():
            self.tell(str(problem))

    def close(self) -> list[WireError]:
        """Let go of every wire; returns what failed while closing (an output that may still be on, for instance)."""
        failed: list[WireError] = []
        for instrument in self._open.values():
            try:
                instrument.close()
            except WireError as problem:
                failed.append(problem)
        self._open.clear()
        return failed


def _serial_names() -> list[str]:
    from drivers.ports import serial_ports

    return [found.port for found in serial_ports()]
