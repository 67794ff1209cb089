"""What a session's report says, chapter by chapter; from its plan, tables, fit.json and log only."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bench.charts import words
from bench.charts.page import coil_page, set_page
from bench.measuring import cautions
from bench.plan.schema import Plan, recipe
from bench.quantities import show
from bench.report.document import Block, Bullets, Document, Heading, Links, Paragraph, Picture, Table
from bench.session.tables import TABLES
from bench.sidecheck_table import as_table
from bench.sidechecks import TITLES, present_rows, runs, side_checks

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from bench.session.folder import Session

Row = Mapping[str, Any]
Entry = Mapping[str, Any]
# Rows of the turns table beyond the present, the advised and the possible numbers.
BEYOND = 2
# What every approach has in its row, whatever happened in it.
OF_PACE = re.compile(r"^[\d.]+ deg/s, corrected by [-+][\d.]+ deg(; |$)")
METHODS = {
    "reflection": "by the analyzer",
    "level": "by the detector's level",
    "typed": "typed in",
    "listen": "by ear and mark switch",
    "curve": "from Q below onset",
}


def document(session: Session, fit: Entry) -> Document:
    """The report of a session and its fit."""
    plan = session.plan
    tables = {name: session.rows(name) for name in TABLES}
    recipes = {coil.name: recipe(plan, coil.name) for coil in plan.coil}
    made = words.date(fit.get("made_at"))
    blocks: list[Block] = [
        *_cautions(),
        Heading("The set"),
        Picture(
            f"Overview of the set: ranges, onset, Q and turns of coils {', '.join(recipes)}.",
            *_drawn(set_page(plan, tables, fit, recipes, session.name)),
            wide=True,
        ),
        *_notes(fit),
    ]
    for entry in fit["coils"]:
        page = coil_page(plan, tables, fit, entry["name"], recipes[entry["name"]], session.name)
        blocks += [
            Heading(f"Coil {entry['name']}"),
            Picture(f"Calibration chart of coil {entry['name']}. {page.advice}", *_drawn(page)),
            *_coil(plan, entry, [row for row in tables["resonance"] if row["coil"] == entry["name"]]),
            *_side_checks(session, entry["name"]),
        ]
    blocks += [*_how(session, tables), *_readings(plan, tables)]
    name = plan.receiver.name or session.name
    return Document(
        f"{name}: coils measured",
        f"Session {session.name}, fitted {made} by regenbench {fit.get('program_version', '')}. {words.UNCERTAINTY}.",
        tuple(blocks),
    )


def _drawn(page: Any) -> tuple[bytes, bytes]:
    """A chart as SVG and as PNG."""
    from bench.charts.coil import draw_coil
    from bench.charts.overview import draw_set
    from bench.charts.page import CoilPage
    from bench.charts.style import png_bytes, svg_bytes

    figure: Figure = draw_coil(page, "a5") if isinstance(page, CoilPage) else draw_set(page, "a5")
    return svg_bytes(figure), png_bytes(figure)


def _cautions() -> Iterator[Block]:
    first, *rest = cautions.LINES
    yield Paragraph(first, strong=True)
    yield Bullets(tuple(line.removeprefix("- ") for line in rest))


def _notes(entry: Entry) -> Iterator[Block]:
    if entry.get("warnings"):
        yield Paragraph("In doubt or left out:")
        yield Bullets(tuple(str(text) for text in entry["warnings"]))
    if entry.get("notes"):
        yield Paragraph("What the numbers rest on:")
        yield Bullets(tuple(str(text) for text in entry["notes"]))


def _coil(plan: Plan, entry: Entry, resonance: Sequence[Row]) -> Iterator[Block]:
    advice = entry["advice"]
    yield Heading("What to change", 3)
    if advice["reasons"]:
        yield Bullets(tuple(str(reason) for reason in advice["reasons"]))
    else:
        yield Paragraph("There is not enough yet to give advice.")
    if advice["levers"]:
        yield Table(
            "Where turns alone will not do",
            ("what", "change", "effect"),
            tuple((str(one["what"]), str(one["change"]), str(one["effect"])) for one in advice["levers"]),
        )
    yield from _turns(plan, entry)
    yield from _onset(plan, entry)
    yield from _dial(plan, entry, resonance)
    yield from _values(plan, entry)
    yield from _notes(entry)


def _turns(plan: Plan, entry: Entry) -> Iterator[Block]:
    predicted, control, unit = entry["advice"]["predicted"], plan.receiver.control, plan.show.frequency
    if not predicted:
        return
    told = [entry["advice"]["tickler_turns_now"], entry["advice"]["tickler_turns_best"]]
    near = [count for count in told if count is not None]
    near += [row["turns"] for row in predicted if row["in_window"]]
    heads = [words.frequency(one["f_hz"], unit) for one in entry["onset"]]
    yield Table(
        f"Onset with other numbers of tickler turns, at frequencies in {unit}",
        ("turns", *heads, "in the window"),
        tuple(
            (
                words.turns(row["turns"]),
                *("never" if a is None else f"{a:.0f}° {control.clock(a)}" for a in row["angles_deg"]),
                "yes" if row["in_window"] else "no",
            )
            for row in predicted
            if not near or min(near) - BEYOND <= row["turns"] <= max(near) + BEYOND
        ),
    )


def _onset(plan: Plan, entry: Entry) -> Iterator[Block]:
    control = plan.receiver.control
    if not entry["onset"]:
        return

    def angle(value: float | None, u: float | None = None) -> str:
        if value is None:
            return "-"
        return f"{value:.1f}°" + (f" ± {u:.1f}" if u is not None else "")

    rows = []
    for at in entry["onset"]:
        measured, fitted, slope = at["measured_deg"], at["fitted_deg"], at["slope_per_deg"]
        left = None if measured is None or fitted is None else measured - fitted
        rows.append(
            (
                show(at["f_hz"], "frequency", plan.show.frequency),
                "never" if at.get("never") else angle(measured, at["measured_u_deg"]),
                "-" if measured is None else control.clock(measured),
                angle(at["dropout_deg"]),
                angle(at["backlash_deg"]),
                angle(fitted),
                "-" if left is None else f"{left:+.1f}°",
                "-" if slope is None else f"{100 * slope:.2f} %",
                _jump(at),
            )
        )
    heads = (
        "frequency",
        "onset",
        "clock",
        "drop-out",
        "backlash",
        "fitted",
        "measured less fitted",
        "loss cancelled by a degree",
        "level jumps by",
    )
    shown = len(heads) if any(row[-1] != "-" for row in rows) else len(heads) - 1
    yield Table("Regeneration control: onset and drop-out", heads[:shown], tuple(row[:shown] for row in rows))


def _jump(at: Entry) -> str:
    """How far the detector's level jumps at onset; fits of before do not have it."""
    jump, u = at.get("jump_v"), at.get("jump_u_v")
    return "-" if jump is None else f"{jump:.3f} V" + (f" ± {u:.3f}" if u is not None else "")


