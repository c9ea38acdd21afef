"""What of a shut-in recording may be fitted: spikes, breaks, settling after filling and the empty end are set apart."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from analysis.thermometer import Rounded, believable

Array = NDArray[np.float64]

MAX_POINTS: Final = 40_000  # readings are averaged down to this many before anything else; 1 s over half a day
MAX_BLOCKS: Final = 2_400  # blocks in which breaks are looked for; 18 s over half a day
SPIKE_SIGMAS: Final = 6.0  # common practice, no source
ROUNDING_PA: Final = 0.1  # what is less than this is rounding, not noise [Pa]
STEPPED: Final = 1.5  # steps of the resolution; above, noise is told by its size; by choice
SAME_SIZE: Final = 1.2  # noise that grows less over twice the distance does not grow any more; by choice
MOST_NOISE: Final = 0.25  # share of the range of all readings that their noise can be; the range of 30 is four of it
BENDS: Final = 2.5  # noise never grows so much over twice the distance, and once more over twice that; a bend grows fourfold
MOST_AT_TOP: Final = 0.98  # share of readings at the highest of all above which nothing tells a stop from a line that stands; by choice
SPIKE_FOOT: Final = 0.2  # the ground beside a spike of a few readings moves by no more than this share of it; by choice
BREAK_SIGMAS: Final = 7.0  # common practice, no source; a night has a few thousand blocks and must show no false break
MAX_SETTLING_S: Final = 400.0  # longest time constant looked for; a large tank's still air [s]; common practice, no source
USUAL_SETTLING_S: Final = 90.0  # where it must be reckoned with but is not seen [s]; common practice, no source
MOST_UNKNOWN: Final = 0.8  # share of the time without a temperature above which it is as good as none; by choice
SETTLED: Final = 3e-5  # what may be left of the thermal transient, relative to absolute pressure; 0.01 K of the air


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of a recording.

    Attributes
    ----------
    from_s, until_s : float
        Ends [s], on the recording's clock.
    why : str
        Why it was left out; empty where it was used.
    """

    from_s: float
    until_s: float
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """A recording averaged over blocks of time, with what its noise and steps are.

    Attributes
    ----------
    t_s, p_pa, p_amb_pa, temp_k : ndarray, shape (n,)
        Block means; pressure gauge; `temp_k` NaN where not measured.
    weight : ndarray, shape (n,)
        Readings in each block.
    noise_pa : float
        Standard deviation of single readings [Pa], quantisation included.
    resolution_pa : float
        Step of the readings [Pa]; 0 when none is seen.
    top_pa : float
        Where single readings pile up at the top: the sensor's end of range [Pa]; infinite when they do not.
    temp_step_k : float
        Step of the thermometer's readings [K]; 0 when none is seen.
    rounded : Rounded or None
        What `temp_k` was worked out from where the thermometer's steps are coarse.
    """

    t_s: Array
    p_pa: Array
    p_amb_pa: Array
    temp_k: Array
    weight: Array
    noise_pa: float
    resolution_pa: float
    top_pa: float = np.inf
    temp_step_k: float = 0.0
    rounded: Rounded | None = None


