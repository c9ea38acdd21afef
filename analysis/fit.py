"""Read an air line from a recording: bores, restrictions, volumes and air per shot, fitted with the line model.

The strongest recording has marks of a *test nozzle*: a hole of known conductance, opened at the tool end. With the supply shut it
weighs the air behind the supply valve; with the supply open it shows what the line loses. The whole measured trace around these
moments and around single shots is fitted, each moment found in the readings themselves. What the nominal line says enters as a weak
prior; where the recording adds nothing to it, the answer is that it cannot be separated.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3
from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.line_episodes import (
    ZERO_U_PA,
    Episode,
    Readings,
    at_temperature,
    nozzle_episodes,
    pressure_at_rest,
    readings,
    shot_episodes,
    zero_difference,
)
from analysis.line_loss import LOOSEST_U, fitted_loss, own_share, regulator_fall
from analysis.line_search import left, misfits, solve
from analysis.line_unknowns import Problem, air_volume
from analysis.robust_fit import Found, spread
from analysis.statistics import Z_95, band
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

# What the model itself may be off by, one standard deviation, relative; added to what the readings leave open. From the errors of
# tests.model_errors, the accuracy of a nozzle's stated conductance (1 %), and b of a valve that nobody measured; checked for coverage by
# tests.benchmarks.bench_fit.
MODEL_U: Final = {
    "volume": 0.014,
    "receiver": 0.017,
    "bore": 0.0065,
    "supply": 0.033,
    "restriction": 0.04,  # b and how a tool draws its air, which recordings do not tell: beside an independent model 3 to 6 % too narrow
    "regulator": 0.05,
    "air": 0.012,
    "loss": 0.025,
    "ports": 0.03,
}
LOOSEST_SUPPLY_U: Final = 0.1
TOO_FAR: Final = 0.05  # share of a nozzle's fall, or of shots' dips, that may be left unexplained; beyond it nothing is claimed
TOO_FAR_SHOTS: Final = 0.15  # of shots without a nozzle
# Noises that may be left behind a regulator: of 52 invented lines 50 left at most 1.3; two left more, and were wrong.
WELL_FOLLOWED: Final = 1.4
TOLD: Final = 0.6  # a parameter whose uncertainty is still above this share of its prior's was not told by the recording
HIDDEN_BORE_U: Final = 0.04  # of a hose that the recording does not show by itself; the scatter in tests.benchmarks.bench_fit
UNITS: Final = {"bore": ("mm", 1e3), "conductance": ("l_per_s_bar", 1e8), "volume": ("l", 1e3), "droop": ("kpa", 1e-3)}

_NONE: Final = Estimate(value=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One fitted parameter.

    Attributes
    ----------
    name : str
        Such as ``hose.bore``; kinds that repeat are numbered.
    value : Estimate
        In `unit`; all None where the recording cannot tell it.
    nominal : float or None
        What the line file says, in `unit`.
    unit : str
        ``mm``, ``l``, ``l_per_s_bar`` or ``kpa``.
    """

    name: str
    value: Estimate
    nominal: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """What a recording says about a line.

    Attributes
    ----------
    parameters : tuple of Parameter
    volume_downstream_m3 : Estimate
        All air between the supply's first part and the tool, the tool's chamber included [m3].
    line_drop_pa : Estimate
        Loss from the supply tank to just before the tool's coupler at `flow_m3_per_s` free air and `inlet_pa` in the tank [Pa].
    flow_m3_per_s, inlet_pa : float
    residual_pa : float
        Root mean square of what the fit leaves, at the tool [Pa]; NaN without a fit.
    cannot_separate : tuple of tuple of str
        Groups of parameters that this recording cannot tell, or not tell apart.
    warnings : tuple of str
    line : Line
        The nominal line.
    nominal_volume_m3, nominal_drop_pa : float
        What its file makes of them; NaN where it could not pass that flow.
    friction : Estimate
        Friction of the hoses over that of their bores.
    leak_m3_per_s : Estimate
        Leak of all behind the supply, free air at `inlet_pa` [m3/s].
    regulator_fall_pa : Estimate
        How far the outlet of the regulator next to the tool falls at `flow_m3_per_s`, below what it holds without flow [Pa].
    air_by_bore_m3 : Estimate
        Free air of a shot [m3] if the hose at the tool has the bore that its file says; only where no nozzle tells it.
    """

    parameters: tuple[Parameter, ...]
    volume_downstream_m3: Estimate
    line_drop_pa: Estimate
    flow_m3_per_s: float
    inlet_pa: float
    residual_pa: float
    cannot_separate: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]
    line: Line
    nominal_volume_m3: float
    nominal_drop_pa: float
    friction: Estimate = _NONE
    leak_m3_per_s: Estimate = _NONE
    regulator_fall_pa: Estimate = _NONE
    air_by_bore_m3: Estimate = _NONE


