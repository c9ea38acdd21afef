"""The compiled solver of an air line: hoses as unsteady one-dimensional flow, volumes, and the restrictions between them.

All compiled code stands in this one file: the cache of machine code is judged by the file of the function that is called, not by those
it calls, so a second file would leave stale code behind when it is edited.

A line is a row of *stores* (a volume or a hose) with a *link* between each two; a link is a row of restrictions (ISO 6358) or an open
end. Hoses are solved by MUSCL-Hancock with HLLC fluxes (second order in space and time), friction and wall heat semi-implicitly.
At a hose's end the outgoing characteristic gives the end an impedance dp/dq, at a volume the half step to come does; so each link is
one equation for one mass flow, whatever stands on its two sides. All pressures in here are absolute.

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
from collections.abc import Callable
from typing import Any, Final, TypeVar

import numba
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

F = TypeVar("F", bound=Callable[..., Any])

PLAIN: Final = 0  # a restriction by C and b
REGULATOR: Final = 1  # likewise, and its outlet is held at a set point; passes nothing backwards

TERMS: Final = 4
WEIGHT: Final = np.array([1.7616, 4.6923, 12.920, 84.027])
RATE: Final = np.array([35.973, 241.48, 1679.0, 18931.8])
REFRESH: Final = 8  # steps between two looks at time step, friction and heat coefficients


# All cell arrays are rows of one flat array `g`, a fixed distance apart: only so can the compiler see that they do not overlap, and
# vectorise. The distance is no power of two, so that the rows do not compete for the same places in the processor's cache.
ROW: Final = 4168
ONE = np.uint64(1)
ROWS: Final = 36
MOST_CELLS: Final = ROW - 8
# state (density, speed, pressure), wall forces, friction and heat coefficients, half-time states at both faces and in the middle with
# scratch, fluxes, memory of wall shear and heat, conserved quantities
W0, W1, W2 = np.uint64(0 * ROW), np.uint64(1 * ROW), np.uint64(2 * ROW)
F0, F1 = np.uint64(3 * ROW), np.uint64(4 * ROW)
COEF0, COEF1, COEF2, COEF3 = np.uint64(5 * ROW), np.uint64(6 * ROW), np.uint64(7 * ROW), np.uint64(8 * ROW)
LO0, LO1, LO2 = np.uint64(9 * ROW), np.uint64(10 * ROW), np.uint64(11 * ROW)
HI0, HI1, HI2 = np.uint64(12 * ROW), np.uint64(13 * ROW), np.uint64(14 * ROW)
MID0, MID1, MID2, MID3, MID4, MID5, MID6 = (
    np.uint64(15 * ROW),
    np.uint64(16 * ROW),
    np.uint64(17 * ROW),
    np.uint64(18 * ROW),
    np.uint64(19 * ROW),
    np.uint64(20 * ROW),
    np.uint64(21 * ROW),
)
FLUX0, FLUX1, FLUX2 = np.uint64(22 * ROW), np.uint64(23 * ROW), np.uint64(24 * ROW)
HIST0, HIST1, HIST2, HIST3, HIST4, HIST5, HIST6, HIST7 = (
    np.uint64(25 * ROW),
    np.uint64(26 * ROW),
    np.uint64(27 * ROW),
    np.uint64(28 * ROW),
    np.uint64(29 * ROW),
    np.uint64(30 * ROW),
    np.uint64(31 * ROW),
    np.uint64(32 * ROW),
)
CONS0, CONS1, CONS2 = np.uint64(33 * ROW), np.uint64(34 * ROW), np.uint64(35 * ROW)


def _fast(function: F) -> F:
    """Compile with IEEE division, so that loops vectorise; cache on disk where that can be written."""
    options = {"error_model": "numpy", "fastmath": {"contract", "arcp", "nsz", "reassoc"}, "nogil": True}
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # neither the package's folder nor the user's cache can be written
        return numba.njit(**options)(function)


@_fast
def friction_terms(re: float, rough: float) -> tuple[float, float]:
    """Darcy's factor for turbulent flow (Haaland), and the share of turbulence: 0 below Re 2000, 1 above 4000, smooth between."""
    x = min(max((re - 2000.0) / 2000.0, 0.0), 1.0)
    share = x * x * (3.0 - 2.0 * x)
    r = max(re, 2000.0)
    inv = -1.8 * math.log10((rough / 3.7) ** 1.11 + 6.9 / r)
    return 1.0 / (inv * inv), share


