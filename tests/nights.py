"""Simulated nights for leak-down and pump cycles: air, wall and room with heat between them, sensors with all their faults.

Finer than what `analysis.leakdown` assumes and written apart from it: convection between air and wall follows the air's density
and temperature difference, the wall follows the room, the room follows the day, and the barometer wanders unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

R = 287.05
CV = 2.5 * R
CP = 3.5 * R
RHO0 = 1.185
T0 = 293.15


@dataclass(frozen=True, kw_only=True)
class Night:
    """A recording with its truth; pressures gauge [Pa], temperatures [K]."""

    t_s: Array
    p_pa: Array
    temp_k: Array | None
    p_amb_pa: Array
    volume_m3: float
    conductance: float


@dataclass(frozen=True, kw_only=True)
class Valve:
    """A valve that is open for a while, or, without an end, something that gave way; conductance in m3/(s Pa)."""

    from_s: float
    until_s: float
    conductance: float


@dataclass(frozen=True, kw_only=True)
class Pump:
    """A pump that runs for a while; delivery of free air in m3/s."""

    from_s: float
    until_s: float
    delivery: float


def flow(c: float, b: float, p_abs: float, amb: float, temp: float) -> float:
    """Mass flow by ISO 6358 [kg/s], both ways."""
    sign = 1.0
    up, down = p_abs, amb
    if amb > p_abs:
        up, down, sign = amb, p_abs, -1.0
    r = down / up
    phi = 1.0 if r <= b else np.sqrt(max(1.0 - ((r - b) / (1.0 - b)) ** 2, 0.0))
    return float(sign * c * up * RHO0 * np.sqrt(T0 / temp) * phi)


def simulate_night(
    seed: int,
    *,
    conductance: float,
    hours: float = 9.0,
    volume_m3: float = 0.05,
    start_pa: float = 760e3,
    channel: str | None = "wall",
    noise_pa: float = 300.0,
    step_pa: float = 0.0,
    every_s: float = 5.0,
    swing_k: float = 4.0,
    drift_k_per_h: float = -0.5,
    b: float = 0.45,
    zero_pa: float = 0.0,
    weather_pa: float = 150.0,
    filled_k: float = 6.0,
    wall_k: float = 0.0,
    drawn_at_s: float | None = None,
    spikes: int = 4,
    valves: tuple[Valve, ...] = (),
    pumps: tuple[Pump, ...] = (),
) -> Night:
    """Simulate one shut-in night.

    `channel` is what the thermometer touches: "wall", "room" or None; `filled_k` is how much warmer than the wall the air is at
    the start, and `wall_k` how much that is warmer than usual; at `drawn_at_s` somebody opens a valve for a minute, at `valves`
    others are opened, at `pumps` the pump runs.
    """
    rng = np.random.default_rng(seed)
    dt = float(np.clip(every_s, 1.0, 5.0))
    if drawn_at_s is not None:
        valves = (*valves, Valve(from_s=drawn_at_s, until_s=drawn_at_s + 60.0, conductance=1.6e-9 * volume_m3 / 0.05))
    n = int(hours * 3600.0 / dt) + 1
    t = np.arange(n, dtype=np.float64) * dt
    pace = 4.0 * 3600.0
    rough = np.empty(n)
    rough[0] = 0.0
    kick = 0.25 * np.sqrt(2.0 * dt / 1800.0) * rng.standard_normal(n)
    for i in range(1, n):
        rough[i] = rough[i - 1] * (1.0 - dt / 1800.0) + kick[i]
    room = 290.0 + drift_k_per_h * t / 3600.0 + swing_k / 2 * np.sin(2 * np.pi * t / (6.0 * pace) + rng.uniform(0, 2 * np.pi)) + rough
    amb = 101325.0 + weather_pa * np.sin(2 * np.pi * t / 86400.0 * rng.uniform(1.0, 2.5) + rng.uniform(0, 2 * np.pi))
    wall_lag = float(rng.uniform(1200.0, 4500.0))
    wall = np.empty(n)
    wall[0] = room[0] + rng.normal(0.0, 0.6) + wall_k
    for i in range(1, n):
        wall[i] = wall[i - 1] + dt * (room[i - 1] - wall[i - 1]) / wall_lag
    area = 5.5 * volume_m3 ** (2.0 / 3.0) * 1.15
    gas = wall[0] + filled_k
    mass = (start_pa + amb[0]) * volume_m3 / (R * gas)
    stirred = [(v.from_s, v.until_s) for v in valves] + [(q.from_s, q.until_s) for q in pumps]
    fine_t: list[float] = []
    fine_p: list[float] = []
    for i in range(n):
        now = float(t[i])
        busy = any(a < now + dt and now < z for a, z in stirred)
        parts = (50 if fine_p and fine_p[-1] > 1.3e5 else 5) if busy else 1
        for _ in range(parts):
            fine_t.append(now)
            fine_p.append(mass * R * gas / volume_m3)
            out = flow(conductance, b, fine_p[-1], float(amb[i]), gas)
            out += sum(flow(v.conductance, 0.4, fine_p[-1], float(amb[i]), gas) for v in valves if v.from_s <= now < v.until_s)
            into = sum(q.delivery * RHO0 for q in pumps if q.from_s <= now < q.until_s)
            density = mass / volume_m3
            # Free convection: the coefficient grows with density and with the difference, on a base of conduction.
            h = 1.2 + 1.6 * np.sqrt(density) * abs(gas - wall[i]) ** 0.25
            heat = into * (CP * (wall[i] + 25.0) - CV * gas) - out * R * gas - h * area * (gas - wall[i])
            gas += heat / (mass * CV) * dt / parts
            mass += (into - out) * dt / parts
            now += dt / parts
    at = np.asarray(
        t[:: max(1, round(every_s / dt))] if every_s >= 1.0 else np.arange(round(hours * 3600.0 / every_s)) * every_s, dtype=np.float64
    )
    touched = {"wall": wall, "room": room}.get(channel or "")
    temp = None
    if touched is not None:
        temp = np.interp(at, t, touched) + rng.normal(0.0, 0.3) + 0.06 * rng.standard_normal(at.size)
        temp = np.round(temp / 0.0625) * 0.0625
    p_amb: Array = np.asarray(np.interp(at, t, amb), dtype=np.float64)
    read = np.interp(at, fine_t, fine_p) - p_amb + zero_pa + noise_pa * rng.standard_normal(at.size)
    if step_pa:
        read = np.round(read / step_pa) * step_pa
    for i in rng.integers(10, at.size - 10, spikes):
        read[i] += rng.choice([-1.0, 1.0]) * rng.uniform(20e3, 50e3)
    return Night(t_s=at, p_pa=read, temp_k=temp, p_amb_pa=p_amb, volume_m3=volume_m3, conductance=conductance)


@dataclass(frozen=True, kw_only=True)
class Pumping:
    """A recording of a pumped tank with its truth."""

    t_s: Array
    p_pa: Array
    volume_m3: float
    runs: list[tuple[float, float | None]]
    delivery_m3_per_s: float
    leak_m3_per_s: float


def simulate_pumping(
    seed: int,
    *,
    minutes: float = 60.0,
    volume_m3: float = 0.09,
    delivery: float = 3e-3,
    conductance: float = 7e-10,
    cut_in_pa: float = 650e3,
    cut_out_pa: float = 820e3,
    start_pa: float = 780e3,
    every_s: float = 1.0,
    noise_pa: float = 500.0,
    warm_in_k: float = 30.0,
    work: float = 0.0,
    clearance: float = 0.05,
    never_unloads: bool = False,
) -> Pumping:
    """Simulate a tank with a pressure switch, a leak and, for a `work` above 0, tools that draw that much free air now and then.

    `delivery` is free air at 90 psi; it falls with pressure by the pump's `clearance`.
    """
    rng = np.random.default_rng(seed)
    dt = 0.1
    n = int(minutes * 60.0 / dt)
    amb, wall = 101325.0, 293.15
    area = 5.5 * volume_m3 ** (2.0 / 3.0) * 1.15
    gas = wall
    mass = (start_pa + amb) * volume_m3 / (R * gas)
    reference = (620_528.2 + amb) / amb

    def efficiency(ratio: float) -> float:
        return float(1.0 - clearance * (ratio**0.77 - 1.0))

    on = start_pa < 10e3
    runs: list[tuple[float, float | None]] = [(0.0, None)] if on else []
    working, until = False, 0.0
    p = np.empty(n)
    for i in range(n):
        now = i * dt
        p[i] = mass * R * gas / volume_m3
        gauge = p[i] - amb
        if on and gauge >= cut_out_pa and not never_unloads:
            on = False
            runs[-1] = (runs[-1][0], now)
        elif not on and gauge <= cut_in_pa:
            on = True
            runs.append((now, None))
        if work and now >= until:
            working = not working
            until = now + float(rng.uniform(60.0, 240.0))
        out = flow(conductance, 0.45, float(p[i]), amb, gas) + (work * RHO0 if working else 0.0)
        into = delivery * RHO0 * efficiency(p[i] / amb) / efficiency(reference) if on else 0.0
        h = 1.5 + 1.6 * np.sqrt(mass / volume_m3) * abs(gas - wall) ** 0.25
        heat = into * (CP * (wall + warm_in_k) - CV * gas) - out * R * gas - h * area * (gas - wall)
        gas += heat / (mass * CV) * dt
        mass += (into - out) * dt
    every = max(1, round(every_s / dt))
    t = np.arange(n, dtype=np.float64)[::every] * dt
    read = np.round((p[::every] - amb + noise_pa * rng.standard_normal(t.size)) / 100.0) * 100.0
    leak = conductance * (620_528.2 + amb)
    return Pumping(t_s=t, p_pa=read, volume_m3=volume_m3, runs=runs, delivery_m3_per_s=delivery, leak_m3_per_s=leak)
