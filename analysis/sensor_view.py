"""What a pressure sensor makes of a pressure: where it sits, how late it is, in which steps it reads.

A shot that pulls the pressure down for a hundredth of a second looks shallower on a slow sensor, and later on a far one; so a measured
dip is compared with what the sensor would show, not with what the air did.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from analysis.hose_flow import STEP_S
from analysis.model import Simulation

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A sensor on the line.

    Attributes
    ----------
    place : str
        `supply` (in the tank), `receiver`, `tool` (just before the tool's coupler), a joint such as `hose1 outlet`, or a distance
        along a hose such as `hose 12 m`, from its inlet. It feels the pressure at the wall.
    lag_s : float
        Time constant of its first-order response [s], with that of a narrow tap or a filter before it.
    resolution_pa : float
        Smallest step of its readings [Pa]; 0 for none.
    """

    place: str = "tool"
    lag_s: float = 0.0
    resolution_pa: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.lag_s) and 0.0 <= self.lag_s <= 60.0):
            msg = f"A sensor's lag of {self.lag_s:g} s is not possible; give 0 s to 60 s."
            raise ValueError(msg)
        if not (math.isfinite(self.resolution_pa) and 0.0 <= self.resolution_pa <= 1e6):
            msg = f"A sensor's steps of {self.resolution_pa:g} Pa are not possible; give 0 to 10 bar."
            raise ValueError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenShot:
    """One shot as the sensor shows it: when it fired [s]; pressure just before, lowest until the next, their difference [Pa]."""

    time_s: float
    before_pa: float
    minimum_pa: float
    dip_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorView:
    """What a sensor shows of a simulation: the sensor, its readings [Pa gauge] at the simulation's times, and the shots in them."""

    sensor: Sensor
    p_pa: Floats
    shots: tuple[SeenShot, ...]


def seen(t_s: ArrayLike, p_pa: ArrayLike, *, lag_s: float = 0.0, resolution_pa: float = 0.0) -> Floats:
    """Pass a pressure through a sensor's lag and resolution.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Evenly spaced times [s] and pressure [Pa], gauge or absolute, straight between the samples. The sensor starts settled.
    lag_s : float
        Time constant [s].
    resolution_pa : float
        Step that readings are rounded to [Pa].

    Returns
    -------
    ndarray, shape (n,)
        The readings [Pa].
    """
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64).copy()
    if lag_s > 0.0 and p.size > 1:
        # Exact for a straight line between samples: y' = (p - y) / lag.
        h = float(t[1] - t[0]) / lag_s
        fade = math.exp(-h)
        mean = -math.expm1(-h) / h
        p, _ = lfilter([1.0 - mean, mean - fade], [1.0, -fade], p, zi=[(mean - fade) * p[0] + fade * p[0]])
    if resolution_pa > 0.0:
        p = resolution_pa * np.floor(p / resolution_pa + 0.5)
    return np.asarray(p, dtype=np.float64)


def view(simulation: Simulation, sensor: Sensor) -> SensorView:
    """Show what a sensor makes of a simulation; its place must be among the places that were asked for when it was run."""
    p = seen(simulation.t_s, simulation.at(sensor.place), lag_s=sensor.lag_s, resolution_pa=sensor.resolution_pa)
    shots = []
    for i, shot in enumerate(simulation.shots):
        until = simulation.shots[i + 1].time_s if i + 1 < len(simulation.shots) else math.inf
        # A shot begins somewhere within one of the model's steps, none of which is longer than `STEP_S`.
        a, b = np.searchsorted(simulation.t_s, [shot.time_s - STEP_S, until - STEP_S], side="right")
        before, window = float(p[max(a - 1, 0)]), p[a:b]
        lowest = min(before, float(window.min())) if window.size else before
        shots.append(SeenShot(time_s=shot.time_s, before_pa=before, minimum_pa=lowest, dip_pa=before - lowest))
    return SensorView(sensor=sensor, p_pa=p, shots=tuple(shots))
