"""Water in the line: how much comes in with the air, where it falls out, and whether any forms before the tool.

Air is followed from the intake part by part. Wherever it is colder, or under more pressure, than it can hold its vapour, the rest falls
out and stays there until it is drained; where a regulator lowers the pressure, the dew point falls and the air becomes drier again.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from analysis.constants import ANR_DENSITY_KG_PER_M3, ZERO_CELSIUS_K
from analysis.desiccant import BULK_DENSITY_KG_PER_M3, Desiccant
from analysis.estimate import Estimate
from analysis.line import Line, Part
from analysis.moist_air import (
    HIGHEST_ABS_PA,
    ambient_humidity_ratio,
    anr_humidity_ratio,
    dew_point,
    saturated_vapour_pressure,
    saturation_humidity_ratio,
    vapour_pressure,
)
from analysis.units import from_si, significant

WATER_DENSITY_KG_PER_M3: Final = 1000.0  # liquid, rounded; 0.2 % above its value at 20 degC
USUAL_SHOTS_PER_DAY: Final = 1000.0  # where nothing is said; common practice, no source
USUAL_HOURS_PER_DAY: Final = 8.0  # likewise
TANK_RISE_K: Final = 20.0  # how much warmer than ambient a tank gets whose pump never rests; common practice, no source
DRYER_DEW_POINT_K: Final = 253.15  # pressure dew point behind a dryer of unknown kind, -20 degC; common practice, no source
BOWL_SHARE: Final = 0.01  # of the tank: drain before more water than this stands in it; common practice, no source
LARGEST_BOWL_M3: Final = 5e-4  # and never let more than half a litre gather; common practice, no source
JOULE_THOMSON_K_PER_PA: Final = 0.23e-5  # cooling of air by throttling near 20 degC and 8 bar, 0.23 K per bar; from memory

# What the inputs are worth, as 95 % half-widths. They are our judgement: weather differs from the forecast, hoses from the air around.
U_TEMPERATURE_K: Final = 1.0
U_HUMIDITY: Final = 0.05
U_MEASURED_K: Final = 0.5  # of a thermometer and a hygrometer of a usual kind; from memory
U_MEASURED_HUMIDITY: Final = 0.03
U_RISE_K: Final = 1.0  # beside half to twice the rise
U_AIR_STATED: Final = 0.10  # relative
U_AIR_ASSUMED: Final = 0.50  # relative; air per shot of tools of one class differs by as much
U_DRYER_K: Final = 15.0

Verdict = Literal["yes", "no", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place of the line, in order of flow.

    Attributes
    ----------
    name, kind : str
        As in the air-line file; the first is the compressor's tank.
    pressure_pa : float
        In normal work [Pa gauge].
    temp_k : float
        Temperature taken for the place [K].
    dew_point_k : Estimate
        Under the pressure of the place, after what falls out there [K]; a frost point below 0 degC.
    condensed_kg_per_day : Estimate
        Water that falls out there (in a dryer: that is held back) [kg/day].
    """

    name: str
    kind: str
    pressure_pa: float
    temp_k: float
    dew_point_k: Estimate
    condensed_kg_per_day: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterBalance:
    """Water per working day, from the intake to the tool.

    Attributes
    ----------
    air_m3_per_day : float
        Free air (ANR) drawn in [m3/day], leaks that the line's file states included.
    shots_per_day, hours_per_day : float
        Shots the balance is stated for (NaN where the line's tool takes an unknown part of the air), and hours of work a day.
    drawn_kg_per_day : Estimate
        Vapour drawn in with the air [kg/day].
    tank_kg_per_day, hose_kg_per_day, receiver_kg_per_day, dryer_kg_per_day, other_kg_per_day : Estimate
        Water that falls out in the compressor's tank, in hoses, in receivers, is held back by dryers, falls out in other parts [kg/day].
    left_kg_per_day : Estimate
        Vapour that leaves through the tool [kg/day].
    condensed_kg_per_1000_shots : Estimate
        All that falls out, dryers left aside [kg].
    dew_point_at_tool_k : Estimate
        Under the line's pressure at the tool [K].
    dew_point_expanded_k : Estimate
        Of the same air let down to ambient pressure [K].
    margin_k : Estimate
        By how much the coldest place behind tank and dryer is warmer than the dew point of the air that reaches it [K]; negative: water
        forms.
    forms : str
        "yes", "no" or "cannot tell": does water form between the tank, or the last dryer, and the tool?
    why : str
        The reason.
    bowl_m3 : float
        Water that may gather before it is drained [m3].
    drain_tank_s, drain_receiver_s : Estimate
        Working time until so much stands in the tank and in the receiver [s]; value None: none comes.
    desiccant_life_s : Estimate
        Working time until the desiccant lets water through [s]; value None where there is no dryer or its filling is not known.
    desiccant_kg_per_day : float
        Silica gel that a day's water spends [kg/day]; NaN without a dryer.
    places : tuple of Place
        Where what happens.
    assumptions, warnings : tuple of str
        What was taken for granted; what to mind.
    """

    air_m3_per_day: float
    shots_per_day: float
    hours_per_day: float
    drawn_kg_per_day: Estimate
    tank_kg_per_day: Estimate
    hose_kg_per_day: Estimate
    receiver_kg_per_day: Estimate
    dryer_kg_per_day: Estimate
    other_kg_per_day: Estimate
    left_kg_per_day: Estimate
    condensed_kg_per_1000_shots: Estimate
    dew_point_at_tool_k: Estimate
    dew_point_expanded_k: Estimate
    margin_k: Estimate
    forms: Verdict
    why: str
    bowl_m3: float
    drain_tank_s: Estimate
    drain_receiver_s: Estimate
    desiccant_life_s: Estimate
    desiccant_kg_per_day: float
    places: tuple[Place, ...]
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inputs:
    """Everything uncertain that a walk along the line needs."""

    temp_k: float
    humidity: float
    p_amb_pa: float
    tank_pa: float
    rise_k: float
    coldest_k: float | None
    off_k: float  # by how much every place outside is warmer than is thought
    dryer_k: float
    air_m3_per_day: float

    @property
    def line_k(self) -> float:
        return (self.temp_k if self.coldest_k is None else self.coldest_k) + self.off_k

    @property
    def dry_air_kg_per_day(self) -> float:
        # Free air is moist: what stays the same along the line is its dry part.
        return self.air_m3_per_day * ANR_DENSITY_KG_PER_M3 / (1.0 + anr_humidity_ratio())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stop:
    """One place on the walk: pressures in Pa abs, humidity ratios in kg per kg of dry air."""

    p_abs_pa: float
    temp_k: float
    arriving: float
    leaving: float
    margin_k: float