@_fast
def march(
    q: float,
    p: float,
    root_t: float,
    first: int,
    last: int,
    step: int,
    el: np.ndarray,
    dp: float,
) -> tuple[float, float]:
    """Pressure behind a row of restrictions that pass q, and its derivative to q; falls steeply beyond the choked flow."""
    e = first
    while e != last:
        qc = el[e, 0] * p / root_t
        x = q / qc
        dx = 1.0 / qc - q * dp / (qc * p)
        if x < 1.0:
            s = math.sqrt(1.0 - x * x)
            wide = p * (el[e, 1] + (1.0 - el[e, 1]) * s)
            dwide = dp * (el[e, 1] + (1.0 - el[e, 1]) * s) - p * (1.0 - el[e, 1]) * x / max(s, 1e-9) * dx
        else:
            wide = max(p * (el[e, 1] - 1000.0 * (x - 1.0)), 1e-3)
            dwide = -1000.0 * p * dx
        held = el[e, 3] - el[e, 4] * x
        if held < wide:
            wide = max(held, 1e-3)
            dwide = -el[e, 4] * dx
        p, dp = wide, dwide
        e += step
    return p, dp


@_fast
def link_flow(
    p_left: float,
    z_left: float,
    k_left: float,
    t_left: float,
    p_right: float,
    z_right: float,
    k_right: float,
    t_right: float,
    guess: float,
    first: int,
    last: int,
    el: np.ndarray,
) -> float:
    """Mass flow [kg/s] through a link, positive from left to right.

    Each side has, at no flow through the link, a pressure p [Pa abs], an impedance z = -dp/dq of its end and a dynamic-pressure
    factor k (p0 = p + k q^2; zero for a volume), and a stagnation temperature [K].
    """
    sign = 1.0
    e0, e1, step = first, last, 1
    if p_left < p_right:
        for e in range(first, last):
            if el[e, 2] == REGULATOR:
                return 0.0
        sign = -1.0
        p_left, z_left, k_left, t_left, p_right, z_right = p_right, z_right, k_right, t_right, p_left, z_left
        e0, e1, step = last - 1, first - 1, -1
    root_t = math.sqrt(t_left)
    k0 = el[e0, 0] / root_t
    high = k0 * p_left / (1.0 + k0 * z_left)
    low, checked_low, checked_high = 0.0, False, False
    q = sign * guess
    if not 0.0 < q < high:
        q = 0.5 * high
    for _ in range(60):
        p_up = p_left - z_left * q + k_left * q * q
        p_end, slope = march(q, p_up, root_t, e0, e1, step, el, -z_left + 2.0 * k_left * q)
        gap = p_end - p_right - z_right * q
        if abs(gap) < 1e-7 * p_left:
            break
        if gap > 0.0:
            low = q
        else:
            high = q
        slope -= z_right
        new = q - gap / slope if slope < 0.0 else 2.0 * high
        if new >= high and gap > 0.0 and not checked_high:  # is it choked?
            checked_high = True
            p_end, _ = march(high * (1.0 - 1e-12), p_left - z_left * high, root_t, e0, e1, step, el, -z_left)
            if p_end >= p_right + z_right * high:
                return sign * high
        if new <= low and gap < 0.0 and not checked_low:  # does a regulator hold back?
            checked_low = True
            p_end, _ = march(0.0, p_left, root_t, e0, e1, step, el, 0.0)
            if p_end <= p_right:
                return 0.0
        if not low < new < high:
            new = 0.5 * (low + high)
        if abs(new - q) < 1e-13:
            q = new
            break
        q = new
    return sign * q


