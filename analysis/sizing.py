"""The smallest receiver that carries a burst of shots above a floor, found with the line model; the handbook formula beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.air import CV_UNCERTAINTY, mass_of_free_air
from analysis.burst import Burst, bar_and_psi, check_floor, fill_time, fire, receiver_index, refill_time, rest_pressure
from analysis.cautions import cautions
from analysis.estimate import Estimate
from analysis.line import Line
from analysis.line_check import rating_cautions
from analysis.units import from_si
from analysis.variants import COMMON_M3, Change, moved_receiver, moved_regulator, wider_hoses, with_receiver

LARGEST_M3: Final = 0.5  # above this farend does not propose a receiver
_SMALLEST_M3: Final = 2e-4
_FINE_CELL_M: Final = 0.5
# 95 % of what goes into a sizing, relative. What the file gives was read off a data sheet or a plate; common practice, no source.
GIVEN_95: Final = 0.10
AIR_ASSUMED_95: Final = 0.50  # of a usual air per shot; a rule of the trade has +-50 %
CONDUCTANCE_ASSUMED_95: Final = 0.40  # of a usual conductance; common practice, no source
BORE_95: Final = 0.03  # of hoses as they are sold; common practice, no source
WALL_95: Final = 2.0  # factor on the heat exchanged with the receiver's wall


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A receiver [m3]: lowest pressure before a shot and lowest of all [Pa gauge], recovery after the burst [s]."""

    volume_m3: float
    lowest_pa: float
    minimum_pa: float
    recovery_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """The line changed otherwise: the receiver [m3] that it would still need; 0 where none, NaN where none is enough."""

    change: Change
    receiver_m3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizing:
    """Answer to "which receiver".

    Attributes
    ----------
    receiver_m3 : float
        Smallest volume that keeps every shot of the burst above the floor [m3]; 0 where the line does it without a receiver.
    interval_m3 : Estimate
        The same with its 95 % interval from what is not known exactly, named in `rests_on`; an open upper end where no receiver is
        enough at the bad end of an input.
    rests_on : tuple of (str, float, float)
        What the interval comes from, the most important first: its name, and the volumes that its two ends ask for [m3]; NaN where none
        is enough.
    common_m3 : float
        The next volume that is sold [m3]; NaN where none is large enough.
    handbook_m3 : float
        V = T C p_a / (p1 - p2) [m3]: the receiver alone feeds the burst, the line adds nothing.
    lowest_pa, minimum_pa : float
        With `receiver_m3`: lowest pressure just before a shot, and lowest of all, at the tool's inlet [Pa gauge].
    recovery_s : float
        From the last shot until 90 % of the sag is regained, with `receiver_m3` [s]; NaN if that takes longer than is followed.
    refill_s : float
        From the last shot until that receiver holds 98 % of its pressure at rest [s]; NaN where there is none or it takes longer than
        ten minutes.
    fill_s : float
        To fill the line and that receiver from empty to 95 % [s]; NaN where there is none or it takes longer than ten minutes.
    settled_pa : float
        Pressure at the tool before the burst [Pa gauge].
    receiver_rest_pa : float
        Pressure in the receiver before the burst [Pa gauge]; the same, unless a regulator stands between.
    candidates : tuple of Candidate
        Without a receiver (volume 0) and with each common one.
    alternatives : tuple of Alternative
        The receiver that would be needed with a regulator or the receiver elsewhere, or with a wider hose.
    why : str
        Why the model and the handbook differ.
    cautions : tuple of str
    """

    receiver_m3: float
    interval_m3: Estimate
    rests_on: tuple[tuple[str, float, float], ...]
    common_m3: float
    handbook_m3: float
    lowest_pa: float
    minimum_pa: float
    recovery_s: float
    refill_s: float
    fill_s: float
    settled_pa: float
    receiver_rest_pa: float
    candidates: tuple[Candidate, ...]
    alternatives: tuple[Alternative, ...]
    why: str
    cautions: tuple[str, ...]


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
    burst = Burst(shots=shots, every_s=every_s, floor_pa=floor_pa)
    check_floor(line, burst)
    rest = rest_pressure(line)
    volume = smallest(lambda v: with_receiver(line, v), burst, fine=True)
    if math.isnan(volume):
        raise ValueError(_impossible(line, burst))
    candidates = tuple(_candidate(line, burst, v) for v in (0.0, *COMMON_M3))
    best = _candidate(line, burst, volume) if volume else candidates[0]
    fitted = with_receiver(line, volume or COMMON_M3[0])
    at_receiver = rest_pressure(fitted, receiver_index(fitted))
    handbook = handbook_volume(line, burst, at_receiver)
    interval, rests_on = _interval(line, burst, volume)
    return Sizing(
        receiver_m3=volume,
        interval_m3=interval,
        rests_on=rests_on,
        common_m3=next((c.volume_m3 for c in candidates if c.volume_m3 >= volume and c.lowest_pa >= floor_pa), math.nan),
        handbook_m3=handbook,
        lowest_pa=best.lowest_pa,
        minimum_pa=best.minimum_pa,
        recovery_s=best.recovery_s,
        refill_s=refill_time(fitted, burst) if volume else math.nan,
        fill_s=fill_time(fitted) if volume else math.nan,
        settled_pa=rest,
        receiver_rest_pa=at_receiver,
        candidates=candidates,
        alternatives=tuple(_alternatives(line, burst)) if volume else (),
        why=_why(volume, handbook, shots),
        cautions=_cautions(line, volume, burst),
    )