def water_balance(
    line: Line,
    *,
    air_m3_per_day: float | None = None,
    shots_per_day: float | None = None,
    hours_per_day: float = USUAL_HOURS_PER_DAY,
    temperature_k: float | None = None,
    humidity: float | None = None,
    p_amb_pa: float | None = None,
    coldest_k: float | None = None,
    bowl_m3: float | None = None,
    desiccant: Desiccant | None = None,
    dryer_dew_point_k: float | None = None,
    measured: bool = False,
    aftercooler: bool = False,
) -> WaterBalance:
    """Follow the water from the intake to the tool over a working day.

    Parameters
    ----------
    line : Line
        The air line; its site gives the weather that is not stated here.
    air_m3_per_day : float, optional
        Free air (ANR) drawn in a day [m3]. Else it follows from `shots_per_day` and the tool's air per shot, plus the line's stated leaks
        during the hours of work.
    shots_per_day : float, optional
        Shots a day; 1000 where neither is given.
    hours_per_day : float
        Hours of work a day, for intervals in working time.
    temperature_k, humidity, p_amb_pa : float, optional
        Of the air at the intake: temperature [K], relative humidity [0..1], ambient pressure [Pa abs].
    coldest_k : float, optional
        Temperature of the coldest place from the first hose on [K], such as a hose in the shade on a cold morning; else the site's.
    bowl_m3 : float, optional
        Water that may gather in tank or receiver before it is drained [m3]; else 1 % of the tank, at most 0.5 L.
    desiccant : Desiccant, optional
        Filling of the line's dryer; else what its volume holds of silica gel.
    dryer_dew_point_k : float, optional
        Dew point under pressure behind the dryer while it works [K]; else -20 degC.
    measured : bool
        Whether temperature and humidity were measured at the intake, which makes them surer.
    aftercooler : bool
        Whether the compressor has one that lets the air into the tank as cool as its surroundings.

    Returns
    -------
    WaterBalance
        Where the water goes. Intervals combine what each input is worth, one at a time, by root sum of squares.

    Raises
    ------
    ValueError
        If a value cannot be.
    """
    weather = _weather(line, temperature_k, humidity, p_amb_pa, coldest_k)
    if not 0.0 < hours_per_day <= 24.0:
        msg = f"{hours_per_day:g} hours of work a day cannot be; needed is more than 0 and at most 24."
        raise ValueError(msg)
    air, shots, u_air, assumptions = _air_use(line, air_m3_per_day, shots_per_day, hours_per_day, weather["p_amb_pa"])
    c = line.compressor
    if c.cut_out_pa + weather["p_amb_pa"] > HIGHEST_ABS_PA:
        msg = f"The pump cuts out at {c.cut_out_pa / 1e5:.1f} bar; moist air is known here up to 20 bar only."
        raise ValueError(msg)
    duty = min(1.0, air / (c.delivery_m3_per_s * hours_per_day * 3600.0))
    inputs = _Inputs(
        temp_k=weather["temp_k"],
        humidity=weather["humidity"],
        p_amb_pa=weather["p_amb_pa"],
        tank_pa=0.5 * (c.cut_in_pa + c.cut_out_pa),
        rise_k=0.0 if aftercooler else TANK_RISE_K * duty,
        coldest_k=coldest_k,
        off_k=0.0,
        dryer_k=DRYER_DEW_POINT_K if dryer_dew_point_k is None else dryer_dew_point_k,
        air_m3_per_day=air,
    )
    cases = _cases(inputs, line, u_air, measured=measured)
    walks = [_walk(line, case) for case in cases]

    def spread(f: Callable[[_Inputs, tuple[_Stop, ...]], float], *, least: float = -math.inf) -> Estimate:
        return _spread([f(case, walk) for case, walk in zip(cases, walks, strict=True)], least)

    def falls(kinds: tuple[str, ...], *, but: bool = False) -> Estimate:
        chosen = [i for i, kind in enumerate(_kinds(line)) if (kind in kinds) != but]
        return spread(lambda case, w: case.dry_air_kg_per_day * sum(w[i].arriving - w[i].leaving for i in chosen), least=0.0)

    places = tuple(
        Place(
            name=name,
            kind=kind,
            pressure_pa=stop.p_abs_pa - inputs.p_amb_pa,
            temp_k=stop.temp_k,
            dew_point_k=spread(lambda _, w, i=i: _dew(w[i].leaving, w[i].p_abs_pa)),  # type: ignore[misc]
            condensed_kg_per_day=spread(
                lambda case, w, i=i: case.dry_air_kg_per_day * (w[i].arriving - w[i].leaving),  # type: ignore[misc]
                least=0.0,
            ),
        )
        for i, (name, kind, stop) in enumerate(zip(_names(line), _kinds(line), walks[0], strict=True))
    )
    # A dryer makes good what fell out before it; what counts for the tool comes behind the last one.
    behind = 1 + max((i for i, kind in enumerate(_kinds(line)) if kind == "dryer"), default=0)
    margin = spread(lambda _, w: min(stop.margin_k for stop in w[behind:]))
    worst = min(range(behind, len(places)), key=lambda i: walks[0][i].margin_k)
    forms, why = _verdict(margin, places[worst], "dryer" if behind > 1 else "tank")
    tank, receiver = falls(("tank",)), falls(("receiver",))
    all_water = falls(("dryer",), but=True)
    bowl = min(BOWL_SHARE * c.tank_m3, LARGEST_BOWL_M3) if bowl_m3 is None else bowl_m3
    if not bowl > 0.0:
        msg = f"A bowl of {1e3 * bowl:g} L cannot be; needed is how much water may gather before it is drained."
        raise ValueError(msg)
    life, spent = _desiccant(line, desiccant, walks[0], falls(("dryer",)), hours_per_day)
    dryers = [p for p in line.parts if p.kind == "dryer"]
    if dryers and dryer_dew_point_k is None:
        assumptions.append("a dew point under pressure of -20 degC behind the dryer while it works.")
    if dryers and life.value is None:
        assumptions.append("nothing of the dryer's filling, so its life is not known; give its dry mass.")
    return WaterBalance(
        air_m3_per_day=air,
        shots_per_day=shots,
        hours_per_day=hours_per_day,
        drawn_kg_per_day=spread(lambda case, w: case.dry_air_kg_per_day * w[0].arriving),
        tank_kg_per_day=tank,
        hose_kg_per_day=falls(("hose",)),
        receiver_kg_per_day=receiver,
        dryer_kg_per_day=falls(("dryer",)),
        other_kg_per_day=falls(("tank", "hose", "receiver", "dryer"), but=True),
        left_kg_per_day=spread(lambda case, w: case.dry_air_kg_per_day * w[-1].leaving),
        condensed_kg_per_1000_shots=all_water.map(lambda kg: 1000.0 * kg / shots) if shots > 0.0 else Estimate(value=None),
        dew_point_at_tool_k=places[-1].dew_point_k,
        dew_point_expanded_k=spread(lambda case, w: _dew(w[-1].leaving, case.p_amb_pa)),
        margin_k=margin,
        forms=forms,
        why=why,
        bowl_m3=bowl,
        drain_tank_s=_until(bowl, tank, hours_per_day),
        drain_receiver_s=_until(bowl, receiver, hours_per_day),
        desiccant_life_s=life,
        desiccant_kg_per_day=spent,
        places=places,
        assumptions=tuple(assumptions),
        warnings=(
            *_warnings(inputs, duty, air, c.delivery_m3_per_s * hours_per_day * 3600.0),
            *_before_dryer(places, _kinds(line)),
        ),
    )


