"""The angle sensor against the control's pointer: bow of the sensor and play of its coupling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# A person sets a pointer to a clock position within about this much; a judgement, no published value.
POINTER_U_DEG = 1.5
# A term that is less certain than this many of its uncertainties is left out: noise of the pointer is no bow of the sensor.
CLEAR = 2.5


@dataclass(frozen=True)
class Shaft:
    """How the sensor departs from the control's travel.

    `bow` (2,): share of travel by which the sensor's angle is corrected, see `corrected`; `play_deg`: by how much the sensor lags
    behind when the turning reverses; `residual_deg`: root mean square of what is left, most of it the setting of the pointer.
    """

    bow: tuple[float, float]
    bow_u: tuple[float, float]
    play_deg: float
    play_u_deg: float
    residual_deg: float


def corrected(x: ArrayLike, bow: Sequence[float]) -> Floats:
    """Share of travel (n,) from the sensor's share between its end stops (n,), bow taken out.

    ``x + x (1 - x) (b1 + b2 (2 x - 1))``: the end stops stay where they are; b1 is a bow to one side, b2 an S.
    """
    x = np.asarray(x, dtype=np.float64)
    return np.asarray(x + x * (1.0 - x) * (bow[0] + bow[1] * (2.0 * x - 1.0)))


def straighten(
    x: ArrayLike,
    angle_deg: ArrayLike,
    upward: ArrayLike,
    travel_deg: float,
    *,
    pointer_u_deg: float = POINTER_U_DEG,
) -> Shaft:
    """Bow and play from pointer settings, by least squares.

    Parameters
    ----------
    x : (n,) sensor's share between the end stops, 0 to 1, n at least 6.
    angle_deg : (n,) where the pointer was set.
    upward : (n,) whether it was reached turning up.
    travel_deg : between the end stops.
    pointer_u_deg : standard uncertainty of one pointer setting; taken from the scatter where that is larger.

    Returns
    -------
    Shaft
        A bow that is not clearly there is 0, its uncertainty kept.

    Raises
    ------
    ValueError
        Too few settings, or arrays that do not match.

    Notes
    -----
    Linear least squares as in JCGM 100:2008, H.3.
    """
    x = np.asarray(x, dtype=np.float64)
    angle = np.asarray(angle_deg, dtype=np.float64)
    side = np.where(np.asarray(upward, dtype=bool), 0.5, -0.5)
    if x.ndim != 1 or x.shape != angle.shape or x.shape != side.shape or len(x) < 6:
        raise ValueError(
            "at least six pointer settings are needed, each with the sensor's reading and the way of turning"
        )
    parts = np.column_stack([travel_deg * x * (1 - x), travel_deg * x * (1 - x) * (2 * x - 1), side])
    off = angle - travel_deg * x
    kept = [0, 1, 2]
    while True:
        design = parts[:, kept]
        found, *_ = np.linalg.lstsq(design, off, rcond=None)
        left = off - design @ found
        freedom = max(1, len(x) - len(kept))
        sigma = max(pointer_u_deg, float(np.sqrt(left @ left / freedom)))
        u = sigma * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
        weak = [at for at, name in enumerate(kept) if name != 2 and abs(found[at]) < CLEAR * u[at]]
        if not weak:
            break
        # The S goes before the bow.
        kept.remove(kept[weak[-1]])
    values, uncertain = np.zeros(3), np.zeros(3)
    values[kept], uncertain[kept] = found, u
    return Shaft(
        bow=(float(values[0]), float(values[1])),
        bow_u=(float(uncertain[0]), float(uncertain[1])),
        # The sensor lags: turning up it shows less than the pointer, so the play stands on the pointer's side.
        play_deg=float(values[2]),
        play_u_deg=float(uncertain[2]),
        residual_deg=float(np.sqrt(np.mean(left**2))),
    )
