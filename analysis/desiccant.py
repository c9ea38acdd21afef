"""How much water a desiccant takes up, and how much of it air under pressure can use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

# Share of the dry mass that is taken up in balance, against relative humidity at the line's own pressure.
# Silica gel: curve of a supplier that a published home measurement confirmed within 3 points; near saturation about 40 %.
_SILICA_GEL: Final = ((0.0, 0.0), (0.24, 0.12), (0.50, 0.27), (0.65, 0.32), (1.0, 0.40))
# Molecular sieve: nearly full already in dry air; from memory.
_MOLECULAR_SIEVE: Final = ((0.0, 0.0), (0.02, 0.15), (0.10, 0.19), (1.0, 0.21))
ISOTHERMS: Final = {"silica gel": _SILICA_GEL, "molecular sieve": _MOLECULAR_SIEVE}
UPTAKE_UNCERTAINTY: Final = 0.03  # of the curve, 95 %, as a share of the dry mass
# In moving air the bed lets water through before all of it is full: about 20 of 40 % of silica gel are of practical use.
USABLE_SHARE: Final = 0.5
BULK_DENSITY_KG_PER_M3: Final = 700.0  # beads of either kind in a housing; from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Desiccant:
    """A filling: its kind and its dry mass [kg]."""

    kind: str = "silica gel"
    mass_kg: float

    def __post_init__(self) -> None:
        if self.kind not in ISOTHERMS:
            msg = f"{self.kind!r} is no desiccant that farend knows. Known are: {', '.join(ISOTHERMS)}."
            raise ValueError(msg)
        if not 0.0 < self.mass_kg < 1e4:
            msg = f"A desiccant of {self.mass_kg:g} kg cannot be; needed is the dry mass of the filling, e.g. 500 g."
            raise ValueError(msg)

    def uptake(self, humidity: float) -> float:
        """Water taken up in balance with air of this relative humidity [0..1 of the dry mass]."""
        points = np.array(ISOTHERMS[self.kind])
        return float(np.interp(humidity, points[:, 0], points[:, 1]))

    def usable_kg(self, humidity: float) -> tuple[float, float, float]:
        """Water [kg] that it takes up before moist air comes through, with the ends of a 95 % interval.

        The upper end is the whole balance uptake; the lower is half of the usable part, as in a short, quickly passed bed.
        """
        balance = self.uptake(humidity)
        low = 0.5 * USABLE_SHARE * max(balance - UPTAKE_UNCERTAINTY, 0.0)
        return USABLE_SHARE * balance * self.mass_kg, low * self.mass_kg, (balance + UPTAKE_UNCERTAINTY) * self.mass_kg
