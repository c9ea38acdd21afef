"""The air line: compressor, and parts in order of flow up to the tool. Everything is SI; pressures are gauge."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from analysis.air import ambient_pressure, volumetric_efficiency


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the line stands: altitude [m], air and hose temperature [K], relative humidity [0..1]."""

    altitude_m: float = 0.0
    temperature_k: float = 293.15
    humidity: float = 0.6

    @property
    def p_amb_pa(self) -> float:
        """Ambient pressure by the standard atmosphere [Pa abs]."""
        return ambient_pressure(self.altitude_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressor:
    """Tank with pump.

    Attributes
    ----------
    tank_m3 : float
        Volume of the tank [m3].
    cut_in_pa, cut_out_pa : float
        Pressures at which the pump starts and stops [Pa gauge].
    delivery_m3_per_s : float
        Free air that the pump gives [m3/s], at `delivery_at_pa` where that is given.
    delivery_at_pa : float or None
        Tank pressure at which the delivery is stated [Pa gauge]; where it is None the delivery is taken as the same at all pressures.
    clearance : float or None
        Volume that the piston does not sweep over the volume that it does [-]: why the delivery falls as the pressure rises.
    rated_pa : float or None
        Highest pressure allowed [Pa gauge].
    leak : float or None
        Sonic conductance of the tank's leak to ambient [m3/(s Pa)].
    assumed : tuple of str
        Keys that were not given and stand at a usual value.
    """

    tank_m3: float
    cut_in_pa: float
    cut_out_pa: float
    delivery_m3_per_s: float
    delivery_at_pa: float | None = None
    clearance: float | None = None
    rated_pa: float | None = None
    leak: float | None = None
    temperature_k: float | None = None
    assumed: tuple[str, ...] = ()

    def delivery_at(self, p_pa: float, p_amb_pa: float) -> float:
        """Free air [m3/s] that the pump gives into the tank at a pressure [Pa gauge], ambient pressure given [Pa abs]."""
        if self.clearance is None or self.delivery_at_pa is None:
            return self.delivery_m3_per_s
        stated, here = (volumetric_efficiency(1.0 + p / p_amb_pa, self.clearance) for p in (self.delivery_at_pa, p_pa))
        return self.delivery_m3_per_s * here / stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the line; what does not belong to its kind is None.

    Attributes
    ----------
    kind : str
        regulator, hose, coupler, valve, filter, dryer, receiver or tool.
    name : str
        As the user calls it; the kind where no name was given.
    bore_m, length_m, roughness_m : float or None
        Of a hose [m].
    volume_m3 : float or None
        Of a receiver, filter or dryer; of a tool its chamber [m3].
    conductance : float or None
        Sonic conductance C by ISO 6358 [m3/(s Pa)].
    b : float or None
        Critical pressure ratio that goes with it [-].
    set_pa, droop_pa : float or None
        Of a regulator [Pa gauge]: set point, and how far the outlet must fall below it before the regulator is wide open.
    time_constant_s : float or None
        Of a regulator: time in which its valve goes 63 % of the way to where the spring asks for [s]; at once where it is None.
    air_per_shot_m3 : float or None
        Of a tool: free air [m3] that one shot takes at `shot_reference_pa`.
    window_pa : tuple or None
        Of a tool: lowest and highest working pressure [Pa gauge].
    rated_pa : float or None
        Highest pressure allowed [Pa gauge].
    leak : float or None
        Sonic conductance of this part's leak to ambient [m3/(s Pa)].
    temperature_k : float or None
        Of the place where it lies, where that is not the site's [K]: in the sun, in the shade, in a warm shop.
    assumed : tuple of str
        Keys that were not given and stand at a usual value.
    """

    kind: str
    name: str
    bore_m: float | None = None
    length_m: float | None = None
    roughness_m: float | None = None
    volume_m3: float | None = None
    conductance: float | None = None
    b: float | None = None
    set_pa: float | None = None
    droop_pa: float | None = None
    time_constant_s: float | None = None
    air_per_shot_m3: float | None = None
    window_pa: tuple[float, float] | None = None
    rated_pa: float | None = None
    leak: float | None = None
    temperature_k: float | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """An air line: name, site, compressor and the parts in order of flow; the last is the tool."""

    name: str
    site: Site
    compressor: Compressor
    parts: tuple[Part, ...]

    @property
    def tool(self) -> Part:
        """The tool at the end."""
        return self.parts[-1]

    @property
    def receiver(self) -> Part | None:
        """The receiver nearest to the tool, if there is one."""
        return next((p for p in reversed(self.parts) if p.kind == "receiver"), None)

    @property
    def shot_reference_pa(self) -> float:
        """Pressure at which the tool's air per shot is stated [Pa gauge]: the middle of its window, else 6.2 bar (90 psi)."""
        window = self.tool.window_pa
        return 0.5 * (window[0] + window[1]) if window else 620_528.2

    def labels(self) -> tuple[str, ...]:
        """One short name per part for results: its kind, numbered where the kind repeats (hose1, hose2); the first valve is `supply`."""
        kinds = [p.kind for p in self.parts]
        if kinds[0] in ("valve", "coupler") and len(kinds) > 1:
            kinds[0] = "supply"
        seen: dict[str, int] = {}
        out = []
        for kind in kinds:
            seen[kind] = seen.get(kind, 0) + 1
            out.append(f"{kind}{seen[kind]}" if kinds.count(kind) > 1 else kind)
        return tuple(out)

    def with_part(self, index: int, **changes: Any) -> Line:
        """Return the line with some fields of one part changed."""
        parts = list(self.parts)
        parts[index] = dataclasses.replace(parts[index], **changes)
        return dataclasses.replace(self, parts=tuple(parts))
