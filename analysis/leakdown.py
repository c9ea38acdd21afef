"""Leak-down: from the pressure of a shut-in line to a leak with its interval, or to an honest "cannot tell".

The air shut in has the mass m = p V / (R T). A leak of sonic conductance C takes mass from it by ISO 6358, so

    d ln(p/T) / dt = -k sqrt(T T0) phi(p_amb / p),    k = R rho0 C / V,

with phi = 1 while the leak is choked. Integrated, ln(p/T) is a straight line in u = integral of sqrt(T T0) phi dt: one slope k
for all stretches of a recording, one level for each. What is left over is not white noise: air and thermometer differ slowly.
That difference is a Gaussian process whose size and pace the recording itself tells, and so the interval stays honest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.air import CRITICAL_RATIO, free_air, hole_of_conductance, iso6358_mass_flow
from analysis.constants import (
    ANR_DENSITY_KG_PER_M3,
    ANR_TEMPERATURE_K,
    ATMOSPHERE_ABS_PA,
    GAMMA,
    LEAK_REFERENCE_PA,
    R_AIR_J_PER_KG_K,
)
from analysis.estimate import Estimate
from analysis.leak_breaks import Readings, Span, coarsen, condense, find_breaks, merge, part, settling_s

Array = NDArray[np.float64]

TIGHT_M3_PER_S: Final = 1e-7  # a line that loses less free air than this is called tight [m3/s]; common practice, no source
NOMINAL_VOLUME_M3: Final = 0.05  # stands for an unknown volume where only "is it tight?" is asked; common practice, no source
FIT_BLOCKS: Final = 140  # blocks in the fit; more do not add knowledge, slow residuals do not average out
LAGS_S: Final = (0.0, 20.0, 45.0, 90.0, 150.0, 240.0, 400.0, 650.0, 1000.0, 1500.0, 2200.0, 3200.0, 4500.0, 6500.0, 9500.0)
PACES_S: Final = (400.0, 1500.0, 5000.0)  # correlation times tried for the slow residual [s]
SIZES: Final = (1.0, 2.5, 6.0, 15.0)  # sizes tried for the slow residual, times the least possible one
THERMOMETER_DRIFT_K: Final = 0.03  # least slow difference between air and thermometer [K]; common practice, no source
RATIOS: Final = (0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.528, 0.56)  # critical ratios tried where the end of a recording tells them
RATIO_MEAN: Final = 0.45  # holes that are no nozzles lie lower than 0.528; as does this page's default for a test nozzle
RATIO_U: Final = 0.08  # and differ by about this much; common practice, no source
AIR_SETTLING_S: Final = 90.0  # time in which still air takes on its tank's temperature, where the recording does not show it [s]
SCALE_U: Final = 0.004  # what humidity, an offset of the thermometer and the gas law leave open, relative; common practice, no source
GAIN_U: Final = 0.01  # a thermometer's spot may swing a little more or less than the air does [-]; common practice, no source
STEP_WARMTH: Final = 0.3  # a quick change of pressure changes the air's temperature by 0.286 of it; isentropic relation
WEATHER_PA: Final = 150.0  # slow wander of an unmeasured barometer over a night [Pa]; common practice, no source
UNKNOWN_SWING_K: Final = 5.0  # standard deviation of an unmeasured temperature over a day [K]; common practice, no source
UNKNOWN_PACE_S: Final = 6 * 3600.0  # its correlation time [s]; goes with a daily swing
ZERO_U_PA: Final = 1000.0  # standard uncertainty of a sensor's zero, 0.1 % of a 10 bar sensor [Pa]; common practice, no source
Z95: Final = 1.959964  # two-sided 95 % of the normal distribution


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


def flow_factor(p_amb_over_p: ArrayLike, b: float = CRITICAL_RATIO) -> Array:
    """ISO 6358 flow relative to choked flow: 1 up to the critical ratio `b`, an ellipse beyond, 0 from 1 on."""
    return iso6358_mass_flow(1.0, p_amb_over_p, ANR_TEMPERATURE_K, 1.0, b) / ANR_DENSITY_KG_PER_M3


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
    stretches, left_out, zero, settling, warnings = _choose(fine, chosen)
    if not measured:
        warnings.append(
            "No temperature was recorded, so the likely swing of a day is in the interval. Record the air's or the tank wall's."
        )
    data = _Blocks.of(fine, stretches)
    fit = _Posterior.of(data, measured=measured, zero=zero, settling_s=settling, b=b)
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
        used=tuple(Span(from_s=s.from_s, until_s=s.until_s) for s in stretches),
        left_out=left_out,
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


def _choose(fine: Readings, chosen: list[Span]) -> tuple[list[Span], tuple[Span, ...], tuple[float, float], float, list[str]]:
    """Choose the stretches to fit; return them, what is left out, the zero with its uncertainty, the air's time constant, warnings."""
    start, end = float(fine.t_s[0]), float(fine.t_s[-1])
    out = [*find_breaks(fine), *chosen]
    zero, empty = _empty_end(fine)
    if empty is not None:
        out.append(empty)
    warnings: list[str] = []
    stretches: list[Span] = []
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
        if settled > 0.6 * (z - a):
            warnings.append(
                f"The air was still changing its temperature (time constant {tau:.0f} s) in most of the stretch that begins at {a:.0f} s. "
                "Wait longer after filling, or record longer."
            )
            settled = 0.6 * (z - a)
        if settled > 0:
            taus += [tau] if np.isfinite(tau) else []
            after = "filling" if n == 0 else "the break"
            cuts.append(Span(from_s=a, until_s=a + settled, why=f"air still settling to the wall's temperature after {after}"))
        stretches.append(Span(from_s=a + settled, until_s=z))
    if not stretches:
        msg = "No quiet stretch is left to fit: air was drawn or let in all the time. Shut the line in and leave it alone for longer."
        raise ValueError(msg)
    return stretches, merge(cuts), zero, min(taus, default=AIR_SETTLING_S), warnings


