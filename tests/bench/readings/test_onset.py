"""Onset readings driven through a small simulated bench of the test's own (threshold with backlash, no circuit)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from bench.errors import ReadingError
from bench.measuring.operator import Setup, Skipped, Stopped, Turn
from bench.readings import onset, turning
from drivers.errors import TimedOut
from drivers.roles import Sample

TRAVEL = 300.0
RATE = 100.0


class Bench:
    """A control, a detector that starts at one angle and stops at another, a board and obedient hands."""

    def __init__(
        self, starts_deg: float, stops_deg: float, *, seed: int = 1, reaction_s: float = 0.25
    ) -> None:
        self.random = np.random.default_rng(seed)
        self.starts_deg, self.stops_deg = starts_deg, stops_deg
        self.reaction_s = reaction_s
        self.t_s, self.angle, self.target, self.speed = 0.0, 0.0, 0.0, 1.0
        self.oscillating, self.listening = False, False
        self.press_at: float | None = None
        self.turns: list[Turn] = []
        self.told: list[tuple[Turn, float]] = []
        self.low, self.high = 0.08, 0.93
        self.silent_after: float | None = None

    # The board

    rate_hz = RATE

    def identify(self) -> str:
        return "test board"

    def flush(self) -> None:
        return None

    def close(self) -> None:
        return None

    def read(self, seconds: float) -> list[Sample]:
        if self.silent_after is not None and self.t_s > self.silent_after:
            return []
        return [self._step() for _ in range(7)]

    def _step(self) -> Sample:
        self.t_s += 1 / RATE
        reach = self.speed / RATE
        self.angle += float(np.clip(self.target - self.angle, -reach, reach))
        before = self.oscillating
        if self.angle >= self.starts_deg:
            self.oscillating = True
        elif self.angle < self.stops_deg:
            self.oscillating = False
        if self.oscillating != before and self.listening:
            self.press_at = self.t_s + self.random.normal(self.reaction_s, 0.03)
        mark = self.press_at is not None and self.press_at <= self.t_s < self.press_at + 0.15
        level = (0.35 if self.oscillating else 0.07) + self.random.normal(0, 0.003)
        share = self.low + (self.high - self.low) * self.angle / TRAVEL + self.random.normal(0, 0.0003)
        return Sample(self.t_s, round(share * 4095) / 4095, level, mark)

    # The hands

    def caution(self, lines: list[str]) -> None:
        raise AssertionError("not asked for in a reading")

    def prepare(self, setup: Setup) -> None:
        return None

    def set_dial(self, dial: float) -> float:
        return dial

    def rest_control(self, angle_deg: float) -> None:
        self.target, self.speed = angle_deg, 90.0
        while self.angle != self.target:
            self._step()

    def begin_turn(self, turn: Turn) -> None:
        self.turns.append(turn)
        if turn.starts:
            self.rest_control(min(turn.from_deg, self.angle))
        self.listening = turn.listen
        self.target, self.speed = turn.to_deg, turn.speed_deg_s

    def noticed(self, turn: Turn) -> None:
        self.told.append((turn, self.angle))

    def hears_oscillation(self) -> bool:
        return self.oscillating

    def number(self, question: str, read: Callable[[str], float]) -> float:
        raise AssertionError("nothing to type")

    def retry(self, problem: str) -> bool:
        return False


def measured(bench: Bench, *, listen: bool, repeats: int = 3) -> onset.Passes:
    stops = turning.learn_stops(bench, bench, TRAVEL)
    return onset.measure_onset(bench, bench, stops, repeats=repeats, listen=listen)


@pytest.mark.parametrize("anticlockwise", [False, True])
@pytest.mark.parametrize(("starts", "stops"), [(140.0, 133.0), (35.0, 31.0), (272.0, 268.0)])
def test_level_reads_onset_and_drop_out(starts: float, stops: float, anticlockwise: bool) -> None:
    bench = Bench(starts, stops)
    if anticlockwise:
        bench.low, bench.high = bench.high, bench.low
    passes = measured(bench, listen=False)
    up = [a.angle_deg for a in passes.approaches if a.starts]
    down = [a.angle_deg for a in passes.approaches if not a.starts]
    assert len(up) == len(down) == 3
    assert np.all(np.abs(np.array(up, float) - starts) < 1.0)
    assert np.all(np.abs(np.array(down, float) - stops) < 1.0)


@pytest.mark.parametrize("seed", range(4))
def test_the_jump_of_the_level_is_read_at_onset_and_at_drop_out(seed: int) -> None:
    approaches = measured(Bench(140.0, 133.0, seed=seed), listen=False).approaches
    for approach in approaches:
        assert approach.jump_v is not None
        assert approach.jump_u_v is not None
        # The bench's level goes from 0.07 to 0.35 of the converter's 3.3 V.
        assert 1e-4 < approach.jump_u_v < 0.01
        assert abs(approach.jump_v - 0.28 * 3.3) < 4.0 * approach.jump_u_v + 1e-3
    by_ear = measured(Bench(140.0, 133.0, seed=seed), listen=True, repeats=1).approaches
    assert [a.jump_v for a in by_ear] == [None, None]


@pytest.mark.parametrize("listen", [False, True])
def test_the_operator_is_told_of_the_event_once_a_turn_and_at_once(listen: bool) -> None:
    bench = Bench(140.0, 133.0, reaction_s=0.3)
    measured(bench, listen=listen, repeats=2)
    assert [turn for turn, _ in bench.told] == bench.turns
    for turn, angle in bench.told:
        way = 1.0 if turn.starts else -1.0
        late_deg = way * (angle - (140.0 if turn.starts else 133.0))
        # The bench hands out 7 frames of 10 ms at once, and an onset is seen in the middle one of the last six; a press comes
        # 0.3 s late, give or take.
        late_s = 0.16 + (0.45 if listen else 0.0)
        assert -0.1 <= late_deg < late_s * turn.speed_deg_s


def test_listen_takes_the_reaction_out() -> None:
    errors = []
    for seed in range(8):
        passes = measured(Bench(140.0, 133.0, seed=seed, reaction_s=0.32), listen=True, repeats=3)
        up = [a.angle_deg for a in passes.approaches if a.starts]
        corrections = [a.correction_deg for a in passes.approaches if a.starts]
        assert all(c is not None and c < 0 for c in corrections)
        errors.append(float(np.mean(np.array(up, float))) - 140.0)
    # quality.md: within 2 degrees by listening.
    assert np.all(np.abs(errors) < 2.0)
    assert abs(np.mean(errors)) < 0.5


def test_a_set_that_never_oscillates_says_so() -> None:
    passes = measured(Bench(400.0, 390.0), listen=False)
    assert len(passes.approaches) == 1
    assert passes.approaches[0].angle_deg is None
    assert "no oscillation" in passes.approaches[0].note


def test_a_set_that_never_stops_is_recognised_once_the_quiet_is_known() -> None:
    quiet = measured(Bench(140.0, 133.0), listen=False).quiet
    bench = Bench(-5.0, -10.0)
    stops = turning.learn_stops(bench, bench, TRAVEL)
    passes = onset.measure_onset(bench, bench, stops, repeats=3, listen=False, quiet=quiet)
    assert [a.angle_deg for a in passes.approaches] == [0.0]


def test_a_set_that_never_stops_is_recognised_by_ear_at_the_first_frequency() -> None:
    passes = measured(Bench(-5.0, -10.0), listen=False)
    assert [a.angle_deg for a in passes.approaches] == [0.0]
    # Its level is no quiet level for the next frequency.
    assert passes.quiet is None


def test_a_level_that_does_not_follow_is_no_never() -> None:
    bench = Bench(140.0, 133.0)
    step = bench._step
    bench._step = lambda: replace(step(), level=0.07)  # type: ignore[method-assign]
    with pytest.raises(ReadingError, match="lead from the detector"):
        measured(bench, listen=False)


def test_a_click_does_not_end_the_search_as_a_never() -> None:
    bench = Bench(200.0, 190.0)
    step = bench._step

    def clicking() -> Sample:
        sample = step()
        return replace(sample, level=0.3) if bench.turns and 60.0 < bench.angle < 62.0 else sample

    bench._step = clicking  # type: ignore[method-assign]
    with pytest.raises(ReadingError, match="for a moment only"):
        measured(bench, listen=False)


def test_one_step_of_the_converter_is_no_onset() -> None:
    bench = Bench(400.0, 390.0)
    step = bench._step
    bench._step = lambda: replace(  # type: ignore[method-assign]
        step(), level=(101 if bench.angle > 140.0 else 100) / 4095
    )
    assert [a.angle_deg for a in measured(bench, listen=False).approaches] == [None]


def test_a_control_left_up_is_not_taken_for_a_set_that_never_stops() -> None:
    quiet = measured(Bench(140.0, 133.0), listen=False).quiet
    bench = Bench(140.0, 133.0)
    stops = turning.learn_stops(bench, bench, TRAVEL)
    bench.rest_control(150.0)
    bench.rest_control = lambda angle_deg: None  # type: ignore[method-assign]
    with pytest.raises(ReadingError, match="fully back first"):
        onset.measure_onset(bench, bench, stops, repeats=1, listen=False, quiet=quiet)


def test_listening_needs_no_level() -> None:
    # The level input hangs free: far above what was once taken for quiet.
    bench = Bench(140.0, 133.0)
    stops = turning.learn_stops(bench, bench, TRAVEL)
    passes = onset.measure_onset(bench, bench, stops, repeats=1, listen=True, quiet=turning.Quiet(0.0, 0.001))
    assert len(passes.approaches) == 2


def test_a_sensor_that_is_not_coupled_is_told() -> None:
    bench = Bench(140.0, 133.0)
    bench.low, bench.high = 0.5, 0.51
    with pytest.raises(ReadingError, match="coupled to the control's shaft"):
        turning.learn_stops(bench, bench, TRAVEL)


def test_a_sensor_that_goes_silent_is_a_time_out() -> None:
    bench = Bench(140.0, 133.0)
    stops = turning.learn_stops(bench, bench, TRAVEL)
    bench.silent_after = bench.t_s + 3.0
    with pytest.raises(TimedOut, match="silent"):
        onset.measure_onset(bench, bench, stops, repeats=3, listen=False)


def test_hands_are_told_to_turn_back_soon_after_onset() -> None:
    bench = Bench(140.0, 133.0)
    furthest = 0.0
    step = bench._step

    def watched() -> Sample:
        nonlocal furthest
        sample = step()
        if bench.turns:
            furthest = max(furthest, bench.angle)
        return sample

    bench._step = watched  # type: ignore[method-assign]
    measured(bench, listen=False)
    assert 140.0 < furthest < 165.0


class Stumbling(Bench):
    """Hands that stumble: in chosen turns the detector's lead comes off, so that no event is seen."""

    def __init__(
        self, *args: float, off_in: set[int], answers: list[bool | BaseException], **more: int
    ) -> None:
        super().__init__(*args, **more)
        self.off_in, self.answers, self.asked = off_in, answers, list[str]()

    def _step(self) -> Sample:
        sample = super()._step()
        return replace(sample, level=0.07 + 0 * sample.level) if len(self.turns) in self.off_in else sample

    def retry(self, problem: str) -> bool:
        self.asked.append(problem)
        answer = self.answers.pop(0)
        if isinstance(answer, BaseException):
            raise answer
        return answer


