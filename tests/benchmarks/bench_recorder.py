"""How much the recorder takes: ``python -m tests.benchmarks.bench_recorder``.

Lines a second through the parser alone and through a pseudo-terminal to the disk without loss, the share of a core at 1 kHz with two
channels, from the line to the disk and the page, and the time to finish and open a long session. 2 Mbaud carry 200 000 bytes a second.
``--day 24`` records a day in accelerated time.
"""

from __future__ import annotations

import argparse
import math
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from logger.channel import Channel
from logger.device import Device, DeviceSettings, News
from logger.journal import JournalTail, JournalWriter
from logger.keeper import Keeper
from logger.kept import find_session
from logger.lines import LineParser, with_checksum
from logger.live import read_live
from logger.live_shots import LiveShots
from logger.readings import new_journal_path
from logger.recorder import record
from logger.session import create_session, finish_session
from logger.status import Status
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


def core_share_at_1_khz(home: Path, seconds: float) -> tuple[float, float]:
    """Share of a core that ``farend record`` takes at 1 kHz x 2 channels: of the whole run, and while it records."""
    short_s = 1.0
    long_cpu, elapsed = _recorded_by_command(home, seconds)
    short_cpu, _ = _recorded_by_command(home, short_s)
    return long_cpu / elapsed, (long_cpu - short_cpu) / (seconds - short_s)


