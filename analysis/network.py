"""The compiled solver of an air line: hoses as unsteady one-dimensional flow, volumes, and the restrictions between them.

All compiled code stands in this one file: the cache of machine code is judged by the file of the function that is called, not by those
it calls, so a second file would leave stale code behind when it is edited.

A line is a row of *stores* (a volume or a hose) with a *link* between each two; a link is a row of restrictions (ISO 6358) or an open
end. Hoses are solved by MUSCL-Hancock with HLLC fluxes (second order in space and time), friction and wall heat semi-implicitly. What
takes longest in their loops is to divide and to wait for it, so they divide by products, once or twice in a cell.
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
from analysis.jit import Plain, jit

F = TypeVar("F", bound=Callable[..., Any])
Record = Any  # one of `analysis.line_records`; compiled code reads its fields as attributes

# IEEE division, so that loops vectorise, and liberties with rounding (NaN and infinity stay what they are). Compiled code makes no
# arrays: counting the references to those that it is given would cost a quarter of the time. No C calls it: no bridge for that.
OPTIONS: Final[dict[str, Any]] = {
    "error_model": "numpy",
    "fastmath": {"contract", "arcp", "nsz", "reassoc"},
    "_nrt": False,
    "no_cfunc_wrapper": True,
    "pipeline_class": Plain,
}

PLAIN: Final = 0  # a restriction by C and b
REGULATOR: Final = 1  # likewise, and its outlet is held at a set point; passes nothing backwards

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
SHORT_S: Final = 0.03  # time from a shot's beginning over which steps are short
REFRESH: Final = 8  # steps between two looks at time step, friction and heat coefficients


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


def _inner(function: F) -> F:
    """Compile as a part of `run`: never called from Python, so without the bridges that would take as long to compile again.

    It is inlined: in a call each array would be handed over as seven numbers and more, which took a tenth of the time.
    """
    return numba.njit(no_cpython_wrapper=True, forceinline=True, **OPTIONS)(function)


def _outer(function: F) -> F:
    """Compile for Python."""
    return jit(function, **OPTIONS)


def valve(p: float, behind: float, el: Record) -> tuple[float, float]:
    """Of a restriction at these pressures: flow over choked flow when it is wide open, and the opening that a spring asks for [0..1]."""
    x = max((behind / p - el["b"]) / (1.0 - el["b"]), 0.0)
    psi = math.sqrt(max(1.0 - x * x, 0.0))
    asked = (el["set_pa"] - behind) / el["droop_pa"]
    return psi, min(max(asked / max(psi, 1e-6), 0.0), 1.0)


_valve = _inner(valve)


@_inner
def _beyond(p: float, slope: float) -> tuple[float, float]:
    """Pressure and slope, or next to nothing and no slope at all: where the pressure has run out Newton must not creep along it."""
    if p > 1e-3:
        return p, slope
    return 1e-3, 0.0


@_inner
def _lagging(x: float, p: float, dx: float, dp: float, el: Record) -> tuple[float, float]:
    """Pressure behind a regulator whose valve takes its time, and its derivative; x is flow over choked flow of the open valve.

    The valve goes a part of the way from where it is to where the spring asks for at the end of the step, so that no step is too long:
    x = stays psi + moves min(asked, psi), where psi is an ellipse in the pressure behind and what is asked for a straight line.
    """
    b, held = el.b, el.set_pa
    droop, moves = el.droop_pa, el.moves
    stays = (1.0 - moves) * el.open
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
def _behind(q: float, p: float, root_t: float, el: Record, dp: float) -> tuple[float, float]:
    """Pressure behind a restriction that passes q, and its derivative to q; falls steeply beyond the choked flow."""
    b, per_p, per_choked = el.b, 1.0 / p, root_t / el.k
    x = q * per_choked * per_p
    dx = (per_choked - x * dp) * per_p
    if el.lag_s > 0.0:
        return _lagging(x, p, dx, dp, el)
    if x < 1.0:
        s = math.sqrt(1.0 - x * x)
        falls = b + (1.0 - b) * s
        wide, dwide = p * falls, dp * falls - p * (1.0 - b) * x / max(s, 1e-9) * dx
    else:
        wide, dwide = _beyond(p * (b - 1000.0 * (x - 1.0)), -1000.0 * p * dx)
    held = el.set_pa - el.droop_pa * x
    if held < wide:
        return _beyond(held, -el.droop_pa * dx)
    return wide, dwide


@_inner
def _move_valves(q: float, p: float, p_right: float, root_t: float, first: int, last: int, el: np.ndarray) -> None:
    """Let each lagging valve of a link take its new opening, once the flow of the step is known."""
    for e in range(first, last):
        behind = p_right if q <= 0.0 else _behind(q, p, root_t, el[e], 0.0)[0]
        if el[e].lag_s > 0.0:
            el[e].open += el[e].moves * (_valve(max(p, behind), behind, el[e])[1] - el[e].open)
        p = behind


@_inner
def link_flow(left: Record, right: Record, guess: float, first: int, last: int, el: np.ndarray) -> float:
    """Mass flow [kg/s] through a link, positive from left to right.

    The total pressure at a side is p - z q + k q^2; k, the dynamic pressure's factor, is zero for a volume.
    """
    sign = 1.0
    e0, e1, step = first, last, 1
    if left.p_pa < right.p_pa:
        for e in range(first, last):
            if el[e].kind == REGULATOR:
                return 0.0
        sign = -1.0
        left, right = right, left
        e0, e1, step = last - 1, first - 1, -1
    p_left, z_left, k_left = left.p_pa, left.z, left.k
    p_right, z_right, root_t = right.p_pa, right.z, math.sqrt(left.temp_k)
    k0 = el[e0].k / root_t
    low, high = -1.0, k0 * p_left / (1.0 + k0 * z_left)
    choked = high * (1.0 - 1e-12)
    q = min(max(sign * guess, 0.0), choked)
    for _ in range(60):
        p_end, slope = p_left - z_left * q + k_left * q * q, -z_left + 2.0 * k_left * q
        e = e0
        while e != e1:
            p_end, slope = _behind(q, p_end, root_t, el[e], slope)
            e += step
        gap = p_end - p_right - z_right * q
        if gap > 0.0:
            if q >= choked:
                return sign * high
            low = q
        else:
            if q <= 0.0:  # a regulator holds back
                return 0.0
            high = q
        slope -= z_right
        new = q - gap / slope if slope < 0.0 else high
        if abs(gap) < 1e-5 * p_left and max(low, 0.0) <= new <= high:  # this step of Newton's leaves about the square of it
            return sign * new
        new = min(max(new, 0.0), choked)
        if not low < new < high:
            new = 0.5 * (max(low, 0.0) + high)
        if abs(new - q) < 1e-13:
            return sign * new
        q = new
    return sign * q


@_inner
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


@_inner
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


@_inner
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


@_inner
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


class Tables(NamedTuple):
    """A line and its state in the records of `analysis.line_records`. memory: of each hose. g: the rows of cells, flat."""

    store: np.ndarray
    side: np.ndarray
    joint: np.ndarray
    hose: np.ndarray
    memory: np.ndarray
    g: np.ndarray
    el: np.ndarray
    drain: np.ndarray
    pump: np.ndarray
    shot: np.ndarray
    probe: np.ndarray
    books: np.ndarray


@_inner
def _end_flux(q: float, p: float, t_up: float, end: int, hose: Record, side: Record, g: np.ndarray) -> None:
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


@_inner
def _look_afresh(cfl: float, remembers: float, hose: np.ndarray, g: np.ndarray, memory: np.ndarray) -> float:
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
    store: np.ndarray,
    side: np.ndarray,
    joint: np.ndarray,
    hose: np.ndarray,
    g: np.ndarray,
) -> None:
    """What leaves the stores through leaks and test nozzles; a hose loses it at its outlet."""
    for d in drain:
        on = _open_for(t + dt - d.from_s, d.opens_s) - _open_for(t - d.from_s, d.opens_s)
        on -= _open_for(t + dt - d.until_s, d.opens_s) - _open_for(t - d.until_s, d.opens_s)
        if on > 0.0:
            st = store[d.store]
            if st.hose >= 0:
                i = hose[st.hose].end - ONE
                r, u, p = g[HI0 + i], g[HI1 + i], g[HI2 + i]
                temp = p / (r * R_AIR_J_PER_KG_K)
                p += 0.5 * r * u * u  # a restriction is asked by its stagnation pressure
            else:
                p, temp = side[d.store, 0].now_pa, st.temp_k
                p += 0.5 * GAMMA * dt * p / st.kg * (joint[d.store].q - st.loss)
            if p > p_amb:
                x = max((p_amb / p - d.b) / (1.0 - d.b), 0.0)
                st.loss += on / dt * d.k * p / math.sqrt(temp) * math.sqrt(max(1.0 - x * x, 0.0))


@_inner
def _sides(dt: float, store: np.ndarray, side: np.ndarray, joint: np.ndarray, hose: np.ndarray, g: np.ndarray) -> bool:
    """What each end of each store offers to its link; False when a pressure is none."""
    n_store = store.shape[0]
    for s in range(n_store):
        st = store[s]
        if st.hose >= 0:
            ho = hose[st.hose]
            for end in range(2):
                to, out = side[s, end], 2.0 * end - 1.0
                at = HI0 + (ho.end - ONE) if end else LO0 + ho.first
                r, u, p = g[at], out * g[at + NEXT_ROW], g[at + NEXT_ROW + NEXT_ROW]
                rt, area = p / r, ho.area_m2
                c = math.sqrt(GAMMA * rt)
                to.half_density, to.half_pa = r, p
                to.z = GAMMA * rt / (area * max(c - u, 0.05 * c))
                to.p_pa = p + to.z * (r * u * area - end * st.loss)
                to.k = 0.5 / (r * area * area)
                to.temp_k = rt / R_AIR_J_PER_KG_K + 0.5 * u * u / CP_J_PER_KG_K
        else:
            p = side[s, 0].now_pa
            z = 0.55 * GAMMA * dt * p / st.kg
            for end in range(2):
                to = side[s, end]
                comes = joint[s].q if end else -joint[s + 1].q
                to.p_pa = p + z * (comes - st.loss)
                to.z, to.k, to.temp_k = z, 0.0, st.temp_k
        if not (side[s, 0].p_pa > 0.0 or s == 0) or not (side[s, 1].p_pa > 0.0 or s == n_store - 1):
            return False
    return True


@_inner
def _links(
    dt: float,
    store: np.ndarray,
    side: np.ndarray,
    joint: np.ndarray,
    hose: np.ndarray,
    el: np.ndarray,
    g: np.ndarray,
    books: Record,
) -> None:
    """One equation for the flow through each link, and what it does to the hoses' ends."""
    for k in range(1, store.shape[0]):
        link = joint[k]
        first, last = link.first, link.last
        slow = False
        for e in range(first, last):
            if el[e].lag_s > 0.0:
                slow = True
                el[e].moves = 1.0 - math.exp(-dt / el[e].lag_s)
        left, right = side[k - 1, 1], side[k, 0]
        flow = link_flow(left, right, link.guess, first, last, el)
        p_left, p_right = left.p_pa - left.z * flow, right.p_pa + right.z * flow
        if slow:
            _move_valves(flow, p_left + left.k * flow * flow, p_right, math.sqrt(left.temp_k), first, last, el)
        link.guess = 2.0 * flow - link.q
        link.q = flow
        link.temp_k = left.temp_k if flow >= 0.0 else right.temp_k
        for end in range(2):  # as numbers that numba cannot tell beforehand, else it compiles what follows for each of them
            st = store[k - end]
            if st.hose >= 0:
                whole = flow + end * st.loss  # what is drawn off at the end of a hose leaves it there beside the link's flow
                t_up = left.temp_k if whole >= 0.0 else right.temp_k
                _end_flux(whole, p_left if end else p_right, t_up, end, hose[st.hose], side[k - end, end], g)
                if end:
                    books.kg_out += st.loss * dt
                    books.j_out += (whole * t_up - flow * link.temp_k) * CP_J_PER_KG_K * dt


