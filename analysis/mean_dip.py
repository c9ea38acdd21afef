"""The mean dip of many shots: laid over each other, their readings show what those of one shot are too far apart to show.

All shots of a line have about the same shape and fall between the readings by chance. So the readings of many, each shifted to where its
shot begins and scaled to how deep it goes, lie close together on one curve; and between two readings a shot goes as that curve does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.measures import BOTTOM_S, measure
from analysis.record import Shot
from analysis.recovered import HELD_S, RECOVERED, recovery
from analysis.sensor_lag import span, unlagged
from analysis.stretch import smooth, width_for

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST = 8  # shots
NOISIEST = 0.06  # of the dip; the curve of shots in more noise is no better than one of them
FEW_LOW = 8  # readings below half of a dip; with more, the shot itself shows from where it began and how deep it goes
MOST_LOW, CALM = 14, 0.04  # but where noise is less than this share of the dip, up to so many place it better beside the others
LEAD_STEPS = 3.0  # readings before the onset that are kept
AFTER_S = HELD_S + 0.1  # and after the recovery
LONGEST_S = 0.8
FINEST, PER_NODE = 8, 5  # nodes of the curve to a reading at most, and readings to a node at least
# The curve is smoothed over the longer the more noise there is, as a bottom bends no more than so much (variance of the curvature of the
# share, per second), and over no less than so many readings: more while shots are laid over each other than when it is drawn in the end.
# From dips with sharp and round bottoms.
BEND_PER_S3, LAID_STEPS, DRAWN_STEPS = 5e4, 0.1, 0.05
LEAST_NOISE = 1e-4  # of the dip
ROUNDS = 20  # of laying the shots over each other
SPREAD, LEVEL_U = 0.05, 0.01  # of the depths, and of the level before as a share of them, as far as is known before
FARTHEST_STEPS = 1.5  # that a shot is moved from where it was measured to begin
STILL_BACK = 3.0  # recoveries; a shot sooner after another begins while the line still comes back from that
BACK = 0.2  # of the dip: what follows on the way back is the line's, and differs from shot to shot
FAR_BACK = 0.3  # by how much is told where so much is regained, as the root of the share
MISPLACED = 0.25  # readings that a shot may still be shifted by
NEARER = 0.9  # of the readings lie nearer to the curve than one that counts a quarter for being far off
UNLIKE_SIGMA, UNLIKE_SHARE = 3.0, 0.06  # a shot this far off the curve has another shape
# Depth, as a share: what a dip that lasts for one reading leaves unsure. It shrinks in proportion to the readings in a dip, as a bottom
# sharper than they are apart is rounded on the mean dip too. From dips with sharp and round bottoms at 50 to 200 readings a second.
MEAN_U, SINGLE_U = 0.09, 0.2
BESIDE_S, BESIDE_SHARE = 0.1, 0.01  # what a shot has beside the curve is averaged over so long, or until noise leaves this of the dip
UNIT_PA = 1e5


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A shot as it was measured by itself, and the readings around it.

    Attributes
    ----------
    shot : Shot
        As measured.
    decided : Shot
        Onset, pressure before and dip with which it was taken for a shot: the shape that shots share is that of these.
    slope_pa_per_s, noise_pa : float
        Slope of the line just before it [Pa/s]; noise of the readings [Pa].
    drift_pa_per_s : float
        Slope of the line long after the shot before [Pa/s]; NaN where this one came too soon.
    t_s, p_pa : ndarray, shape (n,)
        Readings [s, Pa] from `LEAD_STEPS` before the onset up to what comes next, or until the recovery has been held.
    """

    shot: Shot
    decided: Shot
    slope_pa_per_s: float
    drift_pa_per_s: float
    noise_pa: float
    t_s: Floats
    p_pa: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDip:
    """The curve that shots share, and how each lies on it.

    Attributes
    ----------
    x_s, share : ndarray, shape (m,)
        Time from an origin near the onset [s], evenly spaced, and the share of the dip that is lost by then: 0 before, 1 at the bottom.
    at_s, depth_pa : ndarray, shape (n,)
        Where the origin of each shot lies [s], and how deep it goes [Pa].
    off_pa : ndarray, shape (n,)
        How far its readings lie off the curve, root mean square [Pa].
    """

    x_s: Floats
    share: Floats
    at_s: Floats
    depth_pa: Floats
    off_pa: Floats

    @property
    def width_s(self) -> float:
        """How long more than half of the dip is lost [s]."""
        return float(np.sum(self.share > 0.5) * (self.x_s[1] - self.x_s[0]))