def _recorded_by_command(home: Path, seconds: float) -> tuple[float, float]:
    """Seconds of a processor, user and system, and of a wall clock that the command takes from its start to its end."""
    t_s = np.arange(int(seconds * 1000)) / 1000.0
    name = f"steady {seconds:g}"
    with VirtualDevice(t_s, {"tool": 600.0 + np.sin(t_s), "supply": 700.0 + np.sin(t_s)}, rate_hz=1000.0) as device:
        begun = time.perf_counter()
        command = [sys.executable, "-m", "farend", "record", "--port", device.port, "--name", name]
        process = subprocess.Popen(
            command, env={**os.environ, "FAREND_HOME": str(home)}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        elapsed = time.perf_counter() - begun
    count = find_session(home, name).count
    if count != t_s.size:
        msg = f"{count} of {t_s.size} readings recorded"
        raise RuntimeError(msg)
    return used.ru_utime + used.ru_stime, elapsed


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


def latencies_s(home: Path, seconds: float) -> dict[str, tuple[float, float]]:
    """Median and longest time from a line's sending until it is on disk, and until a page can read it beside the journal [s]."""
    t_s = np.arange(int(250 * seconds)) / 250.0
    stop = threading.Event()
    waits: dict[str, list[float]] = {"disk": [], "page": []}
    with VirtualDevice(t_s, {"tool": 600.0 + np.sin(t_s)}, rate_hz=250.0) as device:
        worker = threading.Thread(target=record, kwargs={"port": device.port, "home": home, "name": "latency", "stop": stop})
        worker.start()
        path = home / "sessions" / "latency" / "readings.arrows"
        while not path.exists():
            time.sleep(0.01)
        tail, sent, seen = JournalTail(path), [(time.perf_counter(), device.sent)], dict.fromkeys(waits, device.sent)
        on_disk = 0
        until = time.perf_counter() + seconds - 2.0
        while (now := time.perf_counter()) < until:
            sent.append((now, device.sent))
            on_disk += sum(b["time_s"].size for b in tail.new())
            live = read_live(path)
            for what, rows in (("disk", on_disk), ("page", on_disk + (len(live.rows) if live is not None else 0))):
                if rows > seen[what]:  # of the lines that are new there, the first has waited longest
                    waits[what].append(now - next((at for at, n in sent if n > seen[what]), now))
                    seen[what] = rows
            time.sleep(0.002)
        stop.set()
        worker.join()
    return {what: (float(np.median(w)), max(w)) for what, w in waits.items()}


def day(home: Path, hours: float) -> str:
    """Record hours of a device at 1 kHz x 2 channels as fast as it goes, through all but the wire; say how memory and files fared."""
    keeper = Keeper(home, name="day", rotate_s=None, texts={})
    settings = DeviceSettings(port="loop://", columns="t_ms,tool,supply", unit="kPa")
    device = Device(settings, queue.SimpleQueue())
    live = LiveShots(Status())
    k = np.arange(1000)
    fall = np.where(k < 30, k / 30.0, np.exp(-(k - 30) / 160.0))
    rows = [f"{i:03d},{640.0 - 40.0 * f + 0.3 * (i % 7):.2f},{700 + 0.1 * (i % 5):.2f}\n" for i, f in enumerate(fall)]
    memory: list[float] = []
    begun = time.perf_counter()
    device.take(News(device=device, host_s=0.0, data=b"\n"), None)
    for second in range(1, int(hours * 3600) + 1):
        for quarter in range(4):
            text = "".join(f"{second}{row}" for row in rows[250 * quarter : 250 * quarter + 250])
            host_s = second + 0.25 * (quarter + 1) + 0.003
            times, values = device.take(News(device=device, host_s=host_s, data=text.encode()), None)
            if not keeper.knows(device):
                live.offer(device, keeper.join(device, device.channels({}, datetime.now(UTC), alone=True)[0]))
            keeper.put(device, times, values, host_s)
            live.feed(device, times, values)
        if second % 4 == 0:  # in life four times a second; syncing the disk is not what is looked at here
            keeper.write(host_s)
        if second % 600 == 300:
            memory.append(_resident_mb())
    device.stop()
    session = keeper.close([])
    live.end()
    took = time.perf_counter() - begun
    times = session.raw["time_s"]
    wanted = int(hours * 3600) * 1000
    if session.count != wanted or not (np.diff(times) > 0).all() or abs(times[-1] - (wanted - 1) / 1000.0) > 0.02:
        msg = f"{session.count} of {wanted} readings, the last at {times[-1]:.3f} s"
        raise RuntimeError(msg)
    size = sum(f.stat().st_size for f in session.folder.iterdir()) / 1e6
    half = len(memory) // 2
    grown = max(memory[half:]) - max(memory[: half + 1]) if half else 0.0
    return f"{took:.0f} s, memory {max(memory, default=_resident_mb()):.0f} MB, {grown:+.0f} MB in the second half; {size:.1f} MB of files"


def _resident_mb() -> float:
    """Memory of this process [MB]; NaN where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        return math.nan
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    """Run all and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--short", action="store_true", help="small sizes, to see that it runs")
    options.add_argument("--day", type=float, metavar="HOURS", help="only the long recording in accelerated time")
    given = options.parse_args()
    short = given.short
    if given.day:
        with tempfile.TemporaryDirectory() as folder:
            print(f"{given.day:g} h at 1 kHz x 2, accelerated: {day(Path(folder), given.day)}", flush=True)
        return
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        print(f"parser alone                      {parser_lines_per_s(20_000 if short else 500_000):12,.0f} lines/s")
        recorded_lines_per_s(home, 100, math.inf)  # what is loaded at the first start is not looked at here
        rate, share = recorded_lines_per_s(home, 20_000 if short else 300_000, math.inf)
        print(f"device to disk, no loss           {rate:12,.0f} lines/s at {share:.0%} of a core, the device's work included")
        if os.name == "posix":
            whole, steady = core_share_at_1_khz(home, 3.0 if short else 60.0)
            print(f"share of a core at 1 kHz x 2      {steady:12.1%}, start and end included {whole:.1%}")
        print(f"headroom over a line of 2 Mbaud     {rate / (200_000 / 27):12.1f} times (lines of 27 bytes)")
        for what, (median, longest) in latencies_s(home, 5.0 if short else 20.0).items():
            print(f"from the line to the {what}           {1e3 * median:12.0f} ms, {1e3 * longest:.0f} ms at most")
        print(f"{0.2 if short else 2.0:g} h accelerated: {day(home, 0.2 if short else 2.0)}")
        finish, opened = finishing_s(home, 0.02 if short else 2.0)
        print(f"finish {0.02 if short else 2.0:g} h at 1 kHz x 2         {finish:12.2f} s, open one channel {opened:.2f} s")


if __name__ == "__main__":
    main()
