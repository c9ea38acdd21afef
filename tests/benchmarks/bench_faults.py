"""What the recorder survives: ``python -m tests.benchmarks.bench_faults [--short] [--seed N]``.

A real recorder process is killed and frozen, its device unplugged and restarted, its disk filled, the wall clock set, its lines
damaged; a table at the end says what was tried, what survived and what was lost. Everything random comes from the seed.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Self

import numpy as np

import logger.keeper
import logger.recorder
from logger.clock import DeviceClock
from logger.kept import list_sessions, recover_unfinished
from logger.lines import LineParser, with_checksum
from logger.recorder import Status, record
from logger.virtual import VirtualDevice

RATE_HZ = 500.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """One kind of fault.

    Attributes
    ----------
    fault : str
        What was done.
    tried, survived : int
        How often; how often every reading kept was right and the loss within bounds.
    lost : int
        Readings that were sent and not kept.
    longest_gap_s : float
        Longest time between two readings kept that is not between those sent [s]; for kills, the most that one cost.
    note : str
        What else to know.
    """

    fault: str
    tried: int
    survived: int
    lost: int
    longest_gap_s: float
    note: str = ""


def _trace(seconds: float) -> tuple[np.ndarray, np.ndarray]:
    t_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return t_s, np.round(600.0 + 20.0 * np.sin(t_s), 2)


def _wait(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            msg = "the recorder did not come so far in time"
            raise RuntimeError(msg)
        time.sleep(0.001)


def kills(count: int, rng: random.Random) -> Row:
    """SIGKILL at random instants while a device sends in real time."""
    t_s, p_kpa = _trace(60.0)
    survived, worst, lost = 0, 0.0, 0
    for _ in range(count):
        with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=RATE_HZ) as device:
            code = f"from logger.recorder import record; record(port={device.port!r}, home={home!r}, name='deck')"
            with subprocess.Popen([sys.executable, "-c", code], start_new_session=True) as process:
                wanted = rng.uniform(1.0, 1.5 * RATE_HZ)
                _wait(lambda wanted=wanted, device=device: device.sent > wanted)  # type: ignore[misc]
                process.send_signal(signal.SIGKILL)
                sent = device.sent
                process.wait()
            recover_unfinished(home)
            found = list_sessions(home)
            kept = found[0].count if found else 0
            right = kept == 0 or bool((found[0].raw["tool"] == p_kpa[:kept]).all())
            loss_s = max(sent - kept, 0) / RATE_HZ
            lost += max(sent - kept, 0)
            worst = max(worst, loss_s)
            survived += right and loss_s <= 0.5
    return Row(fault="SIGKILL at a random instant", tried=count, survived=survived, lost=lost, longest_gap_s=worst)


def freezes(count: int, rng: random.Random) -> Row:
    """Stop the recorder's process for a while, as a machine that sleeps or is overloaded does."""
    t_s, p_kpa = _trace(2.0 * count + 5.0)
    with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=RATE_HZ) as device:
        code = f"from logger.recorder import record; record(port={device.port!r}, home={home!r}, name='deck')"
        with subprocess.Popen([sys.executable, "-c", code], start_new_session=True) as process:
            _wait(lambda: device.sent > RATE_HZ)
            for _ in range(count):
                process.send_signal(signal.SIGSTOP)
                time.sleep(rng.uniform(0.1, 1.2))
                process.send_signal(signal.SIGCONT)
                time.sleep(rng.uniform(0.1, 0.5))
            time.sleep(2.0)  # to read what has piled up
            sent = device.sent
            process.send_signal(signal.SIGINT)
            process.wait(30.0)
        (session,) = list_sessions(home)
        kept = session.count
        right = bool((session.raw["tool"] == p_kpa[:kept]).all())
        times = session.raw["time_s"]
        off = float(np.abs(times - t_s[:kept]).max())
        lost = max(sent - kept - int(0.3 * RATE_HZ), 0)  # at the end some lines are still on their way
    good = right and off < 0.05 and lost == 0
    gap = float(np.diff(times).max()) - 1.0 / RATE_HZ
    note = f"stamps within {1e3 * off:.1f} ms"
    return Row(fault="recorder frozen 0.1 to 1.2 s", tried=count, survived=count if good else 0, lost=lost, longest_gap_s=gap, note=note)


