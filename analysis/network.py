"""The compiled solver of an air line: hoses as unsteady one-dimensional flow, volumes, and the restrictions between them.

All compiled code stands in this one file: the cache of machine code is judged by the file of the function that is called, not by those
it calls, so a second file would leave stale code behind when it is edited.

A line is a row of *stores* (a volume or a hose) with a *link* between each two; a link is a row of restrictions (ISO 6358) or an open
end. Hoses are solved by MUSCL-Hancock with HLLC fluxes (second order in space and time), friction and wall heat semi-implicitly. What
takes longest in their loops is to divide, so each divides once in a cell, by a product.
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
from typing import Any, Final, NamedTuple, TypeVar

import numba
import numpy as np

from analysis.air import PUMP_EXPONENT
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
from analysis.jit import jit

F = TypeVar("F", bound=Callable[..., Any])

# IEEE division, so that loops vectorise, and liberties with rounding (NaN and infinity stay what they are). Compiled code makes no
# arrays: counting the references to those that it is given would cost a quarter of the time. No C calls it: no bridge for that.
OPTIONS: Final[dict[str, Any]] = {
    "error_model": "numpy",
    "fastmath": {"contract", "arcp", "nsz", "reassoc"},
    "_nrt": False,
    "no_cfunc_wrapper": True,
}

PLAIN: Final = 0  # a restriction by C and b
REGULATOR: Final = 1  # likewise, and its outlet is held at a set point; passes nothing backwards

TERMS: Final = 4
WEIGHT: Final = np.array([1.7616, 4.6923, 12.920, 84.027])
RATE: Final = np.array([35.973, 241.48, 1679.0, 18931.8])
STEP_S: Final = 2e-3  # longest time step
SHORT_S: Final = 0.03  # time from a shot's beginning over which steps are short
REFRESH: Final = 8  # steps between two looks at time step, friction and heat coefficients


# All cell arrays are rows of one flat array `g`, a fixed distance apart: only so can the compiler see that they do not overlap, and
# vectorise. The distance is no power of two, so that the rows do not compete for the same places in the processor's cache. Rows and
# hoses begin at multiples of ALIGNED cells, so that no vector of cells lies across two lines of the cache.
ALIGNED: Final = 8
ROW: Final = 4168
ROWS: Final = 32
MOST_CELLS: Final = ROW - ALIGNED
ONE = np.uint64(1)


def _rows(first: int, end: int) -> tuple[Any, ...]:
    """Where these rows begin in `g`, as the unsigned numbers that the compiler needs to see that no index is negative."""
    return tuple(np.uint64(i * ROW) for i in range(first, end))


W0, W1, W2, TEMP, SOUND = _rows(0, 5)  # state: density, speed, pressure, temperature, speed of sound
CONS0, CONS1, CONS2 = _rows(5, 8)  # state as it is conserved: density, momentum, energy
F0, F1 = _rows(8, 10)  # wall shear and heat that the past leaves
COEF0, COEF1, COEF2, RE = _rows(10, 14)  # coefficients of friction (laminar, turbulent) and heat, and their Reynolds number
LO0, LO1, LO2, HI0, HI1, HI2, MID = _rows(14, 21)  # half-time state at the left and the right face, and speed in the middle
FLUX0, FLUX1, FLUX2 = _rows(21, 24)  # through the left face
HIST0, HIST1, HIST2, HIST3, HIST4, HIST5, HIST6, HIST7 = _rows(24, 32)  # memory of wall shear and heat
W, CONS, COEF, LO, HI, FLUX = 0, 5, 10, 14, 17, 21  # the same rows, where single cells are looked at


def _inner(function: F) -> F:
    """Compile as a part of `run`: never called from Python, so without the bridges that would take as long to compile again.

    It is inlined: in a call each array would be handed over as seven numbers and more, which took a tenth of the time.
    """
    return numba.njit(no_cpython_wrapper=True, forceinline=True, **OPTIONS)(function)


def _outer(function: F) -> F:
    """Compile for Python."""
    return jit(function, **OPTIONS)


@_inner
def friction_terms(re: float, rough: float) -> tuple[float, float]:
    """Darcy's factor for turbulent flow (Haaland), and the share of turbulence: 0 at Re 2000, 1 above 4000, smooth between.

    rough is Haaland's term of roughness, (e/3.7 D)^1.11.
    """
    x = min((re - 2000.0) / 2000.0, 1.0)
    inv = -1.8 / math.log(10.0) * math.log(rough + 6.9 / re)
    return 1.0 / (inv * inv), x * x * (3.0 - 2.0 * x)


def valve(p: float, behind: float, e: int, el: np.ndarray) -> tuple[float, float]:
    """Of a restriction at these pressures: flow over choked flow when it is wide open, and the opening that a spring asks for [0..1]."""
    x = max((behind / p - el[e, 1]) / (1.0 - el[e, 1]), 0.0)
    psi = math.sqrt(max(1.0 - x * x, 0.0))
    asked = (el[e, 3] - behind) / el[e, 4]
    return psi, min(max(asked / max(psi, 1e-6), 0.0), 1.0)


_valve = _inner(valve)


@_inner
def _beyond(p: float, slope: float) -> tuple[float, float]:
    """Pressure and slope, or next to nothing and no slope at all: where the pressure has run out Newton must not creep along it."""
    if p > 1e-3:
        return p, slope
    return 1e-3, 0.0


@_inner
def _lagging(x: float, p: float, dx: float, dp: float, e: int, el: np.ndarray) -> tuple[float, float]:
    """Pressure behind a regulator whose valve takes its time, and its derivative; x is flow over choked flow of the open valve.

    The valve goes a part of the way from where it is to where the spring asks for at the end of the step, so that no step is too long:
    x = stays psi + moves min(asked, psi), where psi is an ellipse in the pressure behind and what is asked for a straight line.
    """
    b, held, droop = el[e, 1], el[e, 3], el[e, 4]
    stays, moves = (1.0 - el[e, 7]) * el[e, 6], el[e, 7]
    most = stays + moves * min(held / droop, 1.0)
    if x >= most:
        return _beyond(p * (b - 1000.0 * (x / most - 1.0)), -1000.0 * p * dx / most)
    at_set = max((held / p - b) / (1.0 - b), 0.0)  # in y, which is 0 where the flow chokes and 1 where it ends
    if x < stays * math.sqrt(max(1.0 - at_set * at_set, 0.0)):  # the spring lets go
        psi, open_, pull = x / stays, stays, 0.0
        y = math.sqrt(1.0 - psi * psi)
    else:
        psi, open_, pull = x / (stays + moves), stays + moves, 0.0
        y = math.sqrt(1.0 - psi * psi)
        if held - p * (b + (1.0 - b) * y) < droop * psi:  # it is not asked to be wide open
            open_, pull = stays, moves / droop
            rise, rest = pull * p * (1.0 - b), x - pull * (held - p * b)
            square = stays * stays + rise * rise
            y = (stays * math.sqrt(max(square - rest * rest, 0.0)) - rest * rise) / square
            if y <= 0.0:
                return _beyond(held - (x - stays) / pull, -dx / pull)
            psi = math.sqrt(max(1.0 - y * y, 0.0))
    behind = p * (b + (1.0 - b) * y)
    slope = -pull - open_ * y / (max(psi, 1e-9) * (1.0 - b) * p)
    return behind, dx / min(slope, -1e-12) + dp * (behind / p if behind > held else 0.0)


@_inner
def _behind(q: float, p: float, root_t: float, e: int, el: np.ndarray, dp: float) -> tuple[float, float]:
    """Pressure behind a restriction that passes q, and its derivative to q; falls steeply beyond the choked flow."""
    qc = el[e, 0] * p / root_t
    x = q / qc
    dx = 1.0 / qc - q * dp / (qc * p)
    if el[e, 5] > 0.0:
        return _lagging(x, p, dx, dp, e, el)
    if x < 1.0:
        s = math.sqrt(1.0 - x * x)
        wide = p * (el[e, 1] + (1.0 - el[e, 1]) * s)
        dwide = dp * (el[e, 1] + (1.0 - el[e, 1]) * s) - p * (1.0 - el[e, 1]) * x / max(s, 1e-9) * dx
    else:
        wide, dwide = _beyond(p * (el[e, 1] - 1000.0 * (x - 1.0)), -1000.0 * p * dx)
    held = el[e, 3] - el[e, 4] * x
    if held < wide:
        return _beyond(held, -el[e, 4] * dx)
    return wide, dwide


@_inner
def march(q: float, p: float, root_t: float, first: int, last: int, step: int, el: np.ndarray, dp: float) -> tuple[float, float]:
    """Pressure behind a row of restrictions that pass q, and its derivative to q."""
    e = first
    while e != last:
        p, dp = _behind(q, p, root_t, e, el, dp)
        e += step
    return p, dp


@_inner
def _move_valves(q: float, p: float, p_right: float, root_t: float, first: int, last: int, el: np.ndarray) -> None:
    """Let each lagging valve of a link take its new opening, once the flow of the step is known."""
    for e in range(first, last):
        behind = p_right if q <= 0.0 else _behind(q, p, root_t, e, el, 0.0)[0]
        if el[e, 5] > 0.0:
            el[e, 6] += el[e, 7] * (_valve(max(p, behind), behind, e, el)[1] - el[e, 6])
        p = behind


@_inner
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
    q = max(sign * guess, 0.0)
    if not q < high:
        q = 0.5 * high
    for _ in range(60):
        p_up = p_left - z_left * q + k_left * q * q
        p_end, slope = march(q, p_up, root_t, e0, e1, step, el, -z_left + 2.0 * k_left * q)
        gap = p_end - p_right - z_right * q
        if gap > 0.0:
            low = q
        else:
            high = q
        slope -= z_right
        new = q - gap / slope if slope < 0.0 else 2.0 * high
        if abs(gap) < 1e-5 * p_left and low <= new <= high:  # this step of Newton's leaves about the square of it
            return sign * new
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


@_inner
def predict_hose(h: int, hose: np.ndarray, dt: float, g: np.ndarray) -> None:
    """Half-time states at both faces of each cell of a hose: lo at the left face, hi at the right. The ghosts must have their state."""
    a, b, dtdx, half, wall_k = int(hose[h, 0]), int(hose[h, 1]), dt / hose[h, 2], 0.5 * dt, hose[h, 6]
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return
    for i in range(np.uint64(a), np.uint64(b)):
        r, u, p = g[W0 + i], g[W1 + i], g[W2 + i]
        # Half of van Leer's limited slope: product of the differences to both sides, over their sum; one division serves for all.
        r0, r1 = r - g[W0 + i - ONE], g[W0 + i + ONE] - r
        u0, u1 = u - g[W1 + i - ONE], g[W1 + i + ONE] - u
        p0, p1 = p - g[W2 + i - ONE], g[W2 + i + ONE] - p
        sr, su, sp = r0 * r1, u0 * u1, p0 * p1
        dr = r0 + r1 if sr > 0.0 else 1.0
        du = u0 + u1 if su > 0.0 else 1.0
        dp = p0 + p1 if sp > 0.0 else 1.0
        dr_du, dp_r = dr * du, dp * r
        inv = 1.0 / (dr_du * dp_r)
        per_dr_du, per_dp_r = dp_r * inv, dr_du * inv
        sr = sr * du * per_dr_du if sr > 0.0 else 0.0
        su = su * dr * per_dr_du if su > 0.0 else 0.0
        sp = sp * r * per_dp_r if sp > 0.0 else 0.0
        rm = r - dtdx * (u * sr + r * su)
        brake = (g[COEF0 + i] + g[COEF1 + i] * abs(u)) * u + g[F0 + i]
        um = u - dtdx * (u * su + sp * dp * per_dp_r) - half * brake
        # Friction turns into heat: total energy is left as it is, so the pressure gains what the motion loses.
        gain = (GAMMA - 1.0) * (r * u * brake - g[COEF2 + i] * (g[TEMP + i] - wall_k) - g[F1 + i])
        pm = p - dtdx * (u * sp + GAMMA * p * su) + half * gain
        g[MID + i] = um
        g[LO0 + i], g[HI0 + i] = rm - sr, rm + sr
        g[LO1 + i], g[HI1 + i] = um - su, um + su
        g[LO2 + i], g[HI2 + i] = pm - sp, pm + sp


@_inner
def inner_fluxes(h: int, hose: np.ndarray, g: np.ndarray) -> None:
    """HLLC fluxes of mass, momentum and energy at the faces between the cells of a hose; the flux at index i enters cell i."""
    a, b = int(hose[h, 0]), int(hose[h, 1])
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return
    for i in range(np.uint64(a + 1), np.uint64(b)):
        rl, ul, pl = g[HI0 + i - ONE], g[HI1 + i - ONE], g[HI2 + i - ONE]
        rr, ur, pr = g[LO0 + i], g[LO1 + i], g[LO2 + i]
        c = 0.5 * (g[SOUND + i - ONE] + g[SOUND + i])
        sl, sr = min(ul, ur) - c, max(ul, ur) + c
        ml, mr = rl * (sl - ul), rr * (sr - ur)
        # The contact's speed is top / bottom, and bottom < 0.
        top, bottom = pr - pl + ml * ul - mr * ur, ml - mr
        left = top <= 0.0
        r = rl if left else rr
        u = ul if left else ur
        p = pl if left else pr
        s = min(sl, 0.0) if left else max(sr, 0.0)
        far = sl if left else sr
        beyond = far * bottom - top
        inv = 1.0 / (bottom * beyond)
        star = top * beyond * inv
        thin = bottom * bottom * inv
        grow = (far - u) * thin  # density in the star region over that outside
        rs = r * grow
        e = p / (GAMMA - 1.0) + 0.5 * r * u * u
        es = grow * e + (star - u) * (rs * star + thin * p)
        g[FLUX0 + i] = r * u + s * (rs - r)
        g[FLUX1 + i] = r * u * u + p + s * (rs * star - r * u)
        g[FLUX2 + i] = u * (e + p) + s * (es - e)


@_inner
def advance_hose(h: int, hose: np.ndarray, dt: float, g: np.ndarray, memory: np.ndarray) -> float:
    """Bring a hose over one step: fluxes, then friction and heat semi-implicitly, with the memory of wall shear and heat.

    Returns the heat that came from the wall over the step, per cell volume [J/m3].
    """
    a, b, dtdx, wall_k = int(hose[h, 0]), int(hose[h, 1]), dt / hose[h, 2], hose[h, 6]
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return 0.0
    # Plain numbers, not array elements, so that the loops can be vectorised.
    cu, ct = memory[h, 0], memory[h, 1]
    au0, au1, au2, au3 = memory[h, 2], memory[h, 3], memory[h, 4], memory[h, 5]
    gu0, gu1, gu2, gu3 = memory[h, 6], memory[h, 7], memory[h, 8], memory[h, 9]
    at0, at1, at2, at3 = memory[h, 10], memory[h, 11], memory[h, 12], memory[h, 13]
    gt0, gt1, gt2, gt3 = memory[h, 14], memory[h, 15], memory[h, 16], memory[h, 17]
    now_u, now_t = cu * (gu0 + gu1 + gu2 + gu3), ct * (gt0 + gt1 + gt2 + gt3)
    heat = 0.0
    for i in range(np.uint64(a), np.uint64(b)):
        r = g[CONS0 + i] + dtdx * (g[FLUX0 + i] - g[FLUX0 + i + ONE])
        ru = g[CONS1 + i] + dtdx * (g[FLUX1 + i] - g[FLUX1 + i + ONE])
        e = g[CONS2 + i] + dtdx * (g[FLUX2 + i] - g[FLUX2 + i + ONE])
        u_old, t_old = g[W1 + i], g[TEMP + i]
        # Steady shear and heat by Crank-Nicolson, with the middle speed; the memory of past changes, its newest part implicit.
        k, w = 0.5 * (g[COEF0 + i] + g[COEF1 + i] * abs(g[MID + i])), 0.5 * g[COEF2 + i]
        u0, u1, u2, u3 = au0 * g[HIST0 + i], au1 * g[HIST1 + i], au2 * g[HIST2 + i], au3 * g[HIST3 + i]
        t0, t1, t2, t3 = at0 * g[HIST4 + i], at1 * g[HIST5 + i], at2 * g[HIST6 + i], at3 * g[HIST7 + i]
        slows = 1.0 + dt * (k + now_u)
        cools = CV_J_PER_KG_K * r * (1.0 + dt * now_t) + dt * w
        inv = 1.0 / (r * slows * cools)
        past_u, past_t = cu * (u0 + u1 + u2 + u3), ct * (t0 + t1 + t2 + t3)
        u = (ru + dt * r * ((now_u - k) * u_old - past_u)) * (cools * inv)
        motion = 0.5 * r * u * u
        t = e - motion + dt * (w * (2.0 * wall_k - t_old) + CV_J_PER_KG_K * r * (now_t * t_old - past_t))
        t *= r * slows * inv
        du, d_t = u - u_old + 1e-30, t - t_old + 1e-30  # never quite zero: a memory that fades to denormal numbers is slow
        g[HIST0 + i], g[HIST1 + i], g[HIST2 + i], g[HIST3 + i] = u0 + gu0 * du, u1 + gu1 * du, u2 + gu2 * du, u3 + gu3 * du
        g[HIST4 + i], g[HIST5 + i], g[HIST6 + i], g[HIST7 + i] = t0 + gt0 * d_t, t1 + gt1 * d_t, t2 + gt2 * d_t, t3 + gt3 * d_t
        g[F0 + i] = past_u + now_u * du
        g[F1 + i] = (past_t + now_t * d_t) * r * CV_J_PER_KG_K
        heated = r * CV_J_PER_KG_K * t + motion
        heat += heated - e
        g[CONS0 + i], g[CONS1 + i], g[CONS2 + i] = r, r * u, heated
        g[W0 + i], g[W1 + i], g[W2 + i] = r, u, r * R_AIR_J_PER_KG_K * t
        g[TEMP + i], g[SOUND + i] = t, math.sqrt(GAMMA * R_AIR_J_PER_KG_K * t)
    return heat


@_inner
def refresh_hose(h: int, hose: np.ndarray, memory: float, g: np.ndarray, mean: np.ndarray) -> float:
    """Look friction and heat coefficients up afresh; mean gets mean viscosity and Reynolds number. Returns the fastest wave."""
    a, b, bore, brake, warm = int(hose[h, 0]), int(hose[h, 1]), hose[h, 4], hose[h, 7], hose[h, 8]
    if a < 1 or b >= ROW:  # never so; it lets the compiler drop the wrapping of negative indices, and so vectorise
        return 0.0
    rough = (hose[h, 5] / bore / 3.7) ** 1.11
    # Nusselt number: 8 is the quasi-steady value that belongs to Zielke's kernel taken for heat; turbulent by Gnielinski.
    laminar = 8.0 if memory > 0.0 else 3.66
    per_area = 4.0 / (bore * bore)
    nu_sum, re_sum = 0.0, 0.0
    for i in range(np.uint64(a), np.uint64(b)):
        t = g[TEMP + i]
        mu = SUTHERLAND_MU0_PA_S * (t / SUTHERLAND_T0_K) * math.sqrt(t / SUTHERLAND_T0_K) * (SUTHERLAND_T0_K + SUTHERLAND_S_K)
        mu /= t + SUTHERLAND_S_K
        nu = mu / g[W0 + i]
        re = abs(g[W1 + i]) * bore / nu
        g[COEF0 + i] = brake * 8.0 * per_area * nu
        g[COEF1 + i] = 0.0
        g[COEF2 + i] = warm * laminar * per_area * CP_J_PER_KG_K / PRANDTL * mu
        g[RE + i] = re
        nu_sum += nu
        re_sum += re
    fastest = 0.0
    for i in range(np.uint64(a), np.uint64(b)):
        fastest = max(fastest, abs(g[W1 + i]) + g[SOUND + i])
        re = g[RE + i]
        if re > 2000.0:
            factor, share = friction_terms(re, rough)
            g[COEF0 + i] *= 1.0 - share
            g[COEF1 + i] = brake * share * factor / (2.0 * bore)
            eighth = factor / 8.0
            turbulent = eighth * (re - 1000.0) * PRANDTL / (1.0 + 12.7 * math.sqrt(eighth) * (PRANDTL ** (2.0 / 3.0) - 1.0))
            g[COEF2 + i] *= 1.0 - share + share * max(turbulent / laminar, 1.0)
    mean[0] = nu_sum / (b - a)
    mean[1] = re_sum / (b - a)
    return fastest


# Columns of the tables that describe a line to the compiled code.
# volume: 0 V [m3], 1 wall conductance hA [W/K], 2 wall temperature [K]
# hose:   0 first cell, 1 end cell (with room for a ghost before and after), 2 dx [m], 3 area [m2], 4 bore [m], 5 roughness [m],
#         6 wall temperature [K], 7 friction and 8 heat as multiples of the usual
# element: 0 k = C rho0 sqrt(T0) [kg K^0.5/(s Pa)], 1 b, 2 kind, 3 set point [Pa abs], 4 droop [Pa], 5 time constant [s];
#         while it runs: 6 how far the valve is open, 7 the part of its way that it goes within a step
# drain:  0 store, 1 from [s], 2 until [s] (when it is half open, half shut), 3 k, 4 b, 5 time that it takes to open or to shut [s]
# pump:   0 mass flow at no overpressure [kg/s], 1 cut-in, 2 cut-out [Pa abs], 3 temperature of its air [K], 4 runs at the start,
#         5 clearance
# shot:   0 mass at the reference pressure [kg], 1 reference [Pa abs], 2 duration [s]
# probe:  0 cell, 1 weight of the next cell
class Tables(NamedTuple):
    """A line in numbers; see the columns above. `is_hose` and `place` say of each store what it is, and its row there."""

    is_hose: np.ndarray
    place: np.ndarray
    volume: np.ndarray
    hose: np.ndarray
    link: np.ndarray
    el: np.ndarray
    drain: np.ndarray
    pump: np.ndarray
    shot: np.ndarray
    probe: np.ndarray


class Work(NamedTuple):
    """What changes while a line runs.

    mass, energy: of each volume [kg, J]. g: the rows of cells, flat; row: the same, as a table. memory: of each hose, 0 and 1 strength
    of the memory of shear and heat, 2 to 17 how its terms fade and grow within a step, 18 the fastest wave allowed for. face: state at
    both ends of each hose. ends, before: pressure at both ends of each store, after this step and the last. side: of both ends of each
    store, what a link sees: pressure at no flow, impedance, factor of the dynamic pressure, stagnation temperature. loss: mass flow out
    of a store by drains, leaks and shots [kg/s]. q: mass flow of each link; guess: what it is likely to be a step on; warm: stagnation
    temperature that it brings [K]. seen: pressure at the probes, now and a step ago. books: air and energy that came in and went out,
    heat from the walls.
    """

    mass: np.ndarray
    energy: np.ndarray
    g: np.ndarray
    row: np.ndarray
    memory: np.ndarray
    mean: np.ndarray
    face: np.ndarray
    ends: np.ndarray
    before: np.ndarray
    side: np.ndarray
    loss: np.ndarray
    q: np.ndarray
    guess: np.ndarray
    warm: np.ndarray
    seen: np.ndarray
    books: np.ndarray


@_inner
def _end_flux(q: float, p: float, t_up: float, h: int, end: int, cell: int, area: float, row: np.ndarray, face: np.ndarray) -> None:
    """State and fluxes at a hose's end (0 inlet, 1 outlet), from the flow there and the pressure that it leaves."""
    if (q >= 0.0) == (end == 0):  # the air enters, and brings the stagnation temperature of where it comes from
        per_k = R_AIR_J_PER_KG_K * q / (area * p)  # speed over temperature
        t = 2.0 * t_up / (1.0 + math.sqrt(1.0 + 2.0 * per_k * per_k * t_up / CP_J_PER_KG_K))
        r = p / (R_AIR_J_PER_KG_K * t)
    else:  # isentropic from the cell
        r_cell = row[LO + 3 * end, cell]
        x = p / row[LO + 3 * end + 2, cell] - 1.0
        r = r_cell * (1.0 + x / GAMMA * (1.0 + 0.5 * (1.0 / GAMMA - 1.0) * x))  # the power's series: it is asked for at every step
        if abs(x) > 0.05:
            r = r_cell * (1.0 + x) ** (1.0 / GAMMA)
    u = q / (area * r)
    face[h, end, 0], face[h, end, 1], face[h, end, 2] = r, u, p
    row[FLUX, cell + end] = q / area
    row[FLUX + 1, cell + end] = q / area * u + p
    row[FLUX + 2, cell + end] = q / area * CP_J_PER_KG_K * t_up


