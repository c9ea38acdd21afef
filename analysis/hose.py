"""The compiled solver of an air line: hoses as unsteady one-dimensional flow, volumes, and the restrictions between them.

A line is a row of *stores* (a volume or a hose) with a *link* between each two; a link is a row of restrictions (ISO 6358) or an open
end. Hoses are solved by MUSCL-Hancock with HLLC fluxes (second order in space and time), friction and wall heat semi-implicitly.
At a hose's end the outgoing characteristic gives the end an impedance dp/dq, at a volume the half step to come does; so each link is
one equation for one mass flow, whatever stands on its two sides. All pressures in here are absolute.

References
----------
.. [1] E. F. Toro, Riemann Solvers and Numerical Methods for Fluid Dynamics: HLLC (chapter 10), MUSCL-Hancock (chapter 14).
.. [2] W. Zielke, Frequency-dependent friction in transient pipe flow, J. Basic Eng. 90 (1968); A. K. Trikha, J. Fluids Eng. 97 (1975):
   the kernel as a sum of exponentials. The four terms below are our own fit to Zielke's exact kernel in the frequency domain,
   within 6 % for R^2 omega/nu from 10 to 20 000.
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
WEIGHT: Final = np.array([1.9146, 6.0662, 18.896, 119.53])
RATE: Final = np.array([37.067, 310.74, 2818.4, 37737.0])
REFRESH: Final = 8  # steps between two looks at time step, friction and heat coefficients


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
    el_k: np.ndarray,
    el_b: np.ndarray,
    el_set: np.ndarray,
    el_droop: np.ndarray,
    dp: float,
) -> tuple[float, float]:
    """Pressure behind a row of restrictions that pass q, and its derivative to q; falls steeply beyond the choked flow."""
    e = first
    while e != last:
        qc = el_k[e] * p / root_t
        x = q / qc
        dx = 1.0 / qc - q * dp / (qc * p)
        if x < 1.0:
            s = math.sqrt(1.0 - x * x)
            wide = p * (el_b[e] + (1.0 - el_b[e]) * s)
            dwide = dp * (el_b[e] + (1.0 - el_b[e]) * s) - p * (1.0 - el_b[e]) * x / max(s, 1e-9) * dx
        else:
            wide = max(p * (el_b[e] - 1000.0 * (x - 1.0)), 1e-3)
            dwide = -1000.0 * p * dx
        held = el_set[e] - el_droop[e] * x
        if held < wide:
            wide = max(held, 1e-3)
            dwide = -el_droop[e] * dx
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
    el_k: np.ndarray,
    el_b: np.ndarray,
    el_kind: np.ndarray,
    el_set: np.ndarray,
    el_droop: np.ndarray,
) -> float:
    """Mass flow [kg/s] through a link, positive from left to right.

    Each side has, at no flow through the link, a pressure p [Pa abs], an impedance z = -dp/dq of its end and a dynamic-pressure
    factor k (p0 = p + k q^2; zero for a volume), and a stagnation temperature [K].
    """
    sign = 1.0
    e0, e1, step = first, last, 1
    if p_left < p_right:
        for e in range(first, last):
            if el_kind[e] == REGULATOR:
                return 0.0
        sign = -1.0
        p_left, z_left, k_left, t_left, p_right, z_right = p_right, z_right, k_right, t_right, p_left, z_left
        e0, e1, step = last - 1, first - 1, -1
    root_t = math.sqrt(t_left)
    k0 = el_k[e0] / root_t
    high = k0 * p_left / (1.0 + k0 * z_left)
    p_end, _ = march(high * (1.0 - 1e-12), p_left - z_left * high, root_t, e0, e1, step, el_k, el_b, el_set, el_droop, -z_left)
    if p_end >= p_right + z_right * high:
        return sign * high
    p_end, _ = march(0.0, p_left, root_t, e0, e1, step, el_k, el_b, el_set, el_droop, 0.0)
    if p_end <= p_right:
        return 0.0  # a regulator that holds back
    low = 0.0
    q = sign * guess
    if not 0.0 < q < high:
        q = 0.5 * high
    for _ in range(60):
        p_up = p_left - z_left * q + k_left * q * q
        p_end, slope = march(q, p_up, root_t, e0, e1, step, el_k, el_b, el_set, el_droop, -z_left + 2.0 * k_left * q)
        gap = p_end - p_right - z_right * q
        if gap > 0.0:
            low = q
        else:
            high = q
        if abs(gap) < 1e-7 * p_left:
            break
        slope -= z_right
        new = q - gap / slope if slope < 0.0 else low - 1.0
        if not low < new < high:
            new = 0.5 * (low + high)
        if abs(new - q) < 1e-13:
            q = new
            break
        q = new
    return sign * q


@_fast
def predict_hose(
    a: int, b: int, dtdx: float, dt: float, w: np.ndarray, f: np.ndarray, coef: np.ndarray, lo: np.ndarray, hi: np.ndarray, mid: np.ndarray
) -> None:
    """Half-time states at both faces of each cell: lo at the left face, hi at the right; cells a..b-1, ghosts at a-1 and b."""
    for i in range(a, b):
        r, u, p = w[0, i], w[1, i], w[2, i]
        d0, d1 = r - w[0, i - 1], w[0, i + 1] - r
        s = d0 * d1
        sr = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        d0, d1 = u - w[1, i - 1], w[1, i + 1] - u
        s = d0 * d1
        su = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        d0, d1 = p - w[2, i - 1], w[2, i + 1] - p
        s = d0 * d1
        sp = 2.0 * s / (d0 + d1) if s > 0.0 else 0.0
        h = 0.5 * dtdx
        rm = r - h * (u * sr + r * su)
        brake = (coef[0, i] + coef[1, i] * abs(u)) * u + f[0, i]
        um = u - h * (u * su + sp / r) - 0.5 * dt * brake
        # Friction turns into heat: total energy is left as it is, so the pressure gains what the motion loses.
        gain = (GAMMA - 1.0) * (r * u * brake - coef[2, i] * (p / (r * R_AIR_J_PER_KG_K) - coef[3, i]) - f[1, i])
        pm = p - h * (u * sp + GAMMA * p * su) + 0.5 * dt * gain
        mid[0, i], mid[1, i], mid[2, i] = rm, um, pm
        lo[0, i], hi[0, i] = rm - 0.5 * sr, rm + 0.5 * sr
        lo[1, i], hi[1, i] = um - 0.5 * su, um + 0.5 * su
        lo[2, i], hi[2, i] = pm - 0.5 * sp, pm + 0.5 * sp


@_fast
def inner_fluxes(a: int, b: int, lo: np.ndarray, hi: np.ndarray, flux: np.ndarray) -> None:
    """HLLC fluxes of mass, momentum and energy at the faces between cells a..b-1; the flux at index i enters cell i."""
    for i in range(a + 1, b):
        rl, ul, pl = hi[0, i - 1], hi[1, i - 1], hi[2, i - 1]
        rr, ur, pr = lo[0, i], lo[1, i], lo[2, i]
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
        flux[0, i] = r * u + s * (rs - r)
        flux[1, i] = r * u * u + p + s * (rs * star - r * u)
        flux[2, i] = u * (e + p) + s * (es - e)


@_fast
def advance_hose(
    a: int,
    b: int,
    dtdx: float,
    dt: float,
    cons: np.ndarray,
    w: np.ndarray,
    f: np.ndarray,
    coef: np.ndarray,
    mid: np.ndarray,
    flux: np.ndarray,
    hist: np.ndarray,
    fade_u: np.ndarray,
    gain_u: np.ndarray,
    fade_t: np.ndarray,
    gain_t: np.ndarray,
    unsteady: np.ndarray,
) -> None:
    """Bring cells a..b-1 over one step: fluxes, then friction and heat semi-implicitly, with the memory of wall shear and heat."""
    cu, ct = unsteady[0], unsteady[1]
    sum_u = gain_u[0] + gain_u[1] + gain_u[2] + gain_u[3]
    sum_t = gain_t[0] + gain_t[1] + gain_t[2] + gain_t[3]
    for i in range(a, b):
        r = cons[0, i] + dtdx * (flux[0, i] - flux[0, i + 1])
        m = cons[1, i] + dtdx * (flux[1, i] - flux[1, i + 1])
        e = cons[2, i] + dtdx * (flux[2, i] - flux[2, i + 1])
        u_old, t_old = w[1, i], w[2, i] / (w[0, i] * R_AIR_J_PER_KG_K)
        # Wall shear: the steady part, Crank-Nicolson with the middle speed; the memory of past accelerations, its newest part implicit.
        k = coef[0, i] + coef[1, i] * abs(mid[1, i])
        past = fade_u[0] * hist[0, i] + fade_u[1] * hist[1, i] + fade_u[2] * hist[2, i] + fade_u[3] * hist[3, i]
        u = (m / r + dt * (-0.5 * k * u_old - cu * past + cu * sum_u * u_old)) / (1.0 + dt * (0.5 * k + cu * sum_u))
        du = u - u_old
        f0 = 0.0
        for j in range(4):
            y = fade_u[j] * hist[j, i] + gain_u[j] * du
            hist[j, i] = y
            f0 += y
        # Wall heat likewise, per unit volume.
        h = coef[2, i] / (r * CV_J_PER_KG_K)
        wall = coef[3, i]
        t = (e / r - 0.5 * (m / r) * (m / r)) / CV_J_PER_KG_K
        t += 0.5 * ((m / r) * (m / r) - u * u) / CV_J_PER_KG_K
        past = fade_t[0] * hist[4, i] + fade_t[1] * hist[5, i] + fade_t[2] * hist[6, i] + fade_t[3] * hist[7, i]
        t = (t + dt * (0.5 * h * (2.0 * wall - t_old) - ct * past + ct * sum_t * t_old)) / (1.0 + dt * (0.5 * h + ct * sum_t))
        d_t = t - t_old
        f1 = 0.0
        for j in range(4):
            y = fade_t[j] * hist[4 + j, i] + gain_t[j] * d_t
            hist[4 + j, i] = y
            f1 += y
        f[0, i] = cu * f0
        f[1, i] = ct * f1 * r * CV_J_PER_KG_K
        cons[0, i], cons[1, i], cons[2, i] = r, r * u, r * (CV_J_PER_KG_K * t + 0.5 * u * u)
        w[0, i], w[1, i], w[2, i] = r, u, r * R_AIR_J_PER_KG_K * t


@_fast
def refresh_hose(
    a: int, b: int, bore: float, rough: float, wall_k: float, memory: float, w: np.ndarray, coef: np.ndarray, mean: np.ndarray
) -> float:
    """Look friction and heat coefficients up afresh; mean gets density-averaged viscosity and Reynolds number. Returns the fastest wave."""
    fastest, nu_sum, re_sum = 0.0, 0.0, 0.0
    for i in range(a, b):
        r, u, p = w[0, i], w[1, i], w[2, i]
        t = p / (r * R_AIR_J_PER_KG_K)
        mu = SUTHERLAND_MU0_PA_S * (t / SUTHERLAND_T0_K) * math.sqrt(t / SUTHERLAND_T0_K) * (SUTHERLAND_T0_K + SUTHERLAND_S_K)
        mu /= t + SUTHERLAND_S_K
        nu = mu / r
        re = abs(u) * bore / nu
        factor, share = friction_terms(re, rough / bore)
        coef[0, i] = (1.0 - share) * 32.0 * nu / (bore * bore)
        coef[1, i] = share * factor / (2.0 * bore)
        # Nusselt number: 8 is the quasi-steady value that belongs to Zielke's kernel taken for heat; turbulent by Gnielinski.
        eighth = factor / 8.0
        turbulent = eighth * (max(re, 2000.0) - 1000.0) * PRANDTL / (1.0 + 12.7 * math.sqrt(eighth) * (PRANDTL ** (2.0 / 3.0) - 1.0))
        laminar = 8.0 if memory > 0.0 else 3.66
        conductivity = mu * CP_J_PER_KG_K / PRANDTL
        coef[2, i] = ((1.0 - share) * laminar + share * max(turbulent, laminar)) * conductivity * 4.0 / (bore * bore)
        coef[3, i] = wall_k
        fastest = max(fastest, abs(u) + math.sqrt(GAMMA * p / r))
        nu_sum += nu
        re_sum += re
    mean[0] = nu_sum / (b - a)
    mean[1] = re_sum / (b - a)
    return fastest
