"""What else changes: a hand near the set, the wiper, the control's pull on the dial, the antenna; and do ways of reading agree.

From a session's tables to small tables of numbers and one plain sentence each. What was not read is said, with the command
that reads it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from bench.conventions import REAL, SAME_FREQUENCY
from bench.measuring.agreement import disagreements, onset_of_way
from bench.measuring.wanted import same_dial
from bench.physics.onset_curve import CurveOnset, onset_of_curve
from bench.physics.uncertainty import weighted_mean
from bench.plan.schema import Plan, recipe
from bench.quantities import show
from bench.readings.turning import RESTING_U_DEG
from bench.session.folder import Session

Row = Mapping[str, Any]

TITLES = {
    "body": "Hand near the set",
    "wiper": "Wiper noise",
    "pull": "Pull of the control on the dial",
    "steepness": "Steepness at onset",
    "antenna": "Antenna on and off",
    "agreement": "One onset, read in several ways",
}
# The pitch of a comfortable beat note, and what the ear notices of a change in it: common practice, no source.
BEAT_HZ = 800.0
NOTICED_HZ = 10.0
HEARD_HZ = 5000.0
# A wiper that makes the noise grow by less is not heard; by more, it is heard in the headphones (common practice, no source).
QUIET_DB, SCRATCHY_DB = 3.0, 10.0
# Where a row does not say how sure it is.
UNSURE_SHARE = 0.05


@dataclass(frozen=True)
class Check:
    """One side check of one coil: rows of numbers (SI, `None` where unknown), what they mean, and what is still to be read."""

    name: str
    coil: str
    rows: tuple[dict[str, Any], ...]
    sentence: str
    missing: str = ""

    def document(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "check": self.name,
            "coil": self.coil,
            "rows": list(self.rows),
            "sentence": self.sentence,
            "missing": self.missing or None,
        }


def side_checks(session: Session, coils: Sequence[str] = ()) -> list[Check]:
    """All side checks of a session's coils (none named: all), in order of the coils."""
    plan = session.plan
    tables = {name: session.rows(name) for name in ("resonance", "onset", "curve", "body", "wiper")}
    found: list[Check] = []
    for coil in plan.coil:
        if coils and coil.name not in coils:
            continue
        mine = {name: [r for r in rows if r["coil"] == coil.name] for name, rows in tables.items()}
        now = {name: present_rows(plan, coil.name, rows) for name, rows in mine.items()}
        measure = f"regenbench measure {session.path} --coil '{coil.name}'"
        found += [
            body(plan, coil.name, now["body"], measure),
            wiper(coil.name, now["wiper"], measure),
            pull(plan, coil.name, now["curve"], measure),
            steepness(plan, coil.name, now["curve"], measure),
            antenna(plan, coil.name, mine, f"regenbench measure {session.path}"),
            agreement(plan, coil.name, now["onset"], measure),
        ]
    return found


def present_rows(plan: Plan, coil: str, rows: Iterable[Row]) -> list[Row]:
    """The rows of a coil as it is now wound, in the set as it is now."""
    present = recipe(plan, coil)
    return [row for row in rows if row["coil"] == coil and (row["recipe"] or present) == present]


def _hz(plan: Plan, f_hz: float) -> str:
    return show(f_hz, "frequency", plan.show.frequency)


def _near(f_hz: float) -> str:
    """A frequency or shift to three figures."""
    near = float(f"{abs(f_hz):.3g}")
    return f"{near:g} Hz" if near < 10e3 else f"{near / 1e3:g} kHz"


# A hand near the set


