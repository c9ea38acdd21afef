"""The compiled run of a whole line: stores and links over time, with compressor, shots, drains, leaks and the books of mass and energy."""

from __future__ import annotations

import math

import numpy as np

from analysis.constants import CP_J_PER_KG_K, CV_J_PER_KG_K, GAMMA, R_AIR_J_PER_KG_K
from analysis.hose import RATE, REFRESH, WEIGHT, _fast, advance_hose, inner_fluxes, link_flow, predict_hose, refresh_hose

# Columns of the tables that describe a line to the compiled code.
# volume: 0 V [m3], 1 wall conductance hA [W/K], 2 wall temperature [K], 3 and 4 scratch
# hose:   0 first cell, 1 end cell (with room for a ghost before and after), 2 dx [m], 3 area [m2], 4 bore [m], 5 roughness [m],
#         6 wall [K]
# element: k = C rho0 sqrt(T0) [kg K^0.5/(s Pa)], b, kind, set point [Pa abs], droop [Pa]
# drain:  0 store, 1 from [s], 2 until [s], 3 k, 4 b
# pump:   0 mass flow [kg/s], 1 cut-in, 2 cut-out [Pa abs], 3 temperature of its air [K], 4 runs at the start
# shot:   0 mass at the reference pressure [kg], 1 reference [Pa abs], 2 duration [s]


@_fast
def _end_flux(
    q: float, p: float, t_up: float, enters: bool, r_cell: float, p_cell: float, area: float, i: int, flux: np.ndarray, face: np.ndarray
) -> None:
    """State and fluxes at a hose's end, from the flow through the link there and the pressure it leaves."""
    if enters:  # the air brings the stagnation temperature of where it comes from
        r = p / (R_AIR_J_PER_KG_K * t_up)
        for _ in range(3):
            u = q / (area * r)
            r = p / (R_AIR_J_PER_KG_K * max(t_up - 0.5 * u * u / CP_J_PER_KG_K, 0.5 * t_up))
    else:  # isentropic from the cell
        r = r_cell * (p / p_cell) ** (1.0 / GAMMA)
    u = q / (area * r)
    face[0], face[1], face[2] = r, u, p
    flux[0, i] = q / area
    flux[1, i] = q / area * u + p
    flux[2, i] = q / area * CP_J_PER_KG_K * t_up


@_fast
def _stagnation(
    s: int,
    is_hose: np.ndarray,
    index: np.ndarray,
    hose: np.ndarray,
    lo: np.ndarray,
    hi: np.ndarray,
    vol_m: np.ndarray,
    vol_e: np.ndarray,
    at_outlet: bool,
) -> float:
    """Stagnation temperature of what leaves store s at its outlet (or, flowing back, at its inlet)."""
    j = index[s]
    if not is_hose[s]:
        return vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
    if at_outlet:
        i = int(hose[j, 1]) - 1
        return hi[2, i] / (hi[0, i] * R_AIR_J_PER_KG_K) + 0.5 * hi[1, i] ** 2 / CP_J_PER_KG_K
    i = int(hose[j, 0])
    return lo[2, i] / (lo[0, i] * R_AIR_J_PER_KG_K) + 0.5 * lo[1, i] ** 2 / CP_J_PER_KG_K


