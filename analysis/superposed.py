"""Shots that follow each other before the line is still again: what each leaves behind, taken out from under the next.

A line answers to shots fired soon after one another nearly as to each of them alone, one answer laid over the other, as it loses but a part
of its pressure. So one curve, as long as the line rings, with a place and a depth for every shot, says what all of their readings show.
What a shot leaves after the next has begun is known as well: from that one's readings, which others show without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.mean_dip import Seen

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RINGS_S = 1.0  # a line is still so long after a shot, or what is left stays
NODES = 2.0  # of the curve to a reading
FINEST_S = 0.006  # but no closer
MOST_BEFORE = 8  # shots that ring under one
ROUNDS = 4
REACH_STEPS, TRIED = 2.0, 41  # readings that a shot is sought from where it was measured by itself on a ringing line; places
TOLD_S = 0.25  # a shot's place is told by so much of it
# As shares of the dip: how far the line may wander from one shot of a burst to the next, how far depths differ, and the least noise.
WANDERS, SPREAD, LEAST_NOISE = 0.02, 0.1, 0.004
SHALLOWEST = 0.1  # of the dips
SMOOTH, SMOOTH_TAIL, TAIL_S = 1e-3, 0.02, 0.15  # stiffness of the curve, of its later part, and where that begins
STRAY = 4.0  # times the noise; readings so far off count half


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """How the line answers to one shot of unit depth.

    Attributes
    ----------
    x_s, share : ndarray, shape (m,)
        Time since the shot [s], evenly spaced from 0, and the share of its dip that is lost by then.
    """

    x_s: Floats
    share: Floats

    def at(self, since_s: Floats) -> Floats:
        """Share lost at a time since the shot; none before it, and what is left after `RINGS_S` stays."""
        lost: Floats = np.interp(since_s, self.x_s, self.share, left=0.0)
        return lost


@dataclass(frozen=True, slots=True, kw_only=True)
class Under:
    """What the shots before one leave under it: when they began [s], how deep they went [Pa], and the answer of the line."""

    times_s: Floats
    dips_pa: Floats
    answer: Answer

    def lost_pa(self, t: Floats) -> Floats:
        """How much lower the line stands than it would have without them [Pa]."""
        lost = np.zeros(t.size)
        for time_s, dip_pa in zip(self.times_s, self.dips_pa, strict=True):
            lost += dip_pa * self.answer.at(t - time_s)
        return lost


def freed(seen: Sequence[Seen], step_s: float) -> tuple[list[Seen], list[Under]]:
    """Take out of each shot what those before it leave behind.

    Parameters
    ----------
    seen : sequence of Seen
        In order of time.
    step_s : float
        Spacing of the readings [s].

    Returns
    -------
    list of Seen
        The shots as a still line would have shown them, placed and scaled by the answer that they share.
    list of Under
        What was taken out of each.
    """
    alone = Under(times_s=np.empty(0), dips_pa=np.empty(0), answer=Answer(x_s=np.zeros(1), share=np.zeros(1)))
    burst = _Burst.of(seen, step_s)
    if not burst.reached.any():
        return list(seen), [alone] * len(seen)
    times, dips = burst.first_s.copy(), np.array([s.shot.dip_pa for s in seen])
    answer, levels = burst.answer(times, dips, np.ones(burst.t.size))
    for _ in range(ROUNDS):
        under = burst.under(times, dips, answer)
        times, dips, levels = burst.placed(answer, levels, under)
        off = burst.p + under - levels[burst.shot] + dips[burst.shot] * answer.at(burst.t - times[burst.shot])
        weight = 1.0 / (1.0 + (off / (STRAY * burst.noise * burst.unit_pa)) ** 2)
        answer, levels = burst.answer(times, dips, weight)
    out, left = [], []
    for i, s in enumerate(seen):
        if not burst.reached[i]:
            out.append(s)
            left.append(alone)
            continue
        first = i - int(burst.reached[i])
        mine = Under(times_s=times[first:i], dips_pa=dips[first:i], answer=answer)
        still = replace(s.shot, time_s=float(times[i]), before_pa=float(levels[i]), dip_pa=float(dips[i]))
        out.append(replace(s, shot=still, slope_pa_per_s=0.0, p_pa=s.p_pa + mine.lost_pa(s.t_s)))
        left.append(mine)
    return out, left


@dataclass(frozen=True, slots=True, kw_only=True)
class _Burst:
    """Readings of many shots: of which each is, and how many shots before that ring under it."""

    t: Floats
    p: Floats
    shot: Ints
    first_s: Floats
    reached: Ints
    unit_pa: float
    noise: float
    step_s: float

    @classmethod
    def of(cls, seen: Sequence[Seen], step_s: float) -> _Burst:
        first = np.array([s.shot.time_s for s in seen])
        unit = float(np.median([s.shot.dip_pa for s in seen]))
        chained = np.diff(first, prepend=-np.inf) < RINGS_S
        reached = np.zeros(first.size, dtype=np.int64)
        for i in np.flatnonzero(chained):
            reached[i] = min(reached[i - 1] + 1, MOST_BEFORE)
        return cls(
            t=np.concatenate([s.t_s for s in seen]),
            p=np.concatenate([s.p_pa for s in seen]),
            shot=np.repeat(np.arange(first.size), [s.t_s.size for s in seen]),
            first_s=first,
            reached=reached,
            unit_pa=unit,
            noise=max(float(np.median([s.noise_pa for s in seen])) / unit, LEAST_NOISE),
            step_s=step_s,
        )

    def _before(self, back: int) -> tuple[NDArray[np.bool_], Ints]:
        """Which readings have a shot `back` before theirs ringing under them, and which."""
        has = self.reached[self.shot] >= back
        return has, self.shot[has] - back

    def under(self, times: Floats, dips: Floats, answer: Answer) -> Floats:
        """What shots before leave under each reading [Pa]."""
        lost = np.zeros(self.t.size)
        for back in range(1, int(self.reached.max(initial=0)) + 1):
            has, shot = self._before(back)
            lost[has] += dips[shot] * answer.at(self.t[has] - times[shot])
        return lost

    def answer(self, times: Floats, dips: Floats, weight: Floats) -> tuple[Answer, Floats]:
        """Least squares for the answer of the line, and the levels that a still line would have shown at each shot [Pa]."""
        from scipy.sparse import csr_array  # slow to load, and seldom needed

        n = times.size
        spacing = max(self.step_s / NODES, FINEST_S)
        x: Floats = np.asarray(spacing * np.arange(round(RINGS_S / spacing) + 1), dtype=np.float64)
        m = x.size
        rows, columns, values = [], [], []
        for back in range(int(self.reached.max(initial=0)) + 1):
            has, shot = self._before(back)
            since = self.t[has] - times[shot]
            place = np.clip(since / spacing, 0.0, m - 1 - 1e-9)
            node = place.astype(np.int64)
            deep = -np.where(since > 0.0, dips[shot], 0.0) / self.unit_pa
            row = np.flatnonzero(has)
            rows += [row, row]
            columns += [node, node + 1]
            values += [deep * (1.0 - place + node), deep * (place - node)]
        rows.append(np.arange(self.t.size))
        columns.append(m + self.shot)
        values.append(np.ones(self.t.size))
        row, column, value = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
        design = csr_array((value, (row, column)), shape=(self.t.size, m + n))
        level = float(np.median(self.p))
        weighted = csr_array((value * weight[row], (row, column)), shape=design.shape)
        normal = np.asarray((design.T @ weighted).toarray(), dtype=np.float64)
        right = np.asarray(weighted.T @ ((self.p - level) / self.unit_pa), dtype=np.float64)
        bend = np.zeros((m - 2, m))
        i = np.arange(m - 2)
        bend[i, i], bend[i, i + 1], bend[i, i + 2] = 1.0, -2.0, 1.0
        normal[:m, :m] += n * bend.T @ (np.where(x[1:-1] < TAIL_S, SMOOTH, SMOOTH_TAIL)[:, None] * bend)
        normal[np.arange(m + n), np.arange(m + n)] += 1e-6
        normal[0, 0] += 1e6  # nothing is lost when a shot begins
        held = (self.noise / WANDERS) ** 2
        soon = m + np.flatnonzero(self.reached)
        normal[soon, soon] += held
        normal[soon - 1, soon - 1] += held
        normal[soon, soon - 1] -= held
        normal[soon - 1, soon] -= held
        solved: Floats = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
        share: Floats = solved[:m] / max(float(solved[:m].max()), SHALLOWEST)
        levels: Floats = level + self.unit_pa * solved[m:]
        return Answer(x_s=x, share=share), levels

    def placed(self, answer: Answer, levels: Floats, under: Floats) -> tuple[Floats, Floats, Floats]:
        """Where each shot lies best on the answer [s], how deep it goes and on which level it began [Pa]."""
        n = levels.size
        p = (self.p + under - levels[self.shot]) / self.unit_pa
        known_level, known_depth = (self.noise / WANDERS) ** 2, (self.noise / SPREAD) ** 2
        best = np.full(n, np.inf)
        times, dips, moved = self.first_s.copy(), np.ones(n), np.zeros(n)
        for by in np.linspace(-REACH_STEPS, REACH_STEPS, TRIED) * self.step_s:
            since = self.t - self.first_s[self.shot] - by
            told = since < TOLD_S
            lost = np.where(told, answer.at(since), 0.0)
            seen, a, c, d = (np.bincount(self.shot, v, n) for v in (told, lost, np.where(told, p, 0.0), lost * p))
            count, b = seen + known_level, np.bincount(self.shot, lost * lost, n) + known_depth
            # Level and depth by least squares, with what is known of them before.
            det = count * b - a * a
            level, depth = (c * b - a * (d - known_depth)) / det, (a * c - count * (d - known_depth)) / det
            off = np.where(told, p - level[self.shot] + depth[self.shot] * lost, 0.0) / (STRAY * self.noise)
            cost = np.bincount(self.shot, np.log1p(off * off), n)
            better = cost < best
            best[better] = cost[better]
            times[better], dips[better], moved[better] = self.first_s[better] + by, depth[better], level[better]
        return times, self.unit_pa * np.maximum(dips, SHALLOWEST), levels + self.unit_pa * moved
