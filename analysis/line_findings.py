"""What a fitted line means, in the trade's words: expected against found, and which part to look at first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.estimate import Estimate
from analysis.line import Line

NARROW: Final = 0.8  # of its nominal, below which a restriction is worth a word
ROUGH: Final = 1.4  # times the usual friction


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """What there is to speak of.

    Attributes
    ----------
    line : Line
        The nominal line.
    parameters : mapping of str to (Estimate, float or None)
        Fitted and nominal, by name, in the units of their kind.
    volume_m3, drop_pa, leak_m3_per_s : Estimate
        Air behind the supply, loss at the stated flow, and leak of free air; no value where the recording does not tell.
    nominal_volume_m3, nominal_drop_pa : float
        What the line file makes of them.
    flow_m3_per_s : float
        Flow at which the loss is stated.
    friction : Estimate
        Friction of the hoses over that of their bores.
    """

    line: Line
    parameters: Mapping[str, tuple[Estimate, float | None]]
    volume_m3: Estimate
    nominal_volume_m3: float
    drop_pa: Estimate
    nominal_drop_pa: float
    flow_m3_per_s: float
    friction: Estimate
    leak_m3_per_s: Estimate


def findings(f: Fitted) -> tuple[str, ...]:
    """Sentences; first what is wrong, the worst first, then what was measured."""
    wrong: list[tuple[float, str]] = []
    for name, (value, nominal) in f.parameters.items():
        if value.value is None or value.low is None or value.high is None or not nominal or value.low <= nominal <= value.high:
            continue
        said = _part(name, value.value, nominal, value.high)
        if said:
            wrong.append((_weight(name, value.value / nominal), said))
    if f.friction.low is not None and f.friction.low > 1.0 and (f.friction.value or 0.0) > ROUGH:
        hoses = [p for p in f.line.parts if p.kind == "hose"]
        like = ", ".join(f"{1e3 * (p.bore_m or 0.0) * (f.friction.value or 1.0) ** -0.2:.1f} mm" for p in hoses)
        wrong.append(
            (
                3.0,
                f"The hose loses {f.friction.value:.1f} times what its bore explains and passes air like a {like} bore: "
                "look for a kink, a crushed stretch or a narrow fitting.",
            )
        )
    if (leak := f.leak_m3_per_s.value) is not None:
        wrong.append((2.0, f"With the supply shut the line loses about {6e4 * leak:.1f} L/min of free air: look for a leak."))
    wrong.sort(key=lambda pair: -pair[0])
    out = [text for _, text in wrong]
    if f.drop_pa.value is not None and f.drop_pa.low is not None and f.drop_pa.high is not None:
        file = f"; its file makes it {f.nominal_drop_pa / 1e5:.3f} bar" if f.nominal_drop_pa == f.nominal_drop_pa else ""
        out.append(
            f"At {1e3 * f.flow_m3_per_s:.2f} L/s of free air the line loses {f.drop_pa.value / 1e5:.3f} bar "
            f"({f.drop_pa.low / 1e5:.3f} to {f.drop_pa.high / 1e5:.3f}) on the way to the tool{file}."
        )
    if f.volume_m3.value is not None and f.volume_m3.low is not None and f.volume_m3.high is not None:
        out.append(
            f"Behind the supply there are {1e3 * f.volume_m3.value:.2f} L of room ({1e3 * f.volume_m3.low:.2f} to "
            f"{1e3 * f.volume_m3.high:.2f}); the line file makes it {1e3 * f.nominal_volume_m3:.2f} L."
        )
    return tuple(out)


def _weight(name: str, ratio: float) -> float:
    """How soon to look at a part: what chokes the line comes first, the tool's own appetite last."""
    if name.endswith("conductance"):
        return 4.0 / max(ratio, 0.1)
    if name.endswith("bore"):
        return 3.0 / max(ratio, 0.1) ** 2 if ratio < 1.0 else 0.5
    return 2.0 if name.endswith("volume") else 0.1


def _part(name: str, value: float, nominal: float, high: float) -> str:
    label, kind = name.split(".")
    label = label.capitalize()
    if kind == "bore":
        way = "it is not what it was sold as" if value < nominal else "it is wider than its file says"
        return f"{label}: passes air like a {value:.1f} mm bore, not {nominal:.1f} mm; {way}."
    if kind == "volume":
        if value < nominal:
            return f"The {label.lower()} acts like {value:.1f} L of its nominal {nominal:.1f} L: drain the water, or check the volume."
        return f"The {label.lower()} acts like {value:.1f} L, more than its nominal {nominal:.1f} L: check the volume in the line file."
    if name == "supply.conductance" and high < NARROW * nominal:
        return (
            f"The supply passes {value:.2f} L/s/bar, not {nominal:.2f}: look there first for a valve that is not fully open, "
            "a clogged filter or a small fitting."
        )
    if kind == "conductance" and high < NARROW * nominal:
        return f"{label}: {value:.2f} L/s/bar, not {nominal:.2f}: something narrows it; look for dirt, a worn seal or a small thread."
    if kind == "air_per_shot":
        return f"A shot takes {value:.2f} L of free air, not {nominal:.2f} L."
    if kind == "set":
        return f"The {label.lower()} holds {value / 100.0:.2f} bar, not {nominal / 100.0:.2f} bar: its gauge or its setting is off."
    return ""