@_inner
def _look_afresh(cfl: float, remembers: float, hose: np.ndarray, g: np.ndarray, memory: np.ndarray, mean: np.ndarray) -> float:
    """Refresh friction, heat and the terms of the memory; returns the time step, or -1 when the air is faster than can be."""
    dt = STEP_S
    for h in range(hose.shape[0]):
        fastest = refresh_hose(h, hose, remembers, g, mean)
        if not fastest < 5e3:
            return -1.0
        memory[h, 18] = 1.1 * fastest
        dt = min(dt, cfl * hose[h, 2] / fastest)
        per_radius = mean[0] / (0.25 * hose[h, 4] * hose[h, 4])
        turbulent = 0.0
        if mean[1] > 2000.0:
            turbulent = mean[1] ** math.log10(15.29 / mean[1] ** 0.0567) / 12.86
        memory[h, 0] = remembers * 4.0 * per_radius
        memory[h, 1] = remembers * 4.0 * GAMMA * per_radius / PRANDTL
        for j in range(8):  # four terms of shear, then those of heat
            x = (RATE[j % 4] + turbulent) * per_radius * dt / (1.0 if j < 4 else PRANDTL)
            at = 2 + j + j // 4 * 4
            memory[h, at] = math.exp(-x)
            memory[h, at + 4] = WEIGHT[j % 4] * (1.0 - memory[h, at]) / x
    return dt


