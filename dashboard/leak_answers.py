"""Leak by segment, the volume of a line, and cycles from session to session: the JSON and the sentences of their answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.trend import trend_of_estimates
from dashboard.answers import LITRE, Json, cycles, estimate
from dashboard.reader import Reader, change, percent

if TYPE_CHECKING:
    from analysis.cycles import Cycles
    from analysis.estimate import Estimate
    from analysis.leak_segments import Segments, SegmentTest


def segments(found: Segments, tests: list[SegmentTest]) -> Json:
    """Answer of `farend leakdown` for several recordings."""
    return {
        "tests": [{"name": t.name, "open": list(t.open), "leak_l_per_s": estimate(t.leak_m3_per_s, LITRE)} for t in tests],
        "segments": [
            {"names": list(s.segments), "leak_l_per_s": estimate(s.leak_m3_per_s, LITRE), "share": estimate(s.share)} for s in found.shares
        ],
        "total_l_per_s": estimate(found.total_m3_per_s, LITRE),
        "cannot_separate": [list(group) for group in found.cannot_separate],
        "next_test": found.next_test,
        "warnings": list(found.warnings),
    }


def segments_words(found: Segments, reference_pa: float, reader: Reader) -> list[str]:
    """Say where the line leaks."""
    first = found.shares[0]
    at = f"at {reader.pressure(reference_pa)}"
    out = []
    if first.share.value is not None:
        out.append(f"{' and '.join(first.segments).capitalize()}: {reader.estimate(first.share, percent)} of the leak.")
    out.append(f"All segments together {at}: {reader.estimate(found.total_m3_per_s, reader.flow)} of free air.")
    out += [f"  {' and '.join(s.segments)}: {reader.estimate(s.leak_m3_per_s, reader.flow)}" for s in found.shares]
    out += [f"These tests cannot tell apart: {', '.join(group)}." for group in found.cannot_separate]
    return [*out, found.next_test]


def volume(found: Estimate) -> Json:
    """Answer of `farend leakdown --volume-from`."""
    return {"volume_l": estimate(found, LITRE), "warnings": []}


def volume_words(found: Estimate, reader: Reader) -> list[str]:
    """Say how much air a line holds."""
    return [
        f"The line holds {reader.estimate(found, reader.volume)}.",
        "Air that flows over changes its temperature: this stands if the pressure was read, or recorded, until it stood still, some "
        "five minutes later.",
    ]


def trend(names: Sequence[str], started_s: Sequence[float], found: Sequence[Cycles]) -> Json:
    """Answer of `farend cycles` for several recordings."""
    leak = trend_of_estimates(started_s, [c.leak_m3_per_s for c in found])
    delivery = trend_of_estimates(started_s, [c.delivery_m3_per_s for c in found])
    return {
        "sessions": [{"name": name} | cycles(c) for name, c in zip(names, found, strict=True)],
        "leak": {"change": estimate(leak.change), "verdict": leak.verdict},
        "delivery": {"change": estimate(delivery.change), "verdict": delivery.verdict},
        "warnings": [f"{name}: {w}" for name, c in zip(names, found, strict=True) for w in c.warnings],
    }


def trend_words(names: Sequence[str], started_s: Sequence[float], found: Sequence[Cycles], reader: Reader) -> list[str]:
    """Say whether a leak grows, or a pump delivers less, from session to session."""
    out = []
    for what, values in (("leak", [c.leak_m3_per_s for c in found]), ("delivery", [c.delivery_m3_per_s for c in found])):
        t = trend_of_estimates(started_s, values)
        said = {
            "rises": f"The {what} grows",
            "falls": f"The {what} falls",
            "steady": f"The {what} has not changed much",
            "cannot tell": f"Cannot tell whether the {what} changes",
        }[t.verdict]
        rest = (
            "; give the tank's --volume, and more or longer sessions"
            if t.change.value is None
            else f": {reader.estimate(t.change, change)}"
        )
        out.append(f"{said}{rest}.")
    for name, c in zip(names, found, strict=True):
        leak, delivery = (reader.estimate(e, reader.flow) for e in (c.leak_m3_per_s, c.delivery_m3_per_s))
        out.append(f"  {name}: leak {leak}, delivery {delivery}")
    return out
