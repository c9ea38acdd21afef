"""Nights on which something happened: draws, refills, bursts, doors, sensors at their end, gaps, bursts of readings, clocks that jump."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np

from tests.nights import RHO0, T0, Night, Pump, R, Valve, simulate_night

KINDS: Final = (
    "valve",
    "pump",
    "gives way",
    "doors",
    "slow draw",
    "evening",
    "refill",
    "range",
    "gaps",
    "bursts",
    "clock",
    "hot fill",
    "coarse",
    "ten a second",
    "empty",
)


def broken_night(kind: str, seed: int) -> Night:
    """Draw a night of one of `KINDS`: volume, leak, sensor and weather by chance, the break too."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    volume = float(rng.choice([0.012, 0.024, 0.05, 0.1, 0.27]))
    leaks = [0.0, 0.0, 1e-12, 5e-12, 2e-11]
    night: dict[str, Any] = {
        "conductance": float(rng.choice(leaks)) * float(rng.uniform(0.7, 1.4)) * volume / 0.05,
        "hours": float(rng.uniform(4.0, 11.0)),
        "volume_m3": volume,
        "start_pa": float(rng.uniform(500e3, 900e3)),
        "channel": [None, "wall", "room"][int(rng.integers(3))],
        "noise_pa": float(rng.choice([100.0, 300.0, 1000.0])),
        "step_pa": float(rng.choice([0.0, 0.0, 500.0])),
        "every_s": float(rng.choice([1.0, 5.0, 10.0])),
        "swing_k": float(rng.uniform(0.0, 6.0)),
        "drift_k_per_h": float(rng.uniform(-0.8, 0.8)),
        "b": float(rng.uniform(0.3, 0.528)),
        "zero_pa": float(rng.normal(0.0, 800.0)),
        "filled_k": float(rng.uniform(0.0, 12.0)),
    }
    night |= _what_happens(kind, rng, volume, 3600.0 * night["hours"])
    return _recorded(kind, rng, simulate_night(int(rng.integers(1_000_000)), **night))


def _opening(volume_m3: float, drop: float, length_s: float) -> float:
    """Conductance that lets a share of the air go in a time."""
    return -float(np.log(1.0 - drop)) / length_s / (R * T0 * RHO0) * volume_m3


def _what_happens(kind: str, rng: np.random.Generator, volume: float, end_s: float) -> dict[str, Any]:
    at = float(rng.uniform(0.3, 0.85)) * end_s
    if kind in ("valve", "slow draw"):
        length = float(rng.uniform(5.0, 120.0) if kind == "valve" else rng.uniform(600.0, 2400.0))
        drop = float(rng.choice([0.01, 0.05, 0.2]) if kind == "valve" else rng.choice([0.02, 0.1, 0.3]))
        return {"valves": (Valve(from_s=at, until_s=at + length, conductance=_opening(volume, drop, length)),)}
    if kind == "pump":
        length = float(rng.uniform(20.0, 200.0))
        return {"pumps": (Pump(from_s=at, until_s=at + length, delivery=volume * float(rng.uniform(0.3, 2.5)) / length),)}
    if kind == "gives way":
        pace = float(10.0 ** rng.uniform(0.7, 3.0))
        return {"valves": (Valve(from_s=at, until_s=1e9, conductance=volume / (R * T0 * RHO0) / pace),)}
    if kind in ("doors", "evening"):
        first, last, length = (0.05, 0.98, 1.5) if kind == "doors" else (0.0, 0.2, 10.0)
        when = np.sort(rng.uniform(first, last, int(rng.integers(4, 22)))) * end_s
        drops = rng.uniform(0.004, 0.03, when.size)
        opened = zip(when.tolist(), drops.tolist(), strict=True)
        return {"valves": tuple(Valve(from_s=a, until_s=a + length, conductance=_opening(volume, d, length)) for a, d in opened)}
    if kind == "refill":
        shares = rng.uniform(0.2, 1.0, 2).tolist()
        return {
            "pumps": tuple(
                Pump(from_s=x * end_s, until_s=x * end_s + 60.0, delivery=volume * s / 60.0)
                for x, s in zip((0.35, 0.7), shares, strict=True)
            )
        }
    more: dict[str, dict[str, Any]] = {
        "hot fill": {"filled_k": float(rng.uniform(15.0, 30.0))},
        "coarse": {"step_pa": 3447.4, "noise_pa": float(rng.choice([50.0, 500.0, 1500.0]))},
        "ten a second": {"every_s": 0.1, "hours": 4.0},
        "empty": {"conductance": volume / (R * T0 * RHO0) / float(rng.uniform(1000.0, 4000.0)), "hours": 11.0},
    }
    return more.get(kind, {})


def _recorded(kind: str, rng: np.random.Generator, night: Night) -> Night:
    """Spoil the recording where the kind is of the sensor or the logger."""
    t, p, end_s = night.t_s.copy(), night.p_pa.copy(), float(night.t_s[-1])
    keep = np.ones(t.size, dtype=bool)
    if kind == "range":
        p = np.minimum(p, np.quantile(p, float(rng.uniform(0.5, 0.97))))
    elif kind == "gaps":
        for _ in range(int(rng.integers(1, 6))):
            a = float(rng.uniform(0.0, 0.9)) * end_s
            keep &= ~((t > a) & (t < a + float(rng.uniform(120.0, 3600.0))))
    elif kind == "bursts":
        keep = (t % float(rng.uniform(300.0, 1500.0))) < float(rng.uniform(30.0, 90.0))
    elif kind == "clock":
        t[t > float(rng.uniform(0.2, 0.8)) * end_s] += float(rng.choice([600.0, 3600.0, 40_000.0, 86_400.0]))
    return replace(
        night,
        t_s=t[keep],
        p_pa=p[keep],
        temp_k=None if night.temp_k is None else night.temp_k[keep],
        p_amb_pa=night.p_amb_pa[keep],
    )