def smallest(line_of: Callable[[float], Line], burst: Burst, *, fine: bool = False, wall: float = 1.0, near_m3: float = 0.0) -> float:
    """Smallest receiver of a family of lines that holds a burst's floor.

    Parameters
    ----------
    line_of : callable
        The line with a receiver of so many m3; with 0, without one.
    burst : Burst
    fine : bool
        To half a percent on half-metre cells; else to two percent on coarser ones.
    wall : float
        Factor on the heat that vessels exchange with their walls.
    near_m3 : float
        A volume near the answer [m3], which makes the search shorter.

    Returns
    -------
    float
        [m3]; 0 where the line needs none, NaN where `LARGEST_M3` is not enough.
    """

    def holds(volume_m3: float, **more: float) -> bool:
        return fire(line_of(volume_m3), burst, follow_s=0.0, wall=wall, **more).lowest_pa >= burst.floor_pa

    if holds(0.0):
        return 0.0
    # From above: a small receiver can do worse than none (it takes away the hose's overshoot), so the range of volumes that do is
    # entered from its upper end.
    high = near_m3 or LARGEST_M3
    while not holds(high):
        if high >= LARGEST_M3:
            return math.nan
        high = min(1.5 * high, LARGEST_M3)
    pace = 1.5 if near_m3 else 4.0
    low = high / pace
    while low > _SMALLEST_M3 and holds(low):
        low, high = low / pace, low
    low, high = _bisect(holds, low, high, 1.02)
    if not fine:
        return high
    while not holds(high, cell_m=_FINE_CELL_M):
        if high > LARGEST_M3:
            return math.nan
        low, high = high, 1.02 * high
    return _bisect(lambda v: holds(v, cell_m=_FINE_CELL_M), low / 1.02, high, 1.005)[1]


def _bisect(holds: Callable[[float], bool], low: float, high: float, ratio: float) -> tuple[float, float]:
    while high / low > ratio:
        mid = math.sqrt(low * high)
        low, high = (low, mid) if holds(mid) else (mid, high)
    return low, high


def _candidate(line: Line, burst: Burst, volume_m3: float) -> Candidate:
    got = fire(with_receiver(line, volume_m3), burst)
    return Candidate(volume_m3=volume_m3, lowest_pa=got.lowest_pa, minimum_pa=got.minimum_pa, recovery_s=got.recovery_s)


