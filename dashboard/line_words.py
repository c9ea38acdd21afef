"""The parts of an air line in a few words each."""

from __future__ import annotations

from typing import Any

from analysis.line import Compressor, Part
from analysis.units import from_si, significant
from dashboard.reader import Reader


def compressor_facts(c: Compressor, reader: Reader) -> str:
    """Describe a compressor in a few words."""
    return f"{reader.volume(c.tank_m3)} tank, {reader.flow(c.delivery_m3_per_s)}, {_band(reader, c.cut_in_pa, c.cut_out_pa)}"


def part_facts(part: Part, reader: Reader) -> str:
    """Say a part's main numbers."""
    facts: list[Any] = []
    if part.set_pa is not None:
        facts.append(f"set to {reader.pressure(part.set_pa)}")
    if part.length_m is not None and part.bore_m is not None:
        facts.append(f"{reader.length(part.length_m)}, bore {reader.bore(part.bore_m)}")
    if part.kind == "receiver" and part.volume_m3 is not None:
        facts.append(reader.volume(part.volume_m3))
    if part.kind in {"coupler", "valve", "filter", "dryer"} and part.conductance is not None:
        facts.append(
            f"{significant(from_si(part.conductance, 'L/s/bar'), 2)} L/s/bar" + (" (assumed)" if "conductance" in part.assumed else "")
        )
    if part.air_per_shot_m3 is not None:
        facts.append(f"{reader.air(part.air_per_shot_m3)} a shot" + (" (assumed)" if "air_per_shot" in part.assumed else ""))
    if part.window_pa is not None:
        facts.append(f"window {_band(reader, *part.window_pa)}")
    return ", ".join(facts)


def _band(reader: Reader, low_pa: float, high_pa: float) -> str:
    low, high = reader.pressure(low_pa), reader.pressure(high_pa)
    return f"{low.removesuffix(' ' + reader.unit)} to {high}"