def fit_line(
    t_s: ArrayLike,
    channels: Mapping[str, ArrayLike],
    line: Line,
    marks: Sequence[Mapping[str, Any]],
    *,
    flow_m3_per_s: float = 4.65e-3,
    inlet_pa: float = 620_500.0,
    unknown: Sequence[str] | None = None,
) -> LineFit:
    """Fit a line to a recording.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times of the readings [s].
    channels : mapping of str to array_like
        Pressures [Pa gauge] by name: the tool's, and the supply's where it was recorded.
    line : Line
        The nominal line.
    marks : sequence of mapping
        Marks of the session, see the design of sessions: ``nozzle``, ``supply shut``, ``supply open``, ``temperature_degc``.
    flow_m3_per_s, inlet_pa : float
        Free-air flow [m3/s] and tank pressure [Pa gauge] at which the loss of the line is stated.
    unknown : sequence of str, optional
        Names of the parameters to fit, such as ``hose.bore``; the others stay as the line file says. All where not given.

    Returns
    -------
    LineFit

    Raises
    ------
    ValueError
        If there is no pressure at the tool, too few readings, or a name that is no parameter of the line.
    """
    got = readings(t_s, channels)
    line = at_temperature(line, marks)
    warnings: list[str] = []
    nozzles = [m for m in marks if m.get("kind") == "nozzle"]
    if got.supply is None:
        warnings.append("There is no supply channel: the tank is taken to be as the line file says. A second sensor at the tank helps.")
    zero = zero_difference(got, line, nozzles, marks)
    if got.supply is not None:  # nobody knows which of the two is off
        got = dataclasses.replace(got, tool=got.tool + 0.5 * zero, supply=got.supply - 0.5 * zero)
    if abs(zero) > 1e3:
        warnings.append(
            f"At rest the two sensors differ by {abs(zero) / 1e3:.1f} kPa; the fit takes that for their zeros and meets them in the middle."
        )
    blown = nozzle_episodes(got, marks, warnings)
    shots = shot_episodes(got, marks)
    if nozzles and not blown:
        warnings.append("None of the nozzle marks has a fall of pressure near it; check the times of the marks.")
    if blown and not shots:
        warnings.append("No single shot on a settled line was found; the air per shot is not fitted.")
    asked = _Asked(line, got, flow_m3_per_s, inlet_pa, unknown, warnings)
    return _fit(asked, blown, shots) if blown else _without_nozzle(asked, shots)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was asked, and what has to be said with the answer."""

    line: Line
    got: Readings
    flow_m3_per_s: float
    inlet_pa: float
    unknown: Sequence[str] | None
    warnings: list[str]


def _fit(asked: _Asked, blown: list[Episode], shots: list[Episode], *, may_leave_out: bool = True) -> LineFit:
    problem = Problem(asked.line, [*blown, *shots], asked.unknown)
    found, cov = solve(problem)
    misfit = misfits(problem, found)
    worst = int(np.argmax(misfit[: len(blown)]))
    if shots and (off := float(misfit[len(blown) :].mean())) > max(TOO_FAR, misfit[worst]):
        asked.warnings.append(
            f"The shots do not go with what the nozzle showed: {100.0 * off:.0f} % of their dips is left unexplained. They are left out, "
            "and the air of a shot is not told. Fire single shots, three seconds apart, on a line at rest."
        )
        return _fit(asked, blown, [], may_leave_out=may_leave_out)
    if misfit[worst] > TOO_FAR and len(blown) > 1 and may_leave_out:  # a second one would be no mistake of a mark
        asked.warnings.append(
            f"The opening of the nozzle at {blown[worst].at_s:.1f} s does not go with the others on any line like the one in the file; "
            "it is left out. Check its mark (duration, conductance, supply shut or open), and repeat it on a line at rest."
        )
        return _fit(asked, blown[:worst] + blown[worst + 1 :], shots, may_leave_out=False)
    return _answer(asked, problem, found, cov)


def _answer(asked: _Asked, problem: Problem, found: Found, cov: Floats) -> LineFit:
    line, warnings, x = asked.line, asked.warnings, found.x
    # What the model cannot follow it cannot be right about: that share of the pressure's fall may be missing from every answer.
    misfit = misfits(problem, found)
    blows = np.array([bool(e.blows) for e in problem.episodes])
    off, off_shots = float(misfit[blows].max()), float(misfit[~blows].mean()) if not blows.all() else 0.0
    trusted = off <= TOO_FAR
    if not trusted:
        warnings.append(
            f"The line of the file cannot follow the nozzle: {100.0 * off:.0f} % of the pressure's fall is left unexplained, so nothing is "
            "claimed. Check the marks (duration, conductance, supply shut or open) and that every part is in the line file, in its order."
        )
    residual, noise = left(problem, found), asked.got.noise_pa
    if trusted and residual > WELL_FOLLOWED * noise and any(p.kind == "regulator" for p in line.parts):
        trusted = False
        warnings.append(
            "Behind the regulator the pressure goes otherwise than any regulator of the model makes it, so nothing is claimed. Check that "
            "every part is in the line file, in its order, or record with the regulator turned fully open."
        )
    for unknown, value, bound in zip(problem.unknowns, x, problem.bound, strict=True):
        if unknown.asked_for and unknown.kind != "regulator" and abs(value) > 0.999 * bound:
            trusted = False
            warnings.append(
                f"The fit would take {unknown.name} further from the file than it can be, so nothing is claimed. Check the marks, and that "
                "every part is in the line file, in its order and with its size."
            )
    flow, inlet = asked.flow_m3_per_s, asked.inlet_pa
    fitted = problem.fitted_line(x)
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    shut, opened = any(e.shut for e in problem.episodes), any(e.blows and not e.shut for e in problem.episodes)
    regulated = any(problem.regulates(k, x) for k in range(len(problem.episodes)))
    # With a receiver its ports, the hoses and the nozzle's tap are hard to tell apart.
    loss_u = MODEL_U["ports" if line.receiver else "loss"]
    hidden = _hidden(line)
    shots, hoses = not blows.all(), [i for i, p in enumerate(line.parts) if p.kind == "hose"] or [0]
    parameters: list[Parameter] = []
    vague: list[str] = []
    for i, unknown in enumerate(problem.unknowns):
        if not unknown.asked_for:
            continue
        kind = unknown.kind
        value, noise_u = unknown.value(float(x[i])), float(u[i])
        told_u = math.hypot(noise_u, MODEL_U[kind], off)
        if kind in ("supply", "regulator"):  # what takes little of the loss is known the less from the loss
            share = own_share(fitted, unknown.part, flow, inlet)
            # A hose's loss goes with the fifth power of its bore, a restriction's with the square of its conductance.
            for_bore = 2.5 * HIDDEN_BORE_U * sum(own_share(fitted, i, flow, inlet) for i in hidden)
            told_u = math.hypot(told_u, 0.5 * loss_u / share, for_bore / share)
        if kind == "receiver":  # what its hoses hold before it and it itself cannot be told apart
            told_u = math.hypot(told_u, 2.0 * HIDDEN_BORE_U * sum(_room(line.parts[i]) for i in hidden) / value)
        unit, scale = UNITS[unknown.name.split(".")[1]]
        told = trusted and noise_u < min(TOLD * unknown.prior_u, LOOSEST_U) and abs(x[i]) < 0.999 * unknown.bound
        # A hose before a receiver is seen only through it: its room adds to the receiver's, its friction to the ports' and the valve's.
        told &= unknown.part not in hidden
        told &= bool(shots or kind != "restriction" or unknown.part < hoses[-1])  # what lies behind the nozzle is seen by shots alone
        told &= (kind not in ("supply", "regulator") or (opened and told_u < LOOSEST_SUPPLY_U)) and (kind != "receiver" or shut)
        told &= not _in_one_passage(problem, unknown.part) and not (regulated and _one_of_two(problem, unknown.part))
        if not told:
            vague.append(unknown.name)
        estimate = band(value * scale, told_u) if told else _NONE
        parameters.append(Parameter(name=unknown.name, value=estimate, nominal=unknown.nominal * scale, unit=unit))
    if asked.unknown is None or "tool.air_per_shot" in asked.unknown:
        air = _air(problem, x, cov, math.hypot(off, off_shots)) if trusted else _NONE
        parameters.append(_air_parameter(line, air))
        vague += ["tool.air_per_shot"] if air.value is None else []
    parameters += _set_point(asked, problem, (found, cov), trusted=trusted)
    volume, drop = _NONE, _NONE
    steps = np.array([u.step if u.of_line else 0.0 for u in problem.unknowns])
    if shut and trusted:
        by_noise = spread(lambda y: math.log(air_volume(problem.fitted_line(y))), x, cov, steps)
        volume = band(air_volume(fitted), math.hypot(by_noise, MODEL_U["receiver" if line.receiver else "volume"], off))
    elif not shut:
        warnings.append("There is no test nozzle with the supply shut; the volume of the line cannot be weighed. Shut it for one.")
    if opened and trusted:
        zero_u_pa = ZERO_U_PA if regulated else 0.0
        drop = fitted_loss(problem, x, cov, (flow, inlet), math.hypot(loss_u, off), zero_u_pa)
        if drop.value is None:
            warnings.append(
                "At the stated flow and tank pressure the fitted line chokes, or the recording does not tell what it loses: a part before "
                "a regulator shows only while the tank stands little above what the regulator holds. Ask for less flow, or record so."
            )
    elif not opened:
        warnings.append("There is no test nozzle with the supply open; the loss of the line cannot be measured. Open the supply for one.")
    if residual > 3.0 * noise:
        warnings.append(
            f"The model leaves {residual / 1e3:.1f} kPa where the readings' noise is {noise / 1e3:.1f}: "
            "something in the line is not in its file."
        )
    values = problem.values(x)
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=volume,
        line_drop_pa=drop,
        flow_m3_per_s=flow,
        inlet_pa=inlet,
        residual_pa=residual,
        cannot_separate=(tuple(vague),) if vague else (),
        warnings=tuple(warnings),
        line=line,
        nominal_volume_m3=air_volume(line),
        nominal_drop_pa=steady_loss(line, flow, inlet_pa=inlet).loss_pa,
        friction=band(values["friction"], float(u[problem.index["friction"]])) if opened and trusted else _NONE,
        leak_m3_per_s=_leak(problem, x, u, inlet) if trusted else _NONE,
        regulator_fall_pa=regulator_fall(problem, x, cov, flow, math.hypot(MODEL_U["regulator"], off), loss_u) if trusted else _NONE,
    )


def _in_one_passage(problem: Problem, number: int) -> bool:
    """Whether an unknown restriction and another follow upon each other with no room between: one may stand for both."""
    parts = problem.line.parts
    asked = {u.part for u in problem.unknowns if u.asked_for}
    narrow = {i for i in asked if parts[i].conductance is not None and parts[i].volume_m3 is None}
    return number in narrow and bool({number - 1, number + 1} & narrow)


def _one_of_two(problem: Problem, number: int) -> bool:
    """Whether both a regulator's conductance and its droop are unknown: at work it shows only what both make of a flow."""
    return sum(u.asked_for and u.kind == "regulator" and u.part == number for u in problem.unknowns) > 1


