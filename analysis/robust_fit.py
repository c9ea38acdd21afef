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
ENOUGH: Final = 0.3  # gain, in squares of standard uncertainties, at which the search ends
OLDEST: Final = 2  # steps that derivatives are used for again
CRAWL: Final = 6  # rounds over which a search must gain
CRAWLS: Final = 0.02  # this share of what it leaves beyond the readings' uncertainty; else it creeps along a valley that leads nowhere


@dataclass(slots=True)
class Found:
    """Where a search stands: unknowns, cost, residuals in groups, their derivatives there, and whether it found no better place."""

    x: Floats
    cost: float
    groups: list[Floats]
    jacobian: list[Floats]
    ended: bool = False

    @property
    def excess(self) -> float:
        """What the cost is beyond that of noise alone."""
        return self.cost - sum(r.size for r in self.groups)


def soft(r: Floats) -> float:
    """Sum of squares in which large residuals count less."""
    c2 = TURN * TURN
    return float(np.sum(2.0 * c2 * (np.sqrt(1.0 + r * r / c2) - 1.0)))


def _cost(groups: Sequence[Floats], x: Floats, prior_u: Floats) -> float:
    return sum(soft(r) for r in groups) + float(np.sum((x / prior_u) ** 2))


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


def _normal(j: Floats, w: Floats) -> Floats:
    """J^T W J. Not by a matrix product: its threads wait for each other, and on a busy machine that takes longer than the line model."""
    return np.asarray(np.einsum("ni,n,nj->ij", j, w, j, optimize=False), dtype=np.float64)


def search(misfit: Misfit, start: Floats, *, rounds: int) -> Found:
    """Levenberg-Marquardt with a soft loss, a prior and bounds, in at most so many rounds.

    Derivatives cost a run of the model for each unknown, so they are used again as long as the misfit falls as they foretell.
    """
    prior_u, bound = misfit.prior_u, misfit.bound
    x = np.clip(start, -bound, bound)
    groups = misfit.residuals(x)
    found = Found(x, _cost(groups, x, prior_u), groups, misfit.jacobian(x, groups))
    damp, age, costs = 1e-3, 0, [found.cost]
    for _ in range(rounds):
        step, foretold, damp = _step(misfit, found, damp, tries=2 if age else 6)
        gain = found.cost - step.cost if step else 0.0
        found = step or found
        if gain < ENOUGH and age == 0:
            found.ended = True
            break
        costs.append(found.cost)
        if len(costs) > CRAWL and costs[-1 - CRAWL] - found.cost < CRAWLS * found.excess:
            break
        age += 1
        if gain < ENOUGH or gain < 0.5 * foretold or age > OLDEST:
            found.jacobian, age = misfit.jacobian(found.x, found.groups), 0
    return found


def _step(misfit: Misfit, at: Found, damp: float, *, tries: int) -> tuple[Found | None, float, float]:
    """One step that lowers the cost, if there is one; by how much the derivatives foretold; and the damping to go on with."""
    u, x, bound = misfit.prior_u, at.x, misfit.bound
    hess, grad = np.eye(x.size), x / u  # in units of the prior: seconds and pascals differ too much for one matrix
    for r, j in zip(at.groups, at.jacobian, strict=True):
        w, scaled = weights(r), j * u
        hess += _normal(scaled, w)
        grad = grad + scaled.T @ (w * r)
    free = ~(((x >= bound) & (grad < 0.0)) | ((x <= -bound) & (grad > 0.0)))
    a = hess[np.ix_(free, free)]
    for _ in range(tries):
        z = np.zeros(x.size)
        z[free] = -np.linalg.solve(a + damp * np.diag(np.diag(a)), grad[free])
        y = np.clip(x + np.clip(u * z, -0.4 * bound, 0.4 * bound), -bound, bound)
        try:
            groups = misfit.residuals(y)
        except ValueError:  # the line model cannot follow so far
            damp *= 10.0
            continue
        cost = _cost(groups, y, u)
        if cost < at.cost:
            return Found(y, cost, groups, at.jacobian), -float(2.0 * grad @ z + z @ hess @ z), max(0.2 * damp, 1e-7)
        damp *= 10.0
    return None, 0.0, damp


def covariance(found: Found, prior_u: Floats) -> Floats:
    """Covariance of the unknowns. Neighbouring residuals are alike where the model is not perfect: only independent ones count."""
    hess = np.eye(prior_u.size)  # in units of the prior: seconds and pascals differ too much for one matrix
    for r, j in zip(found.groups, found.jacobian, strict=True):
        v, scaled = weights(r), j * prior_u
        scatter = max(float(np.mean(v * r * r)), 1.0)
        hess += _normal(scaled, v) / (scatter * correlation(r))
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


def spread_far(f: Callable[[Floats], float], x: Floats, cov: Floats, which: NDArray[np.bool_], unit: Floats) -> float:
    """Standard uncertainty of a function that may bend, over the unknowns `which`.

    Half its larger change over two standard uncertainties to both sides, along each principal axis of their covariance in given units.
    """
    here, total = f(x), 0.0
    size, axes = np.linalg.eigh((cov / np.outer(unit, unit))[np.ix_(which, which)])
    for far in (2.0 * np.sqrt(np.maximum(size, 0.0)) * axes).T:
        changes = []
        for side in (far, -far):
            y = x.copy()
            y[which] += unit[which] * side
            changes.append(abs(f(y) - here))
        total += (0.5 * max(changes)) ** 2
    return math.sqrt(total)