def clock_steps(count: int, rng: random.Random) -> Row:
    """Set the wall clock forward and back by up to two days (NTP, DST, a person) while it records."""
    t_s, p_kpa = _trace(0.25 * count + 0.5)
    shift = [timedelta()]

    class Stepped(datetime):
        """The wall clock, as somebody sets it."""

        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Self:
            return super().now(tz) + shift[0]

    logger.keeper.datetime = logger.recorder.datetime = Stepped  # type: ignore[attr-defined]
    try:
        with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=RATE_HZ) as device:
            began = datetime.now(UTC)
            worker = threading.Thread(target=record, kwargs={"port": device.port, "home": home})
            worker.start()
            _wait(lambda: any(Path(home).glob("sessions/*/session.toml")))  # its start is read off the clock
            for _ in range(count):
                time.sleep(0.2)
                shift[0] = timedelta(seconds=rng.choice([-3600.0, 3600.0, rng.uniform(-2.0, 2.0), rng.uniform(-172800.0, 172800.0)]))
            worker.join(60.0)
            (session,) = list_sessions(home)
            times, lost = session.raw["time_s"], t_s.size - session.count
            off = float(np.abs(times - t_s[: times.size]).max())
            right = lost == 0 and off < 0.02 and abs((session.started - began).total_seconds()) < 10.0
    finally:
        logger.keeper.datetime = logger.recorder.datetime = datetime  # type: ignore[attr-defined]
    gap = float(np.diff(times).max()) - 1.0 / RATE_HZ
    note = f"stamps within {1e3 * off:.1f} ms"
    return Row(fault="wall clock set", tried=count, survived=count if right else 0, lost=lost, longest_gap_s=gap, note=note)


def full_disks(count: int, rng: random.Random) -> Row:
    """Let a write to the disk fail half way, as on a full one."""
    t_s, p_kpa = _trace(20.0)
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))\n"
        "from logger.recorder import record\n"
        "seen = []\n"
        "try:\n    record(port={port!r}, home={home!r}, name='deck', on_status=lambda s: seen.append(s.readings))\n"
        "except ValueError:\n    pass\n"
        "print(seen[-1] if seen else 0)\n"
    )
    survived, lost, worst = 0, 0, 0
    for _ in range(count):
        with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}, speed=2.0) as device:
            text = code.format(size=rng.randrange(40_000, 70_000), port=device.port, home=home)
            done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, timeout=60, check=True)
            recover_unfinished(home)
            (session,) = list_sessions(home)
            kept = session.count
            missing = max(int(done.stdout or 0) - kept, 0)
            right = missing == 0 and done.stderr == "" and session.finished and bool((session.raw["tool"] == p_kpa[:kept]).all())
        lost, worst = lost + missing, max(worst, missing)
        survived += right
    return Row(fault="disk full", tried=count, survived=survived, lost=lost, longest_gap_s=worst / RATE_HZ / 2.0, note="stopped cleanly")


def filling_disks(count: int, rng: random.Random) -> Row:
    """Let the free space shrink to what ten seconds need: the recorder ends by itself, with all kept."""
    t_s, p_kpa = _trace(30.0)
    survived, lost = 0, 0
    measured = logger.keeper.free_bytes
    for _ in range(count):
        with tempfile.TemporaryDirectory() as home, VirtualDevice(t_s, {"tool": p_kpa}) as device:
            full_at = time.monotonic() + rng.uniform(1.0, 3.0)
            logger.keeper.free_bytes = lambda _folder, full_at=full_at: 1e9 if time.monotonic() < full_at else 1.5e6  # type: ignore[misc]
            try:
                status: list[int] = []
                session = record(port=device.port, home=home, on_status=lambda s, status=status: status.append(s.readings))  # type: ignore[misc]
            finally:
                logger.keeper.free_bytes = measured
            missing = max(status) - session.count
            lost += missing
            right = bool((session.raw["tool"] == p_kpa[: session.count]).all())
            survived += missing == 0 and right and "disk is full" in session.warnings[-1]
    return Row(fault="disk filling up", tried=count, survived=survived, lost=lost, longest_gap_s=0.0, note="ended by itself in time")


def plugs(count: int, rng: random.Random, *, restart: bool) -> Row:
    """Unplug the device and plug it in again, its clock running on or starting again, in one recording."""
    pieces = [_trace(rng.uniform(0.3, 1.5)) for _ in range(count + 1)]
    slowest, gone_on = 0.0, 0
    with tempfile.TemporaryDirectory() as folder:
        link = Path(folder) / "board"
        status: list[Status] = []
        stop = threading.Event()
        at_us = 1_000_000
        link.symlink_to(os.devnull)
        worker: threading.Thread | None = None
        sent: list[float] = []
        for i, (t_s, p_kpa) in enumerate(pieces):
            device = VirtualDevice(t_s, {"tool": p_kpa}, speed=20.0, ends=False, start_us=at_us)
            before = status[-1].readings if status else 0  # taken now: later it may count the new piece already
            with device:
                link.unlink()
                link.symlink_to(device.port)
                back = time.monotonic()
                if worker is None:
                    options = {"port": os.fspath(link), "home": folder, "stop": stop, "on_status": status.append}
                    worker = threading.Thread(target=record, kwargs=options)
                    worker.start()
                _wait(lambda device=device: device.sent > 0)  # type: ignore[misc]
                if i:
                    slowest = max(slowest, time.monotonic() - back)
                sent += p_kpa.tolist()
                expected = before + t_s.size - (restart and i > 0)  # the first stamp after a restart is believed with the second only
                _wait(lambda expected=expected: bool(status) and status[-1].readings >= expected)  # type: ignore[misc]
                gone_on += i > 0
            at_us = rng.randrange(1000, 500_000) if restart else (at_us + int(t_s[-1] * 1e6) + 2_000_000) % 2**32
        stop.set()
        assert worker is not None
        worker.join(30.0)
        (session,) = list_sessions(folder)
        times, kept = session.raw["time_s"], session.raw["tool"]
        lost = len(sent) - kept.size
        good = bool((np.diff(times) > 0).all()) and lost <= (count if restart else 0)
    return Row(
        fault="board restarted" if restart else "unplugged and back",
        tried=count,
        survived=gone_on if good else 0,
        lost=lost,
        longest_gap_s=slowest,
        note="the gap: until the first reading after the return",
    )


