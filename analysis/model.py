"""The line model: an air line built into stores and links, run over a schedule of shots, and read at its joints.

Volumes carry mass and energy with heat to the wall; hoses are unsteady and compressible (`analysis.network`); the tool is a chamber that
loses air at a shot and refills through what stands before it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.air import LEAK_B, conductance_of_bore, free_air
from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, CV_J_PER_KG_K, GAMMA, R_AIR_J_PER_KG_K
from analysis.hose_flow import ALIGNED, MOST_CELLS, ROW, ROWS
from analysis.line import Line, Part
from analysis.line_records import BOOKS, DRAIN, ELEMENT, HOSE, JOINT, MEMORY, PROBE, PUMP, SHOT, SIDE, STORE, VOLUME
from analysis.link_flow import PLAIN, REGULATOR, valve
from analysis.network import Tables, run
from analysis.places import along_hose

Floats = NDArray[np.float64]
Records = NDArray[np.void]

OPEN_END_B: Final = 0.528  # critical ratio of an ideal nozzle: a hose that simply opens into a volume
NO_HOSE_BORE_M: Final = 0.0127  # passage between two volumes that name nothing between them: half-inch pipe; common practice, no source
# Heat to the wall of a still vessel at several bar. With 20 W/(m2 K) a 24 L receiver follows the exponents 1.40 at 0.25 s, 1.3 at
# 10 s and 1.06 at 100 s that such receivers are known for.
WALL_W_PER_M2_K: Final = 20.0
VESSEL_AREA: Final = 6.0  # wall area over volume^(2/3) of a usual cylinder [-]
CHAMBER_SHARE: Final = (
    0.5  # share of a tool chamber's air that a shot takes, where the chamber's volume is not given; common practice, no source
)
MOST_SAMPLES: Final = 2e7  # of output that one simulation gives
SHOT_S: Final = 0.015  # time over which a shot takes its air [s]; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle:
    """A test nozzle that blows to ambient at the tool end.

    Attributes
    ----------
    from_s, until_s : float
        When it is half open and half shut [s].
    conductance : float
        When it is open [m3/(s Pa)].
    b : float
        Critical ratio.
    opens_s : float
        Time that it takes to open, evenly, and to shut [s].
    """

    from_s: float
    until_s: float
    conductance: float
    b: float = 0.45
    opens_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedShot:
    """One shot of a simulation, measured at the tool's inlet as a sensor there would.

    Attributes
    ----------
    time_s : float
        When the tool fires [s].
    before_pa, minimum_pa, dip_pa : float
        Pressure just before, lowest until the next shot, and their difference [Pa gauge; Pa].
    recovery_s : float
        Time until 90 % of the dip is regained and held for 150 ms [s]; NaN where the next shot or the end comes first.
    air_m3 : float
        Free air, ANR, that left the tool [m3].
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    dip_pa: float
    recovery_s: float
    air_m3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """What a line does.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Times of the output [s].
    joints : tuple of str
        Where pressure is given: `tank`, then for each hose its two ends, for each vessel itself; last the tool's chamber.
    p_pa : ndarray, shape (n, len(joints))
        Pressures there [Pa gauge].
    supply_pa, tool_pa, chamber_pa : ndarray, shape (n,)
        In the tank, just before the tool's coupler, and in the tool [Pa gauge].
    receiver_pa : ndarray or None
        In the receiver nearest to the tool [Pa gauge], where there is one.
    places : dict of str to ndarray
        At further places that were asked for, within hoses [Pa gauge]; see `at`.
    shots : tuple of SimulatedShot
    mass_error, energy_error : float
        What the books of mass and energy lack at the end, over all the air there was [-].
    steps : int
        Time steps taken.
    """

    t_s: Floats
    joints: tuple[str, ...]
    p_pa: Floats
    supply_pa: Floats
    tool_pa: Floats
    chamber_pa: Floats
    receiver_pa: Floats | None
    places: dict[str, Floats]
    shots: tuple[SimulatedShot, ...]
    mass_error: float
    energy_error: float
    steps: int

    def at(self, place: str) -> Floats:
        """Pressure at a place [Pa gauge]: `supply`, `receiver`, `tool`, a joint, or one of the places that were asked for.

        Raises
        ------
        ValueError
            If there is no such place; it names those that there are.
        """
        known = {name: self.p_pa[:, i] for i, name in enumerate(self.joints)} | {"supply": self.supply_pa, "chamber": self.chamber_pa}
        known |= {"tool": self.tool_pa} | ({"receiver": self.receiver_pa} if self.receiver_pa is not None else {}) | self.places
        if place not in known:
            msg = f"There is no {place!r} on this line. Known are {', '.join(known)}, or a distance along a hose such as 'hose1 12 m'."
            raise ValueError(msg)
        return known[place]