def _weather(
    line: Line, temperature_k: float | None, humidity: float | None, p_amb_pa: float | None, coldest_k: float | None
) -> dict[str, float]:
    site = line.site
    out = {
        "temp_k": site.temperature_k if temperature_k is None else temperature_k,
        "humidity": site.humidity if humidity is None else humidity,
        "p_amb_pa": site.p_amb_pa if p_amb_pa is None else p_amb_pa,
    }
    for what, t in (("The air", out["temp_k"]), ("The coldest place", out["temp_k"] if coldest_k is None else coldest_k)):
        if not 223.15 <= t <= 328.15:
            msg = f"{what} at {t - ZERO_CELSIUS_K:.0f} degC is outside of what can be (-50 to 55 degC)."
            raise ValueError(msg)
    if not 0.0 < out["humidity"] <= 1.0:
        msg = f"A relative humidity of {100 * out['humidity']:g} % cannot be; needed is more than 0 and at most 100 %."
        raise ValueError(msg)
    if not 3e4 <= out["p_amb_pa"] <= 1.2e5:
        msg = f"An ambient pressure of {out['p_amb_pa'] / 100:.0f} mbar cannot be; needed is the absolute one, near 1000 mbar."
        raise ValueError(msg)
    return out


def _air_use(
    line: Line, air_m3_per_day: float | None, shots_per_day: float | None, hours: float, p_amb_pa: float
) -> tuple[float, float, float, list[str]]:
    """Free air a day [m3], shots a day, what the air is worth (95 %, relative), and what was assumed."""
    per_shot = line.tool.air_per_shot_m3 or 0.0
    stated = "air_per_shot" not in line.tool.assumed
    for what, x in (("m3 of air", air_m3_per_day), ("shots", shots_per_day)):
        if x is not None and not (0.0 < x < 1e7):
            msg = f"{x:g} {what} a day cannot be; needed is more than nothing, below 1e7."
            raise ValueError(msg)
    if air_m3_per_day is not None:
        return air_m3_per_day, air_m3_per_day / per_shot if shots_per_day is None else shots_per_day, U_AIR_STATED, []
    assumptions = []
    if shots_per_day is None:
        shots_per_day = USUAL_SHOTS_PER_DAY
        assumptions.append(f"{shots_per_day:.0f} shots a day, since neither shots nor air were given.")
    if not stated:
        assumptions.append(f"{1e3 * per_shot:.1f} L of free air a shot, since the line's file does not say.")
    # A leak under pressure is choked, so it passes C times the absolute pressure of free air.
    pressures = _pressures(line, 0.5 * (line.compressor.cut_in_pa + line.compressor.cut_out_pa))[1:]
    leaks = sum((part.leak or 0.0) * (p + p_amb_pa) for part, p in zip(line.parts, pressures, strict=True))
    air = shots_per_day * per_shot + leaks * hours * 3600.0
    return air, shots_per_day, U_AIR_STATED if stated else U_AIR_ASSUMED, assumptions


