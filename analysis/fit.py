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

from analysis.air import conductance_of_bore
from analysis.constants import ANR_DENSITY_KG_PER_M3
from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.line_episodes import Episode, Readings, at_temperature, nozzle_episodes, readings, shot_episodes, zero_difference
from analysis.line_findings import Fitted, findings
from analysis.line_unknowns import Problem, air_volume
from analysis.model import OPEN_END_B
from analysis.robust_fit import Found, covariance, search, spread
from analysis.statistics import Z_95
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

# What the model itself may be off by, one standard deviation, relative; added to what the readings leave open. From the errors of
# tests.model_errors, the accuracy of a nozzle's stated conductance (1 %), and b of a valve that nobody measured; checked for coverage by
# tests.benchmarks.bench_fit.
MODEL_U: Final = {
    "volume": 0.012,
    "receiver": 0.02,
    "bore": 0.009,
    "supply": 0.04,
    "restriction": 0.06,
    "air": 0.02,
    "loss": 0.03,
    "ports": 0.055,
}
B_U: Final = 0.06  # standard uncertainty of a critical ratio that was not measured
LOOSEST_U: Final = 0.2  # relative standard uncertainty above which a parameter is not worth a number
LOOSEST_SUPPLY_U: Final = 0.1
TOLD: Final = 0.6  # a parameter whose uncertainty is still above this share of its prior's was not told by the recording
HIDDEN_BORE_U: Final = 0.05  # of a hose that the recording does not show by itself; common practice, no source
REGULATOR_U_PA: Final = 2e3  # zero of an ordinary sensor; common practice, no source
FIRST_ROUNDS: Final = 5
ROUNDS: Final = 25
UNITS: Final = {"bore": ("mm", 1e3), "conductance": ("l_per_s_bar", 1e8), "volume": ("l", 1e3)}


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
    findings, warnings : tuple of str
    """

    parameters: tuple[Parameter, ...]
    volume_downstream_m3: Estimate
    line_drop_pa: Estimate
    flow_m3_per_s: float
    inlet_pa: float
    residual_pa: float
    cannot_separate: tuple[tuple[str, ...], ...]
    findings: tuple[str, ...]
    warnings: tuple[str, ...]


_NONE: Final = Estimate(value=None)


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
    got = dataclasses.replace(got, tool=got.tool + zero)
    if abs(zero) > 1e3:
        warnings.append(f"At rest the two sensors differ by {abs(zero) / 1e3:.1f} kPa; the fit takes that for a zero error and removes it.")
    blown = nozzle_episodes(got, marks, warnings)
    shots = shot_episodes(got, marks)
    if nozzles and not blown:
        warnings.append("None of the nozzle marks has a fall of pressure near it; check the times of the marks.")
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


def _solve(problem: Problem) -> Found:
    """Search from several starts, and follow the best to its end: with a receiver the misfit has more than one valley."""

    def begin(**values: float) -> Floats:
        x = np.zeros(len(problem.unknowns))
        for name, value in values.items():
            if (i := problem.index.get(name.replace("__", "."))) is not None:
                x[i] = value
        return x

    usual = _seed(problem)
    starts = [begin(**usual)]
    if "port" in problem.index:
        starts.append(begin(**usual, tap=-1.2e4, port=-0.7))
    if "supply.conductance" in problem.index and "supply__conductance" not in usual:
        starts.append(begin(**usual, supply__conductance=-1.5))

    if len(starts) > 1:
        brief = problem.brief()
        tried = [search(brief, brief.start_from(problem, s), rounds=FIRST_ROUNDS) for s in starts]
        best = search(brief, min(tried, key=lambda found: found.cost).x, rounds=ROUNDS)
        starts = [problem.start_from(brief, best.x)]
    return search(problem, starts[0], rounds=ROUNDS)


def _seed(problem: Problem) -> dict[str, float]:
    """Where to begin: the supply by the loss that the longest nozzle showed, the tool's chamber by the first dip."""
    out = {"tool__chamber": _seed_chamber(problem)}
    line, opened = problem.line, [e for e in problem.episodes if e.blows and not e.shut]
    if opened and line.receiver is None and line.parts[0].conductance is not None and line.parts[0].kind != "regulator":
        e = max(opened, key=lambda e: e.blows[0][1])
        late = e.since_s > e.since_s[-1] - 0.3 if e.blows[0][1] > 2.0 else (e.since_s > 0.9 * e.blows[0][1]) & (e.since_s < e.blows[0][1])
        before = e.start_tool_pa
        fall = before - float(np.median(e.tool_pa[late])) if late.any() else 0.0
        flow = 0.97 * e.nozzle_c * (before + line.site.p_amb_pa)
        low, high = -2.5, 1.0
        for _ in range(20):
            mid = 0.5 * (low + high)
            lost = steady_loss(line.with_part(0, conductance=line.parts[0].conductance * math.exp(mid)), flow, inlet_pa=before).loss_pa
            low, high = (low, mid) if math.isfinite(lost) and lost < fall else (mid, high)
        out["supply__conductance"] = min(max(0.5 * (low + high), -2.4), 0.5)
    return out


