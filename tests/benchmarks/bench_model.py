"""How much faster than time the line model runs, how long sizing takes: ``python -m tests.benchmarks.bench_model`` prints it."""

from __future__ import annotations

import math
import time

import numpy as np
from numpy.typing import NDArray

from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import build, run_network, settled, simulate
from analysis.sizing import size_receiver
from tests.benchmarks.peer_model import chamber

Floats = NDArray[np.float64]

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
PEER_SHOTS_S = np.array([0.5, 1.5])
PEER_SECONDS = 2.0
PATIENCE_S = 10.0  # of the processor, for one peer: far beyond twenty times our own


def times_real_time(line: Line, *, seconds: float = 60.0, repeats: int = 3) -> float:
    """Best of some runs of a minute with a shot a second, over 45 m of hose in half-metre cells; time of the processor."""
    shots = np.arange(1.0, seconds)
    simulate(line, shots[:1], duration_s=1.5)  # compile
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        simulate(line, shots, duration_s=seconds)
        best = min(best, time.process_time() - start)
    return seconds / best


def our_chamber(line: Line, seconds: float, *, cell_m: float = 0.5, cfl: float = 0.95) -> Floats:
    """Pressure in the tool's chamber [Pa abs] over two shots, the pump idle."""
    net = build(line, cell_m=cell_m)
    net.pump["kg_per_s"] = 0.0
    got = run_network(net, settled(net, 1e6), duration_s=seconds, shots_s=PEER_SHOTS_S[seconds > PEER_SHOTS_S], cfl=cfl, brief=0.5)
    return got.p_abs_pa[:, -1, 0]


def peer_chamber(line: Line, seconds: float, *, method: str, rtol: float) -> Floats:
    """Likewise by `scipy.integrate.solve_ivp` on the same right-hand side."""
    net = build(line)
    net.pump["kg_per_s"] = 0.0
    shots = PEER_SHOTS_S[seconds > PEER_SHOTS_S]
    return chamber(net, shots, seconds, supply_abs_pa=1e6, method=method, rtol=rtol, rate_hz=200.0, patience_s=PATIENCE_S)


def compare_with_peers(line: Line) -> None:
    """Print time and error of our solver and of solve_ivp's; the loosest tolerance that is as accurate as ours counts."""
    exact = our_chamber(line, PEER_SECONDS, cell_m=0.125, cfl=0.3)
    peer_chamber(line, 0.01, method="RK45", rtol=1e-2)  # compile

    def error(p: Floats) -> float:
        return float(np.sqrt(np.mean((p - exact) ** 2)))

    ours = np.inf
    for _ in range(20):
        start = time.process_time()
        p = our_chamber(line, PEER_SECONDS)
        ours = min(ours, time.process_time() - start)
    limit = error(p)
    print(f"two seconds with two shots: ours {ours * 1e3:.1f} ms, error {limit:.0f} Pa (of the chamber, against cells a quarter as long)")
    ratios = []
    for method in ("RK45", "LSODA", "BDF"):
        best, reached = np.inf, math.nan
        for rtol in (1e-2, 1e-3, 1e-4):
            try:
                start = time.process_time()
                p = peer_chamber(line, PEER_SECONDS, method=method, rtol=rtol)
            except TimeoutError:
                break
            took = time.process_time() - start
            if error(p) <= limit and took < best:
                best, reached = took, error(p)
        if math.isfinite(best):
            ratios.append(best / ours)
            print(f"  solve_ivp {method}: {best * 1e3:.0f} ms, error {reached:.0f} Pa: {best / ours:.0f} times as long as ours")
        else:
            print(
                f"  solve_ivp {method}: not done within {PATIENCE_S:.0f} s of the processor, {PATIENCE_S / ours:.0f} times as long as ours"
            )
    print(f"faster than the best of them: {min(ratios):.0f} times")


def test_model_runs_far_faster_than_time() -> None:
    assert times_real_time(parse_line(LINE), seconds=20.0) > SLOWEST


def test_solve_ivp_comes_to_the_same() -> None:
    """Another way through time, the same right-hand side: the two agree within what the time step costs."""
    line = parse_line(LINE)
    ours, peer = our_chamber(line, 0.8), peer_chamber(line, 0.8, method="RK45", rtol=1e-3)
    depth = float(ours[0] - ours.min())
    assert depth > 1e5
    assert float(np.abs(ours - peer).max()) < 0.02 * depth


def main() -> None:
    """Print the figures."""
    line = parse_line(LINE)
    start, wall = time.process_time(), time.perf_counter()
    simulate(line, [0.5], duration_s=1.0)
    spent, passed = time.process_time() - start, time.perf_counter() - wall
    print(f"first call (compiling, or from the cache): {passed:.2f} s, {spent:.2f} s of the processor")
    print(f"a minute with 59 shots: {times_real_time(line, repeats=30):.0f} times real time")
    compare_with_peers(line)
    start = time.perf_counter()
    size_receiver(line, shots=12, every_s=0.25, floor_pa=6.0e5)
    print(f"sizing for 12 shots at 4/s: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main()