def _empty_end(r: Readings) -> tuple[tuple[float, float], Span | None]:
    """Find the end in which nothing is left to leak; it tells the sensor's zero and how well."""
    unknown = (0.0, ZERO_U_PA)
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
    return (zero, error), Span(from_s=float(r.t_s[empty]), until_s=float(r.t_s[-1]), why="empty: no pressure left to lose")


def _step_before(r: Readings, when: float) -> float:
    """How much a break that ends at `when` changed the pressure, relative to absolute pressure."""
    i = int(np.searchsorted(r.t_s, when))
    near = np.log(np.maximum(r.p_pa[max(i - 400, 0) : i + 1] + r.p_amb_pa[max(i - 400, 0) : i + 1], 1.0))
    return float(np.ptp(near)) if near.size else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """What is fitted: block means of all stretches."""

    t_s: Array
    p_pa: Array
    p_amb_pa: Array
    temp_k: Array
    weight: Array
    stretch: NDArray[np.intp]
    fine: Readings
    noise_pa: float
    resolution_pa: float

    @staticmethod
    def of(fine: Readings, stretches: list[Span]) -> _Blocks:
        total = sum(s.until_s - s.from_s for s in stretches)
        pieces: list[Readings] = []
        for s in stretches:
            inside = part(fine, (fine.t_s >= s.from_s) & (fine.t_s <= s.until_s))
            share = max(8, round(FIT_BLOCKS * (s.until_s - s.from_s) / total))
            pieces.append(coarsen(inside, share))
        number = [np.full(piece.t_s.size, i, dtype=np.intp) for i, piece in enumerate(pieces)]

        def joined(name: str) -> Array:
            return np.concatenate([getattr(piece, name) for piece in pieces])

        return _Blocks(
            t_s=joined("t_s"),
            p_pa=joined("p_pa"),
            p_amb_pa=joined("p_amb_pa"),
            temp_k=joined("temp_k"),
            weight=joined("weight"),
            stretch=np.concatenate(number),
            fine=fine,
            noise_pa=fine.noise_pa,
            resolution_pa=fine.resolution_pa,
        )

    @property
    def hours(self) -> float:
        return float(self.t_s[-1] - self.t_s[0]) / 3600.0

    def noise_covariance(self) -> Array:
        """Covariance of the blocks' means [Pa2]: noise averages out, a coarse step that no noise blurs stays while it lasts."""
        white = np.diag(np.square(self.noise_pa) / self.weight)
        blur = min((self.noise_pa**2 - self.resolution_pa**2 / 12.0) / max(self.resolution_pa, 1e-9) ** 2, 10.0)
        stays = self.resolution_pa / np.sqrt(12.0) * float(np.exp(-2.0 * np.pi**2 * max(blur, 0.0)))
        if stays < 0.1 * self.noise_pa:
            return white
        steps = float(np.abs(np.diff(self.p_pa)).sum()) / self.resolution_pa
        lasts = float(self.t_s[-1] - self.t_s[0]) / max(steps, 1.0)
        return np.asarray(white + stays**2 * _matern(np.abs(self.t_s[:, None] - self.t_s[None, :]), 0.6 * lasts), dtype=np.float64)