def _seed_chamber(problem: Problem) -> float:
    """Logarithm by which the chamber must grow for the first shot's dip to be as deep as measured."""
    k = next((k for k, e in enumerate(problem.episodes) if not e.blows), None)
    x = np.zeros(len(problem.unknowns))
    i = problem.index["tool.chamber"]
    x[i] = -0.5
    if k is not None:
        e = problem.episodes[k]
        for _ in range(3):
            model = e.start_tool_pa - float(problem.trace(k, x).tool.min())
            x[i] = np.clip(x[i] + math.log((e.start_tool_pa - float(e.tool_pa.min())) / max(model, 1.0)), -2.5, 2.0)
    return float(x[i])


def _fit(asked: _Asked, blown: list[Episode], shots: list[Episode]) -> LineFit:
    problem = Problem(asked.line, [*blown, *shots], asked.unknown)
    found = _solve(problem)
    cov = covariance(found, problem.prior_u)
    return _answer(asked, problem, found, cov)


def _answer(asked: _Asked, problem: Problem, found: Found, cov: Floats) -> LineFit:
    line, warnings, x = asked.line, asked.warnings, found.x
    flow, inlet = asked.flow_m3_per_s, asked.inlet_pa
    fitted = problem.fitted_line(x)
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    shut, opened = any(e.shut for e in problem.episodes), any(e.blows and not e.shut for e in problem.episodes)
    parameters: list[Parameter] = []
    vague: list[str] = []
    for i, unknown in enumerate(problem.unknowns):
        if not _asked_for(unknown.name):
            continue
        kind = _kind(unknown.name)
        value, noise_u = unknown.value(float(x[i])), float(u[i])
        told_u = math.hypot(noise_u, MODEL_U[kind])
        if kind == "supply":  # a valve that takes little of the loss is known the less from the loss
            told_u = math.hypot(told_u, 0.5 * MODEL_U["ports" if line.receiver else "loss"] / _first_share(fitted, flow, inlet))
        if kind == "receiver":  # what its hoses hold before it and it itself cannot be told apart
            told_u = math.hypot(told_u, 2.0 * HIDDEN_BORE_U * _room_before_receiver(line) / value)
        unit, scale = UNITS[unknown.name.split(".")[1]]
        told = noise_u < min(TOLD * unknown.prior_u, LOOSEST_U)
        # A hose before a receiver is seen only through it: its room adds to the receiver's, its friction to the ports' and the valve's.
        told &= not (kind == "bore" and any(p.kind == "receiver" for p in line.parts[unknown.part :]))
        told &= (kind != "supply" or (opened and told_u < LOOSEST_SUPPLY_U)) and (kind != "receiver" or shut)
        if not told:
            vague.append(unknown.name)
        estimate = _band(value * scale, told_u) if told else _NONE
        parameters.append(Parameter(name=unknown.name, value=estimate, nominal=unknown.nominal * scale, unit=unit))
    if asked.unknown is None or "tool.air_per_shot" in asked.unknown:
        air = _air(problem, x, cov)
        parameters.append(_air_parameter(line, air))
        vague += ["tool.air_per_shot"] if air.value is None else []
    parameters += _regulators(asked)
    volume, drop = _NONE, _NONE
    steps = np.array([u.step if _moves_line(u.name) else 0.0 for u in problem.unknowns])
    if shut:
        by_noise = spread(lambda y: math.log(air_volume(problem.fitted_line(y))), x, cov, steps)
        volume = _band(air_volume(fitted), math.hypot(by_noise, MODEL_U["receiver" if line.receiver else "volume"]))
    else:
        warnings.append(
            "There is no test nozzle with the supply shut; the volume of the line cannot be weighed. Shut the supply and open it."
        )
    if opened:
        drop = _drop_estimate(asked, problem, x, cov, steps)
    else:
        warnings.append("There is no test nozzle with the supply open; the loss of the line cannot be measured. Open the supply for one.")
    if all(e.blows for e in problem.episodes):
        warnings.append("No single shot on a settled line was found; the air per shot is not fitted.")
    residual, noise = _left(problem, found), asked.got.noise_pa
    if residual > 3.0 * noise:
        warnings.append(
            f"The model leaves {residual / 1e3:.1f} kPa where the readings' noise is {noise / 1e3:.1f}: "
            "something in the line is not in its file."
        )
    values = problem.values(x)
    said = Fitted(
        line=line,
        parameters={p.name: (p.value, p.nominal) for p in parameters},
        volume_m3=volume,
        nominal_volume_m3=air_volume(line),
        drop_pa=drop,
        nominal_drop_pa=steady_loss(line, flow, inlet_pa=inlet).loss_pa,
        flow_m3_per_s=flow,
        friction=_band(values["friction"], float(u[problem.index["friction"]])) if opened else _NONE,
        leak_m3_per_s=_leak(problem, x, u, inlet),
    )
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=volume,
        line_drop_pa=drop,
        flow_m3_per_s=flow,
        inlet_pa=inlet,
        residual_pa=residual,
        cannot_separate=(tuple(vague),) if vague else (),
        findings=findings(said),
        warnings=tuple(warnings),
    )


