"""The unknowns of a line fit, and what the line model makes of them in each episode of a recording.

Three sorts of unknowns cost differently. Those of the line need a run of every episode; the air of one shot needs a run of that shot;
the moment of an episode, the sensor's lag and the tap's error need none. The Jacobian is built accordingly.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ANR_PRESSURE_ABS_PA, CV_J_PER_KG_K, R_AIR_J_PER_KG_K
from analysis.line import Line
from analysis.line_episodes import LEAD_S, Episode
from analysis.line_records import DRAIN
from analysis.model import Network, Nozzle, build, chamber_volume, iso_k, run_network, settled

Floats = NDArray[np.float64]

CELL_M: Final = 0.7  # the fit asks for many runs; its cells are coarser than the simulation's,
COARSE_CELL_M: Final = 1.6  # and coarser still while it chooses between starting points
BRIEF_S: Final = 5.0  # after the first nozzle, which is then enough
RATE_HZ: Final = 500.0
SHORT_STEPS: Final = 0.5  # while a tool fires; else a dip jumps with every unknown that moves the steps, and the search sticks
TAP_REFERENCE_PA: Final = 8e5
FIELD: Final = {
    "bore": "bore_m",
    "volume": "volume_m3",
    "conductance": "conductance",
    "chamber": "volume_m3",
    "droop": "droop_pa",
    "follows": "time_constant_s",
    "holds": "set_pa",
}
FOLLOWS_S: Final = 0.02  # time constant of a regulator whose file names none; common practice, no source
NO_DROP_PA: Final = 1e4  # by so much the tank must stand above the tool at rest for a regulator to be at work: more than sensors are off
LEAK_SHOWS_PA_PER_S: Final = 100.0
STEP: Final = 6e-3  # of a logarithm, for differences; with much less the time steps of two runs show in them, and the search sticks


@dataclass(frozen=True, slots=True)
class Unknown:
    """One unknown: the logarithm of a multiple of its nominal value or, where `plain`, a difference to it.

    Attributes
    ----------
    name : str
    nominal : float
    prior_u : float
        Standard deviation that is expected before the recording is seen, of the logarithm or the difference.
    bound : float
        Largest size of the logarithm or the difference.
    sort : str
        ``line`` (needs a run of every episode), ``shot`` (of one) or ``trace`` (of none).
    plain : bool
    part : int
        Index of the part of the line that it belongs to; -1 for none.
    episode : int
        Index of the episode that it belongs to; -1 for all.
    """

    name: str
    nominal: float
    prior_u: float
    bound: float
    sort: str = "line"
    plain: bool = False
    part: int = -1
    episode: int = -1

    def value(self, x: float) -> float:
        """Value for an unknown x."""
        return self.nominal + x if self.plain else self.nominal * math.exp(x)

    @property
    def of_line(self) -> bool:
        """Whether it belongs to the line itself, what passes through it or is in it; not to an episode or a sensor."""
        return "." in self.name or self.name in ("friction", "port")

    @property
    def asked_for(self) -> bool:
        """Whether it is a property of a part that somebody asks for, and not a help of the fit."""
        return "." in self.name and not self.name.endswith((".chamber", ".follows", ".holds"))

    @property
    def kind(self) -> str:
        """Of what is asked for: ``supply``, ``receiver``, ``regulator``, ``bore`` or ``restriction``."""
        part, what = self.name.split(".")
        part = part.rstrip("0123456789")
        return part if part in ("supply", "receiver", "regulator") else "restriction" if what == "conductance" else what

    @property
    def step(self) -> float:
        """Step for differences; a lag shorter than the model's samples are apart does not show, and would never be found."""
        if self.name == "lag":
            return 0.5 / RATE_HZ
        return 0.02 * self.prior_u if self.plain else STEP


