"""The slow, careful look at one sweep, for those that a single pole on a straight background does not explain.

Wide sweeps, sweeps merged from several, long cables, two resonances: the resonance is fitted in windows of several
widths with backgrounds of several orders. The window whose fit is best determined wins, where structure left in the
residual counts against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from bench.physics.resonance_fit import (
    MOST_ORDER,
    Axis,
    Complexes,
    Floats,
    PoleFit,
    fit_poles,
    polynomial_rss,
    shape,
)
from bench.physics.resonance_search import Templates, peaks, prominence, templates

REACHES = (6.0, 4.0, 2.7, 9.0, 14.0, 22.0, 40.0, np.inf)
FEWEST_POINTS = 8
SIGNIFICANT = 40.0  # chi-squared of a resonance that no noise makes, for a few hundred places searched
NEARLY = 1.15
RIVAL_REACH = 16.0  # half-bandwidths: a background that bends farther out says nothing about the resonance
WIDEST_U = 0.2  # of ln Q: above this the width is not known
LEAST_Q = 1.0
SMALLEST_OTHER = 0.01  # a further resonance's circle over the main one's
CLEAR = 500.0  # chi-squared of a resonance that needs no comparison with the rest of the sweep
RIPPLE = 20.0  # over the median elsewhere; white noise gives 28 where a resonance is significant


@dataclass(frozen=True)
class Place:
    """A resonance's frequency and half-bandwidth, Hz."""

    f0_hz: float
    h_hz: float


@dataclass(frozen=True, eq=False)
class Window:
    """Fits of one or more poles in one stretch of the sweep, one for each background order.

    `weights` of the fits by Schwarz's criterion. `rivals`: where structure is left in the residual, the fits with one
    order less and one more, since the choice of order then matters more than noise; and where a stretch hardly wider
    leaves structure, its fit. `delay_s` was taken out before.
    """

    low: int
    high: int
    fits: tuple[PoleFit, ...]
    weights: Floats
    rivals: tuple[PoleFit, ...]
    delay_s: float

    @cached_property
    def error(self) -> float:
        """Effective uncertainty of the first pole's ln h."""
        return self.error_of(0)

    @property
    def best(self) -> PoleFit:
        return self.fits[int(self.weights.argmax())]

    @property
    def points(self) -> int:
        return self.high - self.low

    def place(self, pole: int = 0) -> Place:
        fit = self.best
        return Place(
            float(fit.axis.centre_hz + fit.axis.scale_hz * fit.x0[pole]),
            float(fit.axis.scale_hz * fit.h[pole]),
        )

    def reach(self) -> float:
        """Half-bandwidths from the first pole to the farther end."""
        fit = self.best
        return float((1.0 + abs(fit.x0[0])) / fit.h[0])

    def error_of(self, pole: int) -> float:
        h = self.place(pole).h_hz
        spread = [np.log(rival.h[pole] * rival.axis.scale_hz / h) ** 2 for rival in self.rivals]
        noise = self.best.u_log_h(pole) ** 2 * self.best.inflation
        return float(np.sqrt(noise + (sum(spread) / len(spread) if spread else 0.0)))


@dataclass(frozen=True, eq=False)
class Study:
    """What the careful look found.

    `main`: the window of the resonance, or None; `pole`: which of its poles; `others`: further resonances as (window,
    pole); `outside`: a resonance that seems to lie beyond an edge of the sweep; `blurred`: there is a resonance but its
    width cannot be told.
    """

    main: Window | None
    pole: int
    others: tuple[tuple[Window, int], ...]
    outside: Place | None
    blurred: Window | None


