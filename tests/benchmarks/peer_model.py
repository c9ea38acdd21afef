"""The line model as a system of ordinary differential equations for `scipy.integrate.solve_ivp`, to time our own solver against.

The right-hand side is the very same: limited slopes, HLLC fluxes, friction, wall heat and their memory, links and volumes, by the same
compiled functions. What differs is who goes forward in time.
"""

from __future__ import annotations

import itertools
import math
import time
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from analysis.constants import CP_J_PER_KG_K, CV_J_PER_KG_K, GAMMA, PRANDTL, R_AIR_J_PER_KG_K
from analysis.hose_flow import COEF0, FLUX0, RATE, ROW, ROWS, WEIGHT, inner_fluxes, predict_hose, refresh_hose
from analysis.jit import PLAIN_LOOPS
from analysis.line_records import DRAIN
from analysis.model import Network, settled
from analysis.model import _tables as tables_of
from analysis.network import Tables, _links, _sides

Floats = NDArray[np.float64]
NOW = 1e-9  # a step so short that the half-time states are those of now
W, COEF, FLUX = 0, int(COEF0) // ROW, int(FLUX0) // ROW  # the solver's rows, as a table's


@numba.njit(**PLAIN_LOOPS)
def slope(y: Floats, out: Floats, rate: float, line: Tables, row: Floats, kept: Floats) -> None:
    """Write dy/dt to out. y: mass and energy of each volume, then for each cell density, momentum, energy and eight terms of memory."""
    store, side, joint, hose, g = line.store, line.side, line.joint, line.hose, line.g
    at = np.int64(0)
    for s in range(store.shape[0]):
        st = store[s]
        if st.hose < 0:
            st.kg, st.energy_j = y[at], y[at + 1]
            st.temp_k = st.energy_j / (st.kg * CV_J_PER_KG_K)
            side[s, 0].now_pa = side[s, 1].now_pa = (GAMMA - 1.0) * st.energy_j / st.m3
            at += 2
    cells = at
    for h in range(hose.shape[0]):
        a, b = np.int64(hose[h].first), np.int64(hose[h].end)
        for i in range(a, b):
            k = at + 11 * (i - a)
            r, u = y[k], y[k + 1] / y[k]
            row[W, i], row[W + 1, i], row[W + 2, i] = r, u, (GAMMA - 1.0) * (y[k + 2] - 0.5 * r * u * u)
            row[W + 3, i] = row[W + 2, i] / (r * R_AIR_J_PER_KG_K)
            row[W + 4, i] = math.sqrt(GAMMA * row[W + 2, i] / r)
        _, nu, re = refresh_hose(hose[h], 1.0, g)
        kept[h, 0], kept[h, 1] = nu / (0.25 * hose[h].bore_m * hose[h].bore_m), re
        for j in range(3):
            row[W + j, a - 1] = row[W + j, a]
            row[W + j, b] = row[W + j, b - 1]
        predict_hose(hose[h], 0.0, g)
        inner_fluxes(hose[h], g)
        at += 11 * (b - a)
    tool = store[store.shape[0] - 1]
    tool.loss = rate * tool.kg
    _sides(NOW, store, side, joint, hose, g)
    _links(NOW, store, side, joint, hose, line.el, g, line.books[0])
    at = np.int64(0)
    for s in range(store.shape[0]):
        st, come, go = store[s], joint[s], joint[s + 1]
        if st.hose < 0:
            dh = come.q * come.temp_k - go.q * go.temp_k - st.loss * st.temp_k
            out[at] = come.q - go.q - st.loss
            out[at + 1] = dh * CP_J_PER_KG_K + st.wall_w_per_k * (st.wall_temp_k - st.temp_k)
            at += 2
    at = cells
    for h in range(hose.shape[0]):
        a, b, dx = np.int64(hose[h].first), np.int64(hose[h].end), hose[h].dx_m
        per_radius, re = kept[h, 0], kept[h, 1]
        faster = re ** math.log10(15.29 / re**0.0567) / 12.86 if re > 2000.0 else 0.0
        for i in range(a, b):
            k = at + 11 * (i - a)
            r, u = row[W, i], row[W + 1, i]
            t = row[W + 2, i] / (r * R_AIR_J_PER_KG_K)
            d0 = (row[FLUX, i] - row[FLUX, i + 1]) / dx
            d1 = (row[FLUX + 1, i] - row[FLUX + 1, i + 1]) / dx
            d2 = (row[FLUX + 2, i] - row[FLUX + 2, i + 1]) / dx
            du = (d1 - u * d0) / r - (row[COEF, i] + row[COEF + 1, i] * abs(u)) * u
            # Friction leaves the total energy as it is: what the motion loses becomes heat.
            dt = (d2 - (CV_J_PER_KG_K * t + 0.5 * u * u) * d0) / (r * CV_J_PER_KG_K)
            heat = row[COEF + 2, i] * (hose[h].wall_temp_k - t)
            past_u = y[k + 3] + y[k + 4] + y[k + 5] + y[k + 6]
            past_t = y[k + 7] + y[k + 8] + y[k + 9] + y[k + 10]
            du -= 4.0 * per_radius * past_u
            heat -= 4.0 * GAMMA / PRANDTL * per_radius * past_t * r * CV_J_PER_KG_K
            dt += (heat - r * u * du) / (r * CV_J_PER_KG_K)
            out[k], out[k + 1], out[k + 2] = d0, u * d0 + r * du, d2 + heat
            for j in range(4):
                fades = (RATE[j] + faster) * per_radius
                out[k + 3 + j] = WEIGHT[j] * du - fades * y[k + 3 + j]
                out[k + 7 + j] = WEIGHT[j] * dt - fades / PRANDTL * y[k + 7 + j]
        at += 11 * (b - a)