def _asked_for(name: str) -> bool:
    """Whether a parameter is the line's, and not a help of the fit."""
    return "." in name and name != "tool.chamber" and not name.startswith("regulator")


def _room_before_receiver(line: Line) -> float:
    """Air in the hoses before the last receiver [m3]."""
    last = max(i for i, p in enumerate(line.parts) if p.kind == "receiver")
    return sum(math.pi / 4.0 * (p.bore_m or 0.0) ** 2 * (p.length_m or 0.0) for p in line.parts[:last] if p.kind == "hose")


def _moves_line(name: str) -> bool:
    return "." in name or name in ("friction", "port")


def _kind(name: str) -> str:
    if name.startswith(("supply", "receiver")):
        return name.split(".")[0].rstrip("0123456789")
    return {"bore": "bore", "volume": "volume", "conductance": "restriction"}[name.split(".")[1]]


def _left(problem: Problem, found: Found) -> float:
    """Root mean square of what the fit leaves at the tool [Pa]."""
    parts = [r[: e.sigma_pa.size] * e.sigma_pa for r, e in zip(found.groups, problem.episodes, strict=True)]
    return float(np.sqrt(np.mean(np.concatenate(parts) ** 2)))


def _air(problem: Problem, x: Floats, cov: Floats) -> Estimate:
    """Free air that left the tool in a shot [m3], mean of the shots: what flows in while the shot still draws leaves the tool too."""
    shots = [k for k, e in enumerate(problem.episodes) if not e.blows]
    if not shots:
        return _NONE

    def each(y: Floats) -> Floats:
        return np.array([problem.trace(k, y).shot_kg for k in shots]) / ANR_DENSITY_KG_PER_M3

    air = each(x)
    steps = np.array([u.step if u.name in ("tool.chamber", "share", "shot") else 0.0 for u in problem.unknowns])
    by_noise = spread(lambda y: math.log(float(each(y).mean())), x, cov, steps)
    scatter = float(air.std(ddof=1) / air.mean()) / math.sqrt(air.size) if air.size > 1 else 0.03
    return _band(float(air.mean()), math.sqrt(by_noise**2 + scatter**2 + MODEL_U["air"] ** 2)) if by_noise < LOOSEST_U else _NONE


def _air_parameter(line: Line, air: Estimate) -> Parameter:
    nominal = line.tool.air_per_shot_m3
    return Parameter(
        name="tool.air_per_shot", value=air.map(lambda v: 1e3 * v), nominal=None if nominal is None else 1e3 * nominal, unit="l"
    )


def _regulators(asked: _Asked) -> list[Parameter]:
    """Set point of a regulator: the pressure at the tool when nothing flows."""
    line, got = asked.line, asked.got
    labels = line.labels()
    where = [i for i, p in enumerate(line.parts) if p.kind == "regulator"]
    if not where or (asked.unknown is not None and f"{labels[where[-1]]}.set" not in asked.unknown):
        return []
    # At rest is where the pressure was most of the time within a narrow band near its top.
    top = float(np.percentile(got.tool, 95.0))
    rest = got.tool[np.abs(got.tool - top) < 3.0 * got.noise_pa + 2e3]
    value = float(np.median(rest))
    half = Z_95 * math.hypot(REGULATOR_U_PA, got.noise_pa / math.sqrt(rest.size))
    set_kpa = Estimate(value=value / 1e3, low=(value - half) / 1e3, high=(value + half) / 1e3)
    return [Parameter(name=f"{labels[where[-1]]}.set", value=set_kpa, nominal=(line.parts[where[-1]].set_pa or 0.0) / 1e3, unit="kpa")]


def _leak(problem: Problem, x: Floats, u: Floats, p_pa: float) -> Estimate:
    """Leak of all behind the supply as free air at a pressure [m3/s]; none where it does not show."""
    i = problem.index.get("leak")
    if i is None:
        return _NONE
    p_abs = p_pa + problem.line.site.p_amb_pa
    value = problem.unknowns[i].value(float(x[i])) * p_abs
    half = Z_95 * float(u[i]) * p_abs
    return Estimate(value=value, low=value - half, high=value + half) if value > half else _NONE


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


