"""The smallest receiver that carries a burst of shots above a floor, found with the line model; the handbook formula beside it.

The *lowest pressure* of a burst is the lowest of the pressures just before each shot, at the tool's inlet: what drives the nail. The
dip within a shot goes lower; it is given as the minimum. The burst begins at the worst moment: the tank stands at cut-in.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.air import mass_of_free_air
from analysis.line import Line, Part, cautions
from analysis.model import Network, build, recovery_time, run_network, settled
from analysis.units import US_GALLON_M3, from_si

COMMON_M3: Final = (0.005, 0.010, 0.020, 0.024, 11 * US_GALLON_M3, 0.050, 0.080)  # volumes that are sold; common practice, no source
LARGEST_M3: Final = 0.5  # above this farend does not propose a receiver
LEAD_S: Final = 0.1  # quiet time before the first shot
AFTER_S: Final = 15.0  # how long a recovery is followed
_SMALLEST_M3: Final = 2e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A receiver [m3]: lowest pressure before a shot and lowest of all [Pa gauge], recovery after the burst [s]."""

    volume_m3: float
    lowest_pa: float
    minimum_pa: float
    recovery_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """Answer to "which receiver".

    Attributes
    ----------
    receiver_m3 : float
        Smallest volume that keeps every shot of the burst above the floor [m3]; 0 where the line does it without a receiver.
    common_m3 : float
        The next volume that is sold [m3]; NaN where none is large enough.
    handbook_m3 : float
        V = T C p_a / (p1 - p2) [m3]: the receiver alone feeds the burst, the line adds nothing.
    lowest_pa, minimum_pa : float
        With `receiver_m3`: lowest pressure just before a shot, and lowest of all, at the tool's inlet [Pa gauge].
    recovery_s : float
        From the last shot until 90 % of the sag is regained, with `receiver_m3` [s]; NaN if that takes longer than `AFTER_S`.
    fill_s : float
        To fill the line and that receiver from empty to 95 % [s]; NaN where there is none or it takes longer than ten minutes.
    settled_pa : float
        Pressure at the tool before the burst [Pa gauge].
    candidates : tuple of Candidate
        Without a receiver (volume 0) and with each common one.
    why : str
        Why the model and the handbook differ.
    cautions : tuple of str
    """

    receiver_m3: float
    common_m3: float
    handbook_m3: float
    lowest_pa: float
    minimum_pa: float
    recovery_s: float
    fill_s: float
    settled_pa: float
    candidates: tuple[Candidate, ...]
    why: str
    cautions: tuple[str, ...]


def with_receiver(line: Line, volume_m3: float) -> Line:
    """Return the line with a receiver of this volume [m3].

    A line that has a receiver gets the new volume there (the one nearest to the tool). Otherwise the receiver is put in before the
    tool's last hose when there are two hoses or more (the whip hose stays behind it), else before the restriction that leads to the
    tool. A volume of zero takes the receiver out.
    """
    parts = list(line.parts)
    at = next((i for i in reversed(range(len(parts))) if parts[i].kind == "receiver"), None)
    if volume_m3 <= 0.0:
        return line if at is None else dataclasses.replace(line, parts=tuple(parts[:at] + parts[at + 1 :]))
    if at is not None:
        return line.with_part(at, volume_m3=volume_m3)
    hoses = [i for i, p in enumerate(parts) if p.kind == "hose"]
    if len(hoses) > 1:
        place = hoses[-1]
    else:
        place = len(parts) - 1
        while place > 0 and parts[place - 1].conductance is not None:
            place -= 1
        if place == 0:  # only restrictions: at least keep the last of them behind the receiver
            place = max(len(parts) - 2, 0)
    receiver = Part(kind="receiver", name="receiver", volume_m3=volume_m3)
    return dataclasses.replace(line, parts=(*parts[:place], receiver, *parts[place:]))


