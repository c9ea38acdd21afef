"""How fast shots are found: an hour at 1 kHz, quiet and at work, beside one ``scipy.signal.find_peaks`` over the same array.

``python -m pytest tests/benchmarks/bench_shots.py -s`` prints the rates.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

import numpy as np
from scipy.signal import find_peaks

from analysis.shots import find_shots
from tests.shot_scores import Scene, record

HOUR = 3_600_000


TRIES = 3


def best_rate(work: Callable[[], object], readings: int) -> float:
    """Millions of readings a second, the best of a few tries: other programs only ever slow one down."""
    took = []
    for _ in range(TRIES):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return readings / min(took) / 1e6


def test_readings_a_second() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(HOUR) / 1000.0
    quiet = np.round((6e5 + rng.normal(0.0, 1000.0, HOUR)) / 300.0) * 300.0
    made = record(Scene(name="work", rate_hz=1000.0, single=40, bursts=20), 1)
    work = np.tile(made.p_pa, HOUR // made.t_s.size)
    find_shots(t[:60_000], work[:60_000])  # compile
    print()
    rates = {}
    for name, p in (("quiet", quiet), ("work", work)):
        ours = best_rate(partial(find_shots, t[: p.size], p), p.size)
        peaks = best_rate(partial(find_peaks, -p, prominence=30e3), p.size)
        plain = best_rate(partial(find_peaks, -p), p.size)
        rates[name] = ours
        print(f"{name}: {ours:.1f} M readings/s; find_peaks with prominence {peaks:.1f}, without anything {plain:.1f}")
    none, shots = (len(find_shots(t[: p.size], p).shots) for p in (quiet, work))
    print(f"{shots} shots in {work.size / 6e4:.0f} min of work")
    assert none == 0
    assert shots >= 0.99 * (HOUR // made.t_s.size) * made.times_s.size
    assert rates["quiet"] > 0.5
    assert rates["work"] > 0.1
