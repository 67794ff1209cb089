"""From a driver's name in a plan to an open instrument. One line for each way of talking."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Literal, get_args

from drivers.errors import Misuse

if TYPE_CHECKING:
    from drivers.roles import AnalyzerLimits

Role = Literal["analyzer", "generator", "angle", "level", "dial"]
ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True)
class Typed:
    """In place of an instrument: the operator reads and types."""

    role: Role

    def identify(self) -> str:
        """What stands in the log."""
        return f"{self.role} typed by the operator"

    def close(self) -> None:
        """Nothing to let go of."""


@dataclass(frozen=True)
class Driver:
    """What a driver can play, which keys it takes, and how it is opened."""

    roles: tuple[Role, ...]
    keys: tuple[str, ...]
    open: Callable[[Role, Mapping[str, Any]], Any]


_SCPI_KEYS = ("address", "headers", "timeout_s", "reset", "library", "baud")
_SERIAL_KEYS = ("port", "baud", "timeout_s")


def _text(config: Mapping[str, Any], key: str, example: str) -> str:
    value = config.get(key)
    if not isinstance(value, str) or not value:
        raise Misuse(f"the plan gives no {key}.", hint=f'Write {key} = "{example}".')
    return value


def _number(config: Mapping[str, Any], key: str, default: float, least: float, most: float) -> float:
    value = config.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not least <= value <= most:
        raise Misuse(f"{key} must be a number from {least:g} to {most:g}, not {value!r}.")
    return float(value)


def _flag(config: Mapping[str, Any], key: str, default: bool) -> bool:
    value = config.get(key, default)
    if not isinstance(value, bool):
        raise Misuse(f"{key} must be true or false, not {value!r}.")
    return value


def is_range(value: object, least: float, most: float) -> bool:
    """Whether a plan's value is two numbers in order, within bounds."""
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        return False
    if any(isinstance(one, bool) or not isinstance(one, (int, float)) for one in value):
        return False
    return bool(least <= value[0] <= value[1] <= most)


def _choice(config: Mapping[str, Any], key: str, choices: tuple[str, ...]) -> str:
    value = config.get(key, choices[0])
    if value not in choices:
        raise Misuse(f"{key} must be one of {', '.join(choices)}, not {value!r}.")
    return str(value)


def _scpi(config: Mapping[str, Any]) -> dict[str, Any]:
    """The keys that analyzers and generators share."""
    headers = config.get("headers", {})
    if not isinstance(headers, Mapping):
        raise Misuse(f"headers must be a table of names and headers, not {headers!r}.")
    common: dict[str, Any] = {
        "address": _text(config, "address", "TCPIP::192.0.2.7::5025::SOCKET"),
        "headers": headers,
        "timeout_s": _number(config, "timeout_s", 5.0, 0.05, 600.0),
        "reset": _flag(config, "reset", False),
        "library": config.get("library", "@py"),
    }
    if "baud" in config:
        common["baud_rate"] = int(_number(config, "baud", 9600, 300, 4e6))
    return common


def _limits(config: Mapping[str, Any]) -> AnalyzerLimits | None:
    """What the plan says that an analyzer can do, if it says so."""
    from drivers.roles import AnalyzerLimits

    told = config.get("limits")
    if told is None:
        return None
    wanted = ("low_hz", "high_hz", "most_points", "seconds_per_point")
    if not isinstance(told, Mapping) or set(told) != set(wanted):
        raise Misuse(f"limits must be a table with {', '.join(wanted)}.")
    low, high = (_number(told, key, 0.0, 0.0, 1e12) for key in ("low_hz", "high_hz"))
    if not low < high:
        raise Misuse("limits: low_hz must be below high_hz.")
    points = _number(told, "most_points", 0, 2, 1e6)
    return AnalyzerLimits(low, high, int(points), _number(told, "seconds_per_point", 0, 0, 60))