@dataclass(slots=True)
class Network:
    """A line as the records that the compiled run takes; cheap to build, and to change for a fit. See `analysis.line_records`."""

    is_hose: NDArray[np.int64]
    index: NDArray[np.int64]
    names: tuple[str, ...]
    volume: Records
    hose: Records
    link: NDArray[np.int64]
    element: Records
    el_part: NDArray[np.int64]
    leak: Records
    pump: Records
    shot: Records
    cells: int
    p_amb_pa: float
    temp_k: float


def iso_k(conductance: float) -> float:
    """Choked mass flow per pressure times root temperature, C rho0 sqrt(T0), of a sonic conductance."""
    return conductance * ANR_DENSITY_KG_PER_M3 * math.sqrt(ANR_TEMPERATURE_K)


def chamber_volume(line: Line) -> float:
    """Volume of the tool's chamber [m3]: as given, else such that a shot takes `CHAMBER_SHARE` of its air."""
    tool = line.tool
    if tool.volume_m3 is not None:
        return tool.volume_m3
    mass = (tool.air_per_shot_m3 or 0.0) * ANR_DENSITY_KG_PER_M3
    p_abs = line.shot_reference_pa + line.site.p_amb_pa
    return mass / CHAMBER_SHARE * R_AIR_J_PER_KG_K * line.site.temperature_k / p_abs