@_inner
def _open_for(since: float, opens: float) -> float:
    """For how long a passage that opens evenly has been open, as if fully, a time after it was half open."""
    begun = since + 0.5 * opens
    return since if begun >= opens else 0.5 * begun * begun / opens if begun > 0.0 else 0.0


@_inner
def _drain(
    t: float,
    dt: float,
    p_amb: float,
    drain: np.ndarray,
    is_hose: np.ndarray,
    index: np.ndarray,
    hose: np.ndarray,
    volume: np.ndarray,
    mass: np.ndarray,
    energy: np.ndarray,
    row: np.ndarray,
    q: np.ndarray,
    loss: np.ndarray,
) -> None:
    """What leaves the stores through leaks and test nozzles; a hose loses it at its outlet."""
    for d in range(drain.shape[0]):
        opens = drain[d, 5]
        on = _open_for(t + dt - drain[d, 1], opens) - _open_for(t - drain[d, 1], opens)
        on -= _open_for(t + dt - drain[d, 2], opens) - _open_for(t - drain[d, 2], opens)
        if on > 0.0:
            s = int(drain[d, 0])
            j = index[s]
            if is_hose[s]:
                i = int(hose[j, 1]) - 1
                r, u, p = row[HI, i], row[HI + 1, i], row[HI + 2, i]
                temp = p / (r * R_AIR_J_PER_KG_K)
                p += 0.5 * r * u * u  # a restriction is asked by its stagnation pressure
            else:
                p, temp = (GAMMA - 1.0) * energy[j] / volume[j, 0], energy[j] / (mass[j] * CV_J_PER_KG_K)
                comes = q[s - 1] if s > 0 else 0.0
                p += 0.5 * dt * GAMMA * R_AIR_J_PER_KG_K * temp / volume[j, 0] * (comes - loss[s])
            if p > p_amb:
                x = max((p_amb / p - drain[d, 4]) / (1.0 - drain[d, 4]), 0.0)
                loss[s] += on / dt * drain[d, 3] * p / math.sqrt(temp) * math.sqrt(max(1.0 - x * x, 0.0))


