"""The tuning dial: one capacitance curve for the set, an inductance and a stray capacitance for each coil.

Each resonance says `1/(4 pi^2 f^2) = L_c (C(dial) + C_c)` (Thomson's formula), C(dial) the same for every coil. All coils
are fitted together. Two things no set of resonances can tell, the common scale of C against 1/L and the common offset of C
against the strays: they come from readings with a known capacitor added, else from the plan's end capacitances; a coil
whose inductance is still loose leans on its winding's computed L.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bench.physics.dial_law import (
    DialError,
    DialFit,
    Ends,
    Outlier,
    Reading,
    band,
    capacitance,
    frequency,
    khz_per_division,
    share_of,
)
from bench.physics.dial_problem import (
    ADDED_SHARE_U,
    ENDS_SHARE_U,
    ENDS_U_F,
    FREQUENCY_SHARE_U,
    MOST_KNOTS,
    SETTING_U,
    STRAY_F,
    STRAY_U_F,
    WINDING_SHARE_U,
    Problem,
)
from bench.physics.uncertainty import Solution, slopes

Floats = NDArray[np.float64]

SETTING_TRUST = 2.0
OUTLIER = 4.0
MANY = 100
# So many readings in order outvote one that is not.
MOST_AGREE = 4

__all__ = [
    "ADDED_SHARE_U",
    "ENDS_SHARE_U",
    "ENDS_U_F",
    "FREQUENCY_SHARE_U",
    "MOST_KNOTS",
    "SETTING_U",
    "STRAY_F",
    "STRAY_U_F",
    "WINDING_SHARE_U",
    "DialError",
    "DialFit",
    "Ends",
    "Outlier",
    "Reading",
    "backward",
    "band",
    "calibrate",
    "capacitance",
    "fit_dial",
    "frequency",
    "khz_per_division",
]


def _setting(problem: Problem, fit: Solution, use: Floats) -> float:
    """The hand's own error from the scatter of the readings, leaning on `SETTING_U` where there are few."""
    n = len(use)
    kept = use > 0.5
    dof = float(np.sum(np.clip(1.0 - fit.leverage[:n], 0.0, 1.0)[kept]))
    # few readings tell their own scatter badly, and rather too small: Student's t has the wider tails (GUM G.3)
    chi2 = float(np.sum(fit.residuals[:n][kept] ** 2)) * (dof + 2.0) / (dof + 1.0)
    trusted = SETTING_TRUST * (SETTING_U / problem.setting_u) ** 2
    scale2 = (chi2 + trusted) / (dof + SETTING_TRUST)
    return float(np.clip(problem.setting_u * np.sqrt(scale2), 0.02 * SETTING_U, 30 * SETTING_U))


def _settle(problem: Problem, use: Floats, start: Floats) -> Solution:
    """Fit and the hand's error by turns until neither moves."""
    fit = problem.solve(start, use)
    for _ in range(8):
        before = problem.setting_u
        problem.setting_u = _setting(problem, fit, use)
        fit = problem.solve(fit.x, use)
        if abs(problem.setting_u / before - 1.0) < 0.02:
            break
    return fit


def fit_dial(
    readings: Sequence[Reading],
    ends: Ends,
    winding_l: Mapping[str, tuple[float, float]] | None = None,
    l_share: Mapping[str, tuple[float, float]] | None = None,
) -> DialFit:
    """All coils of a set together: inductances, strays and the dial's capacitance curve.

    Parameters
    ----------
    readings
        One for each coil, dial reading and added capacitor (repeats already averaged); frequencies in Hz.
    ends
        The plan's tuning capacitor.
    winding_l
        Inductance of the windings in H, computed or as the plan gives it, with standard uncertainty.
    l_share
        By coil, the inductance that the readings show over the winding's own, with standard uncertainty.

    Raises
    ------
    DialError
        If there is no reading, or a frequency or capacitance is not above 0.
    """
    if not readings:
        raise DialError("There is no resonance reading to fit a dial from.")
    for r in readings:
        if not (
            r.f0_hz > 0
            and np.isfinite(r.f0_hz)
            and r.f0_u_hz >= 0
            and r.added_c_f >= 0
            and np.isfinite(r.dial)
        ):
            raise DialError(f"Reading {r.name or '?'} of coil {r.coil} cannot be used: {r}")
    coils = tuple(dict.fromkeys(r.coil for r in readings))
    shares = {name: share for name, share in (l_share or {}).items() if name in coils}
    if winding_l:
        winding_l = {
            name: (value * shares.get(name, (1.0, 0.0))[0], u * shares.get(name, (1.0, 0.0))[0])
            for name, (value, u) in winding_l.items()
        }
    added = _tells_scale(readings)
    problem = Problem(readings, ends, coils, {}, added)
    use, fit, unsure = _leave_out(problem, _surely_wrong(readings, ends))
    fit = _settle(problem, use, fit.x)
    leaning = tuple(
        name
        for i, name in enumerate(coils)
        if winding_l and name in winding_l and fit.u[i] > winding_l[name][1] / winding_l[name][0]
    )
    if leaning and winding_l:
        held = {name: winding_l[name] for name in leaning}
        with_windings = Problem(readings, ends, coils, held, added)
        with_windings.setting_u = problem.setting_u
        problem, fit = with_windings, with_windings.solve(fit.x, use)
    off = problem.log_f - problem.log_model(fit.x)
    sigma = problem.sigma(fit.x)
    outliers = tuple(
        Outlier(readings[i], float(np.expm1(off[i])), float(off[i] / sigma[i]))
        for i in map(int, np.flatnonzero(use < 0.5))
    )
    return DialFit(
        ends=ends,
        coils=coils,
        knots=problem.curve.knots,
        x=fit.x,
        cov=fit.cov,
        unit_f=problem.unit,
        setting_u=problem.setting_u,
        departure=_departure(problem, fit),
        gauge="added capacitor" if added else "plan's end capacitances",
        outliers=outliers,
        leaning=leaning,
        notes=_notes(problem, fit, readings, added, leaning)
        + tuple(
            f"Reading {readings[a].name or '?'} was left out; reading {readings[b].name or '?'} "
            f"(coil {readings[b].coil}, dial {readings[b].dial:g}) could be the wrong one as well: take both again."
            for a, b in unsure
        ),
        l_share=shares,
        readings=tuple(readings),
    )


