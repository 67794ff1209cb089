"""A table's rows as a pandas frame."""

from __future__ import annotations

import numpy as np
import pandas as pd

from bench.session.files import Content, cell_value, withdrawn_rows
from bench.session.tables import Table


def frame(content: Content, table: Table) -> pd.DataFrame:
    """Sound rows with typed columns, withdrawn readings left out, in the table's order of columns."""
    keep = [row for row, gone in zip(content.cells, withdrawn_rows(content), strict=True) if not gone]
    columns: dict[str, object] = {}
    for column in table.columns:
        if column.name in content.header:
            place = content.header.index(column.name)
            cells = [row[place] for row in keep]
        else:
            cells = [""] * len(keep)
        if column.type == "number":
            columns[column.name] = np.array(
                [float(text) if text else np.nan for text in cells], dtype=np.float64
            )
        elif column.type == "boolean":
            columns[column.name] = np.array([text == "true" for text in cells], dtype=np.bool_)
        elif column.type == "datetime":
            times = pd.to_datetime(
                pd.Series([text or None for text in cells], dtype=object), utc=True, format="ISO8601"
            )
            columns[column.name] = times.dt.as_unit("ms")
        else:
            columns[column.name] = pd.Series([cell_value(column, text) for text in cells], dtype=object)
    for place, name in enumerate(content.header):
        if table.column(name) is None:
            columns[name] = pd.Series([row[place] or None for row in keep], dtype=object)
    return pd.DataFrame(columns)