def lagged(t_s: Array, x: Array, lag_s: float) -> Array:
    """Pass a channel through a first-order lag, exact for readings joined by straight lines; starts settled."""
    if lag_s <= 0:
        return x
    h = np.diff(t_s)
    decay = np.exp(-h / lag_s)
    slope = np.divide(np.diff(x), h, out=np.zeros_like(h), where=h > 0)
    gain = x[1:] - slope * lag_s - decay * (x[:-1] - slope * lag_s)
    out = np.empty_like(x)
    out[0] = x[0]
    level = float(x[0])
    for i, (a, g) in enumerate(zip(decay.tolist(), gain.tolist(), strict=True), start=1):
        level = a * level + g
        out[i] = level
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Posterior:
    """Mixture of normal distributions of the slope k over lags and residual processes, weighted by their likelihood."""

    means: Array
    sds: Array
    sd_of_none: float
    weights: Array
    lag_s: float
    critical_ratio: float
    zero: Estimate
    zero_fitted_pa: float
    level: Array

    @property
    def mean(self) -> float:
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        return float(np.sqrt(self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)))

    def below(self, k: float) -> float:
        """Probability that the slope is below `k`."""
        return float(self.weights @ ndtr((k - self.means) / self.sds))

    def quantile(self, q: float) -> float:
        reach = 12.0 * self.sd
        return float(brentq(lambda k: self.below(k) - q, self.mean - reach, self.mean + reach, xtol=1e-6 * self.sd))

    @staticmethod
    def of(d: _Blocks, *, measured: bool, zero: tuple[float, float], settling_s: float, b: float | None) -> _Posterior:
        """Weigh lags, critical ratios and residual processes; once more where the leak is quick enough to cool its own air."""
        whiten = _whiteners(d, measured=measured)
        ratios = [b if b is not None else CRITICAL_RATIO]
        lowest = float(np.max(d.p_amb_pa / np.maximum(d.p_pa - zero[0] + d.p_amb_pa, 1.0)))
        if b is None and lowest > RATIOS[0]:
            ratios = list(RATIOS)
        cooling, zero_pa, fit = np.zeros(d.t_s.size), zero[0], None
        for _ in range(4):
            p_abs = np.maximum(d.p_pa - zero_pa + d.p_amb_pa, 1.0)
            rate = 0.0 if fit is None else fit.mean
            fit = _Posterior._weigh(d, p_abs, zero, zero_pa, rate, whiten, ratios, cooling, measured=measured)
            cold = (GAMMA - 1.0) * fit.mean * ANR_TEMPERATURE_K * settling_s * p_abs / p_abs[0]
            cooling = np.clip(cold * flow_factor(d.p_amb_pa / p_abs, fit.critical_ratio), 0.0, 0.2)
            if float(np.ptp(cooling)) < 1e-5 and lowest < 0.7:
                break
            zero_pa = fit.zero_fitted_pa if lowest > 0.7 else zero_pa
        assert fit is not None
        return fit

    @staticmethod
    def _weigh(
        d: _Blocks,
        p_abs: Array,
        zero: tuple[float, float],
        zero_pa: float,
        rate: float,
        whiten: list[tuple[float, Array]],
        ratios: list[float],
        cooling: Array,
        *,
        measured: bool,
    ) -> _Posterior:
        t = d.t_s
        lags = [lag for lag in LAGS_S if lag <= 0.5 * (t[-1] - t[0])] if measured else [0.0]
        coarse = coarsen(d.fine, 3000)
        rows: list[tuple[float, float, float, float, float]] = []
        best: tuple[float, float, Array, Array] | None = None
        for lag in lags:
            temp = np.interp(t, coarse.t_s, lagged(coarse.t_s, coarse.temp_k, lag)) if measured else np.full(t.size, ANR_TEMPERATURE_K)
            y = np.log(p_abs / temp) + np.log1p(cooling)
            columns, prior = _nuisance(d, coarse, temp, p_abs, lag, zero[1], measured=measured)
            if float(np.ptp(cooling)) > 0:
                # How long the air takes to warm up again is known to a half at best.
                columns.append(cooling)
                prior = np.append(prior, 1.0 / 0.5)
            rest_of = np.column_stack(columns)
            pull = np.diag(np.concatenate(([0.0], prior[1:])) ** 2)
            aim = np.zeros(prior.size)
            aim[1] = zero[0] - zero_pa
            for b in ratios:
                odds = 0.0 if len(ratios) == 1 else -0.5 * ((b - RATIO_MEAN) / RATIO_U) ** 2
                basis = np.column_stack((-_exposure(d, temp, p_abs, b), rest_of))
                # A zero error moves the flow as well, once it is no longer choked.
                basis[:, 1] += rate * (_exposure(d, temp, p_abs + 10.0, b) - _exposure(d, temp, p_abs - 10.0, b)) / 20.0
                for log_det, white in whiten:
                    x, z = white @ basis, white @ y
                    factor = np.linalg.cholesky(x.T @ x + pull)
                    beta = cho_solve((factor, True), x.T @ z + pull @ aim)
                    rest = z - x @ beta
                    misfit = float(rest @ rest + (beta - aim) @ pull @ (beta - aim))
                    log_weight = odds - 0.5 * misfit - log_det - float(np.log(np.diag(factor)).sum())
                    # The first row of the factor's inverse: the variance of k is the first diagonal element.
                    unit = np.zeros(beta.size)
                    unit[0] = 1.0
                    sd = float(np.sqrt(cho_solve((factor, True), unit)[0]))
                    rows.append((log_weight, float(beta[0]), sd, b, zero_pa + float(beta[1])))
                    if best is None or log_weight > best[0]:
                        best = (log_weight, lag, temp, basis @ beta)
        assert best is not None
        table = np.array(rows)
        w = np.exp(table[:, 0] - table[:, 0].max())
        w /= w.sum()
        told = zero[1] < 0.9 * ZERO_U_PA
        zero_estimate = Estimate(value=zero[0], low=zero[0] - Z95 * zero[1], high=zero[0] + Z95 * zero[1]) if told else Estimate(value=None)
        return _Posterior(
            means=table[:, 1],
            sds=np.hypot(table[:, 2], SCALE_U * table[:, 1]),
            sd_of_none=float(np.sqrt(w @ (table[:, 2] ** 2 + (table[:, 1] - w @ table[:, 1]) ** 2))),
            weights=w,
            lag_s=best[1],
            critical_ratio=float(w @ table[:, 3]),
            zero=zero_estimate,
            zero_fitted_pa=float(w @ table[:, 4]),
            level=best[3],
        )


