"""Body capacity: how far a hand near the set moves its resonance.

Hand there and hand away take turns, each hand reading between two without one: the drift of set and analyzer, which moves
both alike, goes out of the difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.operator import Skipped
from bench.measuring.wanted import same_dial
from bench.readings.resonance_run import Guess, measure_resonance
from drivers.roles import Analyzer, Sweep

# Three rounds, so that their scatter says something of how alike a hand can be held.
ROUNDS = 3
# f0 is known far better than Q; a shift of a thousandth of the bandwidth shows at this.
Q_GOAL = 0.02
NEAR_BAND = 0.04
# How far what the sweeps' own noise says of f0 may be believed: cable and background pull both readings alike.
LEAST_U_SHARE = 1e-7


class Hands(Protocol):
    """What this reading asks of the person at the set."""

    def hold_hand(self, position: str | None) -> None:
        """Hold a hand at this place, or take hands well away; returns when it is so."""
        ...


@dataclass(frozen=True, eq=False)
class BodyReading:
    """f0 with the hand there, its shift against hands away, and the last sweep with the hand there.

    `one_hz` are the single shifts, a round each.
    """

    f0_hz: float
    f0_u_hz: float
    shift_hz: float
    shift_u_hz: float
    one_hz: tuple[float, ...]
    sweep: Sweep

    @property
    def shift_ppm(self) -> float:
        """Shift in millionths of f0."""
        return 1e6 * self.shift_hz / (self.f0_hz - self.shift_hz)


def measure_body(
    analyzer: Analyzer,
    hands: Hands,
    position: str,
    *,
    f0_hz: float,
    rounds: int = ROUNDS,
    on_detail: Callable[[str], None] = lambda text: None,
) -> BodyReading:
    """Shift of the resonance by a hand at one position, the set otherwise left alone.

    Parameters
    ----------
    f0_hz : where the tank resonates, within a few percent.
    rounds : hand readings, each between two without.

    Raises
    ------
    ReadingError
        No resonance there, or none steady enough.
    drivers.errors.WireError
        The analyzer failed.
    """
    guess: Guess | None = None

    def f0() -> tuple[float, float, Sweep]:
        nonlocal guess
        middle = f0_hz if guess is None else guess.f0_hz
        reading = measure_resonance(
            analyzer, (1 - NEAR_BAND) * middle, (1 + NEAR_BAND) * middle, q_goal=Q_GOAL, guess=guess
        )
        found = reading.resonance
        if found.f0_hz is None or found.f0_u_hz is None:
            raise ReadingError("The resonance could not be told. Bring the loop nearer and try again.")
        width = found.f0_hz / (found.q_loaded or 100.0)
        guess = Guess.after(found, found.f0_hz, 0.3 * width)
        return found.f0_hz, max(found.f0_u_hz, LEAST_U_SHARE * found.f0_hz), reading.sweeps[-1]

    shifts, shift_us, with_hand, with_hand_u = [], [], [], []
    hands.hold_hand(None)
    rest, rest_u, last = f0()
    for number in range(rounds):
        on_detail(f"{number + 1} of {rounds}")
        hands.hold_hand(position)
        here, here_u, last = f0()
        hands.hold_hand(None)
        after, after_u, _ = f0()
        shifts.append(here - 0.5 * (rest + after))
        shift_us.append(float(np.hypot(here_u, 0.5 * np.hypot(rest_u, after_u))))
        with_hand.append(here)
        with_hand_u.append(here_u)
        rest, rest_u = after, after_u
    shift, shift_u = _mean(shifts, shift_us)
    f_hand, f_hand_u = _mean(with_hand, with_hand_u)
    return BodyReading(f_hand, f_hand_u, shift, shift_u, tuple(shifts), last)


def _mean(values: Sequence[float], u: Sequence[float]) -> tuple[float, float]:
    """Mean of a few values, and its uncertainty by what they claim or by how they scatter, whichever is more."""
    n = len(values)
    claimed = float(np.sqrt(np.sum(np.square(u)))) / n
    scatter = float(np.std(values, ddof=1)) / np.sqrt(n) if n > 1 else 0.0
    return float(np.mean(values)), float(max(claimed, scatter))


# As a kind of reading: what is lacking, and how one is taken and recorded


def _lacking(sought: Sought) -> Iterable[Wanted]:
    if not sought.wants("body"):
        return
    there = {str(row["position"]).casefold() for row in sought.of("body")}
    dial = _dial(sought)
    for position in sought.plan.readings.hand_at:
        if position.casefold() not in there:
            yield Wanted("body", sought.coil.name, f"hand at the {position}", dial=dial, position=position)


def _dial(sought: Sought) -> float:
    """Where the least capacitance is across the coil, and a hand's counts most."""
    rows = [r for r in sought.resonances() if r["f0_hz"] and not r["added_c_f"] and r["dial"] is not None]
    if rows:
        return float(max(rows, key=lambda row: float(row["f0_hz"]))["dial"])
    tuning = sought.plan.receiver.tuning
    return tuning.dial[tuning.capacitance.index(min(tuning.capacitance))]


def _take(bench: Bench, item: Wanted) -> int:
    assert item.dial is not None
    assert item.position is not None
    if not bench.instruments.has("analyzer"):
        raise Skipped(
            "a body reading needs an analyzer, since a shift this small is not read off a dial: name one under "
            "[instruments.analyzer] in plan.toml"
        )
    rows = [row for row in bench.tuned(item.coil) if same_dial(float(row["dial"]), item.dial, bench.plan)]
    if not rows:
        raise Skipped("take resonance readings of this coil first, so that the resonance is known")
    f0_hz = float(rows[-1]["f0_hz"])
    bench.prepare(item, loop=True)
    bench.operator.rest_control(0.0)
    dial = bench.set_dial(item.dial)
    analyzer = bench.calibrated.over(
        bench.instruments.analyzer(), (1 - NEAR_BAND) * f0_hz, (1 + NEAR_BAND) * f0_hz
    )
    try:
        reading = measure_body(
            analyzer,
            bench.operator,
            item.position,
            f0_hz=f0_hz,
            on_detail=lambda text: bench.reporter.detail(f"{item.words()}: {text}"),
        )
    finally:
        bench.operator.hold_hand(None)
    rounds = ", ".join(f"{shift:+.0f}" for shift in reading.one_hz)
    bench.record(
        item,
        {
            "position": item.position,
            "f0_hz": reading.f0_hz,
            "f0_u_hz": reading.f0_u_hz,
            "shift_hz": reading.shift_hz,
            "shift_u_hz": reading.shift_u_hz,
            "note": f"single shifts {rounds} Hz",
        },
        dial=dial,
        sweeps=[reading.sweep],
        analyzer=analyzer,
        notes=[f"coil {item.coil}, dial {dial:g}, hand at the {item.position}"],
    )
    bench.reporter.result(
        f"coil {item.coil}  hand at the {item.position}  {reading.shift_hz:+.0f} ± {reading.shift_u_hz:.0f} Hz "
        f"({reading.shift_ppm:+.0f} ppm)"
    )
    return 1


KIND = Kind(_lacking, _take)
