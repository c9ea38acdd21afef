"""The mean dip of many shots: laid over each other, their readings show what those of one shot are too far apart to show.

All shots of a line have about the same shape and fall between the readings by chance. So the readings of many, each shifted to where its
shot begins and scaled to how deep it goes, lie close together on one curve; and between two readings a shot goes as that curve does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.record import Shot
from analysis.recovered import HELD_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST = 8  # shots
NOISIEST = 0.06  # of the dip; the curve of shots in more noise is no better than one of them
LEAD_STEPS = 3.0  # readings before the onset that are kept
AFTER_S = HELD_S + 0.1  # and after the recovery
LONGEST_S = 0.8
WATCHED_S = 0.95  # after the onset; what takes longer stands as each shot shows it
FINEST, PER_NODE = 8, 5  # nodes of the curve to a reading at most, and readings to a node at least
# Shots are first laid over each other by a curve that is smoothed over so many readings, and over the longer the more noise there is, as a
# bottom bends no more than so much (variance of the curvature of the share, per second). Then the readings tell how stiff it is where: from
# this share of that stiffness on, as a stiff one takes a notch for noise, and no less, as it would bend to wherever readings bunch up; but
# from all of it on where so much of the dip is regained, as no notch is there, and such bends would hold shots in their wrong places. They
# are asked over a stretch of so many readings of all shots and no less than the first share of one's spacing nor more than the other, and
# the curve's bends over so much of it.
LAID_STEPS, BEND_PER_S3 = 0.1, 5e4
SOFT, PAST_NOTCH = 0.03, 0.3
ASKED, ASKED_STEPS, BENDS_STEPS = 30.0, (0.25, 2.5), 0.3
LEAST_NOISE = 1e-4  # of the dip
MOST_OWN, LEAST_VARIANCE = 0.95, 0.5  # of what a reading is off, that the curve follows; and of the noise's variance, that of the readings
ROUNDS, ROUGHLY = 20, 8  # of laying the shots over each other, and those of the first curve among them
SPREAD, LEVEL_U = 0.05, 0.01  # of the depths, and of the level before as a share of them, as far as is known before
FARTHEST_STEPS = 1.5  # that a shot is moved from where it was measured to begin
BACK = 0.2  # of the dip: what follows on the way back is the line's, and differs from shot to shot
FAR_BACK = 0.3  # by how much is told where so much is regained, as the root of the share
UNLIKE, UNLIKE_SHARE = 3.0, 0.06  # a shot that lies so many times as far off as most, and so much of its depth, counts a quarter
MISPLACED = 0.25  # readings that a shot may still be shifted by
# Of all readings, and of so many beside it, this share lies nearer to the curve than one that counts a quarter for being far off.
NEARER, BESIDE = 0.9, 21


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
    later_t_s, later_p_pa : ndarray, shape (m,)
        Those after them, up to what comes next or `WATCHED_S` after the onset.
    """

    shot: Shot
    decided: Shot
    slope_pa_per_s: float
    drift_pa_per_s: float
    noise_pa: float
    t_s: Floats
    p_pa: Floats
    later_t_s: Floats = field(default_factory=lambda: np.empty(0))
    later_p_pa: Floats = field(default_factory=lambda: np.empty(0))


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
    even = np.full(x.size - 2, n * spacing / step_s * (max(LAID_STEPS * step_s, noise_s) / spacing) ** 4)
    stiff = even
    weight, share, off, level = np.ones(t.size), np.zeros(x.size), np.zeros(n), np.zeros(n)
    for done in range(ROUNDS):
        since = t - at[shot]
        below = lost - level[shot]
        laid = _Laid.on(x, since, shot, below / unit, depth / unit, weight)
        share = laid.curve(stiff)
        rest = below - depth[shot] * np.interp(since, x, share)
        told = (since > x[0]) & (since < _back_s(x, share))
        off = np.sqrt(np.bincount(shot[told], rest[told] ** 2, n) / np.maximum(np.bincount(shot[told], minlength=n), 1))
        shift, deeper, lower = laid.moves(x, share, stiff, level / unit, noise, step_s)
        if done == ROUGHLY:
            stiff = _softest(share) * even
        elif done > ROUGHLY:
            stiff = np.maximum(laid.stiffness(x, share, stiff, noise, step_s), _softest(share) * even)
        weight = _weights(x, share, since, rest / depth[shot], noise, step_s)
        unlike = off / depth / max(UNLIKE * float(np.median(off / depth)), UNLIKE_SHARE)
        weight = weight / (1.0 + unlike[shot] ** 2) ** 2
        shift = np.clip(shift - np.median(shift), -0.5 * step_s, 0.5 * step_s)  # where all of them lie is told by where they were seen
        at = np.clip(at + shift, first - FARTHEST_STEPS * step_s, first + FARTHEST_STEPS * step_s)
        level = level + unit * lower
        depth = depth * share.max() * np.exp(np.clip(deeper, -0.5, 0.5))
    share = _Laid.on(x, t - at[shot], shot, (lost - level[shot]) / unit, depth / unit, weight).curve(stiff)
    return MeanDip(x_s=x, share=share / share.max(), at_s=at, depth_pa=depth * share.max(), off_pa=off)


