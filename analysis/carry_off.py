"""What a receiver serves besides the tool it stands at: the time to fill it, and what its air does once it is taken off the line.

A detached receiver is a closed vessel. Each draw takes air out of it and cools what stays; between draws the wall warms it again. How
fast is not known well, so the number of draws is bracketed: no heat at all (the air cools, the pressure falls early), and all the time
in the world (the air stays as warm as the wall).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.air import mass_of_free_air
from analysis.burst import FILL_MOST_S, bar_and_psi, fill_time, keep_pumping, receiver_index, rest_pressure
from analysis.constants import CV_J_PER_KG_K, GAMMA, R_AIR_J_PER_KG_K
from analysis.estimate import Estimate
from analysis.line import Line
from analysis.model import VESSEL_AREA, WALL_W_PER_M2_K, build, run_network, settled
from analysis.sizing import AIR_ASSUMED_95, GIVEN_95
from analysis.units import PSI_PA
from analysis.variants import with_receiver

TYRE_M3: Final = 0.030  # air space of a car's tyre; common practice, no source
TYRE_95: Final = 0.30  # of that, relative; tyres of cars run from about 20 to 40 L
TYRE_FROM_PA: Final = 30.0 * PSI_PA
TYRE_TO_PA: Final = 45.0 * PSI_PA
TYRE_EVERY_S: Final = 120.0  # from one tyre to the next; common practice, no source
BRAD_AIR_M3: Final = 0.57e-3  # free air of a brad nailer's shot, 0.02 scf; reference TR-19, from memory, +-50 %
BRAD_EVERY_S: Final = 2.0  # from one brad to the next; common practice, no source
BRAD_FLOOR_PA: Final = 70.0 * PSI_PA  # low end of the range that nailers work in, reference TR-17 (tool guides)
BRAD_AT_PA: Final = 90.0 * PSI_PA  # pressure at which that air is stated, and to which a regulator on the receiver is set
MOST_DRAWS: Final = 20_000
RISE_FROM, RISE_TO = 0.05, 0.95  # a filling is timed between these shares of its rise, since valves are opened by hand
EMPTY_SHARE: Final = 0.4  # a filling starts below this share of where it ends


@dataclass(frozen=True, slots=True, kw_only=True)
class CarryOff:
    """What a filled receiver does.

    Attributes
    ----------
    volume_m3, start_pa : float
        Its volume [m3], and its pressure when it is taken off [Pa gauge].
    floor_pa, brad_floor_pa : float
        Lowest pressure at which a shot of the line's tool, and a brad, may start [Pa gauge].
    fill_s : float
        To fill it and the line from empty to 95 % [s]; NaN where that takes longer than ten minutes.
    tyres : Estimate
        How many tyres it lifts from 30 to 45 psi.
    tyre_m3, tyre_from_pa, tyre_to_pa : float
        Air space of such a tyre [m3], and its pressures [Pa gauge].
    brads, shots : Estimate
        How many brads it drives, and how many shots of the line's own tool, before a start falls below the floor.
    brad_air_m3, shot_air_m3 : float
        Free air that such a shot takes [m3].
    """

    volume_m3: float
    start_pa: float
    floor_pa: float
    brad_floor_pa: float
    fill_s: float
    tyres: Estimate
    tyre_m3: float
    tyre_from_pa: float
    tyre_to_pa: float
    brads: Estimate
    brad_air_m3: float
    shots: Estimate
    shot_air_m3: float


def carry_off(
    line: Line,
    *,
    volume_m3: float | None = None,
    floor_pa: float | None = None,
    tyre_m3: float | None = None,
    brad_air_m3: float | None = None,
) -> CarryOff:
    """Say what a receiver does when it is filled by a line and taken off.

    Parameters
    ----------
    line : Line
    volume_m3 : float, optional
        Of the receiver [m3]; the line's own where not given.
    floor_pa : float, optional
        Lowest pressure at which a nail may start [Pa gauge]. Where not given, the lower end of the tool's window for its shots, and 70 psi
        for brads and for a tool without a window.
    tyre_m3, brad_air_m3 : float, optional
        Air space of a tyre [m3] and free air of a brad [m3]; usual ones where not given, with a wide interval.

    Raises
    ------
    ValueError
        If the line has no receiver and no volume is given, or a value is impossible.
    """
    if volume_m3 is not None:
        _above_zero("The volume of a receiver", volume_m3)
        line = with_receiver(line, volume_m3)
    at = receiver_index(line)
    volume = line.parts[at].volume_m3 or 0.0
    start = rest_pressure(line, at)
    window = line.tool.window_pa
    floor = floor_pa if floor_pa is not None else window[0] if window else BRAD_FLOOR_PA
    brad_floor = BRAD_FLOOR_PA if floor_pa is None else floor_pa
    _above_zero("The floor", floor)
    highest = max(floor, brad_floor)
    if highest >= start:
        msg = (
            f"The receiver stands at {bar_and_psi(start)} when it is taken off, not above the floor ({bar_and_psi(highest)}): it drives "
            "nothing. Lower the floor, or fill it to more as far as the ratings allow."
        )
        raise ValueError(msg)
    vessel = Vessel(volume_m3=volume, p_pa=start, p_amb_pa=line.site.p_amb_pa, temp_k=line.site.temperature_k)
    tyre, brad = TYRE_M3 if tyre_m3 is None else tyre_m3, BRAD_AIR_M3 if brad_air_m3 is None else brad_air_m3
    shot = line.tool.air_per_shot_m3 or BRAD_AIR_M3
    _above_zero("The air space of a tyre", tyre)
    _above_zero("The air of a brad", brad)
    per_tyre = tyre * (TYRE_TO_PA - TYRE_FROM_PA) / (R_AIR_J_PER_KG_K * line.site.temperature_k)
    shot_u = AIR_ASSUMED_95 if "air_per_shot" in line.tool.assumed else GIVEN_95
    return CarryOff(
        volume_m3=volume,
        start_pa=start,
        floor_pa=floor,
        brad_floor_pa=brad_floor,
        fill_s=fill_time(line),
        tyres=_bracket(
            lambda more, wall: vessel.draws(per_tyre * more, every_s=TYRE_EVERY_S, stop_pa=TYRE_TO_PA, to_the_end=True, wall=wall),
            TYRE_95 if tyre_m3 is None else GIVEN_95,
        ),
        tyre_m3=tyre,
        tyre_from_pa=TYRE_FROM_PA,
        tyre_to_pa=TYRE_TO_PA,
        brads=_bracket(
            lambda more, wall: vessel.shots(brad * more, at_pa=BRAD_AT_PA, floor_pa=brad_floor, wall=wall),
            AIR_ASSUMED_95 if brad_air_m3 is None else GIVEN_95,
        ),
        brad_air_m3=brad,
        shots=_bracket(lambda more, wall: vessel.shots(shot * more, at_pa=line.shot_reference_pa, floor_pa=floor, wall=wall), shot_u),
        shot_air_m3=shot,
    )


def _above_zero(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        msg = f"{what} must be above zero."
        raise ValueError(msg)


def _bracket(count: Callable[[float, float], int], u: float) -> Estimate:
    """Count with the usual heat; the interval from no heat and more air a draw to all heat and less air."""
    return Estimate(value=count(1.0, 1.0), low=count(1.0 + u, 0.0), high=count(1.0 - u, math.inf))


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """A closed vessel: volume [m3], pressure at the start [Pa gauge], ambient pressure [Pa abs], temperature of its wall [K]."""

    volume_m3: float
    p_pa: float
    p_amb_pa: float
    temp_k: float

    def draws(
        self, mass_kg: float | Callable[[float], float], *, every_s: float, stop_pa: float, to_the_end: bool = False, wall: float = 1.0
    ) -> int:
        """Count the draws of this vessel until its pressure is too low.

        Parameters
        ----------
        mass_kg : float or callable
            Air of a draw [kg], or a function of the pressure before it [Pa abs] that says so.
        every_s : float
            Time from draw to draw [s].
        stop_pa : float
            Lowest pressure [Pa gauge] at which a draw may start, or, with `to_the_end`, at which it may end.
        to_the_end : bool
            Whether `stop_pa` must be kept until the end of a draw.
        wall : float
            Factor on the usual heat from the wall; 0 and infinite are the bracket.
        """
        temp, count = self.temp_k, 0
        p = self.p_pa + self.p_amb_pa
        m = p * self.volume_m3 / (R_AIR_J_PER_KG_K * temp)
        conductance = wall * WALL_W_PER_M2_K * VESSEL_AREA * self.volume_m3 ** (2.0 / 3.0)
        while count < MOST_DRAWS:
            if p < stop_pa + self.p_amb_pa:
                break
            taken = mass_kg(p) if callable(mass_kg) else mass_kg
            left = m - taken
            if left <= 0.0:
                break
            # What stays expands without friction; with all the heat there is, it does not cool at all.
            cooled = temp if math.isinf(wall) else temp * (left / m) ** (GAMMA - 1.0)
            if to_the_end and left * R_AIR_J_PER_KG_K * cooled / self.volume_m3 < stop_pa + self.p_amb_pa:
                break
            m, count = left, count + 1
            if not math.isinf(wall):
                temp = self.temp_k + (cooled - self.temp_k) * math.exp(-conductance * every_s / (m * CV_J_PER_KG_K))
            p = m * R_AIR_J_PER_KG_K * temp / self.volume_m3
        return count

    def shots(self, air_m3: float, *, at_pa: float, floor_pa: float, wall: float = 1.0) -> int:
        """Count the shots of a tool behind a regulator on the vessel, set to the pressure [Pa gauge] at which its free air is stated."""
        per_pa = mass_of_free_air(air_m3) / (at_pa + self.p_amb_pa)
        top = at_pa + self.p_amb_pa
        return self.draws(lambda p: per_pa * min(p, top), every_s=BRAD_EVERY_S, stop_pa=floor_pa, wall=wall)


# Confirmed by a recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """A filling: from when, between which pressures [Pa gauge], and how long [s], from 5 to 95 % of its rise."""

    from_s: float
    low_pa: float
    high_pa: float
    took_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FillCheck:
    """A filling as measured, and the time that the model takes between the same pressures [s]; NaN where it never gets there."""

    measured: Filling
    model_s: float
    by_pump: bool


def read_filling(t_s: ArrayLike, p_pa: ArrayLike) -> Filling:
    """Find the filling in a recording of a vessel's pressure.

    Raises
    ------
    ValueError
        If the recording shows no rise from nearly empty.
    """
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(p)
    t, p = t[good], _calm(p[good])
    if t.size < 50:
        msg = f"Only {t.size} readings; a filling needs at least 50."
        raise ValueError(msg)
    end = int(np.argmax(p >= 0.99 * float(np.max(p))))
    top, bottom = float(p[end]), float(np.min(p[: end + 1]))
    if not bottom < EMPTY_SHARE * top:
        msg = (
            f"No filling from nearly empty in this recording: before its highest pressure ({bar_and_psi(top)}) it never fell below "
            f"{bar_and_psi(bottom)}. Bleed the receiver, start the recording, then open the line."
        )
        raise ValueError(msg)
    low, high = (bottom + share * (top - bottom) for share in (RISE_FROM, RISE_TO))
    start = int(np.flatnonzero(p[: end + 1] <= low)[-1])
    stop = start + int(np.argmax(p[start : end + 1] >= high))
    return Filling(from_s=float(t[start]), low_pa=low, high_pa=high, took_s=float(t[stop] - t[start]))


def _calm(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Medians of five readings, against spikes."""
    return np.median(np.lib.stride_tricks.sliding_window_view(np.pad(p, 2, mode="edge"), 5), axis=1) if p.size >= 5 else p


