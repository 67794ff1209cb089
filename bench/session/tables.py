"""The session's tables: every column declared once; header, schema and checks follow from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

ColumnType = Literal["string", "number", "datetime", "boolean"]


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    unit : str
        SI unit as a text ("Hz"), "degree", "1" for a pure number, "" where there is none.
    choices : tuple of str
        The only texts allowed; empty: any.
    minimum : float, optional
        Least number that can be.
    free : bool
        Text that a person writes: kept harmless for spreadsheets.
    needed : bool
        A table without this column is not read: its rows would mean something else.
    later : bool
        Stands behind the others, and a table may do without it: files of before, or of another program, are whole.
    """

    name: str
    type: ColumnType
    unit: str
    description: str
    choices: tuple[str, ...] = ()
    minimum: float | None = None
    free: bool = False
    needed: bool = False
    later: bool = False

    def field(self) -> dict[str, Any]:
        """The column as a field of a Table Schema."""
        field: dict[str, Any] = {"name": self.name, "type": self.type, "description": self.description}
        if self.unit:
            field["unit"] = self.unit
        if self.type == "boolean":
            field |= {"trueValues": ["true"], "falseValues": ["false"]}
        constraints: dict[str, Any] = {}
        if self.choices:
            constraints["enum"] = list(self.choices)
        if self.minimum is not None:
            constraints["minimum"] = self.minimum
        if constraints:
            field["constraints"] = constraints
        return field


