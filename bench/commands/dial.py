"""`regenbench dial`: frequency against dial reading for every coil, and the bandspread of a band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.commands.options import Count, Quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.plan.schema import Plan

_FREQUENCY = Quantity("frequency")
MOST_ROWS = 2001


@click.command("dial")
@click.argument("session")
@click.option("--coil", "coils", multiple=True, metavar="NAME", help="This coil only; may be repeated.")
@click.option(
    "--step",
    type=Count("divisions", "10 or 2.5"),
    metavar="N",
    help="Divisions from row to row (default: a tenth of the dial).",
)
@click.option(
    "--band", nargs=2, type=_FREQUENCY, metavar="F1 F2", help="A band to spread, for example 3.5MHz 3.8MHz."
)
@click.option(
    "--share",
    type=click.FloatRange(1, 100),
    metavar="PERCENT",
    help="Share of the dial that the band shall take, in its middle (default: 80).",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document in SI units.")
def command(
    session: str,
    coils: tuple[str, ...],
    step: float | None,
    band: tuple[float, float] | None,
    share: float | None,
    as_json: bool,
) -> None:
    """Frequency, kHz per division and band edges of SESSION's coils on the dial.

    All coils read so far are fitted together, so two coils read well let three readings calibrate the next. With --band
    also the series padder and the parallel capacitor that spread it over the dial, in values that are sold.
    """
    import json

    from bench.commands.rows import coil_of
    from bench.errors import ReadingError
    from bench.fit import selection
    from bench.fit.dial_report import Wish, document
    from bench.fit.fitting import fit_parts
    from bench.session.folder import Session
    from bench.wrapping import wrapped

    if share is not None and share != share:  # the range lets a NaN through
        raise click.BadParameter("write a percentage from 1 to 100, for example 80.", param_hint="'--share'")
    if share is not None and not band:
        raise click.UsageError("--share needs a band: --band 3.5MHz 3.8MHz --share 60.")
    if band and band[0] == band[1]:
        raise click.UsageError("--band needs two different frequencies, for example --band 3.5MHz 3.8MHz.")
    opened = Session.open(session)
    wanted = [coil_of(opened, name).name for name in dict.fromkeys(coils)]
    rows = _rows(opened.plan, step)
    frames = {"resonance": opened.frame("resonance")}
    found = fit_parts(opened.plan, frames, onset=False)
    found.warnings[:0] = [*opened.remarks, *selection.lacking(opened, frames)]
    fit = found.dial
    read = [] if fit is None else [one.coil.name for one in found.coils if one.coil.name in fit.coils]
    named = [name for name in wanted if name in read] if wanted else read
    if fit is None or not named:
        for text in dict.fromkeys((*found.warnings, *(t for one in found.coils for t in one.warnings))):
            click.echo(f"Note: {text}", err=True)
        which = f"of coil {', '.join(wanted)} " if wanted else ""
        raise ReadingError(
            f"Session {opened.name} has no resonance reading {which}that tells the dial yet. Take some with "
            f"`regenbench measure {session} --reading resonance`, or type them in with `regenbench enter {session} resonance`."
        )
    wish = Wish(min(band), max(band), (80.0 if share is None else share) / 100) if band else None
    facts = {"session": opened.name, **document(found, fit, named, rows, wish)}
    if as_json:
        click.echo(json.dumps(facts, indent=2, allow_nan=False))
    else:
        for line in _report(opened.plan, facts):
            click.echo(wrapped(line, "", "  ") if line.startswith("* ") else line)
    for text in dict.fromkeys(facts["warnings"]):
        click.echo(f"Note: {text}", err=True)
    if wish and not any(one["designs"] for one in facts["bandspread"]):
        raise ReadingError(_why_not(facts))


def _rows(plan: Plan, step: float | None) -> list[float]:
    low, high = sorted(plan.receiver.tuning.dial)
    step = (high - low) / 10 if step is None else step
    count = int((high - low) / step * (1 + 1e-9)) + 1
    if count > MOST_ROWS:
        raise click.BadParameter(f"{count} rows are too many; take a longer step.", param_hint="'--step'")
    rows = [float(f"{low + i * step:.9g}") for i in range(count)]
    return rows if high - rows[-1] < 1e-9 * (high - low) else [*rows, float(high)]


def _why_not(facts: dict[str, Any]) -> str:
    first = facts["bandspread"][0]
    why = "; ".join(f"coil {one['coil']}: {one['problem'].rstrip('.')}" for one in facts["bandspread"])
    return f"No coil can spread {first['low_hz'] / 1e3:.0f} to {first['high_hz'] / 1e3:.0f} kHz so: {why}."


def _report(plan: Plan, facts: dict[str, Any]) -> Iterator[str]:
    from bench.quantities import show

    unit, like = plan.show.frequency, plan.show.capacitance
    for coil in facts["coils"]:
        yield from _coil(plan, facts, coil)
        yield ""
    for one in facts["overlaps"]:
        a, b = one["coils"]
        low, high = show(one["low_hz"], "frequency", unit), show(one["high_hz"], "frequency", unit)
        yield (
            f"Neither {a} nor {b} tunes {low} to {high}: a gap."
            if one["gap"]
            else f"{a} and {b} both tune {low} to {high}."
        )
    if facts["overlaps"]:
        yield ""
    for one in facts["bandspread"]:
        yield from _spread(one, unit, like)
        yield ""
    for name in facts["unread"]:
        yield (
            f"Coil {name} was not read yet: the others know the dial, so that three readings, at both ends and the middle, "
            "give its whole table."
        )
    yield f"Scale and offset of capacitance settled by: {facts['settled_by']}."
    yield from (f"* {note}" for note in facts["notes"])


def _coil(plan: Plan, facts: dict[str, Any], coil: dict[str, Any]) -> Iterator[str]:
    from bench.quantities import show

    unit, like = plan.show.frequency, plan.show.capacitance
    low, high = (show(edge["f_hz"], "frequency", unit, edge["f_u_hz"]) for edge in coil["edges"])
    yield f"Coil {coil['name']}: {low} to {high}"
    leans = ", leaning on its winding" if coil["leans_on_winding"] else ""
    yield (
        f"  L {show(coil['l_h'], 'inductance', None, coil['l_u_h'])}{leans}, "
        f"stray {show(coil['c_stray_f'], 'capacitance', like, coil['c_stray_u_f'])}"
    )
    count = len(coil["read_at"])
    places = ", ".join(f"{dial:g}" for dial in coil["read_at"][:12]) + (", …" if count > 12 else "")
    if coil["predicted"]:
        worst = 100 * max(row["f_u_hz"] / row["f_hz"] for row in coil["table"])
        yield f"  Read at {places} only: the rest is predicted from these and the other coils, to {worst:.2g} % at worst."
    else:
        yield f"  Read at {places}"
    for out in coil["outliers"]:
        side = "above" if out["off_share"] > 0 else "below"
        yield (
            f"  Left out: {out['reading'] or 'a reading'} at dial {out['dial']:g}, {show(out['f0_hz'], 'frequency', unit)}, "
            f"{100 * abs(out['off_share']):.1f} % {side} what the set says"
        )
    per = unit.replace("MHz", "kHz").replace("Mc", "kc")
    rows = [("dial", "frequency", f"{per} per division", "tuning C")]
    for row, c in zip(coil["table"], facts["dial"], strict=True):
        rows.append(
            (
                f"{row['dial']:g}",
                show(row["f_hz"], "frequency", unit, row["f_u_hz"]),
                show(1e3 * row["khz_per_division"], "frequency", per, 1e3 * row["khz_per_division_u"]).rsplit(
                    " ", 1
                )[0],
                show(c["c_f"], "capacitance", like, c["c_u_f"]),
            )
        )
    yield from _table(rows)


def _table(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """Right-aligned columns, two spaces between."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        yield ("  " + "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))).rstrip()