@_inner
def _sides(
    dt: float,
    is_hose: np.ndarray,
    index: np.ndarray,
    hose: np.ndarray,
    volume: np.ndarray,
    mass: np.ndarray,
    energy: np.ndarray,
    row: np.ndarray,
    q: np.ndarray,
    loss: np.ndarray,
    side: np.ndarray,
) -> bool:
    """What each end of each store offers to its link (see `Work.side`); False when a pressure is none."""
    last = is_hose.shape[0] - 1
    for s in range(last + 1):
        j = index[s]
        if is_hose[s]:
            area = hose[j, 3]
            for end in range(2):
                out = 2.0 * end - 1.0
                i = int(hose[j, end]) - end
                r, u, p = row[LO + 3 * end, i], out * row[LO + 3 * end + 1, i], row[LO + 3 * end + 2, i]
                rt = p / r
                c = math.sqrt(GAMMA * rt)
                z = GAMMA * rt / (area * max(c - u, 0.05 * c))
                side[s, end, 0] = p + z * (r * u * area - end * loss[s])
                side[s, end, 1] = z
                side[s, end, 2] = 0.5 / (r * area * area)
                side[s, end, 3] = rt / R_AIR_J_PER_KG_K + 0.5 * u * u / CP_J_PER_KG_K
        else:
            temp = energy[j] / (mass[j] * CV_J_PER_KG_K)
            p = (GAMMA - 1.0) * energy[j] / volume[j, 0]
            z = 0.55 * dt * GAMMA * R_AIR_J_PER_KG_K * temp / volume[j, 0]
            comes = q[s - 1] if s > 0 else 0.0
            goes = q[s] if s < last else 0.0
            for end in range(2):
                side[s, end, 0] = p + z * ((comes if end == 1 else -goes) - loss[s])
                side[s, end, 1] = z
                side[s, end, 2] = 0.0
                side[s, end, 3] = temp
        if not (side[s, 0, 0] > 0.0 or s == 0) or not (side[s, 1, 0] > 0.0 or s == last):
            return False
    return True


