"""How often the leak-down's interval holds the truth, over simulated nights, and how fast it is.

Run with ``python -m tests.benchmarks.bench_leakdown [nights]`` from the project's folder.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from functools import partial

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the front door sets it

import numpy as np

from analysis.leakdown import fit_leakdown, leak_at
from analysis.shots import find_shots
from analysis.shut_in import judge
from tests.broken_nights import KINDS, broken_night
from tests.nights import Night, simulate_night

LEAKS = (0.0, 0.0, 3e-13, 1e-12, 5e-12, 3e-11)  # sonic conductances [m3/(s Pa)]; 1e-12 loses 0.7 mL/s at 90 psi


def nights(count: int, *, seed: int = 1) -> list[tuple[str, Night]]:
    """Draw nights of many kinds, each with its label."""
    rng = np.random.default_rng(seed)
    drawn: list[tuple[str, Night]] = []
    for n in range(count):
        channel = ("wall", "room", "none")[n % 3]
        night = simulate_night(
            seed * 10_000 + n,
            conductance=float(LEAKS[int(rng.integers(len(LEAKS)))]) * float(rng.uniform(0.7, 1.4)),
            hours=float(rng.uniform(3.0, 12.0)),
            volume_m3=float(rng.choice([0.012, 0.024, 0.05, 0.1, 0.27])),
            start_pa=float(rng.uniform(500e3, 900e3)),
            channel=None if channel == "none" else channel,
            noise_pa=float(rng.choice([100.0, 300.0, 1000.0])),
            step_pa=float(rng.choice([0.0, 0.0, 500.0, 3447.4])),
            every_s=float(rng.choice([5.0, 10.0])),
            swing_k=float(rng.uniform(0.0, 8.0)),
            drift_k_per_h=float(rng.uniform(-1.0, 1.0)),
            b=float(rng.uniform(0.3, 0.528)),
            zero_pa=float(rng.normal(0.0, 800.0)),
            drawn_at_s=float(rng.uniform(3000.0, 8000.0)) if rng.random() < 0.3 else None,
        )
        drawn.append((channel, night))
    return drawn


def coverage(count: int) -> dict[str, Counter[str]]:
    """Count, for each kind of thermometer, intervals that hold the truth, and verdicts."""
    table: dict[str, Counter[str]] = {}
    for label, night in nights(count):
        row = table.setdefault(label, Counter())
        answer = fit_leakdown(night.t_s, night.p_pa, volume_m3=night.volume_m3, temp_k=night.temp_k)
        leak = answer.leak_m3_per_s
        assert leak.value is not None
        assert leak.low is not None
        assert leak.high is not None
        true = leak_at(night.conductance, answer.reference_pa)
        row["nights"] += 1
        row["inside"] += leak.low <= true <= leak.high
        row["within 5 % or inside"] += (leak.low <= true <= leak.high) or abs(leak.value - true) <= 0.05 * true
        if true == 0.0:
            row["no leak"] += 1
            row["no leak, called leak"] += answer.verdict == "leak"
            row["no leak, called tight"] += answer.verdict == "tight"
        elif true > 1.5e-7:
            row["leak"] += 1
            row["leak, called leak"] += answer.verdict == "leak"
            row["leak, called tight"] += answer.verdict == "tight"
    return table


def broken(count: int) -> dict[str, Counter[str]]:
    """Count, for each kind of break, the nights whose interval holds the truth, and answers that are wrong or refused."""
    table: dict[str, Counter[str]] = {}
    for kind in KINDS:
        row = table.setdefault(kind, Counter())
        for seed in range(count):
            night = broken_night(kind, seed)
            row["nights"] += 1
            try:
                answer = fit_leakdown(night.t_s, night.p_pa, volume_m3=night.volume_m3, temp_k=night.temp_k)
            except ValueError:
                row["refused"] += 1
                continue
            leak, true = answer.leak_m3_per_s, leak_at(night.conductance, answer.reference_pa)
            assert leak.value is not None
            inside = (leak.low or -1.0) <= true <= (leak.high or 1.0)
            row["within 5 % or inside"] += inside or abs(leak.value - true) <= 0.05 * true
            row["cannot tell"] += answer.verdict == "cannot tell"
            row["wrong verdict"] += (true == 0.0 and answer.verdict == "leak") or (true > 1.5e-7 and answer.verdict == "tight")
    return table


def astray(count: int) -> dict[str, Counter[str]]:
    """Count the same over thermometers that hang elsewhere, or whose steps are coarse."""
    drawn = [night for label, night in nights(count, seed=7) if label != "none"]
    table: dict[str, Counter[str]] = {}
    for n, night in enumerate(drawn):
        other = drawn[(n + 5) % len(drawn)]
        assert night.temp_k is not None
        assert other.temp_k is not None
        channels = {
            "elsewhere": np.interp(night.t_s / night.t_s[-1], other.t_s / other.t_s[-1], other.temp_k),
            "heater": 290.0 + 0.4 * (-1.0) ** (night.t_s // 1500.0),
            "1 K steps": np.round(night.temp_k),
        }
        for label, temp_k in channels.items():
            row = table.setdefault(label, Counter())
            answer = fit_leakdown(night.t_s, night.p_pa, volume_m3=night.volume_m3, temp_k=temp_k)
            leak, true = answer.leak_m3_per_s, leak_at(night.conductance, answer.reference_pa)
            assert leak.value is not None
            row["nights"] += 1
            row["not used"] += answer.temperature == "none"
            row["within 5 % or inside"] += (leak.low or -1.0) <= true <= (leak.high or 1.0) or abs(leak.value - true) <= 0.05 * true
            row["wrong verdict"] += (true == 0.0 and answer.verdict == "leak") or (true > 1.5e-7 and answer.verdict == "tight")
    return table


def speed() -> dict[str, float]:
    """Seconds for half a day at a reading a second and at a thousand."""
    out = {}
    rng = np.random.default_rng(0)
    for label, rate in (("12 h at 1 Hz", 1.0), ("12 h at 1 kHz", 1000.0)):
        t = np.arange(int(12 * 3600 * rate)) / rate
        p = 800e3 * np.exp(-t / 4e5)
        p += rng.standard_normal(t.size) * 300.0
        temp = 290.0 - t / 20_000.0
        begin = time.perf_counter()
        judge(t, p, partial(find_shots, t, p), volume_m3=0.05, temp_k=temp)
        out[label] = time.perf_counter() - begin
    return out


def main(count: int = 210) -> None:
    """Print the tables."""
    for label, row in coverage(count).items():
        print(f"{label:>5}: " + ", ".join(f"{key} {value}" for key, value in row.items()))
    for kind, row in broken(max(count // 20, 1)).items():
        print(f"{kind:>12}: " + ", ".join(f"{key} {value}" for key, value in row.items() if value))
    for label, row in astray(max(count // 4, 6)).items():
        print(f"{label:>12}: " + ", ".join(f"{key} {value}" for key, value in row.items() if value))
    for label, seconds in speed().items():
        print(f"{label}: {seconds:.2f} s")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]))