@_fast
def predict_hose(a: int, b: int, dtdx: float, dt: float, g: np.ndarray) -> None:
    """Half-time states at both faces of each cell: lo at the left face, hi at the right; cells a..b-1, ghosts at a-1 and b."""
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return
    for i in range(np.uint64(a), np.uint64(b)):
        r, u, p = g[W0 + i], g[W1 + i], g[W2 + i]
        d0, d1 = r - g[W0 + i - ONE], g[W0 + i + ONE] - r
        s = d0 * d1
        sr = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        d0, d1 = u - g[W1 + i - ONE], g[W1 + i + ONE] - u
        s = d0 * d1
        su = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        d0, d1 = p - g[W2 + i - ONE], g[W2 + i + ONE] - p
        s = d0 * d1
        sp = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        h = 0.5 * dtdx
        rm = r - h * (u * sr + r * su)
        brake = (g[COEF0 + i] + g[COEF1 + i] * abs(u)) * u + g[F0 + i]
        um = u - h * (u * su + sp / r) - 0.5 * dt * brake
        # Friction turns into heat: total energy is left as it is, so the pressure gains what the motion loses.
        gain = (GAMMA - 1.0) * (r * u * brake - g[COEF2 + i] * (p / (r * R_AIR_J_PER_KG_K) - g[COEF3 + i]) - g[F1 + i])
        pm = p - h * (u * sp + GAMMA * p * su) + 0.5 * dt * gain
        g[MID0 + i], g[MID1 + i], g[MID2 + i] = rm, um, pm
        g[LO0 + i], g[HI0 + i] = rm - 0.5 * sr, rm + 0.5 * sr
        g[LO1 + i], g[HI1 + i] = um - 0.5 * su, um + 0.5 * su
        g[LO2 + i], g[HI2 + i] = pm - 0.5 * sp, pm + 0.5 * sp


@_fast
def inner_fluxes(a: int, b: int, g: np.ndarray) -> None:
    """HLLC fluxes of mass, momentum and energy at the faces between cells a..b-1; the flux at index i enters cell i."""
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return
    for i in range(np.uint64(a + 1), np.uint64(b)):
        rl, ul, pl = g[HI0 + i - ONE], g[HI1 + i - ONE], g[HI2 + i - ONE]
        rr, ur, pr = g[LO0 + i], g[LO1 + i], g[LO2 + i]
        cl, cr = math.sqrt(GAMMA * pl / rl), math.sqrt(GAMMA * pr / rr)
        sl = min(ul - cl, ur - cr)
        sr = max(ul + cl, ur + cr)
        ml, mr = rl * (sl - ul), rr * (sr - ur)
        star = (pr - pl + ml * ul - mr * ur) / (ml - mr)
        left = star >= 0.0
        r = rl if left else rr
        u = ul if left else ur
        p = pl if left else pr
        s = min(sl, 0.0) if left else max(sr, 0.0)
        m = ml if left else mr
        v = sl - ul if left else sr - ur
        far = sl if left else sr
        e = p / (GAMMA - 1.0) + 0.5 * r * u * u
        grow = v / (far - star)  # density in the star region over that outside
        rs = r * grow
        es = grow * (e + (star - u) * (r * star + r * p / m))
        g[FLUX0 + i] = r * u + s * (rs - r)
        g[FLUX1 + i] = r * u * u + p + s * (rs * star - r * u)
        g[FLUX2 + i] = u * (e + p) + s * (es - e)