@_inner
def _links(
    dt: float,
    is_hose: np.ndarray,
    index: np.ndarray,
    hose: np.ndarray,
    link: np.ndarray,
    el: np.ndarray,
    side: np.ndarray,
    loss: np.ndarray,
    q: np.ndarray,
    guess: np.ndarray,
    warm: np.ndarray,
    row: np.ndarray,
    face: np.ndarray,
    books: np.ndarray,
) -> None:
    """One equation for the flow through each link, and what it does to the hoses' ends."""
    for k in range(q.shape[0]):
        first, last = link[k, 0], link[k, 1]
        slow = False
        for e in range(first, last):
            if el[e, 5] > 0.0:
                slow = True
                el[e, 7] = 1.0 - math.exp(-dt / el[e, 5])
        pl, zl, kl, tl = side[k, 1, 0], side[k, 1, 1], side[k, 1, 2], side[k, 1, 3]
        pr, zr, kr, tr = side[k + 1, 0, 0], side[k + 1, 0, 1], side[k + 1, 0, 2], side[k + 1, 0, 3]
        flow = link_flow(pl, zl, kl, tl, pr, zr, kr, tr, guess[k], first, last, el)
        if slow:
            _move_valves(flow, pl - zl * flow + kl * flow * flow, pr + zr * flow, math.sqrt(tl), first, last, el)
        guess[k] = 2.0 * flow - q[k]
        q[k] = flow
        warm[k] = tl if flow >= 0.0 else tr
        for s in range(k, k + 2):
            if is_hose[s]:
                h, end = index[s], 1 - (s - k)
                whole = flow + end * loss[s]  # what is drawn off at the end of a hose leaves it there beside the link's flow
                t_up = tl if whole >= 0.0 else tr
                out = 2.0 * end - 1.0
                _end_flux(
                    whole, side[s, end, 0] - out * side[s, end, 1] * flow, t_up, h, end, int(hose[h, end]) - end, hose[h, 3], row, face
                )
                if end == 1:
                    books[1] += loss[s] * dt
                    books[3] += (whole * t_up - flow * warm[k]) * CP_J_PER_KG_K * dt