def _names(line: Line) -> tuple[str, ...]:
    return ("tank", *(p.name for p in line.parts))


def _kinds(line: Line) -> tuple[str, ...]:
    return ("tank", *(p.kind for p in line.parts))


def _pressures(line: Line, tank_pa: float) -> tuple[float, ...]:
    """Pressure in the tank and behind each part [Pa gauge], with little flow, when most water falls out."""
    out = [tank_pa]
    for part in line.parts:
        out.append(out[-1] if part.set_pa is None else min(out[-1], part.set_pa))
    return tuple(out)


def _walk(line: Line, x: _Inputs) -> tuple[_Stop, ...]:
    """Follow the air from the intake through the tank and every part."""
    w = ambient_humidity_ratio(x.temp_k, min(x.humidity, 1.0), x.p_amb_pa)
    pressures = _pressures(line, x.tank_pa)
    w_free = w  # what the air would carry if nothing fell out behind the tank and the last dryer
    stops: list[_Stop] = []
    outside = False
    for i, p_pa in enumerate(pressures):
        part = line.parts[i - 1] if i else None
        outside = outside or (part is not None and part.kind == "hose")
        p_abs = p_pa + x.p_amb_pa
        temp_k = _temperature(part, x, outside=outside, drop_pa=pressures[i - 1] - p_pa if i else 0.0)
        w_most = saturation_humidity_ratio(temp_k, p_abs)
        left = min(w, w_most)
        if part is not None and part.kind == "dryer":
            left = min(left, saturation_humidity_ratio(x.dryer_k, p_abs))
        if i == 0 or (part is not None and part.kind == "dryer"):
            w_free = left
        stops.append(_Stop(p_abs_pa=p_abs, temp_k=temp_k, arriving=w, leaving=left, margin_k=temp_k - _dew(w_free, p_abs)))
        w = left
    return tuple(stops)


