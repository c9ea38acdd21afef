"""Which part of a line leaks: tests with different valves shut, solved together.

Each test shuts in some segments, and its leak is the sum of theirs; none leaks less than nothing. The shares come from all tests
at once, with the interval that their uncertainties, and what they leave open between them, allow. Shut valves are taken as tight.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import ndtr, ndtri

from analysis.estimate import Estimate
from analysis.statistics import Z_95

Array = NDArray[np.float64]

CHAINS: Final = 500  # random walks through what the tests allow, side by side; by choice
SWEEPS: Final = 40  # steps of each before its place is taken
CONTRADICT: Final = 10.83  # chi-squared of one degree of freedom that chance exceeds once in a thousand; any table
CLEARLY: Final = 1.0 / 3.0  # of the whole leak: a share known no better than this is worth another test; by choice


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentTest:
    """One leak-down.

    Attributes
    ----------
    name : str
        The recording's.
    open : tuple of str
        Segments that were open to the sensor; all others were shut off.
    leak_m3_per_s : Estimate
        Free air lost at one and the same reference pressure in all tests [m3/s].
    """

    name: str
    open: tuple[str, ...]
    leak_m3_per_s: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What one segment, or several that were never shut off from each other, leak.

    Attributes
    ----------
    segments : tuple of str
        Their names.
    leak_m3_per_s : Estimate
        Free air [m3/s].
    share : Estimate
        Of all leaks together [-]; None where nothing leaks for sure.
    """

    segments: tuple[str, ...]
    leak_m3_per_s: Estimate
    share: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Segments:
    """Where the line leaks.

    Attributes
    ----------
    shares : tuple of Share
        Largest first.
    total_m3_per_s : Estimate
        All segments together, free air [m3/s].
    cannot_separate : tuple of tuple of str
        Segments that these tests cannot tell apart.
    next_test : str
        What to do next, in a sentence.
    warnings : tuple of str
        What the reader should know.
    """

    shares: tuple[Share, ...]
    total_m3_per_s: Estimate
    cannot_separate: tuple[tuple[str, ...], ...]
    next_test: str
    warnings: tuple[str, ...]


def stated_open(marks: Iterable[Mapping[str, Any]]) -> tuple[str, ...]:
    """Segments that a session says were open: a mark with the text ``open: tank, hose``; empty where none does."""
    for mark in marks:
        word, _, names = str(mark.get("text", "")).partition(":")
        if word.strip().casefold() == "open" and names.strip():
            return tuple(n.strip() for n in names.split(","))
    return ()


def leak_by_segment(order: Sequence[str], tests: Sequence[SegmentTest]) -> Segments:
    """Share the leak out over the segments.

    Parameters
    ----------
    order : sequence of str
        All segments, from the supply on.
    tests : sequence of SegmentTest
        Two or more leak-downs with different segments open.

    Raises
    ------
    ValueError
        If there are fewer than two tests, a name is unknown, a test has no leak with an interval, or a segment is in none.
    """
    _refuse(order, tests)
    groups = _groups(order, tests)
    design = np.array([[1.0 if set(g) <= set(t.open) else 0.0 for g in groups] for t in tests])
    value = np.array([t.leak_m3_per_s.value for t in tests], dtype=np.float64)
    u = np.array([_u(t.leak_m3_per_s) for t in tests])
    warnings: list[str] = []
    best, _ = nnls(design / u[:, None], value / u)
    off = (value - design @ best) / u
    beyond = float(off @ off)
    if beyond > CONTRADICT + max(len(tests) - len(groups), 0):
        worst = tests[int(np.argmax(np.abs(off)))]
        warnings.append(
            f"The tests contradict each other, {worst.name} most: a valve that was taken as shut lets air through, or a leak changed from "
            "one test to the next. The intervals are widened accordingly; repeat that test."
        )
        u = u * np.sqrt(beyond)
    drawn = _walk(design, value, u, best)
    total = drawn.sum(axis=1)
    sure = float(np.quantile(total, 0.005)) > 0.02 * float(np.median(total)) and any((t.leak_m3_per_s.low or 0.0) > 0.0 for t in tests)
    shares = [
        Share(
            segments=g,
            leak_m3_per_s=_estimate(drawn[:, i]),
            share=_estimate(drawn[:, i] / np.maximum(total, 1e-300)) if sure else Estimate(value=None),
        )
        for i, g in enumerate(groups)
    ]
    shares.sort(key=lambda s: -(s.leak_m3_per_s.value or 0.0))
    together = [g for g in groups if len(g) > 1]
    loose = _loose(design, groups)
    return Segments(
        shares=tuple(shares),
        total_m3_per_s=_estimate(total),
        cannot_separate=(*together, *([loose] if loose else [])),
        next_test=_next(order, tests, shares, together, loose, u, sure=sure),
        warnings=tuple(warnings),
    )


