"""Quantities as text, and trade units at the edges: the only place where units are converted.

A quantity is a number with a unit, such as ``"42.7 L"``, ``"85 psi"`` or ``"0.4 s"``; a decimal comma is read as well.
Inside farend everything is SI; pressures are gauge unless a name says otherwise.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import Final

from analysis.constants import ANR_DENSITY_KG_PER_M3, ZERO_CELSIUS_K

INCH_M: Final = 0.0254  # exact, international inch
POUND_KG: Final = 0.45359237  # exact, international pound
GRAVITY_M_PER_S2: Final = 9.80665  # exact, standard gravity
PSI_PA: Final = POUND_KG * GRAVITY_M_PER_S2 / INCH_M**2  # 6894.757 Pa, follows
MM_HG_PA: Final = 13.5951 * GRAVITY_M_PER_S2  # 133.3224 Pa, conventional millimetre of mercury; NIST SP 811 (2008), appendix B.8
CUBIC_FOOT_M3: Final = (12 * INCH_M) ** 3  # exact
US_GALLON_M3: Final = 231 * INCH_M**3  # exact
SCF_DENSITY_KG_PER_M3: Final = 1.2041  # dry air at 14.696 psia and 68 degF; the usual "standard" of shop tools, no one standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit: what it measures and how it becomes SI (``si = value * factor + offset``)."""

    name: str
    quantity: str
    factor: float
    offset: float = 0.0


def _units() -> dict[str, Unit]:
    table: list[tuple[str, float, float, str]] = [
        # names (first is canonical), factor, offset, quantity
        ("Pa", 1.0, 0.0, "pressure"),
        ("kPa", 1e3, 0.0, "pressure"),
        ("MPa", 1e6, 0.0, "pressure"),
        ("bar", 1e5, 0.0, "pressure"),
        ("mbar hPa", 1e2, 0.0, "pressure"),
        ("psi psig lbf/in2", PSI_PA, 0.0, "pressure"),
        ("kgf/cm2", GRAVITY_M_PER_S2 * 1e4, 0.0, "pressure"),
        ("inHg", INCH_M * 1e3 * MM_HG_PA, 0.0, "pressure"),
        ("mmHg", MM_HG_PA, 0.0, "pressure"),
        ("K kelvin", 1.0, 0.0, "temperature"),
        ("degC °C C celsius deg_c", 1.0, ZERO_CELSIUS_K, "temperature"),
        ("degF °F F fahrenheit deg_f", 5.0 / 9.0, ZERO_CELSIUS_K - 32.0 * 5.0 / 9.0, "temperature"),
        ("%RH %rh rh", 0.01, 0.0, "humidity"),
        ("%", 0.01, 0.0, "fraction"),
        ("V volt", 1.0, 0.0, "voltage"),
        ("mV", 1e-3, 0.0, "voltage"),
        ("mA", 1e-3, 0.0, "current"),
        ("counts count adc", 1.0, 0.0, "counts"),
        ("s sec second seconds", 1.0, 0.0, "time"),
        ("ms", 1e-3, 0.0, "time"),
        ("us µs", 1e-6, 0.0, "time"),
        ("min minute minutes", 60.0, 0.0, "time"),
        ("m", 1.0, 0.0, "length"),
        ("mm", 1e-3, 0.0, "length"),
        ("cm", 1e-2, 0.0, "length"),
        ("um µm", 1e-6, 0.0, "length"),
        ('in inch "', INCH_M, 0.0, "length"),
        ("ft", 12 * INCH_M, 0.0, "length"),
        ("h hour hours", 3600.0, 0.0, "time"),
        ("d day days", 86400.0, 0.0, "time"),
        ("L l litre litres liter liters", 1e-3, 0.0, "volume"),
        ("mL ml", 1e-6, 0.0, "volume"),
        ("m3", 1.0, 0.0, "volume"),
        ("gal gallon gallons", US_GALLON_M3, 0.0, "volume"),
        ("ft3 cuft cf", CUBIC_FOOT_M3, 0.0, "volume"),
        ("L/s l/s", 1e-3, 0.0, "flow"),
        ("L/min l/min lpm", 1e-3 / 60.0, 0.0, "flow"),
        ("m3/h", 1.0 / 3600.0, 0.0, "flow"),
        ("m3/s", 1.0, 0.0, "flow"),
        # scfm counts cubic feet of the trade's standard air; free-air litres are ANR, so the densities' ratio enters.
        ("scfm cfm", CUBIC_FOOT_M3 / 60.0 * SCF_DENSITY_KG_PER_M3 / ANR_DENSITY_KG_PER_M3, 0.0, "flow"),
        ("L/s/bar l/s/bar L/(s*bar) dm3/(s*bar)", 1e-8, 0.0, "conductance"),
        ("m3/s/Pa", 1.0, 0.0, "conductance"),
        ("g gram grams", 1e-3, 0.0, "mass"),
        ("kg", 1.0, 0.0, "mass"),
        ("lb lbs pound pounds", POUND_KG, 0.0, "mass"),
        ("oz ounce ounces", POUND_KG / 16.0, 0.0, "mass"),
        ("W", 1.0, 0.0, "power"),
        ("kW", 1e3, 0.0, "power"),
    ]
    return {
        name: Unit(name=names.split()[0], quantity=quantity, factor=factor, offset=offset)
        for names, factor, offset, quantity in table
        for name in names.split()
    }