def _softest(share: Floats) -> Floats:
    """How soft the curve may be at each node but the ends, as a share of the stiffness by which shots are first laid over each other."""
    low = int(np.argmax(share))
    regained = np.maximum.accumulate(1.0 - share[low:] / share[low])
    softest = np.full(share.size, SOFT)
    softest[low:][regained > PAST_NOTCH] = 1.0
    return softest[1:-1]


def _back_s(x: Floats, share: Floats) -> float:
    """Until when a dip is told from what the line does after it [s]."""
    bottom = int(np.argmax(share))
    gone = share[bottom:] < BACK * share[bottom]
    return float(x[bottom + int(np.argmax(gone))] if gone.any() else x[-1])


def _weights(x: Floats, share: Floats, since: Floats, rest: Floats, noise: float, step_s: float) -> Floats:
    """Weights of readings that lie `rest` off the curve, as a share of the dip: 1, less on the way back, and little of strays.

    What a line does on its way back differs from shot to shot, the more the more is regained.
    """
    from scipy.ndimage import percentile_filter  # slow to load, and seldom needed

    low = int(np.argmax(share))
    regained = np.where(np.arange(x.size) > low, np.maximum(1.0 - share / share[low], 0.0) ** 0.5, 0.0)
    back, away = np.interp(since, x, regained), np.abs(rest)
    far_back = back > FAR_BACK
    apart = 1.4826 * float(np.median(away[far_back] / back[far_back])) if far_back.any() else 0.0
    usual = np.hypot(noise, apart * back)
    far = away / np.hypot(usual, MISPLACED * step_s * np.interp(since, x, np.gradient(share, x)))
    # Where shots differ, or the curve is not yet as sharp as they are, many lie far off, and none of them astray.
    order = np.argsort(since)
    usually_far = np.empty(far.size)
    usually_far[order] = percentile_filter(far[order], 100.0 * NEARER, BESIDE)
    weights: Floats = (noise / usual) ** 2 / (1.0 + (far / np.maximum(usually_far, np.quantile(far, NEARER))) ** 2) ** 2
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

    def curve(self, stiff: Floats) -> Floats:
        """Least-squares curve of straight pieces between the nodes, with some stiffness at each: the share of the dip that is lost."""
        deep = self.depths[self.shot]
        return self._solved(stiff, self._at_nodes(self.weight * deep * self.lost, np.zeros_like(self.shot), 1)[:, 0])

    def moves(self, x: Floats, share: Floats, stiff: Floats, level: Floats, noise: float, step_s: float) -> list[Floats]:
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

    def stiffness(self, x: Floats, share: Floats, stiff: Floats, noise: float, step_s: float) -> Floats:
        """How stiff the curve should be at each node, as the readings about it tell: their variance over that of the curve's bends.

        A step towards the largest likelihood of the readings, as the bends were drawn from a normal distribution of a width that changes
        slowly along the curve; what the curve itself leaves unsure of each is part of them.
        """
        from scipy.ndimage import gaussian_filter1d  # slow to load, and seldom needed

        n, spacing, i, w = self.depths.size, x[1] - x[0], self.node, self.part
        deep = self.depths[self.shot]
        rest = self.lost - deep * (share[i] * (1.0 - w) + share[i + 1] * w)
        unsure = self._solved(stiff, np.eye(self.nodes))  # variances and covariances of the nodes, over the readings' variance
        own = (1.0 - w) ** 2 * unsure[i, i] + 2.0 * w * (1.0 - w) * unsure[i, i + 1] + w**2 * unsure[i + 1, i + 1]
        free = 1.0 - np.minimum(self.weight * deep**2 * own, MOST_OWN)  # of what a reading is off, the curve follows the rest
        asked = np.clip(ASKED / n, *ASKED_STEPS) / 2.5 * step_s / spacing
        off, of = (gaussian_filter1d(np.bincount(i, v, self.nodes), asked, mode="nearest") for v in (self.weight * rest**2, free))
        variance = np.maximum(off / np.maximum(of, 1e-9), LEAST_VARIANCE * noise**2)[1:-1]
        bend = np.diff(share, 2) ** 2 + variance * np.diag(np.diff(np.diff(unsure, 2, axis=0), 2, axis=1))
        stiffness: Floats = variance / gaussian_filter1d(bend, BENDS_STEPS * step_s / spacing, mode="nearest")
        return stiffness

    def _at_nodes(self, value: Floats, column: Ints, columns: int) -> Floats:
        """Sums of what readings lay on the nodes beside them, one column for each shot or one for all."""
        size = self.nodes * columns
        first = np.bincount(self.node * columns + column, value * (1.0 - self.part), size)
        second = np.bincount((self.node + 1) * columns + column, value * self.part, size)
        summed: Floats = np.asarray(first + second, dtype=np.float64).reshape(self.nodes, columns)
        return summed

    def _solved(self, stiff: Floats, right: Floats) -> Floats:
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