def _refuse(order: Sequence[str], tests: Sequence[SegmentTest]) -> None:
    if len(tests) < 2:
        msg = f"{len(tests)} test cannot be shared out over segments; give two or more, with different valves shut."
        raise ValueError(msg)
    for t in tests:
        unknown = [name for name in t.open if name not in order]
        if unknown or not t.open:
            msg = f"{t.name}: open were {', '.join(t.open) or 'no segments'}, but the segments are {', '.join(order)}. Use those names."
            raise ValueError(msg)
        e = t.leak_m3_per_s
        if e.value is None or e.low is None or e.high is None:
            msg = f"{t.name} gives no leak with an interval. Repeat that test, or leave it out."
            raise ValueError(msg)
    missed = [name for name in order if not any(name in t.open for t in tests)]
    if missed:
        msg = f"No test has {', '.join(missed)} open. Record one that has, or leave that segment out."
        raise ValueError(msg)


def _groups(order: Sequence[str], tests: Sequence[SegmentTest]) -> list[tuple[str, ...]]:
    """Segments that were open in the very same tests cannot be told apart: one group."""
    groups: dict[tuple[bool, ...], list[str]] = {}
    for name in order:
        groups.setdefault(tuple(name in t.open for t in tests), []).append(name)
    return [tuple(g) for g in groups.values()]


def _u(e: Estimate) -> float:
    low, high = e.low if e.low is not None else 0.0, e.high if e.high is not None else 0.0
    return max((high - low) / (2.0 * Z_95), 1e-12)


def _walk(design: Array, value: Array, u: Array, start: Array) -> Array:
    """Draw leaks that the tests allow, none below nothing: walks along the valleys of the misfit and along each segment's axis."""
    rng = np.random.default_rng(5)
    scale = float(np.max(np.abs(value)) + u.max())
    x = np.tile(start, (CHAINS, 1)) + 1e-3 * scale * rng.random((CHAINS, start.size))
    whole = design / u[:, None]
    _, valleys = np.linalg.eigh(whole.T @ whole)
    ways = [*valleys.T, *np.eye(start.size)]
    drawn = []
    for sweep in range(SWEEPS):
        for way in ways:
            along = whole @ way
            precision = float(along @ along)
            # How far this way leads before a leak would fall below nothing.
            with np.errstate(divide="ignore", invalid="ignore"):
                ends = -x / way
            low = np.max(np.where(way > 1e-12, ends, -np.inf), axis=1)
            high = np.min(np.where(way < -1e-12, ends, np.inf), axis=1)
            if precision * scale**2 < 1e-9:  # the tests say nothing along this way
                step = low + (high - low) * rng.random(CHAINS)
            else:
                sd = precision**-0.5
                mean = ((value / u - x @ whole.T) @ along) / precision
                a, z = ndtr((low - mean) / sd), ndtr((high - mean) / sd)
                step = np.clip(mean + sd * ndtri(np.clip(a + (z - a) * rng.random(CHAINS), 1e-300, 1.0 - 1e-16)), low, high)
            x = np.maximum(x + step[:, None] * way, 0.0)
        if sweep >= SWEEPS // 2 and sweep % 4 == 0:
            drawn.append(x.copy())
    return np.concatenate(drawn)


def _estimate(drawn: Array) -> Estimate:
    low, value, high = np.quantile(drawn, (0.025, 0.5, 0.975))
    return Estimate(value=float(value), low=float(low), high=float(high))


def _loose(design: Array, groups: list[tuple[str, ...]]) -> tuple[str, ...]:
    """Segments that have no column of their own though no two are alike: too few tests."""
    rank = int(np.linalg.matrix_rank(design))
    if rank == len(groups):
        return ()
    undecided = [i for i in range(len(groups)) if np.linalg.matrix_rank(np.delete(design, i, axis=1)) == rank]
    return tuple(name for i in undecided for name in groups[i])


def _next(
    order: Sequence[str],
    tests: Sequence[SegmentTest],
    shares: list[Share],
    together: list[tuple[str, ...]],
    loose: tuple[str, ...],
    u: Array,
    *,
    sure: bool,
) -> str:
    if not sure:
        return "No segment leaks for sure: nothing to look for yet. Leave the whole line shut in for longer if it must be known."
    first = shares[0]
    joined = next((s.segments for s in shares if s.segments in together and (s.share.high or 0.0) > CLEARLY), ())
    if joined:
        half = joined[: (len(joined) + 1) // 2]
        rest = joined[len(half) :]
        return (
            f"Next: record once more with {' and '.join(half)} open and {' and '.join(rest)} shut off, to tell them apart."
            if first.segments == joined
            else f"Soap the joints of {first.segments[0]} first; then tell {' and '.join(joined)} apart by shutting {rest[0]} off."
        )
    if loose:
        return f"Next: record once more with {loose[0]} alone open, since these tests do not tell {', '.join(loose)} apart."
    spread = (first.share.high or 1.0) - (first.share.low or 0.0)
    if len(order) > 1 and spread > CLEARLY:
        worst = tests[int(np.argmax(u))]
        return f"Next: repeat {worst.name} ({', '.join(worst.open)} open) for longer; it is the least certain of the tests."
    return f"Next: soap the joints of {' and '.join(first.segments)}, from the largest share on, mend what bubbles, and test again."
