"""Friction factors of pipes and hoses. All are Darcy's (four times Fanning's); Re and relative roughness are pure numbers."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

LAMINAR_BELOW = 2000.0  # Reynolds number below which flow is taken as laminar
TURBULENT_ABOVE = 4000.0  # and above which as turbulent; between, the factor goes smoothly from one to the other


def laminar(re: ArrayLike) -> NDArray[np.float64]:
    """Hagen and Poiseuille: 64/Re."""
    return np.asarray(64.0 / np.asarray(re, dtype=np.float64))


def colebrook(re: float, rough: float) -> float:
    """Colebrook's implicit factor, solved to rounding by Newton's method from Haaland's."""
    x = 1.0 / math.sqrt(haaland(re, rough))
    for _ in range(50):
        inside = rough / 3.7 + 2.51 * x / re
        gap = x + 2.0 * math.log10(inside)
        step = gap / (1.0 + 2.0 * 2.51 / (re * inside * math.log(10.0)))
        x -= step
        if abs(step) < 1e-15 * x:
            break
    return 1.0 / x**2


def haaland(re: float, rough: float) -> float:
    """Haaland's explicit factor (J. Fluids Eng. 105, 1983): within 1.4 % of Colebrook's where hoses work."""
    return float((-1.8 * math.log10((rough / 3.7) ** 1.11 + 6.9 / re)) ** -2.0)


def swamee_jain(re: float, rough: float) -> float:
    """Swamee and Jain's explicit factor (1976)."""
    return 0.25 / math.log10(rough / 3.7 + 5.74 / re**0.9) ** 2


def blasius(re: float) -> float:
    """Blasius' factor of a smooth pipe, 0.3164 Re^-1/4, for Re from 4000 to 100 000."""
    return 0.3164 * re**-0.25


def darcy(re: float, rough: float) -> float:
    """Return the factor that the line model uses: laminar below Re 2000, Haaland above 4000, blended between."""
    if re <= 0.0:
        return math.inf
    x = min(max((re - LAMINAR_BELOW) / (TURBULENT_ABOVE - LAMINAR_BELOW), 0.0), 1.0)
    share = x * x * (3.0 - 2.0 * x)
    return (1.0 - share) * 64.0 / re + share * haaland(max(re, LAMINAR_BELOW), rough)