def study(f_hz: Floats, s: Complexes) -> Study:
    """Look for resonances in one sweep (n,), rising frequencies."""
    results: list[Study] = []
    axis = Axis.of(f_hz)
    shapes = templates(axis)
    for delay in _delays(f_hz, s):
        results.append(_study(f_hz, s, delay, axis, shapes))
        if _settled(results[-1], len(f_hz)):
            break
    found = [r.main for r in results if r.main is not None]
    if not found:
        best = max(results, key=lambda r: (r.blurred is not None, r.outside is not None))
        if best.blurred is None:
            return best
        # Two that overlap spoil each other's width until they are fitted together.
        main = best.blurred
        pair = _with_others(f_hz, unturned(f_hz, s, main.delay_s), main, axis, shapes)
        assert pair.main is not None
        return pair if judge(f_hz, pair.main, pair.pole) == "good" else best
    main = found[0]
    for other in found[1:]:
        if other.error < 0.8 * main.error:
            main = other
    return _with_others(f_hz, unturned(f_hz, s, main.delay_s), main, axis, shapes)


def _settled(seen: Study, points: int) -> bool:
    """Whether one fit explains the whole sweep down to its noise."""
    main = seen.main
    return main is not None and main.points == points and main.best.inflation == 1.0


def unturned(f_hz: Floats, s: Complexes, delay_s: float) -> Complexes:
    """The sweep with a delay taken out, still at the middle of the sweep."""
    turned: Complexes = s * np.exp(2j * np.pi * delay_s * (f_hz - f_hz.mean()))
    return turned


def _delays(f_hz: Floats, s: Complexes) -> list[float]:
    """No delay, and the one that the sweep's own rotation suggests where that is half a radian or more."""
    turn = np.angle(s[1:] * s[:-1].conj())
    steps = np.diff(f_hz)
    per_hz = np.sort(turn / steps)
    slope = float(np.median(per_hz))
    delay = -slope / (2 * np.pi)
    turned = abs(slope) * (f_hz[-1] - f_hz[0])
    return [0.0, delay] if turned > 0.5 else [0.0]


def _study(f_hz: Floats, s: Complexes, delay_s: float, axis: Axis, found: Templates) -> Study:
    turned = unturned(f_hz, s, delay_s)
    if not len(found.x0):
        return Study(None, 0, (), None, None)
    power = np.abs(found.response(turned[None])[:, 0]) ** 2
    first: list[tuple[Window, float]] = []
    for i in {*peaks(found, power, 4), *peaks(found, prominence(found, power), 4)}:
        start = Place(axis.centre_hz + axis.scale_hz * found.x0[i], axis.scale_hz * found.h[i])
        window = _window(*_thinned(f_hz, turned, start), [start], 6.0, delay_s)
        if window is not None:
            first.append((window, _strength(window, 0)))
    first.sort(key=lambda pair: -pair[1])
    best: Window | None = None
    outside: Place | None = None
    blurred: Window | None = None
    for window in _distinct([window for window, _ in first])[:3]:
        tried = ladder(f_hz, turned, [window.place()], delay_s)
        if tried is None:
            continue
        verdict = judge(f_hz, tried, 0)
        if verdict != "none" and not _stands_out(axis, found, power, tried):
            continue
        if verdict == "good":
            if best is None or tried.error < best.error:
                best = tried
        elif verdict == "outside" and outside is None:
            outside = tried.place()
        elif verdict == "blurred" and blurred is None:
            blurred = tried
    return Study(best, 0, (), outside, blurred)


def _distinct(windows: Sequence[Window]) -> list[Window]:
    """The windows less those that found the same resonance as one before."""
    kept: list[Window] = []
    for window in windows:
        if not any(_same(window.place(), one.place()) for one in kept):
            kept.append(window)
    return kept


def _same(one: Place, other: Place) -> bool:
    return abs(one.f0_hz - other.f0_hz) < 0.5 * (one.h_hz + other.h_hz)


def _thinned(f_hz: Floats, s: Complexes, start: Place) -> tuple[Floats, Complexes]:
    """Means of neighbouring points where a first look has more of them than it needs."""
    low, high = np.searchsorted(f_hz, [start.f0_hz - 6 * start.h_hz, start.f0_hz + 6 * start.h_hz])
    by = int(high - low) // 80
    if by < 2:
        return f_hz, s
    n = (high - low) // by * by
    return f_hz[low : low + n].reshape(-1, by).mean(1), s[low : low + n].reshape(-1, by).mean(1)


