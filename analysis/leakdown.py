"""Leak-down: from the pressure of a shut-in line to a leak with its interval, or to an honest "cannot tell"."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
from analysis.leak_breaks import Readings, Span, coarsen, condense, find_breaks, merge, without_temperature
from analysis.leak_choice import Choice, choose, refuse_what_is_no_line, until_empty
from analysis.leak_fit import RESTLESS, SIZES, SWINGS_K, Blocks, Posterior, lagged
from analysis.leak_hidden import Hidden, hidden_break
from analysis.leak_verdict import Rates, judged
from analysis.statistics import Z_95
from analysis.thermometer import rounded

Array = NDArray[np.float64]
Stretches = tuple[tuple[float, float], ...]

TIGHT_M3_PER_S: Final = 1e-7  # a line that loses less free air than this is called tight [m3/s]; common practice, no source
NOMINAL_VOLUME_M3: Final = 0.05  # stands for an unknown volume where only "is it tight?" is asked; common practice, no source
MORE_LIKELY: Final = 1.5  # natural logarithm of the odds, five to one, against a thermometer that is not believed; by choice
FOREIGN: Final = (
    "The pressure does not follow the thermometer: it hangs elsewhere, or something moves the air's temperature that it does not feel. "
    "It is not used. Fix it to the tank's wall under some foam."
)
RESTLESS_AIR: Final = (
    "The pressure wanders in a way that no thermometer of this recording tells: sun on the tank, a heater, or air drawn or let in slowly. "
    "The interval reckons with it. Fix a thermometer to the tank's wall under some foam."
)
MOST_HIDDEN: Final = 6  # breaks looked for in what the fit leaves over; by choice


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
        "measured", or "none" where there was none to be believed.
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


def refuse_reference(reference_pa: float) -> None:
    """Raise ValueError where a leak is to be stated at a pressure that drives none."""
    if not reference_pa > 0.0:
        msg = f"At {reference_pa / 1000:g} kPa gauge nothing leaks. Give a pressure above ambient to state the leak at, such as 90 psi."
        raise ValueError(msg)


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
    leave_out: Stretches = (),
    use: Stretches = (),
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
    use : tuple of (from_s, until_s)
        Stretches that the user wants fitted though a break was found in them [s].

    Returns
    -------
    Leakdown
        The answer.

    Raises
    ------
    ValueError
        If there are too few readings, the volume is not positive, or no stretch is left to fit.
    """
    fine = condense(
        np.asarray(t_s, dtype=np.float64),
        np.asarray(p_pa, dtype=np.float64),
        None if temp_k is None else np.asarray(temp_k, dtype=np.float64),
        p_amb_pa if isinstance(p_amb_pa, float | int) else np.asarray(p_amb_pa, dtype=np.float64),
    )
    return fit_readings(
        fine, volume_m3=volume_m3, reference_pa=reference_pa, b=b, tight_m3_per_s=tight_m3_per_s, leave_out=leave_out, use=use
    )