def _temperature(part: Part | None, x: _Inputs, *, outside: bool, drop_pa: float) -> float:
    """Temperature of a place: the warm tank, parts beside it, then everything from the first hose on; what a part says of itself wins."""
    if part is None:
        return x.temp_k + x.rise_k
    around = x.line_k if outside else x.temp_k
    beside = around if part.temperature_k is None else part.temperature_k + x.off_k
    return beside - JOULE_THOMSON_K_PER_PA * drop_pa if part.kind == "regulator" else beside


def _dew(ratio: float, p_abs_pa: float) -> float:
    return dew_point(vapour_pressure(ratio, p_abs_pa), p_abs_pa)


def _cases(x: _Inputs, line: Line, u_air: float, *, measured: bool) -> list[_Inputs]:
    """The inputs as they are, then pairs with one of them at either end of its interval."""
    r = dataclasses.replace
    u_k, u_humidity = (U_MEASURED_K, U_MEASURED_HUMIDITY) if measured else (U_TEMPERATURE_K, U_HUMIDITY)
    pairs = (
        [r(x, temp_k=x.temp_k + t) for t in (-u_k, u_k)],
        [r(x, humidity=min(max(x.humidity + h, 0.01), 1.0)) for h in (-u_humidity, u_humidity)],
        [r(x, tank_pa=p) for p in (line.compressor.cut_in_pa, line.compressor.cut_out_pa)],
        [r(x, rise_k=rise) for rise in (0.5 * x.rise_k - U_RISE_K, 2.0 * x.rise_k + U_RISE_K)],
        [r(x, dryer_k=x.dryer_k + d) for d in (-U_DRYER_K, U_DRYER_K)],
        # The line's own temperature differs from the air's, by shade and sun, also where no coldest place is named.
        [r(x, off_k=t) for t in (-U_TEMPERATURE_K, U_TEMPERATURE_K)],
        [r(x, air_m3_per_day=x.air_m3_per_day * a) for a in (1.0 - u_air, 1.0 + u_air)],
    )
    return [x, *(case for pair in pairs for case in pair)]