def size_receiver(line: Line, *, shots: int, every_s: float, floor_pa: float) -> Sizing:
    """Find the smallest receiver for a burst.

    Parameters
    ----------
    line : Line
        The line; see `with_receiver` for where the receiver goes.
    shots : int
        Shots in the burst.
    every_s : float
        Time from shot to shot [s].
    floor_pa : float
        Lowest pressure at the tool at which a shot may start [Pa gauge].

    Returns
    -------
    Sizing

    Raises
    ------
    ValueError
        If the job is impossible: a floor above what the line holds at rest, or a burst that no receiver can carry. It says which.
    """
    _check(shots, every_s, floor_pa)
    rest = _settled(line)
    if floor_pa >= rest:
        msg = (
            f"The floor ({_both(floor_pa)}) is not below what the line holds at rest with the tank at cut-in ({_both(rest)}). "
            "Lower the floor, or raise the regulator or the cut-in as far as the ratings allow."
        )
        raise ValueError(msg)
    times = LEAD_S + every_s * np.arange(shots)
    handbook = _handbook(line, shots, rest, floor_pa)
    bare = _try(line, 0.0, times)
    if bare.lowest_pa >= floor_pa:
        best = bare
    else:
        most = _try(line, LARGEST_M3, times, recovery=False)
        if most.lowest_pa < floor_pa:
            raise ValueError(_impossible(line, shots, every_s, floor_pa, most.lowest_pa))
        # From the largest down: a small receiver can do worse than none (it takes away the hose's overshoot), so the range of volumes
        # that do is entered from above.
        low, high = LARGEST_M3 / 4.0, LARGEST_M3
        while low > _SMALLEST_M3 and _try(line, low, times, recovery=False).lowest_pa >= floor_pa:
            low, high = low / 4.0, low
        while high / low > 1.005:
            mid = math.sqrt(low * high)
            low, high = (low, mid) if _try(line, mid, times, recovery=False).lowest_pa >= floor_pa else (mid, high)
        best = _try(line, high, times)
    candidates = (bare, *(_try(line, v, times) for v in COMMON_M3))
    common = next((c.volume_m3 for c in candidates if c.volume_m3 >= best.volume_m3 and c.lowest_pa >= floor_pa), math.nan)
    return Sizing(
        receiver_m3=best.volume_m3,
        common_m3=common,
        handbook_m3=handbook,
        lowest_pa=best.lowest_pa,
        minimum_pa=best.minimum_pa,
        recovery_s=best.recovery_s,
        fill_s=_fill(with_receiver(line, best.volume_m3), rest) if best.volume_m3 else math.nan,
        settled_pa=rest,
        candidates=candidates,
        why=_why(best.volume_m3, handbook),
        cautions=_cautions(line, best.volume_m3, shots, every_s),
    )


def _check(shots: int, every_s: float, floor_pa: float) -> None:
    if not 1 <= shots <= 2000:
        msg = f"A burst of {shots} shots is not possible; give 1 to 2000."
        raise ValueError(msg)
    if not (math.isfinite(every_s) and 0.03 <= every_s <= 600.0):
        msg = f"A shot every {every_s:g} s is not possible; give 0.03 s to 10 min."
        raise ValueError(msg)
    if not floor_pa > 0.0:
        msg = "The floor must lie above ambient; pressures are gauge."
        raise ValueError(msg)


def _settled(line: Line) -> float:
    """Pressure at the tool at rest, with the tank at cut-in [Pa gauge]."""
    return min([line.compressor.cut_in_pa, *(p.set_pa for p in line.parts if p.set_pa is not None)])


def _start(line: Line) -> tuple[Network, float]:
    net = build(line)
    return net, line.compressor.cut_in_pa + net.p_amb_pa


def _try(line: Line, volume_m3: float, times: np.ndarray, *, recovery: bool = True) -> Candidate:
    net, supply = _start(with_receiver(line, volume_m3))
    rate = 100.0
    until = float(times[-1]) + (AFTER_S if recovery else 0.05)
    got = run_network(net, settled(net, supply), duration_s=until, shots_s=times, output_rate_hz=rate if recovery else 1.0 / until)
    before, lowest = got.shots[:, 0] - net.p_amb_pa, got.shots[:, 1] - net.p_amb_pa
    recovered = math.nan
    if recovery:
        tool = got.p_abs_pa[:, -2, 1] - net.p_amb_pa
        since = np.arange(tool.size) / rate - times[-1]
        recovered = recovery_time(since[since > 0.0], tool[since > 0.0], float(before[0]), float(lowest.min()), hold=15)
    return Candidate(volume_m3=volume_m3, lowest_pa=float(before.min()), minimum_pa=float(lowest.min()), recovery_s=recovered)