def fit_readings(
    fine: Readings,
    *,
    volume_m3: float | None = None,
    reference_pa: float = LEAK_REFERENCE_PA,
    b: float | None = None,
    tight_m3_per_s: float = TIGHT_M3_PER_S,
    leave_out: Stretches = (),
    use: Stretches = (),
) -> Leakdown:
    """Judge a recording whose readings were condensed before; see `fit_leakdown`."""
    if volume_m3 is not None and not volume_m3 > 0:
        msg = f"A volume of {volume_m3:g} m3 holds no air. Give the volume of all that is shut in: tank, hoses, pipe."
        raise ValueError(msg)
    refuse_reference(reference_pa)
    if b is not None and not 0.0 <= b < 1.0:
        msg = f"A critical pressure ratio of {b:g} is impossible; it lies from 0 to below 1 (0.528 for an ideal nozzle)."
        raise ValueError(msg)
    fine, untold, said = without_temperature(fine)
    measured = bool(np.isfinite(fine.temp_k).all())
    behind = rounded(fine.t_s, fine.temp_k, fine.temp_step_k) if measured else None
    if behind is not None:
        fine = replace(fine, temp_k=behind.at(fine.t_s), rounded=behind)
    refuse_what_is_no_line(fine)
    fine, later = until_empty(fine)
    chosen = [Span(from_s=a, until_s=z, why="left out by you") for a, z in leave_out]
    wanted = [Span(from_s=a, until_s=z) for a, z in use]
    breaks = [*find_breaks(fine), *untold]
    hidden: Hidden | None = None
    fits: list[Posterior] = []
    warnings = [said] if said else []
    sizes: tuple[float, ...] = SIZES
    for _ in range(MOST_HIDDEN):
        choice = choose(fine, breaks, chosen, wanted)
        data = Blocks.of(fine, choice.stretches, choice.warmth)
        fit = Posterior.of(data, measured=measured, zero=choice.zero, settling_s=choice.settling_s, b=b, sizes=sizes)
        fits.append(fit)
        hidden = hidden_break(data, fit, wanted)
        if hidden is None:
            break
        if sizes is SIZES:
            # Sun on the tank is likelier than a slow draw: only what stands out of that too is a break.
            sizes = RESTLESS
            fits.clear()
            warnings.append(RESTLESS_AIR)
            continue
        breaks.append(hidden.span)
        if hidden.bend:
            warnings.append(_said_of_bend(hidden))
    if measured and _goes_its_own_way(data, fit, choice, b):
        alone = replace(fine, temp_k=np.full(fine.t_s.size, np.nan), rounded=None)
        answer = fit_readings(
            alone, volume_m3=volume_m3, reference_pa=reference_pa, b=b, tight_m3_per_s=tight_m3_per_s, leave_out=leave_out, use=use
        )
        return replace(answer, warnings=(FOREIGN, *answer.warnings))
    warnings += choice.warnings
    if not measured:
        warnings.append("Without a temperature the likely swing of a day is in the interval. Record the air's or the tank wall's.")
    b = fit.critical_ratio

    # Where something goes on moving the pressure, none of the fits is to be believed more than another.
    believed = [fit] if hidden is None and sizes is SIZES else fits
    k = Estimate(value=fit.mean, low=min(f.quantile(0.025) for f in believed), high=max(f.quantile(0.975) for f in believed))
    to_c = (volume_m3 if volume_m3 is not None else NOMINAL_VOLUME_M3) / (R_AIR_J_PER_KG_K * ANR_DENSITY_KG_PER_M3)
    amb_mean = float(np.mean(data.p_amb_pa))
    to_flow = to_c * leak_at(1.0, reference_pa, p_amb_pa=amb_mean, b=b)
    smallest = Z_95 * 1.5 * fit.sd_of_none * to_flow
    known = volume_m3 is not None
    each = [judged(f, to_flow, tight_m3_per_s, smallest, measured=measured, known=known, hours=data.hours) for f in believed]
    verdict, why = next((one for one in each if one[0] == "cannot tell"), each[-1])
    if hidden is not None:
        verdict, why = (
            "cannot tell",
            (
                "Cannot tell, because the pressure keeps moving in ways that neither a leak nor the temperature explains: air is drawn or "
                "let in. Shut every valve, leave the line alone and record again."
            ),
        )
    elif _stands_still(fine, choice.stretches) and verdict == "tight":
        verdict, why = (
            "cannot tell",
            (
                "Cannot tell, because the reading never changed by more than its smallest step: the sensor may be dead, or at the end of "
                "its range. Check that it follows when a little air is let off, and repeat."
            ),
        )
    nothing = Estimate(value=None)
    rates = Rates(data, k, b)
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
        left_out=merge([*choice.left_out, *later]),
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


def _goes_its_own_way(d: Blocks, fit: Posterior, choice: Choice, b: float | None) -> bool:
    """Whether the pressure is more likely with a swing of the air that nobody measured than with the thermometer's."""
    alone = Posterior.of(d, measured=False, zero=choice.zero, settling_s=choice.settling_s, b=b, swings_k=SWINGS_K)
    return alone.log_evidence - fit.log_evidence > MORE_LIKELY


def _said_of_bend(hidden: Hidden) -> str:
    """Say what a line does that loses air at one rate first and at another rate for good."""
    if hidden.bend > 0.0:
        return (
            f"From {hidden.span.from_s:.0f} s on the line loses air at another rate: a fitting gave way or a valve was left ajar. "
            "Only the time before is judged."
        )
    if hidden.span.why.endswith("until here"):
        return (
            f"Until {hidden.span.until_s:.0f} s the line lost air faster: a valve was shut or came to its seat, or the air still cooled. "
            "Only the time after is judged."
        )
    return (
        f"From {hidden.span.from_s:.0f} s on the line loses air more slowly: a valve was shut, or the tank warms and the thermometer does "
        "not (sun?). Only the time before is judged."
    )


def _stands_still(fine: Readings, stretches: list[Span]) -> bool:
    """Whether the readings that are fitted stand at one value, or at the highest of all within a coarse step."""
    used = np.zeros(fine.t_s.size, dtype=bool)
    for s in stretches:
        used |= (fine.t_s >= s.from_s) & (fine.t_s <= s.until_s)
    p = fine.p_pa[used]
    at_top = float(p.max()) >= float(np.quantile(fine.p_pa, 0.999)) and used.mean() < 0.8
    return bool(np.ptp(p) == 0.0 or (at_top and np.ptp(p) <= 1.01 * fine.resolution_pa))


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
