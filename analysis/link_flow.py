"""Flow through a link between two stores of a line: a row of restrictions (ISO 6358), some of them regulators. Compiled, as a part of
`analysis.network`.

What stands on its two sides offers a total pressure that falls with the flow; so a link is one equation for one mass flow, solved by
Newton's method within bounds. All pressures in here are absolute.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.jit import inlined
from analysis.line_records import Record

PLAIN: Final = 0  # a restriction by C and b
REGULATOR: Final = 1  # likewise, and its outlet is held at a set point; passes nothing backwards


def valve(p: float, behind: float, el: Record) -> tuple[float, float]:
    """Of a restriction at these pressures: flow over choked flow when it is wide open, and the opening that a spring asks for [0..1]."""
    x = max((behind / p - el["b"]) / (1.0 - el["b"]), 0.0)
    psi = math.sqrt(max(1.0 - x * x, 0.0))
    asked = (el["set_pa"] - behind) / el["droop_pa"]
    return psi, min(max(asked / max(psi, 1e-6), 0.0), 1.0)


_valve = inlined(valve)


@inlined
def _beyond(p: float, slope: float) -> tuple[float, float]:
    """Pressure and slope, or next to nothing and no slope at all: where the pressure has run out Newton must not creep along it."""
    if p > 1e-3:
        return p, slope
    return 1e-3, 0.0


@inlined
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


@inlined
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


@inlined
def move_valves(q: float, p: float, p_right: float, root_t: float, first: int, last: int, el: np.ndarray) -> None:
    """Let each lagging valve of a link take its new opening, once the flow of the step is known."""
    for e in range(first, last):
        behind = p_right if q <= 0.0 else _behind(q, p, root_t, el[e], 0.0)[0]
        if el[e].lag_s > 0.0:
            el[e].open += el[e].moves * (_valve(max(p, behind), behind, el[e])[1] - el[e].open)
        p = behind


@inlined
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
