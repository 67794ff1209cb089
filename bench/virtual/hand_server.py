"""The door through which hands reach into the virtual bench: JSON lines over a loopback socket.

Each line is one request, `{"do": VERB, ...}`, each reply one line, `{"ok": true, ...}` or `{"ok": false, "why": TEXT}`.
A reply comes when the action is finished in world time (`turn` with `wait` false: at once).

| verb | with | replies |
| --- | --- | --- |
| coil | name | |
| dial | value | dial: as read |
| control | angle_deg, speed_deg_s (60) | angle_deg: as judged |
| turn | to_deg, speed_deg_s, wait (true) | angle_deg: as judged |
| loop | near | |
| move_loop | looser | |
| antenna | connected | |
| valve | working | |
| added | c_f (null: off) | |
| hand | position (null: away) | |
| standard | name (open, short, load; null: the loop again) | |
| listen | on | |
| cable | what (analyzer, generator, sensor), plugged, new_port (false) | address |
| fault | text, as the command line takes it | |
| state | | how the set stands |
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from bench.virtual.mishaps import NotAFault, parse_fault
from bench.virtual.world import Refused, SetWorld
from drivers.simulators.faults import Faults
from drivers.simulators.loopback import Conversation, LoopbackServer

Request = dict[str, Any]
Reply = dict[str, Any]

CALM_SPEED_DEG_S = 60.0
# How long, in life's seconds, a finished turn may wait for the sensor's stream to show it.
SHOWN_S, LOOK_S = 1.0, 0.002


class Plug(Protocol):
    """How a cable goes in again."""

    def __call__(self, *, new_port: bool = False) -> None: ...


@dataclass(frozen=True)
class Cable:
    """One simulated instrument's cable: where it answers now, its mishaps still to come, pulling and plugging."""

    address: Callable[[], str]
    faults: Faults
    unplug: Callable[[], None]
    plug_in: Plug


def _number(request: Request, key: str, otherwise: float | None = None) -> float:
    value = request.get(key, otherwise)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused(f"{key} must be a number, not {value!r}")
    return float(value)


def _yes_or_no(request: Request, key: str, otherwise: bool | None = None) -> bool:
    value = request.get(key, otherwise)
    if not isinstance(value, bool):
        raise Refused(f"{key} must be true or false, not {value!r}")
    return value


def _text_or_none(request: Request, key: str) -> str | None:
    value = request.get(key)
    if value is not None and not isinstance(value, str):
        raise Refused(f"{key} must be text or null, not {value!r}")
    return value


class HandServer:
    """Serves the hands of one world.

    Parameters
    ----------
    world : SetWorld
    speed : float
        World seconds to a second of life; actions take their world time.
    cables : mapping
        Of the simulated instruments, by role.
    """

    def __init__(self, world: SetWorld, speed: float, cables: Mapping[str, Cable]) -> None:
        self._world = world
        self._speed = speed
        self._cables = cables
        self._verbs: dict[str, Callable[[Request], tuple[float, Callable[[], Reply]]]] = {
            "coil": lambda r: (world.plug(_text_or_none(r, "name") or ""), dict),
            "dial": lambda r: (world.set_dial(_number(r, "value")), lambda: {"dial": world.dial_reading()}),
            "control": lambda r: self._turn(
                _number(r, "angle_deg"), _number(r, "speed_deg_s", CALM_SPEED_DEG_S), wait=True
            ),
            "turn": lambda r: self._turn(
                _number(r, "to_deg"), _number(r, "speed_deg_s"), wait=_yes_or_no(r, "wait", True)
            ),
            "loop": lambda r: (world.set_loop(_yes_or_no(r, "near")), dict),
            "move_loop": lambda r: (world.move_loop(_yes_or_no(r, "looser")), dict),
            "antenna": lambda r: (world.set_antenna(_yes_or_no(r, "connected")), dict),
            "valve": lambda r: (world.set_valve(_yes_or_no(r, "working")), dict),
            "added": lambda r: (world.set_added(None if r.get("c_f") is None else _number(r, "c_f")), dict),
            "hand": lambda r: (world.set_hand(_text_or_none(r, "position")), dict),
            "standard": lambda r: (world.set_standard(_text_or_none(r, "name")), dict),
            "listen": lambda r: (world.set_listening(_yes_or_no(r, "on")), dict),
            "cable": lambda r: (0.0, lambda: {"address": self._cable(r)}),
            "fault": self._fault,
            "state": lambda r: (0.0, lambda: dict(world.seen())),
        }
        self._server = LoopbackServer(self._talk)

    @property
    def address(self) -> str:
        """HOST:PORT."""
        return f"{self._server.host}:{self._server.tcp_port}"

    def close(self) -> None:
        """Stop; may be called twice."""
        self._server.close()

    def _turn(self, to_deg: float, speed_deg_s: float, *, wait: bool) -> tuple[float, Callable[[], Reply]]:
        takes_s = self._world.turn(to_deg, speed_deg_s)
        if not wait:
            return 0.0, dict
        return takes_s, lambda: {"angle_deg": self._world.judged_angle()}

    def _cable(self, request: Request) -> str:
        what = _text_or_none(request, "what") or ""
        if what not in self._cables:
            raise Refused(f"there is no cable to {what!r}; there are {', '.join(self._cables)}")
        cable = self._cables[what]
        if _yes_or_no(request, "plugged"):
            cable.plug_in(new_port=_yes_or_no(request, "new_port", False))
        else:
            cable.unplug()
        return cable.address()

    def _fault(self, request: Request) -> tuple[float, Callable[[], Reply]]:
        try:
            role, fault = parse_fault(_text_or_none(request, "text") or "")
        except NotAFault as why:
            raise Refused(str(why)) from why
        self._cables[role].faults.add(fault)
        return 0.0, dict

    def _until_shown(self, conversation: Conversation, told_s: float) -> None:
        """Wait until the sensor has told of this moment, if it is telling anybody anything.

        A real board is a hundredth of a second behind; in a world that runs fast a busy computer would put it seconds behind.
        """
        now = self._world.newest() / self._world.rate_hz
        for _ in range(round(SHOWN_S / LOOK_S)):
            if not told_s < self._world.told_s < now:
                return
            conversation.pause(LOOK_S)

    def _talk(self, conversation: Conversation) -> None:
        while (line := conversation.read_line()) is not None:
            reply = self._answer(line, conversation)
            conversation.send(json.dumps(reply).encode() + b"\n")

    def _answer(self, line: bytes, conversation: Conversation) -> Reply:
        try:
            request = json.loads(line)
        except ValueError:
            return {"ok": False, "why": "that is not a line of JSON"}
        if not isinstance(request, dict):
            return {"ok": False, "why": 'a request looks like {"do": "state"}'}
        verb = self._verbs.get(str(request.get("do")))
        if verb is None:
            return {
                "ok": False,
                "why": f"hands cannot {request.get('do')!r}; they can {', '.join(self._verbs)}",
            }
        try:
            told_s = self._world.told_s
            takes_s, finish = verb(request)
            if takes_s > 0.0:
                conversation.pause(takes_s / self._speed)
                self._until_shown(conversation, told_s)
            return {"ok": True, **finish()}
        except Refused as why:
            return {"ok": False, "why": str(why)}
