"""What would keep more water out: the same day's work with one thing changed at the dry end of the line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from analysis.line import Line, Part
from analysis.water import WaterBalance, water_balance

BUFFER_M3: Final = 0.024  # of the receiver that is tried; what falls out does not depend on its size


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterVariant:
    """One way to run the line: what was changed, and the water then."""

    name: str
    balance: WaterBalance


def water_variants(line: Line, **given: Any) -> tuple[WaterVariant, ...]:
    """Follow the water through the line as it is and with one thing changed at a time.

    Parameters
    ----------
    line : Line
        The air line.
    **given
        As `analysis.water.water_balance` takes it; alike for all.

    Returns
    -------
    tuple of WaterVariant
        The first is the line as it is. An aftercooler lets the air into the tank as cool as its surroundings; a receiver or a long hose in
        the shade ahead of everything lets it cool before the dryer, if there is one.
    """
    first_dryer = next((i for i, p in enumerate(line.parts) if p.kind == "dryer"), None)
    at = 0 if first_dryer is None else first_dryer
    ahead = "ahead of the dryer" if first_dryer is not None else "at the compressor"
    receiver = Part(kind="receiver", name="cool receiver", volume_m3=BUFFER_M3)
    tried: list[tuple[str, Line, dict[str, Any]]] = [
        ("as it is", line, {}),
        ("with an aftercooler on the compressor", line, {"aftercooler": True}),
        (f"with a receiver in the shade {ahead}", _with(line, at, [receiver]), {}),
    ]
    coldest_k = given.get("coldest_k")
    if coldest_k is not None and first_dryer is not None:
        # The dryer then meets the air as cold as it ever gets.
        hose = Part(kind="hose", name="cold hose", length_m=10.0, bore_m=9.5e-3, roughness_m=0.0, temperature_k=coldest_k)
        tried.append(("with 10 m of hose in the cold ahead of the dryer", _with(line, at, [hose]), {}))
    if first_dryer is not None:
        without = replace(line, parts=tuple(p for p in line.parts if p.kind != "dryer"))
        tried.append(("without the dryer", without, {}))
    return tuple(WaterVariant(name=name, balance=water_balance(changed, **{**given, **more})) for name, changed, more in tried)


def _with(line: Line, at: int, parts: Sequence[Part]) -> Line:
    return replace(line, parts=(*line.parts[:at], *parts, *line.parts[at:]))