def _alternatives(line: Line, burst: Burst) -> Iterator[Alternative]:
    """What else could be done, and the receiver that would then be needed."""
    any_volume = COMMON_M3[-1]
    for change in wider_hoses(line):
        yield Alternative(change=change, receiver_m3=smallest(partial(with_receiver, change.line), burst))
    for move in (moved_regulator, moved_receiver):
        for change in move(line, any_volume):
            at = receiver_index(change.line)

            def resized(v: float, c: Change = change, at: int = at) -> Line:
                return with_receiver(line, 0.0) if v == 0.0 else c.line.with_part(at, volume_m3=v)

            yield Alternative(change=change, receiver_m3=smallest(resized, burst))


# The interval


def _interval(line: Line, burst: Burst, volume_m3: float) -> tuple[Estimate, tuple[tuple[str, float, float], ...]]:
    """Shift each input to its two ends, size again, and add the shifts in quadrature."""

    def size(changed: Line, wall: float = 1.0) -> float:
        return smallest(lambda v: with_receiver(changed, v), burst, wall=wall, near_m3=volume_m3)

    coarse = size(line) - volume_m3 if volume_m3 else 0.0  # the shifted ones share this error of the coarse search: it drops out

    def end(changed: Line, wall: float) -> float:
        volume = size(changed, wall)
        return max(volume - coarse, 0.0) if volume else 0.0

    ends = [(name, end(*low), end(*high)) for name, low, high in _shifts(line)]
    up, down, bounded = 0.0, 0.0, True
    for _, *both in ends:
        if any(math.isnan(v) for v in both):
            bounded = False
        moves = [v - volume_m3 for v in both if not math.isnan(v)]
        up += max(0.0, *moves, 0.0) ** 2
        down += min(0.0, *moves, 0.0) ** 2
    ends.sort(key=lambda e: -_reach(e))
    low = max(volume_m3 - math.sqrt(down), 0.0)
    high = volume_m3 + math.sqrt(up) if bounded else None
    return Estimate(value=volume_m3, low=low, high=high), tuple(ends)


def _reach(end: tuple[str, float, float]) -> float:
    _, a, b = end
    return math.inf if math.isnan(a) or math.isnan(b) else abs(a - b)


def _shifts(line: Line) -> Iterator[tuple[str, tuple[Line, float], tuple[Line, float]]]:
    """Each uncertain input: its name, and line and wall factor at its two ends."""
    last = len(line.parts) - 1
    air, assumed = line.tool.air_per_shot_m3 or 0.0, "air_per_shot" in line.tool.assumed
    u = AIR_ASSUMED_95 if assumed else GIVEN_95
    named = f"air per shot ({'assumed, ' if assumed else ''}±{100 * u:.0f} %)"
    yield named, (line.with_part(last, air_per_shot_m3=air * (1 - u)), 1.0), (line.with_part(last, air_per_shot_m3=air * (1 + u)), 1.0)
    for i, part in enumerate(line.parts):
        if part.conductance is None:
            continue
        u = CONDUCTANCE_ASSUMED_95 if "conductance" in part.assumed else CV_UNCERTAINTY if "cv" in part.assumed else GIVEN_95
        how = "assumed, " if "conductance" in part.assumed else "from Cv, " if "cv" in part.assumed else ""
        wide, narrow = (line.with_part(i, conductance=part.conductance * f) for f in (1 + u, 1 - u))
        yield f"conductance of {part.name} ({how}±{100 * u:.0f} %)", (wide, 1.0), (narrow, 1.0)
    hoses = [i for i, part in enumerate(line.parts) if part.kind == "hose"]
    if hoses:
        named = line.parts[hoses[0]].name if len(hoses) == 1 else "the hoses"
        wide, narrow = (_with_bores(line, hoses, f) for f in (1 + BORE_95, 1 - BORE_95))
        yield f"bore of {named} (±{100 * BORE_95:.0f} %)", (wide, 1.0), (narrow, 1.0)
    yield f"heat from the receiver's wall (assumed, half to {WALL_95:.0f} times)", (line, WALL_95), (line, 1.0 / WALL_95)


def _with_bores(line: Line, hoses: Sequence[int], factor: float) -> Line:
    for i in hoses:
        line = line.with_part(i, bore_m=(line.parts[i].bore_m or 0.0) * factor)
    return line


