"""Which pressure sets a fastener flush: depth judged after shots, against the pressure at those very shots.

Judged in words (proud, flush, deep) the depth follows an ordinal model: the drive at pressure p is p plus a spread that nail and wood
bring, proud below one limit and deep above another. All limits and spreads that a shop could meet are weighed by how well they explain
what was judged, so that a few shots, or shots that separate perfectly, still give an honest interval. Measured in millimetres it is a
straight line. Pressures are gauge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr
from scipy.stats import t as student

from analysis.estimate import Estimate

Floats = NDArray[np.float64]

DEPTHS: Final = ("proud", "flush", "deep")
FLUSH_M: Final = 0.5e-3  # measured depths within this of flush pass as flush; common practice, no source
GOAL: Final = 0.90  # share of flush nails that a setting should reach
TARGET_PA: Final = 20e3  # a setting known within this is good enough: a shop gauge cannot be set closer; common practice, no source
USUAL_LIMIT_PA: Final = 827e3  # 120 psi: top of the usual range of nailers, where the maker's limit is not given
LEAST_SHOTS: Final = 4
EVIDENCE: Final = 2.0  # the model must explain the judgements better than chance alone by this much log-likelihood
STEP_PA: Final = 5e3  # settings are stated to 0.05 bar

Verdict = Literal["setting", "cannot tell", "above the limit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the judged shots say of the pressure that sets this fastener flush.

    Attributes
    ----------
    verdict : str
        "setting"; "cannot tell"; "above the limit" (the pressure that would be needed exceeds the maker's).
    why : str
        The reason, and what to do next.
    method : str
        "judged" (words) or "measured" (depths).
    flush_pa : Estimate
        Pressure at the shot that sets flush, in the middle between proud and deep [Pa gauge]; ends may be open.
    suggested_pa : float or None
        `flush_pa` where it is known and allowed [Pa gauge].
    band_pa : tuple or None
        Pressures [Pa gauge] between which at least 90 % come flush, as far as these shots tell; never above the limit.
    flush_share : float
        Share of flush nails at the best pressure within the limit [0..1].
    share_as_worked : float
        The same about `suggested_pa` with the pressure straying as the line's does [0..1]; NaN where that is not known.
    depth_per_pa : Estimate
        Measured depths only: how much deeper with pressure [m/Pa].
    counts : dict
        How many were proud, flush, deep.
    next_pa : float or None
        Pressure [Pa gauge] at which the next judged shot teaches most; None when nothing allowed teaches more.
    more : int or None
        About how many more must be judged until the setting is known within 0.2 bar; None when that cannot be said.
    limit_pa : float
        The limit that was heeded [Pa gauge].
    """

    verdict: Verdict
    why: str
    method: Literal["judged", "measured"]
    flush_pa: Estimate
    suggested_pa: float | None
    band_pa: tuple[float, float] | None
    flush_share: float
    share_as_worked: float
    depth_per_pa: Estimate
    counts: dict[str, int]
    next_pa: float | None
    more: int | None
    limit_pa: float


def fit_setting(
    pressure_pa: ArrayLike, depth: Sequence[str] | ArrayLike, *, limit_pa: float = USUAL_LIMIT_PA, stray_pa: ArrayLike = ()
) -> Setting:
    """Find the setting that comes flush.

    Parameters
    ----------
    pressure_pa : array_like, shape (n,)
        Pressure just before each judged shot [Pa gauge].
    depth : sequence of str, or array_like, shape (n,)
        "proud", "flush" or "deep" for each shot, or its measured depth below the surface [m], negative where it stands proud.
    limit_pa : float
        The tool maker's highest pressure [Pa gauge]; no suggestion exceeds it.
    stray_pa : array_like, shape (m,)
        By how much the pressure at shots strays about one setting of the regulator [Pa], to say what the line's sag costs; may be empty.

    Returns
    -------
    Setting
        The setting, its band, and what to judge next; or why these shots cannot tell.

    Raises
    ------
    ValueError
        If shapes differ, a pressure is missing or not above zero, or a depth is none.
    """
    p = np.asarray(pressure_pa, dtype=np.float64).ravel()
    judged = list(np.asarray(depth, dtype=object).ravel())
    if p.size != len(judged):
        msg = f"{p.size} pressures but {len(judged)} depths; every judged shot needs both."
        raise ValueError(msg)
    if not np.all(np.isfinite(p)) or np.any(p <= 0.0):
        msg = "A judged shot has no pressure above zero; leave it out, or look at its reading."
        raise ValueError(msg)
    if not 0.0 < limit_pa < 1e7:
        msg = f"A limit of {limit_pa / 1e5:g} bar cannot be; needed is the highest pressure on the tool's plate."
        raise ValueError(msg)
    stray = np.asarray(stray_pa, dtype=np.float64).ravel()
    words = [isinstance(d, str) for d in judged]
    if any(words) and not all(words):
        msg = f"{sum(words)} depths are words and {len(words) - sum(words)} are measured; use one kind, or fit them one after the other."
        raise ValueError(msg)
    if not judged or all(words):
        return _judged(p, [str(d) for d in judged], limit_pa, stray)
    return _measured(p, np.asarray(judged, dtype=np.float64), limit_pa, stray)


