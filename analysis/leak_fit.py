"""The leak's slope in a shut-in recording, and how sure it is: one straight line, several levels, a slow residual.

The air shut in has the mass m = p V / (R T). A leak of sonic conductance C takes mass from it by ISO 6358, so

    d ln(p/T) / dt = -k sqrt(T T0) phi(p_amb / p),    k = R rho0 C / V,

with phi = 1 while the leak is choked. Integrated, ln(p/T) is a straight line in u = integral of sqrt(T T0) phi dt: one slope k
for all stretches of a recording, one level for each. What is left over is not white noise: air and thermometer differ slowly.
That difference is a Gaussian process whose size and pace the recording itself tells, and so the interval stays honest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import lapack
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.air import CRITICAL_RATIO, iso6358_mass_flow
from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, GAMMA
from analysis.estimate import Estimate
from analysis.leak_breaks import SETTLED, Readings, Span, coarsen, noise_of, part
from analysis.statistics import Z_95, matern

Array = NDArray[np.float64]

FIT_BLOCKS: Final = 140  # blocks in the fit; more do not add knowledge, slow residuals do not average out
LAGS_S: Final = (0.0, 20.0, 45.0, 90.0, 150.0, 240.0, 400.0, 650.0, 1000.0, 1500.0, 2200.0, 3200.0, 4500.0, 6500.0, 9500.0)
PACES_S: Final = (400.0, 1500.0, 5000.0)  # correlation times tried for the slow residual [s]
SIZES: Final = (1.0, 2.5, 6.0, 15.0)  # sizes tried for the slow residual, times the least possible one
RESTLESS: Final = (*SIZES, 40.0, 100.0)  # the same where something warms the air that the thermometer does not feel: 3 K, sun on a tank
THERMOMETER_DRIFT_K: Final = 0.03  # least slow difference between air and thermometer [K]; common practice, no source
RATIOS: Final = (0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.528, 0.56)  # critical ratios tried where the end of a recording tells them
RATIO_MEAN: Final = 0.45  # holes that are no nozzles lie lower than 0.528; as does this page's default for a test nozzle
RATIO_U: Final = 0.08  # and differ by about this much; common practice, no source
SETTLING_TRIED_S: Final = (60.0, 240.0)  # time constants that stand for a settling not seen [s]; common practice, no source
WALL_TRIED_S: Final = (1000.0, 3000.0)  # likewise of a tank that filling has warmed, and no thermometer tells; common practice, no source
WALL_WARMTH: Final = 0.015  # how much of that there may be, of absolute temperature: 4.4 K; common practice, no source
LEAST_NOISE_PA: Final = 1.0  # no sensor is quieter than this [Pa]; keeps simulated readings solvable, no source
SMALL_DIFFERENCE: Final = 1.6  # a leak cools the air by little, and convection is the weaker then: fourth root of 9 K over 1.3 K [-]
COOLING_U: Final = 0.4  # of what a leak cools its air, as a share of it: the tank's wall cools too, unseen; common practice, no source
SCALE_U: Final = 0.005  # what humidity, an offset of the thermometer and the gas law leave open, relative; common practice, no source
UNKNOWN_WARMTH_U: Final = 0.017  # likewise of a temperature not told, 20 degC give or take 10 K: flow goes with its root (ISO 6358)
GAIN_U: Final = 0.01  # a thermometer's spot may swing a little more or less than the air does [-]; common practice, no source
WEATHER_PA: Final = 300.0  # slow wander of an unmeasured barometer: 4 hPa from evening to morning [Pa]; common practice, no source
UNKNOWN_SWING_K: Final = 6.5  # standard deviation of an unmeasured temperature over a day [K]: a shop whose heating goes off; no source
UNKNOWN_PACE_S: Final = 6 * 3600.0  # its correlation time [s]; goes with a daily swing
SWINGS_K: Final = (0.5, 1.5, 4.0, 10.0)  # the same, of air that the thermometer does not tell of: from a cellar to a sunny yard; no source
ZERO_U_PA: Final = 1000.0  # standard uncertainty of a sensor's zero, 0.1 % of a 10 bar sensor [Pa]; common practice, no source


def flow_factor(p_amb_over_p: ArrayLike, b: float = CRITICAL_RATIO) -> Array:
    """ISO 6358 flow relative to choked flow: 1 up to the critical ratio `b`, an ellipse beyond, 0 from 1 on."""
    return iso6358_mass_flow(1.0, p_amb_over_p, ANR_TEMPERATURE_K, 1.0, b) / ANR_DENSITY_KG_PER_M3


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """What is fitted: block means of all stretches."""

    t_s: Array
    p_pa: Array
    p_amb_pa: Array
    temp_k: Array
    weight: Array
    stretch: NDArray[np.intp]
    warmth: tuple[float, ...]
    fine: Readings
    noise_pa: float
    resolution_pa: float
    temp_noise_k: float = 0.0

    @staticmethod
    def of(fine: Readings, stretches: list[Span], warmth: list[float]) -> Blocks:
        """Share the blocks out over the stretches by their length."""
        total = sum(s.until_s - s.from_s for s in stretches)
        pieces: list[Readings] = []
        for s in stretches:
            inside = part(fine, (fine.t_s >= s.from_s) & (fine.t_s <= s.until_s))
            share = max(8, round(FIT_BLOCKS * (s.until_s - s.from_s) / total))
            pieces.append(coarsen(inside, share))
        number = [np.full(piece.t_s.size, i, dtype=np.intp) for i, piece in enumerate(pieces)]

        def joined(name: str) -> Array:
            return np.concatenate([getattr(piece, name) for piece in pieces])

        return Blocks(
            t_s=joined("t_s"),
            p_pa=joined("p_pa"),
            p_amb_pa=joined("p_amb_pa"),
            temp_k=joined("temp_k"),
            weight=joined("weight"),
            stretch=np.concatenate(number),
            warmth=tuple(warmth),
            fine=fine,
            noise_pa=fine.noise_pa,
            resolution_pa=fine.resolution_pa,
            temp_noise_k=noise_of(fine.temp_k) * float(np.sqrt(np.median(fine.weight))),
        )

    @property
    def hours(self) -> float:
        """From the first block to the last [h]."""
        return float(self.t_s[-1] - self.t_s[0]) / 3600.0

    def noise_covariance(self) -> Array:
        """Covariance of the blocks' means [Pa2]: noise averages out, a coarse step that no noise blurs stays while it lasts."""
        white = np.diag(max(self.noise_pa, LEAST_NOISE_PA) ** 2 / self.weight)
        if self.resolution_pa == 0.0:
            return white
        blur = min((self.noise_pa**2 - self.resolution_pa**2 / 12.0) / self.resolution_pa**2, 10.0)
        stays = self.resolution_pa / np.sqrt(12.0) * float(np.exp(-2.0 * np.pi**2 * max(blur, 0.0)))
        if stays < 0.1 * self.noise_pa:
            return white
        steps = float(np.abs(np.diff(self.p_pa)).sum()) / self.resolution_pa
        lasts = float(self.t_s[-1] - self.t_s[0]) / max(steps, 1.0)
        return np.asarray(white + stays**2 * matern(np.abs(self.t_s[:, None] - self.t_s[None, :]), 0.6 * lasts), dtype=np.float64)


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
class Posterior:
    """Mixture of normal distributions of the slope k over lags and residual processes, weighted by their likelihood.

    `log_evidence` is the logarithm of the recording's likelihood, all of them together; only its differences mean anything.
    """

    means: Array
    sds: Array
    sd_of_none: float
    weights: Array
    log_evidence: float
    likely: frozenset[tuple[float, float, int]]
    lag_s: float
    critical_ratio: float
    zero: Estimate
    zero_fitted_pa: float
    level: Array
    design: Array
    pull: Array
    whiten: list[tuple[float, Array]]

    @property
    def mean(self) -> float:
        """Mean of the slope [1/(s K)]."""
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        """Standard deviation of the slope [1/(s K)]."""
        return float(np.sqrt(self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)))

    def below(self, k: float) -> float:
        """Probability that the slope is below `k`."""
        return float(self.weights @ ndtr((k - self.means) / self.sds))

    def quantile(self, q: float) -> float:
        """Slope below which it lies with probability `q` [1/(s K)]."""
        reach = 12.0 * self.sd
        return float(brentq(lambda k: self.below(k) - q, self.mean - reach, self.mean + reach, xtol=1e-6 * self.sd))

    @staticmethod
    def of(
        d: Blocks,
        *,
        measured: bool,
        zero: tuple[float, float],
        settling_s: float,
        b: float | None,
        swings_k: tuple[float, ...] = (UNKNOWN_SWING_K,),
        sizes: tuple[float, ...] = SIZES,
    ) -> Posterior:
        """Weigh lags, critical ratios and residual processes; once more where the leak is quick enough to cool its own air."""
        whiten = whiteners(d, measured=measured, swings_k=swings_k, sizes=sizes)
        ratios = [b if b is not None else CRITICAL_RATIO]
        lowest = float(np.max(d.p_amb_pa / np.maximum(d.p_pa - zero[0] + d.p_amb_pa, 1.0)))
        if b is None and lowest > RATIOS[0]:
            ratios = list(RATIOS)
        cooling, zero_pa, fit = np.zeros(d.t_s.size), zero[0], None
        likely: frozenset[tuple[float, float, int]] = frozenset()
        for _ in range(4):
            p_abs = np.maximum(d.p_pa - zero_pa + d.p_amb_pa, 1.0)
            rate = 0.0 if fit is None else fit.mean
            fit = Posterior._weigh(d, p_abs, zero, zero_pa, rate, whiten, ratios, cooling, likely, measured=measured)
            likely = fit.likely
            cold = SMALL_DIFFERENCE * (GAMMA - 1.0) * fit.mean * ANR_TEMPERATURE_K * settling_s * p_abs / p_abs[0]
            cooling = np.clip(cold * flow_factor(d.p_amb_pa / p_abs, fit.critical_ratio), 0.0, 0.2)
            if float(np.ptp(cooling)) < 1e-5 and lowest < 0.7:
                break
            zero_pa = fit.zero_fitted_pa if lowest > 0.7 else zero_pa
        assert fit is not None
        return fit

    @staticmethod
    def _weigh(
        d: Blocks,
        p_abs: Array,
        zero: tuple[float, float],
        zero_pa: float,
        rate: float,
        whiten: list[tuple[float, Array]],
        ratios: list[float],
        cooling: Array,
        likely: frozenset[tuple[float, float, int]],
        *,
        measured: bool,
    ) -> Posterior:
        t = d.t_s
        lags = [lag for lag in LAGS_S if lag <= 0.5 * (t[-1] - t[0])] if measured else [0.0]
        tried = len(lags) * len(whiten)
        coarse = coarsen(d.fine, 3000)
        if likely:
            lags = [lag for lag in lags if any(name[0] == lag for name in likely)]
        problems: list[tuple[float, Array, Array]] = []
        for lag in lags:
            temp = np.interp(t, coarse.t_s, lagged(coarse.t_s, coarse.temp_k, lag)) if measured else np.full(t.size, ANR_TEMPERATURE_K)
            y = np.log(p_abs / temp) + np.log1p(cooling)
            columns, prior = nuisance(d, coarse, temp, p_abs, lag, zero[1], measured=measured)
            if float(np.ptp(cooling)) > 0:
                # How long the air takes to warm up again is known roughly at best.
                columns.append(cooling)
                prior = np.append(prior, 1.0 / 0.7)
            # For each ratio two columns: the leak's, and what a zero error moves of the flow once it is no longer choked.
            leaks = [-exposure(d, temp, p_abs, b) for b in ratios]
            moved = [rate * (exposure(d, temp, p_abs + 10.0, b) - exposure(d, temp, p_abs - 10.0, b)) / 20.0 for b in ratios]
            problems.append((lag, np.column_stack((*columns, y, *leaks, *moved)), np.concatenate(([0.0], prior[1:]))))
        wide = np.hstack([p[1] for p in problems])
        ends = np.cumsum([p[1].shape[1] for p in problems])[:-1]
        rows: list[tuple[float, float, float, float, float]] = []
        names: list[tuple[float, float, int]] = []
        best: tuple[float, float, Array, Array, Array] | None = None
        for j, (log_det, white) in enumerate(whiten):
            # One large product for each residual process: many small ones spend their time in threads waiting for each other.
            for (lag, plain, prior), part_of in zip(problems, np.split(white @ wide, ends, axis=1), strict=True):
                m = prior.size
                pull = np.diag(prior**2)
                norm = float(np.log(prior[prior > 0.0]).sum()) - log_det
                aim = np.zeros(m)
                aim[1] = zero[0] - zero_pa
                for i, b in enumerate(ratios):
                    if likely and (lag, b, j) not in likely:
                        continue
                    odds = 0.0 if len(ratios) == 1 else -0.5 * ((b - RATIO_MEAN) / RATIO_U) ** 2
                    x, z = _basis(part_of, m, i, len(ratios)), part_of[:, m - 1]
                    factor = np.linalg.cholesky(x.T @ x + pull)
                    # The inverse's first column too: the variance of k is its first element.
                    right = np.zeros((m, 2))
                    right[:, 0] = x.T @ z + pull @ aim
                    right[0, 1] = 1.0
                    solved, _ = lapack.dpotrs(factor, right, lower=1)
                    beta = solved[:, 0]
                    rest = z - x @ beta
                    misfit = float(rest @ rest + (beta - aim) @ pull @ (beta - aim))
                    log_weight = odds + norm - 0.5 * misfit - float(np.log(np.diag(factor)).sum())
                    names.append((lag, b, j))
                    rows.append((log_weight, float(beta[0]), float(np.sqrt(solved[0, 1])), b, zero_pa + float(beta[1])))
                    if best is None or log_weight > best[0]:
                        design = _basis(plain, m, i, len(ratios))
                        best = (log_weight, lag, design @ beta, np.column_stack((design, plain[:, m - 1])), pull)
        assert best is not None
        table = np.array(rows)
        w = np.exp(table[:, 0] - table[:, 0].max())
        log_evidence = float(table[:, 0].max() + np.log(w.sum() / tried))
        w /= w.sum()
        scale_u = SCALE_U if measured else math.hypot(SCALE_U, UNKNOWN_WARMTH_U)
        told = zero[1] < 0.9 * ZERO_U_PA
        zero_estimate = (
            Estimate(value=zero[0], low=zero[0] - Z_95 * zero[1], high=zero[0] + Z_95 * zero[1]) if told else Estimate(value=None)
        )
        return Posterior(
            means=table[:, 1],
            sds=np.hypot(table[:, 2], math.hypot(scale_u, COOLING_U * float(np.ptp(cooling))) * table[:, 1]),
            sd_of_none=float(np.sqrt(w @ (table[:, 2] ** 2 + (table[:, 1] - w @ table[:, 1]) ** 2))),
            weights=w,
            log_evidence=log_evidence,
            likely=frozenset(name for name, share in zip(names, w.tolist(), strict=True) if share > 1e-6),
            lag_s=best[1],
            critical_ratio=float(w @ table[:, 3]),
            zero=zero_estimate,
            zero_fitted_pa=float(w @ table[:, 4]),
            level=best[2],
            design=best[3],
            pull=best[4],
            whiten=whiten,
        )