@_inner
def _volumes(
    dt: float, p_amb: float, running: bool, store: np.ndarray, side: np.ndarray, joint: np.ndarray, pump: Record, books: Record
) -> int:
    """Mass and energy of the volumes over one step; returns 1 when the pump runs, 0 when not, -1 when a volume ran empty."""
    for s in range(store.shape[0]):
        st, come, go = store[s], joint[s], joint[s + 1]
        if st.hose >= 0:
            continue
        books.kg_out += st.loss * dt
        books.j_out += st.loss * st.temp_k * dt * CP_J_PER_KG_K
        dm = come.q - go.q - st.loss  # mass, and mass times temperature, per second
        dh = come.q * come.temp_k - go.q * go.temp_k - st.loss * st.temp_k
        if s == 0 and pump.kg_per_s > 0.0:
            p = side[s, 0].now_pa
            running = p < pump.cut_in_pa or (running and p < pump.cut_out_pa)
            if running:
                gives = pump.kg_per_s
                if pump.clearance > 0.0:  # what is left in the pump's clearance expands, and takes the place of fresh air
                    gives *= max(1.0 - pump.clearance * ((p / p_amb) ** (1.0 / PUMP_EXPONENT) - 1.0), 0.0)
                dm += gives
                dh += gives * pump.temp_k
                books.kg_in += gives * dt
                books.j_in += gives * dt * CP_J_PER_KG_K * pump.temp_k
        kg = st.kg + dm * dt
        if not kg > 0.0:
            return -1
        e = st.energy_j + dh * dt * CP_J_PER_KG_K
        holds, to_wall = kg * CV_J_PER_KG_K, st.wall_w_per_k * dt
        heat = to_wall * (st.wall_temp_k - 0.5 * (st.temp_k + e / holds)) / (1.0 + 0.5 * to_wall / holds)
        books.j_walls += heat
        st.kg, st.energy_j, st.temp_k = kg, e + heat, (e + heat) / holds
        p = G1 * st.energy_j / st.m3
        side[s, 0].now_pa = side[s, 1].now_pa = p
        if not p > 0.0:
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
    shots: np.ndarray,
    out_dt: float,
    out_p: np.ndarray,
    out_q: np.ndarray,
    out_probe: np.ndarray,
    shot_out: np.ndarray,
) -> int:
    """Run a line. Fills out_p (sample, store, inlet and outlet end), out_q (sample, link), out_probe and shot_out (shot: before, lowest,
    mass).

    The stores and the first rows of cells hold the state: given at the start, left at the end. Returns the number of steps, or -1 when the
    state left its range.
    """
    store, side, joint = line.store, line.side, line.joint
    hose, memory, g = line.hose, line.memory, line.g
    el, drain, probes = line.el, line.drain, line.probe
    pump, shot, books = line.pump[0], line.shot[0], line.books[0]
    n_store, n_hose = store.shape[0], hose.shape[0]
    n_out, n_shot = out_p.shape[0], shots.shape[0]
    tool, at_tool = store[n_store - 1], side[n_store - 2, 1]
    t, step_dt, dt = 0.0, 0.0, 1.0
    steps, sample, now = 0, 0, -1
    stale = False
    running = pump.runs
    rate, fire_until, short = 0.0, -1.0, False
    while True:
        done = not t < duration - 1e-12
        while sample < n_out and (out_dt * sample <= t or done):  # output between the last two steps
            x = min((out_dt * sample - t) / dt, 0.0)
            for s in range(n_store):
                for end in range(2):
                    at = side[s, end]
                    out_p[sample, s, end] = at.now_pa + x * (at.now_pa - at.before_pa)
            for k in range(1, n_store):
                out_q[sample, k - 1] = joint[k].q
            for i in range(probes.shape[0]):
                out_probe[sample, i] = probes[i].now_pa + x * (probes[i].now_pa - probes[i].before_pa)
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
            step_dt = _look_afresh(cfl * (0.2 if steps < 5 else brief if short else 1.0), remembers, hose, g, memory)
            if step_dt < 0.0:
                return -1
        dt = min(step_dt, duration - t)
        if brief < 1.0 and now + 1 < n_shot and not begins:
            dt = min(dt, shots[now + 1] - t)  # a shot begins with a step
        if short and not begins:
            dt = min(dt, shots[now] + SHORT_S - t)
        for s in range(n_store):
            st = store[s]
            st.loss = 0.0
            for end in range(2):
                at = side[s, end]
                at.before_pa = at.now_pa
                if st.hose >= 0:
                    ho = hose[st.hose]
                    cell, ghost = (ho.end - ONE, ho.end) if end else (ho.first, ho.first - ONE)
                    g[W0 + ghost] = 2.0 * at.density - g[W0 + cell]
                    g[W1 + ghost] = 2.0 * at.speed - g[W1 + cell]
                    g[W2 + ghost] = 2.0 * at.now_pa - g[W2 + cell]
        for h in range(n_hose):
            predict_hose(hose[h], dt, g)
            inner_fluxes(hose[h], g)
        _drain(t, dt, p_amb, drain, store, side, joint, hose, g)
        if now + 1 < n_shot and t + dt > shots[now + 1]:
            now += 1
            part = min(shot.kg * side[n_store - 1, 0].now_pa / shot.reference_pa / tool.kg, 0.95)
            rate = -math.log(1.0 - part) / shot.lasts_s
            fire_until = shots[now] + shot.lasts_s
            shot_out[now, 0] = shot_out[now, 1] = at_tool.now_pa
            shot_out[now, 2] = 0.0
        if now >= 0 and t < fire_until:
            on = min(t + dt, fire_until) - max(t, shots[now])
            if on > 0.0:
                out = tool.kg * (1.0 - math.exp(-rate * on)) / dt
                tool.loss += out
                shot_out[now, 2] += out * dt
        if not _sides(dt, store, side, joint, hose, g):
            return -1
        _links(dt, store, side, joint, hose, el, g, books)
        running = _volumes(dt, p_amb, running == 1, store, side, joint, pump, books)
        if running < 0:
            return -1
        for h in range(n_hose):
            books.j_walls += hose[h].dx_m * hose[h].area_m2 * advance_hose(hose[h], dt, g, memory[h])
        for s in range(n_store):
            h = store[s].hose
            if h >= 0:
                inlet_wave = abs(side[s, 0].speed) + g[SOUND + hose[h].first]
                outlet_wave = abs(side[s, 1].speed) + g[SOUND + hose[h].end - ONE]
                stale = stale or max(inlet_wave, outlet_wave) > memory[h].fastest
        for probe in probes:
            probe.before_pa = probe.now_pa
            p = g[W2 + probe.cell]
            probe.now_pa = p + probe.weight * (g[W2 + probe.cell + ONE] - p)
        if now >= 0:
            shot_out[now, 1] = min(shot_out[now, 1], at_tool.now_pa)
        t += dt
        steps += 1