@_fast
def advance_hose(
    a: int,
    b: int,
    dtdx: float,
    dt: float,
    g: np.ndarray,
    memory: np.ndarray,
    h: int,
) -> float:
    """Bring cells a..b-1 over one step: fluxes, then friction and heat semi-implicitly, with the memory of wall shear and heat.

    Returns the heat that came from the wall over the step, per cell volume [J/m3].
    """
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return 0.0
    # Plain numbers, not array elements, so that the loops can be vectorised.
    cu, ct = memory[h, 0], memory[h, 1]
    au0, au1, au2, au3 = memory[h, 2], memory[h, 3], memory[h, 4], memory[h, 5]
    gu0, gu1, gu2, gu3 = memory[h, 6], memory[h, 7], memory[h, 8], memory[h, 9]
    at0, at1, at2, at3 = memory[h, 10], memory[h, 11], memory[h, 12], memory[h, 13]
    gt0, gt1, gt2, gt3 = memory[h, 14], memory[h, 15], memory[h, 16], memory[h, 17]
    sum_u, sum_t = gu0 + gu1 + gu2 + gu3, gt0 + gt1 + gt2 + gt3
    for i in range(np.uint64(a), np.uint64(b)):
        g[MID3 + i] = g[CONS0 + i] + dtdx * (g[FLUX0 + i] - g[FLUX0 + i + ONE])
        g[MID4 + i] = g[CONS1 + i] + dtdx * (g[FLUX1 + i] - g[FLUX1 + i + ONE])
        g[MID5 + i] = g[CONS2 + i] + dtdx * (g[FLUX2 + i] - g[FLUX2 + i + ONE])
    # Wall shear: the steady part, Crank-Nicolson with the middle speed; the memory of past accelerations, its newest part implicit.
    for i in range(np.uint64(a), np.uint64(b)):
        u_old = g[W1 + i]
        k = g[COEF0 + i] + g[COEF1 + i] * abs(g[MID1 + i])
        p0, p1, p2, p3 = au0 * g[HIST0 + i], au1 * g[HIST1 + i], au2 * g[HIST2 + i], au3 * g[HIST3 + i]
        u = g[MID4 + i] / g[MID3 + i] + dt * (-0.5 * k * u_old - cu * (p0 + p1 + p2 + p3) + cu * sum_u * u_old)
        u /= 1.0 + dt * (0.5 * k + cu * sum_u)
        du = u - u_old + 1e-30  # never quite zero: a memory that fades to denormal numbers is slow
        p0, p1, p2, p3 = p0 + gu0 * du, p1 + gu1 * du, p2 + gu2 * du, p3 + gu3 * du
        g[HIST0 + i], g[HIST1 + i], g[HIST2 + i], g[HIST3 + i] = p0, p1, p2, p3
        g[F0 + i] = cu * (p0 + p1 + p2 + p3)
        g[MID1 + i] = u
    # Wall heat likewise, per unit volume.
    for i in range(np.uint64(a), np.uint64(b)):
        r, u, t_old = g[MID3 + i], g[MID1 + i], g[MID6 + i]
        k = g[COEF2 + i] / (r * CV_J_PER_KG_K)
        p0, p1, p2, p3 = at0 * g[HIST4 + i], at1 * g[HIST5 + i], at2 * g[HIST6 + i], at3 * g[HIST7 + i]
        t = (g[MID5 + i] / r - 0.5 * u * u) / CV_J_PER_KG_K
        t += dt * (0.5 * k * (2.0 * g[COEF3 + i] - t_old) - ct * (p0 + p1 + p2 + p3) + ct * sum_t * t_old)
        t /= 1.0 + dt * (0.5 * k + ct * sum_t)
        d_t = t - t_old + 1e-30
        p0, p1, p2, p3 = p0 + gt0 * d_t, p1 + gt1 * d_t, p2 + gt2 * d_t, p3 + gt3 * d_t
        g[HIST4 + i], g[HIST5 + i], g[HIST6 + i], g[HIST7 + i] = p0, p1, p2, p3
        g[F1 + i] = ct * (p0 + p1 + p2 + p3) * r * CV_J_PER_KG_K
        g[MID6 + i] = t
    heat = 0.0
    for i in range(np.uint64(a), np.uint64(b)):
        r, u, t = g[MID3 + i], g[MID1 + i], g[MID6 + i]
        e = r * (CV_J_PER_KG_K * t + 0.5 * u * u)
        heat += e - g[MID5 + i]
        g[CONS0 + i], g[CONS1 + i], g[CONS2 + i] = r, r * u, e
        g[W0 + i], g[W1 + i], g[W2 + i] = r, u, r * R_AIR_J_PER_KG_K * t
    return heat