def _basis(columns: Array, m: int, i: int, ratios: int) -> Array:
    """Pick one ratio's `m` columns: its leak, the zero error and what that moves, and the rest."""
    x = np.column_stack((columns[:, m + i], columns[:, : m - 1]))
    x[:, 1] += columns[:, m + ratios + i]
    return x


def exposure(d: Blocks, temp: Array, p_abs: Array, b: float) -> Array:
    """Integral of sqrt(T T0) phi dt, over each stretch from its own beginning [K s]."""
    rate = np.sqrt(temp * ANR_TEMPERATURE_K) * flow_factor(d.p_amb_pa / p_abs, b)
    u = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(d.t_s))))
    for i in range(int(d.stretch[-1]) + 1):
        mine = d.stretch == i
        u[mine] -= u[mine].mean()
    return u


def nuisance(
    d: Blocks, coarse: Readings, temp: Array, p_abs: Array, lag: float, zero_u: float, *, measured: bool
) -> tuple[list[Array], Array]:
    """Columns that are fitted beside the leak, and the reciprocal of each one's prior width (0: free)."""
    columns = [1.0 / p_abs]
    prior = [0.0, 1.0 / zero_u]
    for i in range(int(d.stretch[-1]) + 1):
        columns.append((d.stretch == i).astype(np.float64))
        prior.append(0.0)
    for i, left in enumerate(d.warmth):
        if i and left <= SETTLED:
            continue  # many breaks would make many columns, for nothing
        mine = d.stretch == i
        for tau in SETTLING_TRIED_S:
            columns.append(np.where(mine, np.exp(-np.clip((d.t_s - d.t_s[mine][0]) / tau, 0.0, 500.0)), 0.0))
            prior.append(1.0 / left)
    if not measured:
        for tau in WALL_TRIED_S:
            columns.append(np.exp(-(d.t_s - d.t_s[0]) / tau))
            prior.append(1.0 / WALL_WARMTH)
    if measured:
        columns.append(np.log(temp / temp.mean()))
        prior.append(1.0 / GAIN_U)
        if lag > 0:
            # The channel's history before the recording is unknown: the lagged air may start off by a degree or so.
            columns.append(np.exp(-(d.t_s - coarse.t_s[0]) / lag) / temp)
            prior.append(1.0 / 1.0)
    return columns, np.array(prior)