def _hidden(line: Line) -> list[int]:
    """Hoses before the last receiver, which the recording shows only through it."""
    last = max((i for i, p in enumerate(line.parts) if p.kind == "receiver"), default=0)
    return [i for i in range(last) if line.parts[i].kind == "hose"]


def _room(hose: Part) -> float:
    """Air in a hose [m3]."""
    return math.pi / 4.0 * (hose.bore_m or 0.0) ** 2 * (hose.length_m or 0.0)


def _air(problem: Problem, x: Floats, cov: Floats, off: float) -> Estimate:
    """Free air that left the tool in a shot [m3], mean of the shots: what flows in while the shot still draws leaves the tool too."""
    shots = [k for k, e in enumerate(problem.episodes) if not e.blows]
    if not shots:
        return _NONE

    def each(y: Floats) -> Floats:
        return np.array([problem.shot_kg(k, y) for k in shots]) / ANR_DENSITY_KG_PER_M3

    air = each(x)
    # Whether all shots took more or the tool lets out more is one: only with each shot's own air is the mean's uncertainty known.
    steps = np.array([u.step if u.name in ("tool.chamber", "share", "shot") or u.sort == "shot" else 0.0 for u in problem.unknowns])
    by_noise = spread(lambda y: math.log(float(each(y).mean())), x, cov, steps)
    scatter = float(air.std(ddof=1) / air.mean()) / math.sqrt(air.size) if air.size > 1 else 0.03
    return band(float(air.mean()), math.sqrt(by_noise**2 + scatter**2 + MODEL_U["air"] ** 2 + off**2)) if by_noise < LOOSEST_U else _NONE