def _spread(values: list[float], least: float) -> Estimate:
    """Value of the first case; ends by root sum of squares of each pair's largest fall and rise."""
    value = values[0]
    fall = rise = 0.0
    for one, other in zip(values[1::2], values[2::2], strict=True):
        fall += max(0.0, value - one, value - other) ** 2
        rise += max(0.0, one - value, other - value) ** 2
    return Estimate(value=value, low=max(least, value - math.sqrt(fall)), high=value + math.sqrt(rise))


def _verdict(margin: Estimate, worst: Place, source: str) -> tuple[Verdict, str]:
    where = f"{worst.name} ({worst.temp_k - ZERO_CELSIUS_K:.0f} °C, {from_si(worst.temp_k, 'degF'):.0f} °F)"
    value, low, high = margin.value, margin.low, margin.high
    if value is None or low is None or high is None:  # never so: kept for the type's sake
        return "cannot tell", "No margin is known."
    if high < 0.0:
        return "yes", f"The air that leaves the {source} is {_apart(-value)} too moist for {where}."
    if low > 0.0:
        return "no", f"Where it comes nearest, at {where}, the line is {_apart(value)} warmer than the dew point under pressure."
    return "cannot tell", (
        f"At {where} the air is {_apart(abs(value))} from its dew point under pressure, less than the inputs are worth; "
        "measure humidity and the temperature of tank and hose, or lower the pressure at the tank's outlet with a regulator."
    )


def _apart(difference_k: float) -> str:
    """Write a difference of temperatures [K]."""
    return f"{difference_k:.1f} K ({1.8 * difference_k:.1f} °F)"


def _until(bowl_m3: float, water: Estimate, hours: float) -> Estimate:
    """Working time until a bowl is full [s]; open where no water may come."""

    def time(kg: float | None) -> float | None:
        return bowl_m3 * WATER_DENSITY_KG_PER_M3 / kg * hours * 3600.0 if kg else None

    return Estimate(value=time(water.value), low=time(water.high), high=time(water.low))


def _desiccant(line: Line, given: Desiccant | None, walk: tuple[_Stop, ...], held: Estimate, hours: float) -> tuple[Estimate, float]:
    """Working time until the first dryer's filling is spent [s], and silica gel spent a day [kg]."""
    found = [(part, walk[i + 1]) for i, part in enumerate(line.parts) if part.kind == "dryer"]
    if not found:
        return Estimate(value=None), math.nan
    part, stop = found[0]
    e = vapour_pressure(min(stop.arriving, saturation_humidity_ratio(stop.temp_k, stop.p_abs_pa)), stop.p_abs_pa)
    humidity = e / saturated_vapour_pressure(stop.temp_k, stop.p_abs_pa)
    gel = Desiccant(mass_kg=1.0)
    spent = (held.value or 0.0) / gel.usable_kg(humidity)[0]
    if given is None and part.volume_m3 is not None:
        given = Desiccant(mass_kg=part.volume_m3 * BULK_DENSITY_KG_PER_M3)
    if given is None or not held.value:
        return Estimate(value=None), spent
    value, low, high = given.usable_kg(humidity)
    per_kg = hours * 3600.0
    return Estimate(
        value=value / held.value * per_kg,
        low=low / held.high * per_kg if held.high else None,
        high=high / held.low * per_kg if held.low else None,
    ), spent


def _before_dryer(places: tuple[Place, ...], kinds: tuple[str, ...]) -> tuple[str, ...]:
    """Warn where liquid water would run into a dryer."""
    if "dryer" not in kinds:
        return ()
    wet = [p.name for p in places[1 : kinds.index("dryer")] if (p.condensed_kg_per_day.value or 0.0) > 0.0]
    if not wet:
        return ()
    return (f"Water falls out in {', '.join(wet)} before the dryer: liquid water ruins a desiccant, so put a separator before it.",)


def _warnings(x: _Inputs, duty: float, air: float, most: float) -> tuple[str, ...]:
    out = []
    if duty >= 1.0:
        out.append(
            f"{significant(air, 3)} m3 of free air a day is more than the pump delivers in its hours of work ({significant(most, 3)} m3)."
        )
    if min(x.line_k, x.temp_k) < ZERO_CELSIUS_K + 2.0:
        out.append("Near or below freezing, water that falls out turns to ice in hose, regulator and tool: drain and dry before the frost.")
    return tuple(out)