def _exposure(d: _Blocks, temp: Array, p_abs: Array, b: float) -> Array:
    """Integral of sqrt(T T0) phi dt, over each stretch from its own beginning [K s]."""
    rate = np.sqrt(temp * ANR_TEMPERATURE_K) * flow_factor(d.p_amb_pa / p_abs, b)
    u = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(d.t_s))))
    for i in range(int(d.stretch[-1]) + 1):
        mine = d.stretch == i
        u[mine] -= u[mine].mean()
    return u


def _nuisance(
    d: _Blocks, coarse: Readings, temp: Array, p_abs: Array, lag: float, zero_u: float, *, measured: bool
) -> tuple[list[Array], Array]:
    """Columns that are fitted beside the leak, and the reciprocal of each one's prior width (0: free)."""
    columns = [1.0 / p_abs]
    prior = [0.0, 1.0 / zero_u]
    for i in range(int(d.stretch[-1]) + 1):
        columns.append((d.stretch == i).astype(np.float64))
        prior.append(0.0)
    if measured:
        columns.append(np.log(temp / temp.mean()))
        prior.append(1.0 / GAIN_U)
        if lag > 0:
            # The channel's history before the recording is unknown: the lagged air may start off by a degree or so.
            columns.append(np.exp(-(d.t_s - coarse.t_s[0]) / lag) / temp)
            prior.append(1.0 / 1.0)
    return columns, np.array(prior)