def stumbled(bench: Stumbling, repeats: int = 3) -> tuple[onset.Passes, list[str]]:
    stops, told = turning.learn_stops(bench, bench, TRAVEL), list[str]()
    passes = onset.measure_onset(bench, bench, stops, repeats=repeats, listen=False, on_trouble=told.append)
    return passes, told


def test_one_failed_pass_is_taken_again_and_the_others_stay() -> None:
    # Turns 1 and 2 are the search; 3 and 4 the first pass; the fifth fails.
    passes, told = stumbled(Stumbling(140.0, 134.0, off_in={5}, answers=[]))
    assert len(passes.approaches) == 6
    assert sum("taken again" in text for text in told) == 1
    ups = [a.angle_deg for a in passes.approaches if a.starts]
    assert ups == pytest.approx([140.0] * 3, abs=1.0)


@pytest.mark.parametrize("choice", [Skipped("left out for now"), Stopped("Stopped.")])
def test_after_three_failures_the_operator_says_and_whole_passes_stand(choice: Exception) -> None:
    bench = Stumbling(140.0, 134.0, off_in={5, 6, 7}, answers=[choice])
    passes, _ = stumbled(bench)
    assert "3 times" in bench.asked[0]
    assert passes.ended is choice
    assert [a.starts for a in passes.approaches] == [True, False]


def test_after_three_failures_the_operator_may_have_it_tried_again() -> None:
    bench = Stumbling(140.0, 134.0, off_in={5, 6, 7}, answers=[True])
    passes, _ = stumbled(bench)
    assert passes.ended is None
    assert len(passes.approaches) == 6


def test_approaches_that_disagree_are_told_at_once() -> None:
    class Slipping(Stumbling):
        def begin_turn(self, turn: Turn) -> None:
            super().begin_turn(turn)
            # The sensor's coupling slips between the first pass and the second.
            if len(self.turns) == 5:
                self.starts_deg, self.stops_deg = 150.0, 144.0

    _, told = stumbled(Slipping(140.0, 134.0, off_in=set(), answers=[]), repeats=2)
    assert len(told) == 1
    assert "starts" in told[0]
    assert "later" in told[0]
    _, told = stumbled(Stumbling(140.0, 134.0, off_in=set(), answers=[]))
    assert told == []
