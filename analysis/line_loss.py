"""Loss of a fitted line at a flow, with its uncertainty."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.air import conductance_of_bore
from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.line_unknowns import Problem
from analysis.model import OPEN_END_B
from analysis.robust_fit import spread
from analysis.statistics import band
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

B_U: Final = 0.06  # standard uncertainty of a critical ratio that was not measured


def _drop(line: Line, friction: float, port: float, flow_m3_per_s: float, inlet_pa: float) -> float:
    """Loss of the line at a flow [Pa]; friction enters as so much more hose, ports as restrictions. NaN where it chokes."""
    parts: list[Part] = []
    for i, part in enumerate(line.parts):
        if part.kind == "hose":
            part = dataclasses.replace(part, length_m=(part.length_m or 0.0) * friction)
            ends = [line.parts[i - 1].kind == "receiver" if i else False, line.parts[i + 1].kind == "receiver"]
            opening = Part(kind="valve", name="port", conductance=port * conductance_of_bore(part.bore_m or 0.0), b=OPEN_END_B)
            parts += [opening] * ends[0] + [part] + [opening] * ends[1]
        else:
            parts.append(part)
    return steady_loss(dataclasses.replace(line, parts=tuple(parts)), flow_m3_per_s, inlet_pa=inlet_pa).loss_pa


def fitted_loss(problem: Problem, x: Floats, cov: Floats, at: tuple[float, float], model_u: float) -> Estimate:
    """Loss of the fitted line, with what noise, the model and unknown critical ratios add; no value where it chokes.

    Parameters
    ----------
    problem : Problem
    x, cov : ndarray
        Its unknowns where they fit best, and their covariance.
    at : (float, float)
        Free-air flow [m3/s], and pressure in the tank [Pa gauge].
    model_u : float
        What the model itself may be off by, one standard deviation, relative.
    """
    flow, inlet = at
    steps = np.array([u.step if u.of_line else 0.0 for u in problem.unknowns])

    def loss(y: Floats, line: Line | None = None, at: float = flow, tank: float = inlet) -> float:
        v = problem.values(y)
        return _drop(line or problem.fitted_line(y), v["friction"], v.get("port", 1.0), at, tank)

    here = loss(x)
    if not math.isfinite(here):
        return Estimate(value=None)
    by_noise = spread(lambda y: math.log(loss(y)) if math.isfinite(loss(y)) else math.log(here), x, cov, steps)
    # Another critical ratio of the first part, with the conductance that then gives the same loss where it was measured.
    line = problem.fitted_line(x)
    first = line.parts[0]
    by_b = 0.0
    if first.conductance is not None and first.kind != "regulator":
        blow = max((e for e in problem.episodes if e.blows and not e.shut), key=lambda e: e.nozzle_c)
        tested = 0.97 * blow.nozzle_c * (blow.start_tool_pa + line.site.p_amb_pa)
        measured = loss(x, line, tested, blow.start_supply_pa)
        other_b = min((first.b or 0.0) + B_U, 0.9)
        low, high = 0.2 * first.conductance, 3.0 * first.conductance
        for _ in range(50):
            mid = math.sqrt(low * high)
            got = loss(x, line.with_part(0, b=other_b, conductance=mid), tested, blow.start_supply_pa)
            low, high = (low, mid) if math.isfinite(got) and got < measured else (mid, high)
        other = loss(x, line.with_part(0, b=other_b, conductance=math.sqrt(low * high)))
        by_b = abs(math.log(other / here)) if math.isfinite(other) and math.isfinite(measured) else 0.1
    return band(here, math.sqrt(by_noise**2 + model_u**2 + by_b**2))


def first_share(line: Line, flow_m3_per_s: float, inlet_pa: float) -> float:
    """Share of the first part in the loss up to the tool's coupler, at least 1 %."""
    found = steady_loss(line, flow_m3_per_s, inlet_pa=inlet_pa)
    if not found.losses or not math.isfinite(found.loss_pa):
        return 1.0
    return max(found.losses[0].loss_pa / found.loss_pa, 0.01)
