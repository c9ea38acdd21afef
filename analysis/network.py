"""The compiled solver of an air line: hoses (`analysis.hose_flow`), volumes, and the links between them (`analysis.link_flow`).

A line is a row of *stores* (a volume or a hose) with a *link* between each two; a link is a row of restrictions (ISO 6358) or an open
end. At a hose's end the outgoing characteristic gives the end an impedance dp/dq, at a volume the half step to come does; so each link is
one equation for one mass flow, whatever stands on its two sides. All pressures in here are absolute.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from analysis.air import PUMP_EXPONENT
from analysis.constants import CP_J_PER_KG_K, CV_J_PER_KG_K, GAMMA, R_AIR_J_PER_KG_K
from analysis.hose_flow import (
    G1,
    HI0,
    HI1,
    HI2,
    LO0,
    NEXT_ROW,
    ONE,
    SOUND,
    W0,
    W1,
    W2,
    advance_hose,
    end_flux,
    inner_fluxes,
    look_afresh,
    predict_hose,
)
from analysis.jit import inlined, loops
from analysis.line_records import Record
from analysis.link_flow import link_flow, move_valves

SHORT_S: Final = 0.03  # time from a shot's beginning over which steps are short
REFRESH: Final = 8  # steps between two looks at time step, friction and heat coefficients


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


@inlined
def _open_for(since: float, opens: float) -> float:
    """For how long a passage that opens evenly has been open, as if fully, a time after it was half open."""
    begun = since + 0.5 * opens
    return since if begun >= opens else 0.5 * begun * begun / opens if begun > 0.0 else 0.0


@inlined
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


@inlined
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


@inlined
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
            move_valves(flow, p_left + left.k * flow * flow, p_right, math.sqrt(left.temp_k), first, last, el)
        link.guess = 2.0 * flow - link.q
        link.q = flow
        link.temp_k = left.temp_k if flow >= 0.0 else right.temp_k
        for end in range(2):  # as numbers that numba cannot tell beforehand, else it compiles what follows for each of them
            st = store[k - end]
            if st.hose >= 0:
                whole = flow + end * st.loss  # what is drawn off at the end of a hose leaves it there beside the link's flow
                t_up = left.temp_k if whole >= 0.0 else right.temp_k
                end_flux(whole, p_left if end else p_right, t_up, end, hose[st.hose], side[k - end, end], g)
                if end:
                    books.kg_out += st.loss * dt
                    books.j_out += (whole * t_up - flow * link.temp_k) * CP_J_PER_KG_K * dt


@inlined
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


@loops
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
            step_dt = look_afresh(cfl * (0.2 if steps < 5 else brief if short else 1.0), remembers, hose, g, memory)
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
