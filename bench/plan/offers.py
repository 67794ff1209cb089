"""What `start` offers for a coil, worked out from what has been said about the set."""

from __future__ import annotations

import copy

from bench import quantities
from bench.errors import BenchError
from bench.plan.writing import Answers, CoilAnswers, plan_from

# Real coils stay 10 to 40 % below their winding's own Q (common practice, no source): turns that suit only one end of that are no
# good offer.
_REAL_Q = (1.0, 0.7)
# An offer keeps this far from the window's edges, if any number of turns does.
_CLEAR_DEG = 10.0
# What the tank has beside the tuning capacitor.
_STRAY_F = 12e-12
_OVERLAP = 1.1
# A control of more resistance asks for more of the tickler, and so for a coil of a lower band.
_ORDINARY = (
    CoilAnswers("A", 27, "32mm", "24mm", "0.4mm", 8, "2.5mm", "0.25mm"),
    CoilAnswers("A", 40, "32mm", "24mm", "0.4mm", 8, "2.5mm", "0.25mm"),
    CoilAnswers("A", 60, "32mm", "34mm", "0.4mm", 8, "2.5mm", "0.25mm"),
)


def next_band_turns(answers: Answers, before: CoilAnswers) -> int:
    """Turns that tune about the next band up, overlapping a little: on one form and length, f goes as one over the turns."""
    most, least = (
        max(quantities.parse(text, "capacitance") for text in answers.tuning),
        min(quantities.parse(text, "capacitance") for text in answers.tuning),
    )
    ratio: float = ((most + _STRAY_F) / (least + _STRAY_F)) ** 0.5
    turns = before.turns * _OVERLAP / max(ratio, _OVERLAP * 1.1)
    return max(2, round(turns))


def first_offered(answers: Answers) -> CoilAnswers:
    """The first of a few ordinary coils that some tickler brings into the window with this set's control; else the first of all."""
    for coil in _ORDINARY:
        try:
            distance = _outside_deg(answers, coil)
        except (BenchError, ValueError):
            break
        if any(far <= -_CLEAR_DEG for far in distance.values()):
            return coil
    return _ORDINARY[0]


def tickler_offered(answers: Answers, coil: CoilAnswers) -> tuple[int, str]:
    """Tickler turns whose onset suits the coil best over its band, and a sentence where none suits.

    The fewest turns that bring onset into the window at every frequency, well clear of its edges, with the winding's own Q and with
    a real coil's; else the turns that come nearest.
    """
    from bench.physics.coilset import first_tickler

    try:
        distance = _outside_deg(answers, coil)
    except (BenchError, ValueError):
        return first_tickler(round(coil.turns)), ""
    if not distance:
        return first_tickler(round(coil.turns)), ""
    clear = [turns for turns, far in distance.items() if far <= -_CLEAR_DEG]
    best = min(clear) if clear else min(distance, key=lambda turns: distance[turns])
    if distance[best] <= 0:
        return best, ""
    return best, (
        "No number of turns brings onset into the window over this whole band, be the\n"
        "  coil's Q good or poor: the nearest is offered; `regenbench predict` shows more."
    )


def _outside_deg(answers: Answers, coil: CoilAnswers) -> dict[int, float]:
    """Turns, each with how far onset comes outside the window at worst (negative: inside, by that much)."""
    import numpy as np

    from bench.circuits import circuit, gm_or_usual
    from bench.model import coil_model
    from bench.physics.regeneration import onset
    from bench.plan.schema import parse_plan

    said = copy.copy(answers)
    said.coils = [copy.copy(coil)]
    plan = parse_plan(plan_from(said))
    part, control = plan.coil[0], plan.receiver.control
    model = coil_model(plan, part)
    f_hz, turns = np.asarray(part.onset_at), list(range(1, max(2, round(coil.turns / 2)) + 1))
    low, high = control.window_deg
    worst = np.full(len(turns), -np.inf)
    set_up = circuit(plan, part, turns, gm_s=gm_or_usual(plan)[0])
    for share in _REAL_Q:
        angle = onset(set_up, f_hz, share * model.q_at(f_hz), "alone").angle_deg
        # What never starts is further away than any angle.
        angle = np.where(np.isfinite(angle), angle, 10 * control.travel_deg)
        worst = np.maximum(worst, np.maximum(low - angle, angle - high).max(axis=1))
    return dict(zip(turns, worst.tolist(), strict=True))