def sharpened(seen: Sequence[Seen], step_s: float, lag_s: float = 0.0) -> tuple[list[Shot], float]:
    """Measure shots again between their readings, where these are few and the mean dip says how the pressure went.

    Parameters
    ----------
    seen : sequence of Seen
        In order of time.
    step_s : float
        Spacing of the readings [s].
    lag_s : float
        Time constant of the sensor's first-order response, which is taken out [s].

    Returns
    -------
    list of Shot
        In the same order; as they were where readings are close enough, shots too few, or a shot unlike the others.
    float
        Standard uncertainty of their dips that comes from the spacing of the readings, as a share.
    """
    shots = [s.shot for s in seen]
    low = float(np.median([np.sum(s.shot.before_pa - s.p_pa > 0.5 * s.shot.dip_pa) for s in seen])) if seen else np.inf
    noise = float(np.median([s.noise_pa / s.shot.dip_pa for s in seen])) if seen else 0.0
    if low > (MOST_LOW if noise < CALM else FEW_LOW):
        return shots, 0.0
    if len(seen) < FEWEST or noise > NOISIEST:
        return shots, SINGLE_U / max(low, 1.0)
    # Of each shot its mean dip, that before the sensor, its place in it, and whether it began soon after another.
    known: dict[int, tuple[MeanDip, Floats, int, bool]] = {}
    time_s = [s.shot.time_s for s in seen]
    depth_u = 0.0
    for members, soon in _alike(seen):
        these = [seen[i] for i in members]
        mean = superimpose(these, step_s)
        onset_s = _onset(these, mean, step_s)
        if onset_s is None:
            depth_u = max(depth_u, SINGLE_U / max(low, 1.0))
            continue
        depth_u = max(depth_u, MEAN_U * min(step_s / mean.width_s, 1.0))
        fine_s = float(mean.x_s[1] - mean.x_s[0])
        true = unlagged(mean.x_s, mean.share, lag_s, span(lag_s, fine_s)) if lag_s else mean.share
        for k, i in enumerate(members):
            time_s[i] = float(mean.at_s[k]) + onset_s
            if mean.off_pa[k] <= max(UNLIKE_SIGMA * seen[i].noise_pa, UNLIKE_SHARE * mean.depth_pa[k]):
                known[i] = mean, true, k, soon and low <= FEW_LOW
    for i, (mean, true, k, soon) in known.items():
        s = seen[i]
        next_s = time_s[i + 1] if i + 1 < len(seen) and seen[i + 1].shot.time_s < s.t_s[-1] + 2.0 * step_s else np.inf
        # Where the line still rings or rises, the shot before says how it goes on to where this one begins; else what shots begin on.
        before_pa = _carried(s, known[i - 1], time_s[i], step_s) if i - 1 in known else None
        if before_pa is None and soon:
            before_pa = _carried(s, known[i], time_s[i], step_s)
        shots[i] = _measured(s, mean, true, k, time_s[i], next_s, step_s, before_pa)
    return shots, depth_u


def _alike(seen: Sequence[Seen]) -> list[tuple[list[int], bool]]:
    """Which shots go together, and whether they began soon after another: what that leaves rings on under them."""
    took = [s.shot.recovery_s for s in seen if s.shot.outcome == "recovered"]
    back_s = STILL_BACK * float(np.median(took)) if took else np.inf
    apart = np.diff([s.shot.time_s for s in seen])
    soon = [math.isnan(seen[0].drift_pa_per_s), *(apart < back_s).tolist()]
    groups = [([i for i, x in enumerate(soon) if x is such], such) for such in (True, False)]
    if min(len(members) for members, _ in groups) >= FEWEST:
        return groups
    return [(list(range(len(seen))), 2 * sum(soon) > len(seen))]


