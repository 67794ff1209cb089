"""Q below onset as a kind of reading: what is lacking of it, how a run is taken, and how its rows are made."""

from __future__ import annotations

from collections.abc import Iterable

from bench.conventions import SAME_FREQUENCY, TYPED_U_DEG
from bench.measuring.agreement import tell_disagreements
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.operator import Skipped
from bench.measuring.tuning import tune
from bench.measuring.wanted import out_of_reach
from bench.quantities import show
from bench.readings.curve_look import ReadAngle
from bench.readings.curve_points import CurveReading
from bench.readings.curve_run import measure_curve
from bench.readings.turning import resting_angle
from drivers.roles import Analyzer

NOWHERE = "this run points to no onset"
# The resonance wanders this far from where it was tuned while the control goes up.
CALIBRATED_BAND = 0.12


def _lacking(sought: Sought) -> Iterable[Wanted]:
    plan, coil = sought.plan, sought.coil
    if not sought.wants("curve"):
        return
    for f_hz in coil.onset_at:
        if out_of_reach(plan, sought.resonances(), f_hz) is not None or _done(sought, f_hz):
            continue
        what = f"Q below onset at {show(f_hz, 'frequency', plan.show.frequency)}"
        yield Wanted("curve", coil.name, what, f_hz=f_hz)


def _done(sought: Sought, f_hz: float) -> bool:
    """Whether a run at this frequency stands in the tables: its onset, or a note that it points nowhere.

    Withdrawing the onset has the run taken again, whatever rows of it are left.
    """
    onsets = [r for r in sought.of("onset") if r["method"] == "curve"]
    nowhere = [
        r for r in sought.of("curve") if (r["angle_deg"] or 0.0) < 2.0 and NOWHERE in (r["note"] or "")
    ]
    return any(r["f_hz"] and abs(r["f_hz"] / f_hz - 1) < SAME_FREQUENCY for r in [*onsets, *nowhere])


def _take(bench: Bench, item: Wanted) -> int:
    if not bench.instruments.has("analyzer"):
        raise Skipped(
            "a curve reading needs an analyzer: name one under [instruments.analyzer] in plan.toml, or read the onset by level "
            "or by listening (--reading onset)"
        )
    dial, f_hz = tune(bench, item)
    bench.prepare(item, loop=True)
    analyzer = bench.calibrated.over(
        bench.instruments.analyzer(), (1 - CALIBRATED_BAND) * f_hz, (1 + CALIBRATED_BAND) * f_hz
    )
    reading = measure_curve(
        analyzer,
        bench.operator,
        _angle_reader(bench),
        f0_hz=f_hz,
        travel_deg=bench.plan.receiver.control.travel_deg,
        q_goal=bench.plan.readings.q_uncertainty,
        on_detail=lambda text: bench.reporter.detail(f"{item.words()}: {text}"),
    )
    bench.operator.rest_control(0.0)
    bench.prepare(item, loop=False)
    rows = _record(bench, item, dial, f_hz, reading, analyzer)
    bench.reporter.result(_words(bench, item, reading))
    tell_disagreements(bench, item, f_hz)
    return rows


def _angle_reader(bench: Bench) -> ReadAngle:
    """The control's angle by the sensor, or, where none is fitted, by the operator's eye."""
    if bench.instruments.has("angle"):
        stops = bench.stops()
        return lambda: resting_angle(bench.instruments.sensor(), stops)
    control = bench.plan.receiver.control

    def typed() -> tuple[float, float]:
        question = "Clock position of the control as it stands (for instance 11:20):"
        return bench.operator.number(question, control.angle), TYPED_U_DEG

    return typed


def _record(
    bench: Bench, item: Wanted, dial: float, f_hz: float, reading: CurveReading, analyzer: Analyzer
) -> int:
    """The onset first: with it on disk the run counts as taken, should the rest be cut short."""
    recorded = 0
    told = reading.never or reading.onset is not None
    if told:
        found = reading.onset
        note = "; ".join(reading.warnings)
        if found is not None:
            lift = f"1/Q of {found.used} angles carried on to zero, last Q {found.lift:.1f} times the first"
            note = "; ".join([lift, *reading.warnings])
        bench.record(
            item,
            {
                "f_hz": f_hz,
                "direction": "onset",
                "angle_deg": found.angle_deg if found is not None else None,
                "angle_u_deg": reading.onset_u_deg,
                "method": "curve",
                "note": note,
                "slope_per_deg": found.slope_per_deg if found is not None else None,
                "slope_u_per_deg": found.slope_u_per_deg if found is not None else None,
            },
            dial=dial,
            table="onset",
        )
        recorded += 1
    for point in reading.points:
        bench.record(
            item,
            {
                "angle_deg": point.angle_deg,
                "f_hz": point.f0_hz,
                "q": point.q,
                "q_u": point.q_u,
                "note": "; ".join([*([] if told else [NOWHERE]), *point.resonance.warnings]),
            },
            dial=dial,
            sweeps=point.sweeps,
            analyzer=analyzer,
            notes=[f"coil {item.coil}, dial {dial:g}, control at {point.angle_deg:.1f} degrees"],
        )
        recorded += 1
    return recorded


def _words(bench: Bench, item: Wanted, reading: CurveReading) -> str:
    assert item.f_hz is not None
    head = f"coil {item.coil}  {bench.show(item.f_hz)}"
    said = f"  ({'; '.join(reading.warnings)})" if reading.warnings else ""
    if reading.onset is None:
        return f"{head}  no onset from the curve{said}"
    angle = reading.onset.angle_deg
    qs = f"Q {reading.points[0].q:.0f} to {reading.points[-1].q:.0f} at {len(reading.points)} angles"
    return (
        f"{head}  starts {angle:.1f} ± {reading.onset_u_deg:.1f}° ({bench.plan.receiver.control.clock(angle)}) by curve, "
        f"{qs}{said}"
    )


KIND = Kind(_lacking, _take)
