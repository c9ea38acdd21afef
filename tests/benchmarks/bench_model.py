"""How much faster than time the line model runs, how long sizing takes: ``python -m tests.benchmarks.bench_model`` prints it."""

from __future__ import annotations

import time

import numpy as np

from analysis.line import Line, parse_line
from analysis.model import simulate
from analysis.sizing import size_receiver

LINE = """
[compressor]
tank = "100 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "240 L/min"
[[part]]
kind = "regulator"
set = "6.5 bar"
[[part]]
kind = "hose"
length = "40 m"
bore = "9.5 mm"
[[part]]
kind = "receiver"
volume = "24 L"
[[part]]
kind = "hose"
length = "5 m"
bore = "9.5 mm"
[[part]]
kind = "coupler"
[[part]]
kind = "tool"
air_per_shot = "1.6 L"
"""
SLOWEST = 60.0  # times real time; even a busy old laptop should do this, and less means that something has gone wrong


def times_real_time(line: Line, *, seconds: float = 60.0, repeats: int = 3) -> float:
    """Best of some runs of a minute with a shot a second, over 45 m of hose in half-metre cells."""
    shots = np.arange(1.0, seconds)
    simulate(line, shots[:1], duration_s=1.5)  # compile
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        simulate(line, shots, duration_s=seconds)
        best = min(best, time.perf_counter() - start)
    return seconds / best


def test_model_runs_far_faster_than_time() -> None:
    assert times_real_time(parse_line(LINE), seconds=20.0) > SLOWEST


def main() -> None:
    """Print the figures."""
    line = parse_line(LINE)
    start = time.perf_counter()
    simulate(line, [0.5], duration_s=1.0)
    print(f"first call (compiling, or from the cache): {time.perf_counter() - start:.2f} s")
    print(f"a minute with 59 shots: {times_real_time(line):.0f} times real time")
    start = time.perf_counter()
    size_receiver(line, shots=12, every_s=0.25, floor_pa=6.0e5)
    print(f"sizing for 12 shots at 4/s: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