def unknowns_of(line: Line, episodes: Sequence[Episode], chosen: Sequence[str] | None = None) -> list[Unknown]:
    """List the unknowns of a line and of its episodes.

    Parameters
    ----------
    line : Line
    episodes : sequence of Episode
    chosen : sequence of str, optional
        Which parts' properties are unknown, by name; all where not given.

    Raises
    ------
    ValueError
        If a chosen name is not a property of the line.
    """
    labels = line.labels()
    out: list[Unknown] = []
    shots = [k for k, e in enumerate(episodes) if not e.blows]
    shut = [e for e in episodes if e.shut]
    for i, part in enumerate(line.parts):
        if part.kind == "hose":
            out.append(Unknown(f"{labels[i]}.bore", part.bore_m or 0.0, 0.04, 0.6, part=i))
    for i, part in enumerate(line.parts):
        if part.kind == "receiver":
            out.append(Unknown(f"{labels[i]}.volume", part.volume_m3 or 0.0, 0.5, 2.0, part=i))
        elif part.conductance is not None:
            prior_u, bound = (1.0, 4.0) if i == 0 else (0.5, 2.5)  # somebody may have left the supply valve nearly shut
            out.append(Unknown(f"{labels[i]}.conductance", part.conductance, prior_u, bound, part=i))
        if part.kind == "regulator":
            out.append(Unknown(f"{labels[i]}.droop", part.droop_pa or 0.0, 1.0, 4.0, part=i))
    if chosen is not None:
        known = [*(u.name for u in out), "tool.air_per_shot"]
        known += [f"{label}.set" for label in labels if label.startswith("regulator")]
        for name in chosen:
            if name not in known:
                msg = f"{name} is no unknown of this line. It has {', '.join(known)}."
                raise ValueError(msg)
        out = [u for u in out if u.name in chosen]
    # The tool: how large its chamber is, and the share of its air that a shot lets out; both together are the air per shot.
    out.append(Unknown("tool.chamber", chamber_volume(line), 0.8, 3.0, part=len(line.parts) - 1))
    if shots:
        out.append(Unknown("share", 0.5, 0.3, 1.1))  # a sixth to all of it
    # What nobody asks for, but the readings depend on.
    regulators = [i for i, part in enumerate(line.parts) if part.kind == "regulator"]
    for i in regulators:
        out.append(Unknown(f"{labels[i]}.follows", line.parts[i].time_constant_s or FOLLOWS_S, 1.0, 2.5, part=i))
    if regulators:
        # It does not relieve: air that warms after a draw, and its own closing, leave the line at rest above what it holds.
        rest = min((e.start_tool_pa for e in episodes if not e.shut), default=line.parts[regulators[-1]].set_pa or 0.0)
        out.append(Unknown(f"{labels[regulators[-1]]}.holds", rest, 5e3, 4e4, plain=True, part=regulators[-1]))
        # The pressure before it: what a sensor at the tank shows is off by its zero, and by what a hose cools after it was filled and shut.
        low, high = line.compressor.cut_in_pa, line.compressor.cut_out_pa
        seen = any(e.supply_pa is not None for e in episodes)
        of_tank = (0.0, 5e3, 2e4) if seen else (0.5 * (low + high), 0.25 * (high - low), 0.5 * (high - low))
        out.append(Unknown("level", *of_tank, plain=True))
    out.append(Unknown("friction", 1.0, 0.25, 2.0))  # roughness, and full-bore fittings, which pressures at the ends cannot tell from it
    out.append(Unknown("heat", 1.0, 0.3, 1.0))  # of the hoses' walls
    out.append(Unknown("tank", line.compressor.tank_m3, 0.1, 0.4))
    if any(p.kind == "receiver" for p in line.parts):
        out.append(Unknown("wall", 1.0, 0.7, 2.5))  # heat from the walls of vessels
        out.append(Unknown("port", 0.5, 0.7, 2.5))  # passage into and out of a receiver, over that of the hose's full bore
    if any(e.blows for e in episodes):
        out.append(Unknown("late", 0.0, 0.004, 0.03, plain=True))  # how much later than stated the nozzle shuts [s]
        out.append(Unknown("opens", 0.02, 1.0, 2.0))  # how long a valve takes to open the nozzle, and to shut it [s]
        # What a tap beside a blowing nozzle shows is not quite the hose's pressure; the difference goes with the flow.
        out.append(Unknown("tap", 0.0, 20e3, 80e3, sort="trace", plain=True))
    out.append(Unknown("chamber_wall", 1.5, 0.5, 1.5))  # heat from the wall of the tool's chamber, smaller and more stirred than a vessel
    if shut and (leak := _leak(line, shut[0])):
        out.append(leak)
    for k, e in enumerate(episodes):
        for i in range(1, len(e.blows)):  # how much later than it was seen a further opening came [s]
            out.append(Unknown(f"again{i}", 0.0, 0.01, 0.1, plain=True, episode=k))
    if shots:
        out.append(Unknown("shot", 0.02, 0.7, 1.5))  # how long a shot draws air [s]
        for k in shots if len(shots) > 1 else []:
            out.append(Unknown(f"air{k}", 1.0, 0.05, 0.3, sort="shot", episode=k))
    out.append(Unknown("lag", 0.0, 0.005, 0.05, sort="trace", plain=True))  # of the sensor [s]; below zero it means none
    for k in range(len(episodes)):
        out.append(Unknown(f"moment{k}", 0.0, 0.02, 0.1, sort="trace", plain=True, episode=k))
    return out


