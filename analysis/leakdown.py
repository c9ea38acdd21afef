"""Leak-down: from the pressure of a shut-in line to a leak with its interval, or to an honest "cannot tell"."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.air import CRITICAL_RATIO, free_air, hole_of_conductance, iso6358_mass_flow
from analysis.constants import (
    ANR_DENSITY_KG_PER_M3,
    ANR_TEMPERATURE_K,
    ATMOSPHERE_ABS_PA,
    LEAK_REFERENCE_PA,
    R_AIR_J_PER_KG_K,
)
from analysis.estimate import Estimate
from analysis.leak_breaks import SETTLED, Readings, Span, coarsen, condense, find_breaks, merge, part, settling_s
from analysis.leak_fit import Z95, ZERO_U_PA, Blocks, Posterior, flow_factor, lagged

Array = NDArray[np.float64]

TIGHT_M3_PER_S: Final = 1e-7  # a line that loses less free air than this is called tight [m3/s]; common practice, no source
NOMINAL_VOLUME_M3: Final = 0.05  # stands for an unknown volume where only "is it tight?" is asked; common practice, no source
LONGEST_S: Final = 3e8  # ten years: longer times are not told [s]; by choice
UNSEEN_WARMTH: Final = 0.004  # of filling that is not seen but cannot be excluded: 1.2 K of the air; common practice, no source
AIR_SETTLING_S: Final = 90.0  # time in which still air takes on its tank's temperature, where the recording does not show it [s]
STEP_WARMTH: Final = 0.3  # a quick change of pressure changes the air's temperature by 0.286 of it; isentropic relation


@dataclass(frozen=True, slots=True, kw_only=True)
class Leakdown:
    """Answer of a leak-down.

    Attributes
    ----------
    verdict : str
        "leak", "tight" or "cannot tell".
    why : str
        The reason in a sentence, with what to do where it cannot be told.
    leak_m3_per_s : Estimate
        Free air (ANR) lost at `reference_pa` [m3/s]; values None when the volume is unknown.
    conductance : Estimate
        Sonic conductance of the leak [m3/(s Pa)]; None without a volume.
    hole_m : Estimate
        Diameter of the ideal nozzle (discharge coefficient 1) that leaks as much [m]; None without a volume.
    smallest_detectable_m3_per_s : float or None
        Least leak that this recording would have shown [m3/s]; None without a volume.
    reference_pa : float
        Gauge pressure at which the leak is stated [Pa].
    critical_ratio : float
        ISO 6358 critical pressure ratio b, assumed or fitted.
    volume_m3 : float or None
        Air shut in [m3].
    temperature : str
        "measured" or "none".
    lag_s : float or None
        Lag of the air behind the thermometer that fits best [s]; None when not measured.
    zero_pa : Estimate
        Error of the sensor's zero [Pa]; told only by a recording that ends near ambient pressure.
    used, left_out : tuple of Span
        What was fitted, and what was not and why.
    fall_start_pa_per_s, fall_now_pa_per_s : Estimate
        Pressure lost to the leak per second at the first and the last reading used, temperature steady [Pa/s], positive falling.
    time_constant_s : Estimate
        Time in which a choked leak takes absolute pressure to 1/e [s]; high end None when the leak may be nil.
    half_time_s : Estimate
        Time from the last reading used until its gauge pressure has halved [s]; high end None when it may never.
    t_s, p_pa, p_corrected_pa : ndarray, shape (n,)
        The recording in blocks for the eye: gauge pressure, and gauge pressure at the first block's temperature [Pa].
    p_model_pa : ndarray, shape (n,)
        The fitted leak alone, at the first block's temperature [Pa gauge]; NaN outside of what was used.
    warnings : tuple of str
        What the reader should know.
    """

    verdict: str
    why: str
    leak_m3_per_s: Estimate
    conductance: Estimate
    hole_m: Estimate
    smallest_detectable_m3_per_s: float | None
    reference_pa: float
    critical_ratio: float
    volume_m3: float | None
    temperature: str
    lag_s: float | None
    zero_pa: Estimate
    used: tuple[Span, ...]
    left_out: tuple[Span, ...]
    fall_start_pa_per_s: Estimate
    fall_now_pa_per_s: Estimate
    time_constant_s: Estimate
    half_time_s: Estimate
    t_s: Array
    p_pa: Array
    p_corrected_pa: Array
    p_model_pa: Array
    warnings: tuple[str, ...]


def leak_at(conductance: float, p_pa: float, *, p_amb_pa: float = ATMOSPHERE_ABS_PA, b: float = CRITICAL_RATIO) -> float:
    """Free-air leak [m3/s] of a conductance [m3/(s Pa)] at a gauge pressure [Pa], air at 20 degC (ISO 6358)."""
    return free_air(float(iso6358_mass_flow(p_pa + p_amb_pa, p_amb_pa, ANR_TEMPERATURE_K, conductance, b)))


def fit_leakdown(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    *,
    volume_m3: float | None = None,
    temp_k: ArrayLike | None = None,
    p_amb_pa: ArrayLike | float = ATMOSPHERE_ABS_PA,
    reference_pa: float = LEAK_REFERENCE_PA,
    b: float | None = None,
    tight_m3_per_s: float = TIGHT_M3_PER_S,
    leave_out: tuple[tuple[float, float], ...] = (),
) -> Leakdown:
    """Judge a shut-in recording: does it leak, how much, how sure is that.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s] and gauge pressure [Pa]; NaN readings are left out.
    volume_m3 : float or None
        Air that is shut in [m3]; None: rates and times only.
    temp_k : array_like or None, shape (n,)
        Temperature of air, wall or surroundings [K]; how far the air lags behind it is fitted.
    p_amb_pa : float or array_like
        Ambient pressure [Pa abs]: one value, or the barometer with each reading.
    reference_pa : float
        Gauge pressure at which the leak is stated [Pa].
    b : float or None
        Critical pressure ratio of the leak, 0..1; None: fitted where the recording reaches subsonic flow, else that of an
        ideal nozzle, which then does not matter.
    tight_m3_per_s : float
        A line that surely loses less free air than this is called tight [m3/s].
    leave_out : tuple of (from_s, until_s)
        Stretches that the user wants left out [s].

    Returns
    -------
    Leakdown
        The answer.

    Raises
    ------
    ValueError
        If there are too few readings, the volume is not positive, or no stretch is left to fit.
    """
    if volume_m3 is not None and not volume_m3 > 0:
        msg = f"A volume of {volume_m3:g} m3 holds no air. Give the volume of all that is shut in: tank, hoses, pipe."
        raise ValueError(msg)
    if b is not None and not 0.0 <= b < 1.0:
        msg = f"A critical pressure ratio of {b:g} is impossible; it lies from 0 to below 1 (0.528 for an ideal nozzle)."
        raise ValueError(msg)
    fine = condense(
        np.asarray(t_s, dtype=np.float64),
        np.asarray(p_pa, dtype=np.float64),
        None if temp_k is None else np.asarray(temp_k, dtype=np.float64),
        p_amb_pa if isinstance(p_amb_pa, float | int) else np.asarray(p_amb_pa, dtype=np.float64),
    )
    measured = bool(np.isfinite(fine.temp_k).all())
    _refuse_what_is_no_line(fine)
    chosen = [Span(from_s=a, until_s=z, why="left out by you") for a, z in leave_out]
    choice = _choose(fine, chosen)
    warnings = choice.warnings
    if not measured:
        warnings.append(
            "No temperature was recorded, so the likely swing of a day is in the interval. Record the air's or the tank wall's."
        )
    data = Blocks.of(fine, choice.stretches, choice.warmth)
    fit = Posterior.of(data, measured=measured, zero=choice.zero, settling_s=choice.settling_s, b=b)
    b = fit.critical_ratio

    k = Estimate(value=fit.mean, low=fit.quantile(0.025), high=fit.quantile(0.975))
    to_c = (volume_m3 if volume_m3 is not None else NOMINAL_VOLUME_M3) / (R_AIR_J_PER_KG_K * ANR_DENSITY_KG_PER_M3)
    amb_mean = float(np.mean(data.p_amb_pa))
    to_flow = to_c * leak_at(1.0, reference_pa, p_amb_pa=amb_mean, b=b)
    smallest = Z95 * 1.5 * fit.sd_of_none * to_flow
    verdict, why = _verdict(fit, to_flow, tight_m3_per_s, smallest, measured=measured, known=volume_m3 is not None, hours=data.hours)
    nothing = Estimate(value=None)
    rates = _Rates(data, k, b)
    plot = _plot(fine, data, fit, measured=measured)
    return Leakdown(
        verdict=verdict,
        why=why,
        leak_m3_per_s=k.map(lambda x: x * to_flow) if volume_m3 is not None else nothing,
        conductance=k.map(lambda x: x * to_c) if volume_m3 is not None else nothing,
        hole_m=k.map(lambda x: hole_of_conductance(x * to_c)) if volume_m3 is not None else nothing,
        smallest_detectable_m3_per_s=smallest if volume_m3 is not None else None,
        reference_pa=reference_pa,
        critical_ratio=b,
        volume_m3=volume_m3,
        temperature="measured" if measured else "none",
        lag_s=fit.lag_s if measured else None,
        zero_pa=fit.zero,
        used=tuple(Span(from_s=s.from_s, until_s=s.until_s) for s in choice.stretches),
        left_out=choice.left_out,
        fall_start_pa_per_s=rates.fall(0),
        fall_now_pa_per_s=rates.fall(-1),
        time_constant_s=rates.time_constant(),
        half_time_s=rates.half_time(),
        t_s=plot[0],
        p_pa=plot[1],
        p_corrected_pa=plot[2],
        p_model_pa=plot[3],
        warnings=tuple(warnings),
    )


# What is fitted


def _refuse_what_is_no_line(r: Readings) -> None:
    if float(np.median(r.p_pa[: max(5, r.p_pa.size // 20)])) < 20_000.0:
        msg = (
            f"The recording begins at {r.p_pa[0] / 1000:.1f} kPa gauge: there is no pressure to lose. "
            "Fill the line, shut it in, and record from then on."
        )
        raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """What is fitted and what is not."""

    stretches: list[Span]
    warmth: list[float]  # what may be left of the settling at each stretch's beginning, relative to absolute pressure
    left_out: tuple[Span, ...]
    zero: tuple[float, float]
    settling_s: float
    warnings: list[str]


def _choose(fine: Readings, chosen: list[Span]) -> _Choice:
    """Choose the stretches to fit."""
    start, end = float(fine.t_s[0]), float(fine.t_s[-1])
    breaks = find_breaks(fine)
    out = [*breaks, *chosen]
    zero, empty = _empty_end(fine)
    if empty is not None:
        out.append(empty)
    warnings: list[str] = []
    stretches: list[Span] = []
    warmth: list[float] = []
    taus: list[float] = []
    cuts = list(merge(out))
    edges = [start, *[x for s in cuts for x in (s.from_s, s.until_s)], end]
    for n, (a, z) in enumerate(zip(edges[::2], edges[1::2], strict=True)):
        if z - a < max(0.02 * (end - start), 10 * float(np.median(np.diff(fine.t_s)))):
            if z > a:
                cuts.append(Span(from_s=a, until_s=z, why="too short between breaks"))
            continue
        step = _step_before(fine, a) if n else 0.0
        settled, tau = settling_s(part(fine, (fine.t_s >= a) & (fine.t_s <= z)), least=STEP_WARMTH * step)
        seen = settled > 0
        left = SETTLED
        if settled > 0.6 * (z - a):
            warnings.append(
                f"The air was still changing its temperature in most of the stretch that begins at {a:.0f} s. "
                "Wait longer after filling, or record longer."
            )
            left = UNSEEN_WARMTH
            settled = 0.6 * (z - a)
        if seen:
            taus += [tau] if np.isfinite(tau) else []
            after = "filling" if n == 0 else "the break"
            cuts.append(Span(from_s=a, until_s=a + settled, why=f"air still settling to the wall's temperature after {after}"))
        stretches.append(Span(from_s=a + settled, until_s=z))
        warmth.append(left if seen or n else UNSEEN_WARMTH)
    if not stretches:
        msg = "No quiet stretch is left to fit: air was drawn or let in all the time. Shut the line in and leave it alone for longer."
        raise ValueError(msg)
    if np.ptp(fine.p_pa) == 0.0:
        warnings.append("The reading never changed. Check that the sensor is alive and its readings are not too coarse.")
    if sum("let in" in s.why for s in breaks) >= 3:
        warnings.append("Air was let in again and again: if the pump was on, the cycles tell more. Shut the pump off for a leak-down.")
    left_out = merge(cuts)
    lost = [s for s in left_out if s.until_s >= end and "drawn" in s.why]
    if lost and float(np.median(fine.p_pa[-5:])) < 0.2 * float(fine.p_pa[np.searchsorted(fine.t_s, lost[0].from_s)]):
        warnings.append(
            f"At {lost[0].from_s:.0f} s the line was opened or something gave way: it lost its pressure. Only the time before is judged."
        )
    return _Choice(
        stretches=stretches,
        warmth=warmth,
        left_out=left_out,
        zero=zero,
        settling_s=min(taus, default=AIR_SETTLING_S),
        warnings=warnings,
    )


def _empty_end(r: Readings) -> tuple[tuple[float, float], Span | None]:
    """Find the end in which nothing is left to leak; it tells the sensor's zero and how well."""
    unknown = (0.0, ZERO_U_PA)
    r = coarsen(r, 400)  # single readings' noise must not pass for pressure
    low = r.p_pa < max(0.02 * float(r.p_pa.max()), 4000.0)
    if not low[-1]:
        return unknown, None
    first = int(np.flatnonzero(~low)[-1]) + 1
    tail = slice(first + (r.t_s.size - first) // 2, None)
    t, p = r.t_s[tail], r.p_pa[tail]
    if t.size < 10:
        return unknown, None
    slope, _ = np.polyfit(t - t.mean(), p, 1)
    error = float(np.std(p)) / np.sqrt(t.size) + 30.0 + 0.3 * r.resolution_pa
    if abs(float(slope)) * (t[-1] - t[0]) > 4.0 * error:
        return unknown, None  # still falling
    zero = float(p.mean())
    above = np.flatnonzero(r.p_pa > zero + max(0.004 * float(r.p_pa.max()), 3.0 * error))
    empty = int(above[-1]) + 1
    return (zero, float(error)), Span(from_s=float(r.t_s[empty]), until_s=float(r.t_s[-1]), why="empty: no pressure left to lose")


def _step_before(r: Readings, when: float) -> float:
    """How much a break that ends at `when` changed the pressure, relative to absolute pressure."""
    i = int(np.searchsorted(r.t_s, when))
    near = np.log(np.maximum(r.p_pa[max(i - 400, 0) : i + 1] + r.p_amb_pa[max(i - 400, 0) : i + 1], 1.0))
    return float(np.ptp(near)) if near.size else 0.0


# What is said


def _verdict(
    fit: Posterior, to_flow: float, tight: float, smallest: float, *, measured: bool, known: bool, hours: float
) -> tuple[str, str]:
    high = fit.quantile(0.975) * to_flow
    sure = fit.quantile(0.005) * to_flow > 0.0
    if fit.quantile(0.995) < 0.0 and -fit.mean * to_flow > 0.5 * tight:
        return "cannot tell", (
            "Cannot tell, because the air shut in seems to grow: the thermometer does not go with the air, the sensor drifts, or a valve "
            "lets air in. Fix the thermometer to the tank's wall under some foam, check the valves, and repeat."
        )
    if high < tight:
        return "tight", "Whatever is lost is below what counts as tight."
    if sure and fit.mean * to_flow > tight:
        return "leak", "The air shut in grows less, beyond what temperature, noise and drift of the sensor explain."
    advice = [] if measured else ["record the temperature of the tank's wall or of the air around it"]
    advice.append("leave it shut in longer" if hours < 10 or measured else "repeat it on a night with a steadier temperature")
    what = (
        "a leak below what this recording can show cannot be excluded" if not sure else "what is lost may be no more than counts as tight"
    )
    size = f" (about {smallest * 1000:.2g} L/s of free air)" if known and not sure else ""
    return "cannot tell", f"Cannot tell, because {what}{size}. To know: {' and '.join(advice)}."


@dataclass(frozen=True, slots=True)
class _Rates:
    """Rates and times that need no volume."""

    data: Blocks
    k: Estimate
    b: float

    def fall(self, index: int) -> Estimate:
        p_abs = float(self.data.p_pa[index] + self.data.p_amb_pa[index])
        temp = float(self.data.temp_k[index])
        temp = temp if np.isfinite(temp) else ANR_TEMPERATURE_K
        factor = np.sqrt(temp * ANR_TEMPERATURE_K) * p_abs * float(flow_factor(self.data.p_amb_pa[index] / p_abs, self.b))
        return self.k.map(lambda k: float(k * factor))

    def time_constant(self) -> Estimate:
        return self._inverse(1.0 / ANR_TEMPERATURE_K)

    def half_time(self) -> Estimate:
        amb = float(self.data.p_amb_pa[-1])
        gauge = max(float(self.data.p_pa[-1]), 1.0)
        p = np.linspace(gauge, gauge / 2.0, 400) + amb
        inverse = 1.0 / (p * flow_factor(amb / p, self.b))
        return self._inverse(float(np.sum(0.5 * (inverse[1:] + inverse[:-1]) * -np.diff(p))) / ANR_TEMPERATURE_K)

    def _inverse(self, scale: float) -> Estimate:
        """Times go as 1/k; where k may be nil there is no upper end, and no value where it is."""
        value, low, high = self.k.value, self.k.low, self.k.high

        def time(x: float | None) -> float | None:
            return scale / x if x is not None and x * LONGEST_S > scale else None

        return Estimate(value=time(value), low=time(high), high=time(low))


def _plot(fine: Readings, d: Blocks, fit: Posterior, *, measured: bool) -> tuple[Array, Array, Array, Array]:
    """The recording for the eye: pressure, pressure at the first temperature, the fitted leak."""
    view = coarsen(fine, 2000)
    if measured:
        temp = lagged(view.t_s, view.temp_k, fit.lag_s)
        corrected = (view.p_pa + view.p_amb_pa) * temp[0] / temp - view.p_amb_pa
    else:
        temp = np.full(view.t_s.size, ANR_TEMPERATURE_K)
        corrected = view.p_pa.copy()
    model = np.full(view.t_s.size, np.nan)
    for i in range(int(d.stretch[-1]) + 1):
        mine = d.stretch == i
        inside = (view.t_s >= d.t_s[mine][0]) & (view.t_s <= d.t_s[mine][-1])
        p_abs = np.exp(np.interp(view.t_s[inside], d.t_s[mine], fit.level[mine])) * temp[0]
        model[inside] = p_abs - view.p_amb_pa[inside]
    return view.t_s, view.p_pa, corrected, model
