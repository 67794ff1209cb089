"""The instruments a plan names, opened when first needed and opened again when a wire fails."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from bench.plan.schema import Plan
from drivers.errors import WireError
from drivers.roles import Analyzer, Sensor

Role = Literal["analyzer", "generator", "angle", "level", "dial"]


class Instruments:
    """Opens each wire once, also where two roles share it.

    Parameters
    ----------
    plan : Plan
    addresses : mapping, optional
        Addresses that take the place of the plan's (the virtual bench's): keys `analyzer`, `generator`, `sensor`.
    folder : Path, optional
        The plan's folder, where a description named without a folder is looked for first.
    """

    def __init__(
        self, plan: Plan, addresses: Mapping[str, str] | None = None, folder: Path | None = None
    ) -> None:
        self._config: dict[str, dict[str, Any]] = {
            role: instrument.model_dump() for role, instrument in plan.instruments.items()
        }
        for config in self._config.values():
            beside = folder / str(config["description"]) if folder and "description" in config else None
            if beside is not None and beside.is_file():
                config["description"] = str(beside)
        if addresses is not None:
            self._config = {
                "analyzer": {
                    "driver": "scpi-analyzer",
                    "address": addresses["analyzer"],
                    "calibrated": not self.raw(),
                },
                "generator": {"driver": "scpi-generator", "address": addresses["generator"]},
                "angle": {"driver": "sensor", "port": addresses["sensor"]},
                "level": {"driver": "sensor", "port": addresses["sensor"]},
            }
        self._open: dict[tuple[str, str], Any] = {}

    def has(self, role: Role) -> bool:
        """Whether an instrument, not the operator's typing, plays this role."""
        config = self._config.get(role)
        return config is not None and config["driver"] != "typed"

    @staticmethod
    def _wire(config: Mapping[str, Any]) -> tuple[str, str]:
        return str(config["driver"]), str(config.get("port", config.get("address", config.get("path", ""))))

    def _get(self, role: Role) -> Any:
        from drivers.registry import open_instrument

        config = self._config[role]
        wire = self._wire(config)
        if wire not in self._open:
            self._open[wire] = open_instrument(role, config)
        return self._open[wire]

    def raw(self) -> bool:
        """Whether the plan says that the analyzer returns raw data (`calibrated = false`)."""
        return self._config.get("analyzer", {}).get("calibrated") is False

    def analyzer(self) -> Analyzer:
        """The analyzer; opens it at the first call."""
        instrument: Analyzer = self._get("analyzer")
        return instrument

    def sensor(self) -> Sensor:
        """The angle-and-level sensor; opens it at the first call."""
        instrument: Sensor = self._get("angle")
        return instrument

    def reopen(self) -> None:
        """Let go of every wire; the next call opens afresh."""
        self.close()

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