def _leak(line: Line, shut: Episode) -> Unknown | None:
    """Leak of all behind the supply [m3/(s Pa)], where the pressure falls at rest before the nozzle more than settling air does.

    Air that has just filled the line cools, and falls likewise; whether it is a leak the rests after the nozzle tell.
    """
    if not shut.drift_pa_per_s < -LEAK_SHOWS_PA_PER_S:
        return None
    per_slope = air_volume(line) / ((shut.start_tool_pa + line.site.p_amb_pa) * ANR_PRESSURE_ABS_PA)
    nominal = -shut.drift_pa_per_s * per_slope
    return Unknown("leak", nominal, nominal, 10.0 * nominal, plain=True)


def _openings(e: Episode, values: Mapping[str, float]) -> list[tuple[float, float]]:
    """When the nozzle opens and when it shuts, after the first opening [s]."""
    begins = [a + (values[f"again{i}"] if i else 0.0) for i, (a, _) in enumerate(e.blows)]
    return [(a, a + d + values["late"]) for a, (_, d) in zip(begins, e.blows, strict=True)]


def air_volume(line: Line) -> float:
    """All air behind the first part [m3]: hoses, vessels, the tool's chamber."""
    total = chamber_volume(line)
    for part in line.parts[:-1]:
        if part.kind == "hose":
            total += math.pi / 4.0 * (part.bore_m or 0.0) ** 2 * (part.length_m or 0.0)
        else:
            total += part.volume_m3 or 0.0
    return total


def _shortened(e: Episode) -> Episode:
    """Return only the first opening of the nozzle and what comes shortly after."""
    until = LEAD_S + e.blows[0][1] + BRIEF_S
    keep = (e.since_s < until) & (e.since_s < LEAD_S + min((a for a, _ in e.blows[1:]), default=math.inf))
    return dataclasses.replace(
        e, blows=e.blows[:1], supply_pa=None, since_s=e.since_s[keep], tool_pa=e.tool_pa[keep], sigma_pa=e.sigma_pa[keep]
    )


@dataclass(frozen=True, slots=True)
class Trace:
    """One episode's run: times [s], pressures at the tool and in the tank [Pa gauge], and the air of its shot [kg].

    At the end the air in the tool's chamber is by the share `warm` warmer than its wall, which cools it within `cools_s`.
    """

    t: Floats
    tool: Floats
    supply: Floats
    shot_kg: float
    warm: float
    cools_s: float