# The handbook


def _air_of_burst(line: Line, burst: Burst) -> float:
    """Free air of all shots [m3], per absolute pressure in the tool."""
    per_shot = (line.tool.air_per_shot_m3 or 0.0) / (line.shot_reference_pa + line.site.p_amb_pa)
    return burst.shots * per_shot


def handbook_volume(line: Line, burst: Burst, rest_pa: float) -> float:
    """V = T C p_a / (p1 - p2): all air of the burst out of the receiver, between its rest and the floor, isothermal [m3]."""
    p_mean = 0.5 * (rest_pressure(line) + burst.floor_pa)
    return _air_of_burst(line, burst) * (p_mean + line.site.p_amb_pa) * 100_000.0 / (rest_pa - burst.floor_pa)


def handbook_lowest(line: Line, burst: Burst, rest_pa: float, volume_m3: ArrayLike) -> NDArray[np.float64]:
    """Pressure that the handbook formula leaves in receivers of these volumes after the burst [Pa gauge]: the formula the other way."""
    # rest - p2 = T C p_a / V, where the air of a shot goes with the mean of the tool's pressure at rest and p2.
    share = _air_of_burst(line, burst) * 100_000.0 / np.asarray(volume_m3, dtype=np.float64)
    return (rest_pa - share * (0.5 * rest_pressure(line) + line.site.p_amb_pa)) / (1.0 + 0.5 * share)


# Words that need the numbers of the search


def _impossible(line: Line, burst: Burst) -> str:
    lowest = fire(with_receiver(line, LARGEST_M3), burst, follow_s=0.0).lowest_pa
    need = (line.tool.air_per_shot_m3 or 0.0) / burst.every_s
    give = line.compressor.delivery_m3_per_s
    text = (
        f"No receiver up to {from_si(LARGEST_M3, 'L'):.0f} L keeps {burst.shots} shots, one each {burst.every_s:g} s, above "
        f"{bar_and_psi(burst.floor_pa)}: even then the lowest is {bar_and_psi(lowest)}."
    )
    if need > give:
        text += (
            f" The burst takes {from_si(need, 'L/min'):.0f} L/min of free air and the compressor gives {from_si(give, 'L/min'):.0f}: "
            "work slower, in shorter bursts, or with a larger compressor."
        )
    else:
        text += " What lies between receiver and tool holds the air back: a wider coupler or last hose, or a higher setting, is needed."
    return text


def _why(volume_m3: float, handbook_m3: float, shots: int) -> str:
    if volume_m3 == 0.0:
        return "The line alone feeds the burst; the handbook formula supposes that nothing comes through the line."
    if volume_m3 < handbook_m3:
        return (
            "The model needs less than the handbook: the formula supposes that the receiver feeds the burst alone, but the hose adds air "
            f"between the shots; and it counts the air of all {shots} shots, of which the last one's is taken after the last start."
        )
    return (
        "The model needs more than the handbook: air left in a receiver cools while it expands, so the pressure falls up to 1.4 times as "
        "far as the formula says, and the coupler and last hose hold back part of each refill."
    )


def _cautions(line: Line, volume_m3: float, burst: Burst) -> tuple[str, ...]:
    fitted = with_receiver(line, volume_m3)
    out = [*cautions(fitted), *(c for c in rating_cautions(fitted) if c.startswith("If the regulator fails open"))]
    per_shot = line.tool.air_per_shot_m3 or 0.0
    need, give = mass_of_free_air(per_shot / burst.every_s), mass_of_free_air(line.compressor.delivery_m3_per_s)
    if burst.shots > 1 and need > give:
        out.append(
            f"While the burst lasts the tool takes {need / give:.1f} times what the compressor delivers; "
            f"after {burst.shots} shots it needs a pause."
        )
    if "air_per_shot" in line.tool.assumed:
        out.append(f"The air per shot is not given; {from_si(per_shot, 'L'):.1f} L of free air is assumed, and the volume goes with it.")
    return tuple(out)