# Judged in words


@dataclass(frozen=True, slots=True)
class _Grid:
    """Weighed combinations of the two limits and the spread."""

    middle: Floats
    half: Floats
    spread: Floats
    weight: Floats
    best: float  # log-likelihood of the best of them

    def shares(self, p: Floats) -> Floats:
        """Shares of proud, flush, deep at each pressure under each combination, shape (3, len(p), n)."""
        below = ndtr((self.middle - self.half - p[:, None]) / self.spread)
        not_deep = ndtr((self.middle + self.half - p[:, None]) / self.spread)
        return np.stack([below, not_deep - below, 1.0 - not_deep])


_Range = tuple[float, float]
KEPT: Final = 1e-6  # combinations this much less likely than the best no longer count
WIDTHS_PA: Final[_Range] = (5e3, 2.5e5)  # half of the stretch that comes flush
SPREADS_PA: Final[_Range] = (1e4, 4e5)  # no nail and wood repeat better than 0.1 bar; that keeps a lucky run from promising too much
COARSE: Final = (81, 14, 12)
FINE: Final = (49, 18, 16)


def _weigh(p: Floats, kind: NDArray[np.int_], limit_pa: float) -> _Grid:
    """Weigh combinations by the judged shots: a coarse look at all, then a fine one at those that count.

    The prior is flat in the middle and in the logarithms of width and spread.
    """
    # A fastener's flush pressure lies within reach of a shop: from 2 bar below what was tried to 2 bar above, the limit included.
    middle = (max(0.5e5, float(p.min()) - 2e5), max(float(p.max()), limit_pa) + 2e5)
    first = _weigh_within(p, kind, (middle, WIDTHS_PA, SPREADS_PA), COARSE)
    step = (middle[1] - middle[0]) / (COARSE[0] - 1)
    near = (max(1e4, float(first.middle.min()) - step), float(first.middle.max()) + step)
    ranges = (near, _about(first.half, WIDTHS_PA, COARSE[1]), _about(first.spread, SPREADS_PA, COARSE[2]))
    return _weigh_within(p, kind, ranges, FINE)


def _about(kept: Floats, whole: _Range, n: int) -> _Range:
    """Ends of what counts still, a step of the coarse axis wider, within the whole."""
    ratio = (whole[1] / whole[0]) ** (1.0 / (n - 1))
    return max(whole[0], float(kept.min()) / ratio), min(whole[1], float(kept.max()) * ratio)


def _weigh_within(p: Floats, kind: NDArray[np.int_], ranges: tuple[_Range, _Range, _Range], sizes: tuple[int, int, int]) -> _Grid:
    axes = (np.linspace(*ranges[0], sizes[0]), np.geomspace(*ranges[1], sizes[1]), np.geomspace(*ranges[2], sizes[2]))
    middle, half, spread = (a.ravel() for a in np.meshgrid(*axes, indexing="ij"))
    grid = _Grid(middle, half, spread, np.ones_like(middle), 0.0)
    log = np.zeros_like(middle)
    # Shots of one kind at one pressure count together; pressures are rounded to 10 mbar, far below what nails can tell.
    for (q, k), n in _counted(p, kind).items():
        share = grid.shares(np.array([q]))[k, 0]
        # One judgement in a hundred is taken to be a slip of the judge, so that it cannot rule a setting out.
        log += n * np.log(0.99 * share + 0.01 / 3.0)
    best = float(log.max())
    weight = np.exp(log - best)
    keep = weight > KEPT
    return _Grid(middle[keep], half[keep], spread[keep], weight[keep] / weight[keep].sum(), best)


def _counted(p: Floats, kind: NDArray[np.int_]) -> dict[tuple[float, int], int]:
    out: dict[tuple[float, int], int] = {}
    for q, k in zip(np.round(p, -3), kind, strict=True):
        out[float(q), int(k)] = out.get((float(q), int(k)), 0) + 1
    return out


