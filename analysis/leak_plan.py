"""How long to leave a line shut in, so that a leak of a given size would show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, ATMOSPHERE_ABS_PA, LEAK_REFERENCE_PA, R_AIR_J_PER_KG_K
from analysis.leak_breaks import SETTLED, Readings
from analysis.leak_choice import AIR_SETTLING_S
from analysis.leak_fit import Blocks, exposure, whiteners
from analysis.leakdown import leak_at
from analysis.statistics import Z_95

BLOCKS: Final = 60  # blocks of the imagined recording
LIKELY_RESIDUAL: Final = 6  # place in `whiteners` of a middling slow residual; common practice, no source
LONGEST_S: Final = 3 * 86400.0  # nobody leaves a line shut in for longer [s]; by choice


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakPlan:
    """How long a leak-down must be.

    Attributes
    ----------
    settle_s : float
        Wait after filling until the air has the wall's temperature [s].
    record_s : float or None
        Record for at least this long after that [s]; None when no recording of three days would show the leak.
    smallest : tuple of (hours, m3/s)
        What recordings of these lengths would show, free air at the reference pressure.
    """

    settle_s: float
    record_s: float | None
    smallest: tuple[tuple[float, float], ...]


def smallest_leak(
    volume_m3: float,
    record_s: float,
    *,
    start_pa: float = LEAK_REFERENCE_PA,
    noise_pa: float = 500.0,
    every_s: float = 1.0,
    temperature: bool = True,
    reference_pa: float = LEAK_REFERENCE_PA,
) -> float:
    """Least free-air leak [m3/s] that a recording of this length would show; see `plan_leakdown` for the parameters."""
    t = (np.arange(BLOCKS) + 0.5) / BLOCKS * record_s
    ones = np.ones(BLOCKS)
    weight = ones * max(record_s / BLOCKS / every_s, 1.0)
    temp = ones * (ANR_TEMPERATURE_K if temperature else np.nan)
    p, amb = ones * start_pa, ones * ATMOSPHERE_ABS_PA
    readings = Readings(t_s=t, p_pa=p, p_amb_pa=amb, temp_k=temp, weight=weight, noise_pa=noise_pa, resolution_pa=0.0)
    blocks = Blocks(
        t_s=t,
        p_pa=p,
        p_amb_pa=amb,
        temp_k=temp,
        weight=weight,
        stretch=np.zeros(BLOCKS, dtype=np.intp),
        warmth=(SETTLED,),
        fine=readings,
        noise_pa=noise_pa,
        resolution_pa=0.0,
    )
    _, white = whiteners(blocks, measured=temperature)[LIKELY_RESIDUAL]
    basis = white @ np.column_stack((exposure(blocks, ones * ANR_TEMPERATURE_K, p + amb, 0.0), ones))
    sd = float(np.sqrt(np.linalg.inv(basis.T @ basis)[0, 0]))
    to_flow = volume_m3 / (R_AIR_J_PER_KG_K * ANR_DENSITY_KG_PER_M3) * leak_at(1.0, reference_pa)
    return Z_95 * 1.5 * sd * to_flow


def plan_leakdown(
    volume_m3: float,
    leak_m3_per_s: float,
    *,
    start_pa: float = LEAK_REFERENCE_PA,
    noise_pa: float = 500.0,
    every_s: float = 1.0,
    temperature: bool = True,
    reference_pa: float = LEAK_REFERENCE_PA,
) -> LeakPlan:
    """Say how long to leave a line shut in to see a leak.

    Parameters
    ----------
    volume_m3 : float
        Air shut in [m3].
    leak_m3_per_s : float
        Free-air leak that must show [m3/s].
    start_pa : float
        Gauge pressure to which it is filled [Pa].
    noise_pa : float
        Noise of a single reading [Pa].
    every_s : float
        Time between readings [s].
    temperature : bool
        Whether the wall's or the room's temperature is recorded.
    reference_pa : float
        Gauge pressure at which the leak is stated [Pa].

    Raises
    ------
    ValueError
        If volume, leak or reference is not positive, or the noise is negative.
    """
    if not (reference_pa > 0 and noise_pa >= 0):
        msg = f"A plan needs a pressure above ambient ({reference_pa:g} Pa was given) and a noise of nothing or more ({noise_pa:g} Pa)."
        raise ValueError(msg)
    if not (volume_m3 > 0 and leak_m3_per_s > 0):
        msg = f"A plan needs a volume and a leak above zero; given were {volume_m3:g} m3 and {leak_m3_per_s:g} m3/s."
        raise ValueError(msg)

    def shows(seconds: float) -> float:
        return smallest_leak(
            volume_m3, seconds, start_pa=start_pa, noise_pa=noise_pa, every_s=every_s, temperature=temperature, reference_pa=reference_pa
        )

    lengths = np.geomspace(120.0, LONGEST_S, 40)
    enough = next((float(s) for s in lengths if shows(float(s)) <= leak_m3_per_s), None)
    settle = 1.25 * AIR_SETTLING_S * float(np.log(0.02 / SETTLED))
    return LeakPlan(settle_s=settle, record_s=enough, smallest=tuple((h, shows(3600.0 * h)) for h in (0.25, 1.0, 4.0, 12.0)))
