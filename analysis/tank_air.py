"""The air in a pumped tank from its pressure alone, its warming and cooling followed: what comes in, what goes out.

A pump warms the air of the tank, and a draw cools it; a minute or two later it has the wall's temperature again. Read as if it
were always at the wall's, pressure shows leaks after each stop that are none. The energy balance of the air needs no knowledge
of the outflow, since what leaves takes along its own heat:

    off:  dT/T = (gamma - 1)/gamma dp/p - (1 - T_wall/T) dt/tau
    on:   dT/T = dp/p - x_in + x_out,   x_in = (dp/p + gamma x_out + gamma (1 - T_wall/T) dt/tau) T / (gamma T_in)

with x the share of the air that comes or goes in dt, and tau = m cp / (h A). Still air convects by itself: h goes with the fourth
root of the temperature difference. The two unknowns, tau and the temperature T_in of the
air coming in, are those that make the quiet falls after the stops a steady leak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from analysis.air import CRITICAL_RATIO, iso6358_mass_flow
from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, GAMMA, R_AIR_J_PER_KG_K

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

AT_EXCESS: Final = 0.03  # temperature difference at which the time constant is stated, relative [-]; 9 K, by choice
TAU_S: Final = 70.0  # usual time constant of still air in a tank [s]; common practice, no source
TAU_SPREAD: Final = 0.6  # standard deviation of its logarithm; common practice, no source
WARM_IN: Final = 1.09  # air from the pump over the tank's wall, absolute temperatures; common practice (25 K), no source
WARM_IN_SPREAD: Final = 0.06  # standard deviation of it; common practice, no source
EVEN_RUNS: Final = 0.04  # the strong runs stand above the middle one by no more than this where nobody works, relative; by choice
WORK_U: Final = 0.25  # standard uncertainty of the strong runs where they stand above it by more, as a share of that; by choice
EFFICIENCY_DROP: Final = 0.06  # loss of a piston pump's delivery per unit of compression ratio^0.8; common practice, no source
USUAL_COUNTS: Final = 0.6  # of the difference that the usual heat of the air would make, as a standard uncertainty; by choice
UNUSUAL_COUNTS: Final = 0.4  # the same for each standard deviation by which the fitted heat is unlike the usual one; by choice
EVEN_U: Final = 0.012  # what else may make the thirds of a run differ, relative; common practice, no source
EFFICIENCY_SPREAD: Final = 0.03  # standard deviation of it; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFlows:
    """Leak and delivery of a pumped tank, per its volume.

    Attributes
    ----------
    leak_per_s, leak_u_per_s : float
        Rate constant of the choked leak at the wall's temperature, and its standard uncertainty [1/s].
    delivery_per_s, delivery_u_per_s : float
        Free air (ANR) that the pump delivers at the reference pressure, in volumes of the tank per second, and its standard
        uncertainty [1/s]; NaN where no whole run is seen.
    tau_s : float
        Time constant of the air [s].
    quiet_share : float
        Share of the idle time in which nothing but the leak was seen [-].
    weak_runs : float
        By how much more than is usual the middle one of the runs delivers less than the strong ones, relative [-].
    """

    leak_per_s: float
    leak_u_per_s: float
    delivery_per_s: float
    delivery_u_per_s: float
    tau_s: float
    quiet_share: float
    weak_runs: float


def air_temperature(t_s: Array, p_abs_pa: Array, on: Array, leak: Array, tau_s: float, warm_in: float) -> Array:
    """Temperature of the air over the wall's, from pressure [-].

    Parameters
    ----------
    t_s, p_abs_pa : ndarray, shape (n,)
        Times [s] and absolute pressure [Pa].
    on : ndarray, shape (n - 1,)
        Share of each step in which the pump runs, 0..1.
    leak : ndarray, shape (n - 1,)
        Share of the air that leaks in each step; only used while the pump runs.
    tau_s : float
        Time constant at the median pressure and `AT_EXCESS` [s].
    warm_in : float
        Temperature of the air coming in over the wall's.

    References
    ----------
    .. [1] Laminar free convection, Nu ~ Ra^(1/4); any text of heat transfer.
    """
    steps = np.diff(np.log(p_abs_pa))
    # Free convection grows with density, the air's heat capacity too: the time constant goes about with the root.
    pace = np.diff(t_s) / (tau_s * np.sqrt(0.5 * (p_abs_pa[1:] + p_abs_pa[:-1]) / np.median(p_abs_pa)))
    out = np.empty(t_s.size)
    out[0] = theta = 1.0
    for i, (d, h, f, x) in enumerate(zip(steps.tolist(), pace.tolist(), on.tolist(), leak.tolist(), strict=True), start=1):
        cooling = (1.0 - 1.0 / theta) * min(h * (abs(theta - 1.0) / AT_EXCESS) ** 0.25, 1.0)
        idle = d * (GAMMA - 1.0) / GAMMA - cooling
        if f > 0.0:
            x_in = (d + GAMMA * x + GAMMA * cooling) * theta / (GAMMA * warm_in)
            change = f * (d - x_in + x) + (1.0 - f) * idle
        else:
            change = idle
        theta = min(max(theta * (1.0 + change), 0.5), 2.0)
        out[i] = theta
    return out


def tank_flows(
    t_s: Array,
    p_pa: Array,
    p_amb_pa: float,
    on: Array,
    settled_from_s: float,
    noise_pa: float,
    reference_pa: float,
    temp_k: float,
    runs: list[tuple[float, float]],
) -> TankFlows:
    """Find leak and delivery from a tank's pressure and the pump's running times.

    Parameters
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Block means: times [s], gauge pressure [Pa].
    p_amb_pa : float
        Ambient pressure [Pa abs].
    on : ndarray, shape (n - 1,)
        Share of each step in which the pump runs, 0..1.
    settled_from_s : float
        Time before which the air's temperature is not known [s].
    noise_pa : float
        Standard deviation of a block's mean [Pa].
    reference_pa : float
        Gauge pressure at which the delivery is stated [Pa].
    temp_k : float
        Temperature of the wall [K].
    runs : list of (start_s, stop_s)
        Whole runs of the pump [s].

    Raises
    ------
    ValueError
        If no idle stretch is long enough.
    """
    p_abs = np.maximum(p_pa + p_amb_pa, 1.0)
    windows = _windows(t_s, on, settled_from_s)
    if len(windows) < 3:
        msg = "The pump is never off for long enough to see the leak."
        raise ValueError(msg)
    phi = iso6358_mass_flow(1.0, p_amb_pa / p_abs, ANR_TEMPERATURE_K, 1.0, CRITICAL_RATIO) / ANR_DENSITY_KG_PER_M3
    rough = -float(np.median([np.log(p_abs[z] / p_abs[a]) / (t_s[z] - t_s[a]) for a, z in windows]))

    def masses(x: Array, k: float) -> Array:
        theta = air_temperature(t_s, p_abs, on, k * phi[1:] * np.diff(t_s), float(np.exp(x[0])), float(x[1]))
        return p_abs / theta

    def misfit(x: Array) -> float:
        m = masses(x, max(rough, 0.0))
        _, _, cost, _ = _leak(np.log(m), phi, t_s, windows, noise_pa / p_abs)
        cost += _evenness(t_s, m, p_abs, p_amb_pa, runs, noise_pa)
        return cost + unusual(x)

    def unusual(x: Array) -> float:
        return float(((x[0] - np.log(TAU_S)) / TAU_SPREAD) ** 2 + ((x[1] - WARM_IN) / WARM_IN_SPREAD) ** 2)

    start = np.array([np.log(TAU_S), WARM_IN])
    found = minimize(
        misfit,
        start,
        method="Nelder-Mead",
        options={"initial_simplex": start + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.06]]), "maxfev": 60, "xatol": 0.01, "fatol": 0.05},
    )
    best = np.asarray(found.x, dtype=np.float64)
    best_masses = masses(best, max(rough, 0.0))
    k, k_u, _, quiet = _leak(np.log(best_masses), phi, t_s, windows, noise_pa / p_abs)
    # How far leak and delivery go along when the air's heat is known no better than this.
    shaken = [best + np.array(d) for d in ((0.2, 0.0), (0.0, 0.03))]
    k_heat = [(_leak(np.log(masses(x, max(rough, 0.0))), phi, t_s, windows, noise_pa / p_abs)[0] - k) for x in shaken]
    # Idle times too short for the air to settle leave leak and cooling hardly apart: then what is usual counts for as much, and for
    # more where the air's heat comes out as no pump's does, as in a small tank that fills in some seconds.
    counts = max(USUAL_COUNTS, UNUSUAL_COUNTS * math.sqrt(unusual(best)))
    k_usual = (_leak(np.log(masses(start, max(rough, 0.0))), phi, t_s, windows, noise_pa / p_abs)[0] - k) * counts
    delivery = delivered(t_s, best_masses, p_abs, p_amb_pa, k * phi, runs, reference_pa, temp_k)
    d_usual = delivered(t_s, masses(start, k), p_abs, p_amb_pa, (k + k_usual / counts) * phi, runs, reference_pa, temp_k)[0]
    d_usual = (d_usual - delivery[0]) * counts
    d_heat = [delivered(t_s, masses(x, k), p_abs, p_amb_pa, k * phi, runs, reference_pa, temp_k)[0] - delivery[0] for x in shaken]
    return TankFlows(
        leak_per_s=k,
        leak_u_per_s=math.hypot(k_u, k_usual, *k_heat),
        delivery_per_s=delivery[0],
        delivery_u_per_s=math.hypot(delivery[1], d_usual, *d_heat),
        tau_s=float(np.exp(best[0])),
        quiet_share=quiet,
        weak_runs=delivery[2],
    )


def _windows(t: Array, on: Array, since: float) -> list[tuple[int, int]]:
    """Cut the idle time into windows of a few readings, none across a run."""
    idle = on <= 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], idle, [False])).astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    if lengths.size == 0:
        return []
    size = int(np.clip(np.median(lengths) // 10, 3, 30))
    out: list[tuple[int, int]] = []
    for a, z in zip(edges[::2], edges[1::2], strict=True):
        first = max(int(a), int(np.searchsorted(t, since)))
        out += [(i, i + size) for i in range(first, int(z) - size + 1, size)]
    return out


def _leak(y: Array, phi: Array, t: Array, windows: list[tuple[int, int]], noise: Array) -> tuple[float, float, float, float]:
    """Rate of the quiet windows: the slowest falls that agree with each other.

    Returns the rate [1/s], its standard error, the robust misfit, and the share of quiet windows.
    """
    a = np.array([w[0] for w in windows])
    z = np.array([w[1] for w in windows])
    size = z[0] - a[0]
    inside = a[:, None] + np.arange(size + 1)[None, :]
    tt = t[inside] - t[inside].mean(axis=1, keepdims=True)
    slope = -(tt * y[inside]).sum(axis=1) / (tt**2).sum(axis=1)
    rates = slope / np.maximum(phi[inside].mean(axis=1), 0.05)
    error = noise[inside].mean(axis=1) / np.sqrt((tt**2).sum(axis=1)) + 0.01 * abs(float(np.quantile(rates, 0.3)))
    k = float(np.quantile(rates, 0.15))
    for _ in range(12):
        quiet = rates < k + 3.0 * error
        k_new = float(np.average(rates[quiet], weights=error[quiet] ** -2.0))
        if abs(k_new - k) < 1e-4 * abs(k):
            break
        k = k_new
    off = np.minimum(((rates - k) / error) ** 2, 9.0)
    u = float(np.sqrt(np.average((rates[quiet] - k) ** 2, weights=error[quiet] ** -2.0) / max(quiet.sum() / 3.0, 1.0)))
    return k, u, float(off.sum()), float(quiet.mean())


def _evenness(t: Array, mass: Array, p_abs: Array, p_amb: float, runs: list[tuple[float, float]], noise: float) -> float:
    """Misfit of the delivery within a run: it falls a little with pressure, and by nothing else.

    The thirds of all ordinary runs are taken together by their medians, so that work in some of them does no harm.
    """
    shares: list[Array] = []
    errors: list[float] = []
    for start, stop in runs:
        inner = np.linspace(start + 0.1 * (stop - start), stop - 0.05 * (stop - start), 4)
        p = np.interp(inner, t, p_abs)
        gain = np.diff(np.interp(inner, t, mass))
        if p[-1] > 2.5 * p[0] or np.any(gain <= 0.0):
            continue
        x = (0.5 * (p[1:] + p[:-1]) / p_amb) ** 0.8
        shares.append(gain / gain.mean() + EFFICIENCY_DROP * (x - x.mean()))
        errors.append(1.5 * noise / float(gain.mean()))
    if not shares:
        return 0.0
    middle = np.median(shares, axis=0)
    sigma = np.hypot(EVEN_U, float(np.median(errors)) / np.sqrt(len(shares)))
    return float(np.sum(((middle - middle.mean()) / sigma) ** 2))


def delivered(
    t: Array, mass: Array, p_abs: Array, p_amb: float, leaking: Array, runs: list[tuple[float, float]], reference_pa: float, temp_k: float
) -> tuple[float, float, float]:
    """Free air that the pump delivers at the reference pressure.

    Parameters
    ----------
    t, mass, p_abs : ndarray, shape (n,)
        Times [s], pressure over temperature relative to the wall's [Pa], absolute pressure [Pa].
    p_amb : float
        Ambient pressure [Pa abs].
    leaking : ndarray, shape (n,)
        Share of the air that leaks in a second [1/s].
    runs : list of (start_s, stop_s)
        Whole runs of the pump [s].
    reference_pa : float
        Gauge pressure at which the delivery is stated [Pa].
    temp_k : float
        The wall's temperature [K].

    Returns
    -------
    delivery, u, weak : float
        In volumes of the tank per second, and its standard uncertainty [1/s], NaN without a run; by how much more than is usual the
        middle one of the runs is weaker than the strong ones, relative [-].
    """
    rate: list[float] = []
    ratio: list[float] = []
    length: list[float] = []
    run: list[int] = []
    for n, (start, stop) in enumerate(runs):
        # Within an ordinary run the air's warming hides how delivery falls with pressure; a pump-up from empty shows it.
        low, high = np.interp((start, stop), t, p_abs)
        parts = 6 if high > 2.5 * low else 1
        # Block means round the turns off: keep clear of them.
        clear = min(1.0 * float(np.median(np.diff(t))), 0.2 * (stop - start))
        inner = np.linspace(start + clear, stop - clear, parts + 1)
        m = np.interp(inner, t, mass)
        for i in range(parts):
            here = (t >= inner[i]) & (t <= inner[i + 1])
            lost = float(np.mean((leaking * mass)[here])) if here.any() else 0.0
            rate.append(float((m[i + 1] - m[i]) / (inner[i + 1] - inner[i])) + lost)
            ratio.append(float(np.mean(p_abs[here])) / p_amb if here.any() else float(np.interp(inner[i], t, p_abs)) / p_amb)
            run.append(n)
            length.append(float(inner[i + 1] - inner[i]))
    if not rate:
        return float("nan"), float("nan"), 0.0
    # From pressure over the wall's temperature to free air of the tank's volume.
    q = np.array(rate) / R_AIR_J_PER_KG_K / temp_k / ANR_DENSITY_KG_PER_M3
    at = (p_amb + reference_pa) / p_amb
    x = np.array(ratio) ** 0.8 - at**0.8
    w = np.array(length)
    # Work while the pump runs makes it look weak: the strong runs count.
    even = q * (1.0 + EFFICIENCY_DROP * x)
    own = np.array(run)
    of_run = np.array([float(np.average(even[own == i], weights=w[own == i])) for i in range(own[-1] + 1)])
    if not float(np.quantile(of_run, 0.9)) > 0.0:
        return float("nan"), float("nan"), 0.0
    best = float(np.quantile(of_run, 0.9))
    strong = of_run[own] > 0.97 * best
    weak = max(1.0 - float(np.median(of_run)) / best - EVEN_RUNS, 0.0)
    q, x, w = q[strong], x[strong], w[strong]
    level = float(np.average(q, weights=w))
    basis = np.column_stack((np.ones_like(x), -x)) * np.sqrt(w / w.mean())[:, None]
    target = q * np.sqrt(w / w.mean())
    sigma = max(float(np.std(q)), 0.01 * level)
    normal = basis.T @ basis / sigma**2
    normal[1, 1] += 1.0 / (EFFICIENCY_SPREAD * level) ** 2
    right = basis.T @ target / sigma**2
    right[1] += EFFICIENCY_DROP * level / (EFFICIENCY_SPREAD * level) ** 2
    value = np.linalg.solve(normal, right)
    # Where most runs look weaker the strongest may do so too, and the air's heat is told less well.
    u = math.hypot(float(np.sqrt(np.linalg.inv(normal)[0, 0])), 0.008 * float(value[0]), WORK_U * weak * float(value[0]))
    return float(value[0]), u, weak
