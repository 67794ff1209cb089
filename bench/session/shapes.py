"""What the JSON files of a session look like, so that a damaged one is named before its numbers are used.

Keys that are not named here are whatever they are; what another version of this program left out may lack.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired, Required

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError
from typing_extensions import TypedDict

Finite = Annotated[float, Field(allow_inf_nan=False)]
Number = Finite | None
Numbers = list[Finite]
Texts = list[str]


def _utc(text: str) -> str:
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("the time does not say UTC (a Z at its end)")
    return text


Moment = Annotated[str, AfterValidator(_utc)]


def _equally_long(columns: Any) -> Any:
    lengths = {name: len(column) for name, column in columns.items() if isinstance(column, list)}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"lists of unlike lengths ({', '.join(lengths)})")
    return columns


class _DialPoint(TypedDict):
    dial: Finite
    c_f: Finite
    c_u_f: Finite


class _QLaw(TypedDict, total=False):
    f_hz: Numbers
    q: Numbers
    q_u: Numbers
    exponent: Number
    state: str | None


class _DialLaw(TypedDict, total=False):
    dial: Numbers
    f_hz: Numbers
    f_u_hz: Numbers
    khz_per_division: Numbers
    khz_per_division_u: Numbers


class _Onset(TypedDict):
    f_hz: Annotated[Finite, Field(gt=0)]
    measured_deg: Number
    measured_u_deg: Number
    dropout_deg: Number
    dropout_u_deg: Number
    backlash_deg: Number
    fitted_deg: Number
    slope_per_deg: Number
    jump_v: NotRequired[Number]
    jump_u_v: NotRequired[Number]
    never: NotRequired[bool]


class _GmM(TypedDict, total=False):
    value_sh: Number
    u_sh: Number
    shares: dict[str, Finite]


class _Predicted(TypedDict, total=False):
    turns: Required[Finite]
    angles_deg: Required[list[Number]]
    in_window: bool
    angles_u_deg: list[Number]
    margin_deg: Number
    confidence: Number


class _Lever(TypedDict):
    what: str
    change: str
    effect: str


class _Smooth(TypedDict):
    control: str
    resistance_ohm: Number
    taper: str
    turns: Finite
    angles_deg: list[Number]
    slope_per_deg: list[Number]
    in_window: bool
    present: bool


class _Advice(TypedDict, total=False):
    tickler_turns_now: Number
    tickler_turns_best: Number
    predicted: list[_Predicted]
    verdict: Literal["keep", "fewer turns", "more turns", "another lever"] | None
    levers: list[_Lever]
    reasons: Texts
    confidence_now: Number
    confidence_best: Number
    measure_again: bool
    smoothness: list[_Smooth]


class _Further(TypedDict):
    reading: str
    gm_m_u_share: Finite


class _Condition(TypedDict, total=False):
    valve: str | None
    antenna: str | None


class _Coil(TypedDict, total=False):
    name: Required[str]
    l_h: Number
    l_u_h: Number
    c_stray_f: Number
    c_stray_u_f: Number
    l_c_stray_correlation: Number
    q_law: Annotated[_QLaw, AfterValidator(_equally_long)]
    dial_law: Annotated[_DialLaw, AfterValidator(_equally_long)]
    onset: list[_Onset]
    gm_m: _GmM
    mutual_h: Number
    mutual_u_h: Number
    k: Number
    k_u: Number
    residual_deg: Number
    warnings: Texts
    advice: _Advice
    further: list[_Further]
    notes: Texts
    condition: _Condition


class _Overlap(TypedDict):
    coils: Annotated[Texts, Field(min_length=2, max_length=2)]
    low_hz: Finite
    high_hz: Finite
    gap: bool


class _Fit(TypedDict, total=False):
    session: str
    made_at: Moment
    program_version: str
    dial: list[_DialPoint]
    coils: Required[list[_Coil]]
    overlaps: list[_Overlap]
    warnings: Texts
    notes: Texts


class _LogLine(TypedDict):
    time: Moment
    event: Annotated[str, Field(min_length=1)]


class _Field(TypedDict):
    name: str
    type: str


class _Schema(TypedDict):
    fields: list[_Field]


class _Resource(TypedDict):
    name: str
    path: str
    schema: _Schema


_Package = TypedDict(
    "_Package", {"$schema": str, "name": str, "created": Moment, "resources": list[_Resource]}
)


class _Shaft(TypedDict):
    bow: Annotated[Numbers, Field(min_length=2, max_length=2)]


class _ShaftFile(TypedDict, total=False):
    low: Finite
    high: Finite
    settings: list[list[Finite | bool]]
    shaft: Required[_Shaft]


class _CableChanged(TypedDict):
    time: Moment


class _Calibration(TypedDict):
    made_at: Moment
    analyzer: str
    low_hz: Annotated[Finite, Field(gt=0)]
    high_hz: Annotated[Finite, Field(gt=0)]
    open_c_f: Finite
    short_l_h: Finite
    load_ohm: Annotated[Finite, Field(gt=0)]


FileName = Literal["fit", "log line", "package", "shaft", "cable-changed", "calibration"]
_SHAPES: Mapping[FileName, TypeAdapter[Any]] = {
    "fit": TypeAdapter(_Fit),
    "log line": TypeAdapter(_LogLine),
    "package": TypeAdapter(_Package),
    "shaft": TypeAdapter(_ShaftFile),
    "cable-changed": TypeAdapter(_CableChanged),
    "calibration": TypeAdapter(_Calibration),
}
_WANTED = {
    "float_type": "a number is wanted",
    "finite_number": "a finite number is wanted",
    "string_type": "text is wanted",
    "bool_type": "true or false is wanted",
    "list_type": "a list is wanted",
    "model_type": "an object { } is wanted",
    "dict_type": "an object { } is wanted",
    "missing": "is missing",
}


class ShapeError(ValueError):
    """A JSON text is not what its file holds; the message says where and why."""


def parse(text: str | bytes, what: FileName) -> dict[str, Any]:
    """The JSON object in a text, once it has the shape of its file; keys that this program does not know stay.

    Raises
    ------
    ShapeError
        No JSON, or not of that shape.
    """
    try:
        found = json.loads(text)
    except (ValueError, RecursionError) as problem:
        raise ShapeError(f"no JSON: {str(problem)[:80]}") from problem
    try:
        _SHAPES[what].validate_python(found, strict=True)
    except ValidationError as problem:
        first = problem.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        why = _WANTED.get(first["type"], str(first["msg"]).removeprefix("Value error, "))
        raise ShapeError(f"{place[:80]}: {why}" if place else why) from problem
    return dict(found)


def read(path: Path, what: FileName) -> dict[str, Any]:
    """The JSON object in a file; see `parse`.

    Raises
    ------
    FileNotFoundError
        There is none.
    ShapeError
        It cannot be read, is no JSON, or not of that shape.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise
    except OSError as problem:
        raise ShapeError(problem.strerror or str(problem)) from problem
    return parse(raw, what)