def _fill(line: Line, rest_pa: float) -> float:
    """Time to fill what lies behind the tank from empty to 95 % of its gauge pressure [s]; the tank starts at cut-out."""
    net = build(line, cell_m=2.0)
    net.shot[0] = 0.0
    state = settled(net, line.compressor.cut_out_pa + net.p_amb_pa, downstream_abs_pa=net.p_amb_pa)
    store = next(s for s in reversed(range(len(net.names))) if net.names[s].startswith("receiver"))
    step, at = 10.0, 0.0
    while at < 600.0:
        got = run_network(net, state, duration_s=step, output_rate_hz=20.0)
        full = np.flatnonzero(got.p_abs_pa[:, store, 0] - net.p_amb_pa >= 0.95 * rest_pa)
        if full.size:
            return at + float(full[0]) / 20.0
        at += step
    return math.nan


def _handbook(line: Line, shots: int, rest_pa: float, floor_pa: float) -> float:
    """V = T C p_a / (p1 - p2): all air of the burst out of the receiver, between rest and floor, isothermal."""
    p_mean = 0.5 * (rest_pa + floor_pa)
    per_shot = (line.tool.air_per_shot_m3 or 0.0) * (p_mean + line.site.p_amb_pa) / (line.shot_reference_pa + line.site.p_amb_pa)
    return shots * per_shot * 100_000.0 / (rest_pa - floor_pa)


def _impossible(line: Line, shots: int, every_s: float, floor_pa: float, lowest_pa: float) -> str:
    need = (line.tool.air_per_shot_m3 or 0.0) / every_s
    give = line.compressor.delivery_m3_per_s
    text = (
        f"No receiver up to {from_si(LARGEST_M3, 'L'):.0f} L keeps {shots} shots, one each {every_s:g} s, above {_both(floor_pa)}: "
        f"even then the lowest is {_both(lowest_pa)}."
    )
    if need > give:
        text += (
            f" The burst takes {from_si(need, 'L/min'):.0f} L/min of free air and the compressor gives {from_si(give, 'L/min'):.0f}: "
            "work slower, in shorter bursts, or with a larger compressor."
        )
    else:
        text += " What lies between receiver and tool holds the air back: a wider coupler or last hose, or a higher setting, is needed."
    return text


def _why(volume_m3: float, handbook_m3: float) -> str:
    if volume_m3 == 0.0:
        return "The line alone feeds the burst; the handbook formula supposes that nothing comes through the line."
    if volume_m3 < handbook_m3:
        return (
            "The model needs less than the handbook: the formula supposes that the receiver feeds the burst alone, but the hose adds air "
            "between the shots."
        )
    return (
        "The model needs more than the handbook: air left in a receiver cools while it expands, so the pressure falls up to 1.4 times as "
        "far as the formula says, and the coupler and last hose hold back part of each refill."
    )


def _cautions(line: Line, volume_m3: float, shots: int, every_s: float) -> tuple[str, ...]:
    out = list(cautions(with_receiver(line, volume_m3)))
    per_shot = line.tool.air_per_shot_m3 or 0.0
    need, give = mass_of_free_air(per_shot / every_s), mass_of_free_air(line.compressor.delivery_m3_per_s)
    if shots > 1 and need > give:
        out.append(
            f"While the burst lasts the tool takes {need / give:.1f} times what the compressor delivers; "
            f"after {shots} shots it needs a pause."
        )
    if "air_per_shot" in line.tool.assumed:
        out.append(f"The air per shot is not given; {from_si(per_shot, 'L'):.1f} L of free air is assumed, and the volume goes with it.")
    return tuple(out)


def _both(p_pa: float) -> str:
    return f"{from_si(p_pa, 'bar'):.2f} bar, {from_si(p_pa, 'psi'):.0f} psi"
