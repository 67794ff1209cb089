"""The fit that a session keeps: whether it is still that of its plan and tables, and made anew where it is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bench.errors import BenchError, SessionError
from bench.session.folder import FIT, PLAN, Session


def bring_up_to_date(session: Session, say: Callable[[str], None]) -> None:
    """Make and keep the fit where it lacks, and say why."""
    lack = fit_lacks(session)
    if lack:
        from bench.fit.fitting import fit_session

        say(f"{lack}: fitting first.")
        session.write_fit(fit_session(session))


def fit_lacks(session: Session) -> str | None:
    """Why the fit must be made (again) before anything is said of it; None where it is up to date."""
    path = session.path / FIT
    try:
        made = path.stat().st_mtime_ns
    except FileNotFoundError:
        return "There is no fit yet"
    except OSError as problem:
        raise SessionError(f"{path} cannot be read: {problem.strerror or problem}.") from problem
    for name in (PLAN, *(f"{table}.csv" for table in ("resonance", "onset", "curve"))):
        part = session.path / name
        if part.exists() and part.stat().st_mtime_ns > made:
            return f"{name} is newer than the fit"
    try:
        whole = _is_fit(session.read_fit())
    except BenchError:
        whole = False
    return None if whole else "fit.json is damaged"


def _is_fit(fit: Any) -> bool:
    coils = fit.get("coils") if isinstance(fit, dict) else None
    return isinstance(coils, list) and all(isinstance(c, dict) and "name" in c for c in coils)
