"""Solve a small symmetric system of equations in compiled code, where a library's overhead would cost more than the work."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]


@jit
def solve(a: Floats, b: Floats) -> None:
    """Solve a positive definite system by Cholesky's method, in place.

    Parameters
    ----------
    a : ndarray, shape (m, m)
        The system, of which the lower half is given; lost.
    b : ndarray, shape (m,)
        The right side; the answer replaces it.
    """
    m = b.size
    for k in range(m):
        for j in range(k + 1):
            for i in range(j):
                a[k, j] -= a[k, i] * a[j, i]
            a[k, j] = math.sqrt(max(a[k, k], 1e-12)) if j == k else a[k, j] / a[j, j]
        for i in range(k):
            b[k] -= a[k, i] * b[i]
        b[k] /= a[k, k]
    for k in range(m - 1, -1, -1):
        for i in range(k + 1, m):
            b[k] -= a[i, k] * b[i]
        b[k] /= a[k, k]
