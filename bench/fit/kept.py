"""The fit that a session keeps: whether it is still that of its plan and tables, and made anew where it is not."""

from __future__ import annotations

from collections.abc import Callable

from bench.errors import SessionError
from bench.session import disk
from bench.session.folder import FIT, Session
from bench.session.place import PLAN


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
        raise disk.cannot_read(path, problem) from problem
    for name in (PLAN, *(f"{table}.csv" for table in ("resonance", "onset", "curve"))):
        part = session.path / name
        if part.exists() and part.stat().st_mtime_ns > made:
            return f"{name} is newer than the fit"
    try:
        session.read_fit()
    except SessionError:
        return "fit.json is damaged"
    return None