def fuzz(count: int, rng: random.Random, *, bits: bool = False, checksum: str = "xor") -> Row:
    """Damage lines and count the readings that nobody sent.

    As a line does it: one bit, bytes lost, lines torn and run together, garbage between, a burst. With `bits` instead two random bits
    of every second line, which is worse than a line does: of those one in eight leaves an XOR right, and none a CRC.
    """
    parser, clock = LineParser(), DeviceClock(unit_s=1e-6)
    parser.feed(b"\n#farend columns=t_us,a0,a1 unit=counts checksum=" + checksum.encode() + b"\n")
    false, accepted, whole, done = 0, 0, 0, 0
    while done < count:
        lines = [(4000 * (done + i), rng.randrange(1024), rng.randrange(1024)) for i in range(1000)]
        truth = {(float(t), float(a), float(b)) for t, a, b in lines}
        out = bytearray()
        for t, a, b in lines:
            line = bytearray(with_checksum(f"{t},{a},{b}", checksum).encode() + b"\n")
            kind = rng.randrange(8)
            whole += (kind >= 4 if bits else kind in {3, 5, 6, 7}) and bytes(out[-1:]) in {b"", b"\n"}
            if bits:
                for _ in range(2 if kind < 4 else 0):
                    line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
            elif kind == 0:
                line[rng.randrange(len(line))] ^= 1 << rng.randrange(8)
            elif kind == 1:
                del line[rng.randrange(len(line))]
            elif kind == 2:
                del line[rng.randrange(len(line)) :]
            elif kind == 3:
                line += rng.randbytes(rng.randrange(30)).replace(b"#", b"!") + b"\n"
            elif kind == 4:
                start = rng.randrange(len(line))
                line[start : start + 3] = rng.randbytes(3)
            out += line
        rows = parser.feed(bytes(out))
        assert rows.device is not None
        good = np.isfinite(clock.feed(rows.device, 4e-3 * (done + 1000), disturbed=parser.disturbed))
        got = list(zip(rows.device[good].tolist(), *rows.values[good].T.tolist(), strict=True))
        false += sum(row not in truth for row in got)
        accepted += len(got)
        done += 1000
    fault = ("two random bits flipped" if bits else "damaged line") + ("" if checksum == "xor" else f", {checksum}")
    note = f"{accepted} accepted of {whole} left whole, {false} never sent"
    return Row(fault=fault, tried=count, survived=count - false, lost=max(whole - accepted, 0), longest_gap_s=math.nan, note=note)


def main() -> None:
    """Run all and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--short", action="store_true")
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    rng = random.Random(given.seed)
    few = given.short
    runs: list[Callable[[], Row]] = [
        lambda: fuzz(20_000 if few else 1_000_000, rng),
        lambda: fuzz(20_000 if few else 1_000_000, rng, bits=True),
        lambda: fuzz(20_000 if few else 1_000_000, rng, checksum="crc16"),
        lambda: fuzz(20_000 if few else 1_000_000, rng, bits=True, checksum="crc16"),
        lambda: clock_steps(3 if few else 50, rng),
    ]
    if os.name == "posix":
        runs += [
            lambda: freezes(2 if few else 20, rng),
            lambda: filling_disks(1 if few else 10, rng),
            lambda: full_disks(2 if few else 20, rng),
            lambda: plugs(5 if few else 50, rng, restart=False),
            lambda: plugs(5 if few else 50, rng, restart=True),
            lambda: kills(3 if few else 200, rng),
        ]
    print(f"{'fault':<30}{'tried':>9}{'survived':>10}{'lost':>8}{'longest gap':>13}  note", flush=True)
    for run in runs:
        row = run()
        gap = "" if math.isnan(row.longest_gap_s) else f"{row.longest_gap_s:.3f} s"
        print(f"{row.fault:<30}{row.tried:>9}{row.survived:>10}{row.lost:>8}{gap:>13}  {row.note}", flush=True)


if __name__ == "__main__":
    main()
