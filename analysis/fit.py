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
from scipy.optimize import least_squares

from analysis.air import conductance_of_bore
from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.model import OPEN_END_B, Network, Nozzle, build, chamber_volume, run_network, settled
from analysis.shots import find_shots
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

NOZZLE_B: Final = 0.45  # critical ratio of a test nozzle that names none
CELL_M: Final = 0.7  # the fit asks for many runs; its cells are coarser than the simulation's
LEAD_S: Final = 0.2  # time shown before an event
AFTER_NOZZLE_S: Final = 1.2
AFTER_SHUT_S: Final = 5.0  # with a receiver: its air cools while it expands, and the wall warms it for seconds
AFTER_SHOT_S: Final = 0.9
LONGEST_NOZZLE_S: Final = 2.5  # of a longer one only the beginning is used: the flow is steady by then
SEARCH_S: Final = 3.0  # marks set by hand are this good
# What the model itself may be off by, one standard deviation, relative; added to what the readings' noise gives. From the errors
# of tests.model_errors, the accuracy of a nozzle's stated conductance (1 %), and b of a valve that nobody measured.
MODEL_U: Final = {
    "volume": 0.012,
    "receiver": 0.02,
    "bore": 0.01,
    "supply": 0.05,
    "restriction": 0.12,
    "air": 0.03,
    "loss": 0.03,
    "ports": 0.045,
}
B_U: Final = 0.06  # standard uncertainty of a critical ratio that was not measured
LOOSEST_U: Final = 0.2  # relative standard uncertainty above which a parameter is not worth a number
TOLD: Final = 0.6  # a parameter whose uncertainty is still above this share of its prior's was not told by the recording


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


@dataclass(frozen=True, slots=True)
class _Episode:
    """A stretch of the recording that is fitted: times since its start, pressures there, what happens, and how it begins."""

    at_s: float
    since_s: Floats
    tool_pa: Floats
    supply_pa: Floats | None
    nozzle_s: float  # how long the nozzle blows; 0 for a shot
    nozzle_c: float
    nozzle_b: float
    shut: bool
    start_tool_pa: float
    start_supply_pa: float
    again_s: tuple[tuple[float, float], ...] = ()  # further openings of the nozzle: when after the first, and how long [s]


@dataclass(frozen=True, slots=True)
class _Free:
    """A free parameter, as the logarithm of a multiple of its nominal value (or plainly, where `plain`)."""

    name: str
    nominal: float
    prior_u: float
    plain: bool = False
    start: float = 0.0

    def value(self, x: float) -> float:
        return self.nominal + x if self.plain else self.nominal * math.exp(x)


