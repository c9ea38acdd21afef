"""Unsteady one-dimensional flow of air in a hose: MUSCL-Hancock with HLLC fluxes (second order in space and time), friction and wall
heat semi-implicitly, with their memory. Compiled, as a part of `analysis.network`.

What takes longest in the loops is to divide and to wait for it, so they divide by products, once or twice in a cell. All pressures in
here are absolute.

References
----------
.. [1] E. F. Toro, Riemann Solvers and Numerical Methods for Fluid Dynamics: HLLC (chapter 10), MUSCL-Hancock (chapter 14).
.. [2] W. Zielke, Frequency-dependent friction in transient pipe flow, J. Basic Eng. 90 (1968); A. K. Trikha, J. Fluids Eng. 97 (1975):
   the kernel as a sum of exponentials. The four terms below are our own fit to Zielke's exact kernel in the frequency domain,
   within 4 % for R^2 omega/nu from 20 to 8000.
.. [3] A. E. Vardy and J. M. B. Brown, J. Hydraulic Res. 33 (1995): in turbulent flow the kernel fades sooner, at Re^kappa/12.86.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from analysis.constants import (
    CP_J_PER_KG_K,
    CV_J_PER_KG_K,
    GAMMA,
    PRANDTL,
    R_AIR_J_PER_KG_K,
    SUTHERLAND_MU0_PA_S,
    SUTHERLAND_S_K,
    SUTHERLAND_T0_K,
)
from analysis.jit import inlined
from analysis.line_records import Record

WEIGHT: Final = np.array([1.7616, 4.6923, 12.920, 84.027])
RATE: Final = np.array([35.973, 241.48, 1679.0, 18931.8])
# Constants are worked out here: in compiled code each operation takes milliseconds to compile.
G1: Final = GAMMA - 1.0
SQUARED_SOUND: Final = GAMMA * R_AIR_J_PER_KG_K  # over temperature
SUTHERLAND: Final = SUTHERLAND_MU0_PA_S * (SUTHERLAND_T0_K + SUTHERLAND_S_K) / SUTHERLAND_T0_K**1.5
HAALAND: Final = -1.8 / math.log(10.0)
KAPPA0: Final = math.log10(15.29)  # kappa = log10(15.29/Re^0.0567) of [3]_
KAPPA1: Final = 0.0567 / math.log(10.0)
GNIELINSKI: Final = 12.7 / math.sqrt(8.0) * (PRANDTL ** (2.0 / 3.0) - 1.0)
STEP_S: Final = 2e-3  # longest time step


# All cell arrays are rows of one flat array `g`, a fixed distance apart: only so can the compiler see that they do not overlap, and
# vectorise. The distance is no power of two, so that the rows do not compete for the same places in the processor's cache. Rows and
# hoses begin at multiples of ALIGNED cells, so that no vector of cells lies across two lines of the cache.
ALIGNED: Final = 8
ROW: Final = 4168
ROWS: Final = 30
MOST_CELLS: Final = ROW - ALIGNED
ONE, NEXT_ROW = np.uint64(1), np.uint64(ROW)


def _rows(first: int, end: int) -> tuple[Any, ...]:
    """Where these rows begin in `g`, as the unsigned numbers that the compiler needs to see that no index is negative."""
    return tuple(np.uint64(i * ROW) for i in range(first, end))


W0, W1, W2, TEMP, SOUND = _rows(0, 5)  # state: density, speed, pressure, temperature, speed of sound
F0, F1 = _rows(5, 7)  # wall shear and heat that the past leaves
COEF0, COEF1, COEF2, RE = _rows(7, 11)  # coefficients of friction (laminar, turbulent) and heat, and their Reynolds number
LO0, LO1, LO2, HI0, HI1, HI2, MID = _rows(11, 18)  # half-time state at the left and the right face, and speed in the middle
FLUX0, FLUX1, FLUX2 = _rows(18, 21)  # through the left face
HIST0, HIST1, HIST2, HIST3, HIST4, HIST5, HIST6, HIST7 = _rows(21, 29)  # memory of wall shear and heat
(ROOT,) = _rows(29, 30)  # of the friction factor's inverse, where the flow is turbulent; first what it is the logarithm of


@inlined
def predict_hose(hose: Record, dt: float, g: np.ndarray) -> None:
    """Half-time states at both faces of each cell of a hose: lo at the left face, hi at the right. The ghosts must have their state."""
    a, b, dtdx = hose.first, hose.end, dt / hose.dx_m
    half, wall_k = 0.5 * dt, hose.wall_temp_k
    for i in range(a, b):
        left, right = i - ONE, i + ONE
        r, u, p = g[W0 + i], g[W1 + i], g[W2 + i]
        # Half of van Leer's limited slope: product of the differences to both sides, over their sum. A division serves two; if one served
        # all, more would wait for it than a second one costs.
        r0, r1 = r - g[W0 + left], g[W0 + right] - r
        u0, u1 = u - g[W1 + left], g[W1 + right] - u
        p0, p1 = p - g[W2 + left], g[W2 + right] - p
        sr, su, sp = r0 * r1, u0 * u1, p0 * p1
        dr = r0 + r1 if sr > 0.0 else 1.0
        du = u0 + u1 if su > 0.0 else 1.0
        dp = p0 + p1 if sp > 0.0 else 1.0
        per_dr_du, per_dp_r = 1.0 / (dr * du), 1.0 / (dp * r)
        sr = max(sr, 0.0) * du * per_dr_du
        su = max(su, 0.0) * dr * per_dr_du
        per_r = max(sp, 0.0) * per_dp_r  # the slope of pressure over density
        sp = per_r * r
        rm = r - dtdx * (u * sr + r * su)
        brake = (g[COEF0 + i] + g[COEF1 + i] * abs(u)) * u + g[F0 + i]
        um = u - dtdx * (u * su + per_r) - half * brake
        # Friction turns into heat: total energy is left as it is, so the pressure gains what the motion loses.
        gain = G1 * (r * u * brake - g[COEF2 + i] * (g[TEMP + i] - wall_k) - g[F1 + i])
        pm = p - dtdx * (u * sp + GAMMA * p * su) + half * gain
        g[MID + i] = um
        g[LO0 + i], g[HI0 + i] = rm - sr, rm + sr
        g[LO1 + i], g[HI1 + i] = um - su, um + su
        g[LO2 + i], g[HI2 + i] = pm - sp, pm + sp


@inlined
def inner_fluxes(hose: Record, g: np.ndarray) -> None:
    """HLLC fluxes of mass, momentum and energy at the faces between the cells of a hose; the flux at index i enters cell i."""
    a, b = hose.first, hose.end
    for i in range(a, b):  # from the hose's end, whose flux is put right later, so that vectors begin where they fit
        before = i - ONE
        rl, ul, pl = g[HI0 + before], g[HI1 + before], g[HI2 + before]
        rr, ur, pr = g[LO0 + i], g[LO1 + i], g[LO2 + i]
        c = 0.5 * (g[SOUND + before] + g[SOUND + i])
        sl, sr = min(ul, ur) - c, max(ul, ur) + c
        ml, mr = rl * (sl - ul), rr * (sr - ur)
        # The contact's speed is top / bottom, and bottom < 0.
        top, bottom = pr - pl + ml * ul - mr * ur, ml - mr
        if top <= 0.0:
            r, u, p = rl, ul, pl
            s, far = min(sl, 0.0), sl
        else:
            r, u, p = rr, ur, pr
            s, far = max(sr, 0.0), sr
        beyond = far * bottom - top
        star, thin = top / bottom, bottom / beyond
        grow = (far - u) * thin  # density in the star region over that outside
        rs = r * grow
        e = p / G1 + 0.5 * r * u * u
        es = grow * e + (star - u) * (rs * star + thin * p)
        g[FLUX0 + i] = r * u + s * (rs - r)
        g[FLUX1 + i] = r * u * u + p + s * (rs * star - r * u)
        g[FLUX2 + i] = u * (e + p) + s * (es - e)


@inlined
def advance_hose(hose: Record, dt: float, g: np.ndarray, memory: Record) -> float:
    """Bring a hose over one step: fluxes, then friction and heat semi-implicitly, with the memory of wall shear and heat.

    Returns the heat that came from the wall over the step, per cell volume [J/m3].
    """
    a, b = hose.first, hose.end
    dtdx, wall_k = dt / hose.dx_m, hose.wall_temp_k
    # Plain numbers, not array elements, so that the loops can be vectorised.
    cu, ct = memory.shear, memory.heat
    fade, grow = memory.fade, memory.grow
    au0, au1 = fade[0], fade[1]
    au2, au3 = fade[2], fade[3]
    at0, at1 = fade[4], fade[5]
    at2, at3 = fade[6], fade[7]
    gu0, gu1 = grow[0], grow[1]
    gu2, gu3 = grow[2], grow[3]
    gt0, gt1 = grow[4], grow[5]
    gt2, gt3 = grow[6], grow[7]
    now_u, now_t = cu * (gu0 + gu1 + gu2 + gu3), ct * (gt0 + gt1 + gt2 + gt3)
    heat = 0.0
    for i in range(a, b):
        after = i + ONE
        r_old, u_old, t_old = g[W0 + i], g[W1 + i], g[TEMP + i]
        ru_old = r_old * u_old
        r = r_old + dtdx * (g[FLUX0 + i] - g[FLUX0 + after])
        ru = ru_old + dtdx * (g[FLUX1 + i] - g[FLUX1 + after])
        e = r_old * CV_J_PER_KG_K * t_old + 0.5 * ru_old * u_old + dtdx * (g[FLUX2 + i] - g[FLUX2 + after])
        # Steady shear and heat by Crank-Nicolson, with the middle speed; the memory of past changes, its newest part implicit.
        k, w = 0.5 * (g[COEF0 + i] + g[COEF1 + i] * abs(g[MID + i])), 0.5 * g[COEF2 + i]
        u0, u1 = au0 * g[HIST0 + i], au1 * g[HIST1 + i]
        u2, u3 = au2 * g[HIST2 + i], au3 * g[HIST3 + i]
        t0, t1 = at0 * g[HIST4 + i], at1 * g[HIST5 + i]
        t2, t3 = at2 * g[HIST6 + i], at3 * g[HIST7 + i]
        slows = 1.0 + dt * (k + now_u)
        cools = CV_J_PER_KG_K * r * (1.0 + dt * now_t) + dt * w
        inv = 1.0 / (r * slows * cools)
        past_u, past_t = cu * (u0 + u1 + u2 + u3), ct * (t0 + t1 + t2 + t3)
        u = (ru + dt * r * ((now_u - k) * u_old - past_u)) * (cools * inv)
        motion = 0.5 * r * u * u
        t = e - motion + dt * (w * (2.0 * wall_k - t_old) + CV_J_PER_KG_K * r * (now_t * t_old - past_t))
        t *= r * slows * inv
        du, d_t = u - u_old + 1e-30, t - t_old + 1e-30  # never quite zero: a memory that fades to denormal numbers is slow
        g[HIST0 + i], g[HIST1 + i] = u0 + gu0 * du, u1 + gu1 * du
        g[HIST2 + i], g[HIST3 + i] = u2 + gu2 * du, u3 + gu3 * du
        g[HIST4 + i], g[HIST5 + i] = t0 + gt0 * d_t, t1 + gt1 * d_t
        g[HIST6 + i], g[HIST7 + i] = t2 + gt2 * d_t, t3 + gt3 * d_t
        g[F0 + i] = past_u + now_u * du
        g[F1 + i] = (past_t + now_t * d_t) * r * CV_J_PER_KG_K
        heat += r * CV_J_PER_KG_K * t + motion - e
        g[W0 + i], g[W1 + i], g[W2 + i] = r, u, r * R_AIR_J_PER_KG_K * t
        g[TEMP + i], g[SOUND + i] = t, math.sqrt(SQUARED_SOUND * t)
    return heat


@inlined
def refresh_hose(hose: Record, memory: float, g: np.ndarray) -> tuple[float, float, float]:
    """Look friction and heat coefficients up afresh; returns the fastest wave, mean viscosity and mean Reynolds number."""
    a, b = hose.first, hose.end
    bore, brake = hose.bore_m, hose.friction
    # Nusselt number: 8 is the quasi-steady value that belongs to Zielke's kernel taken for heat.
    laminar = 8.0 if memory > 0.0 else 3.66
    per_area = 4.0 / (bore * bore)
    thick, cools = brake * 8.0 * per_area, hose.heat * laminar * per_area * CP_J_PER_KG_K / PRANDTL
    rough = (hose.rough_m / bore / 3.7) ** 1.11
    nu_sum, re_sum = 0.0, 0.0
    for i in range(a, b):
        t = g[TEMP + i]
        mu = SUTHERLAND * t * math.sqrt(t) / (t + SUTHERLAND_S_K)
        nu = mu / g[W0 + i]
        re = abs(g[W1 + i]) * bore / nu
        g[COEF0 + i] = thick * nu
        g[COEF1 + i] = 0.0
        g[COEF2 + i] = cools * mu
        g[RE + i], g[ROOT + i] = re, rough + 6.9 / max(re, 2000.0)
        nu_sum += nu
        re_sum += re
    # The logarithm stands apart from what is done for several cells at once, and is taken only where the flow is turbulent.
    fastest, turbulent = 0.0, False
    for i in range(a, b):
        fastest = max(fastest, abs(g[W1 + i]) + g[SOUND + i])
        if g[RE + i] > 2000.0:
            g[ROOT + i] = HAALAND * math.log(g[ROOT + i])
            turbulent = True
    if turbulent:
        # Haaland's factor is 1/root^2, Gnielinski's Nusselt number (Re - 1000) Pr/(8 root more).
        thick, cools = 0.5 * brake / bore, 0.125 * PRANDTL / laminar
        for i in range(a, b):
            re, root = g[RE + i], g[ROOT + i]
            more = root + GNIELINSKI
            inv = 1.0 / (root * root * more)
            x = max(min(re / 2000.0 - 1.0, 1.0), 0.0)
            share = x * x * (3.0 - 2.0 * x)  # of turbulence: 0 at Re 2000, 1 above 4000, smooth between
            g[COEF0 + i] *= 1.0 - share
            g[COEF1 + i] = thick * share * (more * inv)
            g[COEF2 + i] *= 1.0 - share + share * max(cools * (re - 1000.0) * (root * inv), 1.0)
    return fastest, nu_sum / (b - a), re_sum / (b - a)


@inlined
def end_flux(q: float, p: float, t_up: float, end: int, hose: Record, side: Record, g: np.ndarray) -> None:
    """State and fluxes at a hose's end (0 inlet, 1 outlet), from the flow there and the pressure that it leaves."""
    flux = q / hose.area_m2
    if (q >= 0.0) == (end == 0):  # the air enters, and brings the stagnation temperature of where it comes from
        per_k = R_AIR_J_PER_KG_K * flux / p  # speed over temperature
        cools = 0.5 + math.sqrt(0.25 + 0.5 * per_k * per_k * t_up / CP_J_PER_KG_K)  # stagnation temperature over temperature
        u = per_k * t_up / cools
        r = p * cools / (R_AIR_J_PER_KG_K * t_up)
    else:  # isentropic from the cell
        x = p / side.half_pa - 1.0
        r = side.half_density * (1.0 + x / GAMMA * (1.0 + 0.5 * (1.0 / GAMMA - 1.0) * x))  # the power's series: asked for at every step
        if abs(x) > 0.05:
            r = side.half_density * (1.0 + x) ** (1.0 / GAMMA)
        u = flux / r
    side.density, side.speed, side.now_pa = r, u, p
    face = hose.end if end else hose.first
    g[FLUX0 + face] = flux
    g[FLUX1 + face] = flux * u + p
    g[FLUX2 + face] = flux * CP_J_PER_KG_K * t_up