def start(net: Network, supply_abs_pa: float) -> Floats:
    """State of a line at rest."""
    state = settled(net, supply_abs_pa)
    parts = [np.stack([state.vol_m, state.vol_e], axis=1).ravel()]
    for a, b in zip(net.hose["first"], net.hose["end"], strict=True):
        cells = np.zeros((b - a, 11))
        cells[:, :3] = state.cons[:, a:b].T
        parts.append(cells.ravel())
    return np.concatenate(parts)


def chamber(
    net: Network,
    shots_s: Floats,
    duration_s: float,
    *,
    supply_abs_pa: float,
    method: str,
    rtol: float,
    rate_hz: float,
    patience_s: float = math.inf,
) -> Floats:
    """Pressure in the tool's chamber [Pa abs] over a schedule of shots, by solve_ivp; the pump must not run meanwhile.

    Raises
    ------
    TimeoutError
        If it takes longer than `patience_s` of the processor's time.
    """
    until = time.process_time() + patience_s
    line = tables_of(net, settled(net, supply_abs_pa), np.empty(0, dtype=DRAIN), ())
    row, kept = line.g.reshape(ROWS, ROW), np.zeros((net.hose.shape[0], 2))
    j = int(net.index[-1])
    y, volume = start(net, supply_abs_pa), float(net.volume["m3"][j])
    n_cells = (y.size - 2 * net.volume.shape[0]) // 11
    typical = np.concatenate([y[: 2 * net.volume.shape[0]], np.tile([10.0, 100.0, 2e6, *[10.0] * 8], n_cells)])
    out = np.empty_like(y)

    def right_hand_side(_t: float, state: Floats, rate: float) -> Floats:
        if time.process_time() > until:
            raise TimeoutError
        slope(state, out, rate, line, row, kept)
        return out.copy()

    shot = net.shot[0]
    ends = sorted({0.0, duration_s, *shots_s, *(shots_s + shot["lasts_s"])})
    times, pressures = np.arange(int(duration_s * rate_hz + 1e-9) + 1) / rate_hz, []
    for a, b in itertools.pairwise(ends):
        rate = 0.0
        if a in shots_s:
            p = (GAMMA - 1.0) * y[2 * j + 1] / volume
            rate = -math.log(1.0 - shot["kg"] * p / shot["reference_pa"] / y[2 * j]) / shot["lasts_s"]
        wanted = times[(times >= a) & (times < b)]
        solve: Any = solve_ivp  # its stubs cannot follow `args`
        got = solve(
            right_hand_side, (a, b), y, method=method, t_eval=np.append(wanted, b), rtol=rtol, atol=rtol * 0.1 * typical, args=(rate,)
        )
        if not got.success:
            raise RuntimeError(got.message)
        pressures.append((GAMMA - 1.0) * got.y[2 * j + 1, : wanted.size] / volume)
        y = got.y[:, -1]
    return np.concatenate([*pressures, [(GAMMA - 1.0) * y[2 * j + 1] / volume]])
