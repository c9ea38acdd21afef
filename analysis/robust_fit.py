"""Bounded least squares that spikes do not lead astray, with a prior, and the uncertainty that correlated residuals leave."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TURN: Final = 4.0  # residual, over its uncertainty, from which on it counts less
SMALL: Final = 3e-6  # relative gain at which the search ends


@dataclass(slots=True)
class Found:
    """Where a search stands: unknowns, cost, residuals in groups, and their derivatives there."""

    x: Floats
    cost: float
    groups: list[Floats]
    jacobian: list[Floats]


def _cost(groups: Sequence[Floats], x: Floats, prior_u: Floats) -> float:
    c2 = TURN * TURN
    data = sum(float(np.sum(2.0 * c2 * (np.sqrt(1.0 + r * r / c2) - 1.0))) for r in groups)
    return data + float(np.sum((x / prior_u) ** 2))


def weights(r: Floats) -> Floats:
    """How much each residual counts."""
    return np.asarray(1.0 / np.sqrt(1.0 + (r / TURN) ** 2), dtype=np.float64)


class Misfit(Protocol):
    """What is searched: residuals in groups, over their uncertainty; given those, their derivatives; and what is known before.

    The prior has zero mean and the standard deviations `prior_u`; no unknown may be larger than its `bound`.
    """

    prior_u: Floats
    bound: Floats

    def residuals(self, x: Floats) -> list[Floats]:
        """Residuals in groups."""

    def jacobian(self, x: Floats, here: Sequence[Floats]) -> list[Floats]:
        """Their derivatives, an array (residuals, unknowns) a group."""


def search(misfit: Misfit, start: Floats, *, rounds: int) -> Found:
    """Levenberg-Marquardt with a soft loss, a prior and bounds, in at most so many rounds."""
    residuals, jacobian, prior_u, bound = misfit.residuals, misfit.jacobian, misfit.prior_u, misfit.bound
    x = np.clip(start, -bound, bound)
    groups = residuals(x)
    cost = _cost(groups, x, prior_u)
    damp = 1e-3
    found = Found(x, cost, groups, jacobian(x, groups))
    for _ in range(rounds):
        w = [weights(r) for r in found.groups]
        hess = np.diag(1.0 / prior_u**2)
        grad = x / prior_u**2
        for r, j, v in zip(found.groups, found.jacobian, w, strict=True):
            hess = hess + (j * v[:, None]).T @ j
            grad = grad + j.T @ (v * r)
        better = None
        for _ in range(6):
            free = np.ones(x.size, dtype=bool)
            free[(x >= bound) & (grad < 0.0)] = False
            free[(x <= -bound) & (grad > 0.0)] = False
            a = hess[np.ix_(free, free)]
            step = np.zeros(x.size)
            step[free] = -np.linalg.solve(a + damp * np.diag(np.diag(a)), grad[free])
            y = np.clip(x + np.clip(step, -0.4 * bound, 0.4 * bound), -bound, bound)
            try:
                there = residuals(y)
            except ValueError:  # the line model cannot follow so far
                damp *= 10.0
                continue
            new = _cost(there, y, prior_u)
            if new < cost:
                better = (y, new, there)
                damp = max(0.2 * damp, 1e-7)
                break
            damp = 10.0 * damp
        if better is None:
            break
        gain = cost - better[1]
        x, cost, groups = better
        if gain < SMALL * cost:
            found = Found(x, cost, groups, found.jacobian)
            break
        found = Found(x, cost, groups, jacobian(x, groups))
    return found


def covariance(found: Found, prior_u: Floats) -> Floats:
    """Covariance of the unknowns. Neighbouring residuals are alike where the model is not perfect: only independent ones count."""
    hess = np.eye(prior_u.size)  # in units of the prior: seconds and pascals differ too much for one matrix
    for r, j in zip(found.groups, found.jacobian, strict=True):
        v, scaled = weights(r), j * prior_u
        scatter = max(float(np.mean(v * r * r)), 1.0)
        hess = hess + (scaled * v[:, None]).T @ scaled / (scatter * correlation(r))
    return np.asarray(np.linalg.inv(hess) * np.outer(prior_u, prior_u), dtype=np.float64)


def correlation(r: Floats) -> float:
    """Integrated autocorrelation of a series: how many neighbours count as one."""
    r = r - r.mean()
    power = float(r @ r)
    if power == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(r.size // 4, 400)):
        rho = float(r[:-lag] @ r[lag:]) / power
        if rho < 0.05:
            break
        total += 2.0 * rho
    return total


def spread(f: Callable[[Floats], float], x: Floats, cov: Floats, steps: Floats) -> float:
    """Standard uncertainty of a function of the unknowns, to first order; those whose step is zero are left out."""
    here = f(x)
    grad = np.zeros(x.size)
    for i in np.flatnonzero(steps):
        y = x.copy()
        y[i] += steps[i]
        grad[i] = (f(y) - here) / steps[i]
    return math.sqrt(max(float(grad @ cov @ grad), 0.0))