UNITS: Final = _units()
_FOLDED: Final[dict[str, Unit]] = {}
for _name, _unit in UNITS.items():
    _FOLDED.setdefault(_name.casefold(), _unit)

_NUMBER: Final = re.compile(r"^\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*$")


class UnitError(ValueError):
    """A quantity or unit that cannot be understood; the message says what was seen and what is needed."""


def unit(name: str) -> Unit:
    """Look a unit up by name, as written or in any case.

    Raises
    ------
    UnitError
        If the unit is not known; the nearest known one is named.
    """
    text = name.strip()
    found = UNITS.get(text) or _FOLDED.get(text.casefold())
    if found is None:
        near = difflib.get_close_matches(text.casefold(), list(_FOLDED), n=1)
        hint = f" Did you mean {_FOLDED[near[0]].name}?" if near else ""
        msg = f"{text!r} is not a unit that farend knows.{hint}"
        raise UnitError(msg)
    return found


def to_si(value: float, name: str) -> float:
    """Convert a value in the named unit to SI."""
    u = unit(name)
    return value * u.factor + u.offset


def from_si(value: float, name: str) -> float:
    """Convert an SI value to the named unit."""
    u = unit(name)
    return (value - u.offset) / u.factor


def parse_quantity(text: str, quantity: str) -> float:
    """Read a quantity such as ``"85 psi"`` and return it in SI.

    Parameters
    ----------
    text : str
        A number and its unit. A number alone is refused unless `quantity` is a pure number ("number").
    quantity : str
        What it must measure: "pressure" (gauge), "volume", "time", "length", "flow" (free air), "conductance",
        "temperature", "fraction", "humidity", "power", "mass" or "number".

    Raises
    ------
    UnitError
        If the text is no quantity, has no unit, or measures something else.
    """
    match = _NUMBER.match(text)
    if not match:
        msg = f"{text!r} is not a quantity. Write a number and a unit, e.g. {_example(quantity)}."
        raise UnitError(msg)
    value = float(match[1].replace(",", "."))
    if quantity == "number":
        if match[2]:
            msg = f"{text!r} should be a plain number, without a unit."
            raise UnitError(msg)
        return value
    if not match[2]:
        msg = f"{text!r} has no unit. Write it with one, e.g. {_example(quantity)}."
        raise UnitError(msg)
    # "10m" is ten metres, but where a time is meant nobody says metres.
    u = unit("min" if quantity == "time" and match[2] == "m" else match[2])
    kind = "humidity" if u.quantity == "fraction" and quantity == "humidity" else u.quantity
    if kind != quantity:
        msg = f"{text!r} is a {u.quantity}; needed is a {quantity}, e.g. {_example(quantity)}."
        raise UnitError(msg)
    si = value * u.factor + u.offset
    if not math.isfinite(si):
        msg = f"{text!r} is too large to be a {quantity}."
        raise UnitError(msg)
    return si


def _example(quantity: str) -> str:
    examples = {
        "pressure": "6.5 bar or 95 psi",
        "volume": "24 L or 5 gal",
        "time": "0.4 s or 10 min",
        "length": "40 m or 3/8 in as 9.5 mm",
        "flow": "240 L/min or 8 scfm",
        "conductance": "1.9 L/s/bar",
        "temperature": "22 degC or 72 degF",
        "fraction": "65 %",
        "humidity": "65 %",
        "power": "1.5 kW",
        "mass": "500 g or 1 lb",
        "number": "12",
    }
    return examples.get(quantity, "a number with a unit")


def significant(value: float, digits: int) -> str:
    """Write a number with so many significant digits, without an exponent where a reader would not expect one."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    if places > 7:
        return f"{value:.{digits - 1}e}"
    return f"{round(value, places):.{max(0, places)}f}"


def bar_psi(p_pa: float) -> str:
    """Write a pressure where the reader's unit is not known."""
    return f"{from_si(p_pa, 'bar'):.1f} bar ({from_si(p_pa, 'psi'):.0f} psi)"
