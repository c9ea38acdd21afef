"""Air that somebody draws for a while: the pressure falls as at a shot, stays down while it flows, and comes back when it is let go.

A shot takes its air at once. Whatever the line, what comes back from it comes the fastest at first; a line that is held down turns late,
and then as fast as it fell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MEAN_S = 0.02, 0.1  # readings are averaged over, at least and at most: until `LEAST_SIGMA` times
NOISIEST = 0.15  # their noise is this share of the dip
LEAST_RISE, LEAST_SIGMA = 0.5, 8.0  # of the dip, and times the noise of those means, that it comes back
# Of the dip: what comes up so far and sinks again was not held. A line comes up further where its regulator gives more while air flows on,
# for longer than a hose rings, and is then let go at once.
CAME_UP, FLOWS_CAME_UP, FLOWS_S, LET_GO_S = 0.25, 0.5, 1.5, 0.4
LOWER, UPPER = 0.2, 0.8  # of that rise, between which it is timed
# No shot holds a line down for so long and then lets it turn so late: 1.4 times the rise is the most in shots of an independent model,
# 1.8 in our own shapes on a receiver.
SHORTEST_S, LATE = 0.15, 3.0


def held_down(t_s: Floats, p_pa: Floats, before_pa: float, dip_pa: float, noise_pa: float) -> float | None:
    """Say until when a fall was held down, if it was.

    Parameters
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Readings from where the fall begins to the end of what is known of its recovery [s, Pa].
    before_pa, dip_pa : float
        Pressure before the fall and its depth [Pa].
    noise_pa : float
        Standard deviation of the readings' noise [Pa].

    Returns
    -------
    float or None
        When the pressure turned [s]; None where it came back as from a shot, or where that cannot be seen.
    """
    if t_s.size < 2:
        return None
    rate_hz = (t_s.size - 1) / float(t_s[-1] - t_s[0])
    least, most = (max(int(s * rate_hz), 1) for s in MEAN_S)
    mean = min(max(int((LEAST_SIGMA * noise_pa / (NOISIEST * dip_pa)) ** 2), least), most)
    if t_s.size < 2 * mean:
        return None
    total = np.cumsum(np.concatenate([[0.0], p_pa]))
    p = (total[mean:] - total[:-mean]) / mean
    t = t_s[(mean - 1) // 2 :]
    low = int(np.argmin(p))
    bottom_pa = float(p[low])
    rise_pa = float(p[low:].max()) - bottom_pa
    sigma_pa = LEAST_SIGMA * noise_pa / mean**0.5
    if rise_pa < max(LEAST_RISE * dip_pa, sigma_pa):
        return None
    down = int(np.argmax(p <= before_pa - UPPER * min(dip_pa, before_pa - bottom_pa)))
    up = low + int(np.argmax(p[low:] >= bottom_pa + UPPER * rise_pa))
    turn = low + int(np.flatnonzero(p[low : up + 1] <= bottom_pa + LOWER * rise_pa)[-1])
    held_s, rise_s = float(t[turn] - t[down]), float(t[up] - t[turn])
    flowed = held_s > FLOWS_S and rise_s < LET_GO_S
    course, share = p[down : turn + 1], FLOWS_CAME_UP if flowed else CAME_UP
    if course.size and (course - np.minimum.accumulate(course)).max() > share * dip_pa + sigma_pa:
        return None
    return float(t[turn]) if held_s > SHORTEST_S and held_s > LATE * rise_s else None