@_inner
def _volumes(
    dt: float,
    p_amb: float,
    running: bool,
    is_hose: np.ndarray,
    index: np.ndarray,
    volume: np.ndarray,
    pump: np.ndarray,
    mass: np.ndarray,
    energy: np.ndarray,
    loss: np.ndarray,
    q: np.ndarray,
    warm: np.ndarray,
    ends: np.ndarray,
    books: np.ndarray,
) -> int:
    """Mass and energy of the volumes over one step; returns 1 when the pump runs, 0 when not, -1 when a volume ran empty."""
    for s in range(is_hose.shape[0]):
        if is_hose[s]:
            continue
        j = index[s]
        temp = energy[j] / (mass[j] * CV_J_PER_KG_K)
        dm, dh = -loss[s], -loss[s] * temp  # mass, and mass times temperature, per second
        books[1] -= dm * dt
        books[3] -= dh * dt * CP_J_PER_KG_K
        if s > 0:
            dm += q[s - 1]
            dh += q[s - 1] * warm[s - 1]
        if s < q.shape[0]:
            dm -= q[s]
            dh -= q[s] * warm[s]
        if s == 0 and pump[0] > 0.0:
            p = (GAMMA - 1.0) * energy[j] / volume[j, 0]
            running = p < pump[1] or (running and p < pump[2])
            if running:
                gives = pump[0]
                if pump[5] > 0.0:  # what is left in the pump's clearance expands, and takes the place of fresh air
                    gives *= max(1.0 - pump[5] * ((p / p_amb) ** (1.0 / PUMP_EXPONENT) - 1.0), 0.0)
                dm += gives
                dh += gives * pump[3]
                books[0] += gives * dt
                books[2] += gives * dt * CP_J_PER_KG_K * pump[3]
        new = mass[j] + dm * dt
        if not new > 0.0:
            return -1
        e = energy[j] + dh * dt * CP_J_PER_KG_K
        mid = 0.5 * (temp + e / (new * CV_J_PER_KG_K))
        to_wall = volume[j, 1] * dt
        heat = to_wall * (volume[j, 2] - mid) / (1.0 + 0.5 * to_wall / (new * CV_J_PER_KG_K))
        books[4] += heat
        mass[j], energy[j] = new, e + heat
        ends[s, 0] = ends[s, 1] = (GAMMA - 1.0) * energy[j] / volume[j, 0]
        if not ends[s, 0] > 0.0:
            return -1
    return 1 if running else 0