def superimpose(seen: Sequence[Seen], step_s: float) -> MeanDip:
    """Find the curve that shots share, and how each is shifted and scaled on it.

    Parameters
    ----------
    seen : sequence of Seen
        At least `FEWEST`.
    step_s : float
        Spacing of the readings [s].
    """
    n = len(seen)
    shot = np.repeat(np.arange(n), [s.t_s.size for s in seen])
    t = np.concatenate([s.t_s for s in seen])
    lost = np.concatenate([s.shot.before_pa - s.p_pa for s in seen])
    first = np.array([s.shot.time_s for s in seen])
    at, depth = first, np.array([s.shot.dip_pa for s in seen])
    end = float(np.median([s.t_s[-1] - s.shot.time_s for s in seen]))  # beyond, few shots have readings
    spacing = max(step_s / FINEST, PER_NODE * step_s / n)
    x = np.arange(-(LEAD_STEPS + 1.0) * step_s, end + spacing, spacing)
    unit = float(np.median(depth))
    noise = max(float(np.median([s.noise_pa for s in seen])) / unit, LEAST_NOISE)
    noise_s = (noise**2 * step_s / n / BEND_PER_S3) ** 0.25
    laid_stiff, drawn_stiff = (n * spacing / step_s * (max(k * step_s, noise_s) / spacing) ** 4 for k in (LAID_STEPS, DRAWN_STEPS))
    weight, share, off, level = np.ones(t.size), np.zeros(x.size), np.zeros(n), np.zeros(n)
    for _ in range(ROUNDS):
        since = t - at[shot]
        below = lost - level[shot]
        laid = _Laid.on(x, since, shot, below / unit, depth / unit, weight)
        share = laid.curve(laid_stiff)
        rest = below - depth[shot] * np.interp(since, x, share)
        told = (since > x[0]) & (since < _back_s(x, share))
        off = np.sqrt(np.bincount(shot[told], rest[told] ** 2, n) / np.maximum(np.bincount(shot[told], minlength=n), 1))
        shift, deeper, lower = laid.moves(x, share, laid_stiff, level / unit, noise, step_s)
        weight = _weights(x, share, since, rest / depth[shot], noise, step_s)
        shift = np.clip(shift - np.median(shift), -0.5 * step_s, 0.5 * step_s)  # where all of them lie is told by where they were seen
        at = np.clip(at + shift, first - FARTHEST_STEPS * step_s, first + FARTHEST_STEPS * step_s)
        level = level + unit * lower
        depth = depth * share.max() * np.exp(np.clip(deeper, -0.5, 0.5))
    share = _Laid.on(x, t - at[shot], shot, (lost - level[shot]) / unit, depth / unit, weight).curve(drawn_stiff)
    return MeanDip(x_s=x, share=share / share.max(), at_s=at, depth_pa=depth * share.max(), off_pa=off)


def _back_s(x: Floats, share: Floats) -> float:
    """Until when a dip is told from what the line does after it [s]."""
    bottom = int(np.argmax(share))
    gone = share[bottom:] < BACK * share[bottom]
    return float(x[bottom + int(np.argmax(gone))] if gone.any() else x[-1])


def _weights(x: Floats, share: Floats, since: Floats, rest: Floats, noise: float, step_s: float) -> Floats:
    """Weights of readings that lie `rest` off the curve, as a share of the dip: 1, less on the way back, and little of strays.

    What a line does on its way back differs from shot to shot, the more the more is regained.
    """
    low = int(np.argmax(share))
    regained = np.where(np.arange(x.size) > low, np.maximum(1.0 - share / share[low], 0.0) ** 0.5, 0.0)
    back, away = np.interp(since, x, regained), np.abs(rest)
    far_back = back > FAR_BACK
    apart = 1.4826 * float(np.median(away[far_back] / back[far_back])) if far_back.any() else 0.0
    usual = np.hypot(noise, apart * back)
    far = away / np.hypot(usual, MISPLACED * step_s * np.interp(since, x, np.gradient(share, x)))
    weights: Floats = (noise / usual) ** 2 / (1.0 + (far / np.quantile(far, NEARER)) ** 2) ** 2
    return weights


