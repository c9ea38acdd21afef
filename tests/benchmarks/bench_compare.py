"""Before and after on pairs with a known change: ``python -m tests.benchmarks.bench_compare [PAIRS]`` (of each kind, 12 by default).

The pairs are fired through our line model and seen through a sensor with noise and steps: nothing but the operator, the weather or the
compressor changes in some, the line itself in others. Printed are the verdicts and how often the 95 % intervals hold the truth,
which is the change of one and the same shot fired from the same state at a settled line, by the same model.

``--sharp`` takes dips that fall in a straight line and come back exponentially instead, in noise of 4.3 % of their depth: of all shapes
the one that noise hides most of. ``--first 1000`` takes other sensors and shots, which nothing was tuned on.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analysis.compare import compare
from analysis.estimate import Estimate
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.settled import Trace

Floats = NDArray[np.float64]

MIDDLE_PA = 770e3  # a tank between cut-in and cut-out


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A line and how it was worked on one day."""

    length_m: float = 32.0
    bore_mm: float = 8.5
    air_l: float = 1.5
    set_pa: float | None = 620e3  # of the regulator; None: a line without one, whose pressure goes with the pump
    celsius: float = 18.0
    start_pa: float = MIDDLE_PA  # of the tank
    single_s: tuple[float, float] = (2.4, 4.5)  # between single shots
    singles: int = 40
    bursts: int = 6
    per_burst: int = 4
    every_s: float = 0.45

    def line(self) -> Line:
        """Return the line as the model takes it."""
        regulator = "" if self.set_pa is None else f'[[part]]\nkind = "regulator"\nset = "{self.set_pa / 1e3:.1f} kPa"\n'
        return parse_line(
            f'name = "bench"\n[site]\naltitude = "0 m"\ntemperature = "{self.celsius} degC"\nhumidity = "50 %"\n'
            '[compressor]\ntank = "60 L"\ncut_in = "7.0 bar"\ncut_out = "8.4 bar"\ndelivery = "180 L/min"\n'
            f"{regulator}"
            '[[part]]\nkind = "valve"\nconductance = "5 L/s/bar"\n'
            f'[[part]]\nkind = "hose"\nlength = "{self.length_m} m"\nbore = "{self.bore_mm} mm"\n'
            '[[part]]\nkind = "coupler"\nconductance = "1.8 L/s/bar"\n'
            f'[[part]]\nkind = "tool"\nair_per_shot = "{self.air_l} L"\n'
        )

    def shots_s(self, rng: np.random.Generator) -> Floats:
        """Times at which this operator fires [s]."""
        parts = [4.0 + np.cumsum(rng.uniform(*self.single_s, self.singles))]
        for _ in range(self.bursts):
            steps = rng.uniform(0.8, 1.25, self.per_burst) * self.every_s
            steps[0] = rng.uniform(3.0, 6.0)
            parts.append(parts[-1][-1] + np.cumsum(steps))
        return np.concatenate(parts)

    def recorded(self, seed: int, sensor: int) -> Trace:
        """Work a day and record it; the same sensor has the same noise, steps and rate on both days."""
        rng = np.random.default_rng(sensor)
        rate = float(rng.choice([100.0, 200.0, 400.0]))
        noise, step = float(rng.uniform(300.0, 2000.0)), float(rng.choice([250.0, 1000.0]))
        rng = np.random.default_rng([sensor, seed])
        shots = self.shots_s(rng)
        length = float(shots[-1]) + 4.0
        made = simulate(self.line(), shots, duration_s=length, start_pa=self.start_pa, output_rate_hz=400.0)
        t = np.arange(0.0, length, 1.0 / rate) + rng.normal(0.0, 0.05 / rate, int(np.ceil(length * rate)))
        t = np.sort(t)
        p = np.interp(t, made.t_s, made.tool_pa)
        return Trace(t_s=t, p_pa=np.round((p + rng.normal(0.0, noise, t.size)) / step) * step)


@cache
def single(day: Day) -> tuple[float, float]:
    """Recovery [s] and dip [Pa] of one shot at the settled line, the pump idle."""
    shot = simulate(day.line(), [1.0], duration_s=8.0, start_pa=MIDDLE_PA, output_rate_hz=1000.0).shots[0]
    return shot.recovery_s, shot.dip_pa