@_outer
def run(
    duration: float,
    cfl: float,
    brief: float,
    remembers: float,
    p_amb: float,
    line: Tables,
    w: Work,
    shots: np.ndarray,
    out_dt: float,
    out_p: np.ndarray,
    out_q: np.ndarray,
    out_probe: np.ndarray,
    shot_out: np.ndarray,
) -> int:
    """Run a line. Fills out_p (sample, store, inlet and outlet end), out_q (sample, link), out_probe and shot_out (shot: before, lowest,
    mass).

    mass, energy and the conserved rows of `w` hold the state: given at the start, left at the end. Returns the number of steps, or -1
    when the state left its range.
    """
    is_hose, index, hose, volume, link, el = line.is_hose, line.place, line.hose, line.volume, line.link, line.el
    drain, pump, shot, probe = line.drain, line.pump, line.shot, line.probe
    mass, energy, g, row, memory, face, ends, before = w.mass, w.energy, w.g, w.row, w.memory, w.face, w.ends, w.before
    side, loss, q, warm, seen, books = w.side, w.loss, w.q, w.warm, w.seen, w.books
    n_store, n_link, n_hose, n_probe = is_hose.shape[0], q.shape[0], hose.shape[0], probe.shape[0]
    n_out, n_shot, tool, inlet = out_p.shape[0], shots.shape[0], n_store - 1, n_store - 2
    chamber = index[tool]
    t, step_dt, dt, steps, sample, now, stale = 0.0, 0.0, 1.0, 0, 0, -1, False
    running = 1 if pump[4] > 0.5 else 0
    rate, fire_until, short = 0.0, -1.0, False
    while True:
        done = not t < duration - 1e-12
        while sample < n_out and (out_dt * sample <= t or done):  # output between the last two steps
            x = min((out_dt * sample - t) / dt, 0.0)
            for s in range(n_store):
                for end in range(2):
                    out_p[sample, s, end] = ends[s, end] + x * (ends[s, end] - before[s, end])
            for k in range(n_link):
                out_q[sample, k] = q[k]
            for i in range(n_probe):
                out_probe[sample, i] = seen[i, 0] + x * (seen[i, 0] - seen[i, 1])
            sample += 1
        if done:
            return steps
        # Short steps while the tool fires: with long ones a dip's depth depends on where in a step the shot falls (4 %).
        begins = now + 1 < n_shot and shots[now + 1] <= t + 1e-9
        # How long they are short does not hang on anything that a fit moves, and ends with a step: so the result changes smoothly.
        fires = brief < 1.0 and (begins or (now >= 0 and t < shots[now] + SHORT_S - 1e-9))
        stale = stale or short != fires
        short = fires
        if steps % REFRESH == 0 or steps < REFRESH or stale:
            stale = False
            # So are the first: the waves of a sudden start are not in the state yet.
            step_dt = _look_afresh(cfl * (0.2 if steps < 5 else brief if short else 1.0), remembers, hose, g, memory, w.mean)
            if step_dt < 0.0:
                return -1
        dt = min(step_dt, duration - t)
        if brief < 1.0 and now + 1 < n_shot and not begins:
            dt = min(dt, shots[now + 1] - t)  # a shot begins with a step
        if short and not begins:
            dt = min(dt, shots[now] + SHORT_S - t)
        for h in range(n_hose):
            a, b = int(hose[h, 0]), int(hose[h, 1])
            for j in range(3):
                row[W + j, a - 1] = 2.0 * face[h, 0, j] - row[W + j, a]
                row[W + j, b] = 2.0 * face[h, 1, j] - row[W + j, b - 1]
            predict_hose(h, hose, dt, g)
            inner_fluxes(h, hose, g)
        for s in range(n_store):
            loss[s] = 0.0
            before[s, 0], before[s, 1] = ends[s, 0], ends[s, 1]
        _drain(t, dt, p_amb, drain, is_hose, index, hose, volume, mass, energy, row, q, loss)
        if now + 1 < n_shot and t + dt > shots[now + 1]:
            now += 1
            p = (GAMMA - 1.0) * energy[chamber] / volume[chamber, 0]
            part = min(shot[0] * p / shot[1] / mass[chamber], 0.95)
            rate = -math.log(1.0 - part) / shot[2]
            fire_until = shots[now] + shot[2]
            shot_out[now, 0] = shot_out[now, 1] = ends[inlet, 1]
            shot_out[now, 2] = 0.0
        if now >= 0 and t < fire_until:
            on = min(t + dt, fire_until) - max(t, shots[now])
            if on > 0.0:
                out = mass[chamber] * (1.0 - math.exp(-rate * on)) / dt
                loss[tool] += out
                shot_out[now, 2] += out * dt
        if not _sides(dt, is_hose, index, hose, volume, mass, energy, row, q, loss, side):
            return -1
        _links(dt, is_hose, index, hose, link, el, side, loss, q, w.guess, warm, row, face, books)
        running = _volumes(dt, p_amb, running == 1, is_hose, index, volume, pump, mass, energy, loss, q, warm, ends, books)
        if running < 0:
            return -1
        for s in range(n_store):
            if is_hose[s]:
                h = index[s]
                books[4] += hose[h, 2] * hose[h, 3] * advance_hose(h, hose, dt, g, memory)
                for end in range(2):
                    ends[s, end] = face[h, end, 2]
                    if abs(face[h, end, 1]) + row[W + 4, int(hose[h, end]) - end] > memory[h, 18]:
                        stale = True
        for i in range(n_probe):
            c = int(probe[i, 0])
            seen[i, 1] = seen[i, 0]
            seen[i, 0] = row[W + 2, c] + probe[i, 1] * (row[W + 2, c + 1] - row[W + 2, c])
        if now >= 0:
            shot_out[now, 1] = min(shot_out[now, 1], ends[inlet, 1])
        t += dt
        steps += 1