def _air_parameter(line: Line, air: Estimate) -> Parameter:
    nominal = line.tool.air_per_shot_m3
    return Parameter(
        name="tool.air_per_shot", value=air.map(lambda v: 1e3 * v), nominal=None if nominal is None else 1e3 * nominal, unit="l"
    )


def _set_point(asked: _Asked, problem: Problem, solved: tuple[Found, Floats] | None, *, trusted: bool = True) -> list[Parameter]:
    """What the regulator next to the tool holds without flow: as fitted or, without a fit, the pressure at rest; none by a poor fit."""
    line = asked.line
    number = max((i for i, p in enumerate(line.parts) if p.kind == "regulator"), default=-1)
    name = f"{line.labels()[number]}.set"
    if number < 0 or (asked.unknown is not None and name not in asked.unknown):
        return []
    value = pressure_at_rest(asked.got)
    if solved is not None:
        found, cov = solved
        i = problem.index[f"{line.labels()[number]}.holds"]
        value = _NONE
        if trusted and any(problem.regulates(k, found.x) for k in range(len(problem.episodes))):
            p, half = problem.unknowns[i].value(float(found.x[i])), Z_95 * math.hypot(ZERO_U_PA, math.sqrt(float(cov[i, i])))
            value = Estimate(value=p, low=p - half, high=p + half)
    nominal = 1e-3 * (line.parts[number].set_pa or 0.0)
    return [Parameter(name=name, value=value.map(lambda p: 1e-3 * p), nominal=nominal, unit="kpa")]