def _window(
    f_hz: Floats, s: Complexes, start: Sequence[Place], reach: float, delay_s: float, taken: int | None = None
) -> Window | None:
    """Fits in one stretch around all of `start`; None where it has too few points or repeats the stretch `taken`."""
    low_hz = min(p.f0_hz - reach * p.h_hz for p in start)
    high_hz = max(p.f0_hz + reach * p.h_hz for p in start)
    low = int(np.searchsorted(f_hz, low_hz, side="left"))
    high = int(np.searchsorted(f_hz, high_hz, side="right"))
    need = FEWEST_POINTS + 4 * (len(start) - 1)
    while high - low < need and high - low < len(f_hz):
        low, high = max(0, low - 1), min(len(f_hz), high + 1)
    if high - low < need or (taken is not None and high - low == taken):
        return None
    axis = Axis.of(f_hz[low:high])
    x0 = np.array([(p.f0_hz - axis.centre_hz) / axis.scale_hz for p in start])
    log_h = np.log(np.array([p.h_hz for p in start]) / axis.scale_hz)
    fits: list[PoleFit] = []
    for order in range(MOST_ORDER + 1):
        if 2 * (high - low) - 2 * (order + 1) - 4 * len(start) < 6:
            break
        fit = fit_poles(axis, s[low:high], x0, log_h, order)
        fits.append(fit)
        if np.all(np.abs(fit.x0) < 1.2) and np.all(fit.h < 1.5):
            x0, log_h = fit.x0, fit.log_h
        if order >= 2 and fit.score > fits[-2].score > fits[-3].score:
            break
    scores = np.array([fit.score for fit in fits])
    weights = np.exp(-0.5 * np.clip(scores - scores.min(), 0.0, 700.0))
    weights[weights < 1e-3] = 0.0
    weights /= weights.sum()
    best = int(weights.argmax())
    uneven = fits[best].inflation > 1.0
    rivals = [fits[i] for i in (best - 1, best + 1) if uneven and 0 <= i < len(fits)]
    kept = [fit for fit, weight in zip(fits, weights, strict=True) if weight > 0]
    return Window(low, high, tuple(kept), weights[weights > 0], tuple(rivals), delay_s)


def ladder(f_hz: Floats, s: Complexes, start: Sequence[Place], delay_s: float) -> Window | None:
    """The best determined fit over windows of several widths; `s` has `delay_s` taken out already."""
    tried: list[Window] = []
    places = list(start)
    least = np.inf
    for reach in REACHES:
        window = _window(f_hz, s, places, reach, delay_s, tried[-1].points if tried else None)
        if window is None:
            continue
        tried.append(window)
        if window.error < least:
            least = window.error
            if _sane(window):
                places = [window.place(i) for i in range(len(places))]
        elif reach > REACHES[0] and window.error > 3 * least:
            break
    # The least error of several is partly luck: the widest window that comes near it is the better choice.
    near = [window for window in tried if window.error <= NEARLY * least]
    if not near:
        return None
    best = max(near, key=lambda window: window.points)
    reach = best.reach()
    refuted = [
        w for w in tried if w.points > best.points and w.best.inflation > 1.0 and w.reach() < RIVAL_REACH
    ]
    if reach > RIVAL_REACH or not refuted:
        return best
    return replace(best, rivals=(*best.rivals, min(refuted, key=lambda w: w.points).best))


def _sane(window: Window) -> bool:
    fit = window.best
    return bool(np.all(np.abs(fit.x0) < 1.2) and np.all(fit.h < 1.5))


def _strength(window: Window, pole: int) -> float:
    """Chi-squared that the pole explains, structure in the residual counted as noise."""
    fit = window.best
    r = shape(fit.axis.x, fit.x0[pole], fit.h[pole])
    others = [shape(fit.axis.x, fit.x0[i], fit.h[i]) for i in range(len(fit.x0)) if i != pole]
    basis = fit.axis.basis[:, : fit.order + 1].astype(complex)
    q = np.linalg.qr(np.stack([*basis.T, *others], axis=1))[0]
    rest = r - q @ (q.conj().T @ r)
    power = float((np.abs(fit.b[pole] * rest) ** 2).sum())
    # Of few points the noise is hardly known: chi-squared of two degrees with the same chance as the ratio of powers.
    return max(fit.dof, 1) * float(np.log1p(power / (fit.rss * fit.inflation)))


