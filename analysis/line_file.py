"""An air line as a TOML file, read and written.

The file's keys are a contract; each quantity is text with its unit.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from typing import Any, Final

from analysis.air import (
    LEAK_B,
    conductance_of_cv,
    conductance_of_fitting,
    conductance_of_flow,
    volumetric_efficiency,
)
from analysis.line import Compressor, Line, Part, Site
from analysis.units import UnitError, bar_psi, from_si, parse_quantity

DEFAULT_B: Final = 0.3  # critical ratio of a coupler, valve, filter or regulator that names none; common practice, no source
DEFAULT_CONDUCTANCE: Final = {  # sonic conductance [m3/(s Pa)] of a part that names none; common practice, no source
    "regulator": 6.0e-8,
    "coupler": 1.9e-8,
    "valve": 6.0e-8,
    "filter": 4.0e-8,
    "dryer": 3.0e-8,
}
DEFAULT_ROUGHNESS_M: Final = 5e-6  # inner wall of rubber or plastic hose, nearly smooth; common practice, no source
DEFAULT_DROOP: Final = 0.08  # share of the set point by which a regulator's outlet falls until it is wide open; common practice, no source
DEFAULT_CLEARANCE: Final = 0.05  # of a piston pump whose delivery is stated at a pressure; 3 to 8 %; common practice, no source
DEFAULT_AIR_PER_SHOT_M3: Final = 1.4e-3  # free air of a framing nailer's shot [m3]; common practice, no source


class LineError(ValueError):
    """An air-line file that cannot be used; the message gives line, key and what to write instead."""


# What each table of the file may hold: key -> (quantity, least, most, in SI); None as quantity means text or a list.
_Rule = tuple[str | None, float, float]
_PRESSURE: Final[_Rule] = ("pressure", 1e3, 1e7)
_SITE: Final[dict[str, _Rule]] = {
    "altitude": ("length", -500.0, 9000.0),
    "temperature": ("temperature", 223.15, 343.15),
    "humidity": ("humidity", 0.0, 1.0),
}
_COMPRESSOR: Final[dict[str, _Rule]] = {
    "tank": ("volume", 1e-4, 100.0),
    "cut_in": _PRESSURE,
    "cut_out": _PRESSURE,
    "delivery": ("flow", 1e-6, 10.0),
    "delivery_at": _PRESSURE,
    "clearance": ("fraction", 0.0, 0.3),
    "rated": _PRESSURE,
    "leak": ("conductance", 0.0, 1e-6),
}
_FLOW: Final[dict[str, _Rule]] = {"conductance": ("conductance", 1e-11, 1e-5), "cv": ("number", 1e-3, 1e3), "b": ("number", 0.0, 0.99)}
_ANY: Final[dict[str, _Rule]] = {
    "kind": (None, 0, 0),
    "name": (None, 0, 0),
    "rated": _PRESSURE,
    "leak": ("conductance", 0.0, 1e-6),
    "temperature": ("temperature", 223.15, 343.15),
}
_BORE: Final[dict[str, _Rule]] = {"bore": ("length", 1e-3, 0.1)}
_VOLUME: Final[_Rule] = ("volume", 1e-6, 100.0)
_KINDS: Final[dict[str, dict[str, _Rule]]] = {
    "regulator": _ANY | _FLOW | {"set": _PRESSURE, "droop": ("pressure", 1e2, 1e6), "time_constant": ("time", 1e-3, 10.0)},
    "hose": _ANY | {"length": ("length", 0.05, 2000.0), "bore": ("length", 1e-3, 0.1), "roughness": ("length", 0.0, 1e-3)},
    "coupler": _ANY | _FLOW | _BORE,
    "valve": _ANY | _FLOW | _BORE,
    "filter": _ANY | _FLOW | {"volume": _VOLUME},
    "dryer": _ANY | _FLOW | {"volume": _VOLUME},
    "receiver": _ANY | {"volume": _VOLUME},
    "tool": _ANY | {"air_per_shot": ("volume", 1e-6, 1.0), "window": (None, 0, 0), "volume": _VOLUME},
}
KINDS: Final = tuple(_KINDS)  # of parts, for those who edit a line
_NEEDED: Final = {"regulator": ("set",), "hose": ("length", "bore"), "receiver": ("volume",)}
_TOP: Final = ("name", "site", "compressor", "part")


class _Place:
    """Finds the line on which a key stands, for messages: the standard parser does not tell."""

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str, int, str], int] = {}
        table, count = "", {"part": -1}
        for number, line in enumerate(text.splitlines(), start=1):
            if head := re.match(r"\s*\[\[?\s*([A-Za-z0-9_.\" -]+?)\s*\]\]?", line):
                table = head[1].strip('"')
                count[table] = count.get(table, -1) + 1
                self._at.setdefault((table, count[table], ""), number)
            elif key := re.match(r"\s*([A-Za-z0-9_-]+|\"[^\"]+\")\s*[.=]", line):
                self._at.setdefault((table, max(count.get(table, 0), 0), key[1].strip('"')), number)

    def __call__(self, table: str, index: int = 0, key: str = "") -> str:
        """Words such as "line 12: " for the start of a message; empty when the place is not known."""
        number = self._at.get((table, index, key)) or self._at.get((table, index, ""))
        return f"line {number}: " if number else ""


def parse_line(text: str) -> Line:
    """Read an air-line file.

    Parameters
    ----------
    text : str
        The file's content, TOML.

    Returns
    -------
    Line
        The line, checked.

    Raises
    ------
    LineError
        If the text is no TOML, has an unknown key, a value that cannot be, or parts in an impossible order. The message gives the
        line, the key, and the nearest known one.
    """
    data = _tables(text, "air-line file", 'bore = "9.5 mm"')
    at = _Place(text)
    _check_keys(data, _TOP, at, "", 0, "an air-line file")
    site = _site(data.get("site", {}), at)
    _leaks_as_conductances(data, site.p_amb_pa, at)
    compressor = _compressor(data.get("compressor"), site.p_amb_pa, at)
    parts = _parts(data.get("part"), at)
    _check_order(parts, at)
    name = data.get("name", "air line")
    if not isinstance(name, str) or not name.strip():
        msg = f"{at('', 0, 'name')}name must be text, not {name!r}."
        raise LineError(msg)
    return Line(name=name.strip(), site=site, compressor=compressor, parts=parts)


def parse_tools(text: str) -> tuple[Part, ...]:
    """Read a file of tools: a ``[[tool]]`` each, with the keys that a tool of an air line may have, and a name of its own.

    Raises
    ------
    LineError
        If the text is no TOML, has another table or key, a value that cannot be, or two tools of one name.
    """
    data = _tables(text, "file of tools", 'rated = "8.3 bar"')
    at = _Place(text)
    _check_keys(data, ("tool",), at, "", 0, "a file of tools")
    tables = data.get("tool", [])
    if not isinstance(tables, list) or any(not isinstance(t, dict) or not t.get("name") for t in tables):
        msg = "Every tool is a [[tool]] of its own, with a name."
        raise LineError(msg)
    tools = tuple(_part({"kind": "tool", **table}, at, i, "tool") for i, table in enumerate(tables))
    names = [tool.name for tool in tools]
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice:
        msg = f"Two tools are called {twice!r}; give each a name of its own."
        raise LineError(msg)
    return tools


def _tables(text: str, what: str, example: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as problem:
        msg = f"This is no valid {what}: {problem}. Quantities are written as text, e.g. {example}."
        raise LineError(msg) from None


def known_keys(where: str) -> tuple[str, ...]:
    """Keys that a table of an air-line file may have: "site", "compressor", or a kind of part."""
    rules = {"site": _SITE, "compressor": _COMPRESSOR, **_KINDS}[where]
    return tuple(key for key in rules if key != "kind")


def _check_keys(table: dict[str, Any], known: Any, at: _Place, where: str, index: int, owner: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.4)
            hint = f" Did you mean {near[0]!r}?" if near else f" Known are: {', '.join(known)}."
            msg = f"{at(where, index, key)}{key!r} is not a key of {owner}.{hint}"
            raise LineError(msg)


def _value(key: str, raw: Any, rule: _Rule, at: str) -> float:
    """Read one quantity and check it against its range."""
    quantity, least, most = rule
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        msg = f"{at}{key} = {raw!r} is not a quantity; write it as text with its unit."
        raise LineError(msg)
    try:
        value = float(raw) if quantity == "number" and not isinstance(raw, str) else parse_quantity(str(raw), str(quantity))
    except UnitError as problem:
        msg = f"{at}{key}: {problem}"
        raise LineError(msg) from None
    if not least <= value <= most:  # NaN fails too
        if quantity == "pressure" and value <= 0:
            why = "lies at or below ambient; pressures here are gauge, above ambient"
        elif value <= 0 < least:
            why = "must be above zero"
        else:
            why = f"is outside of what can be ({_range(quantity, least, most)})"
        msg = f"{at}{key} = {raw!r} {why}."
        raise LineError(msg)
    return value


_SHOWN: Final = {
    "pressure": "bar",
    "volume": "L",
    "length": "mm",
    "flow": "L/min",
    "conductance": "L/s/bar",
    "temperature": "degC",
    "humidity": "%",
}


def _range(quantity: str | None, least: float, most: float) -> str:
    unit = _SHOWN.get(quantity or "")
    if unit is None:
        return f"{least:g} to {most:g}"
    if quantity == "length" and most > 1.0:
        return f"{least:g} m to {most:g} m"
    return f"{from_si(least, unit):g} to {from_si(most, unit):g} {unit}"


def _table(raw: Any, rules: dict[str, _Rule], at: _Place, where: str, index: int = 0) -> dict[str, float]:
    return {k: _value(k, v, rules[k], at(where, index, k)) for k, v in raw.items() if rules[k][0] is not None}


def _site(raw: Any, at: _Place) -> Site:
    if not isinstance(raw, dict):
        msg = f"{at('site')}[site] must be one table."
        raise LineError(msg)
    _check_keys(raw, _SITE, at, "site", 0, "[site]")
    v = _table(raw, _SITE, at, "site")
    plain = Site()
    return Site(
        altitude_m=v.get("altitude", plain.altitude_m),
        temperature_k=v.get("temperature", plain.temperature_k),
        humidity=v.get("humidity", plain.humidity),
    )


def _leaks_as_conductances(data: dict[str, Any], p_amb_pa: float, at: _Place) -> None:
    """Turn each leak that is stated as a flow at a pressure ("0.3 L/min at 6 bar") into a conductance, in place."""
    tables = [("compressor", 0, data.get("compressor"))]
    parts = data.get("part")
    tables += [("part", i, table) for i, table in enumerate(parts if isinstance(parts, list) else [])]
    for where, i, table in tables:
        if not isinstance(table, dict):
            continue
        text = table.get("leak")
        if isinstance(text, str) and (found := re.fullmatch(r"(.+?)\s+at\s+(.+)", text)):
            here = at(where, i, "leak")
            flow = _value("leak", found[1], ("flow", 0.0, 1.0), here)
            p_abs = _value("leak", found[2], _PRESSURE, here) + p_amb_pa
            table["leak"] = f"{from_si(conductance_of_flow(flow, p_abs, p_amb_pa, LEAK_B), 'L/s/bar'):.10g} L/s/bar"


def _compressor(raw: Any, p_amb_pa: float, at: _Place) -> Compressor:
    if isinstance(raw, list):
        msg = f"{at('compressor', 1)}{len(raw)} compressors; a line has one. Add their tanks and deliveries together."
        raise LineError(msg)
    if not isinstance(raw, dict):
        msg = "There is no [compressor]; needed are its tank, cut_in, cut_out and delivery."
        raise LineError(msg)
    _check_keys(raw, _COMPRESSOR, at, "compressor", 0, "[compressor]")
    missing = [k for k in ("tank", "cut_in", "cut_out", "delivery") if k not in raw]
    if missing:
        msg = f"{at('compressor')}[compressor] lacks {', '.join(missing)}."
        raise LineError(msg)
    v = _table(raw, _COMPRESSOR, at, "compressor")
    if v["cut_in"] >= v["cut_out"]:
        msg = f"{at('compressor', 0, 'cut_in')}cut_in = {raw['cut_in']!r} must lie below cut_out = {raw['cut_out']!r}."
        raise LineError(msg)
    delivery_at, clearance, assumed = v.get("delivery_at"), v.get("clearance"), []
    if clearance is not None and delivery_at is None:
        assumed.append("delivery_at")
        delivery_at = 0.5 * (v["cut_in"] + v["cut_out"])
    elif delivery_at is not None and clearance is None:
        assumed.append("clearance")
        clearance = DEFAULT_CLEARANCE
    for key, p in (("delivery_at", delivery_at), ("cut_out", v["cut_out"])):
        if p is not None and clearance and volumetric_efficiency(1.0 + p / p_amb_pa, clearance) <= 0.05:
            msg = (
                f"{at('compressor', 0, 'clearance')}a pump with a clearance of {100.0 * clearance:g} % gives nothing at its {key} "
                f"({bar_psi(p)}): lower one of the two."
            )
            raise LineError(msg)
    return Compressor(
        tank_m3=v["tank"],
        cut_in_pa=v["cut_in"],
        cut_out_pa=v["cut_out"],
        delivery_m3_per_s=v["delivery"],
        delivery_at_pa=delivery_at,
        clearance=clearance,
        rated_pa=v.get("rated"),
        leak=v.get("leak"),
        temperature_k=v.get("temperature"),
        assumed=tuple(assumed),
    )


def _parts(raw: Any, at: _Place) -> tuple[Part, ...]:
    if not isinstance(raw, list) or not raw:
        msg = "There is no [[part]]; list the parts in order of flow, the tool last."
        raise LineError(msg)
    return tuple(_part(table, at, i) for i, table in enumerate(raw))


def _part(raw: Any, at: _Place, index: int, table: str = "part") -> Part:
    here = at(table, index)
    kind = raw.get("kind") if isinstance(raw, dict) else None
    if kind == "compressor":
        msg = f"{at(table, index, 'kind')}a second compressor among the parts; a line has one, in [compressor]."
        raise LineError(msg)
    if not isinstance(kind, str) or kind not in _KINDS:
        near = difflib.get_close_matches(str(kind), list(_KINDS), n=1)
        hint = f" Did you mean {near[0]!r}?" if near else f" Known are: {', '.join(_KINDS)}."
        msg = f"{at(table, index, 'kind')}kind = {kind!r} is no kind of part.{hint}" if kind else f"{here}this part has no kind.{hint}"
        raise LineError(msg)
    rules = _KINDS[kind]
    _check_keys(raw, rules, at, table, index, f"a {kind}")
    missing = [k for k in _NEEDED.get(kind, ()) if k not in raw]
    if missing:
        msg = f"{here}this {kind} lacks {', '.join(missing)}."
        raise LineError(msg)
    said = [k for k in ("conductance", "cv", "bore") if k in raw and "conductance" in rules]
    if len(said) > 1:
        msg = f"{at(table, index, said[1])}{said[1]} and {said[0]} say the same thing twice; keep {said[0]}, it is the surer of the two."
        raise LineError(msg)
    name = raw.get("name", kind)
    if not isinstance(name, str) or not name.strip():
        msg = f"{at(table, index, 'name')}name must be text, not {name!r}."
        raise LineError(msg)
    v = _table(raw, rules, at, table, index)
    conductance = conductance_of_cv(v["cv"]) if "cv" in v else v.get("conductance")
    if "conductance" in rules and "bore" in v:
        conductance = conductance_of_fitting(v["bore"])
    assumed = []
    if "conductance" in rules:
        if conductance is None:
            assumed.append("conductance")
            conductance = DEFAULT_CONDUCTANCE[kind]
        elif said and said[0] != "conductance":
            assumed.append(said[0])
    if kind == "tool" and "air_per_shot" not in v:
        assumed.append("air_per_shot")
    return Part(
        kind=kind,
        name=name.strip(),
        bore_m=v.get("bore") if kind == "hose" else None,
        length_m=v.get("length"),
        roughness_m=v.get("roughness", DEFAULT_ROUGHNESS_M) if kind == "hose" else None,
        volume_m3=v.get("volume"),
        conductance=conductance,
        b=v.get("b", DEFAULT_B) if "b" in rules else None,
        set_pa=v.get("set"),
        droop_pa=v.get("droop", DEFAULT_DROOP * v["set"]) if kind == "regulator" else None,
        time_constant_s=v.get("time_constant"),
        air_per_shot_m3=v.get("air_per_shot", DEFAULT_AIR_PER_SHOT_M3) if kind == "tool" else None,
        window_pa=_window(raw, at, index, table) if "window" in raw else None,
        rated_pa=v.get("rated"),
        leak=v.get("leak"),
        temperature_k=v.get("temperature"),
        assumed=tuple(assumed),
    )


def _window(raw: dict[str, Any], at: _Place, index: int, table: str) -> tuple[float, float]:
    here, window = at(table, index, "window"), raw["window"]
    if not isinstance(window, list) or len(window) != 2:
        msg = f'{here}window = {window!r} must be two pressures, e.g. window = ["5.5 bar", "7.0 bar"].'
        raise LineError(msg)
    low, high = (_value("window", w, _PRESSURE, here) for w in window)
    if low >= high:
        msg = f"{here}window = {window!r}: the first pressure must be the lower one."
        raise LineError(msg)
    return low, high


def _check_order(parts: tuple[Part, ...], at: _Place) -> None:
    tools = [i for i, p in enumerate(parts) if p.kind == "tool"]
    if len(tools) > 1:
        msg = f"{at('part', tools[1])}a second tool; a line has one. Describe the one that matters."
        raise LineError(msg)
    if not tools:
        msg = "There is no tool; the last [[part]] must be the tool."
        raise LineError(msg)
    if tools[0] != len(parts) - 1:
        after = parts[tools[0] + 1]
        msg = f"{at('part', tools[0] + 1)}{after.name} comes after the tool; parts stand in order of flow, the tool last."
        raise LineError(msg)


# Writing


def line_to_toml(line: Line) -> str:
    """Write a line as an air-line file that `parse_line` reads back to the same values (10 digits)."""
    c = line.compressor
    out = [f"name = {_text(line.name)}", "", "[site]"]
    out += _keys(altitude=(line.site.altitude_m, "m"), temperature=(line.site.temperature_k, "degC"), humidity=(line.site.humidity, "%RH"))
    out += ["", "[compressor]"]
    out += _keys(
        tank=(c.tank_m3, "L"),
        cut_in=(c.cut_in_pa, "bar"),
        cut_out=(c.cut_out_pa, "bar"),
        delivery=(c.delivery_m3_per_s, "L/min"),
        delivery_at=(c.delivery_at_pa if "delivery_at" not in c.assumed else None, "bar"),
        clearance=(c.clearance if "clearance" not in c.assumed else None, "%"),
        rated=(c.rated_pa, "bar"),
        leak=(c.leak, "L/s/bar"),
    )
    for part in line.parts:
        out += ["", "[[part]]", f"kind = {_text(part.kind)}"]
        if part.name != part.kind:
            out.append(f"name = {_text(part.name)}")
        known = "conductance" not in part.assumed
        out += _keys(
            length=(part.length_m, "m"),
            bore=(part.bore_m, "mm"),
            roughness=(part.roughness_m if part.roughness_m != DEFAULT_ROUGHNESS_M else None, "um"),
            volume=(part.volume_m3, "L"),
            conductance=(part.conductance if known else None, "L/s/bar"),
            set=(part.set_pa, "bar"),
            droop=(part.droop_pa, "bar"),
            time_constant=(part.time_constant_s, "ms"),
            air_per_shot=(part.air_per_shot_m3 if "air_per_shot" not in part.assumed else None, "L"),
            leak=(part.leak, "L/s/bar"),
            rated=(part.rated_pa, "bar"),
            temperature=(part.temperature_k, "degC"),
        )
        if part.b is not None and part.b != DEFAULT_B:
            out.append(f"b = {part.b:.10g}")
        if part.window_pa:
            low, high = (f'"{from_si(p, "bar"):.10g} bar"' for p in part.window_pa)
            out.append(f"window = [{low}, {high}]")
    return "\n".join(out) + "\n"


def _keys(**values: tuple[float | None, str]) -> list[str]:
    return [f'{key} = "{from_si(v, unit):.10g} {unit}"' for key, (v, unit) in values.items() if v is not None]


def _text(text: str) -> str:
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(ch if ch.isprintable() else f"\\U{ord(ch):08X}" for ch in plain) + '"'