def fit_line(
    t_s: ArrayLike,
    channels: Mapping[str, ArrayLike],
    line: Line,
    marks: Sequence[Mapping[str, Any]],
    *,
    flow_m3_per_s: float = 4.65e-3,
    inlet_pa: float = 620_500.0,
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

    Returns
    -------
    LineFit

    Raises
    ------
    ValueError
        If there is no pressure at the tool, or too few readings.
    """
    t, tool, supply = _channels(t_s, channels)
    line = _at_temperature(line, marks)
    warnings: list[str] = []
    nozzles = [m for m in marks if m.get("kind") == "nozzle"]
    if supply is None:
        warnings.append("There is no supply channel: the tank is taken to be as the line file says. A second sensor at the tank helps.")
    if not nozzles:
        return _without_nozzle(line, flow_m3_per_s, inlet_pa, warnings)
    zero = _zero_difference(t, tool, supply, nozzles, marks)
    tool = tool + zero
    if abs(zero) > 1e3:
        warnings.append(f"At rest the two sensors differ by {abs(zero) / 1e3:.1f} kPa; the fit takes that for a zero error and removes it.")
    episodes = _episodes(t, tool, supply, nozzles, marks, line, warnings)
    shots = _shot_episodes(t, tool, supply, nozzles, line)
    if not episodes:
        warnings.append("None of the nozzle marks has a fall of pressure near it; check the times of the marks.")
        return _without_nozzle(line, flow_m3_per_s, inlet_pa, warnings)
    return _fit(line, episodes, shots, flow_m3_per_s, inlet_pa, warnings)


def _channels(t_s: ArrayLike, channels: Mapping[str, ArrayLike]) -> tuple[Floats, Floats, Floats | None]:
    t = np.asarray(t_s, dtype=np.float64)

    def find(*words: str) -> Floats | None:
        for name, values in channels.items():
            if any(w in name.lower() for w in words):
                return np.asarray(values, dtype=np.float64)
        return None

    supply = find("supply", "tank", "compressor")
    tool = find("tool", "nailer", "gun")
    if tool is None and len(channels) == 1:
        tool, supply = np.asarray(next(iter(channels.values())), dtype=np.float64), None
    if tool is None:
        msg = f"None of the channels ({', '.join(channels)}) is the tool's pressure; name one of them 'tool'."
        raise ValueError(msg)
    good = np.isfinite(t) & np.isfinite(tool)
    if supply is not None:
        good &= np.isfinite(supply)
    if good.sum() < 200:
        msg = f"Only {int(good.sum())} readings have a pressure at the tool; a fit needs at least 200."
        raise ValueError(msg)
    return t[good], tool[good], supply[good] if supply is not None else None


def _at_temperature(line: Line, marks: Sequence[Mapping[str, Any]]) -> Line:
    temps = [float(m["temperature_degc"]) for m in marks if isinstance(m.get("temperature_degc"), int | float)]
    if not temps:
        return line
    return dataclasses.replace(line, site=dataclasses.replace(line.site, temperature_k=273.15 + sum(temps) / len(temps)))


def _shut_at(time_s: float, marks: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the supply is shut at a time, by the last such mark before it."""
    state = False
    for mark in sorted(marks, key=lambda m: float(m.get("time_s", 0.0))):
        if float(mark.get("time_s", 0.0)) <= time_s and mark.get("kind") in ("supply shut", "supply open"):
            state = mark["kind"] == "supply shut"
    return state


def _onset(t: Floats, p: Floats, near_s: float) -> float | None:
    """Moment near a mark at which the pressure begins its steepest fall [s]; None where nothing falls."""
    window = np.flatnonzero((t > near_s - SEARCH_S) & (t < near_s + SEARCH_S))
    if window.size < 50:
        return None
    tt, pp = t[window], p[window]
    span = 0.04
    sums = np.concatenate([[0.0], np.cumsum(pp)])
    left, right = np.searchsorted(tt, tt - span), np.searchsorted(tt, tt + span)
    here = np.arange(tt.size)
    ok = (here - left >= 2) & (right - here >= 2)
    step = np.full(tt.size, np.inf)
    step[ok] = (sums[right[ok]] - sums[here[ok]]) / (right[ok] - here[ok]) - (sums[here[ok]] - sums[left[ok]]) / (here[ok] - left[ok])
    noise = float(np.std(np.diff(pp))) / math.sqrt(2.0)
    # The first steep fall: where waves run to and fro a later one may be steeper.
    k = int(np.flatnonzero(step < 0.45 * np.min(step))[0]) if np.min(step) < 0.0 else 0
    while k + 1 < tt.size and step[k + 1] < step[k]:
        k += 1
    if not step[k] < -max(6.0 * noise / math.sqrt(max(int(right[k] - k), 1)), 1500.0):
        return None
    before = pp[(tt > tt[k] - 0.5) & (tt < tt[k] - span)]
    level = float(np.median(before)) if before.size else float(pp[0])
    after = float(np.min(pp[k : right[k] + 1]))
    below = np.flatnonzero((tt > tt[k] - span) & (pp < level - max(4.0 * noise, 0.15 * (level - after))))
    return float(tt[below[0]]) if below.size else float(tt[k])


def _zero_difference(
    t: Floats, tool: Floats, supply: Floats | None, nozzles: Sequence[Mapping[str, Any]], marks: Sequence[Mapping[str, Any]]
) -> float:
    """Median of supply less tool at rest with the supply open [Pa]: the difference of the two sensors' zeros."""
    if supply is None:
        return 0.0
    out = []
    for mark in nozzles:
        at = _onset(t, tool, float(mark["time_s"]))
        if at is None or _shut_at(at, marks):
            continue
        rest = (t > at - 1.5) & (t < at - 0.1)
        if rest.sum() > 20:
            out.append(float(np.median(supply[rest] - tool[rest])))
    return float(np.median(out)) if out else 0.0


def _cut(
    t: Floats, tool: Floats, supply: Floats | None, at: float, lasts_s: float, nozzle: tuple[float, float, float], shut: bool
) -> _Episode:
    inside = (t > at - LEAD_S) & (t < at + lasts_s)
    rest = (t > at - 1.0) & (t < at - 0.03)
    start = float(np.median(tool[rest]))
    return _Episode(
        at_s=at,
        since_s=t[inside] - (at - LEAD_S),
        tool_pa=tool[inside],
        supply_pa=supply[inside] if supply is not None else None,
        nozzle_s=nozzle[0],
        nozzle_c=nozzle[1],
        nozzle_b=nozzle[2],
        shut=shut,
        start_tool_pa=start,
        start_supply_pa=float(np.median(supply[rest])) if supply is not None else start,
    )


def _episodes(
    t: Floats,
    tool: Floats,
    supply: Floats | None,
    nozzles: Sequence[Mapping[str, Any]],
    marks: Sequence[Mapping[str, Any]],
    line: Line,
    warnings: list[str],
) -> list[_Episode]:
    """Up to three nozzle episodes with the supply shut and two with it open."""
    shut_ones: list[_Episode] = []
    open_ones: list[_Episode] = []
    for mark in nozzles:
        c, lasts = mark.get("conductance_l_per_s_bar"), mark.get("duration_s")
        if not isinstance(c, int | float) or not c > 0.0 or not isinstance(lasts, int | float) or not lasts > 0.0:
            warnings.append("A nozzle mark without its conductance or duration is left out; it needs both.")
            continue
        at = _onset(t, tool, float(mark["time_s"]))
        if at is None:
            warnings.append(f"Near the nozzle mark at {float(mark['time_s']):.0f} s the pressure does not fall; it is left out.")
            continue
        shut = _shut_at(at, marks)
        b = mark.get("b")
        nozzle = (float(lasts), float(c) * 1e-8, float(b) if isinstance(b, int | float) else NOZZLE_B)
        after = AFTER_SHUT_S if shut and line.receiver is not None else AFTER_NOZZLE_S
        until = lasts + after if lasts <= LONGEST_NOZZLE_S else LONGEST_NOZZLE_S - 0.1
        if (t[-1] < at + until) or ((t > at - 1.0) & (t < at + until)).sum() < 100:
            continue
        (shut_ones if shut else open_ones).append(_cut(t, tool, supply, at, until, nozzle, shut))
    if line.receiver is not None and len(shut_ones) > 1:
        shut_ones = [_chain(shut_ones)]
    open_ones.sort(key=lambda e: -e.nozzle_s)  # the longest shows the steady loss best, a short one its end
    return shut_ones[:3] + open_ones[:1] + open_ones[1:][-1:]


def _chain(shut_ones: list[_Episode]) -> _Episode:
    """Join nozzle openings of one shut supply: a receiver's air is still cold from one when the next begins."""
    first = shut_ones[0]
    same = [e for e in shut_ones if e.nozzle_c == first.nozzle_c and e.at_s - first.at_s < 60.0][:3]
    return dataclasses.replace(
        first,
        since_s=np.concatenate([e.since_s + (e.at_s - first.at_s) for e in same]),
        tool_pa=np.concatenate([e.tool_pa for e in same]),
        supply_pa=None,
        again_s=tuple((e.at_s - first.at_s, e.nozzle_s) for e in same[1:]),
    )


def _shot_episodes(t: Floats, tool: Floats, supply: Floats | None, nozzles: Sequence[Mapping[str, Any]], line: Line) -> list[_Episode]:
    """Up to three single shots, far from any nozzle mark and fired on a settled line."""
    del line
    try:
        found = find_shots(t, tool).shots
    except ValueError:
        return []
    busy = [float(m["time_s"]) for m in nozzles]
    quiet = []
    for i, shot in enumerate(found):
        alone = (i == 0 or shot.time_s - found[i - 1].time_s > 2.5) and (i + 1 == len(found) or found[i + 1].time_s - shot.time_s > 1.2)
        near = any(-SEARCH_S < shot.time_s - b < SEARCH_S + 6.0 for b in busy)
        if alone and not near and shot.time_s > t[0] + 1.2 and shot.time_s + AFTER_SHOT_S < t[-1]:
            quiet.append(shot)
    if not quiet:
        return []
    usual = float(np.median([s.dip_pa for s in quiet]))
    quiet = [s for s in quiet if abs(s.dip_pa / usual - 1.0) < 0.15]
    return [_cut(t, tool, supply, s.time_s, AFTER_SHOT_S, (0.0, 0.0, 0.0), False) for s in quiet[:3]]


class _Problem:
    """The residuals of all episodes as a function of the free parameters; runs of the model are kept for the columns that need none."""

    def __init__(self, line: Line, episodes: list[_Episode], noise_pa: float) -> None:
        self.line, self.episodes, self.noise = line, episodes, noise_pa
        labels = line.labels()
        self.hoses = [i for i, p in enumerate(line.parts) if p.kind == "hose"]
        self.free: list[_Free] = []
        self.part_of: dict[str, int] = {}
        for i in self.hoses:
            self._add(f"{labels[i]}.bore", line.parts[i].bore_m or 0.0, 0.03, i)
        for i, part in enumerate(line.parts):
            if part.kind == "receiver":
                self._add(f"{labels[i]}.volume", part.volume_m3 or 0.0, 0.5, i)
            elif part.kind == "regulator":
                continue
            elif part.conductance is not None:
                self._add(f"{labels[i]}.conductance", part.conductance, 1.0 if i == 0 else 0.5, i)
        self._add("tool.chamber", chamber_volume(line), 0.8, len(line.parts) - 1)
        self._add("friction", 1.0, 0.25, -1)  # roughness, and full-bore fittings, which pressures at the ends cannot tell from it
        self._add("tank", line.compressor.tank_m3, 0.1, -1)
        self._add("tap", 0.0, 20e3, -1, plain=True)
        self._add("late", 0.0, 0.006, -1, plain=True)  # how much later than stated the nozzle shuts
        if any(p.kind == "receiver" for p in line.parts):
            self._add("wall", 1.0, 0.7, -1)  # heat from the walls of vessels
            self._add("port", 0.5, 0.7, -1)  # passage into and out of a receiver, over that of the hose's full bore
        if any(e.nozzle_s == 0.0 for e in episodes):
            self._add("tool.air_per_shot", line.tool.air_per_shot_m3 or 1e-3, 0.8, -1)
            self._add("shot", 0.02, 0.7, -1)
        self.physical = len(self.free)
        for k in range(len(episodes)):
            self._add(f"moment{k}", 0.0, 0.02, -1, plain=True)
        self._kept: dict[bytes, list[tuple[Floats, Floats, Floats]]] = {}

    def _add(self, name: str, nominal: float, prior_u: float, part: int, *, plain: bool = False) -> None:
        self.free.append(_Free(name, nominal, prior_u, plain))
        self.part_of[name] = part

    def values(self, x: Floats) -> dict[str, float]:
        return {f.name: f.value(float(v)) for f, v in zip(self.free, x, strict=True)}

    def fitted_line(self, x: Floats) -> Line:
        """Return the line with the fitted parts."""
        line = self.line
        for name, value in self.values(x).items():
            i = self.part_of[name]
            if i < 0:
                continue
            field = {"bore": "bore_m", "volume": "volume_m3", "conductance": "conductance", "chamber": "volume_m3"}[name.split(".")[1]]
            line = line.with_part(i, **{field: value})
        return line

    def _network(self, x: Floats, values: dict[str, float]) -> Network:
        net = build(self.fitted_line(x), cell_m=CELL_M)
        net.hose[:, 7] = values["friction"]
        net.volume[0, 0] = values["tank"]
        net.volume[1:, 1] *= values.get("wall", 1.0)
        net.element[net.el_part < 0, 0] *= values.get("port", 1.0)
        net.pump[0] = 0.0
        return net

    def _runs(self, x: Floats) -> list[tuple[Floats, Floats, Floats]]:
        """Times, tool and supply pressures [Pa gauge] of each episode's run."""
        key = x[: self.physical].tobytes()
        if key in self._kept:
            return self._kept[key]
        if len(self._kept) > 40:
            self._kept.clear()
        values = self.values(x)
        net = self._network(x, values)
        first_k = float(net.element[0, 0])
        out = []
        for e in self.episodes:
            supply, tool = e.start_supply_pa + net.p_amb_pa, e.start_tool_pa + net.p_amb_pa
            net.element[0, 0] = first_k * (1e-7 if e.shut else 1.0)
            state = settled(net, supply if e.shut else tool, tool)
            if "tool.air_per_shot" in values:
                net.shot[:] = values["tool.air_per_shot"] * 1.185, tool, values["shot"]
            shots = [LEAD_S] if e.nozzle_s == 0.0 else []
            until = LEAD_S + e.nozzle_s + (values["late"] if e.nozzle_s else 0.0)
            times_on = [(LEAD_S, until)] if e.nozzle_s else []
            times_on += [(LEAD_S + after, LEAD_S + after + lasts + values["late"]) for after, lasts in e.again_s]
            blow = [Nozzle(from_s=a, until_s=b, conductance=e.nozzle_c, b=e.nozzle_b) for a, b in times_on]
            rate = 500.0
            got = run_network(
                net, state, duration_s=float(e.since_s[-1]) + 0.1, shots_s=shots, nozzles=blow, output_rate_hz=rate, memory=True
            )
            tool_pa = got.p_abs_pa[:, -2, 1] - net.p_amb_pa
            times = np.arange(tool_pa.size) / rate
            if e.nozzle_s:
                # What a tap beside a blowing nozzle shows is not quite the hose's pressure; the difference goes with the flow.
                blowing = np.zeros(times.size, dtype=bool)
                for a, b in times_on:
                    blowing |= (times > a) & (times < b)
                tool_pa[blowing] += values["tap"] * (tool_pa[blowing] + net.p_amb_pa) / 8e5
            out.append((times, tool_pa, got.p_abs_pa[:, 0, 0] - net.p_amb_pa))
        self._kept[key] = out
        return out

    def misfit(self, x: Floats) -> list[Floats]:
        """Model less measured at the tool [Pa], an array an episode."""
        out = []
        for k, (e, (times, tool, _)) in enumerate(zip(self.episodes, self._runs(x), strict=True)):
            out.append(np.interp(e.since_s - x[self.physical + k], times, tool) - e.tool_pa)
        return out

    def residuals(self, x: Floats) -> Floats:
        """All residuals over their noise, and the priors."""
        out = [m / self.noise for m in self.misfit(x)]
        for k, (e, (times, _, supply)) in enumerate(zip(self.episodes, self._runs(x), strict=True)):
            if e.supply_pa is not None and not e.shut and e.nozzle_s:
                out.append((np.interp(e.since_s - x[self.physical + k], times, supply) - e.supply_pa) / self.noise)
        out.append(np.array([v / f.prior_u for f, v in zip(self.free, x, strict=True)]))
        return np.concatenate(out)


def _fit(
    line: Line, episodes: list[_Episode], shots: list[_Episode], flow_m3_per_s: float, inlet_pa: float, warnings: list[str]
) -> LineFit:
    everything = episodes + shots
    noise = float(np.median([np.median(np.abs(np.diff(e.tool_pa))) for e in everything])) / 0.6745 / math.sqrt(2.0)
    noise = max(noise, 100.0)
    problem = _Problem(line, everything, noise)
    bound = np.array([4.0 * f.prior_u if not f.name.endswith("bore") else 0.45 for f in problem.free])
    bound[[i for i, f in enumerate(problem.free) if f.name.endswith("conductance")]] = 2.5

    def search(start: Floats, runs: int) -> Any:
        return least_squares(
            problem.residuals,
            start,
            bounds=(-bound, bound),
            loss="soft_l1",
            f_scale=4.0,
            x_scale=np.array([f.prior_u if f.plain else 0.1 for f in problem.free]),
            diff_step=np.full(len(problem.free), 1e-3),
            max_nfev=runs,
            ftol=1e-7,
        )

    # Several starts, and the two that promise most followed to the end: the misfit has more than one valley.
    begun = sorted((search(start, 8) for start in _starts(problem)), key=lambda found: float(found.cost))
    best = min((search(found.x, 60) for found in begun[:2]), key=lambda found: float(found.cost))
    misfit = problem.misfit(best.x)
    residual = float(np.sqrt(np.mean(np.concatenate(misfit) ** 2)))
    # Neighbouring residuals are alike where the model is not perfect: count the independent ones only.
    stretch = float(np.median([_correlation(m) for m in misfit])) * max(residual / noise, 1.0) ** 2
    n = len(problem.free)
    jac = np.asarray(best.jac, dtype=np.float64)
    data, prior = jac[:-n], jac[-n:]
    cov = np.asarray(np.linalg.pinv(data.T @ data / stretch + prior.T @ prior), dtype=np.float64)
    return _answer(line, problem, best.x, cov, episodes, bool(shots), residual, noise, flow_m3_per_s, inlet_pa, warnings)


def _starts(problem: _Problem) -> list[Floats]:
    """Starting points: the nominal line, one with narrow ports and a tap that reads low, and one with the supply nearly shut."""
    names = [f.name for f in problem.free]

    def start(**values: float) -> Floats:
        x = np.zeros(len(names))
        for name, value in values.items():
            key = name.replace("__", ".")
            if key in names:
                x[names.index(key)] = value
        return x

    usual = {"tool__chamber": -0.5, "tool__air_per_shot": -0.5}
    out = [start(**usual), start(**usual, tap=-1.2e4, port=-0.7)]
    if "supply.conductance" in names:
        out.append(start(**usual, supply__conductance=-1.5))
    return out


def _correlation(r: Floats) -> float:
    """Integrated autocorrelation of a series: how many neighbours count as one."""
    r = r - r.mean()
    power = float(r @ r)
    if power == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(r.size // 4, 200)):
        rho = float(r[:-lag] @ r[lag:]) / power
        if rho < 0.05:
            break
        total += 2.0 * rho
    return total


def _volume(line: Line) -> float:
    """All air behind the first part [m3]: hoses, vessels, the tool's chamber."""
    total = chamber_volume(line)
    for part in line.parts[:-1]:
        if part.kind == "hose":
            total += math.pi / 4.0 * (part.bore_m or 0.0) ** 2 * (part.length_m or 0.0)
        else:
            total += part.volume_m3 or 0.0
    return total


def _drop(line: Line, values: Mapping[str, float], flow_m3_per_s: float, inlet_pa: float) -> float:
    """Loss of the line at a flow [Pa]; friction enters as so much more hose, ports as restrictions. NaN where it chokes."""
    parts: list[Part] = []
    for i, part in enumerate(line.parts):
        if part.kind == "hose":
            part = dataclasses.replace(part, length_m=(part.length_m or 0.0) * values["friction"])
            ends = [line.parts[i - 1].kind == "receiver" if i else False, line.parts[i + 1].kind == "receiver"]
            bore = values.get("port", 1.0) * conductance_of_bore(part.bore_m or 0.0)
            port = Part(kind="valve", name="port", conductance=bore, b=OPEN_END_B)
            parts += [port] * ends[0] + [part] + [port] * ends[1]
        else:
            parts.append(part)
    return steady_loss(dataclasses.replace(line, parts=tuple(parts)), flow_m3_per_s, inlet_pa=inlet_pa).loss_pa


def _band(value: float, u: float, *, log: bool = True) -> Estimate:
    """95 % interval from a relative (log) or absolute standard uncertainty."""
    if log:
        return Estimate(value=value, low=value * math.exp(-1.96 * u), high=value * math.exp(1.96 * u))
    return Estimate(value=value, low=value - 1.96 * u, high=value + 1.96 * u)


_NONE: Final = Estimate(value=None)


def _answer(
    line: Line,
    problem: _Problem,
    x: Floats,
    cov: Floats,
    episodes: list[_Episode],
    with_shots: bool,
    residual: float,
    noise: float,
    flow_m3_per_s: float,
    inlet_pa: float,
    warnings: list[str],
) -> LineFit:
    values, fitted = problem.values(x), problem.fitted_line(x)
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    shut, opened = any(e.shut for e in episodes), any(not e.shut for e in episodes)
    parameters: list[Parameter] = []
    vague: list[str] = []
    for i, f in enumerate(problem.free[: problem.physical]):
        if f.name in ("friction", "tank", "tap", "late", "wall", "port", "shot", "tool.chamber"):
            continue
        kind = _kind(f.name)
        spread = math.hypot(float(u[i]), MODEL_U[kind])
        if kind == "supply":  # a valve that takes little of the loss is known the less from the loss
            spread = math.hypot(spread, 0.5 * MODEL_U["ports" if line.receiver else "loss"] / _first_share(fitted, flow_m3_per_s, inlet_pa))
        unit, scale = {"bore": ("mm", 1e3), "conductance": ("l_per_s_bar", 1e8), "volume": ("l", 1e3), "air_per_shot": ("l", 1e3)}[
            f.name.split(".")[1]
        ]
        told = u[i] < min(TOLD * f.prior_u, LOOSEST_U) and (kind != "supply" or (opened and spread < 0.13)) and (kind != "receiver" or shut)
        nominal = f.nominal * scale
        if told:
            parameters.append(Parameter(name=f.name, value=_band(values[f.name] * scale, spread), nominal=nominal, unit=unit))
        else:
            vague.append(f.name)
            parameters.append(Parameter(name=f.name, value=_NONE, nominal=nominal, unit=unit))
    volume, drop = _NONE, _NONE
    if shut:
        by_noise = _spread(problem, x, cov, lambda y: math.log(_volume(problem.fitted_line(y))))
        volume = _band(_volume(fitted), math.hypot(by_noise, MODEL_U["receiver" if line.receiver else "volume"]))
    else:
        warnings.append(
            "There is no test nozzle with the supply shut; the volume of the line cannot be weighed. Shut the supply and open it."
        )
    if opened:
        drop = _drop_estimate(problem, x, cov, flow_m3_per_s, inlet_pa, episodes, warnings)
    else:
        warnings.append("There is no test nozzle with the supply open; the loss of the line cannot be measured. Open the supply for one.")
    if not with_shots:
        warnings.append("No single shot on a settled line was found; the air per shot is not fitted.")
    if residual > 3.0 * noise:
        warnings.append(
            f"The model leaves {residual / 1e3:.1f} kPa where the readings' noise is {noise / 1e3:.1f}: "
            "something in the line is not in its file."
        )
    separate = [tuple(vague)] if vague else []
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=volume,
        line_drop_pa=drop,
        flow_m3_per_s=flow_m3_per_s,
        inlet_pa=inlet_pa,
        residual_pa=residual,
        cannot_separate=tuple(separate),
        findings=_findings(line, parameters, volume, drop, flow_m3_per_s, values["friction"]),
        warnings=tuple(warnings),
    )


def _first_share(line: Line, flow_m3_per_s: float, inlet_pa: float) -> float:
    """Share of the first part in the loss up to the tool's coupler, at least 1 %."""
    found = steady_loss(line, flow_m3_per_s, inlet_pa=inlet_pa)
    if not found.losses or not math.isfinite(found.loss_pa):
        return 1.0
    return max(found.losses[0].loss_pa / found.loss_pa, 0.01)


def _kind(name: str) -> str:
    if name.startswith(("supply", "receiver")):
        return name.split(".")[0].rstrip("0123456789")
    return {"bore": "bore", "volume": "volume", "conductance": "restriction", "air_per_shot": "air"}[name.split(".")[1]]


def _spread(problem: _Problem, x: Floats, cov: Floats, f: Any) -> float:
    """Standard uncertainty of a function of the fitted parameters, to first order."""
    here = f(x)
    grad = np.zeros(x.size)
    for i in range(problem.physical):
        y = x.copy()
        y[i] += 1e-3 * (problem.free[i].nominal + 1.0 if problem.free[i].plain else 1.0)
        grad[i] = (f(y) - here) / (y[i] - x[i])
    return math.sqrt(max(float(grad @ cov @ grad), 0.0))


def _drop_estimate(
    problem: _Problem, x: Floats, cov: Floats, flow_m3_per_s: float, inlet_pa: float, episodes: list[_Episode], warnings: list[str]
) -> Estimate:
    """Loss of the line at the stated flow, with what noise, the model and unknown critical ratios add."""

    def loss(y: Floats) -> float:
        return _drop(problem.fitted_line(y), problem.values(y), flow_m3_per_s, inlet_pa)

    here = loss(x)
    if not math.isfinite(here):
        warnings.append("At the stated flow the fitted line chokes: it cannot pass that much.")
        return _NONE
    spread = _spread(problem, x, cov, lambda y: math.log(loss(y)) if math.isfinite(loss(y)) else math.log(here))
    # Another critical ratio of the first part, with the conductance that then gives the same loss where it was measured.
    line, values = problem.fitted_line(x), problem.values(x)
    first = line.parts[0]
    by_b = 0.0
    if first.conductance is not None and first.kind != "regulator":
        blow = max((e for e in episodes if not e.shut), key=lambda e: e.nozzle_c)
        tested = 0.97 * blow.nozzle_c * (blow.start_tool_pa + line.site.p_amb_pa)
        measured = _drop(line, values, tested, blow.start_supply_pa)
        other_b = min((first.b or 0.0) + B_U, 0.9)
        low, high = 0.2 * first.conductance, 3.0 * first.conductance
        for _ in range(50):
            mid = math.sqrt(low * high)
            got = _drop(line.with_part(0, b=other_b, conductance=mid), values, tested, blow.start_supply_pa)
            low, high = (low, mid) if math.isfinite(got) and got < measured else (mid, high)
        other = _drop(line.with_part(0, b=other_b, conductance=math.sqrt(low * high)), values, flow_m3_per_s, inlet_pa)
        by_b = abs(math.log(other / here)) if math.isfinite(other) and math.isfinite(measured) else 0.1
    model_u = MODEL_U["ports" if line.receiver else "loss"]  # ports, hoses and the nozzle's tap are hard to tell apart
    return _band(here, math.sqrt(spread**2 + model_u**2 + by_b**2))


def _findings(
    line: Line, parameters: list[Parameter], volume: Estimate, drop: Estimate, flow_m3_per_s: float, friction: float
) -> tuple[str, ...]:
    out: list[str] = []
    if volume.value is not None and volume.low is not None and volume.high is not None:
        out.append(
            f"Behind the supply there are {1e3 * volume.value:.2f} L of room ({1e3 * volume.low:.2f} to {1e3 * volume.high:.2f}); "
            f"the line file makes it {1e3 * _volume(line):.2f} L."
        )
    if drop.value is not None and drop.low is not None and drop.high is not None:
        out.append(
            f"At {1e3 * flow_m3_per_s:.2f} L/s of free air the line loses {drop.value / 1e5:.3f} bar "
            f"({drop.low / 1e5:.3f} to {drop.high / 1e5:.3f}) on the way to the tool."
        )
    for p in parameters:
        v = p.value
        if v.value is None or v.low is None or v.high is None or not p.nominal or v.low <= p.nominal <= v.high:
            continue
        kind = p.name.split(".")[1]
        if kind == "bore":
            out.append(f"{_cap(p.name)}: passes air like a {v.value:.1f} mm bore, not {p.nominal:.1f} mm; it is not what it was sold as.")
        elif kind == "volume":
            out.append(f"{_cap(p.name)}: acts like {v.value:.1f} L, not {p.nominal:.1f} L: drain the water, or check the volume.")
        elif p.name == "supply.conductance" and v.high < 0.7 * p.nominal:
            out.append(
                f"The supply passes {v.value:.2f} L/s/bar, not {p.nominal:.2f}: look there first for a valve that is not fully open, "
                "a clogged filter or a small fitting."
            )
        elif kind == "conductance" and v.high < 0.8 * p.nominal:
            out.append(f"{_cap(p.name)}: {v.value:.2f} L/s/bar, not {p.nominal:.2f}: something narrows it.")
        elif kind == "air_per_shot":
            out.append(f"A shot takes {v.value:.2f} L of free air, not {p.nominal:.2f} L.")
    if friction > 1.4:
        out.append(
            f"The hoses lose {friction:.1f} times what their bores explain: fittings or ports on the way are narrow, or a hose is kinked."
        )
    return tuple(out)


def _cap(name: str) -> str:
    return name.split(".")[0].capitalize()


def _without_nozzle(line: Line, flow_m3_per_s: float, inlet_pa: float, warnings: list[str]) -> LineFit:
    """Answer without a usable nozzle: pressures alone, without one known flow, fix ratios of flows but no flow."""
    problem = _Problem(line, [], 1.0)
    parameters = []
    names = []
    for f in problem.free:
        if "." not in f.name or f.name == "tool.chamber":
            continue
        unit, scale = {"bore": ("mm", 1e3), "conductance": ("l_per_s_bar", 1e8), "volume": ("l", 1e3)}[f.name.split(".")[1]]
        names.append(f.name)
        parameters.append(Parameter(name=f.name, value=_NONE, nominal=f.nominal * scale, unit=unit))
    names.append("tool.air_per_shot")
    parameters.append(Parameter(name="tool.air_per_shot", value=_NONE, nominal=1e3 * (line.tool.air_per_shot_m3 or 0.0), unit="l"))
    warnings.append(
        "Without a test nozzle no flow in this recording is known, so bores, volumes and air per shot scale together. Open a nozzle of "
        "known conductance at the tool end for a second, once with the supply shut and once with it open, and mark both."
    )
    return LineFit(
        parameters=tuple(parameters),
        volume_downstream_m3=_NONE,
        line_drop_pa=_NONE,
        flow_m3_per_s=flow_m3_per_s,
        inlet_pa=inlet_pa,
        residual_pa=math.nan,
        cannot_separate=(tuple(names),),
        findings=(),
        warnings=tuple(warnings),
    )