def _dial(plan: Plan, entry: Entry, resonance: Sequence[Row]) -> Iterator[Block]:
    """Each resonance beside the fitted law, which is a table over the dial."""
    import numpy as np

    law, unit = entry["dial_law"], plan.show.frequency
    dials, f_hz = law["dial"], law["f_hz"]
    rows = []
    for row in sorted(
        resonance, key=lambda one: (one["added_c_f"] or 0.0, one["dial"] if one["dial"] is not None else 0.0)
    ):
        f0, dial = row["f0_hz"], row["dial"]
        if f0 is None:
            continue
        off = "-"
        if dial is not None and not row["added_c_f"] and len(dials) > 1:
            order = np.argsort(dials)
            there = float(np.interp(dial, np.asarray(dials)[order], np.asarray(f_hz)[order]))
            off = f"{100 * (f0 / there - 1):+.2f} %"
        q, q_u = row["q"], row["q_u"]
        rows.append(
            (
                row["reading"],
                "-" if dial is None else f"{dial:g}",
                "-" if not row["added_c_f"] else show(row["added_c_f"], "capacitance", plan.show.capacitance),
                show(f0, "frequency", unit, row["f0_u_hz"]),
                off,
                "-" if q is None else f"{q:.0f}" + (f" ± {q_u:.1f}" if q_u is not None else ""),
                f"{row['valve'] or '-'}, antenna {row['antenna'] or '-'}",
            )
        )
    if rows:
        heads = ("reading", "dial", "added capacitor", "resonance", "off the dial's law", "Q", "state")
        yield Table("Resonance", heads, tuple(rows))


