"""What a fitted leak-down says: leak, tight or cannot tell, and the rates and times that need no volume."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.constants import ANR_TEMPERATURE_K
from analysis.estimate import Estimate
from analysis.leak_fit import Blocks, Posterior, flow_factor
from analysis.units import significant

LONGEST_S: Final = 3e8  # ten years: longer times are not told [s]; by choice


def judged(fit: Posterior, to_flow: float, tight: float, smallest: float, *, measured: bool, known: bool, hours: float) -> tuple[str, str]:
    """Judge a fit: the verdict, and why, with what to do where it cannot be told.

    Parameters
    ----------
    fit : Posterior
        The leak's slope and how sure it is.
    to_flow : float
        From slope [1/(s K)] to free air at the reference pressure [m3/s].
    tight, smallest : float
        What counts as tight, and the least leak that would have shown [m3/s].
    measured, known : bool
        Whether temperature was measured, and the volume is known.
    hours : float
        Length of what was fitted [h].
    """
    high = fit.quantile(0.975) * to_flow
    sure = fit.quantile(0.005) * to_flow > 0.0
    if fit.quantile(0.995) < 0.0 and -fit.mean * to_flow > 0.5 * tight:
        return "cannot tell", (
            "Cannot tell, because the air shut in seems to grow: the thermometer does not go with the air, the sensor drifts, or a valve "
            "lets air in. Fix the thermometer to the tank's wall under some foam, check the valves, and repeat."
        )
    if high < tight:
        return "tight", "Whatever is lost is below what counts as tight."
    if sure and fit.mean * to_flow > tight:
        return "leak", "More air is lost than temperature, noise and drift of the sensor explain."
    advice = [] if measured else ["record the temperature of the tank's wall or of the air around it"]
    advice.append("leave it shut in longer" if hours < 10 or measured else "repeat it on a night with a steadier temperature")
    what = (
        "a leak below what this recording can show cannot be excluded" if not sure else "what is lost may be no more than counts as tight"
    )
    size = f" (about {significant(smallest * 1000, 2)} L/s of free air)" if known and not sure else ""
    return "cannot tell", f"Cannot tell, because {what}{size}. To know: {' and '.join(advice)}."


@dataclass(frozen=True, slots=True)
class Rates:
    """Rates and times that need no volume."""

    data: Blocks
    k: Estimate
    b: float

    def fall(self, index: int) -> Estimate:
        """Pressure lost to the leak at a block, temperature steady [Pa/s]."""
        p_abs = float(self.data.p_pa[index] + self.data.p_amb_pa[index])
        temp = float(self.data.temp_k[index])
        temp = temp if np.isfinite(temp) else ANR_TEMPERATURE_K
        factor = np.sqrt(temp * ANR_TEMPERATURE_K) * p_abs * float(flow_factor(self.data.p_amb_pa[index] / p_abs, self.b))
        return self.k.map(lambda k: float(k * factor))

    def time_constant(self) -> Estimate:
        """Time in which a choked leak takes absolute pressure to 1/e [s]."""
        return self._inverse(1.0 / ANR_TEMPERATURE_K)

    def half_time(self) -> Estimate:
        """Time from the last block until its gauge pressure has halved [s]."""
        amb = float(self.data.p_amb_pa[-1])
        gauge = max(float(self.data.p_pa[-1]), 1.0)
        p = np.linspace(gauge, gauge / 2.0, 400) + amb
        inverse = 1.0 / (p * flow_factor(amb / p, self.b))
        return self._inverse(float(np.sum(0.5 * (inverse[1:] + inverse[:-1]) * -np.diff(p))) / ANR_TEMPERATURE_K)

    def _inverse(self, scale: float) -> Estimate:
        """Times go as 1/k; where k may be nil there is no upper end, and no value where it is."""
        value, low, high = self.k.value, self.k.low, self.k.high

        def time(x: float | None) -> float | None:
            return scale / x if x is not None and x * LONGEST_S > scale else None

        return Estimate(value=time(value), low=time(high), high=time(low))