def judge(f_hz: Floats, window: Window, pole: int) -> str:
    """`good`, `outside` the sweep, `blurred` (there, but its width cannot be told), or `none`."""
    fit = window.best
    place = window.place(pole)
    if _strength(window, pole) < SIGNIFICANT or not _beats_polynomial(window):
        return "none"
    if not f_hz[0] <= place.f0_hz <= f_hz[-1]:
        beyond = max(f_hz[0] - place.f0_hz, place.f0_hz - f_hz[-1])
        near = beyond < 2.0 * place.h_hz < 0.5 * (f_hz[-1] - f_hz[0])
        return "outside" if near and place.f0_hz > 2 * LEAST_Q * place.h_hz else "none"
    if place.f0_hz / (2 * place.h_hz) < LEAST_Q or abs(fit.x0[pole]) > 1.0 or fit.h[pole] > 1.4:
        return "none"
    return "good" if window.error_of(pole) < WIDEST_U else "blurred"


def _stands_out(axis: Axis, found: Templates, power: Floats, window: Window) -> bool:
    """Whether the resonance is far above what shapes of its width pick up elsewhere in the sweep.

    A sweep full of ripple has a fair "resonance" in every wave of it.
    """
    if _strength(window, 0) > CLEAR:
        return True
    place = window.place()
    x0, h = (place.f0_hz - axis.centre_hz) / axis.scale_hz, place.h_hz / axis.scale_hz
    alike = (found.h > 0.5 * h) & (found.h < 2.0 * h)
    near = alike & (np.abs(found.x0 - x0) < 1.5 * h)
    far = alike & (np.abs(found.x0 - x0) > 8.0 * h)
    if far.sum() < 8 or not near.any():
        return True
    return bool(power[near].max() > RIPPLE * np.median(power[far]))


def _beats_polynomial(window: Window) -> bool:
    """Whether no polynomial with as many unknowns explains the stretch as well."""
    fit = window.best
    wide = Axis.of(
        fit.axis.centre_hz + fit.axis.scale_hz * fit.axis.x,
        min(fit.order + 2 * len(fit.x0) + 2, len(fit.axis.x) - 4),
    )
    model = fit.residual + fit.background_and_poles()
    rss = polynomial_rss(wide, model[None])[0]
    n = 2 * len(fit.axis.x)
    scores = n * np.log(rss) + 2 * np.arange(1, len(rss) + 1) * np.log(n)
    return bool(scores.min() > fit.score)


def _with_others(f_hz: Floats, s: Complexes, main: Window, axis: Axis, shapes: Templates) -> Study:
    """Look again at what the main resonance leaves; `s` has the main window's delay taken out already."""
    delay_s = main.delay_s
    others: list[tuple[Window, int]] = []
    pole = 0
    for _ in range(2):
        rest = s.copy()
        joint = main.best
        for i in range(len(joint.x0)):
            place = main.place(i)
            rest -= joint.b[i] * shape(f_hz, place.f0_hz, place.h_hz)
        known = [main.place(i) for i in range(len(joint.x0))] + [w.place(i) for w, i in others]
        found = _next(f_hz, s, rest, main, known, axis, shapes)
        if found is None:
            break
        window, inside = found
        if inside:
            main = window
            joined = [main.place(i) for i in range(len(main.best.x0))]
            others = [pair for pair in others if not any(_same(pair[0].place(pair[1]), j) for j in joined)]
            pole = int(np.argmin([main.error_of(i) for i in range(len(main.best.x0))]))
        else:
            others.append((window, 0))
            # The skirts of a resonance beyond the window bend the background there.
            s = s - window.best.b[0] * shape(f_hz, window.place().f0_hz, window.place().h_hz)
            again = ladder(f_hz, s, [main.place(i) for i in range(len(main.best.x0))], delay_s)
            if again is not None and all(judge(f_hz, again, i) == "good" for i in range(len(again.best.x0))):
                main = again
    others += [(main, i) for i in range(len(main.best.x0)) if i != pole]
    for i, (window, at) in enumerate(others):
        if window is not main and window.error_of(at) < 0.3 * main.error_of(pole):
            others[i], main, pole = (main, pole), window, at
    return Study(main, pole, tuple(others), None, None)


