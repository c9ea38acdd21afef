"""How fast shots are found: an hour at 1 kHz, quiet and at work, beside one ``scipy.signal.find_peaks`` over the same array.

``python -m pytest tests/benchmarks/bench_shots.py -s`` prints the rates.
"""

from __future__ import annotations

import time

import numpy as np
from scipy.signal import find_peaks

from analysis.shots import find_shots
from tests.shot_scores import Scene, record

HOUR = 3_600_000


def rate(t: np.ndarray, p: np.ndarray) -> tuple[float, int]:
    start = time.perf_counter()
    shots = len(find_shots(t, p).shots)
    return t.size / (time.perf_counter() - start) / 1e6, shots


def test_readings_a_second() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(HOUR) / 1000.0
    quiet = np.round((6e5 + rng.normal(0.0, 1000.0, HOUR)) / 300.0) * 300.0
    find_shots(t[:5000], quiet[:5000])  # compile
    made = record(Scene(name="work", rate_hz=1000.0, single=40, bursts=20), 1)
    work = np.tile(made.p_pa, HOUR // made.t_s.size)
    start = time.perf_counter()
    find_peaks(-work, prominence=30e3)
    peaks_s = time.perf_counter() - start
    quiet_rate, none = rate(t, quiet)
    work_rate, shots = rate(t[: work.size], work)
    print(f"\nquiet {quiet_rate:.1f} M readings/s; {shots} shots in {work.size / 6e4:.0f} min {work_rate:.1f} M/s")
    print(f"find_peaks with prominence over the latter {work.size / peaks_s / 1e6:.1f} M/s")
    assert none == 0
    assert shots >= 0.99 * (HOUR // made.t_s.size) * made.times_s.size
    assert quiet_rate > 0.5
    assert work_rate > 0.1