def _values(plan: Plan, entry: Entry) -> Iterator[Block]:
    rows = [
        ("Inductance of the grid winding", show(entry["l_h"], "inductance", None, entry["l_u_h"])),
        (
            "Stray capacitance",
            show(entry["c_stray_f"], "capacitance", plan.show.capacitance, entry["c_stray_u_f"]),
        ),
    ]
    gm_m = entry["gm_m"]
    if gm_m["value_sh"] is not None:
        rows.append(
            ("gm times mutual inductance", f"{words.with_u(gm_m['value_sh'], gm_m['u_sh'], 1e-9)} mS·µH")
        )
    if entry["mutual_h"] is not None:
        rows.append(("Mutual inductance", show(entry["mutual_h"], "inductance", None, entry["mutual_u_h"])))
        rows.append(("Coupling coefficient", words.with_u(entry["k"], entry["k_u"], 1.0)))
    if entry["residual_deg"] is not None:
        rows.append(("Measured less fitted onset, root mean square", f"{entry['residual_deg']:.2f}°"))
    yield Table("Fitted values", ("value", "fitted"), tuple(rows))


def _side_checks(session: Session, coil: str) -> Iterator[Block]:
    """What else was read of a coil: a sheet, tables, a sentence each; and what was not."""
    from bench.charts.side import draw_side
    from bench.charts.style import png_bytes, svg_bytes

    found = side_checks(session, (coil,))
    read = [check for check in found if check.rows]
    yield Heading("Side checks", 3)
    if read:
        of_runs = runs(session.plan, present_rows(session.plan, coil, session.rows("curve")))
        figure = draw_side(session, coil, read, of_runs)
        told = " ".join(check.sentence for check in read)
        yield Picture(f"Side checks of coil {coil}. {told}", svg_bytes(figure), png_bytes(figure))
    for check in read:
        heads, rows = as_table(check)
        yield Table(TITLES[check.name], heads, tuple(rows))
        yield Paragraph(check.sentence)
    unread = [TITLES[check.name].lower() for check in found if not check.rows]
    if unread:
        yield Paragraph(f"Not read: {'; '.join(unread)}.")


def _how(session: Session, tables: Mapping[str, Sequence[Row]]) -> Iterator[Block]:
    yield Heading("How it was measured")
    lines = []
    for name, rows in tables.items():
        if not rows:
            continue
        ways = Counter(str(row.get("method") or "") for row in rows)
        told = ", ".join(f"{count} {METHODS.get(way, way)}" for way, count in sorted(ways.items()) if way)
        lines.append(f"{name}: {len(rows)} rows{f' ({told})' if told else ''}")
    yield Bullets(tuple(lines) or ("Nothing has been measured yet.",))
    facts = [f"{role}: {one.model_dump().get('driver')}" for role, one in session.plan.instruments.items()]
    yield Paragraph(
        f"Instruments of the plan: {'; '.join(facts) if facts else 'none, everything is typed in'}."
    )
    files = [TABLES[name].file for name, rows in tables.items() if rows]
    yield Links("Files of the session:", ("plan.toml", *files, "fit.json", "log.jsonl", "datapackage.json"))
    levels = (
        ", those by generator and detector (CSV) in the folder levels"
        if (session.path / "levels").is_dir()
        else ""
    )
    yield Paragraph(
        f"Raw sweeps (Touchstone) stand in the folder sweeps{levels}, raw traces of angle and level in the folder traces; each "
        "row names its own."
    )


def _readings(plan: Plan, tables: Mapping[str, Sequence[Row]]) -> Iterator[Block]:
    """What was noted of single readings."""
    noted = []
    for name, rows in tables.items():
        for row in rows:
            if note := OF_PACE.sub("", str(row.get("note") or "")):
                noted.append((str(row["reading"]), name, str(row["coil"] or ""), note))
    if noted:
        yield Heading("Notes on readings")
        yield Table("As they were written", ("reading", "table", "coil", "note"), tuple(noted))