def body(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Shift of the resonance for each place of the hand, repeats made one."""
    by_place: dict[str, list[Row]] = {}
    for row in rows:
        if row["position"] and row["shift_hz"] is not None and row["f0_hz"]:
            by_place.setdefault(str(row["position"]), []).append(row)
    out = []
    for place, own in by_place.items():
        shift = np.array([float(r["shift_hz"]) for r in own])
        u = np.array([float(r["shift_u_hz"] or UNSURE_SHARE * abs(r["shift_hz"]) or 1.0) for r in own])
        mean = weighted_mean(shift, u)
        f0 = float(own[-1]["f0_hz"])
        out.append(
            {
                "position": place,
                "f0_hz": f0,
                "shift_hz": mean.value,
                "shift_u_hz": mean.u,
                "shift_ppm": 1e6 * mean.value / f0,
                "real": abs(mean.value) > REAL * mean.u,
            }
        )
    lacks = [p for p in plan.readings.hand_at if p.casefold() not in {k.casefold() for k in by_place}]
    missing = f"hand at the {', '.join(lacks)}: {measure} --reading body" if lacks else ""
    return Check("body", coil, tuple(out), _body_words(plan, out), missing)


def _body_words(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> str:
    if not rows:
        return "No hand has been held near the set yet."
    worst = max(rows, key=lambda row: abs(row["shift_hz"]))
    f0 = _hz(plan, worst["f0_hz"])
    if not worst["real"]:
        most = max(REAL * row["shift_u_hz"] for row in rows)
        return f"No shift by a hand was seen at {f0}, to within {_near(most)}: the shielding does its work."
    if abs(worst["shift_hz"]) < NOTICED_HZ:
        return (
            f"At {f0} a hand at the {worst['position']} moves a beat note by {_near(worst['shift_hz'])}, which the ear hardly "
            "notices."
        )
    help_for_it = "A metal panel joined to the set's ground, or a longer shaft, takes the hand further away."
    if abs(worst["shift_hz"]) > HEARD_HZ:
        return (
            f"At {f0} a hand at the {worst['position']} detunes the set by {_near(worst['shift_hz'])}: a station tuned in goes "
            f"out of hearing. {help_for_it}"
        )
    lower, higher = abs(BEAT_HZ - abs(worst["shift_hz"])), BEAT_HZ + abs(worst["shift_hz"])
    return (
        f"At {f0} a hand at the {worst['position']} moves a beat note by {_near(worst['shift_hz'])}: one of "
        f"{BEAT_HZ:.0f} Hz goes to {_near(lower)} or {_near(higher)}. {help_for_it}"
    )


# The wiper


def wiper(coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Noise of the moving control against at rest."""
    out = [
        {key: row[key] for key in ("rest_v", "moving_v", "ratio_db", "speed_deg_s")}
        for row in rows
        if row["ratio_db"] is not None
    ]
    if not out:
        return Check(
            "wiper",
            coil,
            (),
            "The wiper has not been listened to with this coil.",
            f"{measure} --reading wiper",
        )
    ratio = float(np.mean([row["ratio_db"] for row in out]))
    if ratio < QUIET_DB:
        heard = "the wiper is quiet"
    elif ratio < SCRATCHY_DB:
        heard = "the wiper is heard, as most are"
    else:
        heard = "the wiper is scratchy: clean it, or keep direct current out of it"
    return Check(
        "wiper",
        coil,
        tuple(out),
        f"While the control moves, the detector's noise is {abs(ratio):.1f} dB {'above' if ratio >= 0 else 'below'} what it is at rest: {heard}. Direct current through "
        "a wiper makes it scratchy (common practice, no source); nothing but this reading tells.",
    )


# The control's pull on the dial, and how steeply feedback grows


def runs(plan: Plan, rows: Sequence[Row]) -> list[list[Row]]:
    """Curve rows parted into runs: one dial setting and antenna state, by rising angle; runs by rising frequency."""
    parted: list[list[Row]] = []
    for row in rows:
        if row["angle_deg"] is None or not row["f_hz"] or not row["q"]:
            continue
        for run in parted:
            alike = (row["antenna"] or "") == (run[0]["antenna"] or "")
            if row["dial"] is None or run[0]["dial"] is None:
                alike = alike and row["dial"] == run[0]["dial"]
            else:
                alike = alike and same_dial(float(row["dial"]), float(run[0]["dial"]), plan)
            if alike:
                run.append(row)
                break
        else:
            parted.append([row])
    ordered = [sorted(run, key=lambda r: float(r["angle_deg"])) for run in parted if len(run) > 1]
    return sorted(ordered, key=lambda run: float(run[0]["f_hz"]))


def f0_u_hz(row: Row) -> float:
    """Uncertainty of a curve row's resonance, from that of its Q: u(f0) = u(Q)/Q · f0/(2Q), both of one fit to one circle."""
    q = float(row["q"] or 100.0)
    share = float(row["q_u"]) / q if row["q_u"] else UNSURE_SHARE
    return share * float(row["f_hz"]) / (2.0 * q)


def pull(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """f0 against the angle of the regeneration control."""
    out: list[dict[str, Any]] = []
    for run in runs(plan, rows):
        first, last, before = run[0], run[-1], run[-2]
        shift = float(last["f_hz"]) - float(first["f_hz"])
        u = float(np.hypot(f0_u_hz(first), f0_u_hz(last)))
        step = float(last["angle_deg"]) - float(before["angle_deg"])
        out.append(
            {
                "f_hz": float(first["f_hz"]),
                "from_deg": float(first["angle_deg"]),
                "to_deg": float(last["angle_deg"]),
                "shift_hz": shift,
                "shift_u_hz": u,
                "shift_ppm": 1e6 * shift / float(first["f_hz"]),
                "near_onset_hz_per_deg": (float(last["f_hz"]) - float(before["f_hz"])) / step
                if step > 0.5
                else None,
                "real": abs(shift) > REAL * u,
            }
        )
    if not out:
        return Check(
            "pull",
            coil,
            (),
            "The pull of the control on the dial has not been read.",
            f"{measure} --reading curve",
        )
    worst = max(out, key=lambda row: abs(row["shift_ppm"]))
    f0 = _hz(plan, worst["f_hz"])
    if not worst["real"]:
        most = max(REAL * row["shift_u_hz"] for row in out)
        return Check(
            "pull", coil, tuple(out), f"The control does not pull the dial, to within {_near(most)}."
        )
    way = "lower" if worst["shift_hz"] < 0 else "higher"
    sentence = (
        f"Turning regeneration up from {worst['from_deg']:.0f} to {worst['to_deg']:.0f} degrees tunes {f0} "
        f"{show(abs(worst['shift_hz']), 'frequency', plan.show.frequency)} {way} ({worst['shift_ppm']:+.0f} ppm)"
    )
    per_degree = worst["near_onset_hz_per_deg"]
    if per_degree is not None:
        sentence += f"; just below onset a degree of the control moves a beat note by {_near(per_degree)}"
    return Check("pull", coil, tuple(out), sentence + ".")


def steepness(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Share of the loss that one degree cancels at onset, from the run of 1/Q."""
    out = []
    for run in runs(plan, rows):
        found = onset_of_run(run)
        if found is not None:
            out.append(
                {
                    "f_hz": float(run[0]["f_hz"]),
                    "onset_deg": found.angle_deg,
                    "onset_u_deg": found.angle_u_deg,
                    "slope_per_deg": found.slope_per_deg,
                    "slope_u_per_deg": found.slope_u_per_deg,
                }
            )
    if not out:
        return Check(
            "steepness",
            coil,
            (),
            "How steeply feedback grows at onset has not been read.",
            f"{measure} --reading curve",
        )
    worst = max(out, key=lambda row: row["slope_per_deg"])
    # Q a hundred times its own is a working point just short of onset; it takes this share of the loss.
    width = 0.09 / worst["slope_per_deg"]
    return Check(
        "steepness",
        coil,
        tuple(out),
        f"At {_hz(plan, worst['f_hz'])} one degree of the control cancels {100 * worst['slope_per_deg']:.1f} % of the tank's loss "
        f"at onset: from ten to a hundred times the tank's own Q is a turn of {width:.1f} degrees.",
    )


def onset_of_run(run: Sequence[Row]) -> CurveOnset | None:
    """The onset that one run of curve rows points to."""
    return onset_of_curve(
        [float(r["angle_deg"]) for r in run],
        [float(r["q"]) for r in run],
        [float(r["q_u"] or UNSURE_SHARE * r["q"]) for r in run],
        RESTING_U_DEG,
    )


# The antenna


def antenna(plan: Plan, coil: str, tables: Mapping[str, Sequence[Row]], measure: str) -> Check:
    """f0, Q and onset with the antenna against without, at the same dial settings and frequencies."""
    with_it, without = _states(plan, coil, tables["resonance"]), _states(plan, coil, tables["onset"])
    out = [*_tank_rows(plan, *with_it), *_onset_rows(*without)]
    if out:
        return Check("antenna", coil, tuple(out), _antenna_words(plan, out))
    if plan.receiver.antenna is not None:
        how = f"take [receiver.antenna] out of plan.toml and disconnect it, then {measure}; afterwards put both back"
    else:
        how = f"put [receiver.antenna] into plan.toml and connect it (a dummy antenna radiates less), then {measure}"
    return Check(
        "antenna", coil, (), "There are no readings both with and without the antenna to compare.", how
    )


def _states(plan: Plan, coil: str, rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """Rows with the antenna and without it, the set being otherwise as in the plan now.

    The antenna is part of a row's recipe. Without one in the plan its values then are not known, so any recipe passes for
    rows with it.
    """
    present = recipe(plan, coil)
    bare = recipe(
        plan.model_copy(update={"receiver": plan.receiver.model_copy(update={"antenna": None})}), coil
    )
    with_it = [
        r
        for r in rows
        if r["antenna"] == "yes" and (plan.receiver.antenna is None or (r["recipe"] or present) == present)
    ]
    without = [r for r in rows if r["antenna"] == "no" and (r["recipe"] or bare) in (bare, present)]
    return with_it, without


def _tank_rows(plan: Plan, with_it: Sequence[Row], without: Sequence[Row]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    taken: list[float] = []
    for row in with_it:
        if (
            row["dial"] is None
            or row["added_c_f"]
            or any(same_dial(float(row["dial"]), d, plan) for d in taken)
        ):
            continue
        dial = float(row["dial"])

        def here(rows: Sequence[Row], dial: float = dial, valve: str = row["valve"]) -> list[Row]:
            return [
                r
                for r in rows
                if r["dial"] is not None
                and same_dial(float(r["dial"]), dial, plan)
                and not r["added_c_f"]
                and (r["valve"] or valve) == (valve or r["valve"])
            ]

        for what, key, u_key in (("f0", "f0_hz", "f0_u_hz"), ("q", "q", "q_u")):
            a, b = _mean(here(with_it), key, u_key), _mean(here(without), key, u_key)
            if a is not None and b is not None:
                taken.append(dial)
                out.append(_difference(what, {"dial": dial, "f_hz": None}, a, b))
    return out


def _onset_rows(with_it: Sequence[Row], without: Sequence[Row]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    done: list[float] = []
    for row in with_it:
        f_hz = row["f_hz"]
        if not f_hz or any(abs(f_hz / f - 1) < SAME_FREQUENCY for f in done):
            continue
        pair = [
            [
                r
                for r in rows
                if r["f_hz"]
                and abs(r["f_hz"] / f_hz - 1) < SAME_FREQUENCY
                and r["direction"] == "onset"
                and r["angle_deg"] is not None
            ]
            for rows in (with_it, without)
        ]
        if all(pair):
            done.append(f_hz)
            a, b = (onset_of_way(rows) for rows in pair)
            out.append(_difference("onset", {"dial": None, "f_hz": float(f_hz)}, a, b))
    return out


def _mean(rows: Sequence[Row], key: str, u_key: str) -> tuple[float, float] | None:
    known = [r for r in rows if r[key]]
    if not known:
        return None
    values = np.array([float(r[key]) for r in known])
    u = np.array([float(r[u_key] or UNSURE_SHARE * r[key]) for r in known])
    mean = weighted_mean(values, u)
    return mean.value, mean.u


def _difference(
    what: str, where: Mapping[str, Any], with_it: tuple[float, float], without: tuple[float, float]
) -> dict[str, Any]:
    change, u = with_it[0] - without[0], float(np.hypot(with_it[1], without[1]))
    return {
        "what": what,
        **where,
        "with": with_it[0],
        "with_u": with_it[1],
        "without": without[0],
        "without_u": without[1],
        "change": change,
        "change_u": u,
        "real": abs(change) > REAL * u,
    }


def _antenna_words(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> str:
    said = []
    qs = [r for r in rows if r["what"] == "q"]
    onsets = [r for r in rows if r["what"] == "onset"]
    if qs:
        worst = max(qs, key=lambda r: abs(r["change"] / r["without"]))
        if worst["real"]:
            lost = 100.0 * (1.0 - worst["with"] / worst["without"])
            verb = "takes" if lost > 0 else "adds"
            said.append(f"The antenna {verb} {abs(lost):.0f} % of the tank's Q at dial {worst['dial']:g}")
        else:
            said.append("The antenna does not change the tank's Q by more than the readings can tell")
    if onsets:
        worst = max(onsets, key=lambda r: abs(r["change"]))
        if worst["real"]:
            way = "later" if worst["change"] > 0 else "earlier"
            said.append(
                f"oscillation starts {abs(worst['change']):.1f} ± {worst['change_u']:.1f} degrees {way} with it at "
                f"{_hz(plan, worst['f_hz'])}"
            )
        else:
            said.append("the onset does not move by more than the readings can tell")
    if not said:
        return "With and without the antenna only the resonance can be compared."
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}."


# Ways of reading the same onset


def agreement(plan: Plan, coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Onsets read in more than one way, and whether they agree."""
    groups: list[list[Row]] = []
    for row in rows:
        if not row["f_hz"] or row["direction"] != "onset" or row["angle_deg"] is None or not row["method"]:
            continue
        for group in groups:
            same = abs(row["f_hz"] / group[0]["f_hz"] - 1) < SAME_FREQUENCY
            if same and (row["antenna"] or "") == (group[0]["antenna"] or ""):
                group.append(row)
                break
        else:
            groups.append([row])
    out, told = [], []
    for group in sorted(groups, key=lambda g: float(g[0]["f_hz"])):
        ways = sorted({str(r["method"]) for r in group})
        if len(ways) < 2:
            continue
        for way in ways:
            angle, u = onset_of_way([r for r in group if r["method"] == way])
            out.append({"f_hz": float(group[0]["f_hz"]), "method": way, "angle_deg": angle, "angle_u_deg": u})
        told += [f"at {_hz(plan, group[0]['f_hz'])}: {sentence}" for sentence in disagreements(group)]
    if not out:
        return Check(
            "agreement",
            coil,
            (),
            "No onset has been read in two ways.",
            f"{measure} --reading curve (or --reading onset)",
        )
    text = "; ".join(told) if told else "Onsets read in different ways agree within their uncertainties"
    return Check("agreement", coil, tuple(out), f"{text[0].upper()}{text[1:]}.")