class Problem:
    """Residuals of all episodes as a function of the unknowns; runs of the model are kept."""

    def __init__(self, line: Line, episodes: Sequence[Episode], chosen: Sequence[str] | None = None, cell_m: float = CELL_M) -> None:
        self.line, self.episodes, self.chosen, self.cell_m = line, list(episodes), chosen, cell_m
        self.unknowns = unknowns_of(line, episodes, chosen)
        self.index = {u.name: i for i, u in enumerate(self.unknowns)}
        self.prior_u = np.array([u.prior_u for u in self.unknowns])
        self.bound = np.array([u.bound for u in self.unknowns])
        self._line_wide = [i for i, u in enumerate(self.unknowns) if u.sort == "line"]
        self._kept: dict[tuple[int, bytes], Trace] = {}
        self.runs = 0

    def brief(self) -> Problem:
        """Return a smaller problem of the same sort, to choose a starting point with: coarse cells, fewer and shorter episodes."""
        kept = [e for e in self.episodes if e.blows] + [e for e in self.episodes if not e.blows][:1]
        return Problem(self.line, [_shortened(e) if e.shut else e for e in kept], self.chosen, COARSE_CELL_M)

    def start_from(self, other: Problem, x: Floats) -> Floats:
        """Return unknowns x of another problem as those of this one; what the other does not have is zero."""
        named = {u.name: float(v) for u, v in zip(other.unknowns, x, strict=True)}
        return np.array([named.get(u.name, 0.0) for u in self.unknowns])

    def values(self, x: Floats) -> dict[str, float]:
        """Every unknown's value."""
        return {u.name: u.value(float(v)) for u, v in zip(self.unknowns, x, strict=True)}

    def fitted_line(self, x: Floats) -> Line:
        """Return the line with the fitted parts; a regulator that never holds the pressure back is a restriction."""
        line = self.line
        fitted: dict[int, dict[str, float]] = {}
        for u, v in zip(self.unknowns, x, strict=True):
            if u.part >= 0:
                fitted.setdefault(u.part, {})[FIELD[u.name.split(".")[1]]] = u.value(float(v))
        for i, part in enumerate(line.parts):
            if part.kind == "regulator" and not any(self.regulates(k, x) for k in range(len(self.episodes))):
                fitted.setdefault(i, {})["set_pa"] = math.inf
        for i, fields in fitted.items():
            line = line.with_part(i, **fields)
        return line

    def _network(self, x: Floats, values: dict[str, float]) -> Network:
        net = build(self.fitted_line(x), cell_m=self.cell_m)
        net.hose["friction"] = values["friction"]
        net.hose["heat"] = values["heat"]
        net.volume["m3"][0] = values["tank"]
        net.volume["wall_w_per_k"][1:-1] *= values.get("wall", 1.0)
        net.volume["wall_w_per_k"][-1] *= values["chamber_wall"]
        net.element["k"][net.el_part < 0] *= values.get("port", 1.0)
        net.pump["kg_per_s"] = 0.0
        return net

    def trace(self, k: int, x: Floats) -> Trace:
        """Run one episode."""
        e = self.episodes[k]
        own = self.index.get(f"air{k}")
        key = (k, x[self._line_wide].tobytes() + (x[own : own + 1].tobytes() if own is not None else b""))
        if key in self._kept:
            return self._kept[key]
        if len(self._kept) > 40 * len(self.episodes):
            self._kept.clear()
        values = self.values(x)
        net = self._network(x, values)
        tank, tool = self.tank_pa(k, x) + net.p_amb_pa, e.start_tool_pa + net.p_amb_pa
        if e.shut:
            net.element["k"][0] *= 1e-7
        set_pa = net.element["set_pa"]
        regulators = np.flatnonzero(np.isfinite(set_pa))
        if self.regulates(k, x):
            holds = set_pa[regulators[-1]]
            set_pa[regulators[-1]] = tool  # where the line behind it rests
            state = settled(net, tank)
            set_pa[regulators[-1]] = holds
        else:
            set_pa[regulators] = math.inf  # all wide open
            state = settled(net, tank if e.shut else tool, tool)
        if (leak := values.get("leak", 0.0)) > 0.0:
            net.leak = np.append(net.leak, np.array((net.is_hose.size - 2, -1.0, math.inf, iso_k(leak), 0.5, 0.0), dtype=DRAIN))
        if not e.blows:
            share = min(values["share"] * values.get(f"air{k}", 1.0), 0.9)
            net.shot[0] = share * values["tool.chamber"] * tool / (R_AIR_J_PER_KG_K * net.temp_k), tool, values["shot"]
        nozzles = [
            Nozzle(from_s=LEAD_S + a, until_s=LEAD_S + z, conductance=e.nozzle_c, b=e.nozzle_b, opens_s=values["opens"])
            for a, z in _openings(e, values)
        ]
        got = run_network(
            net,
            state,
            duration_s=float(e.since_s[-1]) + 0.1,
            shots_s=[] if e.blows else [LEAD_S],
            nozzles=nozzles,
            brief=1.0 if e.blows else SHORT_STEPS,
            output_rate_hz=RATE_HZ,
        )
        self.runs += 1
        p = got.p_abs_pa - net.p_amb_pa
        trace = Trace(
            t=np.arange(p.shape[0]) / RATE_HZ,
            tool=p[:, -2, 1],
            supply=p[:, 0, 0],
            shot_kg=float(got.shots[0, 2]) if got.shots.size else math.nan,
            warm=float(state.vol_e[-1] / (state.vol_m[-1] * CV_J_PER_KG_K * net.temp_k)) - 1.0,
            cools_s=float(state.vol_m[-1] * (CV_J_PER_KG_K + R_AIR_J_PER_KG_K) / net.volume["wall_w_per_k"][-1]),
        )
        self._kept[key] = trace
        return trace

    def tank_pa(self, k: int, x: Floats) -> float:
        """Pressure in the tank as an episode begins [Pa gauge]. Without a sensor there, a regulator is taken to be at work."""
        e = self.episodes[k]
        if (i := self.index.get("level")) is None:
            return e.start_supply_pa
        level = self.unknowns[i].value(float(x[i]))
        return level + e.start_supply_pa if e.supply_pa is not None else max(level, e.start_tool_pa + 2.0 * NO_DROP_PA)

    def regulates(self, k: int, x: Floats) -> bool:
        """Whether there is a regulator and, as an episode begins, it keeps the pressure at the tool below the tank's."""
        return any(p.kind == "regulator" for p in self.line.parts) and self.tank_pa(k, x) > self.episodes[k].start_tool_pa + NO_DROP_PA

    def shot_kg(self, k: int, x: Floats) -> float:
        """Air that left the tool in the shot of an episode [kg].

        The shot before has left the chamber warm, for what refills it is compressed; so much less air was in it. The pressures do not
        show that: by them the run begins at the wall's temperature.
        """
        got, e = self.trace(k, x), self.episodes[k]
        left = math.exp(-(e.since_shot_s - (got.t[-1] - LEAD_S)) / got.cools_s)
        return got.shot_kg / (1.0 + got.warm * left)

    def residual(self, k: int, x: Floats) -> Floats:
        """Model less measured over its uncertainty, of one episode: the tool's readings, then the supply's where they tell of the line."""
        e, got = self.episodes[k], self.trace(k, x)
        tool = got.tool
        if e.blows and (tap := x[self.index["tap"]]):
            values = self.values(x)
            opened = np.zeros(got.t.size)  # share of the nozzle
            for a, z in _openings(e, values):
                since = got.t - LEAD_S
                opened += np.clip((since - a) / values["opens"] + 0.5, 0.0, 1.0) - np.clip((since - z) / values["opens"] + 0.5, 0.0, 1.0)
            tool = tool + opened * tap * (tool + self.line.site.p_amb_pa) / TAP_REFERENCE_PA
        # A sensor's lag: the moment takes up the shift, so only what it rounds off is left.
        lag = max(float(x[self.index["lag"]]), 0.0)
        if lag > 1e-5:
            n = min(int(6.0 * lag * RATE_HZ) + 1, tool.size)
            kernel = np.exp(-np.arange(n + 1) / (lag * RATE_HZ))
            kernel /= kernel.sum()
            tool = np.convolve(np.concatenate([np.full(n, tool[0]), tool]), kernel)[n : n + tool.size]
        at = e.since_s - x[self.index[f"moment{k}"]]
        out = (np.interp(at, got.t, tool) - e.tool_pa) / e.sigma_pa
        if e.supply_pa is None or e.shut or not e.blows:
            return np.asarray(out, dtype=np.float64)
        # The tank's own fall: what its sensor's zero is does not matter.
        level = got.supply - got.supply[0] + e.start_supply_pa
        return np.concatenate([out, (np.interp(at, got.t, level) - e.supply_pa) / e.sigma_pa])

    def residuals(self, x: Floats) -> list[Floats]:
        """Residuals of all episodes."""
        return [self.residual(k, x) for k in range(len(self.episodes))]

    def jacobian(self, x: Floats, here: Sequence[Floats]) -> list[Floats]:
        """Derivatives of the residuals, an array (readings, unknowns) an episode."""
        out = [np.zeros((r.size, x.size)) for r in here]
        for i, u in enumerate(self.unknowns):
            y = x.copy()
            y[i] += u.step if x[i] <= 0.0 else -u.step
            for k, e in enumerate(self.episodes):
                idle = (u.episode >= 0 and u.episode != k) or (u.name in ("tap", "late", "opens") and not e.blows)
                idle = idle or (u.name in ("share", "shot") and bool(e.blows))
                idle = idle or (e.shut and (u.name == "tank" or (u.part == 0 and u.name.endswith("conductance"))))
                if not idle:
                    out[k][:, i] = (self.residual(k, y) - here[k]) / (y[i] - x[i])
        return out