@_fast
def run(
    duration: float,
    cfl: float,
    memory: float,
    p_amb: float,
    is_hose: np.ndarray,
    index: np.ndarray,
    volume: np.ndarray,
    vol_m: np.ndarray,
    vol_e: np.ndarray,
    hose: np.ndarray,
    cons: np.ndarray,
    link: np.ndarray,
    el_k: np.ndarray,
    el_b: np.ndarray,
    el_kind: np.ndarray,
    el_set: np.ndarray,
    el_droop: np.ndarray,
    drain: np.ndarray,
    pump: np.ndarray,
    shot: np.ndarray,
    shots: np.ndarray,
    out_dt: float,
    out_p: np.ndarray,
    out_q: np.ndarray,
    shot_out: np.ndarray,
    books: np.ndarray,
) -> int:
    """Run a line. Fills out_p (sample, store, inlet and outlet end), out_q (sample, link), shot_out (shot: before, lowest, mass) and books.

    vol_m, vol_e and cons hold the state: given at the start, left at the end. Returns the number of steps, or -1 when the state left
    its range.
    """
    n_store, n_link, n_hose = is_hose.shape[0], link.shape[0], hose.shape[0]
    cells = cons.shape[1]
    w = np.ones((3, cells))
    coef = np.zeros((4, cells))
    f = np.zeros((2, cells))
    lo, hi, mid = np.ones((3, cells)), np.ones((3, cells)), np.ones((3, cells))
    flux = np.zeros((3, cells + 1))
    hist = np.zeros((8, cells))
    fade_u, gain_u, fade_t, gain_t = np.zeros((n_hose, 4)), np.zeros((n_hose, 4)), np.zeros((n_hose, 4)), np.zeros((n_hose, 4))
    unsteady = np.zeros((n_hose, 2))
    mean = np.zeros(2)
    ends = np.zeros((n_store, 2))  # pressure at the inlet and outlet end of each store
    face = np.zeros((n_hose, 2, 3))  # state at both faces of a hose
    last = np.zeros((n_store, 2))
    q = np.zeros(n_link)
    q_old = np.zeros(n_link)
    loss = np.zeros(n_store)  # mass flow out of a store by drains, leaks and shots

    for h in range(n_hose):
        a, b = int(hose[h, 0]), int(hose[h, 1])
        for i in range(a, b):
            w[0, i] = cons[0, i]
            w[1, i] = cons[1, i] / cons[0, i]
            w[2, i] = (GAMMA - 1.0) * (cons[2, i] - 0.5 * cons[1, i] * w[1, i])
        for k in range(3):
            face[h, 0, k], face[h, 1, k] = w[k, a], w[k, b - 1]
    for s in range(n_store):
        j = index[s]
        if is_hose[s]:
            ends[s, 0], ends[s, 1] = face[j, 0, 2], face[j, 1, 2]
        else:
            ends[s, 0] = ends[s, 1] = (GAMMA - 1.0) * vol_e[j] / volume[j, 0]
        last[s, 0], last[s, 1] = ends[s, 0], ends[s, 1]

    t, dt, steps, sample, now = 0.0, 0.0, 0, 0, -1
    running = pump[4] > 0.5
    rate, fire_until = 0.0, -1.0
    n_out, n_shot = out_p.shape[0], shots.shape[0]
    tool_store, inlet_store = n_store - 1, n_store - 2
    while sample < n_out and out_dt * sample <= 0.0:
        out_p[sample] = ends
        sample += 1
    while t < duration - 1e-12:
        if steps % REFRESH == 0:
            dt = 2e-3
            for h in range(n_hose):
                a, b = int(hose[h, 0]), int(hose[h, 1])
                fastest = refresh_hose(a, b, hose[h, 4], hose[h, 5], hose[h, 6], memory, w, coef, mean)
                if not fastest < 5e3:
                    return -1
                dt = min(dt, cfl * hose[h, 2] / fastest)
                radius2 = 0.25 * hose[h, 4] ** 2
                turbulent = 0.0
                if mean[1] > 2000.0:
                    turbulent = mean[1] ** math.log10(15.29 / mean[1] ** 0.0567) / 12.86
                unsteady[h, 0] = memory * 4.0 * mean[0] / radius2
                unsteady[h, 1] = memory * 4.0 * GAMMA * mean[0] / (0.71 * radius2)
                for j in range(4):
                    x = (RATE[j] + turbulent) * mean[0] / radius2 * dt
                    fade_u[h, j] = math.exp(-x)
                    gain_u[h, j] = WEIGHT[j] * (1.0 - fade_u[h, j]) / x
                    x /= 0.71
                    fade_t[h, j] = math.exp(-x)
                    gain_t[h, j] = WEIGHT[j] * (1.0 - fade_t[h, j]) / x
            step_dt = dt
        dt = min(step_dt, duration - t)

        # Half-time states of the hoses.
        for h in range(n_hose):
            a, b = int(hose[h, 0]), int(hose[h, 1])
            for k in range(3):
                w[k, a - 1] = 2.0 * face[h, 0, k] - w[k, a]
                w[k, b] = 2.0 * face[h, 1, k] - w[k, b - 1]
            predict_hose(a, b, dt / hose[h, 2], dt, w, f, coef, lo, hi, mid)
            inner_fluxes(a, b, lo, hi, flux)

        # What leaves the stores otherwise: leaks and test nozzles, and the tool's shot.
        for s in range(n_store):
            loss[s] = 0.0
        for d in range(drain.shape[0]):
            on = min(t + dt, drain[d, 2]) - max(t, drain[d, 1])
            if on > 0.0:
                s = int(drain[d, 0])
                j = index[s]
                if is_hose[s]:
                    i = int(hose[j, 1]) - 1
                    p, temp = mid[2, i], mid[2, i] / (mid[0, i] * R_AIR_J_PER_KG_K)
                else:
                    p, temp = (GAMMA - 1.0) * vol_e[j] / volume[j, 0], vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
                    p += 0.5 * dt * GAMMA * R_AIR_J_PER_KG_K * temp / volume[j, 0] * (q_old[max(s - 1, 0)] * (s > 0) - loss[s])
                if p > p_amb:
                    x = max((p_amb / p - drain[d, 4]) / (1.0 - drain[d, 4]), 0.0)
                    loss[s] += on / dt * drain[d, 3] * p / math.sqrt(temp) * math.sqrt(max(1.0 - x * x, 0.0))
        if now + 1 < n_shot and t + dt > shots[now + 1]:
            now += 1
            j = index[tool_store]
            temp = vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
            p = (GAMMA - 1.0) * vol_e[j] / volume[j, 0]
            part = min(shot[0] * p / shot[1] / vol_m[j], 0.95)
            rate = -math.log(1.0 - part) / shot[2]
            fire_until = shots[now] + shot[2]
            shot_out[now, 0] = ends[inlet_store, 1]
            shot_out[now, 1] = ends[inlet_store, 1]
            shot_out[now, 2] = 0.0
        if now >= 0 and t < fire_until:
            on = min(t + dt, fire_until) - max(t, shots[now])
            if on > 0.0:
                out = vol_m[index[tool_store]] * (1.0 - math.exp(-rate * on)) / dt
                loss[tool_store] += out
                shot_out[now, 2] += out * dt

        # One equation for the flow through each link.
        for k in range(n_link):
            q_old[k] = q[k]
        for k in range(n_link):
            s = k
            j = index[s]
            if is_hose[s]:
                i, area = int(hose[j, 1]) - 1, hose[j, 3]
                r, u, p = hi[0, i], hi[1, i], hi[2, i]
                c = math.sqrt(GAMMA * p / r)
                zl = c / (area * max(1.0 - u / c, 0.05))
                kl = 0.5 / (r * area * area)
                pl = p + zl * r * u * area
                tl = p / (r * R_AIR_J_PER_KG_K) + 0.5 * u * u / CP_J_PER_KG_K
            else:
                tl = vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
                zl = 0.55 * dt * GAMMA * R_AIR_J_PER_KG_K * tl / volume[j, 0]
                kl = 0.0
                back = q_old[k - 1] if k > 0 else 0.0
                pl = (GAMMA - 1.0) * vol_e[j] / volume[j, 0] + zl * (back - loss[s])
            s = k + 1
            j = index[s]
            if is_hose[s]:
                i, area = int(hose[j, 0]), hose[j, 3]
                r, u, p = lo[0, i], lo[1, i], lo[2, i]
                c = math.sqrt(GAMMA * p / r)
                zr = c / (area * max(1.0 + u / c, 0.05))
                kr = 0.5 / (r * area * area)
                pr = p - zr * r * u * area
                tr = p / (r * R_AIR_J_PER_KG_K) + 0.5 * u * u / CP_J_PER_KG_K
            else:
                tr = vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
                zr = 0.55 * dt * GAMMA * R_AIR_J_PER_KG_K * tr / volume[j, 0]
                kr = 0.0
                on_flow = q_old[k + 1] if k + 1 < n_link else 0.0
                pr = (GAMMA - 1.0) * vol_e[j] / volume[j, 0] - zr * (on_flow + loss[s])
            if not (pl > 0.0 and pr > 0.0):
                return -1
            flow = link_flow(pl, zl, kl, tl, pr, zr, kr, tr, q[k], link[k, 0], link[k, 1], el_k, el_b, el_kind, el_set, el_droop)
            q[k] = flow
            t_up = tl if flow >= 0.0 else tr
            if is_hose[k]:
                h = index[k]
                b, area = int(hose[h, 1]), hose[h, 3]
                _end_flux(flow, pl - zl * flow, t_up, flow < 0.0, hi[0, b - 1], hi[2, b - 1], area, b, flux, face[h, 1])
            if is_hose[k + 1]:
                h = index[k + 1]
                a, area = int(hose[h, 0]), hose[h, 3]
                _end_flux(flow, pr + zr * flow, t_up, flow >= 0.0, lo[0, a], lo[2, a], area, a, flux, face[h, 0])

        # Volumes.
        for s in range(n_store):
            j = index[s]
            if is_hose[s]:
                if loss[s] > 0.0:
                    i = int(hose[j, 1]) - 1
                    share = loss[s] * dt / (hose[j, 3] * hose[j, 2])
                    h0 = GAMMA / (GAMMA - 1.0) * mid[2, i] / mid[0, i] + 0.5 * mid[1, i] ** 2
                    cons[0, i] -= share
                    cons[1, i] -= share * mid[1, i]
                    cons[2, i] -= share * h0
                    books[1] += loss[s] * dt
                    books[3] += loss[s] * dt * h0
                continue
            temp = vol_e[j] / (vol_m[j] * CV_J_PER_KG_K)
            dm, de = -loss[s] * dt, -loss[s] * dt * CP_J_PER_KG_K * temp
            books[1] -= dm
            books[3] -= de
            for side in range(2):
                k = s - 1 if side == 0 else s
                if k < 0 or k >= n_link:
                    continue
                sign = 1.0 if side == 0 else -1.0
                up = k if q[k] >= 0.0 else k + 1
                dm += sign * q[k] * dt
                de += sign * q[k] * dt * CP_J_PER_KG_K * _stagnation(up, is_hose, index, hose, lo, hi, vol_m, vol_e, up == k)
            if s == 0 and pump[0] > 0.0:
                p = (GAMMA - 1.0) * vol_e[j] / volume[j, 0]
                running = p < pump[1] or (running and p < pump[2])
                if running:
                    dm += pump[0] * dt
                    de += pump[0] * dt * CP_J_PER_KG_K * pump[3]
                    books[0] += pump[0] * dt
                    books[2] += pump[0] * dt * CP_J_PER_KG_K * pump[3]
            lo_flow = vol_m[j] + dm
            if not lo_flow > 0.0:
                return -1
            mid_t = 0.5 * (temp + (vol_e[j] + de) / (lo_flow * CV_J_PER_KG_K))
            k_wall = volume[j, 1] * dt
            heat = k_wall * (volume[j, 2] - mid_t) / (1.0 + 0.5 * k_wall / (lo_flow * CV_J_PER_KG_K))
            books[4] += heat
            volume[j, 3] = dm
            volume[j, 4] = de + heat
        for s in range(n_store):
            j = index[s]
            if not is_hose[s]:
                vol_m[j] += volume[j, 3]
                vol_e[j] += volume[j, 4]
                ends[s, 0] = ends[s, 1] = (GAMMA - 1.0) * vol_e[j] / volume[j, 0]
                if not ends[s, 0] > 0.0:
                    return -1
            else:
                a, b = int(hose[j, 0]), int(hose[j, 1])
                advance_hose(
                    a, b, dt / hose[j, 2], dt, cons, w, f, coef, mid, flux, hist, fade_u[j], gain_u[j], fade_t[j], gain_t[j], unsteady[j]
                )
                ends[s, 0], ends[s, 1] = face[j, 0, 2], face[j, 1, 2]
        if now >= 0:
            shot_out[now, 1] = min(shot_out[now, 1], ends[inlet_store, 1])
        before = t
        t += dt
        steps += 1
        while sample < n_out and out_dt * sample <= t:
            x = (out_dt * sample - before) / dt
            for s in range(n_store):
                out_p[sample, s, 0] = last[s, 0] + x * (ends[s, 0] - last[s, 0])
                out_p[sample, s, 1] = last[s, 1] + x * (ends[s, 1] - last[s, 1])
            for k in range(n_link):
                out_q[sample, k] = q[k]
            sample += 1
        for s in range(n_store):
            last[s, 0], last[s, 1] = ends[s, 0], ends[s, 1]
    while sample < n_out:
        out_p[sample] = ends
        out_q[sample] = q
        sample += 1
    return steps
