"""How likely a sum of given columns is, and how much of each, by rounded readings: each says within which step its value lies."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.small_system import solve

Floats = NDArray[np.float64]

# Like readings so close count together, about the fall and further from it; where a ripple was taken out, to so fine a part of a step.
TOGETHER_S, FURTHER_S, ABOUT_S, FINE = 0.008, 0.032, (-0.15, 0.25), 8.0
ALIKE_S = 0.002  # noise of readings closer than this is the same: they count less
NOISES = (1.3, 0.9, 0.64, 0.45, 0.28, 0.17, 0.1, 0.06, 0.035)  # steps; one after the other: each fit starts where the last ended
SHARED_S, LEAST_SHARED = 0.08, 0.05  # noise is shared over so long, as where air flows by; fewer readings that tell anything tell no less
NEWTON, SETTLED = 8, 0.1
FAR, UNLIKELY = 5.0, -14.0  # standard deviations from where on a tail is a formula; no reading counts as less likely than a spike


@jit
def together(x: Floats, y: Floats, each: float) -> tuple[Floats, Floats, Floats]:
    """Times [s], values [steps] and counts of readings, of which those that are alike and close are one."""
    m, first, begin = 0, 0, x[0]
    times, values, counts = np.empty(x.size), np.empty(x.size), np.empty(x.size)
    for i in range(x.size):
        if x[i] - begin >= (TOGETHER_S if ABOUT_S[0] < x[i] < ABOUT_S[1] else FURTHER_S):
            begin, first = x[i], m
        value = round(FINE * y[i]) / FINE
        k = first
        while k < m and values[k] != value:
            k += 1
        if k == m:
            times[m], values[m], counts[m] = 0.0, value, 0.0
            m += 1
        counts[k] += each
        times[k] += (x[i] - times[k]) * each / counts[k]
    return times[:m], values[:m], counts[:m]


@jit
def annealed(y: Floats, count: Floats, columns: Floats, guesses: Floats, least: float) -> tuple[float, float, Floats]:
    """Logarithm of the likelihood of a sum of columns with the noise that suits it best, that noise, and the columns' factors."""
    m, n = columns.shape
    squares, factors = np.zeros((m, m)), np.zeros(m)
    for k in range(m):
        for i in range(n):
            factors[k] += count[i] * columns[k, i] * y[i]
            for j in range(k + 1):
                squares[k, j] += count[i] * columns[k, i] * columns[j, i]
    _held(squares, factors)
    best, suits, kept = -np.inf, NOISES[0], factors.copy()
    for noise in NOISES:
        now = fit(y, count, columns, guesses, factors, max(noise, least))
        if now > best:
            best, suits, kept = now, max(noise, least), factors.copy()
        if noise <= least:
            break
    return best, suits, kept


@jit
def fit(y: Floats, count: Floats, columns: Floats, guesses: Floats, factors: Floats, noise: float) -> float:
    """Improve the factors by Newton's method, and return the logarithm of their likelihood, which is concave.

    `guesses` are factors guessed, and one over the variance of each guess.
    """
    m, n = columns.shape
    best, kept = -np.inf, factors.copy()
    bend, slope = np.empty((m, m)), np.empty(m)
    for _ in range(NEWTON):
        total = 0.0
        for k in range(m):
            for j in range(k):
                bend[k, j] = 0.0
            away = guesses[0, k] - factors[k]
            slope[k], bend[k, k] = guesses[1, k] * away, guesses[1, k]
            total -= 0.5 * guesses[1, k] * away**2
        for i in range(n):
            value = 0.0
            for k in range(m):
                value += factors[k] * columns[k, i]
            log, first, second = _rounds_to(y[i], value, noise)
            total += count[i] * max(log, UNLIKELY)
            if second > 0.0:
                for k in range(m):
                    slope[k] += count[i] * first * columns[k, i]
                    for j in range(k + 1):
                        bend[k, j] += count[i] * second * columns[k, i] * columns[j, i]
        if total <= best:  # too far
            for k in range(m):
                factors[k] = 0.5 * (factors[k] + kept[k])
            continue
        settled = total - best < SETTLED
        best = total
        for k in range(m):
            kept[k] = factors[k]
        if settled:
            break
        _held(bend, slope)
        for k in range(m):
            factors[k] += min(max(slope[k], -1.0), 1.0)
    for k in range(m):
        factors[k] = kept[k]
    return best


@jit
def _held(a: Floats, b: Floats) -> None:
    """Solve a system in which what nothing tells stays as it is; the answer replaces `b`."""
    for k in range(b.size):
        a[k, k] += 1e-3
    solve(a, b)


@jit
def _rounds_to(y: float, value: float, noise: float) -> tuple[float, float, float]:
    """Logarithm of the chance that a value with noise rounds to `y`; its slope, and how it bends down, against the value [steps]."""
    low, high = (y - 0.5 - value) / noise, (y + 0.5 - value) / noise
    if low < -FAR and high > FAR:
        return 0.0, 0.0, 0.0
    if low > FAR or high < -FAR:
        far = max(low, -high)
        slope = (far + 1.0 / far) / noise
        return -0.5 * far * far - math.log(math.sqrt(2.0 * math.pi) * far), slope if low > 0.0 else -slope, 1.0 / noise**2
    at_low, at_high = math.exp(-0.5 * low * low) / math.sqrt(2.0 * math.pi), math.exp(-0.5 * high * high) / math.sqrt(2.0 * math.pi)
    chance = max(0.5 * (math.erfc(low / math.sqrt(2.0)) - math.erfc(high / math.sqrt(2.0))), 1e-9)
    slope = (at_low - at_high) / chance
    bend = slope * slope - (low * at_low - high * at_high) / chance
    return math.log(chance), slope / noise, max(bend, 1e-3) / noise**2


@jit
def shared_noise(x: Floats, y: Floats, count: Floats, columns: Floats, factors: Floats, noise: float) -> float:
    """How many times more readings close together agree on what the fit leaves than independent ones would."""
    m, n = columns.shape
    pulls, expected, pull, first_s = 0.0, 1e-9, 0.0, x[0]
    for i in range(n + 1):
        if i == n or x[i] - first_s >= SHARED_S:
            pulls += pull * pull
            pull = 0.0
            if i == n:
                break
            first_s = x[i]
        value = 0.0
        for k in range(m):
            value += factors[k] * columns[k, i]
        _, slope, bend = _rounds_to(y[i], value, noise)
        pull += count[i] * slope
        expected += count[i] * bend
    return max(pulls / expected, LEAST_SHARED)
