"""What the line model expects of a change: one and the same shot, fired at the settled line as it was and as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.model import simulate
from analysis.statistics import Z_95

Floats = NDArray[np.float64]

# How well a line file says what a part is: standard uncertainties as shares. Common practice, no source.
KNOWN: Final = {"bore_m": 0.025, "length_m": 0.01, "conductance": 0.1, "volume_m3": 0.05, "air_per_shot_m3": 0.15}
MODEL_U: Final = 0.05  # of the model itself in one line, and in the ratio of two; from memory of how it does beside finer ones
MODEL_RATIO_U: Final = 0.025
LEAD_S: Final = 0.5
WATCHED_S: Final = 12.0
RATE_HZ: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """What the line model expects at the tool's inlet, the pump idle.

    Attributes
    ----------
    recovery_before_s, recovery_after_s, dip_before_pa, dip_after_pa : Estimate
        Recovery [s] and dip [Pa] of the shot; dips at the mean of both starting pressures, as in a comparison.
    recovery_change, dip_change : Estimate
        Ratios - 1. What both lines share, such as the tool, is uncertain in both alike and mostly cancels.
    """

    recovery_before_s: Estimate
    recovery_after_s: Estimate
    recovery_change: Estimate
    dip_before_pa: Estimate
    dip_after_pa: Estimate
    dip_change: Estimate


def predict_change(before: Line, after: Line) -> Prediction:
    """Fire one shot at each of two lines in the model.

    Parameters
    ----------
    before, after : Line
        The line as it was and as it is.

    Returns
    -------
    Prediction
        No value of a recovery that the model does not see within 12 s.
    """
    lines = before, after
    best = np.array([_shot(line) for line in lines])
    moves = np.zeros((0, 2, 2))
    for part, name, share in _doubts(before, after):
        tried = [_changed(line, part, name, 1.0 + share) for line in lines]
        moved = [_shot(now)[:2] - best[i, :2] if now is not lines[i] else np.zeros(2) for i, now in enumerate(tried)]
        moves = np.concatenate([moves, np.array(moved)[None]])
    # A tool takes air in proportion to absolute pressure: half of what the starting pressures alone do to the dip.
    half = 0.5 * (best[1, 2] - best[0, 2])
    ratio = best[1] - best[0]
    return Prediction(
        recovery_before_s=_estimate(best[0, 0], moves[:, 0, 0]),
        recovery_after_s=_estimate(best[1, 0], moves[:, 1, 0]),
        recovery_change=_ratio(ratio[0], moves[:, 1, 0] - moves[:, 0, 0]),
        dip_before_pa=_estimate(best[0, 1] + half, moves[:, 0, 1]),
        dip_after_pa=_estimate(best[1, 1] - half, moves[:, 1, 1]),
        dip_change=_ratio(ratio[1] - 2.0 * half, moves[:, 1, 1] - moves[:, 0, 1]),
    )


def _shot(line: Line) -> Floats:
    """Logarithms of recovery [s], dip [Pa] and starting pressure [Pa abs] of one shot; NaN where the line does not recover in time."""
    supply = 0.5 * (line.compressor.cut_in_pa + line.compressor.cut_out_pa)
    shot = simulate(line, [LEAD_S], duration_s=LEAD_S + WATCHED_S, start_pa=supply, output_rate_hz=RATE_HZ).shots[0]
    return np.log([shot.recovery_s, shot.dip_pa, shot.before_pa + line.site.p_amb_pa])


def _doubts(before: Line, after: Line) -> list[tuple[Part, str, float]]:
    """Every part of both lines, each once, with a quantity of it that its file gives and how well that is known."""
    parts = list(dict.fromkeys((*before.parts, *after.parts)))
    given = {f.name for f in fields(Part)}
    return [(p, name, share) for p in parts for name, share in KNOWN.items() if name in given and getattr(p, name) is not None]


def _changed(line: Line, part: Part, name: str, factor: float) -> Line:
    """The line with one quantity changed; the very same line where it has no such part."""
    if part not in line.parts:
        return line
    return replace(line, parts=tuple(replace(p, **{name: factor * getattr(p, name)}) if p == part else p for p in line.parts))


def _estimate(log_value: float, moves: Floats, model_u: float = MODEL_U) -> Estimate:
    """Value with what the model and, as far as the model answers at all, the doubts of the file make uncertain."""
    if not math.isfinite(log_value):
        return Estimate(value=None)
    half = Z_95 * math.hypot(model_u, *moves[np.isfinite(moves)].tolist())
    return Estimate(value=math.exp(log_value), low=math.exp(log_value - half), high=math.exp(log_value + half))


def _ratio(log_ratio: float, moves: Floats) -> Estimate:
    e = _estimate(log_ratio, moves, MODEL_RATIO_U)
    return e if e.value is None or e.low is None or e.high is None else Estimate(value=e.value - 1.0, low=e.low - 1.0, high=e.high - 1.0)
