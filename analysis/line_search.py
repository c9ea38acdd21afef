"""Where a line fit begins and how it ends: starting points read off the recording, the search from them, and what it leaves unexplained."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3, R_AIR_J_PER_KG_K
from analysis.line_unknowns import Problem, air_volume
from analysis.model import chamber_volume
from analysis.robust_fit import Found, correlation, covariance, search, soft, weights
from analysis.steady import steady_loss

Floats = NDArray[np.float64]

FIRST_ROUNDS: Final = 12  # enough to see which valley is the deepest
ROUNDS: Final = 25
MORE: Final = 4  # times so many, for the best of all searches
TAPS_PA: Final = (0.0, -8e3, 8e3)  # what the tap beside the nozzle may show too much, to begin with
MOMENTS_S: Final = np.linspace(-0.03, 0.03, 31)
HOPE: Final = 0.1  # share of what is left beyond noise that each of them must gain to be followed by another
NOISY: Final = 1.15  # what an episode may leave, over its uncertainty, before the search is begun elsewhere as well
STRAINED: Final = 2.5  # standard deviations from what was expected, at which a regulated line is sought elsewhere as well
RIVAL: Final = 8.0  # by how much, in squares of standard uncertainties, another valley may be shallower and still count


def solve(problem: Problem) -> tuple[Found, Floats]:
    """Search from several starts where the first leaves more than noise: the best, and the covariance of the unknowns.

    With a nozzle the misfit has more than one valley from the beginning: what its tap, its valve and the tool's chamber do as it
    opens can pass for one another. The covariance is wide enough to reach other places that fit nearly as well.
    """

    def begin(**values: float) -> Floats:
        x = np.zeros(len(problem.unknowns))
        for name, value in values.items():
            if (i := problem.index.get(name.replace("__", "."))) is not None:
                x[i] = value
        return np.clip(x, -0.9 * problem.bound, 0.9 * problem.bound)

    usual = {"tool__chamber": _seed_chamber(problem, np.zeros(len(problem.unknowns))), **_seed_supply(problem)}
    weighed, nozzle = _seed_room(problem), any(e.blows for e in problem.episodes)
    starts = [begin(**usual, **weighed, tap=tap) for tap in (TAPS_PA if nozzle else (0.0,))]
    regulated = any(p.kind == "regulator" for p in problem.line.parts)
    if "supply.conductance" in problem.index and "supply__conductance" not in usual and not regulated:
        starts.append(begin(**usual, **weighed, supply__conductance=-1.5))
    if len(starts) > 1:
        brief = problem.brief()
        tried = [search(brief, _timed(brief, brief.start_from(problem, s)), rounds=FIRST_ROUNDS) for s in starts]
        best = search(brief, min(tried, key=lambda found: found.cost).x, rounds=ROUNDS)
        starts = [problem.start_from(brief, best.x)]
    found = [search(problem, starts[0], rounds=ROUNDS)]
    others: list[Callable[[], Floats]] = [lambda: begin(**usual)]
    if not regulated:  # behind one what the nozzle alone tells leads astray
        others.append(lambda: _in_two(problem, begin(**usual, **weighed)))
    for elsewhere in others:
        if not any(_plausible(problem, f) for f in found) and not np.array_equal(x := elsewhere(), starts[0]):
            found.append(search(problem, x, rounds=ROUNDS))
    found.sort(key=lambda f: f.cost)
    best = _to_its_end(problem, found[0]) if nozzle else found[0]
    # Neighbouring residuals are alike, and the model is not perfect: so much less does a difference in cost mean.
    means = max(_above_noise(best), 1.0) ** 2 * max(correlation(r) for r in best.groups)
    cov = covariance(best, problem.prior_u)
    for rival in found[1:]:
        if (rival.cost - best.cost) / means < RIVAL:
            away = rival.x - best.x
            if "share" in problem.index:  # of a shot's air only the product counts, chamber times share
                away[problem.index["tool.chamber"]] += away[problem.index["share"]]
                away[problem.index["share"]] = 0.0
            cov = cov + 0.5 * np.outer(away, away)
    return best, cov


def _to_its_end(problem: Problem, found: Found) -> Found:
    """Go on with a search that its rounds cut off, or that stands where more than noise is left: some valleys are long and flat."""
    for _ in range(MORE):
        if found.ended and _above_noise(found) <= NOISY:
            break
        before, found = found, search(problem, found.x, rounds=ROUNDS)
        if before.cost - found.cost < max(RIVAL, HOPE * found.excess):
            break
    return found


def _timed(problem: Problem, x: Floats) -> Floats:
    """Let each episode begin when it fits best; that takes no run of the model. A search that begins beside it goes astray."""
    x = x.copy()
    for k in range(len(problem.episodes)):
        i = problem.index[f"moment{k}"]
        costs = []
        for moment in MOMENTS_S:
            x[i] = moment
            costs.append(soft(problem.residual(k, x)) + (moment / problem.prior_u[i]) ** 2)
        x[i] = MOMENTS_S[int(np.argmin(costs))]
    return x


def _in_two(problem: Problem, x: Floats) -> Floats:
    """Where to begin after the nozzle alone has told of the line: shots fitted to a wrong line would hold the search there."""
    nozzle = Problem(problem.line, [e for e in problem.episodes if e.blows], problem.chosen, problem.cell_m)
    if not nozzle.episodes or len(nozzle.episodes) == len(problem.episodes):
        return x
    alone = problem.start_from(nozzle, search(nozzle, nozzle.start_from(problem, x), rounds=ROUNDS).x)
    alone[problem.index["tool.chamber"]] = _seed_chamber(problem, alone)
    return alone


def _above_noise(found: Found) -> float:
    """What the worst episode leaves, over its uncertainty; spikes count less."""
    return max(math.sqrt(float(np.mean(weights(r) * r * r))) for r in found.groups)


def _plausible(problem: Problem, found: Found) -> bool:
    """Whether a search left no more than noise and, behind a regulator, neither hoses nor their heat are far from what was expected.

    Room and heat of shut-in air can pass for each other. Hoses narrower than they are sold are no rarity.
    """
    if _above_noise(found) > NOISY:
        return False
    if not any(p.kind == "regulator" for p in problem.line.parts):
        return True
    z = found.x / problem.prior_u
    wider = [z[i] for name, i in problem.index.items() if name.endswith(".bore")]
    return bool(max(abs(z[problem.index["heat"]]), *wider) < STRAINED)


def _seed_room(problem: Problem) -> dict[str, float]:
    """Weigh the air with the shut nozzle, before and after at the wall's temperature: a receiver's room or, without one, the bores."""
    line = problem.line
    e = next((e for e in problem.episodes if e.shut), None)
    labels = line.labels()
    hoses = [labels[i] for i, p in enumerate(line.parts) if p.kind == "hose"]
    vessels = [i for i, p in enumerate(line.parts) if p.kind == "receiver"]
    if e is None or len(vessels) > 1 or not (vessels or hoses):
        return {}
    end = float(np.median(e.tool_pa[e.since_s > e.since_s[-1] - 1.0]))
    mean_abs = 0.5 * (e.start_tool_pa + end) + line.site.p_amb_pa
    if e.start_tool_pa - end < 0.02 * mean_abs:
        return {}
    blown_kg = e.nozzle_c * ANR_DENSITY_KG_PER_M3 * mean_abs * sum(lasts for _, lasts in e.blows)
    room = blown_kg * R_AIR_J_PER_KG_K * line.site.temperature_k / (e.start_tool_pa - end)
    nominal = air_volume(line)
    if vessels:
        volume = line.parts[vessels[0]].volume_m3 or 0.0
        return {f"{labels[vessels[0]]}__volume": math.log(max((room - nominal) / volume + 1.0, 0.2))}
    chamber = chamber_volume(line)
    widening = 0.5 * math.log(max((room - chamber) / (nominal - chamber), 0.3))
    return {f"{label}__bore": widening for label in hoses}


def _seed_supply(problem: Problem) -> dict[str, float]:
    """Conductance of the supply from the loss that the longest nozzle showed."""
    line, opened = problem.line, [e for e in problem.episodes if e.blows and not e.shut]
    regulated = any(p.kind == "regulator" for p in line.parts)
    if opened and line.receiver is None and line.parts[0].conductance is not None and not regulated:
        e = max(opened, key=lambda e: e.blows[0][1])
        late = e.since_s > e.since_s[-1] - 0.3 if e.blows[0][1] > 2.0 else (e.since_s > 0.9 * e.blows[0][1]) & (e.since_s < e.blows[0][1])
        before = e.start_tool_pa
        fall = before - float(np.median(e.tool_pa[late])) if late.any() else 0.0
        flow = 0.97 * e.nozzle_c * (before + line.site.p_amb_pa)
        low, high = -4.0, 1.0
        for _ in range(20):
            mid = 0.5 * (low + high)
            lost = steady_loss(line.with_part(0, conductance=line.parts[0].conductance * math.exp(mid)), flow, inlet_pa=before).loss_pa
            low, high = (low, mid) if math.isfinite(lost) and lost < fall else (mid, high)
        return {"supply__conductance": min(max(0.5 * (low + high), -3.5), 0.5)}
    return {}


def _seed_chamber(problem: Problem, near: Floats) -> float:
    """Logarithm by which the chamber must grow for the first shot's dip to be as deep as measured, all else as it is near."""
    k = next((k for k, e in enumerate(problem.episodes) if not e.blows), None)
    x = near.copy()
    i = problem.index["tool.chamber"]
    x[i] = -0.5
    if k is not None:
        e = problem.episodes[k]
        for _ in range(3):
            model = e.start_tool_pa - float(problem.trace(k, x).tool.min())
            x[i] = np.clip(x[i] + math.log((e.start_tool_pa - float(e.tool_pa.min())) / max(model, 1.0)), -2.5, 2.0)
    return float(x[i])


def left(problem: Problem, found: Found) -> float:
    """Root mean square of what the fit leaves at the tool [Pa]."""
    parts = [r[: e.sigma_pa.size] * e.sigma_pa for r, e in zip(found.groups, problem.episodes, strict=True)]
    return float(np.sqrt(np.mean(np.concatenate(parts) ** 2)))


def misfits(problem: Problem, found: Found) -> Floats:
    """What the fit leaves in each episode beyond the readings' uncertainty, root mean square over the episode's deepest fall."""
    out = []
    for r, e in zip(found.groups, problem.episodes, strict=True):
        of_tool = r[: e.sigma_pa.size]
        beyond = float(np.mean((of_tool**2 - 1.0) * e.sigma_pa**2))
        out.append(math.sqrt(max(beyond, 0.0)) / max(e.start_tool_pa - float(e.tool_pa.min()), 1.0))
    return np.array(out)