def calibrate(fit: DialFit, readings: Sequence[Reading]) -> DialFit:
    """A set's dial with readings of a further coil (or more of the same ones) added.

    After two coils are read well, three readings of the next (both ends and the middle) give its whole curve: the shape of
    C(dial) is known, and only its inductance and stray are new.
    """
    return fit_dial([*fit.readings, *readings], fit.ends, l_share=fit.l_share)


def backward(readings: Sequence[Reading], ends: Ends) -> list[tuple[Reading, Reading]]:
    """Readings that run against the dial (less capacitance, lower frequency), each with a neighbour that it contradicts.

    Of each coil and added capacitor the fewest are named whose going leaves the others in order (the complement of a
    longest run that rises). Repeats of one dial reading and frequencies that agree within their uncertainties are in order.
    """
    return [(readings[i], readings[against[0]]) for i, against, _ in _out_of_order(readings, ends)]


def _out_of_order(readings: Sequence[Reading], ends: Ends) -> list[tuple[int, list[int], int]]:
    """Each reading that runs against the dial, those it contradicts (nearest first), and how many of its group are in order."""
    falling = ends.c_f[1] > ends.c_f[0]
    groups: dict[tuple[str, float], list[int]] = {}
    for i, r in enumerate(readings):
        groups.setdefault((r.coil, r.added_c_f), []).append(i)
    share = share_of(ends, np.array([r.dial for r in readings]))
    found: list[tuple[int, list[int], int]] = []
    for group in groups.values():
        mine = sorted(group, key=lambda i: float(share[i]))
        if len(mine) < 3:
            continue

        def in_order(i: int, j: int) -> bool:
            a, b = readings[i], readings[j]
            up = (a.f0_hz - b.f0_hz) if falling else (b.f0_hz - a.f0_hz)
            near = a.dial == b.dial or abs(up) < 2.0 * np.hypot(a.f0_u_hz, b.f0_u_hz)
            return bool(up > 0 or near)

        longest, before = [1] * len(mine), [-1] * len(mine)
        for j in range(len(mine)):
            for i in range(j):
                if longest[i] >= longest[j] and in_order(mine[i], mine[j]):
                    longest[j], before[j] = longest[i] + 1, i
        kept, at = set(), int(np.argmax(longest))
        while at >= 0:
            kept.add(at)
            at = before[at]
        for i in sorted(set(range(len(mine))) - kept):
            against = [
                mine[j]
                for j in sorted(kept, key=lambda j: abs(j - i))
                if not (in_order(mine[i], mine[j]) if i < j else in_order(mine[j], mine[i]))
            ]
            if against:
                found.append((mine[i], against, len(kept)))
    return found


def _tells_scale(readings: Sequence[Reading]) -> bool:
    """Is there a coil read with and without a known capacitor (or with two), large enough to move it?"""
    by_coil: dict[str, set[float]] = {}
    for r in readings:
        by_coil.setdefault(r.coil, set()).add(r.added_c_f)
    return any(max(kinds) - min(kinds) >= 5e-12 for kinds in by_coil.values())