def _judged(p: Floats, judged: list[str], limit_pa: float, stray: Floats) -> Setting:
    for d in judged:
        if d not in DEPTHS:
            msg = f"{d!r} is no depth; judge proud, flush or deep, or give millimetres."
            raise ValueError(msg)
    kind = np.array([DEPTHS.index(d) for d in judged], dtype=np.int_)
    counts = {d: judged.count(d) for d in DEPTHS}
    if not judged:
        return _nothing("No shot has been judged. Fire some at different pressures and mark each proud, flush or deep.", counts, limit_pa)
    grid = _weigh(p, kind, limit_pa)
    flush = _quantiles(grid.middle, grid.weight)
    scan = _settings(float(p.min()) - 1e5, min(float(p.max()) + 1e5, limit_pa), limit_pa)
    share = grid.shares(scan)[1] @ grid.weight  # averaged over all that may be true: what to expect of the next nail
    next_pa = _teaches_most(grid, scan)
    common = {
        "method": "judged",
        "counts": counts,
        "limit_pa": limit_pa,
        "next_pa": next_pa,
        "depth_per_pa": Estimate(value=None),
    }
    failed = _why_not(p, kind, counts, grid, limit_pa)
    if failed:
        one_sided = counts["deep"] == 0 or counts["proud"] == 0
        ends = _one_sided(grid, counts) if one_sided and _explains(p, kind, grid) else Estimate(value=None)
        return Setting(
            verdict="cannot tell",
            why=failed,
            flush_pa=ends,
            suggested_pa=None,
            band_pa=_band(scan, share) if _explains(p, kind, grid) else None,
            flush_share=float(share.max()),
            share_as_worked=math.nan,
            more=None,
            **common,  # type: ignore[arg-type]
        )
    return _settled(flush, scan, share, stray, limit_pa, more=_more(flush, p.size), common=common)


def _quantiles(x: Floats, weight: Floats) -> Estimate:
    order = np.argsort(x)
    cumulated = np.cumsum(weight[order])
    low, value, high = np.interp([0.025, 0.5, 0.975], cumulated - 0.5 * weight[order], x[order])
    return Estimate(value=float(value), low=float(low), high=float(high))


def _one_sided(grid: _Grid, counts: dict[str, int]) -> Estimate:
    """Without deep shots only a lower end of flush is known, without proud ones only an upper."""
    if counts["proud"] and counts["flush"]:
        return Estimate(value=None, low=_quantiles(grid.middle - grid.half, grid.weight).low)
    if counts["deep"] and counts["flush"]:
        return Estimate(value=None, high=_quantiles(grid.middle + grid.half, grid.weight).high)
    return Estimate(value=None)


def _chance(kind: NDArray[np.int_]) -> float:
    """Log-likelihood of the judgements if pressure had nothing to do with them."""
    n = np.bincount(kind, minlength=3).astype(np.float64)
    return float(sum(k * math.log(k / n.sum()) for k in n if k))


def _explains(p: Floats, kind: NDArray[np.int_], grid: _Grid) -> bool:
    # A model in which nails come deeper at less pressure is not among the combinations: it cannot explain anything.
    return bool(np.ptp(p) > 0.0 and grid.best - _chance(kind) >= EVIDENCE)


def _why_not(p: Floats, kind: NDArray[np.int_], counts: dict[str, int], grid: _Grid, limit_pa: float) -> str:
    """Say why no setting can be told, or nothing."""
    n, seen = kind.size, [d for d in DEPTHS if counts[d]]
    if n < LEAST_SHOTS:
        return f"Only {n} shot{'s' if n > 1 else ''} judged; at least {LEAST_SHOTS} are needed, at different pressures."
    if seen == ["proud"]:
        up = "Judge at a higher pressure" if p.max() < limit_pa else "The limit is reached: shorter nails, another tool or softer wood"
        return f"All {n} stand proud. {up}."
    if seen == ["deep"]:
        return f"All {n} are too deep. Judge at a lower pressure, or set the tool's depth adjustment."
    if seen == ["flush"]:
        return f"All {n} came flush, so these shots do not show where it ends. Keep this pressure, or judge lower and higher."
    if not _explains(p, kind, grid):
        deeper = _mean_gap(p, kind)
        if deeper < 0.0:
            return (
                "Nails came deeper at lower pressure, so something else decided: another wood, nail or depth adjustment, or marks that "
                "belong to other shots. Judge again with all else equal."
            )
        return (
            f"The depth does not follow the pressure in these {n} shots: wood and nail vary more than it does, or the pressures are too "
            "close together. Judge at pressures further apart."
        )
    if not counts["deep"]:
        return "None was too deep, so the upper end of flush is not known. Judge a few at a higher pressure, within the tool's limit."
    if not counts["proud"]:
        return "None stood proud, so the lower end of flush is not known. Judge a few at a lower pressure."
    return ""