def check_filling(line: Line, t_s: ArrayLike, p_pa: ArrayLike, *, channel: str, volume_m3: float | None = None) -> FillCheck:
    """Hold a recorded filling against the model.

    Parameters
    ----------
    line : Line
    t_s, p_pa : array_like
        The recording [s, Pa gauge].
    channel : str
        Name of the pressure: a tank's or supply's is filled by the pump; any other is the receiver's, filled through the line from a full
        tank.
    volume_m3 : float, optional
        Of the receiver, where the line has none or another.

    Raises
    ------
    ValueError
        If the recording shows no filling, or the line has no receiver.
    """
    found = read_filling(t_s, p_pa)
    by_pump = any(word in channel.lower() for word in ("tank", "supply", "compressor"))
    if volume_m3 is not None and not by_pump:
        line = with_receiver(line, volume_m3)
    net = build(line, cell_m=2.0)
    net.shot["kg"] = 0.0
    full, empty = line.compressor.cut_out_pa + net.p_amb_pa, net.p_amb_pa
    state = settled(net, empty) if by_pump else settled(net, full, downstream_abs_pa=empty)
    if by_pump:  # the tank's outlet is shut, or what stands open to it is small
        net.element["k"][net.link[0, 0] : net.link[0, 1]] *= 1e-9
    store = 0 if by_pump else list(net.names).index(line.labels()[receiver_index(line)])
    rate, step, at = 20.0, 20.0, 0.0
    passed: float | None = None
    while at < max(FILL_MOST_S, 3.0 * found.took_s):
        got = run_network(net, state, duration_s=step, output_rate_hz=rate)
        p = got.p_abs_pa[:, store, 0] - net.p_amb_pa
        if passed is None and bool((p >= found.low_pa).any()):
            passed = at + float(np.argmax(p >= found.low_pa)) / rate
        if passed is not None and bool((p >= found.high_pa).any()):
            return FillCheck(measured=found, model_s=at + float(np.argmax(p >= found.high_pa)) / rate - passed, by_pump=by_pump)
        keep_pumping(net, got.p_abs_pa[:, 0, 0])
        at += step
    return FillCheck(measured=found, model_s=math.nan, by_pump=by_pump)
