"""datapackage.json: the tables' schemas in the open standard Data Package, version 2."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from bench.session.tables import LEVEL_COLUMNS, TABLES, TRACE_COLUMNS

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"


def describe(
    name: str, title: str, headers: Mapping[str, tuple[str, ...]], *, created: str, levels: bool = False
) -> dict[str, Any]:
    """The package's description.

    Parameters
    ----------
    name, title : str
        The session's folder name; the receiver's name.
    headers : mapping
        Columns of each table that is there, as its file has them.
    created : str
        ISO 8601, UTC.
    levels : bool
        Whether there are sweeps by generator and detector.
    """
    slug = re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-.") or "session"
    package: dict[str, Any] = {
        "$schema": PROFILE,
        "name": slug,
        "title": title or name,
        "description": (
            "Readings of a regenerative receiver with plug-in coils. SI units, angles in degrees; an empty cell is "
            "unknown; _u marks a standard uncertainty (k = 1). A row with withdrawn = true withdraws the reading it names. "
            "plan.toml says what was on the bench. sweeps/ holds raw sweeps (Touchstone 1.1); where a calibration was at "
            "work, the corrected ones, and the raw ones as -raw beside them. calibrations/, if there, holds the raw sweeps "
            "of open, short and load."
        ),
        "created": created,
        "resources": [TABLES[table].resource(header) for table, header in headers.items()],
        "traces": {
            "description": "Raw traces in traces/: CSV with a header row, one file a reading",
            "fields": [column.field() for column in TRACE_COLUMNS],
        },
    }
    if levels:
        package["levels"] = {
            "description": "Sweeps of a generator with a level detector in levels/: CSV with a header row, one file a reading",
            "fields": [column.field() for column in LEVEL_COLUMNS],
        }
    return package