@dataclass(frozen=True, slots=True)
class _Laid:
    """Readings of shots laid over each other: between which two of `nodes` nodes each lies, and how far it is from the first of them to the
    second; of which shot it is, what is lost by then and how deep that shot goes, in one unit; and its weight.
    """

    nodes: int
    node: Ints
    part: Floats
    shot: Ints
    lost: Floats
    depths: Floats
    weight: Floats

    @classmethod
    def on(cls, x: Floats, since: Floats, shot: Ints, lost: Floats, depths: Floats, weight: Floats) -> _Laid:
        place = (since - x[0]) / (x[1] - x[0])
        node = np.floor(place).astype(np.int64)
        inside = (node >= 0) & (node < x.size - 1)
        node, part = node[inside], (place - node)[inside]
        return cls(x.size, node, part, shot[inside], lost[inside], depths, weight[inside])

    def curve(self, stiff: float) -> Floats:
        """Least-squares curve of straight pieces between the nodes, with a little stiffness: the share of the dip that is lost."""
        deep = self.depths[self.shot]
        return self._solved(stiff, self._at_nodes(self.weight * deep * self.lost, np.zeros_like(self.shot), 1)[:, 0])

    def moves(self, x: Floats, share: Floats, stiff: float, level: Floats, noise: float, step_s: float) -> list[Floats]:
        """How far each shot is to be shifted [s], the logarithm of how much deeper it goes, and how much lower it begins: Gauss and Newton.

        The curve follows. If it did not, it would keep whatever places the shots have: where the readings of many bunch up, it only bends.
        """
        n, deep = self.depths.size, self.depths[self.shot]
        at = x[0] + (self.node + self.part) * (x[1] - x[0])
        value = np.interp(at, x, share)
        rest = self.weight * (self.lost - deep * value)
        by = -deep * np.interp(at, x, np.gradient(share, x)), deep * value, np.ones(at.size)
        with_curve = np.hstack([self._at_nodes(self.weight * deep * b, self.shot, n) for b in by])
        normal = -with_curve.T @ self._solved(stiff, with_curve)
        right = np.concatenate([np.bincount(self.shot, b * rest, n) for b in by])
        for j, b in enumerate(by):
            for k, c in enumerate(by):
                normal[j * n + np.arange(n), k * n + np.arange(n)] += np.bincount(self.shot, self.weight * b * c, n)
        # That shots are much alike, and not far from where they were seen, holds those on which readings are few.
        known = noise**2 / np.array([step_s, SPREAD, LEVEL_U]) ** 2
        normal[np.arange(3 * n), np.arange(3 * n)] += np.repeat(known, n)
        right[n:] -= np.concatenate([known[1] * np.log(self.depths / np.median(self.depths)), known[2] * level])
        return np.split(np.linalg.solve(normal, right), 3)

    def _at_nodes(self, value: Floats, column: Ints, columns: int) -> Floats:
        """Sums of what readings lay on the nodes beside them, one column for each shot or one for all."""
        size = self.nodes * columns
        first = np.bincount(self.node * columns + column, value * (1.0 - self.part), size)
        second = np.bincount((self.node + 1) * columns + column, value * self.part, size)
        summed: Floats = np.asarray(first + second, dtype=np.float64).reshape(self.nodes, columns)
        return summed

    def _solved(self, stiff: float, right: Floats) -> Floats:
        """Solve the normal equations of the curve."""
        from scipy.linalg import solveh_banded  # slow to load, and seldom needed

        m, i, w = self.nodes, self.node, self.part
        weight = self.weight * self.depths[self.shot] ** 2
        # The matrix, its upper diagonals in rows: the last is the main one.
        rows: Floats = np.zeros((3, m))
        rows[2] = np.bincount(i, weight * (1.0 - w) ** 2, m) + np.bincount(i + 1, weight * w**2, m)
        rows[1, 1:] = np.bincount(i, weight * w * (1.0 - w), m)[:-1]
        for offset, bend in ((0, 1.0), (1, -2.0), (2, 1.0)):  # (y[i-1] - 2 y[i] + y[i+1])^2 at all nodes but the ends
            rows[2, offset : m - 2 + offset] += stiff * bend**2
        rows[1, 1:-1] -= 2.0 * stiff
        rows[1, 2:] -= 2.0 * stiff
        rows[0, 2:] += stiff
        solved: Floats = solveh_banded(rows, right)
        return solved