def build(line: Line, *, cell_m: float = 0.5) -> Network:
    """Turn a line into stores and links; hoses are cut into cells of about `cell_m` [m]."""
    temp, p_amb = line.site.temperature_k, line.site.p_amb_pa
    # A very long line gets longer cells, so that they fit.
    cell_m = max(cell_m, 1.1 * sum(p.length_m or 0.0 for p in line.parts) / (MOST_CELLS - 2 * ALIGNED * len(line.parts)))
    is_hose, index, names = [0], [0], ["tank"]
    volumes = [_vessel(line.compressor.tank_m3, temp)]
    hoses: list[tuple[float, ...]] = []
    links: list[tuple[int, int]] = []
    elements: list[tuple[float, ...]] = []
    el_part: list[int] = []
    leaks: list[tuple[int, float]] = [(0, line.compressor.leak)] if line.compressor.leak else []
    first, cells = 0, 0
    last_bore: float | None = None
    for number, (part, label) in enumerate(zip(line.parts, line.labels(), strict=True)):
        if part.conductance is not None:
            regulates = part.kind == "regulator"
            kind, set_pa = (REGULATOR, (part.set_pa or 0.0) + p_amb) if regulates else (PLAIN, math.inf)
            k, b = iso_k(part.conductance), part.b or 0.0
            elements.append((kind, k, b, set_pa, part.droop_pa or 0.0, part.time_constant_s or 0.0, 0.0, 0.0))
            el_part.append(number)
        if part.leak:
            leaks.append((len(is_hose) - (part.conductance is not None and part.volume_m3 is None), part.leak))
        if part.kind == "hose" or part.volume_m3 is not None or part.kind == "tool":
            bore = part.bore_m if part.kind == "hose" else None
            if len(elements) == first:  # nothing between: the passage is as wide as the narrower bore
                bores = [d for d in (last_bore, bore) if d is not None]
                k = iso_k(conductance_of_bore(min(bores, default=NO_HOSE_BORE_M)))
                elements.append((PLAIN, k, OPEN_END_B, math.inf, 0.0, 0.0, 0.0, 0.0))
                el_part.append(-1)
            links.append((first, len(elements)))
            first = len(elements)
            names.append(label)
            last_bore = bore
            if part.kind == "hose":
                n = _cells(part, cell_m)
                area = math.pi / 4.0 * (part.bore_m or 0.0) ** 2
                is_hose.append(1)
                index.append(len(hoses))
                bore = part.bore_m or 0.0
                begins = (cells // ALIGNED + 1) * ALIGNED  # with room for a ghost before it
                hoses.append((begins, begins + n, (part.length_m or 0.0) / n, area, bore, part.roughness_m or 0.0, temp, 1.0, 1.0))
                cells = begins + n + 1
            else:
                is_hose.append(0)
                index.append(len(volumes))
                volumes.append(_vessel(chamber_volume(line) if part.kind == "tool" else part.volume_m3 or 0.0, temp))
    c = line.compressor
    gives = c.delivery_at(0.0, p_amb) * ANR_DENSITY_KG_PER_M3
    air_kg = (line.tool.air_per_shot_m3 or 0.0) * ANR_DENSITY_KG_PER_M3
    return Network(
        is_hose=np.array(is_hose),
        index=np.array(index),
        names=tuple(names),
        volume=np.array(volumes, dtype=VOLUME),
        hose=np.array(hoses, dtype=HOSE),
        link=np.array(links),
        element=np.array(elements, dtype=ELEMENT),
        el_part=np.array(el_part),
        leak=np.array([(min(s, len(is_hose) - 1), -1.0, math.inf, iso_k(k), LEAK_B, 0.0) for s, k in leaks], dtype=DRAIN),
        pump=np.array([(0, gives, c.cut_in_pa + p_amb, c.cut_out_pa + p_amb, temp, c.clearance or 0.0)], dtype=PUMP),
        shot=np.array([(air_kg, line.shot_reference_pa + p_amb, SHOT_S)], dtype=SHOT),
        cells=max(cells, 1),
        p_amb_pa=p_amb,
        temp_k=temp,
    )


def _vessel(volume_m3: float, temp_k: float) -> tuple[float, float, float]:
    return volume_m3, WALL_W_PER_M2_K * VESSEL_AREA * volume_m3 ** (2.0 / 3.0), temp_k


def _cells(part: Part, cell_m: float) -> int:
    return max(2, round((part.length_m or 0.0) / cell_m))


@dataclass(slots=True)
class State:
    """Mass and energy of each volume [kg, J]; density, momentum and energy of each hose cell."""

    vol_m: Floats
    vol_e: Floats
    cons: Floats


def settled(net: Network, supply_abs_pa: float, downstream_abs_pa: float | None = None) -> State:
    """Return the line at rest: the tank at its pressure, what follows likewise or, behind a regulator, at its set point.

    Parameters
    ----------
    net : Network
    supply_abs_pa : float
        Pressure in the tank [Pa abs].
    downstream_abs_pa : float, optional
        Pressure behind the first link [Pa abs], when it is not in balance with the tank.
    """
    p = np.empty(net.is_hose.size)
    p[0] = supply_abs_pa
    for k, (a, b) in enumerate(net.link):
        p[k + 1] = min(p[k], float(np.min(net.element["set_pa"][a:b])))
    if downstream_abs_pa is not None:
        p[1:] = downstream_abs_pa
    rt = R_AIR_J_PER_KG_K * net.temp_k
    vol_m, cons = np.empty(net.volume.shape[0]), np.ones((3, net.cells))
    for s, j in enumerate(net.index):
        if net.is_hose[s]:
            a, b = net.hose["first"][j], net.hose["end"][j]
            cons[0, a:b], cons[1, a:b], cons[2, a:b] = p[s] / rt, 0.0, p[s] / (GAMMA - 1.0)
        else:
            vol_m[j] = p[s] * net.volume["m3"][j] / rt
    return State(vol_m=vol_m, vol_e=vol_m * CV_J_PER_KG_K * net.temp_k, cons=cons)


def probe_at(net: Network, label: str, share: float) -> tuple[int, float]:
    """Cell and weight of the next one that belong to a share of a hose's length [0..1] from its inlet."""
    hose = net.hose[net.index[net.names.index(label)]]
    first, end = int(hose["first"]), int(hose["end"])
    x = share * (end - first) - 0.5  # in cells from the middle of the first; beyond the middles the line through two goes on
    cell = min(max(int(x), 0), end - first - 2)
    return first + cell, x - cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Raw result of a run: pressures [Pa abs] at both ends of each store and at the probes, link flows [kg/s], shots (before, lowest,
    mass), errors of the books.
    """

    p_abs_pa: Floats
    probe_abs_pa: Floats
    q_m_kg_per_s: Floats
    shots: Floats
    steps: int
    mass_error: float
    energy_error: float


def _tables(net: Network, state: State, drain: Records, probes: Sequence[tuple[int, float]]) -> Tables:
    """Lay out a line and its state for a run."""
    n_store, n_link = net.is_hose.size, net.link.shape[0]
    room = np.zeros(ROWS * ROW + ALIGNED)
    g = room[-(room.ctypes.data // room.itemsize) % ALIGNED :][: ROWS * ROW]
    density, speed, p_abs, temp, sound = g.reshape(ROWS, ROW)[:5]
    density[:] = p_abs[:] = 1.0  # ghosts, until they are set
    store, side = np.zeros(n_store, dtype=STORE), np.zeros((n_store, 2), dtype=SIDE)
    for s, (is_hose, j) in enumerate(zip(net.is_hose, net.index, strict=True)):
        if is_hose:
            store["hose"][s] = j
            a, b = net.hose["first"][j], net.hose["end"][j]
            r, flux, energy = state.cons[:, a:b]
            density[a:b], speed[a:b], p_abs[a:b] = r, flux / r, (GAMMA - 1.0) * (energy - 0.5 * flux**2 / r)
            temp[a:b] = p_abs[a:b] / (r * R_AIR_J_PER_KG_K)
            sound[a:b] = np.sqrt(GAMMA * p_abs[a:b] / r)
            for field, row in (("density", density), ("speed", speed), ("now_pa", p_abs)):
                side[field][s] = row[[a, b - 1]]
        else:
            kg, energy_j = state.vol_m[j], state.vol_e[j]
            store[s] = (-1, *net.volume[j], kg, energy_j, energy_j / (kg * CV_J_PER_KG_K), 0.0)
            side["now_pa"][s] = (GAMMA - 1.0) * energy_j / net.volume["m3"][j]
    side["before_pa"] = side["now_pa"]
    joint = np.zeros(n_link + 2, dtype=JOINT)
    joint["first"][1:-1], joint["last"][1:-1] = net.link.T
    probe = np.zeros(len(probes), dtype=PROBE)
    for at, (cell, weight) in zip(probe, probes, strict=True):
        at["cell"], at["weight"] = cell, weight
        at["now_pa"] = at["before_pa"] = p_abs[cell] * (1.0 - weight) + p_abs[cell + 1] * weight
    el = net.element.copy()  # the run keeps the openings of valves in it
    for k, (a, b) in enumerate(net.link):  # valves stand where they would rest
        behind = float(side["now_pa"][k + 1, 0])
        for one in el[a:b]:
            if one["lag_s"] > 0.0:
                one["open"] = valve(max(float(side["now_pa"][k, 1]), behind), behind, one)[1]
    return Tables(
        store=store,
        side=side,
        joint=joint,
        hose=net.hose,
        memory=np.zeros(net.hose.size, dtype=MEMORY),
        g=g,
        el=el,
        drain=drain,
        pump=net.pump,
        shot=net.shot,
        probe=probe,
        books=np.zeros(1, dtype=BOOKS),
    )


def _content(net: Network, state: State) -> tuple[float, float]:
    """All mass [kg] and energy [J] in the line."""
    m, e = float(state.vol_m.sum()), float(state.vol_e.sum())
    for hose in net.hose:
        part = state.cons[:, hose["first"] : hose["end"]].sum(axis=1) * hose["dx_m"] * hose["area_m2"]
        m, e = m + float(part[0]), e + float(part[2])
    return m, e


def run_network(
    net: Network,
    state: State,
    *,
    duration_s: float,
    shots_s: ArrayLike = (),
    nozzles: Sequence[Nozzle] = (),
    probes: Sequence[tuple[int, float]] = (),
    output_rate_hz: float = 200.0,
    cfl: float = 0.95,
    brief: float = 1.0,
    memory: bool = True,
) -> Outcome:
    """Run a network from a state, which is left at the end of the run.

    Parameters
    ----------
    net, state : Network, State
    duration_s : float
        How long [s].
    shots_s : array_like
        Times of the shots [s], rising.
    nozzles : sequence of Nozzle
        Test nozzles at the tool's inlet.
    probes : sequence of (cell, weight of the next cell)
        Places within hoses where pressure is wanted, see `probe_at`.
    output_rate_hz : float
        Samples of the output per second; the first at 0.
    cfl : float
        Courant number of the time step.
    brief : float
        Length of the steps while the tool fires, in those otherwise; 0.5 makes a dip certain to 1 %. At 1 no step ends with a shot.
    memory : bool
        Whether wall shear and wall heat remember what went before (frequency-dependent friction).

    Raises
    ------
    ValueError
        If the state leaves the range that the model can follow.
    """
    n = int(duration_s * output_rate_hz + 1e-9) + 1
    n_store = net.is_hose.size
    shots = np.asarray(shots_s, dtype=np.float64).reshape(-1)
    drains = [(n_store - 2, z.from_s, z.until_s, iso_k(z.conductance), z.b, z.opens_s) for z in nozzles]
    tables = _tables(net, state, np.concatenate([net.leak, np.array(drains, dtype=DRAIN)]), probes)
    out_p, out_q = np.empty((n, n_store, 2)), np.empty((n, net.link.shape[0]))
    out_probe, shot_out = np.empty((n, len(probes))), np.full((shots.size, 3), np.nan)
    m0, e0 = _content(net, state)
    steps = run(
        float(duration_s),
        cfl,
        brief,
        1.0 if memory else 0.0,
        net.p_amb_pa,
        tables,
        shots,
        1.0 / output_rate_hz,
        out_p,
        out_q,
        out_probe,
        shot_out,
    )
    r, u, p_abs = tables.g.reshape(ROWS, ROW)[:3, : net.cells]
    state.cons[:] = r, r * u, p_abs / (GAMMA - 1.0) + 0.5 * r * u**2
    volumes = net.is_hose == 0
    state.vol_m[net.index[volumes]], state.vol_e[net.index[volumes]] = tables.store["kg"][volumes], tables.store["energy_j"][volumes]
    books = tables.books[0]
    if steps < 0 or not np.isfinite(out_p).all():
        msg = "The line model left the range it can follow. Check the air line for a part far smaller or larger than its neighbours."
        raise ValueError(msg)
    m1, e1 = _content(net, state)
    return Outcome(
        p_abs_pa=out_p,
        probe_abs_pa=out_probe,
        q_m_kg_per_s=out_q,
        shots=shot_out,
        steps=int(steps),
        mass_error=(m1 - m0 - books["kg_in"] + books["kg_out"]) / m0,
        energy_error=(e1 - e0 - books["j_in"] + books["j_out"] - books["j_walls"]) / e0,
    )


def simulate(
    line: Line,
    shots_s: ArrayLike,
    *,
    duration_s: float,
    output_rate_hz: float = 200.0,
    start_pa: float | None = None,
    nozzles: Sequence[Nozzle] = (),
    places: Sequence[str] = (),
    cell_m: float = 0.5,
) -> Simulation:
    """Simulate a line over a schedule of shots.

    Parameters
    ----------
    line : Line
    shots_s : array_like
        Times at which the tool fires [s], from the start of the simulation.
    duration_s : float
        How long [s].
    output_rate_hz : float
        Samples of the output per second.
    start_pa : float, optional
        Pressure of the tank at the start [Pa gauge]; its cut-out where not given. The line is settled then and the pump idle.
    nozzles : sequence of Nozzle
        Test nozzles opened at the tool's inlet.
    places : sequence of str
        Places within hoses where pressure is wanted as well, such as `hose1 12 m` from the hose's inlet.
    cell_m : float
        Length of a hose cell [m].

    Returns
    -------
    Simulation

    Raises
    ------
    ValueError
        If the times are impossible, or the state leaves the model's range.
    """
    shots = np.asarray(shots_s, dtype=np.float64).reshape(-1)
    if not (math.isfinite(duration_s) and 0.0 < duration_s <= 1e6):
        msg = f"A simulation of {duration_s} s is not possible; give a time above zero, up to 11 days."
        raise ValueError(msg)
    if shots.size and not (np.isfinite(shots).all() and shots[0] >= 0.0 and (np.diff(shots) > 0.0).all()):
        msg = "The times of the shots must rise, from zero upward."
        raise ValueError(msg)
    if not (math.isfinite(output_rate_hz) and 0.0 < output_rate_hz * duration_s <= MOST_SAMPLES):
        msg = (
            f"{output_rate_hz:g} samples a second over {duration_s:g} s are too many or none; up to {MOST_SAMPLES:.0e} in all can be given."
        )
        raise ValueError(msg)
    if start_pa is not None and not (math.isfinite(start_pa) and 0.0 <= start_pa <= 1e7):
        msg = f"The tank cannot start at {start_pa / 1e5:g} bar gauge: give a pressure from ambient (0) up to 100 bar."
        raise ValueError(msg)
    for nozzle in nozzles:
        if not (nozzle.conductance > 0.0 and nozzle.until_s > nozzle.from_s and 0.0 <= nozzle.b < 1.0):
            msg = f"{nozzle} is no test nozzle: its conductance must be above zero, its b from 0 to below 1, its end after its beginning."
            raise ValueError(msg)
    shots = shots[shots < duration_s]
    net = build(line, cell_m=cell_m)
    within = [(place, *found) for place in places if (found := along_hose(line, place))]
    supply = line.compressor.cut_out_pa if start_pa is None else start_pa
    got = run_network(
        net,
        settled(net, supply + net.p_amb_pa),
        duration_s=duration_s,
        shots_s=shots,
        nozzles=nozzles,
        brief=0.5,
        probes=[probe_at(net, label, share) for _, label, share in within],
        output_rate_hz=output_rate_hz,
    )
    t = np.arange(got.p_abs_pa.shape[0]) / output_rate_hz
    joints, ends = [], []
    for s, name in enumerate(net.names):
        joints += [f"{name} inlet", f"{name} outlet"] if net.is_hose[s] else [name]
        ends += [2 * s, 2 * s + 1] if net.is_hose[s] else [2 * s]
    p_pa = got.p_abs_pa.reshape(t.size, -1)[:, ends]
    p_pa -= net.p_amb_pa
    tool = p_pa[:, -2]
    receiver = next((i for i in reversed(range(len(joints))) if joints[i].startswith("receiver")), None)
    return Simulation(
        t_s=t,
        joints=tuple(joints),
        p_pa=p_pa,
        supply_pa=p_pa[:, 0],
        tool_pa=tool,
        chamber_pa=p_pa[:, -1],
        receiver_pa=p_pa[:, receiver] if receiver is not None else None,
        places={place: got.probe_abs_pa[:, i] - net.p_amb_pa for i, (place, _, _) in enumerate(within)},
        shots=_measure(t, tool, shots, got.shots, net.p_amb_pa),
        mass_error=got.mass_error,
        energy_error=got.energy_error,
        steps=got.steps,
    )


def _measure(t_s: Floats, tool_pa: Floats, shots_s: Floats, raw: Floats, p_amb_pa: float) -> tuple[SimulatedShot, ...]:
    """Measures of each shot at the tool's inlet."""
    out = []
    rate = 1.0 / (t_s[1] - t_s[0]) if t_s.size > 1 else 1.0
    hold = max(1, round(0.15 * rate))
    bounds = np.append(np.searchsorted(t_s, shots_s, side="right"), t_s.size)
    for i, (at, (a, b)) in enumerate(zip(shots_s, itertools.pairwise(bounds), strict=True)):
        before, lowest = raw[i, 0] - p_amb_pa, raw[i, 1] - p_amb_pa
        recovery = recovery_time(t_s[a:b] - at, tool_pa[a:b], before, lowest, hold=hold)
        out.append(
            SimulatedShot(
                time_s=float(at),
                before_pa=float(before),
                minimum_pa=float(lowest),
                dip_pa=float(before - lowest),
                recovery_s=recovery,
                air_m3=free_air(float(raw[i, 2])),
            )
        )
    return tuple(out)


def recovery_time(since_s: Floats, p_pa: Floats, before_pa: float, lowest_pa: float, *, hold: int) -> float:
    """Time [s] until 90 % of a dip is regained and held for `hold` samples; NaN if that does not come."""
    bottom = int(np.argmin(p_pa)) if p_pa.size else 0
    below = bottom + np.flatnonzero(~(p_pa[bottom:] >= before_pa - 0.1 * (before_pa - lowest_pa)))
    edges = np.concatenate(([bottom - 1], below, [p_pa.size]))  # of the stretches that are not below
    held = edges[:-1][edges[1:] - edges[:-1] > hold + 1]
    return float(since_s[held[0] + 1]) if held.size else math.nan