@_fast
def refresh_hose(a: int, b: int, h: int, hose: np.ndarray, memory: float, g: np.ndarray, mean: np.ndarray) -> float:
    """Look friction and heat coefficients up afresh; mean gets density-averaged viscosity and Reynolds number. Returns the fastest wave."""
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return 0.0
    bore, rough, wall_k, brake, warm = hose[h, 4], hose[h, 5], hose[h, 6], hose[h, 7], hose[h, 8]
    fastest, nu_sum, re_sum = 0.0, 0.0, 0.0
    for i in range(np.uint64(a), np.uint64(b)):
        r, u, p = g[W0 + i], g[W1 + i], g[W2 + i]
        t = p / (r * R_AIR_J_PER_KG_K)
        mu = SUTHERLAND_MU0_PA_S * (t / SUTHERLAND_T0_K) * math.sqrt(t / SUTHERLAND_T0_K) * (SUTHERLAND_T0_K + SUTHERLAND_S_K)
        mu /= t + SUTHERLAND_S_K
        nu = mu / r
        re = abs(u) * bore / nu
        factor, share = friction_terms(re, rough / bore)
        g[COEF0 + i] = brake * (1.0 - share) * 32.0 * nu / (bore * bore)
        g[COEF1 + i] = brake * share * factor / (2.0 * bore)
        # Nusselt number: 8 is the quasi-steady value that belongs to Zielke's kernel taken for heat; turbulent by Gnielinski.
        eighth = factor / 8.0
        turbulent = eighth * (max(re, 2000.0) - 1000.0) * PRANDTL / (1.0 + 12.7 * math.sqrt(eighth) * (PRANDTL ** (2.0 / 3.0) - 1.0))
        laminar = 8.0 if memory > 0.0 else 3.66
        conductivity = mu * CP_J_PER_KG_K / PRANDTL
        g[COEF2 + i] = warm * ((1.0 - share) * laminar + share * max(turbulent, laminar)) * conductivity * 4.0 / (bore * bore)
        g[COEF3 + i] = wall_k
        fastest = max(fastest, abs(u) + math.sqrt(GAMMA * p / r))
        nu_sum += nu
        re_sum += re
    mean[0] = nu_sum / (b - a)
    mean[1] = re_sum / (b - a)
    return fastest


# Columns of the tables that describe a line to the compiled code.
# volume: 0 V [m3], 1 wall conductance hA [W/K], 2 wall temperature [K], 3 and 4 scratch
# hose:   0 first cell, 1 end cell (with room for a ghost before and after), 2 dx [m], 3 area [m2], 4 bore [m], 5 roughness [m],
#         6 wall temperature [K], 7 friction and 8 heat as multiples of the usual
# element: k = C rho0 sqrt(T0) [kg K^0.5/(s Pa)], b, kind, set point [Pa abs], droop [Pa]
# drain:  0 store, 1 from [s], 2 until [s], 3 k, 4 b
# pump:   0 mass flow [kg/s], 1 cut-in, 2 cut-out [Pa abs], 3 temperature of its air [K], 4 runs at the start
# shot:   0 mass at the reference pressure [kg], 1 reference [Pa abs], 2 duration [s]


@_fast
def _end_flux(
    q: float,
    p: float,
    t_up: float,
    enters: bool,
    r_cell: float,
    p_cell: float,
    area: float,
    i: int,
    g: np.ndarray,
    face: np.ndarray,
    h: int,
    end: int,
) -> None:
    """State and fluxes at a hose's end, from the flow through the link there and the pressure it leaves."""
    if enters:  # the air brings the stagnation temperature of where it comes from
        r = p / (R_AIR_J_PER_KG_K * t_up)
        for _ in range(3):
            u = q / (area * r)
            r = p / (R_AIR_J_PER_KG_K * max(t_up - 0.5 * u * u / CP_J_PER_KG_K, 0.5 * t_up))
    else:  # isentropic from the cell
        x = p / p_cell - 1.0
        r = r_cell * (1.0 + x / GAMMA * (1.0 + 0.5 * (1.0 / GAMMA - 1.0) * x))  # the power's series: it is asked for at every step
        if abs(x) > 0.05:
            r = r_cell * (p / p_cell) ** (1.0 / GAMMA)
    u = q / (area * r)
    face[h, end, 0], face[h, end, 1], face[h, end, 2] = r, u, p
    g[FLUX0 + np.uint64(i)] = q / area
    g[FLUX1 + np.uint64(i)] = q / area * u + p
    g[FLUX2 + np.uint64(i)] = q / area * CP_J_PER_KG_K * t_up