def _onset(seen: Sequence[Seen], mean: MeanDip, step_s: float) -> float | None:
    """When the mean dip begins, from its origin [s]; None where it cannot be told."""
    spacing = float(mean.x_s[1] - mean.x_s[0])
    level = spacing * np.arange(round(0.2 / spacing), 0, -1)
    x = np.concatenate([mean.x_s[0] - level, mean.x_s])
    p = -UNIT_PA * np.concatenate([np.zeros(level.size), mean.share])
    share = float(np.median([s.noise_pa for s in seen]) / np.median(mean.depth_pa))
    noise = UNIT_PA * max(share / (len(seen) * spacing / step_s) ** 0.5, 0.003)  # of the mean of the readings at a node
    bottom_s = float(mean.x_s[np.argmax(mean.share)])
    fall = measure(x, p, bottom_s, max(0.016, step_s), noise, 0.0, spacing, float(x[0]), float(x[-1]))
    shots_s = float(np.median([s.shot.time_s - at for s, at in zip(seen, mean.at_s, strict=True)]))
    return fall.time_s if fall is not None and abs(fall.time_s - shots_s) < FARTHEST_STEPS * step_s else None


def _carried(s: Seen, known: tuple[MeanDip, Floats, int, bool], time_s: float, step_s: float) -> float | None:
    """Carry the last readings before a shot on to where it begins, along a mean dip [Pa]; None where that does not reach so far."""
    mean, share, i, _ = known
    lead = s.t_s < time_s
    if not lead.any() or time_s - mean.at_s[i] > mean.x_s[-1]:
        return None
    n = width_for(s.noise_pa, float(mean.depth_pa[i]), step_s, BESIDE_S, BESIDE_SHARE)
    lead[: max(int(lead.sum()) - n, 0)] = False  # the last of them, as the mean dip and the line part slowly
    lost = np.interp(np.append(s.t_s[lead], time_s) - mean.at_s[i], mean.x_s, share)
    return float(np.mean(s.p_pa[lead] + mean.depth_pa[i] * (lost[:-1] - lost[-1])))


def _measured(s: Seen, mean: MeanDip, share: Floats, i: int, time_s: float, next_s: float, step_s: float, before_pa: float | None) -> Shot:
    """Measure a shot whose pressure goes between readings as the mean dip does, and what it has beside that as a line.

    Parameters
    ----------
    share : ndarray, shape (m,)
        The mean dip as it was before the sensor.
    time_s, next_s : float
        When the shot begins, and the next where that is what its readings end with; else infinite [s].
    before_pa : float or None
        Pressure just before it, where that is known better than by the shot itself [Pa].
    """
    shot, depth, fine_s = s.shot, mean.depth_pa[i], mean.x_s[1] - mean.x_s[0]
    before = shot.before_pa + s.slope_pa_per_s * (time_s - shot.time_s)
    beside = s.p_pa - before + depth * np.interp(s.t_s - mean.at_s[i], mean.x_s, mean.share)
    n = max(3, width_for(s.noise_pa, depth, step_s, BESIDE_S, BESIDE_SHARE))
    beside = smooth(beside, n)
    until_s = min(next_s, s.t_s[-1] + step_s)
    t = np.arange(time_s, until_s, fine_s)
    p = before - depth * np.interp(t - mean.at_s[i], mean.x_s, share) + np.interp(t, s.t_s, beside)
    if before_pa is not None:
        before = before_pa
    low = int(np.argmin(p[t < time_s + BOTTOM_S])) if t.size else 0
    if low == 0:
        return shot
    dip = before - float(p[low])
    took = recovery(t[low:], p[low:], before - (1.0 - RECOVERED) * dip, s.noise_pa / n**0.5, dip, fine_s, until_s=until_s) - time_s
    now = replace(shot, time_s=time_s, before_pa=before, minimum_pa=before - dip, dip_pa=dip)
    if np.isfinite(took):
        return replace(now, recovery_s=took, censored_s=took, outcome="recovered")
    if np.isfinite(next_s):
        return replace(now, recovery_s=np.nan, censored_s=next_s - time_s, outcome="cut off")
    # Watched for longer than the readings that are kept.
    moved = shot.time_s - time_s
    return replace(now, recovery_s=shot.recovery_s + moved, censored_s=shot.censored_s + moved)