def whiteners(
    d: Blocks, *, measured: bool, swings_k: tuple[float, ...] = (UNKNOWN_SWING_K,), sizes: tuple[float, ...] = SIZES
) -> list[tuple[float, Array]]:
    """Residual processes to be weighed against each other: log of the root determinant, and whitening.

    Where temperature was not measured, each goes with each of the air's likely swings, `swings_k` [K].
    """
    p_abs = d.p_pa + d.p_amb_pa
    each = np.outer(1.0 / p_abs, 1.0 / p_abs)
    noise = d.noise_covariance() * each + 1e-14 * np.eye(p_abs.size)
    apart = np.abs(d.t_s[:, None] - d.t_s[None, :])
    daily = matern(apart, UNKNOWN_PACE_S)
    weather = each * WEATHER_PA**2 * daily
    if np.isfinite(d.temp_k).all():
        rounding = np.zeros(apart.shape) if d.fine.rounded is None else d.fine.rounded.covariance(d.t_s)
        noise = noise + (np.diag(d.temp_noise_k**2 / d.weight) + rounding) / np.outer(d.temp_k, d.temp_k)
    fixed = noise + (weather if np.ptp(d.p_amb_pa) == 0.0 else 0.0)
    swings = (0.0,) if measured else swings_k
    likely = [(k / ANR_TEMPERATURE_K) ** 2 * daily for k in swings]
    least = THERMOMETER_DRIFT_K / ANR_TEMPERATURE_K
    shapes = [matern(apart, pace) for pace in PACES_S]
    out: list[tuple[float, Array]] = []
    for swing, shape, size in product(likely, shapes, sizes):
        # Plain LAPACK, which stays on one core at this size; threads only wait for each other here.
        root, failed = lapack.dpotrf(fixed + swing + (least * size) ** 2 * shape, lower=1)
        if failed:
            msg = "The recording's noise cannot be told from its step. Give readings as the device sent them."
            raise ValueError(msg)
        inverse, _ = lapack.dtrtri(root, lower=1)
        inverse = np.tril(inverse)
        out.append((float(np.log(np.diag(root)).sum()), inverse))
    return out