def _open_analyzer(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.scpi import ScpiAnalyzer

    level = _number(config, "level_dbm", 0.0, -150.0, 30.0) if "level_dbm" in config else None
    return ScpiAnalyzer(
        **_scpi(config),
        limits=_limits(config),
        list_points=int(_number(config, "list_points", 2, 2, 1000)) if "list_points" in config else 0,
        level_dbm=level,
        data_format=_choice(config, "format", ("ascii", "real")),  # type: ignore[arg-type]
        byte_order=_choice(config, "byte_order", ("normal", "swapped")),  # type: ignore[arg-type]
        read_twice=_flag(config, "read_twice", True),
    )


def _open_generator(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.scpi import ScpiGenerator

    return ScpiGenerator(**_scpi(config), most_dbm=_number(config, "most_dbm", 13.0, -150.0, 30.0))


def _open_sensor(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.sensor import open_sensor

    _text(config, "port", "/dev/ttyACM0")
    sensor = open_sensor(
        config["port"], baud=config.get("baud", 115200), timeout_s=config.get("timeout_s", 3.0)
    )
    if (role == "dial" or _flag(config, "dial", False)) and not sensor.has_dial:
        sensor.close()
        raise Misuse(
            "this sensor board has no dial channel.",
            port=str(config["port"]),
            hint="Leave 'dial = true' out of the plan and type the dial's readings.",
        )
    return sensor


def _described(config: Mapping[str, Any]) -> tuple[str, Any]:
    from drivers.description import load_description

    port = _text(config, "port", "/dev/ttyACM0")
    return port, load_description(_text(config, "description", "my-analyzer.toml"))


def _open_lines_analyzer(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.lines import LinesAnalyzer

    return LinesAnalyzer(*_described(config))


def _open_lines_generator(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.lines import LinesGenerator

    return LinesGenerator(*_described(config), most_dbm=_number(config, "most_dbm", 13.0, -150.0, 30.0))


def _open_folder(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.folder import ANY, FolderAnalyzer

    return FolderAnalyzer(
        _text(config, "path", "sweeps-from-the-card"),
        wait_s=_number(config, "wait_s", 900.0, 0.1, 86400.0),
        limits=_limits(config) or ANY,
    )


def _open_sound(role: Role, config: Mapping[str, Any]) -> Any:
    from drivers.sound import Microphone, SoundMeter, WavFile

    device, file = config.get("device", ""), config.get("file")
    if file is not None:
        return SoundMeter(WavFile(_text(config, "file", "evening.wav")))
    if isinstance(device, bool) or not isinstance(device, (str, int)):
        raise Misuse(f"device must be the name or number of a sound input, not {device!r}.")
    return SoundMeter(Microphone(str(device)))


def _typed(role: Role, config: Mapping[str, Any]) -> Any:
    return Typed(role)


# `calibrated = false`: the instrument returns raw data; for the program, no driver does anything about it.
_ANALYZER_KEYS = (
    *_SCPI_KEYS,
    "limits",
    "list_points",
    "level_dbm",
    "format",
    "byte_order",
    "read_twice",
    "calibrated",
)
# `settle_s`, `coupling`: of the resonance reading by level; no driver does anything about them.
_GENERATOR_KEYS = ("most_dbm", "settle_s", "coupling")
DRIVERS: dict[str, Driver] = {
    "scpi-analyzer": Driver(("analyzer",), _ANALYZER_KEYS, _open_analyzer),
    "scpi-generator": Driver(("generator",), (*_SCPI_KEYS, *_GENERATOR_KEYS), _open_generator),
    "lines-analyzer": Driver(("analyzer",), ("port", "description", "calibrated"), _open_lines_analyzer),
    "lines-generator": Driver(
        ("generator",), ("port", "description", *_GENERATOR_KEYS), _open_lines_generator
    ),
    "sensor": Driver(("angle", "level", "dial"), (*_SERIAL_KEYS, "dial"), _open_sensor),
    "folder": Driver(("analyzer",), ("path", "wait_s", "limits", "calibrated"), _open_folder),
    "sound": Driver(("level",), ("device", "file"), _open_sound),
    "typed": Driver(ROLES, (), _typed),
}


def check_config(role: str, config: Mapping[str, Any]) -> Driver:
    """The driver that `config` names, after a look at role and keys; opens nothing.

    Raises
    ------
    Misuse
        The driver or a key is not known, or the driver cannot play the role.
    """
    if role not in ROLES:
        raise Misuse(f"there is no role {role!r}.", hint=f"Roles are {', '.join(ROLES)}.")
    name = config.get("driver")
    usable = [key for key, driver in DRIVERS.items() if role in driver.roles]
    choices = f"For {role} there are {', '.join(usable)}."
    driver = DRIVERS.get(name) if isinstance(name, str) else None
    if driver is None:
        near = get_close_matches(str(name), DRIVERS, 1)
        raise Misuse(
            f"there is no driver {name!r}.", hint=f"Do you mean {near[0]!r}? {choices}" if near else choices
        )
    if role not in driver.roles:
        raise Misuse(f"the driver {name!r} cannot be the {role}.", hint=choices)
    for key in config:
        if key != "driver" and key not in driver.keys:
            near = get_close_matches(key, driver.keys, 1)
            known = ", ".join(driver.keys) or "no keys"
            raise Misuse(
                f"the driver {name!r} does not know the key {key!r}.",
                hint=f"Do you mean {near[0]!r}?" if near else f"It takes {known}.",
            )
    _flag(config, "calibrated", True)
    _number(config, "settle_s", 0.0, 0.0, 60.0)
    if "coupling" in config and not is_range(config["coupling"], 0.0, 1.0):
        raise Misuse(
            f"coupling must be a least and a most from 0 to 1, such as [0.02, 0.1], not {config['coupling']!r}."
        )
    return driver


def open_instrument(role: str, config: Mapping[str, Any]) -> Any:
    """Open what a plan's `[instruments.ROLE]` describes.

    Parameters
    ----------
    role : str
        analyzer, generator, angle, level or dial.
    config : mapping
        `driver` and its keys.

    Returns
    -------
    Analyzer, Generator, Sensor, LevelMeter or Typed
        Open, identified, and to be closed by the caller.

    Raises
    ------
    Misuse
        The description cannot be used.
    WireError
        The instrument cannot be reached.
    """
    return check_config(role, config).open(role, config)  # type: ignore[arg-type]
