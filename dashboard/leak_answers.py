"""Leak by segment and the volume of a line: the JSON and the sentences of their answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.answers import LITRE, Json, estimate
from dashboard.reader import Reader, percent

if TYPE_CHECKING:
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