def _surely_wrong(readings: Sequence[Reading], ends: Ends) -> list[int]:
    """Readings that contradict several of their own coil's, which agree among themselves: no curve shall try to follow them."""
    wrong = [
        i for i, against, kept in _out_of_order(readings, ends) if len(against) >= 2 and kept >= MOST_AGREE
    ]
    return wrong if len(wrong) <= max(0, (len(readings) - 2) // 4) else []


def _leave_out(problem: Problem, wrong: Sequence[int]) -> tuple[Floats, Solution, list[tuple[int, int]]]:
    """Leave out, one by one, the reading whose going lowers the sum of squares most, while that is beyond chance.

    The measure is the externally studentised residual (Cook and Weisberg, Residuals and Influence in Regression, 1982,
    eq. 2.2.10), the scatter of the others never taken from the largest half alone. Returns use (n,), the fit, and pairs of
    readings between which the data could hardly choose. Those of `wrong` are left out from the beginning.
    """
    n = len(problem.share)
    use, unsure = np.ones(n), []
    use[list(wrong)] = 0.0
    fit = problem.solve(problem.start(use), use)
    for _ in range(max(0, (n - 2) // 4 - len(wrong))):
        room = np.clip(1.0 - fit.leverage[:n], 0.0, 1.0)
        tell = (use > 0.5) & (room > 0.02)
        if not tell.any():
            break
        square = np.where(use > 0.5, fit.residuals[:n] ** 2, 0.0)
        drop = np.where(tell, square / np.maximum(room, 0.02), 0.0)
        worst = int(np.argmax(drop))
        dof = float(np.sum(room[use > 0.5]))
        trust = dof - 1.0 + SETTING_TRUST
        rest = (float(square.sum()) - drop[worst] + SETTING_TRUST) / trust
        usual = (dof * float(np.median(drop[tell])) / 0.455 + SETTING_TRUST) / (dof + SETTING_TRUST)
        if drop[worst] < OUTLIER**2 * (1.0 + 6.0 / trust) * max(min(rest, usual), 0.25):
            break
        order = np.argsort(drop)[::-1]
        if n >= MANY:
            # a large table would take long one by one
            together = order[: n // 50]
            use[together[drop[together] > 0.25 * drop[worst]]] = 0.0
        elif n > 1 and drop[order[1]] > 0.8 * drop[worst]:
            unsure.append((worst, int(order[1])))
        use[worst] = 0.0
        # afresh: a gross error may have bent the curve beyond return
        fit = problem.solve(problem.start(use), use)
    return use, fit, unsure


def _departure(problem: Problem, fit: Solution) -> float:
    """How smooth the plates turned out, as a factor on `plates.DEPARTURE`: for the uncertainty between readings."""
    w = problem.curve.whitened(problem.c(fit.x), fit.x[problem.parts[3]])
    return float(np.sqrt((w @ w + 1.0) / (len(w) + 1.0)))


def _notes(
    problem: Problem, fit: Solution, readings: Sequence[Reading], added: bool, leaning: tuple[str, ...]
) -> tuple[str, ...]:
    notes = []
    c = problem.c(fit.x)[[0, -1]]
    if added:
        far = int(np.argmax(problem.plan_c))
        j = slopes(problem.c, fit.x, np.full(len(fit.x), 1e-6))[[0, -1]][far]
        u = np.hypot(np.sqrt(max(float(j @ fit.cov @ j), 0.0)), problem.plan_u[far])
        notes.append(
            "Inductances rest on the readings with a known capacitor (taken as a 1 % part); "
            "the plan's smaller end capacitance divides stray from tuning capacitance."
        )
        if abs(c[far] - problem.plan_c[far]) > 2.5 * u:
            notes.append(
                f"The tuning capacitor comes out at {c[far] * problem.unit * 1e12:.1f} pF at dial "
                f"{problem.ends.dial[far]:g}, where the plan says {problem.ends.c_f[far] * 1e12:.1f} pF."
            )
    else:
        notes.append(
            "Inductances rest on the plan's end capacitances (taken as good to 5 %); "
            "readings with a known capacitor added would make them surer."
        )
    notes.extend(f"Coil {name}: its inductance leans on its winding's computed value." for name in leaning)
    notes.extend(
        f"Coil {name}: its readings alone do not tell its inductance well (u {100 * fit.u[i]:.0f} %); "
        "read it at both ends of the dial."
        for i, name in enumerate(problem.coils)
        if fit.u[i] > 0.08
    )
    grid = np.linspace(0, 1, 101)
    p = fit.x[problem.parts[3]]
    run = np.diff(problem.curve.at(grid, problem.curve.weights(grid), problem.c(fit.x), p))
    if (run > 0).any() and (run < 0).any():
        notes.append("The dial's capacitance does not run one way throughout; check the dial readings.")
    beyond = np.flatnonzero(np.abs(problem.share - 0.5) > 0.5 + 1e-9)
    if len(beyond):
        first = readings[int(beyond[0])].dial
        notes.append(
            f"{len(beyond)} reading(s) lie beyond the plan's dial ends, the first at dial {first:g}."
        )
    return tuple(notes)
