"""Sessions for the fit's tests: tables as `Session.frame` gives them, from truths the fit did not make."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from bench.plan.schema import Plan, parse_plan

# shared text of the worked example: shape and figures of the published angles are in physics_example()
EXAMPLE_F_HZ = (2.3e6, 2.8e6, 3.4e6, 4.1e6, 4.9e6)
# Angles at which 6, 5, 4 and 3 turns start, worked out when the design was written and there checked against an
# independent circuit simulator's transient growth rates (NaN: never).
EXAMPLE_DEG = {
    6: (178.0, 146.0, 120.0, 100.0, 83.0),
    5: (208.0, 171.0, 141.0, 117.0, 98.0),
    4: (253.0, 209.0, 173.0, 143.0, 120.0),
    3: (float("nan"), 268.0, 223.0, 187.0, 157.0),
}
EXAMPLE_GM_M = 0.7e-3 * 0.32 * (22e-6 * 1.0e-6) ** 0.5


def example_plan(
    *,
    turns: float = 6,
    resistance: str = "4 kohm",
    gm: str | None = "0.7 mS",
    extra: str = "",
    control: str = "",
    feedback: str = "270 pF",
) -> Plan:
    """The example set; its tank alone has Q 130 at 3 MHz, going as the 0.1th power of frequency."""
    q = [(f, 130 * (f / 3e6) ** 0.1) for f in (1e6, 10e6)]
    return parse_plan(
        f"""
[receiver]
name = "Example"
device = "triode"
{f'gm = "{gm}"' if gm else ""}
rp = "25 kohm"
supply = "60 V"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "{resistance}"
{control}
[receiver.feedback]
capacitor = "{feedback}"
choke = "2.5 mH"
plate_capacitance = "8 pF"
{extra}
[[coil]]
name = "B"
grid = {{ inductance = "22 uH", q = [[{q[0][0]}, {q[0][1]}], [{q[1][0]}, {q[1][1]}]] }}
tickler = {{ turns = {turns}, inductance = "{1.0 * (turns / 6) ** 2} uH", k = 0.32 }}
"""
    )


def onset_rows(
    f_hz: Any,
    angle_deg: Any,
    *,
    u: float = 0.5,
    coil: str = "B",
    direction: str = "onset",
    first: int = 1,
    **more: Any,
) -> pd.DataFrame:
    """One approach at each frequency."""
    n = len(f_hz)
    return pd.DataFrame(
        {
            "reading": [f"r{first + i:05d}" for i in range(n)],
            "coil": coil,
            "f_hz": list(f_hz),
            "direction": direction,
            "angle_deg": list(angle_deg),
            "angle_u_deg": u,
            "method": "level",
            **more,
        }
    )


@dataclass(frozen=True)
class Made:
    """A session and what is true of it."""

    plan: Plan
    frames: dict[str, pd.DataFrame]
    truth: dict[str, Any]


def virtual_session(
    plan: Plan,
    seed: int,
    *,
    angle_u: float = 1.0,
    q_share_u: float = 0.01,
    setting: float = 0.1,
    repeats: int = 3,
    hidden: Any = None,
    stop_deg: float = 0.0,
    q_factor: float = 1.0,
) -> Made:
    """A session of the virtual bench's set, read with noise but without its instruments.

    The truth comes from `bench.virtual`, whose network is written apart from the fit's and held against ngspice in its
    own tests; valve, parts, control and windings differ from the plan.
    """
    from bench.virtual import network, scenario, truth

    hidden = scenario.draw(plan, seed) if hidden is None else hidden
    true = truth.truth_of(plan, hidden)
    rng = np.random.default_rng(seed)
    resonance: list[dict[str, Any]] = []
    onset: list[dict[str, Any]] = []
    state = {"valve": "working", "antenna": "yes" if plan.receiver.antenna else "no", "recipe": None}

    def name() -> str:
        return f"r{len(resonance) + len(onset) + 1:05d}"

    def rest(coil: str, dial: float, added: float, working: bool) -> complex:
        at = truth.Standing(coil, dial, working, antenna=bool(plan.receiver.antenna), added_f=added)
        return complex(network.tank_root(truth.circuit_of(hidden, at), np.array([0.0]))[0])

    def dial_f(coil: str, dial: float, added: float, working: bool = True) -> float:
        root = rest(coil, dial + setting * rng.normal(), added, working)
        return float(abs(root) / (2 * np.pi) * (1 + 1e-5 * rng.normal()))

    for coil in true["coils"]:
        # a set that oscillates already at the end stop has a Q to read with a cold valve only
        working = all(at["q"] is not None for at in coil["dials"])
        for at in coil["dials"]:
            q = at["q"] if working else truth.q_of(rest(coil["name"], at["dial"], 0.0, False))
            q *= q_factor * (1 + q_share_u * rng.normal())
            f = dial_f(coil["name"], at["dial"], 0.0, working)
            row = {
                "reading": name(),
                "coil": coil["name"],
                "dial": at["dial"],
                **state,
                "valve": "working" if working else "cold",
                "method": "reflection",
            }
            resonance.append({**row, "f0_hz": f, "f0_u_hz": 1e-5 * f, "q": q, "q_u": q_share_u * q})
        if plan.readings.added_capacitor is not None:
            added = scenario.added_true_f(hidden, plan.readings.added_capacitor)
            for at in coil["dials"][:: max(1, len(coil["dials"]) - 1)]:
                f = dial_f(coil["name"], at["dial"], added, working)
                row = {
                    "reading": name(),
                    "coil": coil["name"],
                    "dial": at["dial"],
                    **state,
                    "valve": "working" if working else "cold",
                    "method": "reflection",
                }
                nominal = plan.readings.added_capacitor
                resonance.append({**row, "f0_hz": f, "f0_u_hz": 1e-5 * f, "added_c_f": nominal})
        for at in coil["onset"]:
            for k in range(repeats):
                for direction, key in (("onset", "onset_deg"), ("drop-out", "dropout_deg")):
                    angle = at[key]
                    if not angle and (k or direction == "drop-out"):
                        continue
                    read = (
                        None
                        if angle is None
                        else max(angle + stop_deg + angle_u * rng.normal(), 0.01)
                        if angle
                        else 0.0
                    )
                    row = {
                        "reading": name(),
                        "coil": coil["name"],
                        "dial": at["dial"],
                        **state,
                        "method": "level",
                    }
                    onset.append(
                        {
                            **row,
                            "f_hz": at["f_hz"],
                            "direction": direction,
                            "angle_deg": read,
                            "angle_u_deg": angle_u,
                        }
                    )
    frames = {
        "resonance": pd.DataFrame(resonance, columns=[*_RESONANCE]),
        "onset": pd.DataFrame(onset, columns=[*_ONSET]),
    }
    return Made(plan, frames, true)


_RESONANCE = [
    "reading",
    "coil",
    "recipe",
    "dial",
    "valve",
    "antenna",
    "f0_hz",
    "f0_u_hz",
    "q_loaded",
    "q_loaded_u",
    "q",
    "q_u",
    "added_c_f",
    "method",
    "withdrawn",
]
_ONSET = [
    "reading",
    "coil",
    "recipe",
    "dial",
    "valve",
    "antenna",
    "f_hz",
    "direction",
    "angle_deg",
    "angle_u_deg",
    "method",
    "withdrawn",
]
