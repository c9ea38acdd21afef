"""What the reader chose on the Leak-down page, as the address writes it: stretches in minutes, segments with their volumes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.units import UnitError, parse_quantity

Stretches = tuple[tuple[float, float], ...]
_STRETCH = re.compile(r"^\s*([\d.]+)\s*(?:-|to)\s*([\d.]+)\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """Something typed, or why it cannot be used."""

    value: float | None
    problem: str | None = None


def quantity(text: str, kind: str) -> Typed:
    """Read a quantity above zero; nothing typed is nothing known."""
    if not text.strip():
        return Typed(value=None)
    try:
        value = parse_quantity(text, kind)
    except UnitError as problem:
        return Typed(value=None, problem=str(problem))
    return Typed(value=value) if value > 0 else Typed(value=None, problem=f"A {kind} must be above zero.")


def number(text: str, default: float) -> Typed:
    """Read a plain number that is not negative."""
    try:
        value = float(text.replace(",", ".")) if text.strip() else default
    except ValueError:
        return Typed(value=default, problem=f"{text!r} is no number.")
    return Typed(value=value) if 0.0 <= value < 1e6 else Typed(value=default, problem="This must not be negative.")


def stretches(text: str) -> tuple[Stretches, str | None]:
    """Read stretches in minutes, ``120-135, 300-310``, as seconds; with a word on what is no stretch."""
    found: list[tuple[float, float]] = []
    for word in filter(str.strip, text.split(",")):
        match = _STRETCH.match(word)
        try:
            a, z = (60.0 * float(x) for x in match.groups()) if match else (0.0, 0.0)
        except ValueError:
            a = z = 0.0
        if not a < z:
            return tuple(found), f"{word.strip()!r} is no stretch in minutes, such as 120-135."
        found.append((a, z))
    return tuple(found), None


def write(spans: Stretches) -> str:
    """Write stretches as the address has them."""
    return ", ".join(f"{a / 60.0:.4g}-{z / 60.0:.4g}" if z < 6e5 else f"{a / 60.0:.0f}-{z / 60.0:.0f}" for a, z in spans)


def without(spans: Stretches, from_s: float, until_s: float) -> Stretches:
    """Take away what overlaps a stretch."""
    return tuple((a, z) for a, z in spans if z <= from_s or until_s <= a)


def segments(text: str) -> tuple[dict[str, float], str | None]:
    """Read segments, ``tank = 50 L, hose = 3 L``, as volumes [m3] by name in order; with a word on what cannot be read."""
    volumes: dict[str, float] = {}
    for word in filter(str.strip, re.split(r"[,;]", text)):
        name, _, amount = word.partition("=")
        typed = quantity(amount, "volume")
        if not name.strip() or typed.value is None:
            return volumes, typed.problem or f"{word.strip()!r} is no segment with its volume, such as tank = 50 L."
        volumes[name.strip()] = typed.value
    return volumes, None


def names(text: str) -> tuple[str, ...]:
    """Read names that are separated by commas."""
    return tuple(n.strip() for n in text.split(",") if n.strip())


def unknown(chosen: Sequence[str], known: Sequence[str]) -> str | None:
    """Say which names are none of the known."""
    strange = [n for n in chosen if n not in known]
    return f"{', '.join(strange)}: no segment of that name. There are {', '.join(known)}." if strange else None