@_fast
def _stagnation(
    s: int,
    is_hose: np.ndarray,
    index: np.ndarray,
    hose: np.ndarray,
    g: np.ndarray,
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
        return g[HI2 + np.uint64(i)] / (g[HI0 + np.uint64(i)] * R_AIR_J_PER_KG_K) + 0.5 * g[HI1 + np.uint64(i)] ** 2 / CP_J_PER_KG_K
    i = int(hose[j, 0])
    return g[LO2 + np.uint64(i)] / (g[LO0 + np.uint64(i)] * R_AIR_J_PER_KG_K) + 0.5 * g[LO1 + np.uint64(i)] ** 2 / CP_J_PER_KG_K


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
    state: np.ndarray,
    link: np.ndarray,
    el: np.ndarray,
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
    cells = state.shape[1]
    g = np.zeros(ROWS * ROW)
    g[int(W0) : int(W0) + ROW] = 1.0  # ghosts, until they are set
    g[int(W2) : int(W2) + ROW] = 1.0
    g[int(CONS0) : int(CONS0) + cells] = state[0]
    g[int(CONS1) : int(CONS1) + cells] = state[1]
    g[int(CONS2) : int(CONS2) + cells] = state[2]
    past = np.zeros((n_hose, 19))
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
            g[W0 + np.uint64(i)] = g[CONS0 + np.uint64(i)]
            g[W1 + np.uint64(i)] = g[CONS1 + np.uint64(i)] / g[CONS0 + np.uint64(i)]
            g[W2 + np.uint64(i)] = (GAMMA - 1.0) * (g[CONS2 + np.uint64(i)] - 0.5 * g[CONS1 + np.uint64(i)] * g[W1 + np.uint64(i)])
            g[MID6 + np.uint64(i)] = g[W2 + np.uint64(i)] / (g[W0 + np.uint64(i)] * R_AIR_J_PER_KG_K)
        face[h, 0, 0], face[h, 0, 1], face[h, 0, 2] = g[W0 + np.uint64(a)], g[W1 + np.uint64(a)], g[W2 + np.uint64(a)]
        face[h, 1, 0], face[h, 1, 1], face[h, 1, 2] = g[W0 + np.uint64(b - 1)], g[W1 + np.uint64(b - 1)], g[W2 + np.uint64(b - 1)]
    for s in range(n_store):
        j = index[s]
        if is_hose[s]:
            ends[s, 0], ends[s, 1] = face[j, 0, 2], face[j, 1, 2]
        else:
            ends[s, 0] = ends[s, 1] = (GAMMA - 1.0) * vol_e[j] / volume[j, 0]
        last[s, 0], last[s, 1] = ends[s, 0], ends[s, 1]

    t, dt, steps, sample, now, stale = 0.0, 0.0, 0, 0, -1, False
    running = pump[4] > 0.5
    rate, fire_until = 0.0, -1.0
    n_out, n_shot = out_p.shape[0], shots.shape[0]
    tool_store, inlet_store = n_store - 1, n_store - 2
    while sample < n_out and out_dt * sample <= 0.0:
        out_p[sample] = ends
        sample += 1
    while t < duration - 1e-12:
        if steps % REFRESH == 0 or steps < REFRESH or stale:
            stale = False
            dt = 2e-3
            for h in range(n_hose):
                a, b = int(hose[h, 0]), int(hose[h, 1])
                fastest = refresh_hose(a, b, h, hose, memory, g, mean)
                if not fastest < 5e3:
                    return -1
                # The first steps are short: the waves of a sudden start are not in the state yet.
                dt = min(dt, (cfl if steps >= 5 else 0.2 * cfl) * hose[h, 2] / fastest)
                past[h, 18] = 1.1 * fastest
                radius2 = 0.25 * hose[h, 4] ** 2
                turbulent = 0.0
                if mean[1] > 2000.0:
                    turbulent = mean[1] ** math.log10(15.29 / mean[1] ** 0.0567) / 12.86
                past[h, 0] = memory * 4.0 * mean[0] / radius2
                past[h, 1] = memory * 4.0 * GAMMA * mean[0] / (0.71 * radius2)
                for j in range(4):
                    x = (RATE[j] + turbulent) * mean[0] / radius2 * dt
                    past[h, 2 + j] = math.exp(-x)
                    past[h, 6 + j] = WEIGHT[j] * (1.0 - past[h, 2 + j]) / x
                    x /= 0.71
                    past[h, 10 + j] = math.exp(-x)
                    past[h, 14 + j] = WEIGHT[j] * (1.0 - past[h, 10 + j]) / x
            step_dt = dt
        dt = min(step_dt, duration - t)

        # Half-time states of the hoses.
        for h in range(n_hose):
            a, b = int(hose[h, 0]), int(hose[h, 1])
            g[W0 + np.uint64(a - 1)], g[W0 + np.uint64(b)] = (
                2.0 * face[h, 0, 0] - g[W0 + np.uint64(a)],
                2.0 * face[h, 1, 0] - g[W0 + np.uint64(b - 1)],
            )
            g[W1 + np.uint64(a - 1)], g[W1 + np.uint64(b)] = (
                2.0 * face[h, 0, 1] - g[W1 + np.uint64(a)],
                2.0 * face[h, 1, 1] - g[W1 + np.uint64(b - 1)],
            )
            g[W2 + np.uint64(a - 1)], g[W2 + np.uint64(b)] = (
                2.0 * face[h, 0, 2] - g[W2 + np.uint64(a)],
                2.0 * face[h, 1, 2] - g[W2 + np.uint64(b - 1)],
            )
            predict_hose(a, b, dt / hose[h, 2], dt, g)
            inner_fluxes(a, b, g)

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
                    p, temp = face[j, 1, 2], g[MID2 + np.uint64(i)] / (g[MID0 + np.uint64(i)] * R_AIR_J_PER_KG_K)
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
                r, u, p = g[HI0 + np.uint64(i)], g[HI1 + np.uint64(i)], g[HI2 + np.uint64(i)]
                c = math.sqrt(GAMMA * p / r)
                zl = c / (area * max(1.0 - u / c, 0.05))
                kl = 0.5 / (r * area * area)
                pl = p + zl * (r * u * area - loss[s])
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
                r, u, p = g[LO0 + np.uint64(i)], g[LO1 + np.uint64(i)], g[LO2 + np.uint64(i)]
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
            flow = link_flow(pl, zl, kl, tl, pr, zr, kr, tr, q[k], link[k, 0], link[k, 1], el)
            q[k] = flow
            t_up = tl if flow >= 0.0 else tr
            if is_hose[k]:
                h = index[k]
                b, area = int(hose[h, 1]), hose[h, 3]
                whole = flow + loss[k]  # what is drawn off at the end of a hose leaves it there beside the link's flow
                _end_flux(
                    whole,
                    pl - zl * flow,
                    tl if whole >= 0.0 else tr,
                    whole < 0.0,
                    g[HI0 + np.uint64(b - 1)],
                    g[HI2 + np.uint64(b - 1)],
                    area,
                    b,
                    g,
                    face,
                    h,
                    1,
                )
                books[1] += loss[k] * dt
                books[3] += (whole * (tl if whole >= 0.0 else tr) - flow * t_up) * CP_J_PER_KG_K * dt
            if is_hose[k + 1]:
                h = index[k + 1]
                a, area = int(hose[h, 0]), hose[h, 3]
                _end_flux(flow, pr + zr * flow, t_up, flow >= 0.0, g[LO0 + np.uint64(a)], g[LO2 + np.uint64(a)], area, a, g, face, h, 0)

        # Volumes.
        for s in range(n_store):
            j = index[s]
            if is_hose[s]:
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
                de += sign * q[k] * dt * CP_J_PER_KG_K * _stagnation(up, is_hose, index, hose, g, vol_m, vol_e, up == k)
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
                books[4] += hose[j, 2] * hose[j, 3] * advance_hose(a, b, dt / hose[j, 2], dt, g, past, j)
                ends[s, 0], ends[s, 1] = face[j, 0, 2], face[j, 1, 2]
                for end in range(2):
                    if abs(face[j, end, 1]) + math.sqrt(GAMMA * face[j, end, 2] / face[j, end, 0]) > past[j, 18]:
                        stale = True
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
    state[0], state[1], state[2] = (
        g[int(CONS0) : int(CONS0) + cells],
        g[int(CONS1) : int(CONS1) + cells],
        g[int(CONS2) : int(CONS2) + cells],
    )
    return steps