def _whiteners(d: _Blocks, *, measured: bool) -> list[tuple[float, Array]]:
    """Residual processes to be weighed against each other: log of the root determinant, and whitening."""
    p_abs = d.p_pa + d.p_amb_pa
    each = np.outer(1.0 / p_abs, 1.0 / p_abs)
    noise = d.noise_covariance() * each + 1e-14 * np.eye(p_abs.size)
    apart = np.abs(d.t_s[:, None] - d.t_s[None, :])
    weather = each * WEATHER_PA**2 * _matern(apart, UNKNOWN_PACE_S)
    fixed = noise + (weather if np.ptp(d.p_amb_pa) == 0.0 else 0.0)
    if not measured:
        fixed = fixed + (UNKNOWN_SWING_K / ANR_TEMPERATURE_K) ** 2 * _matern(apart, UNKNOWN_PACE_S)
    least = THERMOMETER_DRIFT_K / ANR_TEMPERATURE_K
    out: list[tuple[float, Array]] = []
    for pace in PACES_S:
        shape = _matern(apart, pace)
        for size in SIZES:
            root = np.linalg.cholesky(fixed + (least * size) ** 2 * shape)
            inverse = solve_triangular(root, np.eye(root.shape[0]), lower=True)
            out.append((float(np.log(np.diag(root)).sum()), inverse))
    return out


def _matern(apart: Array, pace: float) -> Array:
    """Correlation of a process that is smooth but not stiff (Matern 3/2)."""
    x = np.sqrt(3.0) * apart / pace
    return np.asarray((1.0 + x) * np.exp(-x), dtype=np.float64)


# What is said


def _verdict(
    fit: _Posterior, to_flow: float, tight: float, smallest: float, *, measured: bool, known: bool, hours: float
) -> tuple[str, str]:
    high = fit.quantile(0.975) * to_flow
    sure = fit.quantile(0.005) * to_flow > 0.0
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

    data: _Blocks
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
        return Estimate(
            value=scale / value if value is not None and value > 0 else None,
            low=scale / high if high is not None and high > 0 else None,
            high=scale / low if low is not None and low > 0 else None,
        )


def _plot(fine: Readings, d: _Blocks, fit: _Posterior, *, measured: bool) -> tuple[Array, Array, Array, Array]:
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