def _drop_estimate(asked: _Asked, problem: Problem, x: Floats, cov: Floats, steps: Floats) -> Estimate:
    """Loss of the line at the stated flow, with what noise, the model and unknown critical ratios add."""
    flow, inlet = asked.flow_m3_per_s, asked.inlet_pa

    def loss(y: Floats, line: Line | None = None, at: float = flow, tank: float = inlet) -> float:
        v = problem.values(y)
        return _drop(line or problem.fitted_line(y), v["friction"], v.get("port", 1.0), at, tank)

    here = loss(x)
    if not math.isfinite(here):
        asked.warnings.append("At the stated flow the fitted line chokes: it cannot pass that much.")
        return _NONE
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
    model_u = MODEL_U["ports" if line.receiver else "loss"]  # ports, hoses and the nozzle's tap are hard to tell apart
    return _band(here, math.sqrt(by_noise**2 + model_u**2 + by_b**2))


def _first_share(line: Line, flow_m3_per_s: float, inlet_pa: float) -> float:
    """Share of the first part in the loss up to the tool's coupler, at least 1 %."""
    found = steady_loss(line, flow_m3_per_s, inlet_pa=inlet_pa)
    if not found.losses or not math.isfinite(found.loss_pa):
        return 1.0
    return max(found.losses[0].loss_pa / found.loss_pa, 0.01)


def _band(value: float, u: float) -> Estimate:
    """95 % interval from a relative standard uncertainty."""
    return Estimate(value=value, low=value * math.exp(-Z_95 * u), high=value * math.exp(Z_95 * u))


def _without_nozzle(asked: _Asked, shots: list[Episode]) -> LineFit:
    """Answer without a usable nozzle: pressures alone, without one known flow, fix ratios of flows but no flow."""
    line, warnings = asked.line, asked.warnings
    problem = Problem(line, shots, asked.unknown)
    parameters = []
    for u in problem.unknowns:
        if _asked_for(u.name):
            unit, scale = UNITS[u.name.split(".")[1]]
            parameters.append(Parameter(name=u.name, value=_NONE, nominal=u.nominal * scale, unit=unit))
    if asked.unknown is None or "tool.air_per_shot" in asked.unknown:
        parameters.append(_air_parameter(line, _NONE))
    names = tuple(p.name for p in parameters)
    parameters += _regulators(asked)
    warnings.append(
        "Without a test nozzle no flow in this recording is known, so bores, volumes and air per shot scale together. Open a nozzle of "
        "known conductance at the tool end for a second, once with the supply shut and once with it open, and mark both."
    )
    said, residual = _by_shots(problem) if shots else ((), math.nan)
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=_NONE,
        line_drop_pa=_NONE,
        flow_m3_per_s=asked.flow_m3_per_s,
        inlet_pa=asked.inlet_pa,
        residual_pa=residual,
        cannot_separate=(names,) if names else (),
        findings=said,
        warnings=tuple(warnings),
    )


def _by_shots(problem: Problem) -> tuple[tuple[str, ...], float]:
    """What shots alone tell: the air of a shot, if the bore of the hose at the tool is what it was sold as."""
    hose = next((i for i in range(len(problem.line.parts) - 1, -1, -1) if problem.line.parts[i].kind == "hose"), None)
    if hose is None:
        return (), math.nan
    found = _solve(problem)
    residual = _left(problem, found)
    dip = max(float(e.start_tool_pa - e.tool_pa.min()) for e in problem.episodes)
    if residual > 0.15 * dip:  # the line behaves unlike its file: nothing may be said of its scale
        return (), residual
    cov = covariance(found, problem.prior_u)
    air = _air(problem, found.x, cov)
    bore_name = f"{problem.line.labels()[hose]}.bore"
    if air.value is None or air.high is None or bore_name not in problem.index:
        return (), residual
    by_noise = math.log(air.high / air.value) / Z_95
    # The wave that a shot sends up the hose is its flow times the hose's impedance, which goes with the bore squared.
    bore = problem.unknowns[problem.index[bore_name]]
    scale = math.exp(-2.0 * float(found.x[problem.index[bore.name]]))
    estimate = _band(air.value * scale, math.sqrt(by_noise**2 + (2.0 * 0.02) ** 2 + 0.06**2))
    litres = estimate.map(lambda v: 1e3 * v)
    return (
        f"If the hose at the tool has the {1e3 * bore.nominal:.1f} mm that its file says, a shot takes {litres.value:.2f} L of free air "
        f"({litres.low:.2f} to {litres.high:.2f}); 5 % less bore would make it 10 % less air.",
    ), residual