def _mean_gap(p: Floats, kind: NDArray[np.int_]) -> float:
    """Covariance of pressure and depth: negative where nails came deeper at less pressure."""
    return float((p - p.mean()) @ (kind - kind.mean()))


def _settings(low_pa: float, high_pa: float, limit_pa: float) -> Floats:
    """Whole steps of pressure between two ends; the limit alone where there are none."""
    steps = np.arange(max(1, math.ceil(low_pa / STEP_PA)), math.floor(high_pa / STEP_PA) + 1)
    scan = np.asarray(STEP_PA * steps, dtype=np.float64)
    return scan if scan.size else np.array([limit_pa])


def _band(scan: Floats, share: Floats) -> tuple[float, float] | None:
    """Longest stretch about the best pressure with at least the wanted share."""
    best = int(np.argmax(share))
    if share[best] < GOAL:
        return None
    low = high = best
    while low > 0 and share[low - 1] >= GOAL:
        low -= 1
    while high < scan.size - 1 and share[high + 1] >= GOAL:
        high += 1
    return float(scan[low]), float(scan[high])


def _teaches_most(grid: _Grid, scan: Floats) -> float | None:
    """Pressure whose judgement is expected to tell most between what may still be true (mutual information)."""
    coarse = scan[:: max(1, scan.size // 40)]
    shares = np.clip(grid.shares(coarse), 1e-12, 1.0)
    expected = np.clip(shares @ grid.weight, 1e-12, 1.0)
    told = -(expected * np.log(expected)).sum(axis=0) + (shares * np.log(shares)).sum(axis=0) @ grid.weight
    best = int(np.argmax(told))
    return float(coarse[best]) if told[best] > 1e-3 else None


def _more(flush: Estimate, n: int) -> int | None:
    """How many more, since an interval shrinks with the root of the number judged."""
    if flush.low is None or flush.high is None:
        return None
    half = 0.5 * (flush.high - flush.low)
    return max(0, math.ceil(n * ((half / TARGET_PA) ** 2 - 1.0)))


def _worked(scan: Floats, share: Floats, stray: Floats, at_pa: float) -> float:
    """Share of flush nails when the pressure strays about `at_pa`."""
    return float(np.interp(at_pa + stray, scan, share).mean()) if stray.size else math.nan


def _settled(
    flush: Estimate, scan: Floats, share: Floats, stray: Floats, limit_pa: float, *, more: int | None, common: dict[str, object]
) -> Setting:
    """Make an answer of a flush pressure that is known."""
    value = flush.value or 0.0
    band = _band(scan, share)
    above = value > limit_pa
    suggested = None if above else value
    best = float(share.max())
    if above:
        why = "The pressure that would set flush lies above the tool's limit, which stands: use a shorter or thinner nail, or another tool."
    elif band is None:
        why = (
            f"At the best pressure only about {100 * best:.0f} % can be promised flush so far: wood and nail vary, "
            "or too few shots were judged."
        )
    elif suggested is not None and not band[0] <= suggested <= band[1]:
        suggested = 0.5 * (band[0] + band[1])
        why = "Set the middle of the band in which nine of ten come flush."
    else:
        why = "Depth follows the pressure, and the setting lies between proud and deep."
    return Setting(
        verdict="above the limit" if above else "setting",
        why=why,
        flush_pa=flush,
        suggested_pa=suggested,
        band_pa=None if above else band,
        flush_share=best,
        share_as_worked=math.nan if suggested is None else _worked(scan, share, stray, suggested),
        more=more,
        **common,  # type: ignore[arg-type]
    )


def _nothing(why: str, counts: dict[str, int], limit_pa: float) -> Setting:
    return Setting(
        verdict="cannot tell",
        why=why,
        method="judged",
        flush_pa=Estimate(value=None),
        suggested_pa=None,
        band_pa=None,
        flush_share=math.nan,
        share_as_worked=math.nan,
        depth_per_pa=Estimate(value=None),
        counts=counts,
        next_pa=None,
        more=None,
        limit_pa=limit_pa,
    )


# Measured in millimetres


def _measured(p: Floats, depth_m: Floats, limit_pa: float, stray: Floats) -> Setting:
    """Fit depth = slope (p - flush) by least squares; the flush pressure's interval is Fieller's, which may have no end."""
    if not np.all(np.isfinite(depth_m)) or np.any(np.abs(depth_m) > 0.2):
        msg = "A measured depth is missing or longer than any nail; give it in millimetres, negative where the head stands proud."
        raise ValueError(msg)
    n = p.size
    kind = np.where(depth_m < -FLUSH_M, 0, np.where(depth_m > FLUSH_M, 2, 1))
    counts = {d: int((kind == i).sum()) for i, d in enumerate(DEPTHS)}
    dp = p - p.mean()
    s_pp = float(dp @ dp)
    common: dict[str, object] = {"method": "measured", "counts": counts, "limit_pa": limit_pa}
    spread_pa = float(np.ptp(p))
    if n < LEAST_SHOTS or spread_pa < 1e4:
        why = (
            f"Only {n} shots measured; at least {LEAST_SHOTS} are needed, at different pressures."
            if n < LEAST_SHOTS
            else "All shots were fired at the same pressure. Measure some a bar lower or higher."
        )
        return _untold(why, Estimate(value=None), common, _away_from(p, limit_pa))
    slope = float(dp @ depth_m) / s_pp
    mean = float(depth_m.mean())
    residual = depth_m - mean - slope * dp
    # Nobody reads a nail's depth better than to a tenth of a millimetre.
    s = max(math.sqrt(float(residual @ residual) / (n - 2)), 1e-4)
    t = float(student.ppf(0.975, n - 2))
    u = s / math.sqrt(s_pp)
    per_pa = Estimate(value=slope, low=slope - t * u, high=slope + t * u)
    if slope - t * u <= 0.0:
        why = (
            "Nails came deeper at lower pressure, so something else decided. Measure again with all else equal."
            if slope + t * u < 0.0
            else "The depth does not follow the pressure in these shots: wood and nail vary more than it does. Measure at pressures "
            "further apart."
        )
        return _untold(why, per_pa, common, _away_from(p, limit_pa))
    # Fieller: all p0 for which the line's height there does not differ from zero.
    g = (t * u / slope) ** 2
    centre = p.mean() - mean / slope / (1.0 - g)
    half = t * s / slope / (1.0 - g) * math.sqrt((1.0 - g) / n + (mean / slope) ** 2 / s_pp)
    flush = Estimate(value=float(p.mean() - mean / slope), low=float(centre - half), high=float(centre + half))
    if flush.value is None or not p.min() - spread_pa <= flush.value <= p.max() + spread_pa:
        why = "Flush lies far outside of the pressures tried; a straight line does not reach so far. Measure nearer to flush."
        return _untold(why, per_pa, common, _away_from(p, limit_pa))
    scan = _settings(flush.value - 2e5, min(flush.value + 2e5, limit_pa), limit_pa)
    wide = s * np.sqrt(1.0 + 1.0 / n + (scan - p.mean()) ** 2 / s_pp)
    height = slope * (scan - flush.value)
    share = student.cdf((FLUSH_M - height) / wide, n - 2) - student.cdf((-FLUSH_M - height) / wide, n - 2)
    common |= {"depth_per_pa": per_pa, "next_pa": _away_from(p, limit_pa)}
    return _settled(flush, scan, share, stray, limit_pa, more=_more(flush, n), common=common)


def _away_from(p: Floats, limit_pa: float) -> float | None:
    """For a straight line the next point teaches most at that end of the range which was tried less."""
    low, high = float(p.min()), min(float(p.max()), limit_pa)
    if np.ptp(p) < 1e5:
        # A wider range teaches more than anything within it.
        low, high = max(STEP_PA, float(p.mean()) - 1e5), min(float(p.mean()) + 1e5, limit_pa)
    end = high if p.mean() < 0.5 * (low + high) + 1.0 else low
    return min(float(np.round(end / STEP_PA) * STEP_PA), limit_pa) if end <= limit_pa else None


def _untold(why: str, per_pa: Estimate, common: dict[str, object], next_pa: float | None) -> Setting:
    return Setting(
        verdict="cannot tell",
        why=why,
        flush_pa=Estimate(value=None),
        suggested_pa=None,
        band_pa=None,
        flush_share=math.nan,
        share_as_worked=math.nan,
        depth_per_pa=per_pa,
        next_pa=next_pa,
        more=None,
        **common,  # type: ignore[arg-type]
    )
