"""How much the recorder takes: ``python -m tests.benchmarks.bench_recorder``.

Lines a second through the parser alone and through a pseudo-terminal to the disk without loss, the share of a core at 1 kHz with two
channels, and the time to finish and open a long session. 2 Mbaud carry about 200 000 bytes, so 8 000 lines of 25 bytes, a second.
"""

from __future__ import annotations

import argparse
import math
import os
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from logger.channel import Channel
from logger.journal import JournalWriter
from logger.lines import LineParser, with_checksum
from logger.readings import new_journal_path
from logger.recorder import record
from logger.session import create_session, finish_session
from logger.virtual import VirtualDevice


def parser_lines_per_s(lines: int) -> float:
    """Lines a second that one core parses, checksums verified."""
    t_s = np.arange(lines) / 1000.0
    sent = (with_checksum(f"{1e6 * t:.0f},{600 + np.sin(t):.2f},{700 + np.sin(t):.2f}") for t in t_s)
    data = ("\n#farend columns=t_us,tool,supply unit=kPa checksum=xor\n" + "".join(f"{ln}\n" for ln in sent)).encode()
    parser = LineParser()
    begun = time.perf_counter()
    count = sum(len(parser.feed(data[i : i + 4096]).values) for i in range(0, len(data), 4096))
    elapsed = time.perf_counter() - begun
    if count != lines:
        msg = f"{count} of {lines} lines parsed"
        raise RuntimeError(msg)
    return lines / elapsed


def recorded_lines_per_s(home: Path, lines: int, speed: float) -> tuple[float, float]:
    """Lines a second from a virtual device to the disk without loss, and the share of a core (device included)."""
    t_s = np.arange(lines) / 1000.0
    begun, cpu = time.perf_counter(), time.process_time()
    with VirtualDevice(t_s, {"tool": 600.0 + np.sin(t_s), "supply": 700.0 + np.sin(t_s)}, speed=speed) as device:
        session = record(port=device.port, home=home, name="bench")
    elapsed = time.perf_counter() - begun
    if session.count != lines:
        msg = f"{session.count} of {lines} lines recorded"
        raise RuntimeError(msg)
    return lines / elapsed, (time.process_time() - cpu) / elapsed


def core_share_at_1_khz(home: Path, seconds: float) -> float:
    """Share of a core that recording 1 kHz x 2 channels takes; the device runs in a process of its own."""
    import subprocess
    import sys

    code = (
        "import sys, numpy as np; from logger.virtual import VirtualDevice\n"
        f"t = np.arange({int(seconds * 1000)}) / 1000.0\n"
        "with VirtualDevice(t, {'tool': 600 + np.sin(t), 'supply': 700 + np.sin(t)}, rate_hz=1000.0) as d:\n"
        "    print(d.port, flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        cpu, begun = time.process_time(), time.perf_counter()
        session = record(port=port, home=home, name="steady")
        share = (time.process_time() - cpu) / (time.perf_counter() - begun)
        process.communicate("")
    if session.count != int(seconds * 1000):
        msg = f"{session.count} of {seconds * 1000:.0f} readings recorded"
        raise RuntimeError(msg)
    return share


def finishing_s(home: Path, hours: float) -> tuple[float, float]:
    """Seconds to turn a journal at 1 kHz x 2 channels into the final file, and to open one channel of it."""
    session = create_session(home, "long", started=datetime.now(UTC), channels=[Channel(name=n, unit="kPa") for n in ("tool", "supply")])
    writer = JournalWriter(new_journal_path(session.folder), ["time_s", "tool", "supply"])
    rng = np.random.default_rng(1)
    for i in range(int(hours * 3600 * 2)):
        t_s = (500 * i + np.arange(500)) / 1000.0
        writer.write([t_s, np.round(600 + rng.normal(size=500), 2), np.round(700 + rng.normal(size=500), 2)])
    writer.close()
    begun = time.perf_counter()
    finished = finish_session(session.folder)
    middle = time.perf_counter()
    finished.column_si("tool")
    return middle - begun, time.perf_counter() - middle


def main() -> None:
    """Run all and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--short", action="store_true", help="small sizes, to see that it runs")
    short = options.parse_args().short
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        print(f"parser alone                      {parser_lines_per_s(20_000 if short else 500_000):12,.0f} lines/s")
        rate, share = recorded_lines_per_s(home, 20_000 if short else 300_000, math.inf)
        print(f"device to disk, no loss           {rate:12,.0f} lines/s at {share:.0%} of a core, the device's work included")
        if os.name == "posix":
            print(f"share of a core at 1 kHz x 2      {core_share_at_1_khz(home, 2.0 if short else 20.0):12.1%}")
        finish, opened = finishing_s(home, 0.02 if short else 2.0)
        print(f"finish {0.02 if short else 2.0:g} h at 1 kHz x 2         {finish:12.2f} s, open one channel {opened:.2f} s")


if __name__ == "__main__":
    main()