def _leak(problem: Problem, x: Floats, u: Floats, p_pa: float) -> Estimate:
    """Leak of all behind the supply as free air at a pressure [m3/s]; none where it does not show."""
    i = problem.index.get("leak")
    if i is None:
        return _NONE
    p_abs = p_pa + problem.line.site.p_amb_pa
    value = problem.unknowns[i].value(float(x[i])) * p_abs
    half = Z_95 * float(u[i]) * p_abs
    return Estimate(value=value, low=value - half, high=value + half) if value > half else _NONE


def _without_nozzle(asked: _Asked, shots: list[Episode]) -> LineFit:
    """Answer without a usable nozzle: pressures alone, without one known flow, fix ratios of flows but no flow."""
    line, warnings = asked.line, asked.warnings
    problem = Problem(line, shots, asked.unknown)
    parameters = []
    for u in problem.unknowns:
        if u.asked_for:
            unit, scale = UNITS[u.name.split(".")[1]]
            parameters.append(Parameter(name=u.name, value=_NONE, nominal=u.nominal * scale, unit=unit))
    if asked.unknown is None or "tool.air_per_shot" in asked.unknown:
        parameters.append(_air_parameter(line, _NONE))
    names = tuple(p.name for p in parameters)
    solved = solve(problem) if shots else None
    parameters += _set_point(asked, problem, solved)
    warnings.append(
        "Without a test nozzle no flow in this recording is known, so bores, volumes and air per shot scale together. Open a nozzle of "
        "known conductance at the tool end for a second, once with the supply shut and once with it open, and mark both."
    )
    air, residual = _by_shots(problem, *solved) if solved else (_NONE, math.nan)
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=_NONE,
        line_drop_pa=_NONE,
        flow_m3_per_s=asked.flow_m3_per_s,
        inlet_pa=asked.inlet_pa,
        residual_pa=residual,
        cannot_separate=(names,) if names else (),
        warnings=tuple(warnings),
        line=line,
        nominal_volume_m3=air_volume(line),
        nominal_drop_pa=steady_loss(line, asked.flow_m3_per_s, inlet_pa=asked.inlet_pa).loss_pa,
        air_by_bore_m3=air,
    )


def _by_shots(problem: Problem, found: Found, cov: Floats) -> tuple[Estimate, float]:
    """What shots alone tell: the air of a shot [m3], if the bore of the hose at the tool is what it was sold as; and the misfit [Pa]."""
    hose = next((i for i in range(len(problem.line.parts) - 1, -1, -1) if problem.line.parts[i].kind == "hose"), None)
    residual, off = left(problem, found), float(misfits(problem, found).mean())
    if hose is None or off > TOO_FAR_SHOTS:  # the line behaves unlike its file: nothing may be said of its scale
        return _NONE, residual
    air = _air(problem, found.x, cov, off)
    bore_name = f"{problem.line.labels()[hose]}.bore"
    if air.value is None or air.high is None or bore_name not in problem.index:
        return _NONE, residual
    by_noise = math.log(air.high / air.value) / Z_95
    # The wave that a shot sends up the hose is its flow times the hose's impedance, which goes with the bore squared.
    bore = problem.unknowns[problem.index[bore_name]]
    scale = math.exp(-2.0 * float(found.x[problem.index[bore.name]]))
    return band(air.value * scale, math.sqrt(by_noise**2 + (2.0 * 0.02) ** 2 + 0.06**2)), residual
