"""What a fitted line means, in the trade's words: expected against found, and which part to look at first."""

from __future__ import annotations

import math
import re
from functools import partial
from typing import TYPE_CHECKING, Final

from analysis.units import significant
from dashboard.reader import Reader

if TYPE_CHECKING:
    from analysis.fit import LineFit, Parameter
    from analysis.line import Line

NARROW: Final = 0.8  # of its nominal, below which a restriction is worth a word
ROUGH: Final = 1.4  # times the usual friction
WHAT: Final = {
    "bore": "bore",
    "conductance": "conductance",
    "volume": "volume",
    "air_per_shot": "air per shot",
    "set": "set point",
    "droop": "droop",
}


def fit(f: LineFit, reader: Reader) -> list[str]:
    """Say what the recording tells of the line's parts: findings, then each part, then what cannot be told apart."""
    out = findings(f, reader)
    for p in f.parameters:
        if p.value.value is not None:
            nominal = "" if p.nominal is None else f"; the file says {quantity(p, reader, p.nominal)}"
            out.append(f"  {parameter_name(p.name, f.line)}: {reader.estimate(p.value, partial(quantity, p, reader))}{nominal}")
    for group in f.cannot_separate:
        out.append(f"Cannot tell apart from this recording: {'; '.join(parameter_name(name, f.line) for name in group)}.")
    return out


def findings(f: LineFit, reader: Reader) -> list[str]:
    """Sentences; first what is wrong, then what was measured; never none."""
    out = wrong(f, reader) + _measured(f, reader)
    if out:
        return out
    if any(p.value.value is not None for p in f.parameters):
        return ["Nothing in the line stands out against its file."]
    return ["This recording cannot tell what the parts of the line are like."]


def wrong(f: LineFit, reader: Reader) -> list[str]:
    """Sentences on what surely differs from the line's file, that to look at first before the others."""
    found = [*_parts(f, reader), *_friction(f, reader)]
    if (leak := f.leak_m3_per_s.value) is not None:
        found.append((2.0, f"With the supply shut the line loses about {reader.flow(leak)} of free air: look for a leak."))
    return [text for _, text in sorted(found, key=lambda pair: -pair[0])]


def parameter_name(name: str, line: Line) -> str:
    """Name a fitted parameter in the trade's words: ``hose.bore`` becomes ``bore of deck hose``."""
    label, _, what = name.partition(".")
    return f"{WHAT.get(what, what.replace('_', ' '))} of {part_name(label, line)}"


def part_name(label: str, line: Line) -> str:
    """Name a part as its file does, or by its kind and place among its kind where the file's name stands for several."""
    given = dict(zip(line.labels(), (p.name for p in line.parts), strict=True)).get(label, label)
    shared = sum(p.name == given for p in line.parts) > 1
    return re.sub(r"(?<=\D)(?=\d+$)", " ", label) if shared else given


def quantity(p: Parameter, reader: Reader, value: float) -> str:
    """Write a value of a parameter, or its nominal, with its unit."""
    if p.unit == "mm":
        return reader.bore(value / 1e3)
    if p.unit == "kpa":
        return reader.pressure(1e3 * value)
    if p.unit == "l_per_s_bar":
        return f"{significant(value, 3)} L/s/bar"
    return reader.volume(value / 1e3) if p.name.endswith("volume") else reader.air(value / 1e3)


def _parts(f: LineFit, reader: Reader) -> list[tuple[float, str]]:
    """Parts that surely differ from the file, with how soon to look at each."""
    out = []
    for p in f.parameters:
        value, low, high, nominal = p.value.value, p.value.low, p.value.high, p.nominal
        if value is None or low is None or high is None or not nominal or low <= nominal <= high:
            continue
        said = _part(p, value, nominal, high, f, reader)
        if said:
            out.append((_weight(p.name, value / nominal), said[:1].upper() + said[1:]))
    return out


def _weight(name: str, ratio: float) -> float:
    """How soon to look at a part: what chokes the line comes first, the tool's own appetite last."""
    if name.endswith("conductance"):
        return 4.0 / max(ratio, 0.1)
    if name.endswith("bore"):
        return 3.0 / max(ratio, 0.1) ** 2 if ratio < 1.0 else 0.5
    return 2.0 if name.endswith("volume") else 0.1


def _part(p: Parameter, value: float, nominal: float, high: float, f: LineFit, reader: Reader) -> str:
    label, kind = p.name.split(".")
    the, read, file = f"the {part_name(label, f.line)}", quantity(p, reader, value), quantity(p, reader, nominal)
    if kind == "bore":
        way = "it is not what it was sold as" if value < nominal else "it is wider than its file says"
        return f"{the} passes air like a bore of {read}, not {file}; {way}."
    if kind == "volume":
        if value < nominal:
            return f"{the} acts like {read} of its nominal {file}: drain the water, or check the volume."
        return f"{the} acts like {read}, more than its nominal {file}: check the volume in the line file."
    if p.name == "supply.conductance" and high < NARROW * nominal:
        return f"{the} passes {read}, not {file}: look there first for a valve that is not fully open, a clogged filter or a small fitting."
    if kind == "conductance" and high < NARROW * nominal:
        return f"{the} passes {read}, not {file}: something narrows it; look for dirt, a worn seal or a small thread."
    if kind == "air_per_shot":
        return f"a shot takes {read} of free air, not {file}."
    if kind == "set":
        return f"{the} holds {read}, not {file}: its gauge or its setting is off."
    return ""


def _friction(f: LineFit, reader: Reader) -> list[tuple[float, str]]:
    """A hose that loses more than its bore explains."""
    factor = f.friction.value
    if factor is None or f.friction.low is None or f.friction.low <= 1.0 or factor <= ROUGH:
        return []
    # The loss of a long hose goes with the fifth power of its bore.
    like = ", ".join(reader.bore((p.bore_m or 0.0) * factor**-0.2) for p in f.line.parts if p.kind == "hose")
    said = (
        f"The hose loses {factor:.1f} times what its bore explains and passes air like a bore of {like}: "
        "look for a kink, a crushed stretch or a narrow fitting."
    )
    return [(3.0, said)]


def _measured(f: LineFit, reader: Reader) -> list[str]:
    """Loss, volume and air, where the recording tells them."""
    out = []
    if f.line_drop_pa.value is not None:
        file = f"; its file makes it {reader.pressure(f.nominal_drop_pa)}" if math.isfinite(f.nominal_drop_pa) else ""
        lost = reader.estimate(f.line_drop_pa, reader.pressure)
        out.append(f"At {reader.flow(f.flow_m3_per_s)} of free air the line loses {lost} on the way to the tool{file}.")
    if f.regulator_fall_pa.value is not None:
        fall = reader.estimate(f.regulator_fall_pa, reader.pressure)
        out.append(f"The regulator lets the pressure behind it fall by {fall} at that flow, its tank as in this recording.")
    if f.volume_downstream_m3.value is not None:
        room = reader.estimate(f.volume_downstream_m3, reader.volume)
        out.append(f"The room behind the supply is {room}; the line file makes it {reader.volume(f.nominal_volume_m3)}.")
    if f.air_by_bore_m3.value is not None:
        hose = next(p for p in reversed(f.line.parts) if p.kind == "hose")
        air = reader.estimate(f.air_by_bore_m3, reader.air)
        out.append(
            f"If the hose at the tool has the {reader.bore(hose.bore_m or 0.0)} that its file says, a shot takes {air} of free air; "
            "5 % less bore would make it 10 % less air."
        )
    return out
