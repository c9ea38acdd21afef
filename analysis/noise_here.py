"""What noise does on a line, as its own readings show: how large its largest swings are.

A line does not jump up and come down again by itself. Where readings do, more of their noise lies far off than noise usually does, or it
grows for moments, wanders, or clicks; and then falls as large are noise too. So the bumps of a record say how far a fall must stand out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

# A bump rises by so many times the deepest fall of the last while, as what only comes back does not; in wide means, which see more of the
# rises of quick shots than of their falls, by more. It loses so much of its rise soon.
RISES, AFTER_S, LOSES, SOON_S = (1.5, 1.5, 2.0), 1.5, 0.3, 1.0
# One alone may be chance. The threshold stands so far above those that follow one so soon, each of which raises it by so much at most,
# and all of them by so much, for minutes.
TOGETHER_S, ABOVE, ONE, ALL, FORGOTTEN_S = 120.0, 1.25, 1.5, 12.0, 600.0
# Slots for each scale: times the usual threshold, deepest fall [Pa], a bump's rise [Pa], when it was highest and the last was over [s]
TAIL, DEEP, BUMP, BUMP_T, LAST_T, SLOTS = 0, 1, 2, 3, 4, 5


@jit
def tail(state: Floats, scale: int, t_s: float, passed_s: float, fall_pa: float, usual_pa: float, least_pa: float) -> float:
    """Follow the bumps of a scale and give how many times the usual threshold a fall has to be.

    Parameters
    ----------
    state : ndarray, shape (scales * SLOTS,)
        What is known; changed. Of the slots of a scale the first begins as 1, the last as minus infinity, the others as 0.
    t_s, passed_s : float
        Now, and since the last fall [s].
    fall_pa : float
        By how much one mean is lower than one before it, less than 0 where it is higher [Pa].
    usual_pa, least_pa : float
        Usual threshold, and a rise that white noise does not make [Pa].
    """
    at = SLOTS * scale
    state[at + DEEP] = max(state[at + DEEP] * (1.0 - passed_s / AFTER_S), fall_pa)
    state[at + TAIL] -= (state[at + TAIL] - 1.0) * passed_s / FORGOTTEN_S
    known = state[at + TAIL]
    if -fall_pa > max(state[at + BUMP], known * usual_pa, least_pa, RISES[scale] * state[at + DEEP]):
        state[at + BUMP], state[at + BUMP_T] = -fall_pa, t_s
    elif state[at + BUMP] > 0.0:
        if fall_pa > LOSES * state[at + BUMP]:
            if t_s - state[at + LAST_T] < TOGETHER_S:
                state[at + TAIL] = max(known, min(ABOVE * state[at + BUMP] / usual_pa, ONE * known, ALL))
            state[at + BUMP], state[at + LAST_T] = 0.0, t_s
        elif t_s - state[at + BUMP_T] > SOON_S:
            state[at + BUMP] = 0.0
    return float(state[at + TAIL])
