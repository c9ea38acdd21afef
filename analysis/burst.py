"""A burst of shots fired at a line in the model, from its worst moment: the line at rest and the tank at cut-in.

The *lowest start* of a burst is the lowest of the pressures just before each shot, at the tool's inlet: what drives the nail. The dip
within a shot goes lower.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.line import Line, Part
from analysis.model import Network, State, build, recovery_time, run_network, settled
from analysis.units import from_si

Floats = NDArray[np.float64]

LONGEST_S: Final = 600.0  # of a burst; what lasts longer is steady work, for which the delivery counts
LEAD_S: Final = 0.1  # quiet time before the first shot
AFTER_S: Final = 15.0  # how long a recovery is followed
SHOT_AFTER_S: Final = 6.0  # how long the recovery of a single shot is followed
QUICK_CELL_M: Final = 1.0  # hose cells of searches and tables; they move a lowest start by less than 0.005 bar against half of it
FULL_SHARE: Final = 0.95  # a receiver counts as filled at this share of its gauge pressure
REFILLED_SHARE: Final = 0.98  # and as refilled after work at this one
FILL_MOST_S: Final = 600.0  # how long a filling is followed
FITTINGS_M3: Final = 2.5e-4  # air behind a regulator at the tool, as of 5 m of whip hose; common practice, no source
WIDE_OPEN: Final = 1e-6  # sonic conductance that holds nothing back [m3/(s Pa)]
_RATE_HZ: Final = 100.0
_HOLD: Final = 15  # samples over which a recovery must hold, 150 ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """The job: so many shots, one every so often [s], none to start below the floor [Pa gauge].

    Raises
    ------
    ValueError
        If there can be no such burst; it says which value is wrong.
    """

    shots: int
    every_s: float
    floor_pa: float

    def __post_init__(self) -> None:
        if not 1 <= self.shots <= 2000:
            msg = f"A burst of {self.shots} shots is not possible; give 1 to 2000."
            raise ValueError(msg)
        if not (math.isfinite(self.every_s) and 0.03 <= self.every_s <= 600.0):
            msg = f"A shot every {self.every_s:g} s is not possible; give 0.03 s to 10 min."
            raise ValueError(msg)
        if (self.shots - 1) * self.every_s > LONGEST_S:
            msg = (
                f"{self.shots} shots, one each {self.every_s:g} s, last {self.shots * self.every_s / 60.0:.0f} min; a burst lasts up to "
                f"{LONGEST_S / 60.0:.0f} min. In longer work the compressor must deliver what the tool takes: see `farend simulate`."
            )
            raise ValueError(msg)
        if not (math.isfinite(self.floor_pa) and self.floor_pa > 0.0):
            msg = "The floor must lie above ambient; pressures are gauge."
            raise ValueError(msg)

    @property
    def times_s(self) -> Floats:
        """When the shots fall [s]."""
        return LEAD_S + self.every_s * np.arange(self.shots, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fired:
    """What a burst does at the tool's inlet.

    Attributes
    ----------
    lowest_pa, minimum_pa : float
        Lowest pressure just before a shot, and lowest of all [Pa gauge].
    dip_pa : float
        How far the first shot, fired on the line at rest, pulls the pressure down [Pa].
    recovery_s : float
        From the last shot until 90 % of the sag is regained [s]; NaN where it takes longer than was followed.
    refilled_s : float
        From the last shot until the tool's chamber has regained 90 % of what it lost [s]; NaN likewise.
    t_s, tool_pa : ndarray
        The pressure against time [s, Pa gauge].
    """

    lowest_pa: float
    minimum_pa: float
    dip_pa: float
    recovery_s: float
    refilled_s: float
    t_s: Floats
    tool_pa: Floats


def rest_pressure(line: Line, index: int | None = None) -> float:
    """Pressure at rest with the tank at cut-in, behind all regulators or, with `index`, at the inlet of that part [Pa gauge]."""
    parts = line.parts if index is None else line.parts[:index]
    return min([line.compressor.cut_in_pa, *(p.set_pa for p in parts if p.set_pa is not None)])


def check_floor(line: Line, burst: Burst) -> None:
    """Refuse a floor that the line does not reach at rest.

    Raises
    ------
    ValueError
        With what the line holds and what to do.
    """
    rest = rest_pressure(line)
    if burst.floor_pa >= rest:
        msg = (
            f"The floor ({bar_and_psi(burst.floor_pa)}) is not below what the line holds at rest with the tank at cut-in "
            f"({bar_and_psi(rest)}). Lower the floor, or raise the regulator or the cut-in as far as the ratings allow."
        )
        raise ValueError(msg)


def fire(line: Line, burst: Burst, *, follow_s: float = AFTER_S, cell_m: float = QUICK_CELL_M, wall: float = 1.0) -> Fired:
    """Fire a burst at a line.

    Parameters
    ----------
    line, burst : Line, Burst
    follow_s : float
        How long to go on after the last shot [s]; 0 where only the lowest start is asked for, which is quicker.
    cell_m : float
        Length of a hose cell [m].
    wall : float
        Factor on the heat that vessels exchange with their walls.
    """
    times = burst.times_s
    net, state = _at_rest(line, cell_m=cell_m, wall=wall)
    until = float(times[-1]) + max(follow_s, 0.05)
    rate = _RATE_HZ if follow_s else 1.0 / until
    got = run_network(net, state, duration_s=until, shots_s=times, output_rate_hz=rate)
    before, lowest = got.shots[:, 0] - net.p_amb_pa, got.shots[:, 1] - net.p_amb_pa
    t_s = np.arange(got.p_abs_pa.shape[0]) / rate
    tool = got.p_abs_pa[:, -2, 1] - net.p_amb_pa
    after = t_s > times[-1]
    back, refilled = math.nan, math.nan
    if follow_s:
        since, chamber = t_s[after] - times[-1], got.p_abs_pa[after, -1, 0] - net.p_amb_pa
        back = recovery_time(since, tool[after], float(before[0]), float(lowest.min()), hold=_HOLD)
        refilled = recovery_time(since, chamber, float(before[0]), float(chamber.min()), hold=_HOLD)
    return Fired(
        lowest_pa=float(before.min()),
        minimum_pa=float(lowest.min()),
        dip_pa=float(before[0] - lowest[0]),
        recovery_s=back,
        refilled_s=refilled,
        t_s=t_s,
        tool_pa=tool,
    )


def single_shot(line: Line) -> Fired:
    """Fire one shot at the line at rest and follow it: its dip and recovery are what a recording of it would show."""
    return fire(line, Burst(shots=1, every_s=1.0, floor_pa=1.0), follow_s=SHOT_AFTER_S)


def _at_rest(line: Line, *, cell_m: float, wall: float = 1.0) -> tuple[Network, State]:
    net = build(_with_outlet(line), cell_m=cell_m)
    net.volume["wall_w_per_k"] *= wall
    return net, settled(net, line.compressor.cut_in_pa + net.p_amb_pa)


def _with_outlet(line: Line) -> Line:
    """Return the line with the air of some fittings behind a regulator that feeds the tool directly.

    The pressure at the tool's inlet is that of the last volume before it: without one behind the regulator, that would be what stands
    ahead of the regulator.
    """
    at = len(line.parts) - 1
    while at > 0 and line.parts[at - 1].kind != "hose" and line.parts[at - 1].volume_m3 is None:
        at -= 1
        if line.parts[at].kind == "regulator":
            fittings = Part(kind="filter", name="fittings", volume_m3=FITTINGS_M3, conductance=WIDE_OPEN, b=0.5)
            return dataclasses.replace(line, parts=(*line.parts[: at + 1], fittings, *line.parts[at + 1 :]))
    return line


def fill_time(line: Line, *, from_pa: float = 0.0, tank_pa: float | None = None, share: float = FULL_SHARE) -> float:
    """Time to fill the receiver nearest to the tool through the line [s]; NaN if it takes longer than `FILL_MOST_S`.

    Parameters
    ----------
    line : Line
        With a receiver.
    from_pa : float
        Pressure behind the tank at the start [Pa gauge].
    tank_pa : float, optional
        Pressure of the tank at the start [Pa gauge]; the cut-out where not given.
    share : float
        The receiver is full at this share of its gauge pressure at rest.
    """
    net = build(line, cell_m=2.0 * QUICK_CELL_M)
    net.shot["kg"] = 0.0
    tank = line.compressor.cut_out_pa if tank_pa is None else tank_pa
    state = settled(net, tank + net.p_amb_pa, downstream_abs_pa=from_pa + net.p_amb_pa)
    at = receiver_index(line)
    return _until(net, state, _store(net, "receiver"), share * rest_pressure(line, at))


def refill_time(line: Line, burst: Burst) -> float:
    """Time from the last shot of a burst until the receiver is full again [s]; NaN where longer than `FILL_MOST_S`."""
    net, state = _at_rest(line, cell_m=2.0 * QUICK_CELL_M)
    until = float(burst.times_s[-1]) + 0.05
    got = run_network(net, state, duration_s=until, shots_s=burst.times_s, output_rate_hz=20.0)
    keep_pumping(net, got.p_abs_pa[:, 0, 0])
    return 0.05 + _until(net, state, _store(net, "receiver"), REFILLED_SHARE * rest_pressure(line, receiver_index(line)))


def receiver_index(line: Line) -> int:
    """Where the receiver nearest to the tool stands among the parts.

    Raises
    ------
    ValueError
        If the line has none.
    """
    for i in reversed(range(len(line.parts))):
        if line.parts[i].kind == "receiver":
            return i
    msg = f"{line.name} has no receiver. Say how large one would be, or add it to the line's file."
    raise ValueError(msg)


def _store(net: Network, label: str) -> int:
    return next(s for s in reversed(range(len(net.names))) if net.names[s].startswith(label))


def _until(net: Network, state: State, store: int, level_pa: float, *, limit_s: float = FILL_MOST_S) -> float:
    """Time until a store has reached a level [s]; NaN where that takes longer than the limit."""
    step, at, rate = 10.0, 0.0, 20.0
    while at < limit_s:
        got = run_network(net, state, duration_s=step, output_rate_hz=rate)
        full = np.flatnonzero(got.p_abs_pa[:, store, 0] - net.p_amb_pa >= level_pa)
        if full.size:
            return at + float(full[0]) / rate
        keep_pumping(net, got.p_abs_pa[:, 0, 0])
        at += step
    return math.nan


def keep_pumping(net: Network, tank_abs_pa: Floats) -> None:
    """Carry over to the next run whether the pump is on: it runs from cut-in to cut-out."""
    on, off = np.flatnonzero(tank_abs_pa < net.pump["cut_in_pa"]), np.flatnonzero(tank_abs_pa >= net.pump["cut_out_pa"])
    if on.size or off.size:
        net.pump["runs"] = on.size > 0 and on[-1] > (off[-1] if off.size else -1)


def bar_and_psi(p_pa: float) -> str:
    """Write a pressure in both units, where the reader's is not known."""
    return f"{from_si(p_pa, 'bar'):.2f} bar, {from_si(p_pa, 'psi'):.0f} psi"
