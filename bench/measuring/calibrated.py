"""The session's calibration between the analyzer and a reading, where it covers what is read; and plain words where not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property

from bench.errors import SessionError
from bench.measuring.open_short_load import CorrectedAnalyzer, ErrorTerms, Standards, solve
from bench.quantities import show
from bench.session import calibrations
from bench.session.calibrations import Kept
from bench.session.folder import Session
from drivers.roles import Analyzer, Sweep


class Calibrated:
    """Hands out the analyzer as seen from the end of its cable; says once what it does and why.

    Parameters
    ----------
    session : Session
    say : callable
        Shows one line to the operator.
    raw : bool
        Whether the plan says that the analyzer returns raw data (`calibrated = false`).
    """

    def __init__(self, session: Session, say: Callable[[str], None], *, raw: bool = False) -> None:
        self._session = session
        self._say = say
        self._raw = raw
        self._said: set[str] = set()

    def over(self, analyzer: Analyzer, low_hz: float, high_hz: float) -> Analyzer:
        """The analyzer for a reading between two frequencies: corrected if the calibration covers all of it."""
        kept, terms = self._in_force
        if kept is None or terms is None:
            return analyzer
        if kept.analyzer and kept.analyzer != analyzer.identify():
            self._tell(
                f"Not calibrated: calibration {kept.name} is of another analyzer ({kept.analyzer}). "
                f"Run `regenbench calibrate {self._session.path}` with this one."
            )
            return analyzer
        limits = analyzer.limits
        low, high = max(low_hz, limits.low_hz), min(high_hz, limits.high_hz)
        if low < terms.low_hz or high > terms.high_hz:
            self._tell(
                f"Not calibrated from {show(low, 'frequency')} to {show(high, 'frequency')}: calibration {kept.name} covers "
                f"{show(terms.low_hz, 'frequency')} to {show(terms.high_hz, 'frequency')}. To cover it, run "
                f"`regenbench calibrate {self._session.path}` with --from and --to."
            )
            return analyzer
        standards = "ideal standards" if _standards(kept).ideal else "standards as stated"
        self._tell(
            f"Calibrated: open, short and load of {kept.made_at:%Y-%m-%d %H:%M} UTC ({kept.name}, {standards})."
        )
        return CorrectedAnalyzer(analyzer, terms)

    def notes(self, analyzer: Analyzer) -> list[str]:
        """What stands in the head of a sweep's file."""
        kept, _ = self._in_force
        if kept is None or not isinstance(analyzer, CorrectedAnalyzer):
            return []
        return [f"corrected by open, short and load: calibrations/{kept.name}; raw data beside it"]

    def keep_raw(self, analyzer: Analyzer, reading: str, sweeps: Sequence[Sweep]) -> None:
        """Keep what the instrument itself returned beside the corrected sweeps of a reading."""
        if not isinstance(analyzer, CorrectedAnalyzer):
            return
        from bench.readings.resonance_run import merged

        note = f"as the analyzer measured it; {reading} is this sweep corrected"
        self._session.save_sweep(f"{reading}-raw", *merged(analyzer.raw_of(sweeps)), [note])

    @cached_property
    def _in_force(self) -> tuple[Kept | None, ErrorTerms | None]:
        again = f"`regenbench calibrate {self._session.path}`"
        kept = calibrations.newest(self._session)
        if kept is None:
            if self._raw:
                self._tell(
                    f"Not calibrated: the plan says that this analyzer returns raw data. Run {again} first, for a Q "
                    "that does not hang on the cable."
                )
            return None, None
        changed = calibrations.changed_at(self._session)
        if changed is not None and changed >= kept.made_at:
            self._tell(
                f"Not calibrated: the cable was changed on {changed:%Y-%m-%d %H:%M} UTC, after calibration {kept.name} of "
                f"{kept.made_at:%Y-%m-%d %H:%M}. Run {again}."
            )
            return None, None
        try:
            return kept, solve(*kept.sweeps(), _standards(kept))
        except ValueError as problem:
            raise SessionError(f"{kept.path} cannot be used ({problem}). Run {again}.") from problem

    def _tell(self, words: str) -> None:
        if words not in self._said:
            self._said.add(words)
            self._say(words)
            self._session.log("calibration", what=words)


def _standards(kept: Kept) -> Standards:
    return Standards(kept.open_c_f, kept.short_l_h, kept.load_ohm)