def _next(
    f_hz: Floats,
    s: Complexes,
    rest: Complexes,
    main: Window,
    known: Sequence[Place],
    axis: Axis,
    found: Templates,
) -> tuple[Window, bool] | None:
    """The strongest further resonance: its window, and whether that is the main one's with one more pole."""
    delay_s = main.delay_s
    power = np.abs(found.response(rest[None])[:, 0]) ** 2
    noise = main.best.variance * main.best.inflation
    response = power.copy()
    smallest = SMALLEST_OTHER * np.abs(main.best.b).max()
    power[(np.sqrt(power) < smallest * found.size) | (power < SIGNIFICANT * noise)] = 0.0
    for i in {*peaks(found, power, 3), *peaks(found, prominence(found, power), 3)}:
        if power[i] <= 0.0:
            continue
        start = Place(axis.centre_hz + axis.scale_hz * found.x0[i], axis.scale_hz * found.h[i])
        if any(
            abs(start.f0_hz - k.f0_hz) < 0.3 * (start.h_hz + k.h_hz) and start.h_hz > 2 * k.h_hz
            for k in known
        ):
            continue
        low_hz, high_hz = f_hz[main.low], f_hz[main.high - 1]
        inside = bool(low_hz <= start.f0_hz <= high_hz)
        near = abs(start.f0_hz - main.place().f0_hz) < 4.0 * (start.h_hz + main.place().h_hz)
        better = inside and _better_with(s, main, start)
        if better or (near and main.points < len(f_hz)):
            joint = ladder(f_hz, s, [*(main.place(k) for k in range(len(main.best.x0))), start], delay_s)
            if (
                joint is not None
                and _true_pair(f_hz, joint, main)
                and (better or _explains_more(joint, main))
            ):
                return joint, True
        if not inside:
            look = _window(*_thinned(f_hz, rest, start), [start], 6.0, delay_s)
            if look is None or judge(f_hz, look, 0) != "good" or not _stands_out(axis, found, response, look):
                continue
            alone = ladder(f_hz, rest, [look.place()], delay_s)
            if (
                alone is not None
                and judge(f_hz, alone, 0) == "good"
                and alone.best.h[0] < 0.5
                and _stands_out(axis, found, response, alone)
                and all(abs(alone.place().f0_hz - k.f0_hz) > alone.place().h_hz + k.h_hz for k in known)
            ):
                return alone, False
    return None


def _explains_more(joint: Window, main: Window) -> bool:
    """Whether a pair follows a wider stretch down to its noise, of which one pole and a bent background follow a part."""
    return (
        joint.points > main.points
        and joint.best.order <= main.best.order
        and joint.best.inflation == 1.0
        and min(joint.error_of(i) for i in range(len(joint.best.x0))) < 0.8 * main.error
    )


def _better_with(s: Complexes, main: Window, start: Place) -> bool:
    """Whether one more pole pays in the main resonance's own window."""
    fit = main.best
    axis = fit.axis
    tried = fit_poles(
        axis,
        s[main.low : main.high],
        np.append(fit.x0, (start.f0_hz - axis.centre_hz) / axis.scale_hz),
        np.append(fit.log_h, np.log(start.h_hz / axis.scale_hz)),
        fit.order,
    )
    return tried.score < fit.score - 24.0 and abs(tried.x0[-1]) < 1.0 and tried.h[-1] < 0.7


def _true_pair(f_hz: Floats, joint: Window, main: Window) -> bool:
    """Whether the added pole is a resonance, not a bend of the background."""
    fit = joint.best
    new = len(fit.x0) - 1
    biggest = np.abs(fit.b).max()
    return (
        all(judge(f_hz, joint, i) == "good" for i in range(len(fit.x0)))
        and fit.h[new] < 0.5
        and abs(fit.b[new]) > SMALLEST_OTHER * biggest
        and joint.error_of(new) < 0.2
        and joint.error_of(0) < max(main.error, 0.02)
    )