@dataclass(frozen=True)
class Table:
    """One table of a session."""

    name: str
    description: str
    columns: tuple[Column, ...]

    @property
    def file(self) -> str:
        """The table's file in the session folder."""
        return f"{self.name}.csv"

    @property
    def header(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(column.name for column in self.columns)

    @property
    def expected(self) -> tuple[str, ...]:
        """Columns that a whole table has, in order."""
        return tuple(column.name for column in self.columns if not column.later)

    @property
    def needed(self) -> tuple[str, ...]:
        """Columns without which its rows cannot be understood."""
        return tuple(column.name for column in self.columns if column.needed)

    def column(self, name: str) -> Column | None:
        """The column of this name."""
        return next((column for column in self.columns if column.name == name), None)

    def resource(self, header: Sequence[str]) -> dict[str, Any]:
        """The table as a Data Package (v2) resource, for a file with this header; columns not declared here are texts."""
        fields = []
        for name in header:
            column = self.column(name)
            fields.append(
                column.field() if column else {"name": name, "type": "string", "description": "added by hand"}
            )
        return {
            "name": self.name,
            "path": self.file,
            "description": self.description,
            "type": "table",
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "dialect": {
                "delimiter": ",",
                "lineTerminator": "\n",
                "quoteChar": '"',
                "doubleQuote": True,
                "header": True,
            },
            "schema": {"fields": fields, "missingValues": [""]},
        }


_COMMON = (
    Column(
        "reading",
        "string",
        "",
        "Name of the reading; a withdrawal names the reading it withdraws",
        needed=True,
    ),
    Column("time", "datetime", "", "When the reading was recorded, UTC"),
    Column("coil", "string", "", "Name of the coil, as in the plan", needed=True),
    Column(
        "recipe",
        "string",
        "",
        "Eight hexadecimal digits that stand for the coil and the receiver as they were; empty: as in the plan now",
    ),
    Column("dial", "number", "1", "Reading of the tuning dial", needed=True),
    Column("valve", "string", "", "Whether the valve was working or cold", ("working", "cold"), needed=True),
    Column("antenna", "string", "", "Whether the antenna was connected", ("yes", "no"), needed=True),
)
_ENDING = (
    Column(
        "withdrawn",
        "boolean",
        "",
        "true on a row that withdraws the reading it names; else empty",
        needed=True,
    ),
    Column("note", "string", "", "What the operator or the program had to say", free=True),
)


def _frequency(name: str, description: str) -> Column:
    return Column(name, "number", "Hz", description, minimum=1.0, needed=True)


def _spread(name: str, unit: str, of: str) -> Column:
    return Column(name, "number", unit, f"Standard uncertainty (k = 1) of {of}", minimum=0.0)


def _later(name: str, unit: str, description: str, minimum: float | None = None) -> Column:
    return Column(name, "number", unit, description, minimum=minimum, later=True)


def _table(name: str, description: str, *own: Column) -> Table:
    first = [column for column in own if not column.later]
    return Table(name, description, (*_COMMON, *first, *_ENDING, *(c for c in own if c.later)))


TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _table(
            "resonance",
            "One row a resonance reading of the tank",
            _frequency("f0_hz", "Frequency of resonance"),
            _spread("f0_u_hz", "Hz", "f0_hz"),
            Column("q_loaded", "number", "1", "Q with the pick-up loop's loading", minimum=0.0),
            _spread("q_loaded_u", "1", "q_loaded"),
            Column(
                "q",
                "number",
                "1",
                "Q of the tank in the set as it stands, the loop's loading taken out",
                minimum=0.0,
            ),
            _spread("q_u", "1", "q"),
            Column(
                "beta", "number", "1", "Loss coupled out by the loop over the tank's own loss", minimum=0.0
            ),
            Column(
                "added_c_f",
                "number",
                "F",
                "Known capacitor put in parallel with the tank; else empty",
                minimum=0.0,
                needed=True,
            ),
            Column("method", "string", "", "How the reading was made", ("reflection", "level", "typed")),
            Column("sweep", "string", "", "File of the raw sweep, from the session folder"),
        ),
        _table(
            "onset",
            "One row an approach to the start or the end of oscillation",
            _frequency("f_hz", "Frequency the tank was tuned to"),
            Column(
                "direction",
                "string",
                "",
                "Start of oscillation or its end",
                ("onset", "drop-out"),
                needed=True,
            ),
            Column(
                "angle_deg",
                "number",
                "degree",
                "Angle of the regeneration control, from its end stop of least regeneration; empty: never",
                needed=True,
            ),
            _spread("angle_u_deg", "degree", "angle_deg"),
            Column("method", "string", "", "How the reading was made", ("listen", "level", "curve", "typed")),
            Column("trace", "string", "", "File of the angle and level trace, from the session folder"),
            _later(
                "jump_v",
                "V",
                "Level one degree beyond, where it oscillates, less the level where it does not; by level only",
            ),
            _later("jump_u_v", "V", "Standard uncertainty (k = 1) of jump_v", 0.0),
            _later(
                "slope_per_deg",
                "1/degree",
                "Share of the tank's loss, the control at angle 0, that one degree cancels at onset; by curve only",
                0.0,
            ),
            _later("slope_u_per_deg", "1/degree", "Standard uncertainty (k = 1) of slope_per_deg", 0.0),
        ),
        _table(
            "curve",
            "One row a reading of Q below onset at one angle of the control",
            Column("angle_deg", "number", "degree", "Angle of the regeneration control", needed=True),
            _frequency("f_hz", "Frequency of resonance"),
            Column(
                "q", "number", "1", "Q of the tank at this angle, the loop's loading taken out", minimum=0.0
            ),
            _spread("q_u", "1", "q"),
            Column("sweep", "string", "", "File of the raw sweep, from the session folder"),
        ),
        _table(
            "body",
            "One row a position of the hand: detuning",
            Column("position", "string", "", "Where the hand was", free=True),
            _frequency("f0_hz", "Frequency of resonance with the hand there"),
            _spread("f0_u_hz", "Hz", "f0_hz"),
            Column("shift_hz", "number", "Hz", "Shift of the resonance by the hand"),
            _spread("shift_u_hz", "Hz", "shift_hz"),
            Column("sweep", "string", "", "File of the raw sweep, from the session folder"),
        ),
        _table(
            "wiper",
            "One row a reading of the control's noise",
            Column("rest_v", "number", "V", "Noise level with the control at rest", minimum=0.0),
            Column("moving_v", "number", "V", "Noise level with the control moving", minimum=0.0),
            Column("ratio_db", "number", "dB", "Moving over at rest"),
            Column("speed_deg_s", "number", "degree/s", "Speed of turning"),
            Column("trace", "string", "", "File of the angle and level trace, from the session folder"),
        ),
    )
}

LEVEL_COLUMNS: tuple[Column, ...] = (
    Column("f_hz", "number", "Hz", "Frequency of the generator"),
    Column("level_dbm", "number", "dBm", "Level of the generator"),
    Column("level_v", "number", "V", "Mean of the detector's reading"),
    Column("level_u_v", "number", "V", "Standard uncertainty (k = 1) of level_v"),
    Column("samples", "number", "1", "Samples that the mean is of"),
)

TRACE_COLUMNS: tuple[Column, ...] = (
    Column("t_s", "number", "s", "Time from the start of the trace"),
    Column("angle_deg", "number", "degree", "Angle of the regeneration control"),
    Column("level_v", "number", "V", "Detector or audio level"),
    Column("mark", "number", "1", "1 where the operator's switch was closed, else 0"),
)
