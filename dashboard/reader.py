"""How numbers are written for the reader: the chosen units, sensible digits, intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from analysis.estimate import Estimate
from analysis.units import from_si, significant

UNIT_SETS: Final = ("psi", "bar", "kPa")
LEAST_FLOW_M3_PER_S: Final = 1e-13  # less than a bubble a week is written as 0 [m3/s]; by choice


@dataclass(frozen=True, slots=True)
class Reader:
    """The reader's units: psi brings gallons and scfm with it, bar and kPa bring litres.

    Attributes
    ----------
    unit : str
        "psi", "bar" or "kPa"; pressures are gauge.
    """

    unit: str = "bar"

    def __post_init__(self) -> None:
        if self.unit not in UNIT_SETS:
            msg = f"{self.unit!r} is no unit that pages and findings are written in. Choose one of {', '.join(UNIT_SETS)}."
            raise ValueError(msg)

    @property
    def volume_unit(self) -> str:
        """Unit of volumes."""
        return "gal" if self.unit == "psi" else "L"

    @property
    def flow_unit(self) -> str:
        """Unit of free-air flows."""
        return "scfm" if self.unit == "psi" else "L/s"

    @property
    def places(self) -> int:
        """Decimal places of a pressure that is not small."""
        return {"psi": 1, "bar": 2, "kPa": 0}[self.unit]

    def pressure_value(self, p_pa: float) -> float:
        """Convert a pressure or a difference of pressures [Pa] to the reader's unit."""
        return from_si(p_pa, self.unit)

    def pressure(self, p_pa: float) -> str:
        """Write a gauge pressure [Pa] or a difference of pressures."""
        return f"{self.pressure_value(p_pa):z.{self._places(p_pa)}f} {self.unit}"

    def pressures(self, p_pa: Sequence[float]) -> list[str]:
        """Write the numbers of a table's column [Pa], whose heading has the unit, all with as many places."""
        places = max((self._places(p) for p in p_pa), default=0)
        return [f"{self.pressure_value(p):z.{places}f}" for p in p_pa]

    def _places(self, p_pa: float) -> int:
        """Decimal places: one more for a small pressure."""
        return self.places + (0 < abs(self.pressure_value(p_pa)) < 2 * 10 ** (1 - self.places))

    def volume(self, v_m3: float) -> str:
        """Write a volume [m3]."""
        return f"{significant(from_si(v_m3, self.volume_unit), 3)} {self.volume_unit}"

    def length(self, l_m: float) -> str:
        """Write the length of a hose [m]; feet go with psi."""
        return f"{significant(from_si(l_m, 'ft'), 3)} ft" if self.unit == "psi" else f"{significant(l_m, 3)} m"

    def bore(self, d_m: float) -> str:
        """Write a bore [m]; inches go with psi."""
        unit = "in" if self.unit == "psi" else "mm"
        return f"{significant(from_si(d_m, unit), 3)} {unit}"

    def air(self, v_m3: float) -> str:
        """Write an amount of free air [m3]: always litres, since a shot takes a small part of a gallon."""
        return f"{significant(from_si(v_m3, 'L'), 3)} L"

    def flow(self, q_m3_per_s: float) -> str:
        """Write a free-air flow [m3/s]."""
        value = 0.0 if abs(q_m3_per_s) < LEAST_FLOW_M3_PER_S else from_si(q_m3_per_s, self.flow_unit)
        if self.flow_unit == "L/s" and 0.0 < abs(value) < 0.01:  # a small leak: nobody reads 0.0000107 L/s
            return f"{significant(1e3 * value, 3)} mL/s"
        return f"{significant(value, 3)} {self.flow_unit}"

    def estimate(self, e: Estimate, write: Callable[[float], str]) -> str:
        """Write an estimate with its interval, e.g. ``0.23 s (95 % between 0.21 s and 0.25 s)``, or a bound where that is all."""
        if e.low is not None and e.high is not None:
            bounds = f"95 % between {write(e.low)} and {write(e.high)}"
        elif e.low is not None:
            bounds = f"95 %: at least {write(e.low)}"
        elif e.high is not None:
            bounds = f"95 %: at most {write(e.high)}"
        else:
            return "unknown" if e.value is None else write(e.value)
        return f"{'unknown' if e.value is None else write(e.value)} ({bounds})"


def seconds(t_s: float) -> str:
    """Write a time span [s] in the unit that suits its size."""
    if not math.isfinite(t_s):
        return "unknown"
    size = abs(t_s)
    if size == 0.0:
        return "0 s"
    if size < 1.0:
        return f"{t_s:.3f} s" if size < 0.0995 else f"{t_s:.2f} s"
    if size < 120.0:
        return f"{significant(t_s, 3)} s"
    if size < 7200.0:
        return f"{significant(t_s / 60.0, 3)} min"
    if size < 172_800.0:
        return f"{significant(t_s / 3600.0, 3)} h"
    return f"{significant(t_s / 86_400.0, 3)} days"


def finer_seconds(t_s: float) -> str:
    """Write a time whose ratio to another the reader will work out: three digits, so that the two agree with the change stated."""
    return f"{significant(t_s, 3)} s"


def percent(fraction: float) -> str:
    """Write a fraction as percent."""
    return f"{100.0 * fraction:.0f} %" if abs(fraction) >= 0.1 else f"{significant(100.0 * fraction, 2)} %"


def share_of_time(fraction: float) -> str:
    """Write a duty as percent, to a tenth: its interval is often narrower than one percent."""
    return f"{100.0 * fraction:.1f} %"


def change(ratio_minus_one: float) -> str:
    """Write a change as a signed percent, e.g. ``-26 %``."""
    whole = round(100.0 * ratio_minus_one)
    return f"{whole:+d} %" if whole else "0 %"