def condense(t_s: Array, p_pa: Array, temp_k: Array | None, p_amb_pa: Array | float, *, blocks: int = MAX_POINTS) -> Readings:
    """Average readings over at most `blocks` equal blocks of time, spikes removed.

    Parameters
    ----------
    t_s, p_pa, temp_k : array_like, shape (n,)
        Times [s] (any order, NaN dropped), gauge pressure [Pa], temperature [K] or None.
    p_amb_pa : float or array_like, shape (n,)
        Ambient pressure [Pa abs].
    blocks : int
        Largest number of blocks.

    Raises
    ------
    ValueError
        If shapes differ or fewer than 8 readings are usable.
    """
    t = np.asarray(t_s, dtype=np.float64)
    p = np.asarray(p_pa, dtype=np.float64)
    if t.shape != p.shape or t.ndim != 1:
        msg = f"Times and pressures do not belong together: {t.size} times, {p.size} pressures. Give one pressure for each time."
        raise ValueError(msg)
    columns = [t, p]
    columns.append(np.full(1, np.nan) if temp_k is None else np.asarray(temp_k, dtype=np.float64))
    columns.append(np.atleast_1d(np.asarray(p_amb_pa, dtype=np.float64)))
    if any(c.size not in (1, t.size) for c in columns):
        msg = "Temperature and barometer need one reading for each pressure. Export them with the same times."
        raise ValueError(msg)
    good = np.isfinite(t) & np.isfinite(p)
    if not good.all():
        columns = [c if c.size == 1 else c[good] for c in columns]
    t = columns[0]
    if t.size < 8:
        msg = f"Only {t.size} usable readings; a leak-down needs at least 8. Record longer or faster."
        raise ValueError(msg)
    if np.any(np.diff(t) < 0):
        order = np.argsort(t, kind="stable")
        columns = [c if c.size == 1 else c[order] for c in columns]
    t, p, temp, amb = columns
    temp_step = _resolution(temp[:: max(1, temp.size // 100_000)])
    temp = temp if temp.size == 1 else believable(t, temp)
    resolution = _resolution(p)
    top = _pile(p, resolution)
    # At its end of range a sensor shows no noise.
    moving = p[: 40 * blocks] if np.isinf(top) else p[: 40 * blocks][p[: 40 * blocks] < top]
    shared, noise = _shared(moving, resolution)
    blocks = max(min(blocks, t.size // shared), 8) if shared > 1 else blocks
    bursts = _bursts(t)
    if t.size > blocks or bursts is not None:
        starts = _block_starts(t, blocks) if bursts is None else bursts
        counts = np.diff(np.append(starts, t.size)).astype(np.float64)
        t, p = _means(t, starts, counts), _means(p, starts, counts)
        temp = temp if temp.size == 1 else _means(temp, starts, counts)
        amb = amb if amb.size == 1 else _means(amb, starts, counts)
    else:
        counts = np.ones(t.size)
    counts = counts / shared
    noise = float(np.hypot(noise, resolution / np.sqrt(12.0)))
    n = t.size
    temp = np.broadcast_to(temp, n).astype(np.float64)
    amb = _fill(t, np.broadcast_to(amb, n).astype(np.float64))
    keep = ~_spikes(p, noise / np.sqrt(np.median(counts)))
    return Readings(
        t_s=t[keep],
        p_pa=p[keep],
        p_amb_pa=amb[keep],
        temp_k=_smooth_temperature(temp[keep]),
        weight=counts[keep],
        noise_pa=noise,
        resolution_pa=resolution,
        top_pa=top,
        temp_step_k=temp_step,
    )


def coarsen(r: Readings, blocks: int) -> Readings:
    """Average further, to at most `blocks` blocks of time."""
    if r.t_s.size <= blocks:
        return r
    starts = _block_starts(r.t_s, blocks)
    total = np.add.reduceat(r.weight, starts)

    def mean(x: Array) -> Array:
        return np.asarray(np.add.reduceat(x * r.weight, starts) / total, dtype=np.float64)

    return replace(r, t_s=mean(r.t_s), p_pa=mean(r.p_pa), p_amb_pa=mean(r.p_amb_pa), temp_k=mean(r.temp_k), weight=total)


def part(r: Readings, keep: NDArray[np.bool_]) -> Readings:
    """Take some blocks of a recording."""
    return replace(r, t_s=r.t_s[keep], p_pa=r.p_pa[keep], p_amb_pa=r.p_amb_pa[keep], temp_k=r.temp_k[keep], weight=r.weight[keep])


def _block_starts(t: Array, blocks: int) -> NDArray[np.intp]:
    edges = np.linspace(t[0], t[-1], blocks + 1)[:-1]
    return np.unique(np.searchsorted(t, edges))


def _bursts(t: Array) -> NDArray[np.intp] | None:
    """Beginnings of short bursts of readings with long pauses between; None where the readings are not like that."""
    usual = float(np.median(np.diff(t[:10_000])))
    if t.size * usual > 0.5 * (t[-1] - t[0]):
        return None  # no need to look at each of tens of millions
    h = np.diff(t)
    pauses = np.flatnonzero(h > max(20.0 * usual, 30.0))
    if pauses.size < 8 or h[pauses].sum() < 0.4 * (t[-1] - t[0]):
        return None
    return np.concatenate(([0], pauses + 1))


def _means(x: Array, starts: NDArray[np.intp], counts: Array) -> Array:
    # Sums of 43 million readings: subtract the first so that epoch times keep their digits.
    first = x[0] if np.isfinite(x[0]) else 0.0
    return np.asarray(np.add.reduceat(x - first, starts) / counts + first, dtype=np.float64)


def _fill(t: Array, x: Array) -> Array:
    """Bridge missing values of a slow quantity; all missing stays so."""
    good = np.isfinite(x)
    if good.all() or not good.any():
        return x
    return np.interp(t, t[good], x[good])


def noise_of(p: Array) -> float:
    """Noise of single readings from second differences, deaf to slopes and single spikes."""
    d = np.diff(p, 2)
    if d.size and np.mean(d == 0.0) < 0.9 and np.unique(p[:: max(1, p.size // 2000)]).size > 0.3 * min(p.size, 2000):
        d = d[d != 0.0]  # a stretch at the sensor's stop says nothing of its noise; a coarse step's rests do
    return float(1.4826 * np.median(np.abs(d - np.median(d))) / np.sqrt(6.0)) if d.size else 0.0


def _shared(p: Array, resolution: float) -> tuple[int, float]:
    """How many readings in a row share their noise, and its size: where a logger repeats or joins readings, or a sensor smooths them.

    Noise that readings share grows with the distance between them, slowly, until they share none; a signal's own bend grows quickly.
    """
    p = p[:200_000]
    size, bent = 0.0, False
    for apart in (2**k for k in range(8)):
        if p.size < 20 * apart:
            break
        last, size = size, float(1.4826 * np.median(np.abs(p[2 * apart :] - 2.0 * p[apart:-apart] + p[: -2 * apart])) / np.sqrt(6.0))
        if last <= max(ROUNDING_PA, STEPPED * resolution):
            continue  # the median of so few steps stands where it is, whatever the noise does
        if size < SAME_SIZE * last:
            if last > MOST_NOISE * float(np.ptp(p)):
                break  # a pump's sawtooth, which reaches no further than its swing either
            return (apart // 2, last) if apart > 2 else (1, noise_of(p))
        if bent and size > BENDS * last:
            break
        bent = size > BENDS * last
    return 1, noise_of(p)


def _resolution(p: Array) -> float:
    """Smallest usual step between the values that occur more than once; 0 when hardly any does."""
    values, counts = np.unique(p[:200_000], return_counts=True)
    often = counts > 1
    if counts[often].sum() < 0.5 * counts.sum() or often.sum() < 2:
        return 0.0
    steps = np.diff(values[often])
    steps = steps[steps > 1e-9 * max(1.0, float(np.abs(values).max()))]  # the same value after two conversions
    return float(np.quantile(steps, 0.1)) if steps.size else 0.0


def _spikes(p: Array, noise: float) -> NDArray[np.bool_]:
    """Single readings, or pairs, that stand out of their neighbours; the tip of a sawtooth does not."""
    if p.size < 7:
        return np.zeros(p.size, dtype=bool)
    # Edges mirrored without repeating, so that a slope at the edge does not look like a spike.
    middle = median_filter(p, 7, mode="mirror")
    off = np.abs(p - middle)
    scale = max(1.4826 * float(np.median(off)), noise, 1.0)
    wide = np.pad(p, 2, mode="reflect", reflect_type="odd")
    # A tip lies on the line from the left and on the line from the right, a spike on neither.
    from_left = np.abs(p - (2.0 * wide[1:-3] - wide[:-4]))
    from_right = np.abs(p - (2.0 * wide[3:-1] - wide[4:]))
    alone = np.minimum(from_left, from_right) > np.maximum(4.0 * noise, 0.3 * off)
    far = off > SPIKE_SIGMAS * scale + 3.0 * np.abs(np.gradient(middle))
    spikes = np.asarray(far & alone, dtype=bool)
    # Two or three in a row may lie on a line with each other; on level ground they are spikes all the same.
    for first, last in _runs(far & ~alone, bridge=0):
        a, z = first - int(spikes[max(first - 1, 0)]), last + int(spikes[min(last + 1, p.size - 1)])
        if a < 2 or z > p.size - 3 or z - a > 2:
            continue
        if float(np.ptp(p[[a - 2, a - 1, z + 1, z + 2]])) < SPIKE_FOOT * float(off[a : z + 1].min()):
            spikes[first : last + 1] = True
    return spikes


def _smooth_temperature(temp: Array) -> Array:
    """Take single wild readings out of a temperature channel."""
    if not np.isfinite(temp).any() or temp.size < 7:
        return temp
    middle = median_filter(temp, 7, mode="mirror")
    off = np.abs(temp - middle)
    return np.where(off > SPIKE_SIGMAS * max(1.4826 * float(np.nanmedian(off)), 0.05), middle, temp)


def without_temperature(r: Readings) -> tuple[Readings, list[Span], str]:
    """Tell apart the time for which a temperature is known.

    Parameters
    ----------
    r : Readings
        Recording; `temp_k` NaN where none is known.

    Returns
    -------
    tuple
        The recording with a temperature throughout or none at all; where not to fit because there was none; what to say about it.
    """
    known = np.isfinite(r.temp_k)
    if known.all() or not known.any():
        return r, [], ""
    spans = [
        Span(from_s=float(r.t_s[max(a - 1, 0)]), until_s=float(r.t_s[min(z + 1, r.t_s.size - 1)]), why="no temperature was recorded")
        for a, z in _runs(~known, bridge=0)
    ]
    missing = sum(s.until_s - s.from_s for s in spans) / float(r.t_s[-1] - r.t_s[0])
    if missing > MOST_UNKNOWN:
        said = f"The thermometer gave no reading for {missing:.0%} of the time; it is not used."
        return replace(r, temp_k=np.full(r.t_s.size, np.nan)), [], said
    return replace(r, temp_k=_fill(r.t_s, r.temp_k)), spans, ""


def find_breaks(r: Readings) -> tuple[Span, ...]:
    """Find the stretches in which something other than a leak moved the pressure.

    Looks at differences from block to block against their running median: a step, a draw, a pump start or a gap stands
    out by its size, whatever the leak's own rate is.

    Parameters
    ----------
    r : Readings
        Recording, at most some thousand blocks.

    Returns
    -------
    tuple of Span
        What is left out, in order of time, each with why.
    """
    b = coarsen(r, MAX_BLOCKS)
    t, p = b.t_s, b.p_pa
    if t.size < 16:
        return ()
    h = np.diff(t)
    usual = float(np.median(h))
    spans = [
        Span(from_s=float(t[i]), until_s=float(t[i + 1]), why="gap in the readings") for i in np.flatnonzero(h > max(20.0 * usual, 60.0))
    ]
    spans += _stuck(b)
    rate = np.diff(p) / h
    width = min(61, (rate.size // 2) * 2 - 1)
    base = median_filter(rate, width, mode="nearest")
    excess = (rate - base) * h
    # Where the sensor stands at its stop there is no noise; a coarse step's rests are no such thing.
    moving = (excess != 0.0) | (b.resolution_pa > 0.0)
    sigma = max(
        1.4826 * float(np.median(np.abs(excess[moving]))) if moving.any() else 0.0, b.noise_pa / np.sqrt(float(np.median(b.weight))), 1.0
    )
    # A coarse sensor's single steps are no breaks.
    least = max(BREAK_SIGMAS * sigma, 1.6 * b.resolution_pa)
    flagged = np.abs(excess) > least
    for first, last in _runs(flagged, bridge=4):
        step = float(excess[first : last + 1].sum())
        if abs(step) < least and abs(float(p[last + 1] - p[first])) < 3 * least:
            continue
        if first == 0:
            continue  # the start is judged by its settling
        why = "air was drawn or a valve opened" if step < 0 else "air was let in (pump or valve)"
        spans.append(Span(from_s=float(t[max(first - 1, 0)]), until_s=float(t[min(last + 2, t.size - 1)]), why=why))
    return merge(spans)


def _stuck(b: Readings) -> list[Span]:
    """Stretches at the sensor's end of range; within its noise below it, the mean of a block is not to be trusted either."""
    at_top = b.p_pa >= b.top_pa - 2.5 * b.noise_pa
    return [
        Span(
            from_s=float(b.t_s[max(first - 1, 0)]),
            until_s=float(b.t_s[min(last + 1, b.t_s.size - 1)]),
            why="sensor at the end of its range",
        )
        for first, last in _runs(at_top, bridge=8)
    ]


def _pile(p: Array, resolution: float) -> float:
    """Where readings pile up at the very top of what occurs: the sensor's end of range [Pa]; infinite where they do not."""
    top = float(p.max())
    at_top = int(np.count_nonzero(p >= top - 1e-9 * abs(top)))
    if at_top < 20 or at_top > MOST_AT_TOP * p.size or resolution > 2.0 * noise_of(p[: 40 * MAX_POINTS][p[: 40 * MAX_POINTS] < top]):
        return np.inf  # a coarse step stands still by itself, and so does a tight line
    # Without a step, equal readings are no chance; with one, the step below must be much rarer.
    below = int(np.count_nonzero(p >= top - 1.5 * resolution)) - at_top
    return top if resolution == 0.0 or at_top > 3 * below else np.inf


def _runs(flagged: NDArray[np.bool_], *, bridge: int) -> list[tuple[int, int]]:
    """First and last index of each run of True, runs closer than `bridge` joined."""
    index = np.flatnonzero(flagged)
    if index.size == 0:
        return []
    cut = np.flatnonzero(np.diff(index) > bridge + 1)
    firsts = index[np.concatenate(([0], cut + 1))]
    lasts = index[np.concatenate((cut, [index.size - 1]))]
    return [(int(a), int(z)) for a, z in zip(firsts, lasts, strict=True)]


def merge(spans: list[Span]) -> tuple[Span, ...]:
    """Join spans that overlap; the earlier one's reason stands."""
    out: list[Span] = []
    for s in sorted(spans, key=lambda s: s.from_s):
        if out and s.from_s <= out[-1].until_s:
            why = out[-1].why if s.why in out[-1].why else f"{out[-1].why}; {s.why}"
            out[-1] = Span(from_s=out[-1].from_s, until_s=max(out[-1].until_s, s.until_s), why=why)
        else:
            out.append(s)
    return tuple(out)


def settling_s(r: Readings, *, least: float = 0.0) -> tuple[float, float]:
    """How long the air of this stretch still changed its temperature after filling or drawing.

    Fits ln p = cubic + A exp(-t/tau) to the beginning and gives the time after which the exponential is spent.

    Parameters
    ----------
    r : Readings
        One stretch.
    least : float
        Size A that must be reckoned with even when noise hides it, relative to absolute pressure.

    Returns
    -------
    until_s : float
        Time from the first block after which less than `SETTLED` of it is left [s]; 0 when no transient is seen or expected.
    tau_s : float
        Its time constant [s]; NaN when none is seen.
    """
    b = coarsen(r, 1200)
    if b.t_s.size < 12:
        return 0.0, float("nan")
    t = b.t_s - b.t_s[0]
    y = np.log(np.maximum(b.p_pa + b.p_amb_pa, 1.0))
    # A big leak's own curve must not pass for settling: only where it is surely choked, and over half the pressure.
    fit_to = (y > y[:5].mean() - 0.7) & (b.p_pa > 130_000.0)
    span = float(t[fit_to][-1]) if fit_to.any() else 0.0
    best = (np.inf, least, float("nan"))
    for limit in (1.0, 0.25):  # a whole night's temperature is no cubic: look at its beginning alone as well
        near = fit_to & (t <= limit * span)
        if near.sum() < 12:
            continue
        x, z = t[near] / span, y[near]
        plain = np.vander(x, 4)
        free = z - plain @ np.linalg.lstsq(plain, z, rcond=None)[0]
        for tau in np.geomspace(15.0, MAX_SETTLING_S, 12):
            if tau > 0.2 * limit * span or tau < 1.5 * (t[1] - t[0]):
                continue
            basis = np.column_stack((plain, np.exp(-t[near] / tau)))
            beta = np.linalg.lstsq(basis, z, rcond=None)[0]
            rest = z - basis @ beta
            variance = rest @ rest / max(z.size - 5, 1)
            error = float(np.sqrt(variance * np.linalg.pinv(basis.T @ basis)[-1, -1])) + 1e-9
            gain = float(rest @ rest) / float(free @ free) if free @ free > 0 else 1.0
            if gain < best[0] and abs(float(beta[-1])) > 6.0 * error:
                best = (gain, max(abs(float(beta[-1])), least), float(tau))
    _, amplitude, tau = best
    if amplitude <= SETTLED:
        return 0.0, tau
    # Convection weakens as the difference does: the end is slower than the exponential.
    return float(1.25 * (tau if np.isfinite(tau) else USUAL_SETTLING_S) * np.log(amplitude / SETTLED)), tau