@inlined
def look_afresh(cfl: float, remembers: float, hose: np.ndarray, g: np.ndarray, memory: np.ndarray) -> float:
    """Refresh friction, heat and the terms of the memory; returns the time step, or -1 when the air is faster than can be."""
    dt = STEP_S
    for h in range(hose.shape[0]):
        fastest, nu, re = refresh_hose(hose[h], remembers, g)
        if not fastest < 5e3:
            return -1.0
        m = memory[h]
        m.fastest = 1.05 * fastest
        dt = min(dt, cfl * hose[h].dx_m / fastest)
        per_radius = 4.0 * nu / (hose[h].bore_m * hose[h].bore_m)
        turbulent = 0.0
        if re > 2000.0:
            ln_re = math.log(re)
            turbulent = math.exp((KAPPA0 - KAPPA1 * ln_re) * ln_re) / 12.86
        m.shear = remembers * 4.0 * per_radius
        m.heat = GAMMA / PRANDTL * m.shear
        fade, grow = m.fade, m.grow
        for j in range(8):
            x = (RATE[j % 4] + turbulent) * per_radius * dt / (1.0 if j < 4 else PRANDTL)
            fade[j] = math.exp(-x)
            grow[j] = WEIGHT[j % 4] * (1.0 - fade[j]) / x
    return dt
