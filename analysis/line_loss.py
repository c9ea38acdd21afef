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
from analysis.robust_fit import spread, spread_far
from analysis.statistics import band
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

LOOSEST_U: Final = 0.2  # relative standard uncertainty above which a loss, or a parameter, is not worth a number
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


def fitted_loss(problem: Problem, x: Floats, cov: Floats, at: tuple[float, float], model_u: float, zero_u_pa: float) -> Estimate:
    """Loss of the fitted line, with what noise, the model and unknown critical ratios add; no value where it chokes or is not told.

    Parameters
    ----------
    problem : Problem
    x, cov : ndarray
        Its unknowns where they fit best, and their covariance.
    at : (float, float)
        Free-air flow [m3/s], and pressure in the tank [Pa gauge].
    model_u : float
        What the model itself may be off by, one standard deviation, relative.
    zero_u_pa : float
        Standard uncertainty of the zero of a sensor that what a regulator holds was read with [Pa]; 0 without a regulator.
    """
    flow, inlet = at
    of_line = np.array([u.of_line for u in problem.unknowns])

    def loss(y: Floats, line: Line | None = None, at: float = flow, tank: float = inlet) -> float:
        v = problem.values(y)
        return _drop(line or problem.fitted_line(y), v["friction"], v.get("port", 1.0), at, tank)

    here = loss(x)
    if not math.isfinite(here):
        return Estimate(value=None)

    def log_loss(y: Floats) -> float:
        found = loss(y)
        return math.log(found if math.isfinite(found) else inlet)  # where the line chokes, all is lost

    # Not to first order: what stands before a regulator takes nothing, until the regulator has nothing left to hold back.
    by_noise = spread_far(log_loss, x, cov, of_line, problem.prior_u)
    if by_noise > LOOSEST_U:
        return Estimate(value=None)
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
    return band(here, math.sqrt(by_noise**2 + model_u**2 + by_b**2 + (zero_u_pa / here) ** 2))


def regulator_fall(problem: Problem, x: Floats, cov: Floats, flow_m3_per_s: float, model_u: float, loss_u: float) -> Estimate:
    """How far the last regulator lets its outlet fall below what it holds without flow [Pa], at a flow and the recording's tank pressure.

    No value where it is not at work, or the line cannot pass that flow. What the model may miss of the loss behind it, `loss_u` of that,
    the fit lays to the regulator.
    """
    at_work = [k for k, e in enumerate(problem.episodes) if e.blows and not e.shut and problem.regulates(k, x)]
    if not at_work:
        return Estimate(value=None)
    number = max(i for i, p in enumerate(problem.line.parts) if p.kind == "regulator")

    def fall(y: Floats) -> tuple[float, float]:
        return _fall(problem.fitted_line(y), number, flow_m3_per_s, problem.tank_pa(at_work[0], y))

    here, behind = fall(x)
    if not here > 0.0:
        return Estimate(value=None)
    steps = np.array([u.step if u.part == number else 0.0 for u in problem.unknowns])
    by_noise = spread(lambda y: fall(y)[0], x, cov, steps)
    return band(here, math.hypot(by_noise / here, model_u, loss_u * behind / here))


def _fall(line: Line, number: int, flow_m3_per_s: float, inlet_pa: float) -> tuple[float, float]:
    """How far a regulator lets its outlet fall, below what it holds or below its inlet; the loss behind it [Pa]; NaN where it chokes."""
    found = steady_loss(line, flow_m3_per_s, inlet_pa=inlet_pa)
    if not math.isfinite(found.loss_pa) or len(found.losses) <= number:
        return math.nan, math.nan
    at = found.losses[number]
    return min(at.inlet_pa, line.parts[number].set_pa or 0.0) - at.outlet_pa, found.loss_pa - (inlet_pa - at.outlet_pa)


def own_share(line: Line, number: int, flow_m3_per_s: float, inlet_pa: float) -> float:
    """Share of a part in the loss up to the tool's coupler, at least 1 %; of a regulator in what is lost from its outlet on."""
    if line.parts[number].kind == "regulator":
        fall, behind = _fall(line, number, flow_m3_per_s, inlet_pa)
        return max(fall / (fall + behind), 0.01) if math.isfinite(fall) and fall + behind > 0.0 else 1.0
    found = steady_loss(line, flow_m3_per_s, inlet_pa=inlet_pa)
    if len(found.losses) <= number or not math.isfinite(found.loss_pa):
        return 1.0
    return max(found.losses[number].loss_pa / found.loss_pa, 0.01)
