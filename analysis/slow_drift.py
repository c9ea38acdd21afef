"""Values that drift slowly while they are taken, as recoveries do while a tank runs down: many of them tell no more than a few.

What drifts is a Gaussian process of Matern's covariance of order 3/2, smooth as what runs down and is filled again, with white noise on
top (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, eq. 4.17; from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

FEWEST = 8  # values in which a drift is looked for
SHARES = (0.0, 0.25, 0.5, 0.75, 0.9, 0.97, 0.99, 0.997, 0.999)  # of the variance that drifts
SHORTEST_S, LONGEST = 5.0, 2.0  # over which it does; the longest as a share of the time that was watched
STEADY = 0.97  # chance, before any value is seen, that nothing drifts
FAR = 3.0  # spreads from the median, further from which a value counts as if it lay there
MOST = 2.0  # spreads of the values, by which their mean is off at most for a drift of which only a part was seen


def widening(time_s: ArrayLike, value: ArrayLike) -> float:
    """How many times wider than that of independent values the interval of their mean is.

    Parameters
    ----------
    time_s, value : array_like, shape (n,)
        When each was taken, ascending [s], and the values; NaN where there is none.

    Returns
    -------
    float
        At least 1: the root of the mean variance over drifts of all shares and durations, each as likely as the values make it. 1 where
        there are too few of them.
    """
    t, y = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    t, y = t[np.isfinite(y)], y[np.isfinite(y)]
    if t.size < FEWEST or not float(np.ptp(y)) > 0.0:
        return 1.0
    longest = max(LONGEST * float(t[-1] - t[0]), SHORTEST_S)
    over_s = np.array([SHORTEST_S * 2.0**k for k in range(math.floor(math.log2(longest / SHORTEST_S)) + 1)])
    middle = float(np.median(y))
    reach = FAR * 1.4826 * float(np.median(np.abs(y - middle)))
    y = np.clip(y, middle - reach, middle + reach) if reach else y
    log_likely, variance = _drifts(t, (y - y.mean()) / y.std(), over_s, np.array(SHARES))
    chance = np.full(len(SHARES), (1.0 - STEADY) / (len(SHARES) - 1))
    chance[0] = STEADY
    likely = np.exp(log_likely - log_likely.max()) * chance
    mean = float((likely * np.minimum(variance, MOST**2)).sum() / likely.sum())
    return math.sqrt(max(t.size * mean, 1.0))


@jit
def _drifts(t: Floats, y: Floats, over_s: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """For each duration and share: logarithm of the likelihood, whatever the mean and the variance, and the variance of the plain mean.

    By Kalman's filter on the values and on a constant beside them, whose state is the drift and its slope.
    """
    n = t.size
    log_likely, variance = np.empty((over_s.size, shares.size)), np.empty((over_s.size, shares.size))
    for j in range(over_s.size):
        rate = math.sqrt(3.0) / over_s[j]
        together, near, apart = 0.0, 0.0, 0.0  # how alike two values are, summed over all pairs
        for i in range(1, n):
            x = rate * (t[i] - t[i - 1])
            fades = math.exp(-x)
            apart = fades * (apart + x * (near + 1.0))
            near = fades * (near + 1.0)
            together += 2.0 * (near + apart)
        for k in range(shares.size):
            drifts, white = shares[k], 1.0 - shares[k]
            level, both, slope = drifts, 0.0, drifts * rate**2  # variances, and the covariance
            of_y, of_one = np.zeros(2), np.zeros(2)
            logs, yy, y_one, ones = 0.0, 0.0, 0.0, 0.0
            for i in range(n):
                if i:
                    step_s = t[i] - t[i - 1]
                    x = rate * step_s
                    fades = math.exp(-x)
                    a, b, c, d = fades * (1.0 + x), fades * step_s, -fades * rate * x, fades * (1.0 - x)
                    for of in (of_y, of_one):
                        of[0], of[1] = a * of[0] + b * of[1], c * of[0] + d * of[1]
                    # What is known fades towards what is known of no value at all.
                    level, slope = level - drifts, slope - drifts * rate**2
                    level, both, slope = (
                        drifts + a * a * level + 2.0 * a * b * both + b * b * slope,
                        a * c * level + (a * d + b * c) * both + b * d * slope,
                        drifts * rate**2 + c * c * level + 2.0 * c * d * both + d * d * slope,
                    )
                total = level + white
                new_y, new_one = y[i] - of_y[0], 1.0 - of_one[0]
                logs += math.log(total)
                yy += new_y * new_y / total
                y_one += new_y * new_one / total
                ones += new_one * new_one / total
                for of, new in ((of_y, new_y), (of_one, new_one)):
                    of[0] += level / total * new
                    of[1] += both / total * new
                level, both, slope = level * white / total, both * white / total, slope - both * both / total
            squares = yy - y_one * y_one / ones
            log_likely[j, k] = -0.5 * (logs + math.log(ones) + (n - 1) * math.log(squares))
            variance[j, k] = squares / n * (n * white + drifts * (n + together)) / n**2
    return log_likely, variance