@cache
def with_recovery(day: Day, share: float) -> Day:
    """Make a line of another length, so that its recovery is so many times as long."""
    low, high = 0.3 * day.length_m, 2.5 * day.length_m
    aim = share * single(day)[0]
    for _ in range(14):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if single(replace(day, length_m=mid))[0] < aim else (low, mid)
    return replace(day, length_m=mid)


def slow(day: Day) -> Day:
    """The same line in the hands of somebody who takes his time."""
    return replace(day, single_s=(5.0, 9.0), bursts=2, per_burst=3, every_s=1.2, singles=54)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What is different on the second day, the line of it by which the truth goes, and the verdicts that are right."""

    name: str
    before: Day
    after: Day
    line: Day
    good: tuple[str, ...] = ("no change", "cannot tell")


def pairs() -> tuple[Pair, ...]:
    """Return the kinds of pair."""
    one, free = Day(), Day(set_pa=None)  # behind a regulator, and without one
    shorter, longer, free_shorter = with_recovery(one, 0.85), with_recovery(one, 1.15), with_recovery(free, 0.85)
    warm, less = replace(one, celsius=33.0), replace(one, air_l=1.25)
    return (
        Pair(name="nothing changed", before=one, after=one, line=one),
        Pair(name="nothing changed, no regulator", before=free, after=free, line=free),
        Pair(name="slower work", before=one, after=slow(one), line=one),
        Pair(name="faster work", before=slow(one), after=one, line=one),
        Pair(name="slower work, no regulator", before=free, after=slow(free), line=free),
        Pair(name="higher setting", before=one, after=replace(one, set_pa=690e3), line=one),
        Pair(name="warmer by 15 degC", before=one, after=warm, line=warm),
        Pair(name="fresh compressor, no regulator", before=replace(free, start_pa=705e3), after=replace(free, start_pa=840e3), line=free),
        Pair(name="recovery 15 % shorter", before=one, after=shorter, line=shorter, good=("better",)),
        Pair(name="15 % shorter, no regulator", before=free, after=free_shorter, line=free_shorter, good=("better",)),
        Pair(name="15 % shorter and slower work", before=one, after=slow(shorter), line=shorter, good=("better",)),
        Pair(name="recovery 15 % longer", before=one, after=longer, line=longer, good=("worse",)),
        Pair(name="a tool that takes 17 % less", before=one, after=less, line=less, good=("better",)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharp:
    """Sixty shots that fall in a straight line and come back exponentially."""

    tau_s: float
    fall_s: float
    dip_pa: float
    noise_pa: float
    rate_hz: float = 200.0

    def recorded(self, seed: int) -> Trace:
        """Record them."""
        rng = np.random.default_rng(seed)
        shots = 3.0 + np.cumsum(rng.uniform(3.0, 5.0, 60))
        t = np.arange(0.0, shots[-1] + 5.0, 1.0 / self.rate_hz)
        p = 620e3 + rng.normal(0.0, self.noise_pa, t.size)
        for shot_s, dip_pa in zip(shots, self.dip_pa * rng.normal(1.0, 0.02, shots.size), strict=True):
            a, z = np.searchsorted(t, [shot_s, shot_s + 15.0 * self.tau_s])
            since = t[a:z] - shot_s
            p[a:z] -= dip_pa * np.minimum(since / self.fall_s, 1.0) * np.exp(-np.maximum(since - self.fall_s, 0.0) / self.tau_s)
        return Trace(t_s=t, p_pa=np.round(p / 250.0) * 250.0)

    @property
    def recovery_s(self) -> float:
        """Recovery of one shot [s]."""
        return self.fall_s + self.tau_s * float(np.log(10.0))


SHARP_NOISE = 0.043
SHARP_CHANGES = ((1.0, 1.0, "no change"), (0.85, 1.0, "better"), (1.18, 1.0, "worse"), (1.0, 0.8, "better"), (0.5, 0.9, "better"))


def sharp_pair(seed: int, tau: float, dip: float) -> tuple[Sharp, Sharp]:
    """Draw sharp dips, and the same after time constant and depth have changed so many times."""
    rng = np.random.default_rng(seed)
    depth = rng.uniform(40e3, 90e3)
    before = Sharp(tau_s=rng.uniform(0.1, 0.45), fall_s=rng.uniform(0.01, 0.04), dip_pa=depth, noise_pa=SHARP_NOISE * depth)
    return before, replace(before, tau_s=tau * before.tau_s, dip_pa=dip * depth)


def sharp(first: int, count: int) -> None:
    """Print a row for each change of sharp dips in noise."""
    print(f"{'recovery':>9}{'dip':>6} {'recovery holds':>15} {'half-width':>10} {'dip holds':>10} {'half-width':>10} | verdicts")
    for tau, dip, _ in SHARP_CHANGES:
        held, half, verdicts = np.zeros((2, count)), np.zeros((2, count)), Counter[str]()
        for n in range(count):
            before, after = sharp_pair(first + n, tau, dip)
            result = compare(before.recorded(2 * (first + n)), after.recorded(2 * (first + n) + 1))
            truth = after.recovery_s / before.recovery_s - 1.0, dip - 1.0
            verdicts[result.verdict] += 1
            for i, (e, true) in enumerate(zip((result.recovery_change, result.dip_change), truth, strict=True)):
                if e.low is not None and e.high is not None:
                    held[i, n], half[i, n] = e.low <= true <= e.high, 0.5 * (e.high - e.low)
        (one, other), (wide, deep) = held.mean(axis=1), half.mean(axis=1)
        columns = f"{tau:>9.2f}{dip:>6.2f} {100 * one:>13.1f} % {100 * wide:>8.1f} % {100 * other:>8.1f} % {100 * deep:>8.1f} %"
        print(f"{columns} | {', '.join(f'{v} {n}' for v, n in verdicts.most_common())}", flush=True)


def middle(estimates: Sequence[Estimate]) -> str:
    """Mean of the values and of the half-widths, in percent."""
    seen = [(e.value, 0.5 * (e.high - e.low)) for e in estimates if e.value is not None and e.high is not None and e.low is not None]
    return "none" if not seen else f"{100 * np.mean([v for v, _ in seen]):+.1f} ± {100 * np.mean([h for _, h in seen]):.1f} %"


def holds(estimates: Sequence[Estimate], true: float) -> list[bool]:
    """Whether each interval holds the truth, where there is one."""
    return [e.low <= true <= e.high for e in estimates if e.low is not None and e.high is not None]


def main() -> None:
    """Print a row for each kind of pair, and the sums."""
    parser = argparse.ArgumentParser(description="How a comparison judges pairs with a known change.")
    parser.add_argument("count", nargs="?", type=int, default=12, help="pairs of each kind")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--sharp", action="store_true", help="sharp dips in noise instead of those of the line model")
    asked = parser.parse_args()
    first, count = asked.first, asked.count
    if asked.sharp:
        sharp(first, count)
        return
    began = time.perf_counter()
    print(f"{'pair':<32}{'true':>7} {'recovery':>14} {'holds':>6} |{'true':>7} {'dip':>14} {'holds':>6} | verdicts")
    recovery_held: list[bool] = []
    dip_held: list[bool] = []
    right = false = total = 0
    for pair in pairs():
        before, after = single(pair.before), single(pair.line)
        # Where the line is the same, the one shot on which both days are judged is the same too, whatever the tank or the setting.
        same = pair.line.line() == replace(pair.before, start_pa=MIDDLE_PA).line()
        truth = [0.0 if same else y / x - 1.0 for x, y in zip(before, after, strict=True)]
        results = [compare(pair.before.recorded(1, sensor=n), pair.after.recorded(2, sensor=n)) for n in range(first, first + count)]
        columns = []
        for true, estimates, held in (
            (truth[0], [r.recovery_change for r in results], recovery_held),
            (truth[1], [r.dip_change for r in results], dip_held),
        ):
            here = holds(estimates, true)
            held += here
            columns.append(f"{100 * true:+6.1f}% {middle(estimates):>14} {sum(here):>3}/{len(here):<2}")
        verdicts = Counter(r.verdict for r in results)
        right += sum(r.verdict in pair.good for r in results)
        false += sum(r.verdict == "better" for r in results) if "better" not in pair.good else 0
        total += count
        print(f"{pair.name:<32}{columns[0]} |{columns[1]} | {', '.join(f'{v} {n}' for v, n in verdicts.most_common())}", flush=True)
    print(
        f"\n{total} pairs: the right verdict in {right}, a false `better` in {false}; the intervals hold the truth in "
        f"{100 * np.mean(recovery_held):.1f} % (recovery) and {100 * np.mean(dip_held):.1f} % (dip). "
        f"{time.perf_counter() - began:.0f} s."
    )


if __name__ == "__main__":
    main()
