"""What the reader asked of the water in a line, for the page and the command alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from logger.weather import Weather

if TYPE_CHECKING:
    from analysis.line import Line
    from analysis.water_variants import WaterVariant


def water_asked(line: Line, given: Mapping[str, float], kind: str, weather: Weather | None = None) -> tuple[WaterVariant, ...]:
    """Follow the water along a line and its variants.

    Parameters
    ----------
    line : Line
    given : mapping of str to float
        What the reader entered, in SI: `shots` and `air` [1; m3] a day, `hours` a day [s], `temperature` [K] and `humidity` [1] of the air
        drawn in, `coldest` place [K], `bowl` [m3], `desiccant` [kg]; what is not there has its usual value.
    kind : str
        Of desiccant.
    weather : Weather, optional
        As it was recorded; what is given comes before it.
    """
    from analysis.desiccant import Desiccant
    from analysis.water import USUAL_HOURS_PER_DAY
    from analysis.water_variants import water_variants

    recorded = weather or Weather()
    return water_variants(
        line,
        air_m3_per_day=given.get("air"),
        shots_per_day=given.get("shots"),
        hours_per_day=given["hours"] / 3600.0 if "hours" in given else USUAL_HOURS_PER_DAY,
        temperature_k=given.get("temperature", recorded.temperature_k),
        humidity=given.get("humidity", recorded.humidity),
        p_amb_pa=recorded.p_amb_pa,
        coldest_k=given.get("coldest"),
        bowl_m3=given.get("bowl"),
        desiccant=Desiccant(kind=kind, mass_kg=given["desiccant"]) if "desiccant" in given else None,
        measured=weather is not None,
    )