def _spread(one: dict[str, Any], unit: str, like: str) -> Iterator[str]:
    from bench.quantities import show

    band = f"{show(one['low_hz'], 'frequency', unit)} to {show(one['high_hz'], 'frequency', unit)}"
    if not one["designs"]:
        yield f"Coil {one['coil']} cannot spread {band} over {100 * one['share']:.0f} % of the dial: {one['problem']}"
        return
    yield f"Coil {one['coil']}, {band} over {100 * one['share']:.0f} % of the dial:"
    rows = [("values", "series padder", "parallel", "dial's ends", "", "band at dial", "share")]
    for made in one["designs"]:
        low, high = (show(edge["f_hz"], "frequency", unit, edge["f_u_hz"]) for edge in made["edges"])
        place = made["band_dial"]
        rows.append(
            (
                made["values"],
                "none" if made["series_f"] is None else show(made["series_f"], "capacitance", like),
                "none" if made["parallel_f"] < 1e-15 else show(made["parallel_f"], "capacitance", like),
                low,
                high,
                "off the dial" if place is None else f"{place[0]:.1f} to {place[1]:.1f}",
                "" if made["share"] is None else f"{100 * made['share']:.0f} %",
            )
        )
    yield from _table(rows)
    cost = one["cost"]
    yield (
        f"  What it costs at {show(cost['f_hz'], 'frequency', unit)}: {show(cost['c_f'], 'capacitance', like)} in the tank and "
        f"√(L/C) {cost['impedance_ohm']:.0f} ohm,"
    )
    yield f"  {100 * cost['of_most']:.0f} % of what a larger coil would have with the tuning capacitor at its least;"
    if cost["q"] is None:
        yield "  its Q was not read, so its impedance at resonance is not known."
    else:
        far = "" if cost["q_read_there"] else " (guessed from where it was read)"
        yield (
            f"  Q {cost['q']:.0f}{far} makes {cost['tank_ohm'] / 1e3:.0f} kohm at resonance, with mica or air capacitors; lossy "
            "ones take from Q."
        )
