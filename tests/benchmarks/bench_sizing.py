"""How long sizing, what-ifs and a slider's answer take: ``python -m tests.benchmarks.bench_sizing`` prints it."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from analysis.line_file import parse_line
from analysis.sizing import size_receiver
from analysis.whatif import what_if
from dashboard import try_out
from dashboard.reader import Reader
from dashboard.work import Work

LINE = Path("sample_data/boathouse.toml")
COMMAND = ("size", "--line", str(LINE), "--shots", "8", "--every", "0.25 s", "--floor", "5.8 bar")
SLOWEST_S = 5.0  # even a busy old laptop should do it in this, and more means that something has gone wrong


def best_s(work: Callable[[], object], repeats: int = 7) -> float:
    """Shortest time of some runs [s]; the first, which compiles, is left out."""
    work()
    took = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return min(took)


def slider_s(repeats: int = 7) -> float:
    """Time of a slider's answer [s], figure included, at the server."""
    with tempfile.TemporaryDirectory() as folder:
        lines = Path(folder) / "lines"
        lines.mkdir()
        shutil.copy(LINE, lines)
        work, reader = Work(Path(folder)), Reader("bar")
        ask = {"shots": "8", "every": "0.25 s", "floor": "5.8 bar", "volume": "24 L"}
        return best_s(lambda: try_out.answer(try_out.read_job(work, ask, reader), reader), repeats)


def process_s(repeats: int = 5) -> tuple[float, float]:
    """Wall and processor time of the whole command `farend size` [s], the best of some."""
    took = []
    for _ in range(repeats):
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run([sys.executable, "-m", "farend", *COMMAND], check=True, capture_output=True)
        wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append((wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime))
    return min(w for w, _ in took), min(c for _, c in took)


def test_sizing_and_a_slider_answer_soon() -> None:
    line = parse_line(LINE.read_text())
    assert best_s(lambda: size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5), 1) < SLOWEST_S
    assert slider_s(1) < SLOWEST_S


def main() -> None:
    """Print the figures."""
    line = parse_line(LINE.read_text())
    size = best_s(lambda: size_receiver(line, shots=8, every_s=0.25, floor_pa=5.8e5))
    improve = best_s(lambda: what_if(line, shots=8, every_s=0.25, floor_pa=5.8e5))
    wall, cpu = process_s()
    print(f"sizing with its interval and alternatives: {size:.2f} s; what each improvement buys: {improve:.2f} s")
    print(f"a slider's answer, at the server: {1e3 * slider_s():.0f} ms")
    print(f"`farend size`, the whole process: {wall:.2f} s, {cpu:.2f} s of processor")


if __name__ == "__main__":
    main()
